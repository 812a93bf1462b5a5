#include "lib/base/problem.h"

#include <string.h>

#include "tests/unit/support.h"

START_TEST(a_problem_says_where_and_what_and_is_cut_to_fit)
{
    struct problem p;
    ck_assert_int_eq(problem_set(&p, ERR_RANGE, "site.yaml:3:7", "too much"), ERR_RANGE);
    ck_assert_int_eq(p.err, ERR_RANGE);
    ck_assert_str_eq(p.where, "site.yaml:3:7");
    ck_assert_str_eq(p.text, "too much");
    char lots[1000];
    memset(lots, 'x', sizeof lots);
    lots[sizeof lots - 1] = '\0';
    problem_set(&p, ERR_SYNTAX, lots, lots);
    ck_assert_uint_eq(strlen(p.where), PROBLEM_WHERE_MAX - 1);
    ck_assert_uint_eq(strlen(p.text), PROBLEM_TEXT_MAX - 1);
    ck_assert_int_eq(problem_set(NULL, ERR_IO, "x", "y"), ERR_IO);
}
END_TEST

START_TEST(a_list_keeps_its_first_and_counts_the_rest)
{
    static struct problem_list list;
    struct problem p;
    for (int i = 0; i < PROBLEM_LIST_MAX + 5; i++) {
        problem_set(&p, ERR_UNKNOWN, i == 0 ? "first" : "later", "");
        problem_list_add(&list, &p);
    }
    ck_assert_uint_eq(list.count, PROBLEM_LIST_MAX);
    ck_assert_uint_eq(list.more, 5);
    ck_assert_str_eq(list.item[0].where, "first");
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("problem");
    tcase_add_test(tc, a_problem_says_where_and_what_and_is_cut_to_fit);
    tcase_add_test(tc, a_list_keeps_its_first_and_counts_the_rest);
    return run_case(tc, "problem");
}
