/* Pumps of a tank: addresses, limits, the recipe, and what moves pH. */
#include <string.h>

#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"

enum { DOSES_A_DAY_MOST = 20000 }; /* what the daemon is ready to remember of one stock */

static uint32_t find_stock(struct loader *l, const struct tree_node *node)
{
    const struct site *site = &l->config->site;
    const char *names[SITE_STOCKS_MAX];
    for (uint32_t i = 0; i < site->stock_count; i++) {
        if (text_same(site->stock[i].key, node->key)) return i;
        names[i] = site->stock[i].key;
    }
    const char *near = schema_nearest(node->key, names, site->stock_count);
    schema_error_at_key(&l->reader, node, ERR_UNKNOWN, "no stock of this site is called so%s%s%s",
        near ? "; did you mean '" : "", near ? near : "", near ? "'?" : "");
    return UINT32_MAX;
}

static void take_address(
    struct loader *l, struct load_tank *t, struct site_pump *pump, const struct tree_node *node)
{
    if (!node) return;
    if (node->kind == TREE_MAP) {
        (void)load_plain(l, t, node, false, &pump->address, &pump->serial);
        return;
    }
    if (node->kind != TREE_SCALAR) {
        schema_error(&l->reader, node, ERR_SYNTAX,
            "found %s; allowed: chain/position.channel such as west/2.3, or a mapping with the "
            "topic of a plain output",
            schema_found(node).text);
        return;
    }
    if (!load_address(l, node, node->text, &pump->address, &pump->serial)) return;
    if (pump->address.channel == CHAIN_CIRCULATION_CHANNEL) {
        schema_error(&l->reader, node, ERR_RANGE,
            "found %s, a circulation output; a stock needs a pump channel",
            schema_found(node).text);
        return;
    }
    (void)load_claim_output(l, node, &pump->address, t->index);
}

static void read_pump(struct loader *l, struct load_tank *t, const struct tree_node *node)
{
    const uint32_t stock = find_stock(l, node);
    struct draft_pump draft = { 0 };
    schema_read(&l->reader, &schema_pump, node, &draft);
    if (node->kind != TREE_MAP) return;
    const struct tree_node *calibrated = tree_get(node, "calibrated");
    load_check_past(l, calibrated, draft.pump.calibrated_at);
    draft.pump.calibrated = calibrated != NULL;
    if (!calibrated)
        schema_warn(&l->reader, node,
            "the pump isn't calibrated ('calibrated: date'): nothing is dosed with it until it is");
    take_address(l, t, &draft.pump, tree_get(node, "address"));
    if (stock == UINT32_MAX) return;
    draft.pump.stock = stock;
    draft.pump.filed_ml_per_s = draft.pump.ml_per_s;
    const uint32_t p = t->draft.tank.pump_count++;
    t->draft.tank.pump[p] = draft.pump;
    const size_t at = (size_t)t->index * TANK_PUMPS_MAX + p;
    const double radius_mm = draft.bore_mm / 2.0;
    l->tube_ml[at] = 3.14159265358979 * radius_mm * radius_mm * draft.length_m;
    l->tube[at] = (struct config_tube){ (float)draft.bore_mm, (float)draft.length_m };
}

static const char *pump_key(const struct loader *l, const struct load_tank *t, uint32_t pump)
{
    return l->config->site.stock[t->draft.tank.pump[pump].stock].key;
}

/* The tank's pump that draws from the stock called 'key', or UINT32_MAX. */
static uint32_t find_pump(const struct loader *l, const struct load_tank *t, const char *key)
{
    for (uint32_t p = 0; p < t->draft.tank.pump_count; p++) {
        if (text_same(pump_key(l, t, p), key)) return p;
    }
    return UINT32_MAX;
}

static void no_such_pump(struct loader *l, const struct load_tank *t, const struct tree_node *node)
{
    const char *names[TANK_PUMPS_MAX];
    for (uint32_t p = 0; p < t->draft.tank.pump_count; p++) {
        names[p] = pump_key(l, t, p);
    }
    const struct load_names known = { node->text, "pump of this tank", names,
        t->draft.tank.pump_count };
    load_no_such_name(l, node, &known);
}

/* --- limits ----------------------------------------------------------------------------------- */

static void check_limits(
    struct loader *l, const struct stock_limits *limits, const struct tree_node *node)
{
    const struct tree_node *dose = tree_get(node, "dose_ml"), *hour = tree_get(node, "hour_ml");
    const struct tree_node *day = tree_get(node, "day_ml");
    if (limits->dose_ul < limits->smallest_ul)
        schema_error(&l->reader, dose, ERR_RANGE,
            "found %s, less than the pump's smallest_dose_ml (%.3f mL)", schema_found(dose).text,
            (double)limits->smallest_ul / 1000.0);
    if (limits->hour_ul < limits->dose_ul)
        schema_error(&l->reader, hour, ERR_RANGE,
            "found %s, less than dose_ml; allowed: "
            "dose_ml <= hour_ml <= day_ml",
            schema_found(hour).text);
    if (limits->day_ul < limits->hour_ul)
        schema_error(&l->reader, day, ERR_RANGE,
            "found %s, less than hour_ml; allowed: "
            "dose_ml <= hour_ml <= day_ml",
            schema_found(day).text);
    if (limits->smallest_ul > 0 && limits->day_ul / limits->smallest_ul > DOSES_A_DAY_MOST)
        schema_error(&l->reader, day, ERR_RANGE,
            "found %s, more than %d of the pump's smallest doses; raise smallest_dose_ml",
            schema_found(day).text, DOSES_A_DAY_MOST);
}

/* A motor that hardly starts, and a dose that takes minutes, are rather a slip of the pen: ten
 * times, or a minute for a second. Common practice, no source. */
static const double RUN_LEAST_S = 0.04, RUN_MOST_S = 300.0;

static void warn_if_odd_run(struct loader *l, const struct load_tank *t, uint32_t p)
{
    const struct site_pump *pump = &t->draft.tank.pump[p];
    const struct tree_node *node = tree_get(tree_get(t->node, "pumps"), pump_key(l, t, p));
    if (!(pump->ml_per_s > 0.0)) return;
    const double least_s = (double)pump->limits.smallest_ul / 1000.0 / pump->ml_per_s;
    const double most_s = (double)pump->limits.dose_ul / 1000.0 / pump->ml_per_s;
    if (least_s < RUN_LEAST_S)
        schema_warn(&l->reader, tree_get(node, "ml_per_s"),
            "the smallest dose is a run of %.0f ms, in which a motor hardly starts: is it mL in a "
            "second? Else raise smallest_dose_ml",
            least_s * 1000.0);
    if (most_s > RUN_MOST_S)
        schema_warn(&l->reader, tree_get(node, "ml_per_s"),
            "the largest dose is a run of %.0f s: is it mL in a second? Else lower dose_ml",
            most_s);
}

static void read_limit(struct loader *l, struct load_tank *t, const struct tree_node *node)
{
    const uint32_t p = find_pump(l, t, node->key);
    const uint32_t before = load_errors(l);
    struct stock_limits limits = { 0 };
    schema_read(&l->reader, &schema_limit, node, &limits);
    if (p == UINT32_MAX) {
        schema_error_at_key(&l->reader, node, ERR_UNKNOWN, "no pump of this tank has that stock");
        return;
    }
    limits.smallest_ul = t->draft.tank.pump[p].limits.smallest_ul;
    if (load_errors(l) == before) check_limits(l, &limits, node);
    t->draft.tank.pump[p].limits = limits;
    if (load_errors(l) == before) warn_if_odd_run(l, t, p);
}

static void read_limits(struct loader *l, struct load_tank *t)
{
    const struct tree_node *map = tree_get(t->node, "limits");
    if (!map || map->kind != TREE_MAP) return;
    const struct schema_table *table = schema_row_of(&schema_tank, "limits")->table;
    for (const struct tree_node *n = map->first; n; n = n->next) {
        if (!schema_row_of(table, n->key) && chain_key_valid(n->key)) read_limit(l, t, n);
    }
    for (uint32_t p = 0; p < t->draft.tank.pump_count; p++) {
        if (tree_get(map, pump_key(l, t, p))) continue;
        schema_error(&l->reader, map, ERR_MISSING,
            "the limits of '%s' are missing: { dose_ml, hour_ml, day_ml }", pump_key(l, t, p));
    }
}

/* --- recipe and pH ---------------------------------------------------------------------------- */

static const char *kind_word(enum stock_kind kind)
{
    switch (kind) {
    case STOCK_NUTRIENT:
        return "a nutrient";
    case STOCK_ACID:
        return "an acid";
    case STOCK_BASE:
        return "a base";
    }
    return "?";
}

static bool check_kind(struct loader *l, const struct load_tank *t, uint32_t pump,
    enum stock_kind wanted, const struct tree_node *node)
{
    const uint32_t index = t->draft.tank.pump[pump].stock;
    const struct site_stock *stock = &l->config->site.stock[index];
    if (stock->solution.kind == wanted || !l->stock[index].has_kind) return true;
    schema_error(&l->reader, node, ERR_RANGE, "stock '%s' is %s; %s belongs here", stock->key,
        kind_word(stock->solution.kind), kind_word(wanted));
    return false;
}

static void read_recipe(struct loader *l, struct load_tank *t)
{
    const struct tree_node *map = tree_get(t->node, "recipe");
    if (!map || map->kind != TREE_MAP) return;
    if (map->count == 0)
        schema_error(&l->reader, map, ERR_MISSING, "a recipe needs at least one stock");
    for (const struct tree_node *n = map->first; n; n = n->next) {
        struct site_part part = { 0 };
        const bool good = schema_read_value(&l->reader, &schema_part, n, &part.parts);
        part.pump = find_pump(l, t, n->key);
        if (part.pump == UINT32_MAX) {
            schema_error_at_key(&l->reader, n, ERR_UNKNOWN, "no pump of this tank has that stock");
            continue;
        }
        if (!check_kind(l, t, part.pump, STOCK_NUTRIENT, n) || !good) continue;
        t->draft.tank.recipe[t->draft.tank.recipe_count++] = part;
    }
}

static int32_t read_mover(struct loader *l, struct load_tank *t, const char *key, const char *stock)
{
    if (!stock) return -1;
    const struct tree_node *node = tree_get(t->node, key);
    const uint32_t p = find_pump(l, t, stock);
    if (p == UINT32_MAX) {
        no_such_pump(l, t, node);
        return -1;
    }
    const bool lowers = strcmp(key, "lowers_ph") == 0;
    if (!check_kind(l, t, p, lowers ? STOCK_ACID : STOCK_BASE, node)) return -1;
    return (int32_t)p;
}

void load_pumps(struct loader *l, struct load_tank *t)
{
    const struct tree_node *map = tree_get(t->node, "pumps");
    t->draft.tank.lowers_ph = t->draft.tank.raises_ph = -1;
    if (!map || map->kind != TREE_MAP) return;
    if (map->count < 1 || map->count > TANK_PUMPS_MAX) {
        schema_error(&l->reader, map, ERR_RANGE, "found %u pumps; allowed: 1 to %d", map->count,
            TANK_PUMPS_MAX);
        return;
    }
    for (const struct tree_node *n = map->first; n; n = n->next) {
        read_pump(l, t, n);
    }
    read_limits(l, t);
    read_recipe(l, t);
    t->draft.tank.lowers_ph = read_mover(l, t, "lowers_ph", t->draft.lowers_ph);
    t->draft.tank.raises_ph = read_mover(l, t, "raises_ph", t->draft.raises_ph);
}
