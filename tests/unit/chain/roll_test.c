/* INV-4: liquid comes from no bottle other than the one meant. */
#include "lib/chain/roll.h"

#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

static char why[300];

static struct chain_config config(void)
{
    return (struct chain_config){ .key = "west",
        .device = "west",
        .count = 3,
        .module = { { .serial = "a1f3", .position = 1, .channels = 4, .circulation = true },
            { .serial = "b77c", .position = 2, .channels = 3 },
            { .serial = "c91d", .position = 3 } } };
}

static struct chain_roll roll(void)
{
    return (struct chain_roll){ .boot = "b",
        .count = 3,
        .module = { { .position = 1, .serial = "a1f3", .channels = 4, .circulation = true },
            { .position = 2, .serial = "b77c", .channels = 4, .circulation = true },
            { .position = 3, .serial = "c91d", .channels = 4 } } };
}

static bool matches(const struct chain_config *c, const struct chain_roll *r)
{
    struct text t = text_over(why, sizeof why);
    const bool matches = chain_roll_matches(c, r, &t);
    ck_assert_int_eq(matches, why[0] == '\0');
    return matches;
}

static void rename_module(struct chain_roll *r, uint32_t i, const char *serial)
{
    text_copy(r->module[i].serial, CHAIN_WORD_MAX, serial);
}

START_TEST(the_chain_that_was_configured_matches_in_any_order)
{
    const struct chain_config c = config();
    struct chain_roll r = roll();
    ck_assert(matches(&c, &r));
    const struct chain_module first = r.module[0];
    r.module[0] = r.module[2];
    r.module[2] = first;
    ck_assert(matches(&c, &r));
    r.module[1].firmware[0] = '9';
    r.module[1].volts = 3.0;
    ck_assert(matches(&c, &r));
}
END_TEST

START_TEST(two_exchanged_modules_are_named_with_their_places)
{
    const struct chain_config c = config();
    struct chain_roll r = roll();
    rename_module(&r, 1, "c91d");
    rename_module(&r, 2, "b77c");
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(
        why, "position 2 answers as c91d; b77c was expected; it answers at position 3");
}
END_TEST

START_TEST(a_stranger_is_named)
{
    const struct chain_config c = config();
    struct chain_roll r = roll();
    rename_module(&r, 1, "ffff");
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(why, "position 2 answers as ffff; b77c was expected; it doesn't answer "
                          "anywhere on this chain");
}
END_TEST

START_TEST(a_missing_module_is_named)
{
    const struct chain_config c = config();
    struct chain_roll r = roll();
    r.count = 2;
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(why, "position 3 doesn't answer; c91d was expected; it doesn't answer "
                          "anywhere on this chain");
    r = roll(); /* the second one was taken out, the third moved up */
    rename_module(&r, 1, "c91d");
    r.count = 2;
    ck_assert(!matches(&c, &r));
    r.count = 0;
    ck_assert(!matches(&c, &r));
}
END_TEST

START_TEST(a_module_too_many_is_named)
{
    const struct chain_config c = config();
    struct chain_roll r = roll();
    r.count = 5;
    r.module[3] = (struct chain_module){ .position = 9, .serial = "eeee", .channels = 4 };
    r.module[4] = (struct chain_module){ .position = 4, .serial = "dddd", .channels = 4 };
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(why, "position 4 answers as dddd; no module is configured there");
    const struct chain_module further = r.module[3];
    r.module[3] = r.module[4];
    r.module[4] = further;
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(why, "position 4 answers as dddd; no module is configured there");
}
END_TEST

START_TEST(outputs_that_the_site_uses_must_be_there)
{
    const struct chain_config c = config();
    struct chain_roll r = roll();
    r.module[1].channels = 3;
    r.module[1].circulation = false; /* nobody uses it */
    ck_assert(matches(&c, &r));
    r.module[1].channels = 2;
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(why, "position 2: b77c has 2 pump channels; the configuration uses channel 3");
    r.module[1].channels = 1;
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(why, "position 2: b77c has 1 pump channel; the configuration uses channel 3");
    r = roll();
    r.module[0].circulation = false;
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(why, "position 1: a1f3 has no circulation output; the configuration uses it");
}
END_TEST

START_TEST(two_modules_at_one_position_or_of_one_serial_dont_match)
{
    const struct chain_config c = config();
    struct chain_roll r = roll();
    r.count = 4;
    r.module[3] = r.module[1];
    ck_assert(!matches(&c, &r));
    ck_assert_str_eq(why, "two modules say that they are at position 2");
    r = roll();
    rename_module(&r, 2, "b77c");
    ck_assert(!matches(&c, &r));
}
END_TEST

START_TEST(the_serial_expected_at_a_position_is_known)
{
    const struct chain_config c = config();
    ck_assert_str_eq(chain_serial_at(&c, 2), "b77c");
    ck_assert_ptr_null(chain_serial_at(&c, 0));
    ck_assert_ptr_null(chain_serial_at(&c, 4));
    ck_assert_ptr_null(chain_serial_at(&c, UINT32_MAX));
}
END_TEST

/* Against a model that is too simple to be wrong: the same set of places, and enough outputs. */
START_TEST(any_change_of_place_is_noticed)
{
    static const char *const serials[] = { "a1f3", "b77c", "c91d", "dddd" };
    const struct chain_config c = config();
    struct prng prng = prng_seed((uint64_t)_i);
    int good = 0;
    for (int n = 0; n < 20000; n++) {
        struct chain_roll r = { .count = (uint32_t)(2 + prng_below(&prng, 3)) };
        bool expected = r.count == 3;
        for (uint32_t i = 0; i < r.count; i++) {
            struct chain_module *m = &r.module[i];
            const bool close = prng_below(&prng, 8) > 0;
            m->position = close ? i + 1 : (uint32_t)(1 + prng_below(&prng, 5));
            text_copy(m->serial, CHAIN_WORD_MAX, serials[close ? i : (size_t)prng_below(&prng, 4)]);
            m->channels = (uint32_t)(2 + prng_below(&prng, 15));
            m->circulation = prng_below(&prng, 8) > 0;
        }
        for (uint32_t p = 0; p < 3; p++) {
            int at = 0;
            for (uint32_t i = 0; i < r.count; i++) {
                const struct chain_module *m = &r.module[i];
                at += m->position == p + 1 && strcmp(m->serial, serials[p]) == 0 &&
                      m->channels >= c.module[p].channels &&
                      (m->circulation || !c.module[p].circulation);
            }
            expected = expected && at == 1;
        }
        ck_assert_int_eq(matches(&c, &r), expected);
        good += expected;
    }
    ck_assert_int_gt(good, 500);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("roll");
    tcase_add_test(tc, the_chain_that_was_configured_matches_in_any_order);
    tcase_add_test(tc, two_exchanged_modules_are_named_with_their_places);
    tcase_add_test(tc, a_stranger_is_named);
    tcase_add_test(tc, a_missing_module_is_named);
    tcase_add_test(tc, a_module_too_many_is_named);
    tcase_add_test(tc, outputs_that_the_site_uses_must_be_there);
    tcase_add_test(tc, two_modules_at_one_position_or_of_one_serial_dont_match);
    tcase_add_test(tc, the_serial_expected_at_a_position_is_known);
    tcase_add_loop_test(tc, any_change_of_place_is_noticed, 0, 3);
    return run_case(tc, "roll");
}
