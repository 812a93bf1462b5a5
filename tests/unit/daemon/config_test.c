/* From files to the configuration in force: what a valid one becomes. What is refused:
 * config_refusal_test.c; many tanks: config_tanks_test.c. */
#include "tests/unit/daemon/config_clock.h"

#include <openssl/evp.h>

#include "daemon/config/config_zone.h"
#include "daemon/config/schema_rows.h"

/* --- what a valid file becomes -----------------------------------------------------------------
 */

START_TEST(the_site_and_its_broker_are_read)
{
    const struct site *site = load();
    const struct broker_config *broker = &fixture_config->broker;
    char expected[128];
    ck_assert_str_eq(site->key, "tern-hall");
    ck_assert_str_eq(site->name, "tern-hall");
    ck_assert_uint_eq(broker->uri_count, 2);
    ck_assert_str_eq(broker->uri[0], "mqtts://broker.example:8883");
    ck_assert_str_eq(broker->uri[1], "mqtts://192.0.2.7:8883");
    ck_assert_int_eq(broker->version, 5);
    ck_assert_str_eq(broker->username, "dosewright");
    fixture_path(expected, "secret");
    ck_assert_str_eq(broker->password_file, expected);
    ck_assert_ptr_null(broker->ca_file);
    ck_assert(!broker->plain_allowed);
    ck_assert_int_eq(broker->keepalive_s, 5);
    ck_assert_str_eq(fixture_config->homie_domain, "homie");
    ck_assert_str_eq(fixture_config->journal_dir, "/var/lib/dosewright");
    ck_assert_int_eq(fixture_config->keep_days, 400);
    ck_assert_str_eq(fixture_config->socket_path, "/run/dosewright/tern-hall.sock");
}
END_TEST

START_TEST(a_chain_knows_its_modules_and_which_outputs_are_used)
{
    const struct site *site = load();
    ck_assert_uint_eq(site->chain_count, 1);
    const struct chain_config *west = &site->chain[0];
    ck_assert_str_eq(west->key, "west");
    ck_assert_str_eq(west->device, "west");
    ck_assert_double_eq_tol(west->supply.usable_share, 0.8, 1e-12);
    ck_assert_uint_eq(west->count, 2);
    ck_assert_str_eq(west->module[0].serial, "a1f3");
    ck_assert_str_eq(west->module[1].serial, "b77c");
    ck_assert_uint_eq(west->module[1].position, 2);
    ck_assert_uint_eq(west->module[0].channels, 3);
    ck_assert_uint_eq(west->module[1].channels, 4);
    ck_assert(west->module[0].circulation);
    ck_assert(!west->module[1].circulation);
    ck_assert_double_eq_tol(west->module[1].power.circulation_amps, 1.2, 1e-12);
    ck_assert_double_eq_tol(west->module[0].power.cable_ohm, supply_cable_ohm(20, 1.0), 1e-12);
}
END_TEST

START_TEST(the_highest_channel_counts_and_the_edge_of_what_is_remembered_is_taken)
{
    fixture_change(SITE, "address: west/2.4", "address: west/1.2");
    fixture_change(SITE, "hour_ml: 200, day_ml: 800", "hour_ml: 200, day_ml: 5000");
    const struct site *site = load();
    ck_assert_uint_eq(site->chain[0].module[0].channels, 3);
    ck_assert_uint_eq(site->chain[0].module[1].channels, 0);
    ck_assert_int_eq(site->tank[0].pump[0].limits.day_ul, 5000000); /* 20000 doses of 0.25 mL */
}
END_TEST

START_TEST(modules_may_be_listed_in_any_order)
{
    fixture_change(SITE, "serial: a1f3, position: 1", "serial: a1f3, position: 2");
    fixture_change(SITE, "serial: b77c, position: 2", "serial: b77c, position: 1");
    const struct site *site = load();
    ck_assert_str_eq(site->chain[0].module[0].serial, "b77c");
    ck_assert_str_eq(site->chain[0].module[1].serial, "a1f3");
    ck_assert_str_eq(site->tank[0].pump[0].serial, "b77c");
}
END_TEST

START_TEST(stocks_are_kept_apart_by_their_salts_and_by_name)
{
    const struct site *site = load();
    ck_assert_uint_eq(site->stock_count, 3);
    ck_assert_int_eq(site->stock[1].bottle_ul, 2500500);
    ck_assert_uint_eq(site->stock[0].keep_apart, 2); /* calcium, from sulfate and phosphate */
    ck_assert_uint_eq(site->stock[1].keep_apart, 1);
    ck_assert_uint_eq(site->stock[2].keep_apart, 0);
    ck_assert_int_eq(site->stock[2].solution.kind, STOCK_ACID);
    ck_assert_int_eq(site->stock[2].solution.reagent, REAGENT_NITRIC);
    ck_assert_double_gt(site->stock[2].strength.acid_meq_ml, 0.0);

    fixture_change(ACID, "kind: acid\n", "kind: acid\nkeep_apart: [leaf-a, part-b]\n");
    site = load(); /* a key of the site, and a name of a file */
    ck_assert_uint_eq(site->stock[2].keep_apart, 3);
    ck_assert_uint_eq(site->stock[0].keep_apart, 6);
    ck_assert_uint_eq(site->stock[1].keep_apart, 5);
}
END_TEST

START_TEST(a_tank_has_its_numbers_in_the_units_of_the_core)
{
    const struct site *site = load();
    const struct site_tank *t = &site->tank[0];
    ck_assert_int_eq(site->water_every_ms, 10 * MINUTE_MS);
    ck_assert_str_eq(t->key, "bench");
    ck_assert_str_eq(t->name, "bench");
    ck_assert_double_eq_tol(t->volume_l, 120.0, 1e-12);
    ck_assert_double_eq_tol(t->source_ec_us_cm, 350.0, 1e-9);
    ck_assert_double_eq_tol(t->source_alkalinity_meq_l, 2.1, 1e-12);
    ck_assert_double_eq_tol(t->envelope.ec_least_us_cm, 400.0, 1e-9);
    ck_assert_double_eq_tol(t->envelope.ec_most_us_cm, 2200.0, 1e-9);
    ck_assert_double_eq_tol(t->envelope.ph_most, 6.8, 1e-12);
    ck_assert_double_eq_tol(t->envelope.degc_least, 12.0, 1e-12);
    ck_assert_double_eq_tol(t->band_ec_us_cm, 100.0, 1e-9);
    ck_assert_double_eq_tol(t->band_ph, 0.2, 1e-12);
    ck_assert_int_eq(t->move.ec_rise_per_hour, 600000);  /* 0.6 mS/cm in thousandths of uS/cm */
    ck_assert_int_eq(t->move.ph_move_per_hour, 1000000); /* 1 pH in millionths */
    ck_assert_int_eq(t->move.acid_base_spacing_ms, 120 * MINUTE_MS);
    ck_assert_int_eq(t->override_most_ms, 24 * HOUR_MS);
    ck_assert(t->has_level_min);
    ck_assert_double_eq_tol(t->level_min_percent, 40.0, 1e-12);
    ck_assert_int_eq(t->circulation.when, CIRCULATE_FOR_DOSES);
    ck_assert_str_eq(t->circulation.serial, "a1f3");
    ck_assert_uint_eq(t->circulation.address.channel, CHAIN_CIRCULATION_CHANNEL);
    struct civil planted;
    ck_assert(calendar_read_date(&planted, "2031-03-05"));
    ck_assert_int_eq(t->planted.ms, planted.ms);
}
END_TEST

START_TEST(what_wears_is_due_by_itself_or_as_it_is_said)
{
    const struct site *site = load();
    ck_assert_int_eq(site->stock[0].low_ul, 500000);
    ck_assert_double_eq(site->stock[0].low_days, 3.0);
    const struct site_tank *t = &site->tank[0];
    ck_assert_int_eq(t->pump[0].calibrate_every_ms, 30 * DAY_MS);
    ck_assert_int_eq(t->pump[0].tube_run_ms, 200 * HOUR_MS);
    ck_assert_int_eq(t->pump[0].tube_age_ms, 365 * DAY_MS);
    ck_assert_int_eq(t->upkeep.strainer_ms, 500 * HOUR_MS);
    ck_assert(t->upkeep.water_ms == 0 && t->upkeep.water_l == 0.0);
    ck_assert(t->upkeep.light_on_lx == 1000.0 && t->upkeep.light_differs_ms == 0);
    ck_assert_double_eq(t->upkeep.enclosure_most_degc, 50.0);

    fixture_change(SITE, "bottle_ml: 5000", "bottle_ml: 5000, low_ml: 0, low_days: 1.5");
    fixture_change(SITE, "smallest_dose_ml: 0.25",
        "smallest_dose_ml: 0.25, calibrate_every_days: 0, tube_hours: 0.5, tube_days: 90");
    fixture_change(SITE, "    recipe: {",
        "    upkeep: { strainer_hours: 2, water_change_days: 21, water_change_l: 360, "
        "light_on_lx: 50, enclosure_most_degc: 0 }\n    recipe: {");
    site = load();
    t = &site->tank[0];
    ck_assert(site->stock[0].low_ul == 0 && site->stock[0].low_days == 1.5);
    ck_assert_int_eq(t->pump[0].calibrate_every_ms, 0);
    ck_assert_int_eq(t->pump[0].tube_run_ms, HOUR_MS / 2);
    ck_assert_int_eq(t->pump[0].tube_age_ms, 90 * DAY_MS);
    ck_assert_int_eq(t->upkeep.strainer_ms, 2 * HOUR_MS);
    ck_assert(t->upkeep.water_ms == 21 * DAY_MS && t->upkeep.water_l == 360.0);
    ck_assert(t->upkeep.light_on_lx == 50.0 && t->upkeep.enclosure_most_degc == 0.0);
}
END_TEST

START_TEST(pumps_recipe_and_limits_point_at_one_another)
{
    const struct site_tank *t = &load()->tank[0];
    ck_assert_uint_eq(t->pump_count, 3);
    ck_assert_uint_eq(t->pump[1].stock, 1);
    ck_assert_uint_eq(t->pump[1].address.position, 1);
    ck_assert_uint_eq(t->pump[1].address.channel, 3);
    ck_assert_str_eq(t->pump[2].serial, "b77c");
    ck_assert(t->pump[0].calibrated);
    ck_assert_int_eq(t->pump[0].limits.smallest_ul, 250);
    ck_assert_int_eq(t->pump[1].limits.smallest_ul, 500);
    ck_assert_int_eq(t->pump[1].limits.dose_ul, 30500);
    ck_assert_int_eq(t->pump[1].limits.hour_ul, 100000);
    ck_assert_int_eq(t->pump[1].limits.day_ul, 400000);
    ck_assert_uint_eq(t->recipe_count, 2);
    ck_assert_uint_eq(t->recipe[0].pump, 1); /* in the recipe's order, not the pumps' */
    ck_assert_uint_eq(t->recipe[1].pump, 0);
    ck_assert_double_eq_tol(t->recipe[1].parts, 2.5, 1e-12);
    ck_assert_int_eq(t->lowers_ph, 2);
    ck_assert_int_eq(t->raises_ph, -1);
    /* 4 mm bore, 2 m: pi * 2^2 * 2 mL */
    ck_assert_double_eq_tol(fixture_config->tube_ml[1], 25.1327, 1e-3);
    ck_assert_double_eq_tol(fixture_config->tube_ml[0], 0.0, 1e-12);
}
END_TEST

START_TEST(probes_have_ranges_calibrations_and_guards)
{
    const struct site_tank *t = &load()->tank[0];
    const struct probe_config *ec = &t->probe[PROBE_EC], *ph = &t->probe[PROBE_PH];
    const struct probe_config *degf = &t->probe[PROBE_TEMPERATURE], *leak = &t->probe[PROBE_LEAK];
    const struct probe_config *level = &t->probe[PROBE_LEVEL];
    ck_assert(ec->present && ph->present && degf->present && leak->present);
    ck_assert(!t->probe[PROBE_FLOW].present);
    ck_assert_str_eq(ec->topic, "glass/ec");
    ck_assert_str_eq(ec->pointer, "");
    ck_assert_int_eq(ec->unit, UNIT_MS_CM);
    ck_assert(ec->compensated && ec->calibrated);
    ck_assert_int_eq(ec->max_age_ms, 60 * SECOND_MS);
    ck_assert_double_eq_tol(ec->least, 0.02, 1e-12); /* in the probe's unit */
    ck_assert_double_eq_tol(ec->most, 10.0, 1e-12);
    ck_assert_double_eq_tol(ec->jump_most, 1000.0, 1e-9); /* inside unit */
    ck_assert_int_eq(ec->stuck_after_ms, 45 * MINUTE_MS);
    ck_assert_double_eq_tol(ec->compensation_percent, 1.9, 1e-12);
    ck_assert_double_eq_tol(ec->cell_constant, 1.0, 1e-12);
    ck_assert_str_eq(ph->pointer, "/ph/mv");
    ck_assert_double_eq_tol(ph->zero_mv, -4.0, 1e-12);
    ck_assert_double_eq_tol(ph->slope_percent, 97.5, 1e-12);
    ck_assert(ph->calibrated);
    ck_assert_double_eq_tol(degf->least, 40.0, 1e-12);
    ck_assert_double_eq_tol(degf->most, 100.0, 1e-12);
    ck_assert_int_eq(degf->stuck_after_ms, 0);
    ck_assert(degf->calibrated);                        /* needs none */
    ck_assert_double_eq_tol(level->most, 110.0, 1e-12); /* a full tank with a wave in it */
    ck_assert_int_eq(leak->quantity, PROBE_LEAK);
    ck_assert(!leak->safe);
    struct civil date;
    ck_assert(calendar_read_date(&date, "2031-03-02"));
    ck_assert_int_eq(ph->calibrated_at.ms, date.ms);
}
END_TEST

START_TEST(words_and_fault_values_of_a_probe_are_kept)
{
    fixture_change(SITE, "topic: glass/t, unit: degF",
        "topic: glass/t, unit: degF, nothing_words: [unavailable, \"\"], fault_values: [-127, "
        "85.5], "
        "decimal_comma: true, number_in_string: true, jump_limit: 4, stuck_after_min: 90");
    const struct probe_config *p = &load()->tank[0].probe[PROBE_TEMPERATURE];
    ck_assert_uint_eq(p->nothing_count, 2);
    ck_assert_str_eq(p->nothing_word[0], "unavailable");
    ck_assert_str_eq(p->nothing_word[1], "");
    ck_assert_uint_eq(p->sentinel_count, 2);
    ck_assert_double_eq_tol(p->sentinel[0], -127.0, 1e-12);
    ck_assert_double_eq_tol(p->sentinel[1], 85.5, 1e-12);
    ck_assert(p->decimal_comma && p->number_in_string);
    ck_assert_double_eq_tol(p->jump_most, 4.0, 1e-12);
    ck_assert_int_eq(p->stuck_after_ms, 90 * MINUTE_MS);
}
END_TEST

START_TEST(a_schedule_has_ramps_and_nights)
{
    const struct crop_schedule *s = &load()->tank[0].schedule;
    ck_assert_str_eq(s->crop, "basil");
    ck_assert_str_eq(s->zone, "UTC");
    ck_assert_uint_eq(s->count, 3);
    ck_assert_int_eq(s->day_from_ms, 6 * HOUR_MS + 30 * MINUTE_MS);
    ck_assert_int_eq(s->day_to_ms, 21 * HOUR_MS + 30 * MINUTE_MS);
    ck_assert_int_eq(s->stage[0].days, 10);
    ck_assert_int_eq(s->stage[2].days, 0);
    ck_assert_double_eq_tol(s->stage[1].from.ec_us_cm, 800.0, 1e-9);
    ck_assert_double_eq_tol(s->stage[1].to.ec_us_cm, 1400.0, 1e-9);
    ck_assert_double_eq_tol(s->stage[1].to.ph, 5.9, 1e-12);
    ck_assert(!s->stage[1].has_night);
    ck_assert(s->stage[2].has_night);
    ck_assert_double_eq_tol(s->stage[2].night.ec_us_cm, 1600.0, 1e-9);
    ck_assert(s->stage[2].night.ph != s->stage[2].night.ph); /* the day's stays */
    fixture_change(CROP, "night: { ec_ms_cm: 1.6 }", "night: { ph: 6.0 }");
    s = &load()->tank[0].schedule;
    ck_assert_double_eq_tol(s->stage[2].night.ph, 6.0, 1e-12);
    ck_assert(s->stage[2].night.ec_us_cm != s->stage[2].night.ec_us_cm);
}
END_TEST

START_TEST(the_rules_of_its_zones_are_kept_and_of_no_others)
{
    int64_t offset_ms = -1;
    fixture_change(CROP, "zone: UTC", "zone: Europe/Dublin");
    (void)load();
    ck_assert(config_zone_offset(&offset_ms, fixture_config, "Europe/Dublin", fake_now.civil));
    ck_assert_int_eq(offset_ms, 0);
    ck_assert_ptr_null(fixture_config->zones->next);
    ck_assert(config_zone_offset(&offset_ms, fixture_config, "UTC", fake_now.civil));
    ck_assert(!config_zone_offset(&offset_ms, fixture_config, "Europe/Paris", fake_now.civil));
}
END_TEST

START_TEST(the_digest_is_that_of_all_files_in_order)
{
    const struct site *site = load();
    uint8_t bytes[EVP_MAX_MD_SIZE];
    unsigned length;
    char hex[2 * EVP_MAX_MD_SIZE + 1];
    EVP_MD_CTX *context = EVP_MD_CTX_new();
    ck_assert_int_eq(EVP_DigestInit_ex(context, EVP_sha256(), NULL), 1);
    for (int i = 0; i < FIXTURE_FILES; i++) {
        EVP_DigestUpdate(context, fixture_text[i], strlen(fixture_text[i]));
    }
    EVP_DigestFinal_ex(context, bytes, &length);
    EVP_MD_CTX_free(context);
    struct text t = text_over(hex, sizeof hex);
    text_add_hex(&t, bytes, length);
    ck_assert_str_eq(site->digest, hex);
}
END_TEST

START_TEST(mixing_and_flushing_follow_from_the_flow)
{
    const struct site *site = load();
    const struct site_tank *t = &site->tank[0];
    /* 3 x 120 L at 5 L/min is 72 min, and 30 s for the probes */
    ck_assert_int_eq(site_mix_ms(t), 72 * MINUTE_MS + 30 * SECOND_MS);
    /* 3 x 85 mL at 5 L/min */
    ck_assert_int_eq(site_flush_ms(t), 3060);
    /* parts 1 of b and 2.5 of a, for one mL of both together */
    const double a = t->pump[0].ec_us_cm_per_ml_l, b = t->pump[1].ec_us_cm_per_ml_l;
    /* near the rule of thumb, and from chemistry, not from it */
    const double rule = stock_ec_us_cm_per_ml_l(&site->stock[0].strength);
    ck_assert_double_eq_tol(a, rule, 0.25 * rule);
    ck_assert_double_gt(fabs(a - rule), 0.001 * rule);
    ck_assert_double_eq_tol(site_recipe_ec_us_cm_per_ml(t), (b + 2.5 * a) / 3.5 / 120.0, 1e-9);
    struct site_tank bare = *t;
    bare.recipe_count = 0;
    ck_assert_double_eq_tol(site_recipe_ec_us_cm_per_ml(&bare), 0.0, 1e-12);
    bare.circulation.line_ml = 0.0;
    ck_assert_int_eq(site_flush_ms(&bare), 0);
    bare.circulation.line_ml = 100.0;
    bare.circulation.flow_l_min = 7.0; /* 2571.4 ms: never shorter */
    ck_assert_int_eq(site_flush_ms(&bare), 2572);
}
END_TEST

/* --- dates, credentials, warnings ----------------------------------------------------------------
 */

START_TEST(a_date_ahead_is_refused_as_far_as_the_clock_is_known)
{
    static const char *const dated[] = { "calibrated: 2031-03-01, smallest_dose_ml",
        "calibrated: 2031-03-01 }\n      ph:", "date: 2031-03-02" };
    static const char *const ahead[] = { "calibrated: 2031-04-04, smallest_dose_ml",
        "calibrated: 2031-04-04 }\n      ph:", "date: 2031-04-04" };
    char place[64];
    fixture_change(SITE, dated[_i], ahead[_i]);
    ck_assert(!fixture_load(false));
    fixture_place(place, SITE, "2031-04-04");
    ck_assert_ptr_nonnull(fixture_find(&fixture_errors, place, "still to come"));
    ck_assert_uint_eq(fixture_errors.count, 1);
    fake_now.clock = CLOCK_UNSET;
    ck_assert(fixture_load(false));
    fake_now.clock = CLOCK_FREE;
    ck_assert(!fixture_load(false));
}
END_TEST

START_TEST(today_is_no_date_ahead_in_any_zone)
{
    fixture_change(SITE, "date: 2031-03-02", "date: 2031-04-03");
    ck_assert(calendar_read_civil(&fake_now.civil, "2031-04-02T10:00:00.000Z"));
    ck_assert(fixture_load(false)); /* it is the third already at UTC+14 */
    ck_assert(calendar_read_civil(&fake_now.civil, "2031-04-02T09:59:59.999Z"));
    ck_assert(!fixture_load(false));
}
END_TEST

START_TEST(credentials_expand_and_nothing_else_does)
{
    fixture_change(SITE, "password_file: secret",
        "password_file: \"${CREDENTIALS_DIRECTORY}/broker-password\"");
    char place[64];
    fixture_place(place, SITE, "\"${CRED");
    ck_assert(!fixture_load(false)); /* unset: run refuses */
    ck_assert_ptr_nonnull(fixture_find(&fixture_errors, place, "CREDENTIALS_DIRECTORY isn't set"));
    ck_assert(fixture_load(true)); /* check warns */
    ck_assert_ptr_nonnull(fixture_find(&fixture_config->unwise, place, "isn't set"));
    setenv("CREDENTIALS_DIRECTORY", "/run/credentials/dosewright.service", 1);
    ck_assert(fixture_load(false));
    ck_assert_uint_eq(fixture_config->unwise.count, 0);
    ck_assert_str_eq(fixture_config->broker.password_file,
        "/run/credentials/dosewright.service/broker-password");
}
END_TEST

struct warning {
    int file;
    const char *from, *to, *at, *words;
};

static const struct warning warnings[] = {
    { SITE, "slope_percent: 97.5, date: 2031-03-02 } }",
        "slope_percent: 97.5, date: 2031-03-02 }, calibrate_every_days: 14 }", "14 }", "overdue" },
    { SITE, ", calibrated: 2031-03-01 }\n      ph:", " }\n      ph:", "{ topic: glass/ec",
        "no calibration" },
    { SITE, ", calibration: { zero_mv: -4, slope_percent: 97.5, date: 2031-03-02 }", "",
        "{ topic: glass/ph", "no calibration" },
    { SITE, ", calibrated: 2031-03-01, smallest_dose_ml: 0.25", "", "{ address: west/1.1",
        "isn't calibrated" },
    { SITE, "    lowers_ph: acid\n", "", "volume_l", "never moved" },
    { SITE, "ec_ms_cm: 0.35", "ec_ms_cm: 0.8", "crop.yaml", "can't lower EC" },
    { SITE, "volume_l: 120", "volume_l: 6", "acid\n    schedule", "dilute" },
    { CROP, "ec_ms_cm: 1.6", "ec_ms_cm: 0.15", "0.15", "unusual" },
    { SITE, "  acid: { solution",
        "  spare: { solution: acid.yaml, bottle_ml: 10 }\n  acid: { solution",
        "{ solution: acid.yaml, bottle_ml: 10 }", "no tank uses" },
    { SITE, "  username: dosewright\n", "  username: dosewright\n  insecure_plain: true\n",
        "true\n  pass", "read along" },
    { SITE, "max_age_s: 300 }", "max_age_s: 300, every_s: 301 }", "301 }", "found 301 s; allowed" },
    { SITE, "max_age_s: 300 }\n",
        "max_age_s: 300 }\n      flow: { topic: glass/flow, unit: L/min, max_age_s: 60, every_s: "
        "17 "
        "}\n",
        "17 }", "found 17 s; allowed: at most 6 s" },
    { SITE, "max_age_s: 300 }\n",
        "max_age_s: 300 }\n      flow: { topic: glass/flow, unit: L/min, max_age_s: 60, "
        "jump_limit: "
        "1, every_s: 15 }\n",
        "15 }", "found 15 s; allowed: at most 4 s" },
    { A, "KNO3: 25", "KNO3: 190", NULL, "KNO3 crystallises" },
    { SITE, "ml_per_s: 0.51", "ml_per_s: 51", "51, calibrated",
        "ms, in which a motor hardly starts: is it mL in a second?" },
    { SITE, "ml_per_s: 0.51", "ml_per_s: 0.0085", "0.0085", "is it mL in a second? Else lower" },
};

/* Calcium with carbonate: no rule of thumb knows of it, chemistry does. */
START_TEST(stocks_that_fall_out_are_kept_apart_whatever_the_files_say)
{
    fixture_change(B, "KH2PO4: 13.6, MgSO4.7H2O: 49.3", "KHCO3: 60");
    ck_assert(fixture_load(false));
    ck_assert_uint_eq(fixture_config->site.stock[0].keep_apart & 2, 2);
    ck_assert_uint_eq(fixture_config->site.stock[1].keep_apart & 1, 1);
}
END_TEST

START_TEST(what_is_unwise_is_said_and_taken)
{
    const struct warning *w = &warnings[_i];
    char place[64];
    fixture_change(w->file, w->from, w->to);
    if (_i == 7) fixture_change(SITE, "envelope: { ec_ms_cm: [0.4", "envelope: { ec_ms_cm: [0.1");
    const bool good = fixture_load(false);
    if (!good) fixture_show(&fixture_errors);
    ck_assert(good);
    fixture_place(place, w->at ? w->file : SITE, w->at ? w->at : "{ solution: a.yaml");
    if (!fixture_find(&fixture_config->unwise, place, w->words))
        fixture_show(&fixture_config->unwise);
    ck_assert_msg(
        fixture_find(&fixture_config->unwise, place, w->words), "row %d: nothing at %s", _i, place);
}
END_TEST

START_TEST(files_that_a_group_may_write_are_said_once_and_those_of_everyone_refused)
{
    char site[128], crop[128];
    load();
    fixture_path(site, "site.yaml");
    fixture_path(crop, "crop.yaml");
    chmod(site, 0664);
    chmod(crop, 0664);
    config_free(fixture_config);
    ck_assert_int_eq(config_load(&fixture_config, site, false, &fixture_errors), ERR_NONE);
    ck_assert_uint_eq(fixture_config->unwise.count, 1);
    ck_assert_str_eq(fixture_config->unwise.item[0].where, site);
    config_free(fixture_config);
    chmod(crop, 0646);
    ck_assert_int_eq(config_load(&fixture_config, site, false, &fixture_errors), ERR_IO);
    char place[64];
    fixture_place(place, SITE, "crop.yaml");
    ck_assert_ptr_nonnull(fixture_find(&fixture_errors, place, "everyone may write"));
}
END_TEST

START_TEST(the_sample_itself_has_no_warning)
{
    load();
    if (fixture_config->unwise.count > 0) fixture_show(&fixture_config->unwise);
    ck_assert_uint_eq(fixture_config->unwise.count, 0);
}
END_TEST

/* --- the tables ----------------------------------------------------------------------------------
 */

START_TEST(words_of_the_tables_are_those_of_the_core)
{
    const struct schema_row *unit = schema_row_of(&schema_probe, "unit");
    for (uint32_t u = 0; u < UNIT_COUNT; u++) {
        ck_assert_str_eq(unit->words[u], probe_unit_word((enum probe_unit)u));
    }
    ck_assert_ptr_null(unit->words[UNIT_COUNT]);
    const struct schema_row *acid = schema_row_of(&schema_solution, "acid");
    const struct schema_row *base = schema_row_of(&schema_solution, "base");
    uint32_t n = 0;
    for (; acid->words[n]; n++) {
        ck_assert_str_eq(acid->words[n], stock_reagent_word((enum stock_reagent)n));
    }
    ck_assert_uint_eq(n, REAGENT_POTASSIUM_HYDROXIDE);
    for (uint32_t b = 0; base->words[b]; b++, n++) {
        ck_assert_str_eq(base->words[b], stock_reagent_word((enum stock_reagent)n));
    }
    ck_assert_uint_eq(n, REAGENT_COUNT);
}
END_TEST

START_TEST(the_nearest_name_is_found_and_far_ones_are_not)
{
    static const char *const names[] = { "volume_l", "band", "schedule", "limits" };
    ck_assert_str_eq(schema_nearest("volume", names, 4), "volume_l");
    ck_assert_str_eq(schema_nearest("schedul", names, 4), "schedule");
    ck_assert_str_eq(schema_nearest("limit", names, 4), "limits");
    ck_assert_ptr_null(schema_nearest("broker", names, 4));
    ck_assert_ptr_null(schema_nearest("", names, 0));
}
END_TEST

int main(void)
{
    TCase *c = tcase_create("config");
    tcase_add_checked_fixture(c, begin, fixture_remove);
    tcase_set_timeout(c, 30);
    tcase_add_loop_test(c, a_date_ahead_is_refused_as_far_as_the_clock_is_known, 0, 3);
    tcase_add_test(c, today_is_no_date_ahead_in_any_zone);
    tcase_add_test(c, credentials_expand_and_nothing_else_does);
    tcase_add_test(c, stocks_that_fall_out_are_kept_apart_whatever_the_files_say);
    tcase_add_loop_test(
        c, what_is_unwise_is_said_and_taken, 0, (int)(sizeof warnings / sizeof *warnings));
    tcase_add_test(c, files_that_a_group_may_write_are_said_once_and_those_of_everyone_refused);
    tcase_add_test(c, the_sample_itself_has_no_warning);
    tcase_add_test(c, words_of_the_tables_are_those_of_the_core);
    tcase_add_test(c, the_nearest_name_is_found_and_far_ones_are_not);
    tcase_add_test(c, the_site_and_its_broker_are_read);
    tcase_add_test(c, a_chain_knows_its_modules_and_which_outputs_are_used);
    tcase_add_test(c, the_highest_channel_counts_and_the_edge_of_what_is_remembered_is_taken);
    tcase_add_test(c, modules_may_be_listed_in_any_order);
    tcase_add_test(c, stocks_are_kept_apart_by_their_salts_and_by_name);
    tcase_add_test(c, a_tank_has_its_numbers_in_the_units_of_the_core);
    tcase_add_test(c, what_wears_is_due_by_itself_or_as_it_is_said);
    tcase_add_test(c, pumps_recipe_and_limits_point_at_one_another);
    tcase_add_test(c, probes_have_ranges_calibrations_and_guards);
    tcase_add_test(c, words_and_fault_values_of_a_probe_are_kept);
    tcase_add_test(c, a_schedule_has_ramps_and_nights);
    tcase_add_test(c, the_rules_of_its_zones_are_kept_and_of_no_others);
    tcase_add_test(c, the_digest_is_that_of_all_files_in_order);
    tcase_add_test(c, mixing_and_flushing_follow_from_the_flow);
    return run_case(c, "config");
}
