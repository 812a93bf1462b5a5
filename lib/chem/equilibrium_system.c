/* Sets up the equations of a water, and reads a settled state. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"
#include "lib/base/text.h"
#include "lib/chem/equilibrium_inside.h"

#define LN_10 2.302585092994046

/* log10 of CO2's solubility, CO2(g) = CO2(aq), mol/kg/atm: PHREEQC 3.8.9's refit of Plummer and
 * Busenberg 1982. */
static const struct log_k co2_solubility = { 10.5624, -2.3547e-2, -3972.8, 0.0, 5.8746e5,
    1.9194e-5 };

/* Volumes of ions at 25 degC, mL/mol: F. J. Millero, "The partial molal volumes of electrolytes in
 * aqueous solutions", 1972, and for H2PO4-, HCO3-, B(OH)3 the form that swims at pH 4 to 8 (from
 * memory); chelate and citrate are estimates. */
static const double volume_ml_mol[ION_COUNT] = {
    [ION_K] = 9.0,
    [ION_NA] = -1.2,
    [ION_NH4] = 17.9,
    [ION_CA] = -17.9,
    [ION_MG] = -21.2,
    [ION_MN] = -17.7,
    [ION_ZN] = -21.6,
    [ION_CU] = -24.5,
    [ION_FE] = -24.7,
    [ION_NO3] = 29.0,
    [ION_CL] = 17.8,
    [ION_SO4] = 14.0,
    [ION_PO4] = 29.1,
    [ION_CO3] = 24.3,
    [ION_BO3] = 39.2,
    [ION_CIT] = 100.0,
    [ION_MOO4] = 28.9,
    [ION_SIO3] = 55.0,
    [ION_FEEDTA] = 180.0,
};

/* Charge with which an ion counts towards the square-root term. */
static double effective_charge(int ion)
{
    if (ion == ION_PO4 || ion == ION_CO3 || ion == ION_CIT) return 1.0;
    return (double)ion_charge((enum ion)ion);
}

double water_kg_per_l(const struct water *water)
{
    const double redlich = 1.868, pure = 0.997045, least = 0.4;
    double volume_ml = 0.0, strength = 0.0;
    for (int i = 0; i < ION_COUNT; i++) {
        const double mol = water->mmol_l[i] / 1000.0, z = effective_charge(i);
        volume_ml += mol * volume_ml_mol[i];
        strength += 0.5 * mol * z * z;
    }
    volume_ml += redlich * strength * sqrt(strength);
    const double kg = pure * (1.0 - volume_ml / 1000.0);
    return kg > least ? kg : least;
}

/* --- range ------------------------------------------------------------------------------------ */

static enum err refuse(struct problem *problem, const char *what, double value, const char *allowed)
{
    char buffer[PROBLEM_TEXT_MAX];
    struct text t = text_over(buffer, sizeof buffer);
    text_add(&t, what);
    text_add(&t, " is ");
    text_add_real(&t, value, 3);
    text_add(&t, "; it can be ");
    text_add(&t, allowed);
    return problem_set(problem, ERR_RANGE, "", buffer);
}

static bool within(double x, double least, double most)
{
    return x >= least && x <= most; /* not-a-number isn't */
}

static enum err check_range(const struct setting *setting, struct problem *problem)
{
    if (!within(setting->degc, EQUILIBRIUM_DEGC_MIN, EQUILIBRIUM_DEGC_MAX))
        return refuse(problem, "the water's temperature", setting->degc, "0 to 50 degC");
    if (setting->air->open && !within(setting->air->log_pco2, -8.0, 0.0))
        return refuse(
            problem, "log10 of carbon dioxide's pressure", setting->air->log_pco2, "-8 to 0");
    double sum = 0.0;
    for (int i = 0; i < ION_COUNT; i++) {
        const double mmol_l = setting->water->mmol_l[i];
        if (!within(mmol_l, 0.0, EQUILIBRIUM_MMOL_L_MAX))
            return refuse(problem, ion_word((enum ion)i), mmol_l, "0 to 6000 mmol/L");
        sum += mmol_l;
    }
    if (sum > EQUILIBRIUM_SUM_MMOL_L_MAX)
        return refuse(problem, "the sum of all ions", sum, "at most 15000 mmol/L");
    return ERR_NONE;
}

/* --- equations -------------------------------------------------------------------------------- */

static const double least_mmol_l = 1e-12; /* below: none */

static void add_components(struct system *s, const struct setting *setting, int8_t place[ION_COUNT])
{
    const double per_kg = 1.0 / (1000.0 * s->kg_water_l);
    for (int i = 0; i < ION_COUNT; i++) {
        const double total = setting->water->mmol_l[i];
        const double dose = setting->per_dose ? setting->per_dose->mmol_l[i] : 0.0;
        place[i] = -1;
        if (s->open && i == ION_CO3) continue; /* it has no balance: CO2 is given */
        const double charge = per_kg * ion_charge((enum ion)i);
        s->total_h -= charge * total;
        s->dose_h -= charge * dose;
        if (total < least_mmol_l && dose < least_mmol_l) continue;
        place[i] = (int8_t)s->ions;
        s->ion[s->ions] = (int8_t)i;
        s->total[s->ions] = total * per_kg;
        s->dose[s->ions] = dose * per_kg;
        s->ions++;
    }
}

/* What the reactions need, species by species; parents come first. */
struct reactions {
    struct kelvin kelvin;
    int8_t place[ION_COUNT];     /* of a component in the system's list; -1: isn't there */
    bool there[SPECIES_COUNT];   /* all its components are, or CO2 stands for carbonate */
    double log_k[SPECIES_COUNT]; /* log10, overall */
};

static bool is_ion_there(const struct system *s, const struct reactions *r, int8_t ion)
{
    return r->place[ion] >= 0 || (s->open && ion == ION_CO3);
}

static void look_up(const struct system *s, struct reactions *r, enum species species)
{
    const struct species_row *row = species_row(species);
    bool there = row->parent < 0 || r->there[row->parent];
    if (species < (int)ION_COUNT) there = is_ion_there(s, r, (int8_t)species);
    if (row->ion >= 0) there = there && is_ion_there(s, r, row->ion);
    r->there[species] = there;
    if (!there) return;
    r->log_k[species] = log_k_at(&row->log_k, &r->kelvin);
    if (row->parent >= 0) r->log_k[species] += r->log_k[row->parent];
}

/* With CO2 given, a species' CO3-2 is CO2 + H2O - 2 H+. */
static void give_co2(const struct system *s, struct part *part, int of, const struct reactions *r)
{
    part->log_k += of * (s->log_a_co2 - LN_10 * r->log_k[SP_CO2]);
    part->h -= 2 * of;
    part->h2o += of;
}

/* Components in ascending order of their places, H+ last. */
static void add_term(struct part *part, int8_t at, double of)
{
    int8_t to = part->terms++;
    while (to > 0 && part->at[to - 1] > at) {
        part->at[to] = part->at[to - 1];
        part->of[to] = part->of[to - 1];
        to--;
    }
    part->at[to] = at;
    part->of[to] = of;
}

static void make_part(
    const struct system *s, struct part *part, enum species species, const struct reactions *r)
{
    const struct species_make make = species_make(species);
    const struct species_row *row = species_row(species);
    *part = (struct part){ .species = (int8_t)species, .size = (int8_t)row->size };
    part->h = make.h;
    part->h2o = make.h2o;
    part->log_k = LN_10 * r->log_k[species];
    for (int i = 0; i < make.ions; i++) {
        if (r->place[make.ion[i]] >= 0)
            add_term(part, r->place[make.ion[i]], make.of[i]);
        else
            give_co2(s, part, make.of[i], r);
    }
    part->count = part->terms;
    if (part->h > 0.0 || part->h < 0.0) add_term(part, (int8_t)s->ions, part->h);
    const double z2 = row->charge * row->charge;
    part->half_z2 = 0.5 * z2;
    part->a_z2 = LN_10 * s->solvent.debye_a * z2;
    part->b = LN_10 * row->b + (row->size == SIZE_DAVIES ? 0.3 * part->a_z2 : 0.0);
}

enum err system_init(struct system *ret, const struct setting *setting, struct problem *problem)
{
    const enum err err = check_range(setting, problem);
    if (err != ERR_NONE) return err;
    struct system *s = ret;
    s->solvent = solvent_at(setting->degc);
    s->open = setting->air->open;
    s->ions = s->parts = 0;
    s->total_h = s->dose_h = s->log_a_co2 = 0.0;
    s->kg_water_l = water_kg_per_l(setting->water);
    struct reactions r;
    r.kelvin = kelvin_at(setting->degc);
    if (s->open)
        s->log_a_co2 = LN_10 * (log_k_at(&co2_solubility, &r.kelvin) + setting->air->log_pco2);
    add_components(s, setting, r.place);
    for (int i = 0; i < SPECIES_COUNT; i++) {
        look_up(s, &r, (enum species)i);
    }
    for (int i = 0; i < SPECIES_COUNT; i++) {
        if (r.there[i]) make_part(s, &s->part[s->parts++], (enum species)i, &r);
    }
    return ERR_NONE;
}

/* --- reading a state -------------------------------------------------------------------------- */

static double log_gamma(const struct part *part, const struct activity *a)
{
    return part->b * a->i - part->a_z2 * a->root[part->size];
}

void system_report(const struct system *s, const struct state *state, struct equilibrium *ret)
{
    const double absent = -999.0;
    const struct activity activity = activity_at(&s->solvent, state->i);
    *ret = (struct equilibrium){ .degc = s->solvent.degc, .kg_water_l = s->kg_water_l };
    ret->ph = -state->x_h / LN_10;
    ret->ionic_strength = state->i;
    ret->water_activity = real_exp(state->log_a_w);
    ret->rounds = state->rounds;
    double h = 0.0;
    for (int i = 0; i < ION_COUNT; i++) {
        ret->log_activity[i] = absent;
    }
    for (int k = 0; k < s->parts; k++) {
        const struct part *part = &s->part[k];
        double log_a = part->log_k + part->h * state->x_h + part->h2o * state->log_a_w;
        for (int c = 0; c < part->count; c++) {
            log_a += part->of[c] * state->x[part->at[c]];
        }
        ret->mol_kg[part->species] = real_exp(log_a - log_gamma(part, &activity));
        if (part->species < ION_COUNT) ret->log_activity[part->species] = log_a / LN_10;
        h += part->h * ret->mol_kg[part->species];
    }
    ret->charge_left_meq_l = (h - s->total_h - state->dose * s->dose_h) * 1000.0 * s->kg_water_l;
}

double equilibrium_log_pco2(const struct equilibrium *e)
{
    const double absent = -999.0;
    if (!(e->mol_kg[SP_CO2] > 0.0)) return absent;
    const struct kelvin kelvin = kelvin_at(e->degc);
    const double i = e->ionic_strength < ACTIVITY_I_MAX ? e->ionic_strength : ACTIVITY_I_MAX;
    return real_log10(e->mol_kg[SP_CO2]) + species_row(SP_CO2)->b * i -
           log_k_at(&co2_solubility, &kelvin);
}
