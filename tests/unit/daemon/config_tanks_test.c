/* Tanks in files of their own, several of them, and as many as a site can have. */
#include "tests/unit/daemon/config_clock.h"

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

static char large[250 * 1024];

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

int main(void)
{
    TCase *c = tcase_create("config_tanks");
    tcase_add_checked_fixture(c, begin, fixture_remove);
    tcase_set_timeout(c, 30);
    tcase_add_test(c, a_tank_may_be_a_file_and_its_key_is_the_files_name);
    tcase_add_test(c, an_error_in_a_tanks_file_names_that_file);
    tcase_add_test(c, two_tanks_of_one_name_and_names_that_are_none_are_refused);
    tcase_add_test(c, circulation_that_always_runs_is_in_every_supply);
    tcase_add_test(c, a_site_may_fill_every_chain_with_tanks);
    return run_case(c, "config_tanks");
}
