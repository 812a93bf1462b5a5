/* What a first dose shows: the sentences for bottles that were changed over, and for none. */
#include "daemon/commission/dose_judge.h"

#include <math.h>

#include "tests/unit/support.h"

static const struct {
    const char *purpose;
    double due, rise, ph; /* what was due, and what came */
    bool good;
    const char *words;
} c[] = {
    { "feed", 0.10, 0.09, -0.02, true, "That fits" },
    { "feed", 0.10, 0.071, 0.0, true, "That fits" },
    { "feed", 0.10, 0.069, 0.0, false, "Only part of it came: was the line primed to its end" },
    { "feed", 0.10, 0.031, 0.0, false, "Only part of it came" },
    { "feed", 0.04, 0.02, 0.0, true, "That fits" }, /* less by no more than can be seen */
    { "feed", 0.10, 0.029, 0.0, false, "It hardly did: was the line primed?" },
    { "feed", 0.10, 0.0, -0.19, false, "It hardly did: was the line primed?" },
    { "feed", 0.10, 0.01, -0.3, false, "It acts like an acid: does this pump draw from another" },
    { "feed", 0.10, 0.01, 0.3, false, "It acts like a base: " },
    { "feed", 0.10, 0.31, 0.0, false, "much more than was due" },
    { "feed", 0.02, 0.0, 0.0, true, "too little to be seen" },
    { "acid", 0.0, 0.01, -0.2, true, "That is the right way" },
    { "acid", 0.0, 0.01, 0.21, false, "That is the wrong way" },
    { "acid", 0.0, 0.01, 0.19, false, "pH hardly moved" },
    { "acid", 0.0, 0.0, 0.0, false, "was the line primed? A pump moves air" },
    { "acid", 0.0, 0.05, 0.0, false, "it acts like a feed" },
    { "acid", 0.0, 0.0, -0.05, false, "pH hardly moved" },
    { "base", 0.0, 0.0, 0.2, true, "That is the right way" },
    { "base", 0.0, 0.0, -0.21, false, "That is the wrong way" },
    { "", 0.0, 0.2, -0.2, true, "EC went from 1.00 to 1.20 mS/cm, pH from 6.50 to 6.30" },
};

START_TEST(a_dose_is_told_by_what_it_did)
{
    char buffer[512];
    struct text said = text_over(buffer, sizeof buffer);
    const struct first_dose d = { .purpose = c[_i].purpose,
        .due_ms_cm = c[_i].due,
        .before = { 1.0, 6.5 },
        .after = { 1.0 + c[_i].rise, 6.5 + c[_i].ph } };
    ck_assert_msg(dose_judge(&said, &d) == c[_i].good, "%s", buffer);
    ck_assert_msg(strstr(buffer, c[_i].words) != NULL, "'%s' isn't in: %s", c[_i].words, buffer);
}
END_TEST

START_TEST(what_is_not_known_is_no_fault)
{
    char buffer[512];
    for (int i = 0; i < 4; i++) {
        struct text said = text_over(buffer, sizeof buffer);
        struct first_dose d = { "feed", 0.1, { 1.0, 6.5 }, { 1.0, 6.5 } };
        *(i == 0     ? &d.before.ec_ms_cm
            : i == 1 ? &d.before.ph
            : i == 2 ? &d.after.ec_ms_cm
                     : &d.after.ph) = (double)NAN;
        ck_assert(dose_judge(&said, &d));
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("dose_judge");
    tcase_add_loop_test(tc, a_dose_is_told_by_what_it_did, 0, sizeof c / sizeof *c);
    tcase_add_test(tc, what_is_not_known_is_no_fault);
    return run_case(tc, "dose_judge");
}
