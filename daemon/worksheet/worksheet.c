#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/check/check_derive.h"
#include "daemon/check/check_print.h"
#include "daemon/tool/caution.h"
#include "daemon/worksheet/worksheet_inside.h"

/* Beyond so many tanks the lists say one line for each, and nothing is repeated for each tank. */
enum { TANKS_IN_FULL = 100 };

/* --- who uses what ---------------------------------------------------------------------------- */

static void claim(struct worksheet *w, const struct chain_address *a, int32_t tank, int32_t pump)
{
    w->output[a->chain][a->position - 1][a->channel] =
        (struct worksheet_output){ .tank = tank, .pump = pump };
}

struct worksheet *worksheet_new(const struct config *config, struct now now)
{
    struct worksheet *w = malloc(sizeof *w);
    if (!w) return NULL;
    memset(w, 0xff, sizeof *w); /* -1: nobody */
    w->config = config;
    w->site = &config->site;
    w->now = now;
    for (uint32_t i = 0; i < w->site->tank_count; i++) {
        const struct site_tank *tank = &w->site->tank[i];
        claim(w, &tank->circulation.address, (int32_t)i, -1);
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            claim(w, &tank->pump[p].address, (int32_t)i, (int32_t)p);
        }
    }
    return w;
}

void worksheet_free(struct worksheet *w)
{
    free(w);
}

/* --- one cell, one sentence ------------------------------------------------------------------- */

struct sentence {
    char bytes[WORKSHEET_LINE_MAX];
    struct text t;
};

static struct text *begin(struct sentence *s)
{
    s->t = text_over(s->bytes, sizeof s->bytes);
    return &s->t;
}

static struct text cell(struct worksheet_cells *cells, uint32_t column)
{
    return text_over(cells->at[column], sizeof cells->at[column]);
}

static void put_cell(struct worksheet_cells *cells, uint32_t column, const char *words)
{
    (void)text_copy(cells->at[column], sizeof cells->at[column], words);
}

static void put_short(struct worksheet_cells *cells, uint32_t column, double value, unsigned places)
{
    struct text t = cell(cells, column);
    worksheet_add_short(&t, value, places);
}

static void put_real(struct worksheet_cells *cells, uint32_t column, double value, unsigned places)
{
    struct text t = cell(cells, column);
    text_add_real(&t, value, places);
}

/* --- tubes ------------------------------------------------------------------------------------ */

static void put_tube(const struct worksheet *w, struct worksheet_cells *cells,
    const struct worksheet_output *o, double ml_per_s)
{
    const size_t at = (size_t)o->tank * TANK_PUMPS_MAX + (size_t)o->pump;
    const struct config_tube *tube = &w->config->tube[at];
    const double ml = w->config->tube_ml[at];
    if (!(ml > 0)) return;
    struct text t = cell(cells, 4);
    worksheet_add_short(&t, (double)tube->length_m, 2);
    text_add(&t, " m, ");
    worksheet_add_short(&t, (double)tube->bore_mm, 1);
    text_add(&t, " mm");
    t = cell(cells, 5);
    text_add_real(&t, ml, 1);
    text_add(&t, " mL, ");
    text_add_real(&t, ceil(ml / ml_per_s), 0);
    text_add(&t, " s");
}

static void tell_tubes_of(const struct worksheet *w, const struct worksheet_form *form, FILE *out,
    const struct worksheet_table *table, uint32_t chain)
{
    const struct chain_config *config = &w->site->chain[chain];
    for (uint32_t m = 0; m < config->count; m++) {
        for (uint32_t c = 1; c <= CHAIN_CHANNELS_MAX; c++) {
            const struct worksheet_output *o = &w->output[chain][m][c];
            if (o->tank < 0 || o->pump < 0) continue;
            const struct site_tank *tank = &w->site->tank[o->tank];
            const struct site_pump *pump = &tank->pump[o->pump];
            struct worksheet_cells cells = { 0 };
            struct text t = cell(&cells, 0);
            worksheet_add_address(&t, w, &pump->address);
            put_cell(&cells, 1, config->plain ? "board" : pump->serial);
            put_cell(&cells, 2, w->site->stock[pump->stock].key);
            put_cell(&cells, 3, tank->key);
            put_tube(w, &cells, o, pump->ml_per_s);
            form->row(out, table, &cells);
        }
    }
}

static void tell_tubes(const struct worksheet *w, const struct worksheet_form *form, FILE *out)
{
    static const struct worksheet_column column[] = {
        { "pump", 10, false },
        { "module", 7, false },
        { "from bottle", 12, false },
        { "into the line of", 16, false },
        { "tube, bore", 12, false },
        { "primes", 0, false },
    };
    const struct worksheet_table table = { "Which tube goes where", column,
        sizeof column / sizeof *column, true };
    form->heading(out, "Tubes");
    form->words(out,
        "One tube for each line of this list: from the bottle to the pump, and from "
        "the pump to the line of that tank and no other. Write the pump's address on "
        "both ends. What primes a tube, and for how long its pump runs for it, is "
        "known where the configuration gives its length and bore. Tick a line when its tube hangs "
        "and somebody else has looked at it too.");
    form->table(out, &table);
    for (uint32_t c = 0; c < w->site->chain_count; c++) {
        tell_tubes_of(w, form, out, &table, c);
    }
    form->table_end(out);
    form->words(out, "A pump that isn't in this list gets no tube.");
}

/* --- supplies --------------------------------------------------------------------------------- */

struct loads {
    struct check_load rest, work, all;
    struct check_spare spare;
};

static uint32_t heaviest(const struct site *site, uint32_t chain)
{
    uint32_t found = UINT32_MAX;
    double most = -1.0;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        struct check_load load;
        if (!check_on_chain(&site->tank[i], chain)) continue;
        check_derive_load(&load, site, chain, CHECK_ONE_TANK, i);
        if (load.amps > most) found = i;
        most = fmax(most, load.amps);
    }
    return found;
}

static void derive(struct loads *ret, const struct site *site, uint32_t chain)
{
    const uint32_t tank = heaviest(site, chain);
    check_derive_load(&ret->rest, site, chain, CHECK_OFF, UINT32_MAX);
    check_derive_load(&ret->all, site, chain, CHECK_ALL_TANKS, UINT32_MAX);
    ret->work = ret->rest;
    if (tank != UINT32_MAX) check_derive_load(&ret->work, site, chain, CHECK_ONE_TANK, tank);
    check_derive_spare(&ret->spare, site, chain);
}

static void tell_amps(const struct worksheet_form *form, FILE *out, const struct supply *supply,
    const struct loads *loads)
{
    struct sentence s;
    struct text *t = begin(&s);
    text_add(t, "The supply gives ");
    text_add_real(t, supply->volts, 1);
    text_add(t, " V and ");
    text_add_real(t, supply->amps, 2);
    text_add(t, " A, of which ");
    text_add_real(t, supply->amps * supply->usable_share, 2);
    text_add(t, " A may be planned. Drawn: ");
    text_add_real(t, loads->rest.amps, 2);
    text_add(t, " A at rest, ");
    text_add_real(t, loads->work.amps, 2);
    text_add(t, " A with the tank at work that draws most, ");
    text_add_real(t, loads->all.amps, 2);
    text_add(t, " A with all of them, and ");
    text_add_real(t, loads->spare.start.amps, 2);
    text_add(t, " A for a moment as a motor starts.");
    if (!loads->all.allowed) text_add(t, " All at once is too much, so that tanks take turns.");
    form->words(out, s.bytes);
    if (!loads->work.allowed)
        form->caution(out, "Even one tank is more than this supply and cable may carry: see "
                           "'dosewright check'.");
    if (loads->spare.dips)
        form->caution(out, "As a motor starts, a module falls below its least volts and may "
                           "restart: thicker or shorter cable, or a capacitor of 1000 to 2200 uF "
                           "beside it (common practice).");
}

static void tell_supply_rows(const struct worksheet_form *form, FILE *out,
    const struct worksheet_table *table, const struct chain_config *chain,
    const struct loads *loads)
{
    for (uint32_t m = 0; m < chain->count; m++) {
        struct worksheet_cells cells = { 0 };
        struct text t = cell(&cells, 0);
        text_add_int(&t, m + 1);
        text_add_char(&t, ' ');
        text_add(&t, chain->module[m].serial);
        t = cell(&cells, 1);
        worksheet_add_cable(&t, &chain->module[m]);
        put_real(&cells, 2, loads->rest.volts[m], 2);
        put_real(&cells, 3, loads->work.volts[m], 2);
        put_real(&cells, 4, loads->all.volts[m], 2);
        put_real(&cells, 5, loads->spare.start.volts[m], 2);
        put_short(&cells, 6, chain->module[m].power.min_volts, 2);
        put_real(&cells, 7, loads->spare.pumps[m], 0);
        form->row(out, table, &cells);
    }
}

static void tell_supplies(const struct worksheet *w, const struct worksheet_form *form, FILE *out)
{
    static const struct worksheet_column column[] = {
        { "module", 9, false },
        { "cable before it", 15, false },
        { "at rest", 7, true },
        { "one tank", 9, true },
        { "all", 8, true },
        { "start", 8, true },
        { "least", 7, true },
        { "pumps", 7, true },
    };
    form->heading(out, "Supply");
    form->words(out, "Volts at each module: at rest, with the tank at work that draws most, with "
                     "all of them, and for a moment as a motor starts; the least it may have; how "
                     "many pumps may run at once beside circulation, all of them on that module. "
                     "Measure each with a meter when you have wired it.");
    for (uint32_t c = 0; c < w->site->chain_count; c++) {
        const struct chain_config *chain = &w->site->chain[c];
        if (chain->plain) continue;
        struct sentence s;
        struct text *t = begin(&s);
        text_add(t, "Volts on chain ");
        text_add(t, chain->key);
        const struct worksheet_table table = { s.bytes, column, sizeof column / sizeof *column,
            false };
        struct loads loads;
        derive(&loads, w->site, c);
        form->table(out, &table);
        tell_supply_rows(form, out, &table, chain, &loads);
        form->table_end(out);
        tell_amps(form, out, &chain->supply, &loads);
    }
}

/* --- limits ----------------------------------------------------------------------------------- */

static void tell_limit_rows(const struct worksheet *w, const struct worksheet_form *form, FILE *out,
    const struct worksheet_table *table, const struct site_tank *tank)
{
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        const struct site_pump *pump = &tank->pump[p];
        struct worksheet_cells cells = { 0 };
        put_cell(&cells, 0, w->site->stock[pump->stock].key);
        put_short(&cells, 1, (double)pump->limits.smallest_ul / 1000, 3);
        put_short(&cells, 2, (double)pump->limits.dose_ul / 1000, 3);
        put_short(&cells, 3, (double)pump->limits.hour_ul / 1000, 3);
        put_short(&cells, 4, (double)pump->limits.day_ul / 1000, 3);
        put_short(&cells, 5, pump->ml_per_s, 3);
        form->row(out, table, &cells);
    }
}

static void tell_envelope(
    const struct worksheet_form *form, FILE *out, const struct site_tank *tank)
{
    const struct crop_envelope *e = &tank->envelope;
    struct sentence s;
    struct text *t = begin(&s);
    text_add(t, "In any hour EC rises by at most ");
    worksheet_add_short(t, (double)tank->move.ec_rise_per_hour / 1e6, 3);
    text_add(t, " mS/cm and pH moves by at most ");
    worksheet_add_short(t, (double)tank->move.ph_move_per_hour / 1e6, 3);
    text_add(t, ". Setpoints stay within EC ");
    worksheet_add_short(t, e->ec_least_us_cm / 1000, 3);
    text_add(t, " to ");
    worksheet_add_short(t, e->ec_most_us_cm / 1000, 3);
    text_add(t, " mS/cm and pH ");
    worksheet_add_short(t, e->ph_least, 2);
    text_add(t, " to ");
    worksheet_add_short(t, e->ph_most, 2);
    text_add(t, "; nothing is dosed when the water isn't within ");
    worksheet_add_short(t, e->degc_least, 1);
    text_add(t, " to ");
    worksheet_add_short(t, e->degc_most, 1);
    text_add(t, " degC");
    if (tank->has_level_min) {
        text_add(t, " or its level is below ");
        worksheet_add_short(t, tank->level_min_percent, 1);
        text_add(t, " %");
    }
    if (tank->probe[PROBE_LEAK].present) text_add(t, ", or while the leak probe reports water");
    text_add(t, ".");
    if (tank->lowers_ph >= 0 && tank->raises_ph >= 0) {
        text_add(t, " Between acid and base there are at least ");
        text_add_span(t, tank->move.acid_base_spacing_ms);
        text_add(t, ".");
    }
    form->words(out, s.bytes);
}

/* The cheapest limit of all is the bottle's size. */
static void tell_whole_bottle(const struct worksheet *w, const struct worksheet_form *form,
    FILE *out, const struct site_tank *tank, int32_t pump)
{
    if (pump < 0) return;
    const struct site_stock *stock = &w->site->stock[tank->pump[pump].stock];
    struct sentence s;
    struct text *t = begin(&s);
    text_add(t, "A whole bottle of ");
    text_add(t, stock->key);
    text_add(t, " in this tank would be ");
    text_add_real(
        t, fabs(stock->strength.acid_meq_ml) * (double)stock->bottle_ul / 1000 / tank->volume_l, 1);
    text_add(t, " meq/L; its source water has an alkalinity of ");
    worksheet_add_short(t, tank->source_alkalinity_meq_l, 2);
    text_add(t, ". If a tube came loose over the tank, the bottle's size would be the only limit: "
                "a small bottle, or a weaker one.");
    form->caution(out, s.bytes);
}

static void tell_water(const struct worksheet_form *form, FILE *out, const struct site_tank *tank)
{
    struct sentence s;
    struct text *t = begin(&s);
    text_add(t, tank->name);
    text_add(t, ": ");
    worksheet_add_short(t, tank->volume_l, 1);
    text_add(t, " L. Circulation moves ");
    worksheet_add_short(t, tank->circulation.flow_l_min, 2);
    text_add(t, " L/min through a line of ");
    worksheet_add_short(t, tank->circulation.line_ml, 1);
    text_add(t, " mL; after a dose the line is flushed for ");
    text_add_real(t, (double)site_flush_ms(tank) / 1000, 0);
    text_add(t, " s and the tank mixes for ");
    text_add_span(t, site_mix_ms(tank));
    text_add(t, ".");
    form->words(out, s.bytes);
}

static void tell_probes(const struct worksheet_form *form, FILE *out, const struct site_tank *tank)
{
    static const char *const names[PROBE_QUANTITY_COUNT] = { "EC", "pH", "temperature", "level",
        "volume", "flow", "leak", "air temperature", "humidity", "light", "enclosure" };
    struct sentence s;
    struct text *t = begin(&s);
    text_add(t, "Probes and their topics:");
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        const struct probe_config *p = &tank->probe[q];
        if (!p->present) continue;
        text_add(t, " ");
        text_add(t, names[q]);
        text_add(t, " ");
        text_add(t, p->topic);
        text_add(t, p->pointer);
        text_add(t, ";");
    }
    if (t->length > 0 && !t->cut) t->at[t->length - 1] = '.';
    form->words(out, s.bytes);
}

static void tell_tank(const struct worksheet *w, const struct worksheet_form *form, FILE *out,
    const struct site_tank *tank)
{
    static const struct worksheet_column column[] = {
        { "mL of", 16, false },
        { "least", 9, true },
        { "one dose", 10, true },
        { "in 1 h", 10, true },
        { "in 24 h", 10, true },
        { "mL/s", 9, true },
    };
    struct sentence s;
    struct text *t = begin(&s);
    text_add(t, "Tank ");
    text_add(t, tank->key);
    const struct worksheet_table table = { "What may be dosed at most", column,
        sizeof column / sizeof *column, false };
    form->part(out, s.bytes);
    tell_water(form, out, tank);
    form->table(out, &table);
    tell_limit_rows(w, form, out, &table, tank);
    form->table_end(out);
    tell_envelope(form, out, tank);
    tell_probes(form, out, tank);
    tell_whole_bottle(w, form, out, tank, tank->lowers_ph);
    tell_whole_bottle(w, form, out, tank, tank->raises_ph);
}

/* --- the whole -------------------------------------------------------------------------------- */

static void tell_chains(const struct worksheet *w, const struct worksheet_form *form, FILE *out)
{
    form->heading(out, w->site->chain_count == 1 ? "The chain" : "The chains");
    form->words(out,
        "Position 1 is next to the chain head. A pump draws from the bottle that is named beside "
        "it and pushes into that tank's line. Never connect anything but these modules to a cable "
        "that carries supply voltage, whatever its plug fits.");
    for (uint32_t c = 0; c < w->site->chain_count; c++) {
        if (!w->site->chain[c].plain) form->chain(out, w, c);
    }
    if (site_has_plain(w->site))
        form->words(out,
            "Outputs that are named by a topic are those of a plain board: nothing on it tells "
            "which "
            "is which. Run each with water and see that the tube that moves is the one meant; wire "
            "the board so that a stop switch, or a timer of its own, cuts its pumps' power "
            "whatever "
            "the board does (docs/plain-outputs.md). Mains belongs to a licensed person.");
}

static void tell_labels(const struct worksheet *w, const struct worksheet_form *form, FILE *out)
{
    form->heading(out, "Bottle labels");
    form->words(out, "To cut out. The words come from what the configuration says is in the "
                     "bottle; signal word and pictograms are those of the safety data sheet, and "
                     "of the strength that you mixed.");
    for (uint32_t i = 0; i < w->site->stock_count; i++) {
        form->label(out, w, i);
    }
    form->labels_end(out);
    bool first = true;
    for (uint32_t a = 0; a < w->site->stock_count; a++) {
        for (uint32_t b = a + 1; b < w->site->stock_count; b++) {
            char why[CHECK_WHY_MAX];
            struct sentence s;
            if (!check_kept_apart(w->site, a, b, why)) continue;
            if (first) form->part(out, "Never undiluted together");
            first = false;
            struct text *t = begin(&s);
            text_add(t, w->site->stock[a].key);
            text_add(t, " and ");
            text_add(t, w->site->stock[b].key);
            text_add(t, ": ");
            text_add(t, why);
            form->words(out, s.bytes);
        }
    }
}

static void tell_cautions(const struct worksheet *w, const struct worksheet_form *form, FILE *out)
{
    const unsigned hazards = worksheet_hazards(w);
    const char *words;
    form->heading(out, "Cautions");
    form->caution(out, "Mains near water: behind a residual-current device, with drip loops, by "
                       "whoever your local code allows to do it.");
    form->caution(out, "Fill from the drinking-water main only through an air gap or an approved "
                       "backflow preventer. A tube that hangs in water can siphon a bottle into "
                       "the tank, or the tank into a bottle.");
    form->caution(out, "What you dose, people may eat: food-grade acids and salts only.");
    for (size_t i = 0; (words = caution_words(hazards, i)) != NULL; i++) {
        form->caution(out, words);
    }
}

void worksheet_tell(const struct worksheet *w, const struct worksheet_form *form, FILE *out)
{
    form->begin(out, w);
    tell_chains(w, form, out);
    tell_tubes(w, form, out);
    tell_supplies(w, form, out);
    form->heading(out, "Limits");
    for (uint32_t i = 0; i < w->site->tank_count && i < TANKS_IN_FULL; i++) {
        tell_tank(w, form, out, &w->site->tank[i]);
    }
    if (w->site->tank_count > TANKS_IN_FULL)
        form->words(out, "The other tanks' limits are left out of a sheet of this size; "
                         "'dosewright check' has them.");
    tell_labels(w, form, out);
    form->heading(out, "What to do, in this order");
    worksheet_tell_steps(w, form, out);
    tell_cautions(w, form, out);
    form->end(out, w);
}
