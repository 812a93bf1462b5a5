/* dosewright reckon acid and base: how much of a reagent moves a water or a tank to a pH. */
#include <math.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "daemon/tool/caution.h"
#include "lib/chem/acid.h"
#include "lib/chem/analysis.h"
#include "lib/chem/conductivity.h"
#include "lib/chem/element.h"

#define CLOSED_TOLD 0.005 /* meq/L */

static const char dose_basis[] =
    "charge balance over acids, anions and pairs of ions, solved for the reagent; constants in "
    "docs/chemistry.md";
static const char strength_basis[] = "per cent by weight * density / molar mass (IUPAC)";
static const char normality_basis[] = "normality as given, one proton of phosphoric acid counted";

static const struct reckon_option acid_options[] = {
    { "--percent", RECKON_NUMBER, "% by weight", 0.001, 100, "what the bottle says" },
    { "--density", RECKON_NUMBER, "g/mL", 0.5, 2.5, "what the bottle says" },
    { "--normality", RECKON_NUMBER, "eq/L", 0.0001, 40,
        "instead of the two; of phosphoric acid one proton counts, of sulfuric acid and potassium "
        "carbonate two, of citric acid three" },
    { "--to", RECKON_NUMBER, "pH", 1, 13, "the pH wanted" },
    { "--volume-l", RECKON_NUMBER, "L", 0.001, 1000000, "how much water; 1000 without it" },
    { "--from", RECKON_NUMBER, "pH", 1, 13,
        "what a probe shows now; the charges are closed to fit it. Without it pH is computed" },
    RECKON_WATER_OPTION,
    { "--temperature", RECKON_NUMBER, "degC", 0, 50, "of the water; 25 without it" },
    { .name = NULL },
};

struct acid {
    enum stock_reagent reagent;
    struct solution tank;
    struct analysis_report report;
    double mmol_ml, volume_l, degc;
    double closed_meq_l; /* to fit --from; > 0: with chloride */
    struct acid_plan plan;
    bool is_base;
    const char *strength_basis;
};

/* --- reading ---------------------------------------------------------------------------------- */

static bool is_base(enum stock_reagent reagent)
{
    return reagent == REAGENT_POTASSIUM_HYDROXIDE || reagent == REAGENT_POTASSIUM_CARBONATE ||
           reagent == REAGENT_POTASSIUM_BICARBONATE;
}

static int list_reagents(const struct reckon_args *a, bool bases, const char *word)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "the first word names the reagent:");
    for (int r = 0; r < REAGENT_COUNT; r++) {
        if (is_base((enum stock_reagent)r) != bases) continue;
        text_add_char(&t, ' ');
        text_add(&t, stock_reagent_word((enum stock_reagent)r));
    }
    return reckon_refuse(a, EX_USAGE, word, text);
}

static int read_strength(const struct reckon_args *a, struct acid *acid)
{
    struct problem problem;
    const bool by_weight = reckon_given(a, "--percent") && reckon_given(a, "--density");
    const bool by_normality = reckon_given(a, "--normality");
    if (by_weight == by_normality || (by_normality && reckon_given(a, "--percent")))
        return reckon_refuse(
            a, EX_USAGE, "", "the reagent's strength is --percent with --density, or --normality");
    acid->strength_basis = by_weight ? strength_basis : normality_basis;
    const enum err err = by_weight ? reagent_mmol_ml_by_weight(&acid->mmol_ml, acid->reagent,
                                         reckon_number(a, "--percent", 0),
                                         reckon_number(a, "--density", 0), &problem)
                                   : reagent_mmol_ml_by_normality(&acid->mmol_ml, acid->reagent,
                                         reckon_number(a, "--normality", 0), &problem);
    return err == ERR_NONE ? RECKON_GO_ON : reckon_problem(a, "", err, &problem);
}

static int read_words(const struct reckon_args *a, struct acid *acid)
{
    bool named = false;
    for (uint32_t i = 0; i < a->count; i++) {
        const char *word = a->word[i].text;
        struct salt salt;
        struct reckon_salt read;
        if (a->word[i].option) continue;
        if (!named) {
            if (!stock_reagent_read(&acid->reagent, word))
                return list_reagents(a, acid->is_base, word);
            if (is_base(acid->reagent) != acid->is_base)
                return list_reagents(a, acid->is_base, word);
            named = true;
            continue;
        }
        const int code = reckon_read_salt(a, &salt, &read, word);
        if (code != RECKON_GO_ON) return code;
        if (isnan(read.grams))
            return reckon_refuse(a, EX_USAGE, word, "grams in a litre of tank are missing");
        salt_dissolve(&acid->tank, &salt, read.grams);
    }
    return named ? RECKON_GO_ON : list_reagents(a, acid->is_base, "");
}

/* Makes the water have the pH that was measured. */
static int take_from(const struct reckon_args *a, struct acid *acid)
{
    if (!reckon_given(a, "--from")) return RECKON_GO_ON;
    const struct given_ph given = { .ph = reckon_number(a, "--from", 7), .degc = acid->degc };
    struct equilibrium e;
    struct problem problem;
    const enum err err = equilibrium_at_ph(&e, &acid->tank.water, &given, &problem);
    if (err != ERR_NONE) return reckon_problem(a, "--from", err, &problem);
    water_close_charge(&acid->tank.water, e.charge_left_meq_l);
    acid->closed_meq_l = e.charge_left_meq_l;
    return RECKON_GO_ON;
}

static int read_all(const struct reckon_args *a, struct acid *acid)
{
    struct water source;
    int code = reckon_need(a, (const char *const[]){ "--to", NULL });
    if (code == RECKON_GO_ON) code = read_words(a, acid);
    if (code == RECKON_GO_ON) code = read_strength(a, acid);
    if (code == RECKON_GO_ON) code = reckon_read_water(a, &source, &acid->report);
    if (code != RECKON_GO_ON) return code;
    water_add(&acid->tank.water, &source, 1);
    acid->volume_l = reckon_number(a, "--volume-l", 1000);
    acid->degc = reckon_number(a, "--temperature", 25);
    return take_from(a, acid);
}

/* --- showing ---------------------------------------------------------------------------------- */

static double ml_of(const struct acid *acid, const struct acid_dose *dose)
{
    return dose->mmol_l * acid->volume_l / acid->mmol_ml;
}

static void show_dose(
    struct sheet *s, const struct acid *acid, const struct acid_dose *dose, double ph_in_air)
{
    sheet_number(s, &(struct sheet_figure){ "ml", "reagent for the volume", ml_of(acid, dose), -1,
                        "mL", acid->strength_basis });
    sheet_number(
        s, &(struct sheet_figure){ "mmol_l", "which is", dose->mmol_l, -1, "mmol/L", dose_basis });
    sheet_number(
        s, &(struct sheet_figure){ "meq_l", "or", dose->mmol_l * reagent_equivalents(acid->reagent),
               -1, "meq/L", "equivalents in a mole (acid.h)" });
    sheet_number(s, &(struct sheet_figure){ "ph", "ends at pH", dose->ph, 2, "", dose_basis });
    if (isfinite(ph_in_air))
        sheet_number(s, &(struct sheet_figure){ "ph_in_air", "and when CO2 has left, at", ph_in_air,
                            2, "", "the same dose in balance with air, log10 pCO2 -3.377 atm" });
    sheet_words(s, "verdict", "verdict", acid_verdict_word(dose->verdict), "");
}

static void show_before(struct sheet *s, const struct acid *acid)
{
    const struct acid_dose *dose = &acid->plan.at_once;
    sheet_section(s, "before", "as it is");
    sheet_number(s, &(struct sheet_figure){ "volume", "volume", acid->volume_l, -1, "L", "" });
    sheet_number(s, &(struct sheet_figure){ "ph", "pH", dose->ph_before, 2, "", dose_basis });
    sheet_number(s, &(struct sheet_figure){ "ec", "EC at its temperature",
                        dose->ec_us_cm_before / 1000, 3, "mS/cm", "Robinson and Stokes 1959" });
    sheet_number(s, &(struct sheet_figure){ "strength", "a millilitre of the reagent holds",
                        acid->mmol_ml, -1, "mmol", acid->strength_basis });
}

static void show_brings(struct sheet *s, const struct acid *acid)
{
    static const char *const columns[] = { "mg/L", "mmol/L", NULL };
    const struct acid_dose *dose = &acid->plan.at_once;
    struct solution brings = { .water = reagent_ions(acid->reagent) };
    for (int i = 0; i < ION_COUNT; i++) {
        brings.water.mmol_l[i] *= dose->mmol_l;
    }
    sheet_table(s, "brings", "the dose at once brings", columns, "IUPAC abridged atomic weights");
    for (int n = 0; n < NUTRIENT_COUNT; n++) {
        const double values[] = { nutrient_mg_l(&brings, (enum nutrient)n),
            nutrient_mmol_l(&brings, (enum nutrient)n) };
        if (values[0] > 0 && n != NUTRIENT_NITRATE_N)
            sheet_row(s, nutrient_word((enum nutrient)n), values, NULL);
    }
    sheet_section(s, "ec", "EC");
    sheet_number(s, &(struct sheet_figure){ "change", "EC changes at once by",
                        (dose->ec_us_cm - dose->ec_us_cm_before) / 1000, 3, "mS/cm",
                        "Robinson and Stokes 1959" });
}

static void note_from(struct sheet *s, const struct acid *acid)
{
    char text[300];
    struct text t = text_over(text, sizeof text);
    if (fabs(acid->closed_meq_l) < CLOSED_TOLD) return;
    text_add(&t, "What was said to be dissolved doesn't have the pH of --from by itself: ");
    text_add_real(&t, fabs(acid->closed_meq_l), 3);
    text_add(&t, acid->closed_meq_l > 0 ? " meq/L of chloride" : " meq/L of sodium");
    text_add(&t, " was put in to fit. The less that is, the better the dose.");
    sheet_note(s, text);
}

static void add_notes(const struct reckon_args *a, struct sheet *s, const struct acid *acid)
{
    const struct acid_plan *p = &acid->plan;
    if (reckon_given(a, "--water")) reckon_note_water(s, &acid->report);
    note_from(s, acid);
    if (p->at_once.verdict == ACID_DOSE_FOUND && fabs(p->ph_after_air - p->at_once.ph) > 0.1)
        sheet_note(s,
            "The pH creeps as carbon dioxide comes into balance with the air, within hours in "
            "a tank that is stirred or aired: a second and third, smaller dose is no fault.");
    if (p->at_once.verdict == ACID_WRONG_WAY)
        sheet_note(s, "This reagent moves the pH away from what is wanted.");
    if (acid->reagent == REAGENT_CITRIC)
        sheet_note(s, "Citric acid feeds slime: its effect wears off as it is eaten.");
    sheet_note(s,
        "Dose a part of it, let the tank mix, measure, and go on: a tank's buffer falls as "
        "its carbonate goes. Dilute the reagent to 0.5 to 1 mol/L before it meets a pump.");
}

static int show(const struct reckon_args *a, const struct acid *acid)
{
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    show_before(s, acid);
    sheet_section(s, "at_once", "dose for now, CO2 kept in");
    show_dose(s, acid, &acid->plan.at_once, acid->plan.ph_after_air);
    sheet_section(s, "for_good", "dose to stay there in balance with air");
    show_dose(s, acid, &acid->plan.for_good, (double)NAN);
    show_brings(s, acid);
    add_notes(a, s, acid);
    sheet_caution(s, caution_of_reagent(acid->reagent));
    const int code = sheet_print(s);
    sheet_free(s);
    const enum acid_verdict v = acid->plan.at_once.verdict;
    const bool no = v == ACID_OUT_OF_REACH || v == ACID_WRONG_WAY;
    return code == EX_OK && no ? RECKON_ANSWER_NO : code;
}

static int run(const struct reckon_args *a, bool base)
{
    struct acid acid = { .is_base = base };
    struct problem problem;
    const int code = read_all(a, &acid);
    if (code != RECKON_GO_ON) return code;
    const struct acid_wish wish = { acid.reagent, reckon_number(a, "--to", 6), acid.degc,
        { false, AIR_LOG_PCO2 } };
    const enum err err = acid_plan_make(&acid.plan, &acid.tank.water, &wish, &problem);
    return err == ERR_NONE ? show(a, &acid) : reckon_problem(a, "", err, &problem);
}

static int run_acid(const struct reckon_args *a)
{
    return run(a, false);
}

static int run_base(const struct reckon_args *a)
{
    return run(a, true);
}

const struct reckon_topic reckon_acid_topic = {
    .name = "acid",
    .words = "REAGENT (--percent N --density N | --normality N) --to PH [SALT=GRAMS ...] ",
    .about =
        "acid to bring a source water or a tank down to a pH, now and for good\n"
        "\n"
        "REAGENT is nitric phosphoric sulfuric citric. SALT=GRAMS (per litre of tank, as in mix)\n"
        "says what is dissolved beside the water's own.\n"
        "\n"
        "  dosewright reckon acid nitric --percent 38 --density 1.234 --to 5.8 \\\n"
        "      --water alkalinity=2.6,ph=7.4 --volume-l 120\n",
    .options = acid_options,
    .run = run_acid,
};

const struct reckon_topic reckon_base_topic = {
    .name = "base",
    .words = "REAGENT (--percent N --density N | --normality N) --to PH [SALT=GRAMS ...] ",
    .about = "base to bring a tank up to a pH\n"
             "\n"
             "REAGENT is potassium-hydroxide potassium-carbonate potassium-bicarbonate.\n",
    .options = acid_options,
    .run = run_base,
};
