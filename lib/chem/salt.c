#include "lib/chem/salt.h"

#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"

enum { CITRATE_CARBONS = 6, CHELATE_CARBONS_LEAST = 8, CHELATE_OXYGENS_LEAST = 4 };

/* One atom of the element becomes one ion, which takes this many oxygen and hydrogen atoms. */
static const struct rule {
    enum formula_element element;
    enum ion ion;
    int64_t oxygen, hydrogen;
} rules[] = {
    { ELEMENT_K, ION_K, 0, 0 },
    { ELEMENT_NA, ION_NA, 0, 0 },
    { ELEMENT_CA, ION_CA, 0, 0 },
    { ELEMENT_MG, ION_MG, 0, 0 },
    { ELEMENT_MN, ION_MN, 0, 0 },
    { ELEMENT_ZN, ION_ZN, 0, 0 },
    { ELEMENT_CU, ION_CU, 0, 0 },
    { ELEMENT_FE, ION_FE, 0, 0 },
    { ELEMENT_CL, ION_CL, 0, 0 },
    { ELEMENT_S, ION_SO4, 4, 0 },
    { ELEMENT_P, ION_PO4, 4, 0 },
    { ELEMENT_B, ION_BO3, 3, 3 },
    { ELEMENT_MO, ION_MOO4, 4, 0 },
    { ELEMENT_SI, ION_SIO3, 4, 4 },
};

/* Whole ions in one formula unit, and the oxygen and hydrogen that they took. */
struct parts {
    int64_t ion[ION_COUNT];
    int64_t held[HELD_COUNT];
    int64_t oxygen, hydrogen;
};

static const enum formula_element held_elements[HELD_COUNT] = {
    [HELD_FE] = ELEMENT_FE,
    [HELD_MN] = ELEMENT_MN,
    [HELD_ZN] = ELEMENT_ZN,
    [HELD_CU] = ELEMENT_CU,
};

static enum err refuse(struct problem *problem, const char *text, const char *why)
{
    char said[PROBLEM_TEXT_MAX];
    struct text t = text_over(said, sizeof said);
    text_add(&t, "the formula ");
    text_add_quoted(&t, text, strlen(text), 64);
    text_add(&t, ": ");
    text_add(&t, why);
    return problem_set(problem, ERR_RANGE, "", said);
}

static void add_ions(struct parts *p, enum ion ion, int64_t count, const int64_t taken[2])
{
    p->ion[ion] += count;
    p->oxygen += count * taken[0];
    p->hydrogen += count * taken[1];
}

/* H+ (or less OH-) that are left when all other hydrogen and oxygen is water; charge included, 0
 * for a formula whose every atom has its place. */
static int64_t charge_left(const struct parts *p, const struct formula *f)
{
    const int64_t water = f->atoms[ELEMENT_O] - p->oxygen;
    int64_t charge = f->atoms[ELEMENT_H] - p->hydrogen - 2 * water;
    for (int i = 0; i < ION_COUNT; i++) {
        charge += p->ion[i] * ion_charge((enum ion)i);
    }
    return charge;
}

/* --- salts ------------------------------------------------------------------------------------ */

static struct parts take_apart(const struct formula *f)
{
    struct parts p = { 0 };
    for (size_t i = 0; i < sizeof rules / sizeof rules[0]; i++) {
        const struct rule *r = &rules[i];
        add_ions(&p, r->ion, f->atoms[r->element], (int64_t[]){ r->oxygen, r->hydrogen });
    }
    add_ions(&p, ION_NH4, f->ammonium, (int64_t[]){ 0, 4 });
    add_ions(&p, ION_NO3, f->atoms[ELEMENT_N] - f->ammonium, (int64_t[]){ 3, 0 });
    return p;
}

/* Carbon is carbonate or citrate, whichever makes the charges close. */
static bool close_charges(struct parts *p, const struct formula *f)
{
    const int64_t carbons = f->atoms[ELEMENT_C];
    struct parts carbonate = *p, citrate = *p;
    add_ions(&carbonate, ION_CO3, carbons, (int64_t[]){ 3, 0 });
    add_ions(&citrate, ION_CIT, carbons / CITRATE_CARBONS, (int64_t[]){ 7, 5 });
    if (charge_left(&carbonate, f) == 0) {
        *p = carbonate;
        return true;
    }
    if (carbons % CITRATE_CARBONS != 0 || charge_left(&citrate, f) != 0) return false;
    *p = citrate;
    return true;
}

static enum err read_plain(
    struct parts *ret, const struct formula *f, const char *text, struct problem *problem)
{
    struct parts p = take_apart(f);
    int64_t ions = 0;
    if (!close_charges(&p, f)) {
        return refuse(problem, text,
            f->atoms[ELEMENT_FE] > 0
                ? "its charges don't close; free iron is iron(II) here, as in FeSO4.7H2O"
                : "its atoms don't add up to the ions known here: K Na NH4 Ca Mg Mn Zn Cu Fe(II), "
                  "NO3 Cl SO4 PO4 CO3 B(OH)3 citrate MoO4 Si(OH)4, with H+ or OH-");
    }
    for (int i = 0; i < ION_COUNT; i++) {
        ions += p.ion[i];
    }
    if (ions == 0) return refuse(problem, text, "nothing in it dissolves into ions known here");
    *ret = p;
    return ERR_NONE;
}

/* --- chelates --------------------------------------------------------------------------------- */

static int64_t metals_in(const struct formula *f)
{
    int64_t metals = 0;
    for (int m = 0; m < HELD_COUNT; m++) {
        metals += f->atoms[held_elements[m]];
    }
    return metals;
}

static bool is_chelate(const struct formula *f)
{
    return f->atoms[ELEMENT_C] > 0 && f->atoms[ELEMENT_N] > f->ammonium && metals_in(f) > 0;
}

static enum err read_chelate(
    struct parts *ret, const struct formula *f, const char *text, struct problem *problem)
{
    static const enum formula_element foreign[] = { ELEMENT_B, ELEMENT_MG, ELEMENT_SI, ELEMENT_P,
        ELEMENT_S, ELEMENT_CL, ELEMENT_CA, ELEMENT_MO };
    const int64_t metals = metals_in(f);
    if (f->atoms[ELEMENT_C] < CHELATE_CARBONS_LEAST * metals ||
        f->atoms[ELEMENT_O] < CHELATE_OXYGENS_LEAST * metals)
        return refuse(problem, text, "this isn't a chelate of EDTA or its kin, and no salt either");
    for (size_t i = 0; i < sizeof foreign / sizeof foreign[0]; i++) {
        if (f->atoms[foreign[i]] > 0)
            return refuse(problem, text,
                "a chelate of iron, manganese, zinc or copper with K, Na or NH4 was expected");
    }
    struct parts p = { 0 };
    p.ion[ION_K] = f->atoms[ELEMENT_K];
    p.ion[ION_NA] = f->atoms[ELEMENT_NA];
    p.ion[ION_NH4] = f->ammonium;
    p.ion[ION_FEEDTA] = p.ion[ION_K] + p.ion[ION_NA] + p.ion[ION_NH4];
    if (p.ion[ION_FEEDTA] == 0)
        return refuse(problem, text,
            "write a chelate with the K, Na or NH4 beside it, as in C10H12FeN2NaO8.3H2O");
    for (int m = 0; m < HELD_COUNT; m++) {
        p.held[m] = f->atoms[held_elements[m]];
    }
    *ret = p;
    return ERR_NONE;
}

/* --- both ------------------------------------------------------------------------------------- */

enum err salt_read(struct salt *ret, const char *text, struct problem *problem)
{
    const char *named = salt_named(text);
    struct formula f;
    struct parts p = { 0 };
    enum err err = formula_read(&f, named ? named : text, problem);
    if (err == ERR_NONE)
        err = is_chelate(&f) ? read_chelate(&p, &f, text, problem)
                             : read_plain(&p, &f, text, problem);
    if (err != ERR_NONE) return err;
    struct salt salt = { .g_per_mol = f.g_per_mol };
    const double mmol_g = 1000.0 / f.g_per_mol;
    for (int i = 0; i < ION_COUNT; i++) {
        salt.per_g.mmol_l[i] = (double)p.ion[i] * mmol_g;
    }
    for (int m = 0; m < HELD_COUNT; m++) {
        salt.held_mmol_g[m] = (double)p.held[m] * mmol_g;
    }
    *ret = salt;
    return ERR_NONE;
}

void salt_dissolve(struct solution *sum, const struct salt *salt, double g_per_l)
{
    INVARIANT(g_per_l >= 0.0);
    water_add(&sum->water, &salt->per_g, g_per_l);
    for (int m = 0; m < HELD_COUNT; m++) {
        sum->held_mmol_l[m] += g_per_l * salt->held_mmol_g[m];
    }
}

void solution_add(struct solution *sum, const struct solution *part, double amount)
{
    INVARIANT(amount >= 0.0);
    water_add(&sum->water, &part->water, amount);
    for (int m = 0; m < HELD_COUNT; m++) {
        sum->held_mmol_l[m] += amount * part->held_mmol_l[m];
    }
}

/* --- hazards ---------------------------------------------------------------------------------- */

/* The charge of what isn't H+ or OH-, with weak ions at the charge that they have in a caustic
 * solution, or in an acid one: what is left over is hydroxide, or acid. */
static double charge_of(const struct salt *salt, bool caustic)
{
    const double *n = salt->per_g.mmol_l;
    double charge = 0.0;
    for (int i = 0; i < ION_COUNT; i++) {
        charge += n[i] * ion_charge((enum ion)i);
    }
    if (caustic) return charge + n[ION_PO4] + n[ION_CO3] - n[ION_BO3];
    return charge + 2.0 * (n[ION_PO4] + n[ION_CO3] + n[ION_CIT] + n[ION_MOO4]);
}

unsigned salt_hazards(const struct salt *salt)
{
    static const double slack = 1e-6; /* mmol/g: rounding */
    const double *n = salt->per_g.mmol_l, *held = salt->held_mmol_g;
    const double metals =
        n[ION_MN] + n[ION_ZN] + n[ION_CU] + held[HELD_MN] + held[HELD_ZN] + held[HELD_CU];
    unsigned hazards = 0;
    if (n[ION_NO3] > 0.0) hazards |= SALT_OXIDISER;
    if (charge_of(salt, true) > slack) hazards |= SALT_CAUSTIC;
    if (charge_of(salt, false) < -slack) hazards |= SALT_ACID;
    if (n[ION_BO3] > 0.0) hazards |= SALT_BORON;
    if (metals > 0.0) hazards |= SALT_METAL;
    return hazards;
}

/* --- names ------------------------------------------------------------------------------------ */

/* Trade names as growers' handbooks use them; the formulas are those of the usual hydrates (common
 * practice, no source). "calcium-nitrate-fertiliser" is the double salt that is sold in bags. */
static const struct {
    const char *word, *formula;
} names[] = {
    { "ammonium-molybdate", "(NH4)6Mo7O24.4H2O" },
    { "ammonium-nitrate", "NH4NO3" },
    { "ammonium-sulfate", "(NH4)2SO4" },
    { "borax", "Na2B4O7.10H2O" },
    { "boric-acid", "H3BO3" },
    { "calcium-chloride", "CaCl2.2H2O" },
    { "calcium-nitrate", "Ca(NO3)2.4H2O" },
    { "calcium-nitrate-fertiliser", "5Ca(NO3)2.NH4NO3.10H2O" },
    { "copper-sulfate", "CuSO4.5H2O" },
    { "iron-edta", "C10H12FeN2NaO8.3H2O" },
    { "iron-sulfate", "FeSO4.7H2O" },
    { "magnesium-nitrate", "Mg(NO3)2.6H2O" },
    { "magnesium-sulfate", "MgSO4.7H2O" },
    { "manganese-sulfate", "MnSO4.H2O" },
    { "monoammonium-phosphate", "NH4H2PO4" },
    { "monopotassium-phosphate", "KH2PO4" },
    { "potassium-bicarbonate", "KHCO3" },
    { "potassium-carbonate", "K2CO3" },
    { "potassium-chloride", "KCl" },
    { "potassium-hydroxide", "KOH" },
    { "potassium-nitrate", "KNO3" },
    { "potassium-sulfate", "K2SO4" },
    { "sodium-molybdate", "Na2MoO4.2H2O" },
    { "zinc-sulfate", "ZnSO4.7H2O" },
};

const char *salt_named(const char *word)
{
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (text_same(names[i].word, word)) return names[i].formula;
    }
    return NULL;
}

const char *salt_name(size_t index, const char **ret_formula)
{
    if (index >= sizeof names / sizeof names[0]) return NULL;
    *ret_formula = names[index].formula;
    return names[index].word;
}
