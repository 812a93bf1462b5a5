/* A folder with a small valid configuration in it, and changes to it. Only for the tests of the
 * configuration; included once by each. */
#ifndef DOSEWRIGHT_TESTS_CONFIG_FIXTURE_H
#define DOSEWRIGHT_TESTS_CONFIG_FIXTURE_H

#include <glob.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/config/config.h"
#include "lib/base/text.h"
#include "tests/unit/support.h"

enum { FIXTURE_BYTES = 16 * 1024, FIXTURE_FILES = 5 };

struct fixture_file {
    const char *name, *text;
};

static const struct fixture_file fixture_files[FIXTURE_FILES] = {
    { "site.yaml",
        "site: tern-hall\n"
        "broker:\n"
        "  uris: [mqtts://broker.example:8883, mqtts://192.0.2.7]\n"
        "  username: dosewright\n"
        "  password_file: secret\n"
        "chains:\n"
        "  west:\n"
        "    supply: { volts: 12.0, amps: 4.0 }\n"
        "    modules:\n"
        "      - { serial: a1f3, position: 1, cable: { awg: 20, length_m: 1.0 }, min_volts: 10.8, "
        "idle_amps: 0.06, pump_amps: 0.35, circulation_amps: 1.1 }\n"
        "      - { serial: b77c, position: 2, cable: { awg: 20, length_m: 1.0 }, min_volts: 10.8, "
        "idle_amps: 0.06, pump_amps: 0.35, circulation_amps: 1.2 }\n"
        "stocks:\n"
        "  leaf-a: { solution: a.yaml, bottle_ml: 5000 }\n"
        "  leaf-b: { solution: b.yaml, bottle_ml: 2500.5 }\n"
        "  acid: { solution: acid.yaml, bottle_ml: 1000 }\n"
        "tanks:\n"
        "  bench:\n"
        "    volume_l: 120\n"
        "    source_water: { ec_ms_cm: 0.35, alkalinity_meq_l: 2.1 }\n"
        "    circulation: { pump: west/1.circulation, flow_l_min: 5, line_ml: 85 }\n"
        "    probes:\n"
        "      ec: { topic: glass/ec, unit: mS/cm, compensated: true, max_age_s: 60, calibrated: "
        "2031-03-01 }\n"
        "      ph: { topic: glass/ph, pointer: /ph/mv, unit: mV, max_age_s: 60, calibration: { "
        "zero_mv: -4, slope_percent: 97.5, date: 2031-03-02 } }\n"
        "      temperature: { topic: glass/t, unit: degF, max_age_s: 120, range: [40, 100] }\n"
        "      level: { topic: glass/level, unit: \"%\", max_age_s: 300 }\n"
        "    pumps:\n"
        "      leaf-a: { address: west/1.1, ml_per_s: 1.02, calibrated: 2031-03-01, "
        "smallest_dose_ml: 0.25 }\n"
        "      leaf-b: { address: west/1.3, ml_per_s: 0.98, calibrated: 2031-03-01, tube: { "
        "bore_mm: 4, length_m: 2 } }\n"
        "      acid: { address: west/2.4, ml_per_s: 0.51, calibrated: 2031-03-01 }\n"
        "    recipe: { leaf-b: 1, leaf-a: 2.5 }\n"
        "    lowers_ph: acid\n"
        "    schedule: crop.yaml\n"
        "    planted: 2031-03-05\n"
        "    envelope: { ec_ms_cm: [0.4, 2.2], ph: [5.2, 6.8], temperature_degc: [12, 30] }\n"
        "    limits:\n"
        "      leaf-a: { dose_ml: 40, hour_ml: 200, day_ml: 800 }\n"
        "      leaf-b: { dose_ml: 30.5, hour_ml: 100, day_ml: 400 }\n"
        "      acid: { dose_ml: 20, hour_ml: 80, day_ml: 300 }\n"
        "    interlocks: { level_min_percent: 40, leak: { topic: house/leak, unit: bool, safe: "
        "false, max_age_s: 600 } }\n"
        "...\n" },
    { "a.yaml", "stock: leaf-a\n"
                "kind: nutrient\n"
                "grams_per_litre: { \"Ca(NO3)2.4H2O\": 94.5, KNO3: 25 }\n"
                "...\n" },
    { "b.yaml", "stock: part-b\n"
                "kind: nutrient\n"
                "grams_per_litre: { KH2PO4: 13.6, MgSO4.7H2O: 49.3 }\n"
                "...\n" },
    { "acid.yaml", "stock: nitric-5\n"
                   "kind: acid\n"
                   "acid: nitric\n"
                   "percent_w_w: 5\n"
                   "density_g_ml: 1.026\n"
                   "...\n" },
    { "crop.yaml",
        "crop: basil\n"
        "stages:\n"
        "  - { name: seedling, days: 10, ec_ms_cm: 0.8, ph: 5.8 }\n"
        "  - { name: leafing, days: 14, ec_ms_cm: [0.8, 1.4], ph: [5.8, 5.9] }\n"
        "  - { name: picking, days: forever, ec_ms_cm: 1.5, ph: 5.8, night: { ec_ms_cm: 1.6 } }\n"
        "day: { from: \"06:30\", to: \"21:30\", zone: UTC }\n"
        "...\n" },
};

static char fixture_dir[64];
static char fixture_text[FIXTURE_FILES][FIXTURE_BYTES];
static struct problem_list fixture_errors;
static struct config *fixture_config;

static inline void fixture_path(char ret[128], const char *name)
{
    snprintf(ret, 128, "%s/%s", fixture_dir, name);
}

static inline void fixture_write(const char *name, const char *text)
{
    char path[128];
    fixture_path(path, name);
    FILE *f = fopen(path, "w");
    ck_assert_ptr_nonnull(f);
    ck_assert_int_ge(fputs(text, f), 0);
    ck_assert_int_eq(fclose(f), 0);
    ck_assert_int_eq(chmod(path, 0644), 0);
}

static inline void fixture_make(void)
{
    test_place(fixture_dir, sizeof fixture_dir, "config-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(fixture_dir));
    for (int i = 0; i < FIXTURE_FILES; i++) {
        ck_assert(text_copy(fixture_text[i], FIXTURE_BYTES, fixture_files[i].text));
    }
    unsetenv("CREDENTIALS_DIRECTORY");
}

static inline void fixture_remove(void)
{
    static const char *const patterns[] = { "/tanks/*", "/*", "" };
    config_free(fixture_config);
    fixture_config = NULL;
    for (size_t i = 0; i < sizeof patterns / sizeof *patterns; i++) {
        char pattern[128];
        glob_t found;
        snprintf(pattern, sizeof pattern, "%s%s", fixture_dir, patterns[i]);
        if (glob(pattern, 0, NULL, &found) != 0) continue;
        for (size_t n = 0; n < found.gl_pathc; n++) {
            (void)remove(found.gl_pathv[n]);
        }
        globfree(&found);
    }
}

/* Replaces the one occurrence of 'from' in file 'file'. */
static inline void fixture_change(int file, const char *from, const char *to)
{
    static char fresh[FIXTURE_BYTES];
    char *text = fixture_text[file];
    const char *at = strstr(text, from);
    ck_assert_msg(at != NULL, "'%s' isn't in the sample", from);
    ck_assert_msg(strstr(at + 1, from) == NULL, "'%s' is in the sample twice", from);
    struct text t = text_over(fresh, sizeof fresh);
    text_add_bytes(&t, text, (size_t)(at - text));
    text_add(&t, to);
    text_add(&t, at + strlen(from));
    ck_assert(!t.cut);
    ck_assert(text_copy(text, FIXTURE_BYTES, fresh));
}

/* Writes all files and reads them. */
static inline bool fixture_load(bool check_only)
{
    char path[128];
    for (int i = 0; i < FIXTURE_FILES; i++) {
        fixture_write(fixture_files[i].name, fixture_text[i]);
    }
    fixture_path(path, "site.yaml");
    memset(&fixture_errors, 0, sizeof fixture_errors);
    config_free(fixture_config);
    const enum err err = config_load(&fixture_config, path, check_only, &fixture_errors);
    ck_assert((err == ERR_NONE) == (fixture_config != NULL));
    ck_assert((err == ERR_NONE) == (fixture_errors.count == 0));
    return err == ERR_NONE;
}

/* "site.yaml:12:7" of the last occurrence of 'at' in a file as it is now. */
static inline void fixture_place(char ret[64], int file, const char *at)
{
    const char *text = fixture_text[file], *found = NULL;
    for (const char *s = strstr(text, at); s; s = strstr(s + 1, at)) {
        found = s;
    }
    ck_assert_msg(found != NULL, "'%s' isn't in the file", at);
    int line = 1, column = 1;
    for (const char *s = text; s < found; s++) {
        column = *s == '\n' ? 1 : column + 1;
        if (*s == '\n') line++;
    }
    snprintf(ret, 64, "%s:%d:%d", fixture_files[file].name, line, column);
}

/* The problem that stands at that place and has these words, or NULL. */
static inline const struct problem *fixture_find(
    const struct problem_list *list, const char *place, const char *words)
{
    for (uint32_t i = 0; i < list->count; i++) {
        const char *slash = strrchr(list->item[i].where, '/');
        const char *where = slash ? slash + 1 : list->item[i].where;
        if (strcmp(where, place) == 0 && strstr(list->item[i].text, words)) return &list->item[i];
    }
    return NULL;
}

static inline void fixture_show(const struct problem_list *list)
{
    for (uint32_t i = 0; i < list->count; i++) {
        printf("  %s: %s\n", list->item[i].where, list->item[i].text);
    }
}

#endif
