/* dosewright reckon stocks: from what the feed is to hold to grams for tanks A and B. */
#include <math.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "daemon/tool/caution.h"
#include "lib/chem/analysis.h"
#include "lib/chem/recipe.h"

#define ALKALINITY_TOLD 0.5 /* meq/L */

static const char squares_basis[] =
    "bounded least squares of (weight * miss / wanted), no salt below 0 (Lawson and Hanson 1974; "
    "Stark and Parker 1995)";

static const struct reckon_option stocks_options[] = {
    { "--have", RECKON_TEXT, "SALT", 0, 0,
        "a salt at hand, as in mix but without grams; again for each. most=N is the most of it in "
        "the feed (g/L), tank=A, B or AB (half in each) where it shall stand" },
    { "--weight", RECKON_TEXT, "NUTRIENT=N", 0, 0,
        "makes a miss of that nutrient count N times (up to 1000); 1 without it" },
    { "--tank-l", RECKON_NUMBER, "L", 0.01, 100000, "what each stock tank holds; 100 without it" },
    { "--factor", RECKON_NUMBER, "", 1, 1000,
        "litres of feed from a litre of A and a litre of B; 100 without it" },
    RECKON_WATER_OPTION,
    { "--temperature", RECKON_NUMBER, "degC", 0, 50, "of the feed; 25 without it" },
    { "--store", RECKON_NUMBER, "degC", 0, 40,
        "where the stock tanks stand, to say what crystallises; 15 without it" },
    { .name = NULL },
};

struct stocks {
    struct recipe_job job;
    struct recipe recipe;
    struct reckon_salt salt[RECIPE_SALTS_MAX];
    unsigned hazards;
    double tank_l, factor;
};

/* --- what is wanted --------------------------------------------------------------------------- */

/* "N=150", "NO3=10.75mmol". */
static int read_goal(const struct reckon_args *a, struct stocks *k, const char *word)
{
    static const char mmol[] = "mmol";
    char name[16];
    enum nutrient nutrient;
    double g_per_mol, amount;
    const char *equals = strchr(word, '=');
    const size_t length = equals ? (size_t)(equals - word) : sizeof name;
    if (length >= sizeof name)
        return reckon_refuse(a, EX_USAGE, word,
            "a goal is NUTRIENT=MG_L or NUTRIENT=...mmol, as in N=150 or Ca=4.5mmol");
    memcpy(name, word, length);
    name[length] = '\0';
    if (!nutrient_read(&nutrient, &g_per_mol, name))
        return reckon_refuse(a, EX_USAGE, word,
            "there are N NO3-N NH4-N P K Ca Mg S Na Cl Fe Mn Zn Cu B Mo Si, and NO3 NH4 SO4 PO4 "
            "H2PO4 "
            "P2O5 K2O");
    size_t digits = strlen(equals + 1);
    const bool in_mmol = digits > 4 && strcmp(equals + 1 + digits - 4, mmol) == 0;
    if (in_mmol) digits -= 4;
    if (!reckon_decimal(&amount, equals + 1, digits) || amount < 0)
        return reckon_refuse(
            a, EX_USAGE, word, "the amount isn't a plain decimal number of 0 or more");
    if (k->job.goals == RECIPE_GOALS_MAX) return reckon_refuse(a, EX_USAGE, word, "too many goals");
    k->job.goal[k->job.goals++] =
        (struct recipe_goal){ nutrient, in_mmol ? amount : amount / g_per_mol, 1 };
    return RECKON_GO_ON;
}

static int read_weight(const struct reckon_args *a, struct stocks *k, const char *word)
{
    const char *equals = strchr(word, '=');
    double weight;
    if (!equals || !reckon_decimal(&weight, equals + 1, strlen(equals + 1)))
        return reckon_refuse(a, EX_USAGE, "--weight", "a weight is NUTRIENT=N, as in N=3");
    for (uint32_t g = 0; g < k->job.goals; g++) {
        const char *name = nutrient_word(k->job.goal[g].nutrient);
        if (strlen(name) != (size_t)(equals - word)) continue;
        if (strncmp(name, word, strlen(name)) != 0) continue;
        k->job.goal[g].weight = weight;
        return RECKON_GO_ON;
    }
    return reckon_refuse(a, EX_USAGE, "--weight", "no goal is given for that nutrient");
}

static int read_have(const struct reckon_args *a, struct stocks *k, const char *word)
{
    if (k->job.salts == RECIPE_SALTS_MAX)
        return reckon_refuse(a, EX_USAGE, "--have", "24 salts at most");
    struct recipe_salt *to = &k->job.salt[k->job.salts];
    struct reckon_salt *read = &k->salt[k->job.salts++];
    const int code = reckon_read_salt(a, &to->salt, read, word);
    if (code != RECKON_GO_ON) return code;
    if (!isnan(read->grams))
        return reckon_refuse(a, EX_USAGE, word,
            "grams are what is looked for; most=N is the most of it, in g/L of feed");
    if (!isnan(read->density))
        return reckon_refuse(a, EX_USAGE, word, "a liquid can't be weighed into a stock here");
    to->word = read->name;
    to->most_g_l = isnan(read->most) ? (double)INFINITY : read->most;
    if (read->tank[0] != '\0') to->wish = read->tank[0] == 'B' ? RECIPE_B : RECIPE_A;
    if (read->tank[0] != '\0' && read->tank[1] == 'B') to->wish = RECIPE_BOTH;
    return RECKON_GO_ON;
}

static int read_job(const struct reckon_args *a, struct stocks *k)
{
    int code = RECKON_GO_ON;
    for (uint32_t i = 0; i < a->count && code == RECKON_GO_ON; i++) {
        const struct reckon_word *w = &a->word[i];
        if (!w->option)
            code = read_goal(a, k, w->text);
        else if (strcmp(w->option->name, "--have") == 0)
            code = read_have(a, k, w->text);
    }
    for (uint32_t i = 0; i < a->count && code == RECKON_GO_ON; i++) {
        const struct reckon_word *w = &a->word[i];
        if (w->option && strcmp(w->option->name, "--weight") == 0)
            code = read_weight(a, k, w->text);
    }
    return code;
}

/* --- what comes out --------------------------------------------------------------------------- */

static void show_grams(struct sheet *s, struct stocks *k)
{
    static const char *const columns[] = { "tank A g", "tank B g", "g/L feed", NULL };
    const double scale = k->tank_l * k->factor;
    sheet_table(s, "grams", "weigh in", columns, squares_basis);
    for (uint32_t i = 0; i < k->job.salts; i++) {
        const double values[] = { recipe_grams(&k->recipe, i, RECIPE_A, scale),
            recipe_grams(&k->recipe, i, RECIPE_B, scale), k->recipe.g_l[i] };
        sheet_row(s, k->salt[i].name, values, NULL);
        if (k->recipe.g_l[i] > 0) k->hazards |= k->salt[i].hazards;
    }
}

static void show_goals(struct sheet *s, const struct stocks *k)
{
    static const char *const columns[] = { "wanted", "reached", "off mg/L", "off %", NULL };
    sheet_table(s, "goals", "goals, mg/L of the element", columns, squares_basis);
    for (uint32_t g = 0; g < k->job.goals; g++) {
        const struct recipe_goal *goal = &k->job.goal[g];
        const double mass = nutrient_g_per_mol(goal->nutrient);
        const double miss = k->recipe.miss_mmol_l[g];
        const double values[] = { goal->mmol_l * mass, (goal->mmol_l + miss) * mass, miss * mass,
            goal->mmol_l > 0 ? 100 * miss / goal->mmol_l : (double)NAN };
        sheet_row(s, nutrient_word(goal->nutrient), values, NULL);
    }
}

static double grams_in(const struct stocks *k, enum recipe_tank tank)
{
    double g_l = 0;
    for (uint32_t i = 0; i < k->job.salts; i++) {
        g_l += recipe_grams(&k->recipe, i, tank, k->factor);
    }
    return g_l;
}

static int show_tanks(const struct reckon_args *a, struct sheet *s, const struct stocks *k)
{
    const struct solution in_a = recipe_stock(&k->job, &k->recipe, RECIPE_A, k->factor);
    const struct solution in_b = recipe_stock(&k->job, &k->recipe, RECIPE_B, k->factor);
    const double ml_per_l = 1000 / k->factor;
    const struct reckon_stock both[] = {
        { "Tank", "A", ml_per_l, grams_in(k, RECIPE_A), &in_a.water },
        { "Tank", "B", ml_per_l, grams_in(k, RECIPE_B), &in_b.water },
    };
    const int code = reckon_show_stocks(a, s, both, 2);
    const struct water *line = &k->job.source.water;
    return code == RECKON_GO_ON ? reckon_show_meetings(a, s, both, 2, line) : code;
}

static void note_alkalinity(struct sheet *s, const struct analysis_report *report)
{
    char text[300];
    struct text t = text_over(text, sizeof text);
    if (report->alkalinity_meq_l < ALKALINITY_TOLD) return;
    text_add(&t, "The water's alkalinity of ");
    text_add_real(&t, report->alkalinity_meq_l, 2);
    text_add(&t,
        " meq/L isn't neutralised by salts, and its cations stand in for theirs: nitrogen "
        "or phosphorus falls short until acid brings it. Add HNO3 or H3PO4 to --have, or see "
        "'dosewright reckon acid'.");
    sheet_note(s, text);
}

static int show(const struct reckon_args *a, struct sheet *s, struct stocks *k,
    const struct analysis_report *report)
{
    const struct reckon_state state = { &k->recipe.feed, reckon_number(a, "--temperature", 25) };
    show_grams(s, k);
    show_goals(s, k);
    int code = show_tanks(a, s, k);
    if (code == RECKON_GO_ON) code = reckon_show_solution(a, s, &state);
    if ((k->hazards & SALT_ACID) == 0) note_alkalinity(s, report);
    if ((k->hazards & SALT_ACID) != 0)
        sheet_note(
            s, "Grams of an acid are of the pure acid: of a liquid of 38 % take 100 / 38 as much.");
    sheet_note(s, "Calcium stands apart from phosphate and sulfate. Fill the tank to nine tenths, "
                  "dissolve one salt after the other, then fill up; the feed is a litre of A and a "
                  "litre of B made up to the factor's litres.");
    sheet_caution(s, k->hazards | CAUTION_STOCKS);
    return code;
}

static int solve(const struct reckon_args *a, struct stocks *k, struct analysis_report *report)
{
    struct problem problem;
    int code = read_job(a, k);
    if (code == RECKON_GO_ON) code = reckon_read_water(a, &k->job.source.water, report);
    if (code != RECKON_GO_ON) return code;
    k->tank_l = reckon_number(a, "--tank-l", 100);
    k->factor = reckon_number(a, "--factor", 100);
    const enum err err = recipe_solve(&k->recipe, &k->job, &problem);
    return err == ERR_NONE ? RECKON_GO_ON : reckon_problem(a, "", err, &problem);
}

static int run_stocks(const struct reckon_args *a)
{
    struct stocks k = { .hazards = 0 };
    struct analysis_report report;
    int code = solve(a, &k, &report);
    if (code != RECKON_GO_ON) return code;
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    code = show(a, s, &k, &report);
    if (reckon_given(a, "--water")) reckon_note_water(s, &report);
    if (code == RECKON_GO_ON) code = sheet_print(s);
    sheet_free(s);
    return code;
}

const struct reckon_topic reckon_stocks_topic = {
    .name = "stocks",
    .words = "NUTRIENT=AMOUNT ... --have SALT ... ",
    .about =
        "grams for stock tanks A and B from what the feed is to hold\n"
        "\n"
        "AMOUNT is mg/L of the nutrient as it is named (N, P2O5, SO4 ...), or mmol/L with mmol\n"
        "behind it. The way back, from grams to nutrients, is 'dosewright reckon mix'.\n"
        "\n"
        "  dosewright reckon stocks N=168 P=31 K=274 Ca=180 Mg=49 S=112 \\\n"
        "      --have calcium-nitrate --have KNO3 --have KH2PO4 --have K2SO4 \\\n"
        "      --have magnesium-sulfate --tank-l 50 --factor 100\n",
    .options = stocks_options,
    .run = run_stocks,
};
