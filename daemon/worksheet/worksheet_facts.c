#include <math.h>
#include <string.h>

#include "daemon/tool/caution.h"
#include "daemon/worksheet/worksheet_inside.h"

enum { GAUGE_LEAST = 10, GAUGE_MOST = 30 };

void worksheet_add_short(struct text *t, double value, unsigned decimals)
{
    char digits[48];
    struct text number = text_over(digits, sizeof digits);
    text_add_real(&number, value, decimals);
    size_t length = number.length;
    while (strchr(digits, '.') && length > 0 && digits[length - 1] == '0') {
        length--;
    }
    if (length > 0 && digits[length - 1] == '.') length--;
    text_add_bytes(t, digits, length);
}

/* --- wires ------------------------------------------------------------------------------------ */

/* The configuration keeps ohms a metre; a gauge is the one whole number that gives them. */
static int gauge_of(double ohm_per_m)
{
    int nearest_gauge = GAUGE_LEAST;
    double least = 1e9; /* ohms: more than any */
    for (int gauge = GAUGE_LEAST; gauge <= GAUGE_MOST; gauge++) {
        const double off = fabs(supply_cable_ohm(gauge, 1.0) - ohm_per_m);
        if (off < least) nearest_gauge = gauge;
        least = fmin(least, off);
    }
    return nearest_gauge;
}

void worksheet_add_cable(struct text *t, const struct chain_module_config *module)
{
    const struct supply_module *power = &module->power;
    if (!(power->cable_ohm_per_m > 0)) {
        text_add(t, "cable not given");
        return;
    }
    text_add(t, "AWG ");
    text_add_int(t, gauge_of(power->cable_ohm_per_m));
    text_add(t, ", ");
    text_add_real(t, power->cable_ohm / power->cable_ohm_per_m, 1);
    text_add(t, " m");
}

void worksheet_add_address(
    struct text *t, const struct worksheet *w, const struct chain_address *address)
{
    const struct plain_output *plain = site_plain(w->site, address);
    if (plain) {
        text_add(t, plain->topic);
        return;
    }
    chain_address_add(t, w->site->chain[address->chain].key, address->position, address->channel);
}

/* --- bottles ---------------------------------------------------------------------------------- */

const char *worksheet_kind(const struct site_stock *stock)
{
    switch (stock->solution.kind) {
    case STOCK_NUTRIENT:
        return "nutrient stock";
    case STOCK_ACID:
        return "acid";
    case STOCK_BASE:
        return "base";
    }
    return "";
}

/* "nitric" becomes "nitric acid", "potassium-hydroxide" "potassium hydroxide". */
static void add_reagent(struct text *t, const struct stock_solution *solution)
{
    for (const char *s = stock_reagent_word(solution->reagent); *s; s++) {
        text_add_char(t, *s == '-' ? ' ' : *s);
    }
    if (solution->kind == STOCK_ACID) text_add(t, " acid");
}

static void add_share(struct text *t, const char *name, double percent)
{
    if (!(percent > 0)) return;
    text_add(t, t->at[t->length - 1] == ':' ? " " : ", ");
    text_add(t, name);
    text_add_char(t, ' ');
    worksheet_add_short(t, percent, 2);
}

static void add_label(struct text *t, const struct stock_label *label)
{
    text_add(t, "by its label, % by weight:");
    add_share(t, "N", label->n_percent);
    add_share(t, "P2O5", label->p2o5_percent);
    add_share(t, "K2O", label->k2o_percent);
    add_share(t, "CaO", label->cao_percent);
    add_share(t, "MgO", label->mgo_percent);
    text_add(t, "; ");
    worksheet_add_short(t, label->density_g_ml, 3);
    text_add(t, " g/mL");
}

void worksheet_add_contents(struct text *t, const struct site_stock *stock)
{
    const struct stock_solution *s = &stock->solution;
    if (s->kind == STOCK_NUTRIENT && s->has_label) {
        add_label(t, &s->label);
    } else if (s->kind == STOCK_NUTRIENT) {
        text_add(t, "in a litre:");
        for (uint32_t i = 0; i < s->salt_count; i++) {
            text_add(t, i > 0 ? ", " : " ");
            text_add(t, s->salt[i].formula);
            text_add_char(t, ' ');
            worksheet_add_short(t, s->salt[i].g_per_l, 3);
            text_add(t, " g");
        }
    } else {
        add_reagent(t, s);
        text_add(t, ", ");
        worksheet_add_short(t, s->percent_w_w, 2);
        text_add(t, " % by weight, ");
        worksheet_add_short(t, s->density_g_ml, 3);
        text_add(t, " g/mL; 1 mL neutralises ");
        text_add_real(t, fabs(stock->strength.acid_meq_ml), 3);
        text_add(t, s->kind == STOCK_BASE ? " meq of acid" : " meq of alkalinity");
    }
}

void worksheet_add_apart(struct text *t, const struct worksheet *w, uint32_t stock)
{
    bool any = false;
    for (uint32_t i = 0; i < w->site->stock_count; i++) {
        if (!(w->site->stock[stock].keep_apart >> i & 1)) continue;
        if (any) text_add(t, ", ");
        text_add(t, w->site->stock[i].key);
        any = true;
    }
}

void worksheet_add_pumps(struct text *t, const struct worksheet *w, uint32_t stock, uint32_t most)
{
    uint32_t count = 0;
    for (uint32_t i = 0; i < w->site->tank_count; i++) {
        const struct site_tank *tank = &w->site->tank[i];
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            if (tank->pump[p].stock != stock) continue;
            if (++count > most) continue;
            if (count > 1) text_add(t, "; ");
            worksheet_add_address(t, w, &tank->pump[p].address);
            text_add(t, " for ");
            text_add(t, tank->key);
        }
    }
    if (count == 0) text_add(t, "none");
    if (count <= most) return;
    text_add(t, " and ");
    text_add_int(t, count - most);
    text_add(t, " more");
}

unsigned worksheet_hazards(const struct worksheet *w)
{
    unsigned hazards = CAUTION_STOCKS;
    for (uint32_t i = 0; i < w->site->stock_count; i++) {
        hazards |= caution_of_solution(&w->site->stock[i].solution);
    }
    return hazards;
}
