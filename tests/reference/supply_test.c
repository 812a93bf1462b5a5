/* Cable and supply against published values. Each check names where its number comes from. */
#include "lib/chain/supply.h"

#include "lib/chain/message.h"
#include "tests/unit/support.h"

/* Ohms per 1000 ft of solid copper at 20 degC: R. Nave, HyperPhysics, Georgia State University,
 * "American Wire Gauge Conductor Size Table" (read in a copy). The gauges are those of ASTM B258.
 * The table goes through rounded diameters: a tenth of a per cent. */
START_TEST(copper_has_the_resistance_of_the_gauge_table)
{
    static const struct {
        int gauge;
        double ohm_per_1000_ft;
    } table[] = { { 18, 6.385 }, { 20, 10.15 }, { 22, 16.14 }, { 24, 25.67 }, { 26, 40.81 },
        { 28, 64.90 } };
    static const double m_per_1000_ft = 304.8; /* exact by the definition of the foot */
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const double expected = table[i].ohm_per_1000_ft / m_per_1000_ft;
        const double per_metre = supply_cable_ohm(table[i].gauge, 1.0) / 2.0;
        ck_assert_double_eq_tol(per_metre / expected, 1.0, 0.001);
    }
}
END_TEST

/* ASTM B258's formula, diameter_mm = 0.127 * 92^((36 - gauge) / 39), with 17.241 ohm mm2/km (IACS,
 * IEC 60028): milliohms per metre, computed with 40 digits outside this program. */
START_TEST(copper_has_the_resistance_of_the_formula)
{
    static const struct {
        int gauge;
        double mohm_per_m;
    } table[] = { { 10, 3.27703710 }, { 18, 20.94777514 }, { 20, 33.30826717 }, { 22, 52.96221934 },
        { 24, 84.21322743 }, { 26, 133.90427668 }, { 28, 212.91613994 }, { 30, 338.54992363 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_double_eq_tol(
            supply_cable_ohm(table[i].gauge, 0.5) * 1000.0, table[i].mohm_per_m, 1e-6);
    }
}
END_TEST

static double end_volts(int gauge, uint32_t count, double amps_each, double amps_last)
{
    static const struct supply supply = { .volts = 12.0, .amps = 10.0, .usable_share = 1.0 };
    struct supply_module module[CHAIN_MODULES_MAX];
    struct supply_load load[CHAIN_MODULES_MAX];
    for (uint32_t m = 0; m < count; m++) {
        module[m] = (struct supply_module){ .cable_ohm = supply_cable_ohm(gauge, 2.0),
            .pump_amps = m + 1 == count ? amps_last : amps_each };
        load[m] = (struct supply_load){ .pumps = 1 };
    }
    return supply_volts_at(&supply, module, load, count, count - 1);
}

/* A worked chain: 12.0 V, four modules, 2 m of cable a link, 0.5 A each; and six of them; and the
 * four's 2.0 A all at the far end. Computed by Ohm's law from the same gauge table with a pocket
 * calculator's steps: link currents 2.0, 1.5, 1.0, 0.5 A, 4 m of conductor a link. Two decimals. */
START_TEST(a_worked_chain_has_its_volts)
{
    static const struct {
        int gauge;
        double four, six, all_at_end;
    } table[] = { { 18, 11.58, 11.12, 11.33 }, { 20, 11.33, 10.60, 10.93 },
        { 24, 10.32, 8.46, 9.30 }, { 28, 7.74, 3.06, 5.19 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const int gauge = table[i].gauge;
        ck_assert_double_eq_tol(end_volts(gauge, 4, 0.5, 0.5), table[i].four, 0.006);
        ck_assert_double_eq_tol(end_volts(gauge, 6, 0.5, 0.5), table[i].six, 0.006);
        ck_assert_double_eq_tol(end_volts(gauge, 4, 0.0, 2.0), table[i].all_at_end, 0.006);
    }
}
END_TEST

START_TEST(the_worked_chain_has_its_volts_at_each_module)
{
    static const double volts_18[] = { 11.83, 11.71, 11.62, 11.58 };
    static const double volts_28[] = { 10.30, 9.02, 8.17, 7.74 };
    static const struct supply supply = { .volts = 12.0, .amps = 10.0, .usable_share = 1.0 };
    struct supply_module thick[4], thin[4];
    struct supply_load load[4];
    for (uint32_t m = 0; m < 4; m++) {
        thick[m] =
            (struct supply_module){ .cable_ohm = supply_cable_ohm(18, 2.0), .pump_amps = 0.5 };
        thin[m] =
            (struct supply_module){ .cable_ohm = supply_cable_ohm(28, 2.0), .pump_amps = 0.5 };
        load[m] = (struct supply_load){ .pumps = 1 };
    }
    for (uint32_t m = 0; m < 4; m++) {
        ck_assert_double_eq_tol(supply_volts_at(&supply, thick, load, 4, m), volts_18[m], 0.006);
        ck_assert_double_eq_tol(supply_volts_at(&supply, thin, load, 4, m), volts_28[m], 0.006);
    }
}
END_TEST

/* Sizing for continuous loads: the supply's rating is 125 % of the load, which is 80 % of the
 * rating (NEC 210.20(A), from memory). Circulation 1.5 A, one pump 0.5 A and four modules idling at
 * 0.06 A are 2.24 A and need 2.8 A; with four pumps at once 3.74 A, which a 4.675 A supply just
 * carries. */
START_TEST(eighty_per_cent_of_the_rating_is_enough_and_no_less)
{
    struct supply_module module[4];
    for (uint32_t m = 0; m < 4; m++) {
        module[m] =
            (struct supply_module){ .idle_amps = 0.06, .pump_amps = 0.5, .circulation_amps = 1.5 };
    }
    const struct supply_load one[4] = { { 1, true, 0 } }, four[4] = { { 4, true, 0 } };
    ck_assert_double_eq(supply_amps(module, one, 4), 2.24);
    ck_assert_double_eq(supply_amps(module, four, 4), 3.74);
    struct supply supply = { .volts = 12.0, .amps = 2.8, .usable_share = 0.8 };
    ck_assert(supply_allows(&supply, module, one, 4));
    supply.amps = 2.79;
    ck_assert(!supply_allows(&supply, module, one, 4));
    supply.amps = 4.675;
    ck_assert(supply_allows(&supply, module, four, 4));
    supply.amps = 4.67;
    ck_assert(!supply_allows(&supply, module, four, 4));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("supply");
    tcase_add_test(tc, copper_has_the_resistance_of_the_gauge_table);
    tcase_add_test(tc, copper_has_the_resistance_of_the_formula);
    tcase_add_test(tc, a_worked_chain_has_its_volts);
    tcase_add_test(tc, the_worked_chain_has_its_volts_at_each_module);
    tcase_add_test(tc, eighty_per_cent_of_the_rating_is_enough_and_no_less);
    return run_case(tc, "supply reference");
}
