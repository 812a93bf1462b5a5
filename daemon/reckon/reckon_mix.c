/* dosewright reckon mix and salts. */
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "daemon/tool/caution.h"
#include "lib/chem/analysis.h"
#include "lib/chem/element.h"

enum { PARTS_MAX = 8 };

/* A stock, or (the first one, ml_per_l 1000) what is weighed into the mix itself. */
struct part {
    double ml_per_l;
    struct solution holds; /* mmol in a litre of it */
    double g_l;
};

struct mixing {
    uint32_t parts;
    struct part part[PARTS_MAX];
    double assumed; /* the largest share of a label's charge that was made up */
    unsigned hazards;
};

static const struct reckon_option mix_options[] = {
    { "--ml-per-l", RECKON_NUMBER, "mL/L", 0.001, 1000,
        "begins a stock: the salts after it are grams in a litre of stock, of which so much goes "
        "into a litre of mix; salts before the first are grams in a litre of the mix itself" },
    RECKON_WATER_OPTION,
    { "--temperature", RECKON_NUMBER, "degC", 0, 50, "of the mix; 25 without it" },
    { "--store", RECKON_NUMBER, "degC", 0, 40,
        "where the stocks stand, to say what crystallises; 15 without it" },
    { .name = NULL },
};

static int add_word(const struct reckon_args *a, struct mixing *m, const char *text)
{
    struct salt salt;
    struct reckon_salt read;
    const int code = reckon_read_salt(a, &salt, &read, text);
    if (code != RECKON_GO_ON) return code;
    struct part *part = &m->part[m->parts - 1];
    double grams = read.grams;
    if (isnan(grams) && !isnan(read.density)) grams = 1000 * read.density; /* as it is */
    if (isnan(grams))
        return reckon_refuse(a, EX_USAGE, text,
            "how much of it is missing: NAME=GRAMS, or density=G_ML for a liquid used as it is");
    salt_dissolve(&part->holds, &salt, grams);
    part->g_l += grams;
    m->hazards |= read.hazards;
    if (read.assumed_of_total > m->assumed) m->assumed = read.assumed_of_total;
    return RECKON_GO_ON;
}

static int read_parts(const struct reckon_args *a, struct mixing *m)
{
    *m = (struct mixing){ .parts = 1, .part = { { .ml_per_l = 1000 } } };
    for (uint32_t i = 0; i < a->count; i++) {
        const struct reckon_word *w = &a->word[i];
        int code = RECKON_GO_ON;
        if (!w->option)
            code = add_word(a, m, w->text);
        else if (strcmp(w->option->name, "--ml-per-l") != 0)
            continue;
        else if (m->parts == PARTS_MAX)
            code = reckon_refuse(a, EX_USAGE, "--ml-per-l", "seven stocks at most");
        else
            m->part[m->parts++] = (struct part){ .ml_per_l = w->number };
        if (code != RECKON_GO_ON) return code;
    }
    return RECKON_GO_ON;
}

static void note_assumed(struct sheet *s, double assumed)
{
    if (assumed < 0.005) return;
    char text[300];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "A label doesn't close in charge: up to ");
    text_add_real(&t, 100 * assumed, 0);
    text_add(
        &t, " % of its cations' charge was made up with sulfate, chloride or sodium (label.h).");
    sheet_note(s, text);
}

static int show_parts(const struct reckon_args *a, struct sheet *s, const struct mixing *m,
    const struct water *source)
{
    static const char *const names[PARTS_MAX] = { "0", "1", "2", "3", "4", "5", "6", "7" };
    struct reckon_stock stocks[PARTS_MAX];
    for (uint32_t i = 1; i < m->parts; i++) {
        const struct part *p = &m->part[i];
        stocks[i - 1] =
            (struct reckon_stock){ "Stock", names[i], p->ml_per_l, p->g_l, &p->holds.water };
    }
    const int code = reckon_show_stocks(a, s, stocks, m->parts - 1);
    return code == RECKON_GO_ON ? reckon_show_meetings(a, s, stocks, m->parts - 1, source) : code;
}

static int run_mix(const struct reckon_args *a)
{
    struct mixing m;
    struct solution mix = { 0 };
    struct analysis_report report;
    int code = read_parts(a, &m);
    if (code == RECKON_GO_ON) code = reckon_read_water(a, &mix.water, &report);
    if (code != RECKON_GO_ON) return code;
    const struct water source = mix.water;
    for (uint32_t i = 0; i < m.parts; i++) {
        solution_add(&mix, &m.part[i].holds, m.part[i].ml_per_l / 1000);
    }
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    const struct reckon_state state = { &mix, reckon_number(a, "--temperature", 25) };
    code = show_parts(a, s, &m, &source);
    if (code == RECKON_GO_ON) code = reckon_show_solution(a, s, &state);
    if (reckon_given(a, "--water")) reckon_note_water(s, &report);
    note_assumed(s, m.assumed);
    if (m.parts > 1)
        sheet_note(s,
            "The stocks are taken as made with the same water; the volume of the salts is "
            "left out.");
    sheet_caution(s, m.hazards | (m.parts > 1 ? CAUTION_STOCKS : 0U));
    if (code == RECKON_GO_ON) code = sheet_print(s);
    sheet_free(s);
    return code;
}

const struct reckon_topic reckon_mix_topic = {
    .name = "mix",
    .words = "[SALT=GRAMS ...] [--ml-per-l N SALT=GRAMS ...] [--water ...] ",
    .about =
        "salts and stocks in a source water: ions, nutrients, pH, EC, what falls out\n"
        "\n"
        "SALT is a formula (\"Ca(NO3)2.4H2O=118\"), a name from 'dosewright reckon salts', or a\n"
        "label: label,n=15.5,ammonium_n=1.1,ca=19,grams=100 for a powder, or with density=1.15\n"
        "for a liquid that is used as it is.\n"
        "\n"
        "  dosewright reckon mix --water ca=52,alkalinity=2.6,ph=7.4 \\\n"
        "      --ml-per-l 10 calcium-nitrate=118 \\\n"
        "      --ml-per-l 10 KNO3=50.5 KH2PO4=13.6 magnesium-sulfate=49.3\n",
    .options = mix_options,
    .run = run_mix,
};

/* --- salts ------------------------------------------------------------------------------------ */

static void show_salt(struct sheet *s, const char *word, const char *formula)
{
    struct salt salt;
    if (salt_read(&salt, formula, NULL) != ERR_NONE) return;
    struct solution one = { 0 };
    char shares[160];
    struct text t = text_over(shares, sizeof shares);
    salt_dissolve(&one, &salt, 0.1); /* so that mg/L are per cent */
    text_add(&t, formula);
    text_add(&t, ", ");
    text_add_real(&t, salt.g_per_mol, 2);
    text_add(&t, " g/mol;");
    for (int n = 0; n < NUTRIENT_COUNT; n++) {
        const double percent = nutrient_mg_l(&one, (enum nutrient)n);
        const bool part = n == NUTRIENT_NITRATE_N || n == NUTRIENT_AMMONIUM_N;
        if (!(percent > 0) || part) continue;
        text_add(&t, " ");
        text_add(&t, nutrient_word((enum nutrient)n));
        text_add(&t, " ");
        text_add_real(&t, percent, 2);
    }
    text_add(&t, " %");
    sheet_words(s, word, word, shares, "");
    sheet_caution(s, salt_hazards(&salt));
}

static int run_salts(const struct reckon_args *a)
{
    const char *formula;
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "salts", "names for salts");
    for (size_t i = 0; salt_name(i, &formula); i++) {
        show_salt(s, salt_name(i, &formula), formula);
    }
    sheet_note(s,
        "Molar masses and shares from IUPAC's abridged standard atomic weights (2021); the "
        "hydrates are the usual ones (common practice, no source).");
    const int code = sheet_print(s);
    sheet_free(s);
    return code;
}

static const struct reckon_option salts_options[] = { { .name = NULL } };

const struct reckon_topic reckon_salts_topic = {
    .name = "salts",
    .words = "",
    .about = "names that can be given instead of formulas\n",
    .options = salts_options,
    .run = run_salts,
};
