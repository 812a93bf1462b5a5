/* INV-13: no more current than the supply may give, no module below its volts. */
#include "lib/chain/supply.h"

#include <math.h>

#include "lib/base/prng.h"
#include "lib/chain/message.h"
#include "tests/unit/support.h"

static const struct supply supply = { .volts = 12.0, .amps = 4.0, .usable_share = 0.8 };
static const struct supply_module plain = { .cable_ohm = 0.2,
    .min_volts = 10.8,
    .idle_amps = 0.06,
    .pump_amps = 0.35,
    .circulation_amps = 1.1 };

START_TEST(currents_add_up_exactly_as_they_are_written)
{
    struct supply_module module[CHAIN_MODULES_MAX];
    struct supply_load load[CHAIN_MODULES_MAX];
    for (uint32_t m = 0; m < CHAIN_MODULES_MAX; m++) {
        module[m] = plain;
        load[m] = (struct supply_load){ .pumps = m % 5, .circulation = m == 3 };
    }
    /* 16 x 0.06 + (0+1+2+3+4)x3 x 0.35 + 1.1 */
    ck_assert_double_eq(supply_amps(module, load, 16), 12.56);
    ck_assert_double_eq(supply_amps(module, load, 1), 0.06);
    ck_assert_double_eq(supply_amps(module, load, 0), 0.0);
    /* ten times 0.1 is 1, not 0.9999999999999999 */
    for (uint32_t m = 0; m < 10; m++) {
        module[m] = (struct supply_module){ .idle_amps = 0.1 };
        load[m] = (struct supply_load){ 0 };
    }
    ck_assert_double_eq(supply_amps(module, load, 10), 1.0);
    ck_assert(supply_allows(
        &(struct supply){ .volts = 12.0, .amps = 1.25, .usable_share = 0.8 }, module, load, 10));
}
END_TEST

START_TEST(each_link_carries_what_lies_behind_it)
{
    const struct supply_module module[3] = {
        { .cable_ohm = 0.1, .idle_amps = 0.0, .pump_amps = 1.0 },
        { .cable_ohm = 0.2, .idle_amps = 0.0, .pump_amps = 1.0 },
        { .cable_ohm = 0.4, .idle_amps = 0.0, .pump_amps = 1.0 },
    };
    const struct supply_load load[3] = { { 1, false, 0 }, { 2, false, 0 }, { 4, false, 0 } };
    ck_assert_double_eq_tol(supply_volts_at(&supply, module, load, 3, 0), 12 - 0.7, 1e-12);
    ck_assert_double_eq_tol(supply_volts_at(&supply, module, load, 3, 1), 11.3 - 1.2, 1e-12);
    ck_assert_double_eq_tol(supply_volts_at(&supply, module, load, 3, 2), 10.1 - 1.6, 1e-12);
    /* the last one alone: its current passes all three */
    const struct supply_load last[3] = { { 0, false, 0 }, { 0, false, 0 }, { 1, false, 0 } };
    ck_assert_double_eq_tol(supply_volts_at(&supply, module, last, 3, 2), 12 - 0.7, 1e-12);
}
END_TEST

/* The far end sees the near load through the near link only, and the near end sees the far load
 * through that same link: exchanging which one draws and which one is looked at changes nothing. */
START_TEST(who_draws_and_who_is_looked_at_can_be_exchanged)
{
    struct supply_module module[CHAIN_MODULES_MAX];
    for (uint32_t m = 0; m < CHAIN_MODULES_MAX; m++) {
        module[m] =
            (struct supply_module){ .cable_ohm = 0.05 * (double)(m % 4 + 1), .pump_amps = 0.4 };
    }
    for (uint32_t a = 0; a < CHAIN_MODULES_MAX; a++) {
        for (uint32_t b = 0; b < CHAIN_MODULES_MAX; b++) {
            struct supply_load only_a[CHAIN_MODULES_MAX] = { { 0 } };
            struct supply_load only_b[CHAIN_MODULES_MAX] = { { 0 } };
            only_a[a].pumps = 1;
            only_b[b].pumps = 1;
            ck_assert_double_eq_tol(supply_volts_at(&supply, module, only_a, CHAIN_MODULES_MAX, b),
                supply_volts_at(&supply, module, only_b, CHAIN_MODULES_MAX, a), 1e-12);
        }
    }
}
END_TEST

START_TEST(the_usable_share_is_reached_and_not_passed)
{
    const struct supply_module module = { .idle_amps = 0.2, .pump_amps = 0.5 };
    ck_assert(supply_allows(&supply, &module, &(struct supply_load){ 6, false, 0 }, 1)); /* 3.2 A */
    ck_assert(!supply_allows(&supply, &module, &(struct supply_load){ 7, false, 0 }, 1));
    const struct supply_module bit_more = { .idle_amps = 0.200001, .pump_amps = 0.5 };
    ck_assert(!supply_allows(&supply, &bit_more, &(struct supply_load){ 6, false, 0 }, 1));
    const struct supply_module flow = { .circulation_amps = 3.3 };
    ck_assert(!supply_allows(&supply, &flow, &(struct supply_load){ 0, true, 0 }, 1));
    ck_assert(supply_allows(&supply, &flow, &(struct supply_load){ 0, false, 0 }, 1));
}
END_TEST

START_TEST(every_module_keeps_its_volts)
{
    struct supply_module module[3] = { plain, plain, plain };
    struct supply_load load[3] = { { 0, false, 0 }, { 0, false, 0 }, { 1, true, 0 } };
    /* 3 x 0.06 + 0.35 + 1.1 = 1.63 A, 1.57 A, 1.51 A: 12 - 0.2 x 4.71 = 11.058 V at the end */
    ck_assert_double_eq_tol(supply_volts_at(&supply, module, load, 3, 2), 11.058, 1e-12);
    ck_assert(supply_allows(&supply, module, load, 3));
    module[2].min_volts = 11.058;
    ck_assert(supply_allows(&supply, module, load, 3));
    module[2].min_volts = 11.058001;
    ck_assert(!supply_allows(&supply, module, load, 3));
    module[2].min_volts = 0;
    module[0].min_volts = 11.68; /* 12 - 0.326 = 11.674 V */
    ck_assert(!supply_allows(&supply, module, load, 3));
    ck_assert(supply_allows(&supply, module, load, 0));
}
END_TEST

/* As many as fit, and no more: by the supply's share, and by the volts at the far end. */
START_TEST(as_many_pumps_as_fit)
{
    struct supply_module module[3] = { plain, plain, plain };
    struct supply_load load[3] = { { .circulation = true } };
    /* 0.18 + 1.1 = 1.28 A; 1.92 A are left: five pumps of 0.35 A, were it not for the cable */
    ck_assert_uint_eq(supply_pumps_most(&supply, module, load, 3, 0), 5);
    for (uint32_t which = 0; which < 3; which++) {
        const uint32_t most = supply_pumps_most(&supply, module, load, 3, which);
        load[which].pumps = most;
        ck_assert(supply_allows(&supply, module, load, 3));
        load[which].pumps = most + 1;
        ck_assert(!supply_allows(&supply, module, load, 3));
        load[which].pumps = 0;
    }
    ck_assert_uint_lt(supply_pumps_most(&supply, module, load, 3, 2),
        supply_pumps_most(&supply, module, load, 3, 0));
    module[0].min_volts = 13.0;
    ck_assert_uint_eq(supply_pumps_most(&supply, module, load, 3, 0), 0);
    const struct supply_module free_pump = { .pump_amps = 0.0 };
    ck_assert_uint_eq(supply_pumps_most(&supply, &free_pump, load, 1, 0), SUPPLY_PUMPS_MOST);
}
END_TEST

/* A link that is longer by what is spare leaves the worst module just at its volts; a metre more
 * doesn't. */
START_TEST(a_link_may_grow_by_what_is_spare)
{
    struct supply_module module[3] = { plain, plain, plain };
    const struct supply_load load[3] = { { .circulation = true }, { .pumps = 1 }, { .pumps = 0 } };
    for (uint32_t m = 0; m < 3; m++) {
        module[m].cable_ohm_per_m = supply_cable_ohm(24, 1.0);
    }
    for (uint32_t which = 0; which < 3; which++) {
        const double spare_m = supply_spare_m(&supply, module, load, 3, which);
        ck_assert(spare_m > 1.0);
        const double before_ohm = module[which].cable_ohm;
        module[which].cable_ohm = before_ohm + (spare_m - 1e-3) * module[which].cable_ohm_per_m;
        ck_assert(supply_allows(&supply, module, load, 3));
        ck_assert_double_eq_tol(supply_spare_m(&supply, module, load, 3, which), 1e-3, 1e-9);
        module[which].cable_ohm = before_ohm + (spare_m + 1e-3) * module[which].cable_ohm_per_m;
        ck_assert(!supply_allows(&supply, module, load, 3));
        ck_assert(supply_spare_m(&supply, module, load, 3, which) < 0.0);
        module[which].cable_ohm = before_ohm;
    }
    const struct supply_module idle = { .min_volts = 10.8, .cable_ohm_per_m = 0.2 };
    ck_assert_double_eq(supply_spare_m(&supply, &idle, load + 2, 1, 0), SUPPLY_METRES_MOST);
    ck_assert_double_eq(supply_spare_m(&supply, &plain, load, 1, 0), SUPPLY_METRES_MOST);
}
END_TEST

/* A motor draws more as it starts: 0.06 + 1.1 + 4.4 A through 0.2 ohm. */
START_TEST(a_surge_counts_like_any_load)
{
    const struct supply_load load = { .circulation = true, .surge_amps = 4.4 };
    ck_assert_double_eq(supply_amps(&plain, &load, 1), 5.56);
    ck_assert_double_eq_tol(supply_volts_at(&supply, &plain, &load, 1, 0), 12.0 - 1.112, 1e-12);
    ck_assert(!supply_allows(&supply, &plain, &load, 1));
}
END_TEST

/* More load anywhere, a longer or thinner cable anywhere: never more volts, never fewer amps, and
 * what was refused stays refused. */
START_TEST(more_load_or_more_cable_never_helps)
{
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < 2000; n++) {
        const uint32_t count = (uint32_t)(1 + prng_below(&prng, CHAIN_MODULES_MAX));
        struct supply_module module[CHAIN_MODULES_MAX];
        struct supply_load load[CHAIN_MODULES_MAX];
        for (uint32_t m = 0; m < count; m++) {
            module[m] = (struct supply_module){ .cable_ohm = 0.3 * prng_unit(&prng),
                .min_volts = 9.0 + 2.5 * prng_unit(&prng),
                .idle_amps = 0.1 * prng_unit(&prng),
                .pump_amps = 0.5 * prng_unit(&prng),
                .circulation_amps = 1.5 * prng_unit(&prng) };
            load[m] = (struct supply_load){ (uint32_t)prng_below(&prng, 3),
                prng_below(&prng, 4) == 0, 0 };
        }
        const double amps = supply_amps(module, load, count);
        const bool allowed = supply_allows(&supply, module, load, count);
        double volts[CHAIN_MODULES_MAX];
        for (uint32_t m = 0; m < count; m++) {
            volts[m] = supply_volts_at(&supply, module, load, count, m);
            ck_assert(m == 0 || volts[m] <= volts[m - 1]);
        }
        const uint32_t where = (uint32_t)prng_below(&prng, count);
        if (prng_below(&prng, 2) == 0)
            load[where].pumps++;
        else
            module[where].cable_ohm *= 1.5;
        ck_assert(supply_amps(module, load, count) >= amps);
        for (uint32_t m = 0; m < count; m++) {
            ck_assert(supply_volts_at(&supply, module, load, count, m) <= volts[m]);
        }
        ck_assert(allowed || !supply_allows(&supply, module, load, count));
    }
}
END_TEST

START_TEST(cables_grow_with_length_and_shrink_with_gauge)
{
    ck_assert_double_eq(supply_cable_ohm(24, 0.0), 0.0);
    ck_assert_double_eq_tol(supply_cable_ohm(24, 4.0), 2.0 * supply_cable_ohm(24, 2.0), 1e-12);
    for (int gauge = 11; gauge <= 30; gauge++) {
        /* by the gauge's definition, the diameter falls by the 39th root of 92 */
        const double ratio = supply_cable_ohm(gauge, 1.0) / supply_cable_ohm(gauge - 1, 1.0);
        ck_assert_double_eq_tol(ratio, pow(92.0, 2.0 / 39.0), 1e-9);
    }
}
END_TEST

/* The module with least to spare decides, also where it is the first one behind the link. */
START_TEST(a_near_module_may_have_least_to_spare)
{
    const struct supply small = { .volts = 12.0, .amps = 4.0, .usable_share = 0.8 };
    const struct supply_load load[2] = { { .pumps = 1 }, { .pumps = 1 } };
    struct supply_module module[2];
    for (int m = 0; m < 2; m++) {
        module[m] = (struct supply_module){ .cable_ohm = 0.1,
            .cable_ohm_per_m = 0.1,
            .min_volts = m == 0 ? 11.5 : 6.0,
            .pump_amps = 0.5 };
    }
    /* 1 A over 0.1 ohm leaves 11.9 V: 0.4 V to spare, 0.1 V for each metre */
    ck_assert_double_eq_tol(supply_spare_m(&small, module, load, 2, 0), 4.0, 1e-9);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("supply");
    tcase_add_test(tc, currents_add_up_exactly_as_they_are_written);
    tcase_add_test(tc, each_link_carries_what_lies_behind_it);
    tcase_add_test(tc, who_draws_and_who_is_looked_at_can_be_exchanged);
    tcase_add_test(tc, the_usable_share_is_reached_and_not_passed);
    tcase_add_test(tc, every_module_keeps_its_volts);
    tcase_add_test(tc, as_many_pumps_as_fit);
    tcase_add_test(tc, a_link_may_grow_by_what_is_spare);
    tcase_add_test(tc, a_surge_counts_like_any_load);
    tcase_add_loop_test(tc, more_load_or_more_cable_never_helps, 0, 5);
    tcase_add_test(tc, cables_grow_with_length_and_shrink_with_gauge);
    tcase_add_test(tc, a_near_module_may_have_least_to_spare);
    return run_case(tc, "supply");
}
