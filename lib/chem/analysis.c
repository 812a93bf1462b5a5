#include "lib/chem/analysis.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/chem/conductivity.h"
#include "lib/chem/element.h"
#include "lib/chem/equilibrium.h"

#define USUAL_PH 7.6
#define CACO3_G_PER_EQ 50.0435 /* half of 100.087 */
#define HCO3_G_PER_MOL 61.016
#define HARD_CALCIUM_SHARE (5.0 / 7.0)
#define CALCIUM_SHARE 0.5
#define MAGNESIUM_SHARE 0.2
#define ALKALINITY_LEAST 0.01 /* meq/L: below it a water has no carbonate to speak of */
#define EC_CLOSE 1e-6         /* of the EC */
#define REFERENCE_DEGC 25.0

enum { SALT_ROUNDS_MAX = 60 };

static const struct row {
    const char *word, *unit;
    const char *formula; /* of what is weighed for one mole of the ion; NULL: no ion of its own */
    enum ion ion;
    double least, most;
} rows[ANALYSIS_ITEM_COUNT] = {
    [ANALYSIS_CA] = { "ca", "mg/L", "Ca", ION_CA, 0, 20000 },
    [ANALYSIS_MG] = { "mg", "mg/L", "Mg", ION_MG, 0, 20000 },
    [ANALYSIS_NA] = { "na", "mg/L", "Na", ION_NA, 0, 20000 },
    [ANALYSIS_K] = { "k", "mg/L", "K", ION_K, 0, 20000 },
    [ANALYSIS_NH4] = { "nh4", "mg/L", "NH4", ION_NH4, 0, 20000 },
    [ANALYSIS_NH4_N] = { "nh4_n", "mg/L N", "N", ION_NH4, 0, 20000 },
    [ANALYSIS_FE] = { "fe", "mg/L", "Fe", ION_FE, 0, 20000 },
    [ANALYSIS_MN] = { "mn", "mg/L", "Mn", ION_MN, 0, 20000 },
    [ANALYSIS_ZN] = { "zn", "mg/L", "Zn", ION_ZN, 0, 20000 },
    [ANALYSIS_CU] = { "cu", "mg/L", "Cu", ION_CU, 0, 20000 },
    [ANALYSIS_NO3] = { "no3", "mg/L", "NO3", ION_NO3, 0, 20000 },
    [ANALYSIS_NO3_N] = { "no3_n", "mg/L N", "N", ION_NO3, 0, 20000 },
    [ANALYSIS_CL] = { "cl", "mg/L", "Cl", ION_CL, 0, 20000 },
    [ANALYSIS_SO4] = { "so4", "mg/L", "SO4", ION_SO4, 0, 20000 },
    [ANALYSIS_SO4_S] = { "so4_s", "mg/L S", "S", ION_SO4, 0, 20000 },
    [ANALYSIS_PO4] = { "po4", "mg/L", "PO4", ION_PO4, 0, 20000 },
    [ANALYSIS_PO4_P] = { "po4_p", "mg/L P", "P", ION_PO4, 0, 20000 },
    [ANALYSIS_B] = { "b", "mg/L", "B", ION_BO3, 0, 20000 },
    [ANALYSIS_SI] = { "si", "mg/L", "Si", ION_SIO3, 0, 20000 },
    [ANALYSIS_HCO3] = { "hco3", "mg/L", NULL, ION_CO3, 0, 20000 },
    [ANALYSIS_ALKALINITY_CACO3] = { "alkalinity_caco3", "mg/L CaCO3", NULL, ION_CO3, 0, 5000 },
    [ANALYSIS_ALKALINITY] = { "alkalinity", "meq/L", NULL, ION_CO3, 0, 100 },
    [ANALYSIS_HARDNESS_CACO3] = { "hardness_caco3", "mg/L CaCO3", NULL, ION_CA, 0, 20000 },
    [ANALYSIS_PH] = { "ph", "", NULL, ION_CO3, 3, 11 },
    [ANALYSIS_EC] = { "ec", "mS/cm", NULL, ION_NA, 0, 100 },
};

const char *analysis_word(enum analysis_item item)
{
    INVARIANT(item < ANALYSIS_ITEM_COUNT);
    return rows[item].word;
}

const char *analysis_unit(enum analysis_item item)
{
    INVARIANT(item < ANALYSIS_ITEM_COUNT);
    return rows[item].unit;
}

bool analysis_item_read(enum analysis_item *ret, const char *word)
{
    for (int i = 0; i < ANALYSIS_ITEM_COUNT; i++) {
        if (!text_same(rows[i].word, word)) continue;
        *ret = (enum analysis_item)i;
        return true;
    }
    return false;
}

/* --- is it sound ------------------------------------------------------------------------------ */

static enum err refuse_range(const struct row *row, double found, struct problem *problem)
{
    char said[PROBLEM_TEXT_MAX];
    struct text t = text_over(said, sizeof said);
    text_add(&t, row->word);
    text_add(&t, ": found ");
    text_add_real(&t, found, 3);
    text_add(&t, ", allowed ");
    text_add_real(&t, row->least, 0);
    text_add(&t, " to ");
    text_add_real(&t, row->most, 0);
    text_add_char(&t, ' ');
    text_add(&t, row->unit);
    return problem_set(problem, ERR_RANGE, "", said);
}

static enum err refuse_twice(enum analysis_item a, enum analysis_item b, struct problem *problem)
{
    char said[PROBLEM_TEXT_MAX];
    struct text t = text_over(said, sizeof said);
    text_add(&t, rows[a].word);
    text_add(&t, " and ");
    text_add(&t, rows[b].word);
    text_add(&t, " say the same thing twice; give one of them");
    return problem_set(problem, ERR_DUPLICATE, "", said);
}

static enum err check(const struct analysis *a, struct problem *problem)
{
    static const enum analysis_item same[][2] = { { ANALYSIS_NH4, ANALYSIS_NH4_N },
        { ANALYSIS_NO3, ANALYSIS_NO3_N }, { ANALYSIS_SO4, ANALYSIS_SO4_S },
        { ANALYSIS_PO4, ANALYSIS_PO4_P }, { ANALYSIS_HCO3, ANALYSIS_ALKALINITY_CACO3 },
        { ANALYSIS_HCO3, ANALYSIS_ALKALINITY },
        { ANALYSIS_ALKALINITY_CACO3, ANALYSIS_ALKALINITY } };
    for (int i = 0; i < ANALYSIS_ITEM_COUNT; i++) {
        const double x = a->value[i];
        if (a->given[i] && !(x >= rows[i].least && x <= rows[i].most))
            return refuse_range(&rows[i], x, problem);
    }
    for (size_t i = 0; i < sizeof same / sizeof same[0]; i++) {
        if (a->given[same[i][0]] && a->given[same[i][1]])
            return refuse_twice(same[i][0], same[i][1], problem);
    }
    if (!(a->degc >= EQUILIBRIUM_DEGC_MIN && a->degc <= EQUILIBRIUM_DEGC_MAX))
        return problem_set(
            problem, ERR_RANGE, "", "the temperature of an analysis is 0 to 50 degC");
    return ERR_NONE;
}

/* --- what it says ----------------------------------------------------------------------------- */

static double mass_of(const char *formula)
{
    struct formula f;
    const enum err err = formula_read(&f, formula, NULL);
    INVARIANT(err == ERR_NONE);
    return f.g_per_mol;
}

static bool is_any_cation_given(const struct analysis *a)
{
    if (a->given[ANALYSIS_HARDNESS_CACO3]) return true;
    for (int i = ANALYSIS_CA; i <= ANALYSIS_NH4_N; i++) {
        if (a->given[i]) return true;
    }
    return false;
}

static void take_ions(struct water *w, const struct analysis *a)
{
    for (int i = 0; i < ANALYSIS_ITEM_COUNT; i++) {
        if (a->given[i] && rows[i].formula)
            w->mmol_l[rows[i].ion] = a->value[i] / mass_of(rows[i].formula);
    }
}

/* Calcium and magnesium from their sum, as far as the report doesn't give them itself. */
static void take_hardness(struct water *w, struct analysis_report *r, const struct analysis *a)
{
    if (!a->given[ANALYSIS_HARDNESS_CACO3]) return;
    const double mmol = a->value[ANALYSIS_HARDNESS_CACO3] / CACO3_G_PER_EQ / 2.0;
    const double ca = w->mmol_l[ION_CA], mg = w->mmol_l[ION_MG];
    if (a->given[ANALYSIS_CA] && a->given[ANALYSIS_MG]) return;
    if (a->given[ANALYSIS_CA]) {
        w->mmol_l[ION_MG] = mmol > ca ? mmol - ca : 0.0;
    } else if (a->given[ANALYSIS_MG]) {
        w->mmol_l[ION_CA] = mmol > mg ? mmol - mg : 0.0;
    } else {
        w->mmol_l[ION_CA] = mmol * HARD_CALCIUM_SHARE;
        w->mmol_l[ION_MG] = mmol * (1.0 - HARD_CALCIUM_SHARE);
        r->assumed |= ANALYSIS_ASSUMED_HARDNESS_SPLIT;
    }
}

/* Anions that keep their charge whatever the pH, phosphate as H2PO4-. */
static double strong_anions_meq_l(const struct water *w)
{
    return w->mmol_l[ION_NO3] + w->mmol_l[ION_CL] + 2.0 * w->mmol_l[ION_SO4] + w->mmol_l[ION_PO4];
}

static double alkalinity_of(
    struct analysis_report *r, const struct analysis *a, const struct water *w)
{
    if (a->given[ANALYSIS_ALKALINITY]) return a->value[ANALYSIS_ALKALINITY];
    if (a->given[ANALYSIS_HCO3]) return a->value[ANALYSIS_HCO3] / HCO3_G_PER_MOL;
    if (a->given[ANALYSIS_ALKALINITY_CACO3])
        return a->value[ANALYSIS_ALKALINITY_CACO3] / CACO3_G_PER_EQ;
    const double excess = water_cations_meq_l(w) - strong_anions_meq_l(w);
    if (!is_any_cation_given(a) || !(excess > 0.0)) return 0.0;
    r->assumed |= ANALYSIS_ASSUMED_ALKALINITY;
    return excess;
}

/* Cations for the alkalinity of a report that names none. */
static void assume_cations(struct water *w, struct analysis_report *r, const struct analysis *a)
{
    if (is_any_cation_given(a)) return;
    const double meq = r->alkalinity_meq_l, anions = strong_anions_meq_l(w);
    if (!(meq + anions > 0.0)) return;
    w->mmol_l[ION_CA] = CALCIUM_SHARE * meq / 2.0;
    w->mmol_l[ION_MG] = MAGNESIUM_SHARE * meq / 2.0;
    w->mmol_l[ION_NA] = (1.0 - CALCIUM_SHARE - MAGNESIUM_SHARE) * meq + anions;
    r->assumed |= ANALYSIS_ASSUMED_CATIONS;
}

/* --- does it close ---------------------------------------------------------------------------- */

static void judge(struct analysis_report *r, double left_meq_l, double cations_meq_l)
{
    r->cations_meq_l = cations_meq_l;
    r->anions_meq_l = cations_meq_l - left_meq_l;
    const double both = r->cations_meq_l + r->anions_meq_l, anions = r->anions_meq_l;
    r->percent = both > 0.0 ? 100.0 * left_meq_l / both : 0.0;
    r->closed_with = left_meq_l > 0.0 ? ION_CL : ION_NA;
    r->closed_meq_l = fabs(left_meq_l);
    const double off = fabs(r->percent);
    const bool good = anions <= 3.0 ? fabs(left_meq_l) <= 0.2 : off <= (anions <= 10.0 ? 2.0 : 5.0);
    r->verdict = good ? ANALYSIS_BALANCED : ANALYSIS_UNBALANCED;
    if ((r->assumed & (ANALYSIS_ASSUMED_CATIONS | ANALYSIS_ASSUMED_ALKALINITY)) != 0)
        r->verdict = ANALYSIS_NOT_JUDGED;
}

static enum err close_it(
    struct water *w, struct analysis_report *r, const struct analysis *a, struct problem *problem)
{
    const struct given_ph given = { .ph = r->ph, .degc = a->degc };
    double left = water_cations_meq_l(w) - strong_anions_meq_l(w);
    enum err err = ERR_NONE;
    if (r->alkalinity_meq_l >= ALKALINITY_LEAST)
        err = water_from_alkalinity(w, r->alkalinity_meq_l, &given, &left, problem);
    if (err != ERR_NONE) return err;
    judge(r, left, water_cations_meq_l(w));
    water_close_charge(w, left);
    return ERR_NONE;
}

/* --- EC --------------------------------------------------------------------------------------- */

static enum err ec_of(double *ret, const struct water *w, struct problem *problem)
{
    static const struct air closed = { 0 };
    struct equilibrium e;
    const enum err err = equilibrium_solve(&e, w, REFERENCE_DEGC, &closed, problem);
    if (err == ERR_NONE) *ret = equilibrium_ec_us_cm(&e);
    return err;
}

/* Sodium chloride until the EC is what the report says: its EC is nearly a straight line, so each
 * round takes the slope of the last. */
static enum err add_salt(
    struct water *w, struct analysis_report *r, double us_cm, struct problem *problem)
{
    double slope = 120.0; /* uS/cm for each mmol/L, dilute sodium chloride */
    for (int round = 0; round < SALT_ROUNDS_MAX; round++) {
        const double before = r->ec_us_cm, add = (us_cm - before) / slope;
        if (fabs(us_cm - before) <= EC_CLOSE * us_cm) break;
        if (w->mmol_l[ION_NA] + add < 0.0 || w->mmol_l[ION_CL] + add < 0.0) break;
        w->mmol_l[ION_NA] += add;
        w->mmol_l[ION_CL] += add;
        const enum err err = ec_of(&r->ec_us_cm, w, problem);
        if (err != ERR_NONE) return err;
        const double found = (r->ec_us_cm - before) / add;
        if (found > 0.0) slope = found;
    }
    r->assumed |= ANALYSIS_ASSUMED_SALT;
    return ERR_NONE;
}

static bool knows_little(const struct analysis *a)
{
    for (int i = 0; i < ANALYSIS_ITEM_COUNT; i++) {
        const bool ion = rows[i].formula || i == ANALYSIS_HARDNESS_CACO3;
        if (ion && a->given[i]) return false;
    }
    return true;
}

static enum err look_at_ec(
    struct water *w, struct analysis_report *r, const struct analysis *a, struct problem *problem)
{
    const enum err err = ec_of(&r->ec_us_cm, w, problem);
    const double us_cm = 1000.0 * a->value[ANALYSIS_EC];
    if (err != ERR_NONE || !a->given[ANALYSIS_EC] || !knows_little(a)) return err;
    return us_cm > r->ec_us_cm ? add_salt(w, r, us_cm, problem) : ERR_NONE;
}

static unsigned missing_of(const struct analysis *a, unsigned assumed)
{
    static const enum analysis_item cations[] = { ANALYSIS_CA, ANALYSIS_MG, ANALYSIS_NA,
        ANALYSIS_K };
    unsigned missing = 0;
    for (size_t i = 0; i < sizeof cations / sizeof cations[0]; i++) {
        const bool hard = a->given[ANALYSIS_HARDNESS_CACO3] && i < 2;
        if (!a->given[cations[i]] && !hard) missing |= 1U << cations[i];
    }
    if ((assumed & ANALYSIS_ASSUMED_CATIONS) != 0) missing = 0;
    if (!a->given[ANALYSIS_NO3] && !a->given[ANALYSIS_NO3_N]) missing |= 1U << ANALYSIS_NO3;
    if (!a->given[ANALYSIS_CL]) missing |= 1U << ANALYSIS_CL;
    if (!a->given[ANALYSIS_SO4] && !a->given[ANALYSIS_SO4_S]) missing |= 1U << ANALYSIS_SO4;
    return missing;
}

enum err analysis_read(struct water *ret_water, struct analysis_report *ret_report,
    const struct analysis *analysis, struct problem *problem)
{
    struct water w = { 0 };
    struct analysis_report r = { .ph = USUAL_PH };
    enum err err = check(analysis, problem);
    if (err != ERR_NONE) return err;
    if (analysis->given[ANALYSIS_PH])
        r.ph = analysis->value[ANALYSIS_PH];
    else
        r.assumed |= ANALYSIS_ASSUMED_PH;
    take_ions(&w, analysis);
    take_hardness(&w, &r, analysis);
    r.alkalinity_meq_l = alkalinity_of(&r, analysis, &w);
    assume_cations(&w, &r, analysis);
    err = close_it(&w, &r, analysis, problem);
    if (err == ERR_NONE) err = look_at_ec(&w, &r, analysis, problem);
    if (err != ERR_NONE) return err;
    r.missing = missing_of(analysis, r.assumed);
    *ret_water = w;
    *ret_report = r;
    return ERR_NONE;
}

/* --- words ------------------------------------------------------------------------------------ */

static void say_balance(struct text *t, const struct analysis_report *r)
{
    text_add(t, "cations ");
    text_add_real(t, r->cations_meq_l, 2);
    text_add(t, " meq/L, anions ");
    text_add_real(t, r->anions_meq_l, 2);
    text_add(t, " meq/L: ");
    switch (r->verdict) {
    case ANALYSIS_BALANCED:
        text_add(t, "balanced");
        break;
    case ANALYSIS_UNBALANCED:
        text_add(t, "NOT balanced (");
        text_add_real(t, r->percent, 1);
        text_add(t, r->percent > 0.0 ? " %: an anion is missing or a cation is too high)"
                                     : " %: a cation is missing or an anion is too high)");
        break;
    case ANALYSIS_NOT_JUDGED:
        text_add(t, "not judged, as part of it was assumed");
        break;
    }
    if (r->closed_meq_l < 0.005) return;
    text_add(t, "; closed with ");
    text_add_real(t, r->closed_meq_l, 2);
    text_add(t, r->closed_with == ION_CL ? " meq/L of chloride" : " meq/L of sodium");
}

static void say_missing(struct text *t, unsigned missing)
{
    bool first = true;
    for (int i = 0; i < ANALYSIS_ITEM_COUNT; i++) {
        if ((missing & (1U << i)) == 0) continue;
        text_add(t, first ? "; not given, taken as none: " : ", ");
        text_add(t, rows[i].word);
        first = false;
    }
}

void analysis_say(struct text *t, const struct analysis_report *report)
{
    static const struct {
        unsigned bit;
        const char *words;
    } assumed[] = {
        { ANALYSIS_ASSUMED_PH, "; pH not given, 7.6 assumed" },
        { ANALYSIS_ASSUMED_HARDNESS_SPLIT,
            "; hardness split into calcium and magnesium as 5 to 2" },
        { ANALYSIS_ASSUMED_CATIONS, "; no cation given, calcium, magnesium and sodium assumed" },
        { ANALYSIS_ASSUMED_ALKALINITY, "; no alkalinity given, taken as what closes the charges" },
        { ANALYSIS_ASSUMED_SALT, "; the rest of the EC taken as sodium chloride" },
    };
    say_balance(t, report);
    for (size_t i = 0; i < sizeof assumed / sizeof assumed[0]; i++) {
        if ((report->assumed & assumed[i].bit) != 0) text_add(t, assumed[i].words);
    }
    say_missing(t, report->missing);
}
