/* Showing what is dissolved, and what follows from it. */
#include <math.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "lib/chem/analysis.h"
#include "lib/chem/conductivity.h"
#include "lib/chem/element.h"

#define REFERENCE_DEGC 25.0
#define PH_USUAL_LEAST 5.0
#define PH_USUAL_MOST 7.0

static const char mass_basis[] = "IUPAC abridged standard atomic weights (2021)";
static const char equilibrium_basis[] =
    "charge balance over acids, anions and pairs of ions, activities after Debye, Hueckel and "
    "Davies; constants in docs/chemistry.md";
static const char ec_basis[] = "Onsager's law with finite ions on what pairs leave free (Robinson "
                               "and Stokes 1959); within 2 % "
                               "of PHREEQC 3.8.9";

/* --- ions and nutrients ----------------------------------------------------------------------- */

/* Charge that an ion has whatever the pH; NaN for those that hold protons. */
static double charge_of(enum ion ion)
{
    if (ion == ION_PO4 || ion == ION_CO3 || ion == ION_CIT) return (double)NAN;
    return ion_charge(ion);
}

static void show_ions(struct sheet *s, const struct water *w)
{
    static const char *const columns[] = { "mmol/L", "mg/L", "meq/L", NULL };
    sheet_table(s, "ions", "ions", columns, mass_basis);
    for (int i = 0; i < ION_COUNT; i++) {
        const enum ion ion = (enum ion)i;
        const double mmol = w->mmol_l[i], mass = ion_g_per_mol(ion);
        const double values[] = { mmol, mass > 0 ? mmol * mass : (double)NAN,
            mmol * charge_of(ion) };
        if (mmol > 0) sheet_row(s, ion_word(ion), values, NULL);
    }
}

static void show_nutrients(struct sheet *s, const struct solution *solution)
{
    static const char *const columns[] = { "mg/L", "mmol/L", NULL };
    sheet_table(s, "nutrients", "nutrients", columns, mass_basis);
    for (int n = 0; n < NUTRIENT_COUNT; n++) {
        const enum nutrient nutrient = (enum nutrient)n;
        const double values[] = { nutrient_mg_l(solution, nutrient),
            nutrient_mmol_l(solution, nutrient) };
        if (values[0] > 0) sheet_row(s, nutrient_word(nutrient), values, NULL);
    }
}

static void show_charge(struct sheet *s, const struct water *w, const struct equilibrium *e)
{
    static const char basis[] =
        "sums; what phosphate, carbonate and their kin carry at this pH, with "
        "H+ and OH-, is what is left";
    double anions = 0;
    for (int i = 0; i < ION_COUNT; i++) {
        const double charge = charge_of((enum ion)i);
        if (charge < 0) anions -= charge * w->mmol_l[i];
    }
    const double cations = water_cations_meq_l(w);
    sheet_section(s, "charge", "charge");
    sheet_number(s, &(struct sheet_figure){ "cations", "cations", cations, 3, "meq/L", basis });
    sheet_number(
        s, &(struct sheet_figure){ "strong_anions", "strong anions", anions, 3, "meq/L", basis });
    sheet_number(s, &(struct sheet_figure){ "by_ph", "carried by what pH decides", cations - anions,
                        3, "meq/L", basis });
    sheet_number(s, &(struct sheet_figure){ "left", "left over in the balance",
                        equilibrium_charge_meq_l(e), 6, "meq/L", equilibrium_basis });
}

/* --- pH and EC -------------------------------------------------------------------------------- */

struct shown {
    struct equilibrium closed, open, at_25;
    double buffer;
};

static enum err solve(struct shown *ret, const struct reckon_state *state, struct problem *problem)
{
    static const struct air in = { 0 }, out = { true, AIR_LOG_PCO2 };
    const struct water *w = &state->solution->water;
    enum err err = equilibrium_solve(&ret->closed, w, state->degc, &in, problem);
    if (err == ERR_NONE) err = equilibrium_solve(&ret->open, w, state->degc, &out, problem);
    if (err == ERR_NONE) err = equilibrium_solve(&ret->at_25, w, REFERENCE_DEGC, &in, problem);
    if (err == ERR_NONE)
        err = equilibrium_buffer_mmol_l_ph(&ret->buffer, w, state->degc, &in, problem);
    return err;
}

static void show_result(struct sheet *s, const struct shown *e, double degc)
{
    sheet_section(s, "result", "result");
    sheet_number(s, &(struct sheet_figure){ "temperature", "at", degc, 1, "degC", "" });
    sheet_number(s,
        &(struct sheet_figure){ "ph", "pH, CO2 kept in", e->closed.ph, 2, "", equilibrium_basis });
    sheet_number(s, &(struct sheet_figure){ "ph_in_air", "pH, in balance with air", e->open.ph, 2,
                        "", "the same with log10 pCO2 -3.377 atm (420 ppm)" });
    sheet_number(s, &(struct sheet_figure){ "ec_25", "EC at 25 degC",
                        equilibrium_ec_us_cm(&e->at_25) / 1000, 3, "mS/cm", ec_basis });
    sheet_number(s, &(struct sheet_figure){ "ec_raw", "EC at that temperature, raw",
                        equilibrium_ec_us_cm(&e->closed) / 1000, 3, "mS/cm", ec_basis });
    sheet_number(s, &(struct sheet_figure){ "alkalinity", "alkalinity",
                        equilibrium_alkalinity_meq_l(&e->closed), 3, "meq/L", equilibrium_basis });
    sheet_number(s, &(struct sheet_figure){ "buffer", "buffer, strong base for 1 pH", e->buffer, 3,
                        "mmol/L", equilibrium_basis });
}

static void note_ph(struct sheet *s, const struct shown *e)
{
    if (e->closed.ph >= PH_USUAL_LEAST && e->closed.ph <= PH_USUAL_MOST) return;
    sheet_note(s,
        "That pH is outside the 5 to 7 that crops are fed with: see 'dosewright reckon acid' "
        "and 'base'.");
}

/* --- all of it ---------------------------------------------------------------------------------
 */

int reckon_show_solution(
    const struct reckon_args *args, struct sheet *sheet, const struct reckon_state *state)
{
    struct shown shown;
    struct problem problem;
    const enum err err = solve(&shown, state, &problem);
    if (err != ERR_NONE) return reckon_problem(args, "", err, &problem);
    show_ions(sheet, &state->solution->water);
    show_nutrients(sheet, state->solution);
    show_charge(sheet, &state->solution->water, &shown.closed);
    show_result(sheet, &shown, state->degc);
    note_ph(sheet, &shown);
    return reckon_show_solids(
        args, sheet, state, (const struct equilibrium *[]){ &shown.closed, &shown.open });
}

void reckon_note_water(struct sheet *sheet, const struct analysis_report *report)
{
    char text[900];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "The water's report: ");
    analysis_say(&t, report);
    text_add(&t, " (balance judged by Standard Methods 1030 E).");
    sheet_note(sheet, text);
}
