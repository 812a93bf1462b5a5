/* What the rig's probes send must be what the daemon reads back. */
#include <math.h>

#include "daemon/payload/payload.h"
#include "lib/sense/convert.h"
#include "tests/unit/daemon/rig_fixture.h"

START_TEST(what_goes_out_in_a_unit_comes_back_from_it)
{
    static const struct probe_config table[] = {
        { .quantity = PROBE_PH, .unit = UNIT_PH },
        { .quantity = PROBE_PH, .unit = UNIT_MV, .zero_mv = -6, .slope_percent = 96.5 },
        { .quantity = PROBE_EC, .unit = UNIT_MS_CM, .compensated = true },
        { .quantity = PROBE_EC, .unit = UNIT_US_CM, .compensation_percent = 1.9 },
        { .quantity = PROBE_EC, .unit = UNIT_US, .cell_constant = 0.48, .compensated = true },
        { .quantity = PROBE_EC, .unit = UNIT_US, .cell_constant = 1.1, .compensation_percent = 2 },
        { .quantity = PROBE_TEMPERATURE, .unit = UNIT_DEGF },
        { .quantity = PROBE_TEMPERATURE, .unit = UNIT_DEGC },
        { .quantity = PROBE_VOLUME, .unit = UNIT_L },
        { .quantity = PROBE_LEVEL, .unit = UNIT_PERCENT },
    };
    static const double values[] = { 4.5, 7.0, 61.25, 1432.0 };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        for (size_t v = 0; v < sizeof values / sizeof values[0]; v++) {
            const double sent = rig_probe_outside(&table[i], values[v], 18.5);
            double back = NAN;
            ck_assert_int_eq(convert_number(&back, &table[i], sent, 18.5), PROBE_OK);
            ck_assert_double_eq_tol(back / values[v], 1.0, 1e-9);
        }
    }
}
END_TEST

START_TEST(an_acid_reads_more_millivolts)
{
    const struct probe_config mv = { .quantity = PROBE_PH, .unit = UNIT_MV, .slope_percent = 100 };
    ck_assert_double_eq_tol(rig_probe_outside(&mv, 4.0, 25), 3 * 59.16, 0.02);
    ck_assert_double_eq_tol(rig_probe_outside(&mv, 7.0, 25), 0, 1e-9);
}
END_TEST

START_TEST(each_unit_has_a_resolution_as_probes_have)
{
    ck_assert(rig_probe_behaviour(UNIT_US_CM).resolution == 1);
    ck_assert(rig_probe_behaviour(UNIT_MS_CM).resolution == 0.001);
    ck_assert(rig_probe_behaviour(UNIT_PH).resolution == 0.01);
    ck_assert(rig_probe_behaviour(UNIT_DEGC).resolution == 0.1);
    ck_assert(rig_probe_behaviour(UNIT_BOOL).noise == 0);
    for (int u = 0; u < UNIT_COUNT; u++) {
        if (u != UNIT_BOOL) ck_assert(rig_probe_behaviour((enum probe_unit)u).noise > 0);
    }
}
END_TEST

START_TEST(the_description_is_json_that_names_each_property)
{
    char bytes[PAYLOAD_MAX];
    struct text t = text_over(bytes, sizeof bytes);
    rig_describe(&t, "west");
    ck_assert(!t.cut);
    static const char *const parts[] = { "\"homie\":\"5.0\"", "\"version\":1", "\"roll\":{",
        "\"claim\":{", "\"beat\":{", "\"command\":{", "\"report\":{", "\"ledger\":{",
        "\"manual\":{" };
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        ck_assert_msg(strstr(bytes, parts[i]), "%s", parts[i]);
    }
    int settable = 0, passing = 0;
    for (const char *s = bytes; (s = strstr(s, "\"settable\":true")); s++) {
        settable++;
    }
    for (const char *s = bytes; (s = strstr(s, "\"retained\":false")); s++) {
        passing++;
    }
    ck_assert_int_eq(settable, 2); /* claim and command */
    ck_assert_int_eq(passing, 1);  /* beat */
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("rig probe");
    tcase_add_test(tc, what_goes_out_in_a_unit_comes_back_from_it);
    tcase_add_test(tc, an_acid_reads_more_millivolts);
    tcase_add_test(tc, each_unit_has_a_resolution_as_probes_have);
    tcase_add_test(tc, the_description_is_json_that_names_each_property);
    return run_case(tc, "rig probe");
}
