/* From files to the configuration in force: what a valid one becomes, and that everything wrong in
 * a file is refused at its place. */
#include "tests/unit/daemon/config_fixture.h"

#include <openssl/evp.h>

#include "daemon/clock.h"
#include "daemon/schema_rows.h"
#include "lib/base/calendar.h"
#include "lib/base/prng.h"

enum { SITE, A, B, ACID, CROP };
enum { CHANGES = 60 };
enum { FEW = 5 }; /* a chain that has no valid name takes the sample's four addresses along */

/* The program's clock and zones, in place of the system's. */
static struct now fake_now;

struct now clock_now(void)
{
    return fake_now;
}

bool clock_zone_offset(int64_t *ret_ms, const char *zone, struct civil at)
{
    (void)at;
    *ret_ms = 0;
    return text_same(zone, "UTC") || text_same(zone, "Europe/Dublin");
}

static void begin(void)
{
    fixture_make();
    fake_now = (struct now){ .clock = CLOCK_SYNCED };
    ck_assert(calendar_read_civil(&fake_now.civil, "2031-04-02T05:06:07.089Z"));
}

static const struct site *load(void)
{
    const bool good = fixture_load(false);
    if (!good) fixture_show(&fixture_errors);
    ck_assert(good);
    return &fixture_config->site;
}

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
    const struct site_tank *t = &load()->tank[0];
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
    ck_assert_double_eq_tol(t->share, 0.6, 1e-12);
    ck_assert_double_eq_tol(t->mix_turnovers, 3.0, 1e-12);
    ck_assert_int_eq(t->settle_ms, 30 * SECOND_MS);
    ck_assert_int_eq(t->circulation.when, CIRCULATE_FOR_DOSES);
    ck_assert_str_eq(t->circulation.serial, "a1f3");
    ck_assert_uint_eq(t->circulation.address.channel, CHAIN_CIRCULATION_CHANNEL);
    struct civil planted;
    ck_assert(calendar_read_date(&planted, "2031-03-05"));
    ck_assert_int_eq(t->planted.ms, planted.ms);
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
    ck_assert(degf->calibrated); /* needs none */
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
    const double a = stock_ec_us_cm_per_ml_l(&site->stock[0].strength);
    const double b = stock_ec_us_cm_per_ml_l(&site->stock[1].strength);
    ck_assert_double_eq_tol(
        site_recipe_ec_us_cm_per_ml(site, t), (b + 2.5 * a) / 3.5 / 120.0, 1e-9);
    struct site_tank bare = *t;
    bare.recipe_count = 0;
    ck_assert_double_eq_tol(site_recipe_ec_us_cm_per_ml(site, &bare), 0.0, 1e-12);
    bare.circulation.line_ml = 0.0;
    ck_assert_int_eq(site_flush_ms(&bare), 0);
    bare.circulation.line_ml = 100.0;
    bare.circulation.flow_l_min = 7.0; /* 2571.4 ms: never shorter */
    ck_assert_int_eq(site_flush_ms(&bare), 2572);
}
END_TEST

/* --- what is refused ----------------------------------------------------------------------------
 */

struct refusal {
    int file;
    const char *from, *to; /* the change */
    const char *at;        /* where the error must stand, in the changed file */
    const char *words;     /* what it must say */
};

static const struct refusal refusals[] = {
#include "tests/unit/daemon/config_refusals.h"
};

START_TEST(what_is_wrong_is_refused_at_its_place)
{
    const struct refusal *r = &refusals[_i];
    char place[64];
    fixture_change(r->file, r->from, r->to);
    ck_assert_msg(!fixture_load(false), "row %d: '%s' was taken", _i, r->to);
    fixture_place(place, r->file, r->at);
    if (!fixture_find(&fixture_errors, place, r->words)) fixture_show(&fixture_errors);
    ck_assert_msg(fixture_find(&fixture_errors, place, r->words) != NULL,
        "row %d, '%s': no error at %s with '%s'", _i, r->to, place, r->words);
}
END_TEST

/* A wrong value must not drag a dozen others along. */
START_TEST(one_mistake_makes_few_errors)
{
    const struct refusal *r = &refusals[_i];
    fixture_change(r->file, r->from, r->to);
    ck_assert(!fixture_load(false));
    if (fixture_errors.count > FEW) fixture_show(&fixture_errors);
    ck_assert_uint_le(fixture_errors.count, FEW);
}
END_TEST

START_TEST(all_errors_of_all_files_are_listed_in_one_go)
{
    char place[64];
    fixture_change(SITE, "volts: 12.0", "volts: 1200");
    fixture_change(SITE, "ml_per_s: 1.02", "ml_per_s: fast");
    fixture_change(SITE, "flow_l_min", "flow");
    fixture_change(A, "kind: nutrient", "kind: food");
    fixture_change(CROP, "days: 10", "days: 0");
    ck_assert(!fixture_load(false));
    static const struct {
        int file;
        const char *at;
    } wrong[] = { { SITE, "1200" }, { SITE, "fast" }, { SITE, "flow: 5" },
        { SITE, "{ pump: west/1.c" }, { A, "food" }, { CROP, "0, ec_ms_cm: 0.8, ph: 5.8 }" } };
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        fixture_place(place, wrong[i].file, wrong[i].at);
        ck_assert_msg(fixture_find(&fixture_errors, place, ""), "nothing at %s", place);
    }
    ck_assert_uint_eq(fixture_errors.count, 6);
}
END_TEST

START_TEST(more_than_64_errors_are_counted)
{
    char bytes[4096];
    struct text t = text_over(bytes, sizeof bytes);
    text_add(&t, "site: tern-hall\n");
    for (int i = 0; i < 100; i++) {
        text_add(&t, "foreign-");
        text_add_int(&t, i);
        text_add(&t, ": 1\n");
    }
    fixture_change(SITE, "site: tern-hall\n", bytes);
    ck_assert(!fixture_load(false));
    ck_assert_uint_eq(fixture_errors.count, PROBLEM_LIST_MAX);
    ck_assert_uint_eq(fixture_errors.more, 36);
}
END_TEST

/* Whatever a file says, it is taken or refused: under the sanitizers this is the proof that nothing
 * is read beyond its end on the way, and nothing reaches an INVARIANT. */
START_TEST(no_change_of_bytes_breaks_the_loading) /* _i is the seed */
{
    static const char spice[] = "[]{}:,-\"'#\n .0123456789abcdefgxyz$/%+";
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < CHANGES; n++) {
        for (int i = 0; i < FIXTURE_FILES; i++) {
            ck_assert(text_copy(fixture_text[i], FIXTURE_BYTES, fixture_files[i].text));
        }
        char *text = fixture_text[n % 3 == 0 ? prng_below(&prng, FIXTURE_FILES) : SITE];
        for (int64_t k = prng_below(&prng, 4); k >= 0; k--) {
            text[prng_below(&prng, (int64_t)strlen(text))] =
                spice[prng_below(&prng, (int64_t)sizeof spice - 1)];
        }
        (void)fixture_load(n % 2 == 0);
    }
}
END_TEST

/* Values swapped between places are well-formed nonsense, which goes deeper than loose bytes. */
START_TEST(no_swap_of_lines_breaks_the_loading) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i + 1000);
    for (int n = 0; n < CHANGES; n++) {
        ck_assert(text_copy(fixture_text[SITE], FIXTURE_BYTES, fixture_files[SITE].text));
        static char fresh[FIXTURE_BYTES];
        struct text t = text_over(fresh, sizeof fresh);
        const char *rest = fixture_text[SITE];
        while (*rest) {
            const size_t length = (size_t)(strchr(rest, '\n') - rest) + 1;
            const int64_t fate = prng_below(&prng, 40);
            if (fate != 0) text_add_bytes(&t, rest, length); /* 0: left out, 1: said twice */
            if (fate == 1) text_add_bytes(&t, rest, length);
            rest += length;
        }
        ck_assert(text_copy(fixture_text[SITE], FIXTURE_BYTES, fresh));
        (void)fixture_load(true);
    }
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
};

START_TEST(what_is_unwise_is_said_and_taken)
{
    const struct warning *w = &warnings[_i];
    char place[64];
    fixture_change(w->file, w->from, w->to);
    if (_i == 7) fixture_change(SITE, "envelope: { ec_ms_cm: [0.4", "envelope: { ec_ms_cm: [0.1");
    const bool good = fixture_load(false);
    if (!good) fixture_show(&fixture_errors);
    ck_assert(good);
    fixture_place(place, w->file, w->at);
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

/* --- tanks in files ------------------------------------------------------------------------------
 */

/* Cuts the tank out of the site file, one indent to the left, into the file tanks/<key>.yaml. */
static void move_tank_out(const char *key)
{
    char *tank = strstr(fixture_text[SITE], "tanks:\n  bench:\n");
    ck_assert_ptr_nonnull(tank);
    static char text[FIXTURE_BYTES];
    struct text t = text_over(text, sizeof text);
    for (const char *line = strstr(tank, "    volume_l"); line && strncmp(line, "...", 3) != 0;) {
        const char *end = strchr(line, '\n') + 1;
        text_add_bytes(&t, line + 4, (size_t)(end - line) - 4);
        line = end;
    }
    text_add(&t, "...\n");
    char name[64], path[128];
    fixture_path(path, "tanks");
    (void)mkdir(path, 0755);
    snprintf(name, sizeof name, "tanks/%s.yaml", key);
    fixture_write(name, text);
    *tank = '\0';
    struct text site = text_over(tank, (size_t)(FIXTURE_BYTES - (tank - fixture_text[SITE])));
    text_add(&site, "tanks: [tanks/*.yaml]\n...\n");
}

START_TEST(a_tank_may_be_a_file_and_its_key_is_the_files_name)
{
    move_tank_out("herb-wall");
    const struct site *site = load();
    ck_assert_uint_eq(site->tank_count, 1);
    ck_assert_str_eq(site->tank[0].key, "herb-wall");
    ck_assert_str_eq(site->tank[0].schedule.crop, "basil"); /* its path is relative to the site */
}
END_TEST

START_TEST(an_error_in_a_tanks_file_names_that_file)
{
    char path[128];
    move_tank_out("herb-wall");
    fixture_path(path, "tanks/herb-wall.yaml");
    FILE *f = fopen(path, "r+");
    ck_assert_ptr_nonnull(f);
    fputs("volume_l: big", f);
    fclose(f);
    ck_assert(!fixture_load(false));
    ck_assert_ptr_nonnull(
        fixture_find(&fixture_errors, "herb-wall.yaml:1:11", "volume_l: found \"big\""));
}
END_TEST

START_TEST(two_tanks_of_one_name_and_names_that_are_none_are_refused)
{
    move_tank_out("herb-wall");
    fixture_change(SITE, "[tanks/*.yaml]", "[tanks/*.yaml, tanks/herb-wall.yaml]");
    ck_assert(!fixture_load(false));
    char place[64];
    fixture_place(place, SITE, "tanks/herb-wall.yaml]");
    ck_assert_ptr_nonnull(fixture_find(&fixture_errors, place, "second tank"));
    fixture_change(SITE, ", tanks/herb-wall.yaml]", ", tanks/nothing-*.yaml]");
    ck_assert(!fixture_load(false));
    fixture_place(place, SITE, "tanks/nothing");
    ck_assert_ptr_nonnull(fixture_find(&fixture_errors, place, "matches no file"));
    fixture_change(SITE, ", tanks/nothing-*.yaml]", "]");
    fixture_write("tanks/Big_One.yaml", "volume_l: 1\n...\n");
    ck_assert(!fixture_load(false));
    fixture_place(place, SITE, "tanks/*.yaml");
    ck_assert_ptr_nonnull(fixture_find(&fixture_errors, place, "Big_One"));
}
END_TEST

/* A second tank beside the one that was moved out, on the chain's second module. */
static void add_second_tank(const char *when)
{
    static const char *const swaps[][2] = { { "west/1.circulation", "west/2.circulation" },
        { "west/1.1", "west/2.1" }, { "west/1.3", "west/2.3" }, { "west/2.4", "west/2.2" },
        { "line_ml: 85", NULL } };
    static char text[FIXTURE_BYTES], whole[FIXTURE_BYTES];
    char path[128];
    fixture_path(path, "tanks/one.yaml");
    FILE *f = fopen(path, "r");
    ck_assert_ptr_nonnull(f);
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    fclose(f);
    struct text t = text_over(whole, sizeof whole);
    for (const char *s = text; *s;) {
        size_t i = 0;
        while (i < 5 && strncmp(s, swaps[i][0], strlen(swaps[i][0])) != 0) {
            i++;
        }
        if (i == 5) {
            text_add_char(&t, *s++);
            continue;
        }
        text_add(&t, i == 4 ? "line_ml: 85, when: " : swaps[i][1]);
        if (i == 4) text_add(&t, when);
        s += strlen(swaps[i][0]);
    }
    fixture_write("tanks/two.yaml", whole);
}

/* 0.12 A idle, 1.1 A circulation and 0.35 A for a pump are within the 2.4 A of a supply of 3 A;
 * with the 1.2 A of another circulation that always runs they are not. */
START_TEST(circulation_that_always_runs_is_in_every_supply)
{
    fixture_change(SITE, "amps: 4.0", "amps: 3.0");
    move_tank_out("one");
    add_second_tank("for-doses");
    ck_assert_uint_eq(load()->tank_count, 2);
    add_second_tank("always");
    ck_assert(!fixture_load(false));
    char place[64];
    fixture_place(place, SITE, "west:");
    ck_assert_ptr_nonnull(fixture_find(&fixture_errors, place, "2.77 A of 2.40 A"));
}
END_TEST

/* --- many tanks ----------------------------------------------------------------------------------
 */

enum { LARGE = 64 * 1024 };

static char large[LARGE];

static void add_chain(struct text *t, uint32_t chain, uint32_t modules)
{
    char line[300];
    snprintf(
        line, sizeof line, "  c%u:\n    supply: { volts: 24, amps: 60 }\n    modules:\n", chain);
    text_add(t, line);
    for (uint32_t m = 1; m <= modules; m++) {
        snprintf(line, sizeof line,
            "      - { serial: m%u-%u, position: %u, cable: { awg: 10, length_m: 0.1 }, min_volts: "
            "10.8, idle_amps: 0.06, pump_amps: 0.35, circulation_amps: 1 }\n",
            chain, m, m);
        text_add(t, line);
    }
}

static void write_large_tank(uint32_t chain, uint32_t position)
{
    char name[64], text[4096];
    snprintf(name, sizeof name, "tanks/t%u-%u.yaml", chain, position);
    snprintf(text, sizeof text,
        "volume_l: 120\n"
        "source_water: { ec_ms_cm: 0.35 }\n"
        "circulation: { pump: c%u/%u.circulation, flow_l_min: 5, line_ml: 85 }\n"
        "probes:\n"
        "  ec: { topic: t/%u/%u/ec, unit: mS/cm, compensated: true, max_age_s: 60, calibrated: "
        "2031-03-01 }\n"
        "  ph: { topic: t/%u/%u/ph, unit: ph, max_age_s: 60, calibrated: 2031-03-01 }\n"
        "  temperature: { topic: t/%u/%u/t, unit: degC, max_age_s: 120 }\n"
        "pumps:\n"
        "  leaf-a: { address: c%u/%u.1, ml_per_s: 1, calibrated: 2031-03-01 }\n"
        "  leaf-b: { address: c%u/%u.2, ml_per_s: 1, calibrated: 2031-03-01 }\n"
        "  acid: { address: c%u/%u.16, ml_per_s: 1, calibrated: 2031-03-01 }\n"
        "recipe: { leaf-a: 1, leaf-b: 1 }\n"
        "lowers_ph: acid\n"
        "schedule: crop.yaml\n"
        "planted: 2031-03-05\n"
        "envelope: { ec_ms_cm: [0.4, 2.2], ph: [5.2, 6.8] }\n"
        "limits:\n"
        "  leaf-a: { dose_ml: 40, hour_ml: 200, day_ml: 800 }\n"
        "  leaf-b: { dose_ml: 40, hour_ml: 200, day_ml: 800 }\n"
        "  acid: { dose_ml: 20, hour_ml: 80, day_ml: 300 }\n"
        "...\n",
        chain, position, chain, position, chain, position, chain, position, chain, position, chain,
        position, chain, position);
    fixture_write(name, text);
}

START_TEST(a_site_may_fill_every_chain_with_tanks)
{
    enum { MODULES = CHAIN_MODULES_MAX, MOST = 1000 };
    char path[128];
    struct text t = text_over(large, sizeof large);
    fixture_path(path, "tanks");
    ck_assert_int_eq(mkdir(path, 0755), 0);
    text_add(&t, "site: tern-hall\nbroker: { uris: [mqtt://localhost] }\nchains:\n");
    uint32_t tanks = 0;
    for (uint32_t c = 0; c < SITE_CHAINS_MAX && tanks < MOST; c++) {
        add_chain(&t, c, MODULES);
        for (uint32_t m = 1; m <= MODULES && tanks < MOST; m++, tanks++) {
            write_large_tank(c, m);
        }
    }
    text_add(&t, "stocks:\n  leaf-a: { solution: a.yaml, bottle_ml: 5000 }\n"
                 "  leaf-b: { solution: b.yaml, bottle_ml: 5000 }\n"
                 "  acid: { solution: acid.yaml, bottle_ml: 5000 }\ntanks: [tanks/*.yaml]\n...\n");
    ck_assert(!t.cut);
    for (int i = 0; i < FIXTURE_FILES; i++) {
        fixture_write(fixture_files[i].name, i == SITE ? large : fixture_text[i]);
    }
    fixture_path(path, "site.yaml");
    const enum err err = config_load(&fixture_config, path, false, &fixture_errors);
    fixture_show(&fixture_errors);
    ck_assert_int_eq(err, ERR_NONE);
    ck_assert_uint_eq(fixture_config->site.tank_count, tanks);
    const struct site_tank *last = &fixture_config->site.tank[tanks - 1];
    ck_assert_str_eq(last->schedule.crop, "basil");
    ck_assert_uint_eq(last->pump[2].address.channel, 16);
    printf("%u tanks, %zu bytes each\n", tanks, sizeof *last);
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
    static const char *const names[] = { "volume_l", "share", "settle_s", "limits" };
    ck_assert_str_eq(schema_nearest("volume", names, 4), "volume_l");
    ck_assert_str_eq(schema_nearest("setle_s", names, 4), "settle_s");
    ck_assert_str_eq(schema_nearest("limit", names, 4), "limits");
    ck_assert_ptr_null(schema_nearest("broker", names, 4));
    ck_assert_ptr_null(schema_nearest("", names, 0));
}
END_TEST

static void add_tests(TCase *c)
{
    const int count = (int)(sizeof refusals / sizeof *refusals);
    tcase_add_loop_test(c, what_is_wrong_is_refused_at_its_place, 0, count);
    tcase_add_loop_test(c, one_mistake_makes_few_errors, 0, count);
    tcase_add_test(c, all_errors_of_all_files_are_listed_in_one_go);
    tcase_add_test(c, more_than_64_errors_are_counted);
    tcase_add_loop_test(c, no_change_of_bytes_breaks_the_loading, 0, 20);
    tcase_add_loop_test(c, no_swap_of_lines_breaks_the_loading, 0, 10);
    tcase_add_loop_test(c, a_date_ahead_is_refused_as_far_as_the_clock_is_known, 0, 3);
    tcase_add_test(c, today_is_no_date_ahead_in_any_zone);
    tcase_add_test(c, credentials_expand_and_nothing_else_does);
    tcase_add_loop_test(
        c, what_is_unwise_is_said_and_taken, 0, (int)(sizeof warnings / sizeof *warnings));
    tcase_add_test(c, files_that_a_group_may_write_are_said_once_and_those_of_everyone_refused);
    tcase_add_test(c, the_sample_itself_has_no_warning);
    tcase_add_test(c, a_tank_may_be_a_file_and_its_key_is_the_files_name);
    tcase_add_test(c, an_error_in_a_tanks_file_names_that_file);
    tcase_add_test(c, two_tanks_of_one_name_and_names_that_are_none_are_refused);
    tcase_add_test(c, circulation_that_always_runs_is_in_every_supply);
    tcase_add_test(c, a_site_may_fill_every_chain_with_tanks);
    tcase_add_test(c, words_of_the_tables_are_those_of_the_core);
    tcase_add_test(c, the_nearest_name_is_found_and_far_ones_are_not);
}

int main(void)
{
    TCase *c = tcase_create("config");
    tcase_add_checked_fixture(c, begin, fixture_remove);
    tcase_set_timeout(c, 30);
    tcase_add_test(c, the_site_and_its_broker_are_read);
    tcase_add_test(c, a_chain_knows_its_modules_and_which_outputs_are_used);
    tcase_add_test(c, the_highest_channel_counts_and_the_edge_of_what_is_remembered_is_taken);
    tcase_add_test(c, modules_may_be_listed_in_any_order);
    tcase_add_test(c, stocks_are_kept_apart_by_their_salts_and_by_name);
    tcase_add_test(c, a_tank_has_its_numbers_in_the_units_of_the_core);
    tcase_add_test(c, pumps_recipe_and_limits_point_at_one_another);
    tcase_add_test(c, probes_have_ranges_calibrations_and_guards);
    tcase_add_test(c, words_and_fault_values_of_a_probe_are_kept);
    tcase_add_test(c, a_schedule_has_ramps_and_nights);
    tcase_add_test(c, the_digest_is_that_of_all_files_in_order);
    tcase_add_test(c, mixing_and_flushing_follow_from_the_flow);
    add_tests(c);
    return run_case(c, "config");
}
