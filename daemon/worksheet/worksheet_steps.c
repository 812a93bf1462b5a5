/* The list of what to do, from bare parts to the first dose. docs/install.md says how. */
#include "daemon/worksheet/worksheet_inside.h"

enum { EACH_MOST = 100 }; /* beyond it one step stands for all */

struct telling {
    const struct worksheet *w;
    const struct worksheet_form *form;
    FILE *out;
};

static void box(const struct telling *a, const char *words)
{
    a->form->box(a->out, words);
}

static bool has_kind(const struct worksheet *w, enum stock_kind kind)
{
    for (uint32_t i = 0; i < w->site->stock_count; i++) {
        if (w->site->stock[i].solution.kind == kind) return true;
    }
    return false;
}

/* --- dry -------------------------------------------------------------------------------------- */

static void tell_before(const struct telling *a)
{
    const bool acid = has_kind(a->w, STOCK_ACID), base = has_kind(a->w, STOCK_BASE);
    a->form->part(a->out, "Before anything is wet");
    box(a, "The safety data sheet of every stock is read, and hangs where the bottles stand.");
    box(a, "Goggles, gloves and apron are there, and water to rinse eyes and skin within a few "
           "steps.");
    box(a, "The residual-current device was tested; supply and plugs hang above where water can "
           "come, each cord with a drip loop.");
    box(a, "Water from the main falls into the tank through an air gap, or an approved backflow "
           "preventer is there.");
    box(a, "Bottles stand in trays that hold all of them, below the pumps and below eye height.");
    if (acid && base) box(a, "Acid and base have trays of their own, as far apart as they can.");
    box(a, "Everybody who works here knows the switch that cuts the supply.");
}

static void tell_module_order(const struct telling *a, const struct chain_config *chain)
{
    char words[WORKSHEET_LINE_MAX];
    struct text t = text_over(words, sizeof words);
    text_add(&t, "Chain ");
    text_add(&t, chain->key);
    text_add(&t, ", the power off: head, then ");
    for (uint32_t m = 0; m < chain->count; m++) {
        if (m > 0) text_add(&t, ", then ");
        text_add(&t, chain->module[m].serial);
    }
    text_add(&t, "; cable as drawn, each end relieved of strain, a fuse at the supply that "
                 "protects the thinnest of it.");
    box(a, words);
}

static void tell_wiring(const struct telling *a)
{
    a->form->part(a->out, "Mounting and wiring, the power off");
    box(a, "Pumps are mounted above the highest level of tank and bottles; no tube's end hangs "
           "under water.");
    for (uint32_t c = 0; c < a->w->site->chain_count; c++) {
        if (!a->w->site->chain[c].plain) tell_module_order(a, &a->w->site->chain[c]);
    }
    box(a, "Tubes hang as the list says, each with its address on both ends.");
    box(a, "Bottles bear their labels, and hold nothing but water for now.");
    box(a, "Probes sit where the water flows, after it is mixed and not beside the injection "
           "points.");
}

/* --- with power ------------------------------------------------------------------------------- */

static void tell_answers(const struct telling *a)
{
    char words[WORKSHEET_LINE_MAX];
    a->form->part(a->out, "First power, water in the bottles");
    struct text t = text_over(words, sizeof words);
    text_add(&t, "dosewright check ");
    text_add(&t, a->w->config->path);
    text_add(&t, " finds no mistake, and you understand each warning.");
    box(a, words);
    box(a, "dosewright status: the broker is up, every chain's head is ready, modules as "
           "configured, every probe good.");
    box(a,
        "dosewright pause TANK, for each tank, as soon as the daemon runs (or 'planted' is a day "
        "that is still to come): nothing is dosed by itself until you have done all of this.");
    box(a, "dosewright halt stops everything; dosewright release ends that.");
    for (uint32_t c = 0; c < a->w->site->chain_count; c++) {
        const struct chain_config *chain = &a->w->site->chain[c];
        if (chain->plain) continue;
        t = text_over(words, sizeof words);
        text_add(&t, "Chain ");
        text_add(&t, chain->key);
        text_add(&t, ": volts at the last module, ");
        text_add(&t, chain->module[chain->count - 1].serial);
        text_add(&t, ", measured: ______ V (least ");
        worksheet_add_short(&t, chain->module[chain->count - 1].power.min_volts, 2);
        text_add(&t, ")");
        box(a, words);
    }
}

static void tell_flow(const struct telling *a, const struct site_tank *tank)
{
    char words[WORKSHEET_LINE_MAX];
    struct text t = text_over(words, sizeof words);
    text_add(&t, "Circulation of ");
    text_add(&t, tank->key);
    text_add(&t, ": a bucket of 10 L fills in ______ s (");
    text_add_real(&t, 10 / tank->circulation.flow_l_min * 60, 0);
    text_add(&t, " s at the configured ");
    worksheet_add_short(&t, tank->circulation.flow_l_min, 2);
    text_add(&t, " L/min)");
    box(a, words);
}

static void tell_pump(const struct telling *a, const struct site_tank *tank, uint32_t p)
{
    const struct site_pump *pump = &tank->pump[p];
    char words[WORKSHEET_LINE_MAX];
    struct text t = text_over(words, sizeof words);
    worksheet_add_address(&t, a->w, &pump->address);
    text_add(&t, ", ");
    text_add(&t, a->w->site->stock[pump->stock].key);
    text_add(&t, " into ");
    text_add(&t, tank->key);
    text_add(&t, ": it is the pump that ticks; its tube is full of water; three runs into a "
                 "measuring cylinder gave ______ ______ ______ mL, so ______ mL/s (configured ");
    worksheet_add_short(&t, pump->ml_per_s, 3);
    text_add(&t, pump->calibrated ? ")" : ", never measured)");
    box(a, words);
}

static void tell_pumps(const struct telling *a)
{
    const struct site *site = a->w->site;
    for (uint32_t i = 0; i < site->tank_count && i < EACH_MOST; i++) {
        tell_flow(a, &site->tank[i]);
        for (uint32_t p = 0; p < site->tank[i].pump_count; p++) {
            tell_pump(a, &site->tank[i], p);
        }
    }
    if (site->tank_count > EACH_MOST) box(a, "The same for the pumps of all other tanks.");
    a->form->words(a->out,
        "'dosewright ask identify ADDRESS' makes one pump tick. With the tank on the bench "
        "('dosewright ask bench TANK on'), 'ask run-flow TANK SECONDS' and 'ask flow TANK LITRES' "
        "measure its circulation, 'ask prime TANK STOCK ML cup' fills a line, 'ask run TANK "
        "STOCK ML cup' and 'ask measured TANK STOCK ML', three times, calibrate a pump, and 'ask "
        "bath TANK ph|ec POINT DEGC' a probe: see docs/commissioning.md.");
}

static void tell_probes(const struct telling *a)
{
    for (uint32_t i = 0; i < a->w->site->tank_count && i < EACH_MOST; i++) {
        char words[WORKSHEET_LINE_MAX];
        struct text t = text_over(words, sizeof words);
        text_add(&t, "Probes of ");
        text_add(&t, a->w->site->tank[i].key);
        text_add(&t, ": pH in two buffers, ______ and ______; EC in a standard, ______; water "
                     "______ degC by a thermometer. In the tank they read what a hand-held meter "
                     "reads.");
        box(a, words);
    }
}

/* --- with stock ------------------------------------------------------------------------------- */

static void tell_stocks(const struct telling *a)
{
    a->form->part(a->out, "Stocks");
    box(a, "dosewright ask bench TANK on, for each tank: nothing moves but what you ask for.");
    box(a, "Bottles filled by their labels, nutrients first, acid and base last and one at a "
           "time, with goggles and gloves on; acid into water.");
    box(a, "Tubes filled with stock (ask prime), their ends in a beaker; beakers rinsed one by "
           "one, never emptied into each other.");
    box(a, "dosewright ask refilled STOCK, for each bottle.");
    box(a, "dosewright ask bench TANK off, then dosewright unpause TANK. The first dose is "
           "watched from bottle to tank; EC "
           "and pH then move the right way.");
    box(a, "After an hour, after a day: no drip, no air in a tube, bottle levels agree with "
           "dosewright status, a hand-held meter agrees with the probes.");
    box(a, "This sheet is kept with the safety data sheets, dated and signed: "
           "________________________");
}

void worksheet_tell_steps(const struct worksheet *w, const struct worksheet_form *form, FILE *out)
{
    const struct telling a = { w, form, out };
    tell_before(&a);
    tell_wiring(&a);
    tell_answers(&a);
    tell_pumps(&a);
    tell_probes(&a);
    tell_stocks(&a);
}
