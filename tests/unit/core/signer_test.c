/* What was seen of each key: no 'n' counts twice, over restarts, and however many keys there were.
 */
#include "lib/core/signer.h"

#include <stdio.h>

#include "lib/base/prng.h"
#include "lib/base/text.h"
#include "tests/unit/support.h"

static struct signers s;

static const char *key(int i)
{
    static char name[CHAIN_WORD_MAX];
    snprintf(name, sizeof name, "key-%d", i);
    return name;
}

START_TEST(only_what_is_above_all_counts)
{
    ck_assert_int_eq(signer_seen(&s, "phone"), 0);
    ck_assert(signer_take(&s, "phone", 7));
    ck_assert(!signer_take(&s, "phone", 7));
    ck_assert(!signer_take(&s, "phone", 6));
    ck_assert(!signer_take(&s, "phone", 1));
    ck_assert(signer_take(&s, "phone", 8));
    ck_assert(signer_take(&s, "phone", SIGNER_N_MOST));
    ck_assert(!signer_take(&s, "phone", SIGNER_N_MOST));
    ck_assert(signer_take(&s, "phone-2", 1)); /* each for itself */
    ck_assert(signer_take(&s, "phon", 1));
    ck_assert_int_eq(signer_seen(&s, "phone"), SIGNER_N_MOST);
    ck_assert_int_eq(signer_seen(&s, "phone-2"), 1);
}
END_TEST

/* Against a memory that forgets nothing. */
START_TEST(no_n_counts_twice) /* _i is the seed */
{
    enum { KEYS = 5, NUMBERS = 40 };
    bool counted[KEYS][NUMBERS + 1] = { { false } };
    int64_t most[KEYS] = { 0 };
    struct prng prng = prng_seed((uint64_t)_i);
    for (int i = 0; i < 500; i++) {
        const int64_t k = prng_below(&prng, KEYS), n = 1 + prng_below(&prng, NUMBERS);
        const bool took = signer_take(&s, key((int)k), n);
        ck_assert_int_eq(took, n > most[k]);
        ck_assert(!(took && counted[k][n]));
        counted[k][n] = counted[k][n] || took;
        if (took) most[k] = n;
    }
}
END_TEST

START_TEST(those_used_last_are_kept)
{
    for (int i = 0; i < SIGNERS_KEPT; i++) {
        ck_assert(signer_take(&s, key(i), 100 + i));
    }
    ck_assert(!signer_take(&s, key(0), 100)); /* used again: now the last one */
    ck_assert(signer_take(&s, "one-more", 1));
    ck_assert_uint_eq(s.count, SIGNERS_KEPT);
    ck_assert_int_eq(signer_seen(&s, key(0)), 100);
    ck_assert_int_eq(signer_seen(&s, key(1)), 0);
    for (int i = 2; i < SIGNERS_KEPT; i++) {
        ck_assert_int_eq(signer_seen(&s, key(i)), 100 + i);
    }
}
END_TEST

START_TEST(records_bring_it_back)
{
    static struct signers again;
    struct record r;
    again = (struct signers){ 0 };
    for (int i = 0; i < SIGNERS_KEPT; i++) {
        ck_assert(signer_take(&s, key(i), SIGNER_N_MOST - i));
    }
    uint32_t parts = 0;
    for (; signer_carry(&s, parts, &r); parts++) {
        ck_assert(!r.cut && record_is(&r, "signer"));
        signer_restore(&again, &r);
        signer_restore(&again, &r); /* said twice changes nothing */
    }
    ck_assert_uint_eq(parts, SIGNERS_KEPT);
    for (int i = 0; i < SIGNERS_KEPT; i++) {
        ck_assert_int_eq(signer_seen(&again, key(i)), SIGNER_N_MOST - i);
    }
    ck_assert(!signer_record_due(&again, (struct mono){ 0 }, &r)); /* the journal has them */
}
END_TEST

START_TEST(an_older_record_takes_nothing_back)
{
    struct record r;
    ck_assert(signer_take(&s, "phone", 9));
    record_start(&r, "request");
    record_add_text(&r, "key", "phone");
    record_add_int(&r, "n", 8);
    signer_restore(&s, &r);
    ck_assert_int_eq(signer_seen(&s, "phone"), 9);
}
END_TEST

START_TEST(what_a_record_says_wrong_is_passed_over)
{
    static const struct {
        const char *key;
        int64_t n;
    } bad[] = { { "", 5 }, { "Phone", 5 }, { "a b", 5 }, { "phone", 0 }, { "phone", -5 },
        { "phone", SIGNER_N_MOST + 1 }, { "012345678901234567890123456789012", 5 } };
    struct record r;
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        record_start(&r, "signer");
        record_add_text(&r, "key", bad[i].key);
        record_add_int(&r, "n", bad[i].n);
        signer_restore(&s, &r);
    }
    record_start(&r, "signer");
    record_add_int(&r, "key", 5);
    record_add_text(&r, "n", "5");
    signer_restore(&s, &r);
    ck_assert_uint_eq(s.count, 0);
}
END_TEST

/* What was put off in a flood isn't recorded one by one: the newest 'n' is, soon. */
START_TEST(what_has_no_record_gets_one_but_seldom)
{
    struct record r;
    struct mono at = { 1000 };
    int64_t n = 0;
    ck_assert(!signer_record_due(&s, at, &r));
    for (int i = 1; i <= 50; i++) {
        ck_assert(signer_take(&s, "phone", i));
    }
    ck_assert(signer_take(&s, "hub", 3));
    ck_assert(signer_take(&s, "told", 3));
    signer_recorded(&s, "told");
    signer_recorded(&s, "nobody");
    ck_assert(signer_record_due(&s, at, &r));
    ck_assert_str_eq(record_text_or_empty(&r, "key"), "phone");
    ck_assert(record_int(&r, "n", &n) && n == 50);
    at.ms += SIGNER_RECORD_MS - 1;
    ck_assert(!signer_record_due(&s, at, &r));
    at.ms += 1;
    ck_assert(signer_record_due(&s, at, &r));
    ck_assert_str_eq(record_text_or_empty(&r, "key"), "hub");
    at.ms += SIGNER_RECORD_MS;
    ck_assert(!signer_record_due(&s, at, &r));
}
END_TEST

static void set_up(void)
{
    s = (struct signers){ 0 };
}

int main(void)
{
    TCase *t = tcase_create("signer");
    tcase_add_checked_fixture(t, set_up, NULL);
    tcase_add_test(t, only_what_is_above_all_counts);
    tcase_add_loop_test(t, no_n_counts_twice, 0, 20);
    tcase_add_test(t, those_used_last_are_kept);
    tcase_add_test(t, records_bring_it_back);
    tcase_add_test(t, an_older_record_takes_nothing_back);
    tcase_add_test(t, what_a_record_says_wrong_is_passed_over);
    tcase_add_test(t, what_has_no_record_gets_one_but_seldom);
    return run_case(t, "signer");
}
