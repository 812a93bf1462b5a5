/* 'dosewright check', run within this process: exit codes, what it prints, and that the samples and
 * the reference page are what the program says. */
#include <cjson/cJSON.h>
#include <ctype.h>
#include <fcntl.h>
#include <sysexits.h>

#include "daemon/base/clock.h"
#include "daemon/check/check_derive.h"
#include "daemon/config/schema_rows.h"
#include "daemon/tool/cmd.h"
#include "tests/unit/daemon/config_fixture.h"

enum { OUTPUT_MAX = 256 * 1024 };

static char out_text[OUTPUT_MAX], err_text[OUTPUT_MAX];

static void slurp(char *ret, const char *path)
{
    FILE *f = fopen(path, "r");
    ck_assert_msg(f != NULL, "%s isn't there", path);
    const size_t n = fread(ret, 1, OUTPUT_MAX - 1, f);
    ret[n] = '\0';
    fclose(f);
}

/* Runs 'check' with up to two arguments; what it prints goes to out_text and err_text. */
static int check(const char *a, const char *b)
{
    char name[] = "check", first[256], second[256], out[128], err[128];
    char *argv[] = { name, first, b ? second : NULL, NULL };
    int argc = 1;
    if (a) snprintf(first, sizeof first, "%s", a), argc++;
    if (b) snprintf(second, sizeof second, "%s", b), argc++;
    if (!a) argv[1] = NULL;
    fixture_path(out, "stdout");
    fixture_path(err, "stderr");
    fflush(stdout);
    fflush(stderr);
    const int old_out = dup(STDOUT_FILENO), old_err = dup(STDERR_FILENO);
    const int new_out = open(out, O_CREAT | O_TRUNC | O_WRONLY, 0600);
    const int new_err = open(err, O_CREAT | O_TRUNC | O_WRONLY, 0600);
    dup2(new_out, STDOUT_FILENO);
    dup2(new_err, STDERR_FILENO);
    const int code = cmd_check(argc, argv);
    fflush(stdout);
    fflush(stderr);
    dup2(old_out, STDOUT_FILENO);
    dup2(old_err, STDERR_FILENO);
    close(old_out), close(old_err), close(new_out), close(new_err);
    slurp(out_text, out);
    slurp(err_text, err);
    return code;
}

/* The fixture's files on disk; returns the site file's path. The dates of the fixture lie ahead of
 * many a clock: they are moved to the past. */
static const char *sample(void)
{
    static char path[128];
    for (int i = 0; i < FIXTURE_FILES; i++) {
        for (char *at = strstr(fixture_text[i], "2031-"); at; at = strstr(at, "2031-")) {
            memcpy(at, "2021-", 5);
        }
        fixture_write(fixture_files[i].name, fixture_text[i]);
    }
    fixture_path(path, "site.yaml");
    return path;
}

static void expect(const char *text, const char *words)
{
    ck_assert_msg(strstr(text, words) != NULL, "'%s' isn't in:\n%s", words, text);
}

START_TEST(a_good_file_ends_with_0_and_shows_what_follows)
{
    ck_assert_int_eq(check(sample(), NULL), 0);
    ck_assert_str_eq(err_text, "");
    expect(out_text, "site.yaml is valid, with 0 warnings");
    expect(out_text, "site tern-hall (tern-hall): 1 chain, 3 stocks, 1 tank\n");
    expect(out_text, "chain west: supply 12.0 V, 4.00 A of which 3.20 A may be planned");
    expect(out_text, "  V at a1f3  V at b77c\n");
    expect(out_text, "bench and one pump");
    expect(out_text, "as a motor starts, at worst              5.97      11.60      11.57\n");
    expect(out_text, "pumps at once beside circulation                       5          5\n");
    expect(out_text, "tank bench (bench): 120.0 L, basil, planted 2021-03-05");
    expect(out_text, "wanted now     EC 1.");
    expect(out_text, "stage picking");
    expect(out_text, "line flushed for 3.1 s, then mixing for 72 min");
    expect(out_text, "fresh fill     EC 0.35 and pH 7.6 (assumed)");
    expect(out_text, " under the limits");
}
END_TEST

START_TEST(a_start_that_takes_too_many_volts_is_told)
{
    fixture_change(0, "position: 1, cable: { awg: 20", "position: 1, cable: { awg: 28");
    ck_assert_int_eq(check(sample(), NULL), 0);
    expect(out_text, "  below the least for a moment\n");
    expect(out_text, "capacitor");
}
END_TEST

START_TEST(a_bad_file_ends_with_78_and_lists_every_error)
{
    fixture_change(0, "volume_l: 120", "volume_l: lots");
    fixture_change(0, "lowers_ph: acid", "lowers_ph: acids");
    ck_assert_int_eq(check(sample(), NULL), EX_CONFIG);
    ck_assert_str_eq(out_text, "");
    expect(err_text,
        "site.yaml:18:15: tanks.bench.volume_l: found \"lots\"; allowed: 0.5 to 100000 L\n");
    expect(err_text,
        "site.yaml:31:16: tanks.bench.lowers_ph: found \"acids\", which names no pump of "
        "this tank; did you mean 'acid'?\n");
    char path[128];
    fixture_path(path, "no-such.yaml");
    ck_assert_int_eq(check(path, NULL), EX_CONFIG);
    expect(err_text, "No such file");
}
END_TEST

START_TEST(warnings_are_shown_and_do_not_change_the_exit_code)
{
    fixture_change(0, "volume_l: 120", "volume_l: 10");
    ck_assert_int_eq(check(sample(), NULL), 0);
    expect(err_text, "warning: tanks.bench.lowers_ph: ");
    expect(out_text, "is valid, with ");
}
END_TEST

START_TEST(wrong_arguments_end_with_64)
{
    ck_assert_int_eq(check(NULL, NULL), EX_USAGE);
    ck_assert_int_eq(check("--wrong", "x.yaml"), EX_USAGE);
    ck_assert_int_eq(check("a.yaml", "b.yaml"), EX_USAGE);
    ck_assert_int_eq(check("--keys", "a.yaml"), EX_USAGE);
    ck_assert_int_eq(check("--json", NULL), EX_USAGE);
    expect(err_text, "usage: dosewright check");
    ck_assert_int_eq(check("--help", NULL), 0);
    expect(out_text, "usage: dosewright check");
}
END_TEST

/* --- JSON ---------------------------------------------------------------------------------------
 */

static double number(const cJSON *root, const char *path)
{
    char key[64];
    const cJSON *at = root;
    for (const char *s = path; *s;) {
        const size_t length = strcspn(s, "/");
        struct text t = text_over(key, sizeof key);
        text_add_bytes(&t, s, length);
        at = cJSON_GetObjectItemCaseSensitive(at, key);
        s += s[length] == '/' ? length + 1 : length;
    }
    ck_assert_msg(cJSON_IsNumber(at), "%s is no number", path);
    return at->valuedouble;
}

START_TEST(the_same_comes_as_json)
{
    ck_assert_int_eq(check("--json", sample()), 0);
    cJSON *root = cJSON_Parse(out_text);
    ck_assert_ptr_nonnull(root);
    ck_assert(cJSON_IsTrue(cJSON_GetObjectItem(root, "valid")));
    ck_assert_int_eq(cJSON_GetArraySize(cJSON_GetObjectItem(root, "errors")), 0);
    ck_assert_double_eq_tol(number(root, "chains/west/usable_amps"), 3.2, 1e-9);
    /* 2 x 0.06 idle, one circulation 1.1, one pump 0.35 */
    ck_assert_double_eq_tol(number(root, "chains/west/tanks/bench/amps"), 1.57, 1e-9);
    ck_assert_double_eq_tol(number(root, "chains/west/off/amps"), 0.12, 1e-9);
    ck_assert_double_lt(number(root, "chains/west/tanks/bench/volts/b77c"),
        number(root, "chains/west/tanks/bench/volts/a1f3"));
    /* circulation starts with five times its 1.1 A: 5.97 A through a metre of AWG 20, out and back,
     * 0.066617 ohm; 0.41 A through the next one */
    ck_assert_double_eq_tol(number(root, "chains/west/start/amps"), 5.97, 1e-9);
    ck_assert_double_eq_tol(number(root, "chains/west/start/volts/a1f3"), 11.6023, 1e-4);
    ck_assert_double_eq_tol(number(root, "chains/west/start/volts/b77c"), 11.5750, 1e-4);
    /* 3.2 - 0.12 - 1.1 A leave room for five pumps of 0.35 A */
    ck_assert_double_eq_tol(number(root, "chains/west/pumps_at_once/b77c"), 5.0, 1e-9);
    ck_assert_double_gt(number(root, "chains/west/link_longer_m/b77c"), 10.0);
    ck_assert_double_eq_tol(number(root, "tanks/bench/mix_s"), 4350.0, 1e-9);
    ck_assert_double_eq_tol(number(root, "tanks/bench/flush_s"), 3.06, 1e-9);
    ck_assert_double_eq_tol(number(root, "tanks/bench/pumps/leaf-b/prime_ml"), 25.1327, 1e-3);
    ck_assert_double_gt(number(root, "tanks/bench/fresh_fill/hours"), 1.0);
    const cJSON *pairs = cJSON_GetObjectItem(root, "kept_apart");
    ck_assert_int_eq(cJSON_GetArraySize(pairs), 1);
    const cJSON *why = cJSON_GetObjectItem(cJSON_GetArrayItem(pairs, 0), "why");
    ck_assert_ptr_nonnull(strstr(cJSON_GetStringValue(why), "gypsum falls out"));
    cJSON_Delete(root);

    fixture_change(0, "volume_l: 120", "volume_l: lots");
    ck_assert_int_eq(check("--json", sample()), EX_CONFIG);
    root = cJSON_Parse(out_text);
    ck_assert(cJSON_IsFalse(cJSON_GetObjectItem(root, "valid")));
    ck_assert_int_eq(cJSON_GetArraySize(cJSON_GetObjectItem(root, "errors")), 1);
    cJSON_Delete(root);
}
END_TEST

/* --- what is derived
 * ------------------------------------------------------------------------------ */

static struct check_tank derive(void)
{
    struct check_tank d;
    memset(&fixture_errors, 0, sizeof fixture_errors);
    ck_assert_int_eq(config_load(&fixture_config, sample(), true, &fixture_errors), ERR_NONE);
    ck_assert(check_derive_tank(&d, fixture_config, 0, clock_now()));
    return d;
}

START_TEST(what_a_millilitre_does_follows_from_stock_and_volume)
{
    const struct check_tank d = derive();
    const struct site *site = &fixture_config->site;
    const struct site_tank *tank = &site->tank[0];
    ck_assert_double_eq_tol(
        d.pump[0].ec_us_cm_per_ml, tank->pump[0].ec_us_cm_per_ml_l / 120.0, 1e-12);
    ck_assert_double_eq_tol(
        d.pump[2].meq_l_per_ml, site->stock[2].strength.acid_meq_ml / 120.0, 1e-12);
    /* by the control law itself: the acid for a tenth of pH, in millilitres of this stock */
    const double ph = d.now.target.ph;
    const double meq_l = check_meq_l(tank, ph + 0.05, ph - 0.05);
    ck_assert_double_eq_tol(d.acid_ml * d.pump[2].meq_l_per_ml, meq_l, 1e-9);
    ck_assert_double_eq_tol(d.base_ml, 0.0, 1e-12);
}
END_TEST

START_TEST(a_fresh_fill_never_beats_its_limits)
{
    fixture_change(0, "leaf-a: { dose_ml: 40, hour_ml: 200, day_ml: 800 }",
        "leaf-a: { dose_ml: 40, hour_ml: 200, day_ml: 200 }");
    const struct check_tank tight = derive();
    const struct site *site = &fixture_config->site;
    const double rise = tight.now.target.ec_us_cm - site->tank[0].source_ec_us_cm;
    const double a_ml = rise / tight.recipe_ec_us_cm_per_ml * 2.5 / 3.5;
    ck_assert_double_gt(a_ml, 400.0); /* else this test says nothing */
    ck_assert(tight.fill.reached);
    ck_assert_str_eq(tight.fill.held_by, "its daily limit");
    ck_assert_str_eq(tight.fill.held_stock, "leaf-a");
    /* the half band that may be left undone is less than a tenth of it */
    ck_assert_int_ge(tight.fill.span_ms, (int64_t)((a_ml * 0.9 / 200.0 - 1.0) * (double)DAY_MS));
    config_free(fixture_config);
    fixture_config = NULL;

    fixture_change(0, "leaf-a: { dose_ml: 40, hour_ml: 200, day_ml: 200 }",
        "leaf-a: { dose_ml: 40, hour_ml: 5000, day_ml: 5000 }\n"
        "      ec_rise_per_hour_ms_cm: 5\n      ph_move_per_hour: 4");
    fixture_change(0, "leaf-b: { dose_ml: 30.5, hour_ml: 100, day_ml: 400 }",
        "leaf-b: { dose_ml: 40, hour_ml: 10000, day_ml: 10000 }");
    const struct check_tank wide = derive();
    ck_assert_int_lt(wide.fill.span_ms, tight.fill.span_ms);
    /* each round mixes for its time, whatever the limits allow */
    ck_assert_int_ge(wide.fill.span_ms, wide.fill.rounds * wide.mix_ms);
    ck_assert_uint_ge(wide.fill.doses, wide.fill.rounds);
}
END_TEST

START_TEST(a_supply_that_cannot_carry_all_tanks_is_shown_so)
{
    struct check_load one, all;
    (void)derive();
    struct site *site = &fixture_config->site;
    check_derive_load(&one, site, 0, CHECK_ONE_TANK, 0);
    check_derive_load(&all, site, 0, CHECK_ALL_TANKS, UINT32_MAX);
    ck_assert_double_eq_tol(one.amps, all.amps, 1e-12);
    ck_assert(one.allowed && all.allowed);
    site->chain[0].supply.amps = 1.9; /* 1.52 A of it may be planned, 1.57 A are needed */
    check_derive_load(&one, site, 0, CHECK_ONE_TANK, 0);
    ck_assert(!one.allowed);
}
END_TEST

/* --- samples and pages
 * ---------------------------------------------------------------------------- */

START_TEST(the_samples_are_valid)
{
    static const char *const samples[] = { "site.yaml", "three-part.yaml", "plain.yaml" };
    char path[256];
    snprintf(path, sizeof path, "%s/config/%s", SOURCE_DIR, samples[_i]);
    const int code = check(path, NULL);
    ck_assert_msg(code == 0, "%s", err_text);
    expect(out_text, " under the limits");
}
END_TEST

START_TEST(a_journal_that_cant_be_read_is_told)
{
    char path[128];
    fixture_change(0, "broker:\n", "journal: { dir: journal }\nbroker:\n");
    fixture_path(path, "journal");
    fixture_write("journal", "no folder");
    ck_assert_int_eq(check(sample(), NULL), 0);
    expect(out_text, "can't be read (");
    expect(out_text, "what was calibrated here isn't known");
    ck_assert_int_eq(check("--json", sample()), 0);
    expect(out_text, "journal_unread");
    expect(out_text, "\"found_here\":\t[]");
}
END_TEST

START_TEST(what_cant_be_promised_for_plain_outputs_is_said)
{
    ck_assert_int_eq(check(SOURCE_DIR "/config/plain.yaml", NULL), 0);
    expect(out_text, "0 chains, 3 stocks, 1 tank");
    expect(out_text, "plain outputs of tank seedlings\n");
    expect(out_text, "circulation    shed/board1/flow/set: at most 5 min a run, its own limit; "
                     "switched on and off; reports on and off\n");
    expect(out_text, "acid           shed/board2/set: at most 2 min a run; told how long in s; "
                     "reports on and off\n");
    expect(out_text, "Every run that was sent counts in full.");
    fixture_change(0, "address: west/2.4",
        "address: { topic: shed/3, payload: x, off_payload: y, auto_off_s: 20 }");
    const int code = check(sample(), NULL);
    ck_assert_msg(code == 0, "%s", err_text);
    expect(out_text, "any dose may turn out to be 10.2 mL, and takes so much of the limits\n");
    expect(err_text, "each dose counts as 10.2 mL");
}
END_TEST

static void replace_all(struct text *t, const char *text, const char *const (*words)[2])
{
    while (*text) {
        const char *const(*w)[2] = words;
        while ((*w)[0] && strncmp(text, (*w)[0], strlen((*w)[0])) != 0) {
            w++;
        }
        if ((*w)[0]) {
            text_add(t, (*w)[1]);
            text += strlen((*w)[0]);
        } else {
            text_add_char(t, *text++);
        }
    }
}

START_TEST(the_demo_is_valid_once_its_words_are_filled_in)
{
    static char text[OUTPUT_MAX], filled[OUTPUT_MAX];
    static const char *const files[] = { "site.yaml", "schedules/basil.yaml",
        "schedules/lettuce.yaml", "solutions/leaf-a.yaml", "solutions/leaf-b.yaml",
        "solutions/nitric-5.yaml" };
    const char *const words[][2] = { { "@PORT@", "18830" }, { "@DIR@", fixture_dir },
        { "@PLANTED@", "2021-03-05" }, { "@CALIBRATED@", "2021-03-05" }, { NULL, NULL } };
    char path[256];
    fixture_path(path, "schedules");
    ck_assert_int_eq(mkdir(path, 0700), 0);
    fixture_path(path, "solutions");
    ck_assert_int_eq(mkdir(path, 0700), 0);
    for (size_t i = 0; i < sizeof files / sizeof *files; i++) {
        snprintf(path, sizeof path, "%s/config/demo/%s", SOURCE_DIR, files[i]);
        slurp(text, path);
        struct text t = text_over(filled, sizeof filled);
        replace_all(&t, text, words);
        fixture_write(files[i], filled);
    }
    ck_assert_ptr_null(strchr(filled, '@'));
    fixture_path(path, "site.yaml");
    const int code = check("--json", path);
    ck_assert_msg(code == 0, "%s", out_text);
    cJSON *root = cJSON_Parse(out_text);
    ck_assert_int_eq(cJSON_GetArraySize(cJSON_GetObjectItem(root, "warnings")), 0);
    /* a few minutes, in several rounds, and both tanks at once */
    ck_assert_double_lt(number(root, "tanks/basil-bench/fresh_fill/hours"), 0.07);
    ck_assert_double_ge(number(root, "tanks/basil-bench/fresh_fill/rounds"), 3.0);
    ck_assert_double_lt(number(root, "tanks/lettuce-wall/fresh_fill/hours"), 0.07);
    ck_assert(cJSON_IsTrue(cJSON_GetObjectItem(
        cJSON_GetObjectItem(
            cJSON_GetObjectItem(cJSON_GetObjectItem(root, "chains"), "west"), "all"),
        "allowed")));
    cJSON_Delete(root);
    for (size_t i = 1; i < sizeof files / sizeof *files; i++) {
        fixture_path(path, files[i]);
        unlink(path);
    }
}
END_TEST

START_TEST(the_reference_page_is_what_the_program_prints)
{
    static char page[OUTPUT_MAX];
    ck_assert_int_eq(check("--keys", NULL), 0);
    slurp(page, SOURCE_DIR "/docs/configuration.md");
    ck_assert_msg(strcmp(page, out_text) == 0,
        "docs/configuration.md is old: dosewright check --keys >docs/configuration.md");
}
END_TEST

/* Is the key said in the sample, if only in a comment? */
static void expect_keys(const struct schema_table *root, const char *text)
{
    const struct schema_table *table[64] = { root };
    uint32_t count = 1;
    for (uint32_t i = 0; i < count; i++) {
        if (table[i]->also) table[count++] = table[i]->also;
        for (uint32_t r = 0; r < table[i]->count; r++) {
            const struct schema_row *row = &table[i]->row[r];
            if (row->table && count < 60) table[count++] = row->table;
            if (row->key[0] == '<' || row->kind == SCHEMA_LATER) continue;
            const char *at = strstr(text, row->key);
            while (at &&
                   (isalnum((unsigned char)at[strlen(row->key)]) || at[strlen(row->key)] == '_')) {
                at = strstr(at + 1, row->key);
            }
            ck_assert_msg(at != NULL, "the samples don't say '%s'", row->key);
        }
    }
    ck_assert_uint_lt(count, 60);
}

START_TEST(the_samples_name_every_key)
{
    static char text[OUTPUT_MAX], more[OUTPUT_MAX];
    static const char *const shared[] = { "solutions/leaf-a.yaml", "solutions/nitric-5.yaml",
        "solutions/carbonate-5.yaml", "solutions/grow.yaml" };
    slurp(text, SOURCE_DIR "/config/site.yaml");
    expect_keys(&schema_site, text);
    slurp(text, SOURCE_DIR "/config/schedules/basil.yaml");
    expect_keys(&schema_crop, text);
    struct text all = text_over(more, sizeof more);
    for (size_t i = 0; i < sizeof shared / sizeof *shared; i++) {
        char path[256];
        snprintf(path, sizeof path, "%s/config/%s", SOURCE_DIR, shared[i]);
        slurp(text, path);
        text_add(&all, text);
    }
    expect_keys(&schema_solution, more);
}
END_TEST

int main(void)
{
    TCase *c = tcase_create("check");
    tcase_add_checked_fixture(c, fixture_make, fixture_remove);
    tcase_set_timeout(c, 30);
    tcase_add_test(c, a_good_file_ends_with_0_and_shows_what_follows);
    tcase_add_test(c, a_bad_file_ends_with_78_and_lists_every_error);
    tcase_add_test(c, a_start_that_takes_too_many_volts_is_told);
    tcase_add_test(c, warnings_are_shown_and_do_not_change_the_exit_code);
    tcase_add_test(c, wrong_arguments_end_with_64);
    tcase_add_test(c, the_same_comes_as_json);
    tcase_add_test(c, what_a_millilitre_does_follows_from_stock_and_volume);
    tcase_add_test(c, a_fresh_fill_never_beats_its_limits);
    tcase_add_test(c, a_supply_that_cannot_carry_all_tanks_is_shown_so);
    tcase_add_loop_test(c, the_samples_are_valid, 0, 3);
    tcase_add_test(c, a_journal_that_cant_be_read_is_told);
    tcase_add_test(c, what_cant_be_promised_for_plain_outputs_is_said);
    tcase_add_test(c, the_demo_is_valid_once_its_words_are_filled_in);
    tcase_add_test(c, the_reference_page_is_what_the_program_prints);
    tcase_add_test(c, the_samples_name_every_key);
    return run_case(c, "check");
}
