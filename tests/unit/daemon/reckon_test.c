/* dosewright reckon: what goes in, what comes out, and how it says no. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/tool/cmd.h"
#include "tests/unit/support.h"

enum { WORDS_MAX = 80 };

static struct {
    int code;
    char out[65536], err[8192];
} ran;

static void read_back(char *ret, size_t room, FILE *file)
{
    rewind(file);
    ret[fread(ret, 1, room - 1, file)] = '\0';
    fclose(file);
}

/* Runs it in a child; words are parted by blanks. */
static int reckon(const char *words)
{
    static char copy[4096];
    char *argv[WORDS_MAX] = { (char *)"reckon" };
    int argc = 1, status = 0;
    FILE *out = tmpfile(), *err = tmpfile();
    ck_assert(out && err && strlen(words) < sizeof copy);
    strcpy(copy, words);
    for (char *w = strtok(copy, " "); w && argc < WORDS_MAX - 1; w = strtok(NULL, " ")) {
        argv[argc++] = w;
    }
    fflush(NULL);
    const pid_t pid = fork();
    if (pid == 0) {
        dup2(fileno(out), STDOUT_FILENO);
        dup2(fileno(err), STDERR_FILENO);
        const int code = cmd_reckon(argc, argv);
        fflush(NULL);
        exit(code); /* not _exit: what is measured of a run is written at the exit */
    }
    ck_assert_int_eq(waitpid(pid, &status, 0), pid);
    ck_assert_msg(WIFEXITED(status), "'%s' ended by a signal", words);
    ran.code = WEXITSTATUS(status);
    read_back(ran.out, sizeof ran.out, out);
    read_back(ran.err, sizeof ran.err, err);
    return ran.code;
}

/* The answer as JSON; the caller frees it. */
static cJSON *answer(const char *words)
{
    char with[4096];
    snprintf(with, sizeof with, "%s --json", words);
    const int code = reckon(with);
    ck_assert_msg(code == EX_OK || code == 1, "'%s': %d: %s", words, code, ran.err);
    ck_assert_str_eq(ran.err, "");
    cJSON *root = cJSON_Parse(ran.out);
    ck_assert_msg(root != NULL, "no JSON: %s", ran.out);
    return root;
}

static double figure(const cJSON *root, const char *section, const char *key)
{
    const cJSON *s = cJSON_GetObjectItemCaseSensitive(root, section);
    const cJSON *f = cJSON_GetObjectItemCaseSensitive(s, key);
    const cJSON *value = cJSON_GetObjectItemCaseSensitive(f, "value");
    ck_assert_msg(cJSON_IsNumber(value), "%s.%s isn't a number", section, key);
    return value->valuedouble;
}

static const char *words_of(const cJSON *root, const char *section, const char *key)
{
    const cJSON *s = cJSON_GetObjectItemCaseSensitive(root, section);
    const cJSON *f = cJSON_GetObjectItemCaseSensitive(s, key);
    const cJSON *text = cJSON_GetObjectItemCaseSensitive(f, "text");
    ck_assert_msg(cJSON_IsString(text), "%s.%s has no words", section, key);
    return text->valuestring;
}

static double cell(const cJSON *root, const char *section, const char *name, const char *column)
{
    const cJSON *s = cJSON_GetObjectItemCaseSensitive(root, section);
    const cJSON *rows = cJSON_GetObjectItemCaseSensitive(s, "rows"), *row;
    cJSON_ArrayForEach(row, rows)
    {
        if (strcmp(cJSON_GetObjectItemCaseSensitive(row, "name")->valuestring, name) != 0) continue;
        const cJSON *value = cJSON_GetObjectItemCaseSensitive(row, column);
        ck_assert_msg(cJSON_IsNumber(value), "%s.%s.%s isn't a number", section, name, column);
        return value->valuedouble;
    }
    ck_abort_msg("%s has no row %s", section, name);
    return (double)NAN;
}

static bool says(const cJSON *root, const char *list, const char *words)
{
    const cJSON *item;
    cJSON_ArrayForEach(item, cJSON_GetObjectItemCaseSensitive(root, list))
    {
        if (strstr(item->valuestring, words)) return true;
    }
    return false;
}

/* --- mix -------------------------------------------------------------------------------------- */

#define STEINER_STOCKS                                                                             \
    "--ml-per-l 10 Ca(NO3)2.4H2O=106.27 "                                                          \
    "--ml-per-l 10 KNO3=30.33 KH2PO4=13.61 K2SO4=26.14 MgSO4.7H2O=49.29"

START_TEST(a_mix_of_stocks_has_its_elements_ph_and_ec)
{
    cJSON *root = answer("mix " STEINER_STOCKS);
    ck_assert_double_eq_tol(cell(root, "nutrients", "N", "mg_l"), 168.1, 0.2);
    ck_assert_double_eq_tol(cell(root, "nutrients", "K", "mg_l"), 273.7, 0.3);
    ck_assert_double_eq_tol(cell(root, "nutrients", "S", "mg_l"), 112.2, 0.2);
    ck_assert_double_eq_tol(cell(root, "ions", "Ca", "mmol_l"), 4.5, 0.005);
    ck_assert_double_eq_tol(cell(root, "ions", "SO4", "meq_l"), -7.0, 0.01);
    ck_assert_double_eq_tol(figure(root, "charge", "cations"), 20.0, 0.02);
    ck_assert_double_eq_tol(figure(root, "charge", "strong_anions"), 19.0, 0.02);
    ck_assert_double_eq_tol(figure(root, "charge", "by_ph"), 1.0, 0.02);
    ck_assert_double_eq_tol(figure(root, "charge", "left"), 0, 1e-6);
    /* PHREEQC has 2.10 mS/cm and pH 4.92 for it (tests/reference/data/ec_solutions.csv) */
    ck_assert_double_eq_tol(figure(root, "result", "ec_25"), 2.10, 0.06);
    ck_assert_double_eq_tol(figure(root, "result", "ph"), 4.95, 0.1);
    ck_assert(cell(root, "meetings", "1 and 2", "clear_from") > 3);
    ck_assert(says(root, "notes", "Never let 1 and 2 meet undiluted"));
    ck_assert(says(root, "notes", "gypsum falls out") || says(root, "notes", "brushite falls out"));
    ck_assert(says(root, "cautions", "oxidisers") && says(root, "cautions", "safety data sheet"));
    cJSON_Delete(root);
}
END_TEST

START_TEST(a_mix_counts_the_water_and_what_falls_out)
{
    cJSON *root = answer("mix --water ca=80,mg=12,na=20,cl=35,so4=40,alkalinity=3.9,ph=7.9");
    ck_assert_double_eq_tol(figure(root, "result", "ph"), 7.9, 0.02);
    ck_assert_double_eq_tol(figure(root, "result", "alkalinity"), 3.9, 0.02);
    ck_assert_double_eq_tol(cell(root, "ions", "Ca", "mg_l"), 80, 0.01);
    ck_assert(cell(root, "saturation", "calcite", "co2_kept_in") > 0.1);
    ck_assert(says(root, "notes", "Would fall out") && says(root, "notes", "balanced"));
    cJSON_Delete(root);
    /* the two stocks of a recipe in one tank: gypsum */
    root = answer("mix Ca(NO3)2.4H2O=106.27 MgSO4.7H2O=49.29 K2SO4=26.14");
    ck_assert(cell(root, "saturation", "gypsum", "co2_kept_in") > 1);
    ck_assert(says(root, "notes", "of gypsum"));
    cJSON_Delete(root);
}
END_TEST

START_TEST(labels_powders_and_liquids_count)
{
    cJSON *root = answer("mix label,n=15.5,ammonium_n=1.1,ca=19,name=bag,grams=0.645");
    ck_assert_double_eq_tol(cell(root, "nutrients", "N", "mg_l"), 100, 0.05);
    ck_assert_double_eq_tol(cell(root, "nutrients", "Ca", "mg_l"), 122.6, 0.1);
    cJSON_Delete(root);
    root = answer("mix --ml-per-l 2 label,n=4,k2o=2,cao=6,density=1.15");
    ck_assert_double_eq_tol(cell(root, "nutrients", "N", "mg_l"), 2 * 1.15 * 40, 0.01);
    ck_assert_double_eq_tol(cell(root, "stocks", "1", "g_l"), 1150, 1e-6);
    ck_assert(says(root, "notes", "doesn't close in charge"));
    cJSON_Delete(root);
}
END_TEST

/* --- stocks ----------------------------------------------------------------------------------- */

START_TEST(grams_for_two_tanks_and_the_way_back)
{
    cJSON *root = answer("stocks N=12mmol P=1mmol K=7mmol Ca=4.5mmol Mg=2mmol S=3.5mmol "
                         "--have Ca(NO3)2.4H2O --have KNO3,tank=AB --have KH2PO4 --have K2SO4 "
                         "--have MgSO4.7H2O --tank-l 50 --factor 100");
    ck_assert_double_eq_tol(cell(root, "grams", "Ca(NO3)2.4H2O", "tank_a_g"), 5313.4, 1);
    ck_assert_double_eq_tol(cell(root, "grams", "KNO3", "tank_a_g"), 758.3, 1);
    ck_assert_double_eq_tol(cell(root, "grams", "KNO3", "tank_b_g"), 758.3, 1);
    ck_assert_double_eq_tol(cell(root, "grams", "K2SO4", "tank_a_g"), 0, 1e-12);
    ck_assert_double_eq_tol(cell(root, "grams", "K2SO4", "tank_b_g"), 1307, 1);
    for (size_t i = 0; i < 6; i++) {
        static const char *const goals[] = { "N", "P", "K", "Ca", "Mg", "S" };
        ck_assert_double_eq_tol(cell(root, "goals", goals[i], "off_mg_l"), 0, 1e-3);
    }
    ck_assert(says(root, "cautions", "Label each tank"));
    const double ec = figure(root, "result", "ec_25");
    cJSON_Delete(root);

    root = answer("mix --ml-per-l 10 Ca(NO3)2.4H2O=106.268 KNO3=15.166 --ml-per-l 10 KNO3=15.166 "
                  "KH2PO4=13.609 K2SO4=26.139 MgSO4.7H2O=49.295");
    ck_assert_double_eq_tol(figure(root, "result", "ec_25"), ec, 1e-3);
    ck_assert_double_eq_tol(cell(root, "nutrients", "N", "mmol_l"), 12, 0.01);
    cJSON_Delete(root);
}
END_TEST

START_TEST(the_miss_of_each_goal_is_told)
{
    cJSON *root = answer("stocks N=150 K=100 --have KNO3,most=0.2");
    ck_assert_double_eq_tol(cell(root, "grams", "KNO3", "g_l_feed"), 0.2, 1e-9);
    ck_assert_double_eq_tol(cell(root, "goals", "N", "off_mg_l"), 200 * 0.13854 - 150, 0.01);
    ck_assert_double_eq_tol(
        cell(root, "goals", "K", "off_percent"), 100 * (200 * 0.38672 / 100 - 1), 0.01);
    cJSON_Delete(root);
    root = answer("stocks N=150 K=100 --weight K=100 --have KNO3");
    ck_assert_double_eq_tol(cell(root, "goals", "K", "off_mg_l"), 0, 0.5);
    cJSON_Delete(root);
}
END_TEST

/* --- acid and base ---------------------------------------------------------------------------- */

/* 1 meq/L of alkalinity from pH 7.8 to 5.8 takes 0.776 meq/L while its CO2 stays, nearly all of it
 * for good (computed with a plain carbonate model; NC State's leaflet 558 has 51.6 mL of 67 %
 * nitric acid in 1000 L, from memory). */
START_TEST(acid_for_a_source_water)
{
    cJSON *root = answer("acid nitric --percent 67 --density 1.400 --to 5.8 --volume-l 1000 "
                         "--water alkalinity=1,ph=7.8");
    ck_assert_double_eq_tol(figure(root, "at_once", "ml"), 52.1, 1.6);
    ck_assert_double_eq_tol(figure(root, "at_once", "meq_l"), 0.776, 0.023);
    ck_assert(figure(root, "for_good", "ml") > 1.2 * figure(root, "at_once", "ml"));
    ck_assert(figure(root, "at_once", "ph_in_air") > 6.5);
    ck_assert_double_eq_tol(
        cell(root, "brings", "N", "mg_l"), 14.007 * figure(root, "at_once", "mmol_l"), 0.01);
    ck_assert(figure(root, "ec", "change") > 0.01 && figure(root, "ec", "change") < 0.04);
    ck_assert(says(root, "cautions", "never water into acid"));
    ck_assert(says(root, "cautions", "Nitric acid is an oxidiser"));
    ck_assert(says(root, "cautions", "goggles"));
    ck_assert(says(root, "cautions", "safety data sheet"));
    ck_assert(!says(root, "cautions", "Sulfuric"));
    ck_assert_str_eq(words_of(root, "at_once", "verdict"), "found");
    cJSON_Delete(root);
}
END_TEST

START_TEST(strength_by_normality_is_the_same_acid)
{
    cJSON *a = answer("acid sulfuric --percent 35 --density 1.26 --to 6 --water alkalinity=2");
    cJSON *b = answer("acid sulfuric --normality 8.993 --to 6 --water alkalinity=2");
    ck_assert_double_eq_tol(figure(a, "at_once", "ml") / figure(b, "at_once", "ml"), 1.0, 1e-3);
    ck_assert(says(a, "cautions", "very hot"));
    cJSON_Delete(a);
    cJSON_Delete(b);
}
END_TEST

START_TEST(a_tank_is_moved_from_what_its_probe_shows)
{
    cJSON *root =
        answer("base potassium-hydroxide --normality 1 --from 5.2 --to 5.8 --volume-l 120 "
               "KNO3=0.5 KH2PO4=0.136");
    ck_assert_double_eq_tol(figure(root, "before", "ph"), 5.2, 0.01);
    /* 1 mmol/L of phosphate, pK2 7.1 at that ionic strength, goes from 1.2 to 4.6 % HPO4-2: 0.034
     * mmol/L; and the H+ of pH 5.2, 0.006: together 0.040, 4.8 mL */
    ck_assert_double_eq_tol(figure(root, "at_once", "ml"), 4.8, 0.3);
    ck_assert(says(root, "cautions", "Potassium hydroxide"));
    ck_assert(!says(root, "notes", "to fit"));
    cJSON_Delete(root);
    root = answer("acid nitric --normality 1 --from 6.5 --to 5.8 KNO3=0.5 KH2PO4=0.136");
    ck_assert_double_eq_tol(figure(root, "before", "ph"), 6.5, 0.01);
    ck_assert(says(root, "notes", "of sodium was put in to fit"));
    cJSON_Delete(root);
}
END_TEST

START_TEST(an_acid_that_goes_the_wrong_way_is_a_no)
{
    ck_assert_int_eq(reckon("acid nitric --normality 1 --to 9 --water alkalinity=1"), 1);
    ck_assert_ptr_nonnull(strstr(ran.out, "wrong-way"));
    ck_assert_ptr_nonnull(strstr(ran.out, "moves the pH away"));
}
END_TEST

/* --- probes and small sums -------------------------------------------------------------------- */

START_TEST(a_ph_electrode_is_judged)
{
    cJSON *root = answer("ph-probe 7.01=-15 4.01=160");
    ck_assert_double_eq_tol(figure(root, "result", "slope_percent"), 98.6, 0.05);
    ck_assert_str_eq(words_of(root, "result", "verdict"), "good");
    cJSON_Delete(root);
    ck_assert_int_eq(reckon("ph-probe 7.01=15 4.01=160"), 1);
    root = answer("ph-probe phosphate=0 phthalate=167 carbonate=-150 --temperature 20");
    ck_assert_double_eq_tol(figure(root, "baths", "phosphate"), 6.881, 1e-6);
    ck_assert_double_eq_tol(figure(root, "baths", "phthalate"), 4.001, 1e-6);
    ck_assert(fabs(figure(root, "result", "third_bath_error")) > 0.1);
    ck_assert(says(root, "notes", "third bath"));
    cJSON_Delete(root);
}
END_TEST

START_TEST(an_ec_cell_is_judged)
{
    cJSON *root = answer("ec-probe 1413=1200 --temperature 20");
    ck_assert_double_eq_tol(figure(root, "result", "standard"), 1278, 1e-6);
    ck_assert_double_eq_tol(figure(root, "result", "constant"), 1.065, 1e-6);
    ck_assert_str_eq(words_of(root, "result", "verdict"), "good");
    cJSON_Delete(root);
    root = answer("ec-probe true:2500=2600 --constant 0.5 --nominal 0.5");
    ck_assert_double_eq_tol(figure(root, "result", "constant"), 0.5 * 2500 / 2600, 1e-6);
    cJSON_Delete(root);
    ck_assert_int_eq(reckon("ec-probe 1413=900"), 1);
}
END_TEST

START_TEST(small_sums_come_out)
{
    static const struct {
        const char *words, *section, *key;
        double value, tolerance;
    } table[] = { { "dilute --volume-l 100 --from-ec 2.4 --to-ec 1.8 --with-ec 0.3", "result",
                      "add", 40, 1e-6 },
        { "dilute --volume-l 100 --from-ec 2.4 --to-ec 1.8 --with-ec 0.3", "result", "drain_first",
            28.5714, 1e-3 },
        { "tube --bore-mm 4 --length-m 1.5", "result", "volume", 18.85, 0.01 },
        { "tube --bore-mm 4 --length-m 1.5 --ml-per-s 2", "result", "time", 9.425, 0.005 },
        { "turnover --volume-l 100 --flow-l-min 6.6667", "result", "time", 45, 0.1 },
        { "oxygen --temperature 20", "result", "saturation", 9.09, 0.01 },
        { "oxygen --temperature 20 --measured 4.545", "result", "share", 50, 0.1 },
        { "vpd --temperature 25 --humidity 60", "result", "deficit", 1.267, 0.001 },
        /* 1 meq/L is 50.04 mg/L CaCO3; 1 dH 17.85 mg/L (German standard practice, from memory) */
        { "units --ec 1.4", "ec", "ppm_500", 700, 1e-6 },
        { "units --ec 1.4", "ec", "cf", 14, 1e-6 },
        { "units --ec 1.4", "ec", "ppm_700", 980, 1e-6 },
        { "units --hardness 50.0435", "hardness", "meq_l", 1, 1e-6 },
        { "units --hardness 178.5", "hardness", "dh", 10, 0.005 },
        { "units --hardness 100", "hardness", "fh", 10, 1e-6 },
        { "units --oz-100-gal 1", "rates", "mg_l", 74.89, 0.005 },
        { "units --fl-oz-100-gal 1.28", "rates", "ml_l", 0.1, 1e-4 },
        { "dli --umol 250 --hours 18", "result", "dli", 16.2, 1e-6 },
        { "compensate --ec 1.278 --temperature 20", "ec_at_25", "line", 1.42, 1e-6 },
        { "compensate --ec 0.5 --temperature 10", "ec_at_25", "fresh_water", 0.714, 1e-6 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        cJSON *root = answer(table[i].words);
        ck_assert_double_eq_tol(
            figure(root, table[i].section, table[i].key), table[i].value, table[i].tolerance);
        cJSON_Delete(root);
    }
}
END_TEST

/* --- both faces ------------------------------------------------------------------------------- */

/* Every number of a JSON answer has its basis, beside it or for its table, but what was given. */
static void check_basis(const cJSON *section, const char *words)
{
    const cJSON *item;
    if (cJSON_GetObjectItemCaseSensitive(section, "rows")) {
        ck_assert_msg(cJSON_GetObjectItemCaseSensitive(section, "basis") != NULL,
            "%s: a table of %s", section->string, words);
        return;
    }
    cJSON_ArrayForEach(item, section)
    {
        const bool is_dose = strcmp(section->string, "before") == 0;
        const bool is_given = strcmp(item->string, "temperature") == 0 ||
                              (is_dose && strcmp(item->string, "volume") == 0);
        const bool is_number = cJSON_GetObjectItemCaseSensitive(item, "value") != NULL;
        if (is_number && !is_given)
            ck_assert_msg(cJSON_GetObjectItemCaseSensitive(item, "basis") != NULL, "%s of %s",
                item->string, words);
    }
}

static const char *const examples[] = { "mix " STEINER_STOCKS, "mix --water alkalinity=2,ec=0.4",
    "stocks N=150 P=31 --have KNO3 --have KH2PO4 --have calcium-nitrate",
    "acid phosphoric --percent 75 --density 1.579 --to 5.8 --water alkalinity=2",
    "base potassium-carbonate --percent 20 --density 1.19 --from 5 --to 6 KH2PO4=0.1",
    "dilute --volume-l 100 --from-ec 2 --to-ec 1", "tube --bore-mm 4 --length-m 1 --ml-per-s 1",
    "turnover --volume-l 100 --flow-l-min 5", "oxygen --temperature 20 --measured 7",
    "vpd --temperature 25 --humidity 60", "dli --umol 200 --hours 16",
    "compensate --ec 1.4 --temperature 20",
    "units --ec 1 --hardness 100 --oz-100-gal 1 --fl-oz-100-gal 1", "ph-probe 7=0 4=170 10=-170",
    "ec-probe 1413=1400" };

START_TEST(every_figure_has_its_basis)
{
    for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++) {
        cJSON *root = answer(examples[i]);
        const cJSON *section;
        cJSON_ArrayForEach(section, root)
        {
            if (cJSON_IsObject(section)) check_basis(section, examples[i]);
        }
        cJSON_Delete(root);
    }
}
END_TEST

START_TEST(text_is_plain_and_at_most_80_columns_wide)
{
    for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++) {
        ck_assert_int_le(reckon(examples[i]), 1);
        ck_assert_str_eq(ran.err, "");
        for (const char *line = ran.out; *line;) {
            const size_t length = strcspn(line, "\n");
            ck_assert_msg(length <= 80, "%zu columns: %.*s", length, (int)length, line);
            line += length + (line[length] == '\n');
        }
        for (const char *c = ran.out; *c; c++) {
            ck_assert(*c == '\n' || (*c >= 32 && *c < 127));
        }
        ck_assert_ptr_nonnull(strstr(ran.out, " [1]\n"));
        ck_assert_ptr_nonnull(strstr(ran.out, "\nrests on\n  [1] "));
        ck_assert_ptr_null(strstr(ran.out, "nan"));
        ck_assert_ptr_null(strstr(ran.out, "inf "));
    }
}
END_TEST

START_TEST(help_is_there_for_each_topic)
{
    static const char *const topics[] = { "mix", "stocks", "acid", "base", "salts", "dilute",
        "tube", "turnover", "oxygen", "vpd", "dli", "compensate", "units", "ph-probe", "ec-probe" };
    char words[64];
    for (size_t i = 0; i < sizeof topics / sizeof topics[0]; i++) {
        snprintf(words, sizeof words, "%s --help", topics[i]);
        ck_assert_int_eq(reckon(words), EX_OK);
        ck_assert_ptr_nonnull(strstr(ran.out, topics[i]));
        ck_assert_ptr_nonnull(strstr(ran.out, "exit codes"));
    }
    ck_assert_int_eq(reckon("--help"), EX_OK);
    ck_assert_int_eq(reckon("salts"), EX_OK);
    ck_assert_ptr_nonnull(strstr(ran.out, "Ca(NO3)2.4H2O"));
}
END_TEST

/* Each says where, what was found, and what is allowed. */
START_TEST(bad_input_is_refused_with_the_reason)
{
    static const struct {
        const char *words;
        int code;
        const char *says;
    } table[] = { { "", EX_USAGE, "usage" }, { "brew", EX_USAGE, "no topic \"brew\"" },
        { "mix KNO2=1", EX_DATAERR, "KNO2" }, { "mix KNO3", EX_USAGE, "how much" },
        { "mix KNO3=x", EX_USAGE, "\"x\"" }, { "mix KNO3=-1", EX_USAGE, "0 to 10000" },
        { "mix KNO3=10001", EX_USAGE, "0 to 10000" }, { "mix Qq=1", EX_USAGE, "no element" },
        { "mix KNO3=1,wat=2", EX_USAGE, "\"wat\"" }, { "mix KNO3=1,tank=C", EX_USAGE, "A B AB" },
        { "mix --ml-per-l 0 KNO3=1", EX_USAGE, "0.001" },
        { "mix --ml-per-l", EX_USAGE, "value is missing" },
        { "mix --bogus 1", EX_USAGE, "no option" }, { "mix --water ca=1,ca=2", EX_USAGE, "once" },
        { "mix --water ca=-1", EX_DATAERR, "allowed 0" },
        { "mix --water what=1", EX_USAGE, "\"what\"" },
        { "mix --water ph=2", EX_DATAERR, "3 to 11" },
        { "mix KNO3=1 --temperature 51", EX_USAGE, "0 to 50" },
        { "mix KNO3=10000", EX_DATAERR, "6000" },
        { "mix label,n=99,p2o5=2,grams=1", EX_DATAERR, "100 %" }, { "stocks", EX_USAGE, "no goal" },
        { "stocks N=150", EX_USAGE, "no salt" }, { "stocks N", EX_USAGE, "NUTRIENT=MG_L" },
        { "stocks Qq=1 --have KNO3", EX_USAGE, "NO3-N" },
        { "stocks N=1 N=2 --have KNO3", EX_USAGE, "twice" },
        { "stocks N=-1 --have KNO3", EX_USAGE, "plain decimal" },
        { "stocks N=150 --have KNO3=4", EX_USAGE, "most=N" },
        { "stocks N=150 --have KOH", EX_DATAERR, "KOH" },
        { "stocks Ca=1 S=1 --have calcium-nitrate,tank=B --have K2SO4", EX_DATAERR, "tank B" },
        { "stocks N=150 --weight P=2 --have KNO3", EX_USAGE, "no goal" },
        { "stocks N=150 --weight N=0 --have KNO3", EX_DATAERR, "weight" },
        { "acid", EX_USAGE, "--to" }, { "acid vinegar --to 6 --normality 1", EX_USAGE, "nitric" },
        { "acid potassium-hydroxide --to 6 --normality 1", EX_USAGE, "nitric" },
        { "base nitric --to 6 --normality 1", EX_USAGE, "potassium-hydroxide" },
        { "acid nitric --to 6", EX_USAGE, "strength" },
        { "acid nitric --to 6 --percent 38", EX_USAGE, "strength" },
        { "acid nitric --to 6 --percent 38 --density 1.2 --normality 1", EX_USAGE, "strength" },
        { "acid nitric --to 0.5 --normality 1", EX_USAGE, "1 to 13" },
        { "acid nitric --to 6 --percent 38 --density 7", EX_USAGE, "0.5 to 2.5 g/mL" },
        { "units ec 1.4", EX_USAGE, "not \"ec\"" }, { "salts KNO3", EX_USAGE, "not \"KNO3\"" },
        { "dilute", EX_USAGE, "--volume-l" }, { "units", EX_USAGE, "nothing is given" },
        { "dilute --volume-l 10 --from-ec 1 --to-ec 2", EX_DATAERR, "between" },
        { "ph-probe 7=0", EX_USAGE, "two baths" }, { "ph-probe 7=0 7.2=3", EX_DATAERR, "1 pH" },
        { "ph-probe milk=0 7=3", EX_USAGE, "phosphate" },
        { "ph-probe 7=0 4=1 10=2 12=3", EX_USAGE, "three baths" }, { "ec-probe", EX_USAGE, "1413" },
        { "ec-probe 1413=0", EX_DATAERR, "above 0" },
        { "ec-probe 1413=1 2765=2", EX_USAGE, "STANDARD=READING" },
        { "ec-probe 1413=1000 --temperature 40", EX_DATAERR, "5 to 30" },
        { "tube --bore-mm 4 --length-m -1", EX_USAGE, "0.001 to 1000" },
        { "dli --umol 1e3 --hours 2", EX_USAGE, "plain decimal" } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        ck_assert_msg(reckon(table[i].words) == table[i].code, "'%s': %d: %s", table[i].words,
            ran.code, ran.err);
        ck_assert_str_eq(ran.out, "");
        ck_assert_msg(strstr(ran.err, table[i].says) != NULL, "'%s': %s", table[i].words, ran.err);
    }
}
END_TEST

/* Nothing that a terminal obeys comes back, and no length breaks it. */
START_TEST(strange_words_are_shown_safely)
{
    char words[2048] = "mix ";
    memset(words + 4, 'K', 600);
    words[604] = '\0';
    ck_assert_int_eq(reckon(words), EX_USAGE);
    ck_assert_ptr_nonnull(strstr(ran.err, "512"));
    ck_assert_int_eq(reckon("mix \x1b[31mKNO3=1"), EX_USAGE);
    ck_assert_ptr_null(strchr(ran.err, '\x1b'));
    ck_assert_int_eq(reckon("mix --water \x1b=\x07"), EX_USAGE);
    ck_assert_ptr_null(strchr(ran.err, '\x07'));
    ck_assert_int_eq(reckon("mix label,name=\x1b[1m,n=5,grams=1"), EX_OK);
    ck_assert_ptr_null(strchr(ran.out, '\x1b'));
    strcpy(words, "mix");
    for (int i = 0; i < 60; i++) {
        strcat(words, " KNO3=0.01");
    }
    ck_assert_int_eq(reckon(words), EX_OK);
    strcpy(words, "stocks N=150");
    for (int i = 0; i < 25; i++) {
        strcat(words, " --have KNO3");
    }
    ck_assert_int_eq(reckon(words), EX_USAGE);
    ck_assert_ptr_nonnull(strstr(ran.err, "24 salts"));
    for (int kind = 0; kind < 2; kind++) {
        strcpy(words, "mix");
        for (int i = 0; i < 65; i++) {
            strcat(words, kind ? " KNO3=0.01" : " --store=20");
        }
        ck_assert_int_eq(reckon(words), EX_USAGE);
        ck_assert_ptr_nonnull(strstr(ran.err, "too many words"));
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("reckon");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, a_mix_of_stocks_has_its_elements_ph_and_ec);
    tcase_add_test(tc, a_mix_counts_the_water_and_what_falls_out);
    tcase_add_test(tc, labels_powders_and_liquids_count);
    tcase_add_test(tc, grams_for_two_tanks_and_the_way_back);
    tcase_add_test(tc, the_miss_of_each_goal_is_told);
    tcase_add_test(tc, acid_for_a_source_water);
    tcase_add_test(tc, strength_by_normality_is_the_same_acid);
    tcase_add_test(tc, a_tank_is_moved_from_what_its_probe_shows);
    tcase_add_test(tc, an_acid_that_goes_the_wrong_way_is_a_no);
    tcase_add_test(tc, a_ph_electrode_is_judged);
    tcase_add_test(tc, an_ec_cell_is_judged);
    tcase_add_test(tc, small_sums_come_out);
    tcase_add_test(tc, every_figure_has_its_basis);
    tcase_add_test(tc, text_is_plain_and_at_most_80_columns_wide);
    tcase_add_test(tc, help_is_there_for_each_topic);
    tcase_add_test(tc, bad_input_is_refused_with_the_reason);
    tcase_add_test(tc, strange_words_are_shown_safely);
    return run_case(tc, "reckon");
}
