/* What can only be said of several parts together. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"

/* The smallest dose of acid or base should not move alkalinity by more than this: common practice,
 * no source. */
#define FINEST_MEQ_L 0.02

/* --- a tank ------------------------------------------------------------------------------------
 */

static void check_setpoint(struct loader *l, struct load_tank *t, const struct crop_stage *stage,
    const struct crop_target *target)
{
    const struct crop_envelope *e = &t->draft.tank.envelope;
    const struct tree_node *node = tree_get(t->node, "schedule");
    if (target->ec_us_cm < e->ec_least_us_cm || target->ec_us_cm > e->ec_most_us_cm)
        schema_error(&l->reader, node, ERR_RANGE,
            "stage '%s' of %s wants EC %.2f mS/cm; this tank's envelope allows %.2f to %.2f",
            stage->name, t->draft.schedule, target->ec_us_cm / 1000.0, e->ec_least_us_cm / 1000.0,
            e->ec_most_us_cm / 1000.0);
    if (target->ph < e->ph_least || target->ph > e->ph_most)
        schema_error(&l->reader, node, ERR_RANGE,
            "stage '%s' of %s wants pH %.2f; this tank's envelope allows %.2f to %.2f", stage->name,
            t->draft.schedule, target->ph, e->ph_least, e->ph_most);
    if (target->ec_us_cm <= t->draft.tank.source_ec_us_cm)
        schema_warn(&l->reader, node,
            "stage '%s' of %s wants EC %.2f mS/cm, not above the source water's %.2f: dosing can't "
            "lower EC",
            stage->name, t->draft.schedule, target->ec_us_cm / 1000.0,
            t->draft.tank.source_ec_us_cm / 1000.0);
}

/* A value that the night doesn't say is NaN and passes every comparison above. */
static void check_schedule(struct loader *l, struct load_tank *t)
{
    const struct crop_schedule *s = &t->draft.tank.schedule;
    for (uint32_t i = 0; i < s->count; i++) {
        const struct crop_stage *stage = &s->stage[i];
        check_setpoint(l, t, stage, &stage->from);
        const bool ramp = stage->to.ec_us_cm < stage->from.ec_us_cm ||
                          stage->to.ec_us_cm > stage->from.ec_us_cm ||
                          stage->to.ph < stage->from.ph || stage->to.ph > stage->from.ph;
        if (ramp) check_setpoint(l, t, stage, &stage->to);
        if (stage->has_night) check_setpoint(l, t, stage, &stage->night);
    }
}

static void check_strength(struct loader *l, struct load_tank *t, const char *key, int32_t index)
{
    if (index < 0) return;
    const struct site_pump *pump = &t->draft.tank.pump[index];
    const struct site_stock *stock = &l->config->site.stock[pump->stock];
    const double meq_l = (double)pump->limits.smallest_ul / 1000.0 *
                         fabs(stock->strength.acid_meq_ml) / t->draft.tank.volume_l;
    if (meq_l <= FINEST_MEQ_L) return;
    schema_warn(&l->reader, tree_get(t->node, key),
        "the smallest dose of '%s' (%.2f mL) moves alkalinity by %.3f meq/L, more than %.2f: "
        "dilute "
        "it about %.0f-fold",
        stock->key, (double)pump->limits.smallest_ul / 1000.0, meq_l, FINEST_MEQ_L,
        ceil(meq_l / FINEST_MEQ_L));
}

static void check_feed_strength(struct loader *l, struct load_tank *t)
{
    const struct site_tank *tank = &t->draft.tank;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        const struct site_pump *pump = &tank->pump[tank->recipe[i].pump];
        const struct site_stock *stock = &l->config->site.stock[pump->stock];
        const double rise =
            pump->ec_us_cm_per_ml_l * (double)pump->limits.smallest_ul / 1000.0 / tank->volume_l;
        if (rise <= tank->band_ec_us_cm) continue;
        schema_warn(&l->reader, tree_get(t->node, "recipe"),
            "the smallest dose of '%s' raises EC by %.2f mS/cm, more than the band: dilute it",
            stock->key, rise / 1000.0);
    }
}

/* Not all that is allowed in a solution's file can be computed: the rule of thumb stands in then.
 */
static void derive_ec(struct loader *l, struct load_tank *t)
{
    struct problem problem = { 0 };
    if (site_derive_ec(&l->config->site, &t->draft.tank, &problem) == ERR_NONE) return;
    schema_warn(&l->reader, tree_get(t->node, "recipe"),
        "what a millilitre does to EC is taken from the rule of thumb (95 uS/cm for each meq/L of "
        "cations), as it couldn't be worked out from what is dissolved: %s",
        problem.text);
}

/* Such a tank would never be dosed, and its alert would name the pump. */
static void check_flow_probe(struct loader *l, struct load_tank *t)
{
    const int64_t every_ms = t->draft.tank.probe[PROBE_FLOW].every_ms;
    const int64_t most_ms = site_flow_every_ms(&t->draft.tank);
    const struct tree_node *flow = tree_get(tree_get(t->node, "probes"), "flow");
    if (every_ms <= most_ms) return;
    schema_warn(&l->reader, tree_get(flow, "every_s"),
        "found %lld s; allowed: at most %lld s: circulation is to be seen within %d s of its "
        "start, which takes %d readings, and nothing is dosed where it isn't",
        (long long)(every_ms / 1000), (long long)(most_ms / 1000), CIRCULATION_CONFIRM_MS / 1000,
        (int)(CIRCULATION_CONFIRM_MS / most_ms));
}

void load_verify_tank(struct loader *l, struct load_tank *t)
{
    const struct site_tank *tank = &t->draft.tank;
    derive_ec(l, t);
    check_schedule(l, t);
    check_strength(l, t, "lowers_ph", tank->lowers_ph);
    check_strength(l, t, "raises_ph", tank->raises_ph);
    check_feed_strength(l, t);
    load_verify_plain(l, t);
    if (t->draft.tank.probe[PROBE_FLOW].present) check_flow_probe(l, t);
    if (tank->lowers_ph < 0 && tank->raises_ph < 0)
        schema_warn(&l->reader, t->node,
            "neither 'lowers_ph' nor 'raises_ph' is given: pH is watched, but never moved");
    if (tank->circulation.line_ml >= tank->volume_l * 1000.0)
        schema_error(&l->reader, tree_get(tree_get(t->node, "circulation"), "line_ml"), ERR_RANGE,
            "found %.0f mL, not less than the whole tank's %.1f L", tank->circulation.line_ml,
            tank->volume_l);
}

/* --- device ids --------------------------------------------------------------------------------
 */

struct device {
    const char *id, *what, *key;
    const struct tree_node *node;
    uint32_t order;
};

static int by_id(const void *a, const void *b)
{
    const struct device *x = a, *y = b;
    const int order = strcmp(x->id, y->id);
    if (order != 0) return order;
    return x->order < y->order ? -1 : 1;
}

static const char *tank_device(struct loader *l, const char *tank)
{
    char id[2 * CHAIN_WORD_MAX];
    struct text t = text_over(id, sizeof id);
    text_add(&t, l->config->site.key);
    text_add_char(&t, '-');
    text_add(&t, tank);
    const char *kept = arena_copy(&l->tree, id, t.length);
    return kept ? kept : "";
}

static uint32_t list_devices(struct loader *l, struct device *ret, const struct tree_node *root)
{
    const struct site *site = &l->config->site;
    uint32_t n = 0;
    ret[n] = (struct device){ site->key, "the site", site->key, tree_get(root, "site"), n };
    n++;
    for (uint32_t c = 0; c < site->chain_count; c++) {
        const struct chain_config *chain = &site->chain[c];
        if (chain->plain) continue; /* no device of its own */
        ret[n] =
            (struct device){ chain->device, "the head of chain", chain->key, l->chain_node[c], n };
        n++;
    }
    for (uint32_t i = 0; i < site->tank_count; i++, n++) {
        const char *key = site->tank[i].key;
        ret[n] = (struct device){ tank_device(l, key), "tank", key, tree_get(root, "tanks"), n };
    }
    return n;
}

static void check_devices(struct loader *l, const struct tree_node *root)
{
    const struct site *site = &l->config->site;
    const size_t most = 1 + (size_t)site->chain_count + site->tank_count;
    struct device *devices = arena_take(&l->tree, most * sizeof *devices);
    if (!devices || !tree_get(root, "site")) return;
    const uint32_t count = list_devices(l, devices, root);
    qsort(devices, count, sizeof *devices, by_id);
    for (uint32_t i = 1; i < count; i++) {
        const struct device *a = &devices[i - 1], *b = &devices[i];
        if (strcmp(a->id, b->id) != 0) continue;
        schema_error(&l->reader, b->node, ERR_DUPLICATE,
            "%s %s and %s %s would have the same device id on the broker, '%s': rename one",
            a->what, a->key, b->what, b->key, b->id);
    }
}

/* --- supplies ----------------------------------------------------------------------------------
 */

/* The least that must be possible: one pump of a tank while its circulation runs, and those that
 * always do. */
static void load_of(const struct site *site, uint32_t chain, const struct site_tank *tank,
    const struct site_pump *pump, struct supply_load ret[CHAIN_MODULES_MAX])
{
    memset(ret, 0, CHAIN_MODULES_MAX * sizeof *ret);
    for (uint32_t i = 0; i < site->tank_count; i++) {
        const struct site_circulation *c = &site->tank[i].circulation;
        const bool runs = c->when == CIRCULATE_ALWAYS || &site->tank[i] == tank;
        if (runs && c->address.chain == chain) ret[c->address.position - 1].circulation = true;
    }
    if (pump->address.chain == chain) ret[pump->address.position - 1].pumps++;
}

static bool carries(
    struct loader *l, uint32_t chain, const struct site_tank *tank, const struct site_pump *pump)
{
    const struct chain_config *config = &l->config->site.chain[chain];
    struct supply_module module[CHAIN_MODULES_MAX];
    memset(module, 0, sizeof module);
    struct supply_load load[CHAIN_MODULES_MAX];
    for (uint32_t m = 0; m < config->count; m++) {
        module[m] = config->module[m].power;
    }
    load_of(&l->config->site, chain, tank, pump, load);
    if (supply_allows(&config->supply, module, load, config->count)) return true;
    const double usable = config->supply.amps * config->supply.usable_share;
    const double amps = supply_amps(module, load, config->count);
    uint32_t worst = 0;
    double worst_short = -1e9;
    for (uint32_t m = 0; m < config->count; m++) {
        const double lacks =
            module[m].min_volts - supply_volts_at(&config->supply, module, load, config->count, m);
        if (lacks > worst_short) worst = m;
        if (lacks > worst_short) worst_short = lacks;
    }
    schema_error_at_key(&l->reader, l->chain_node[chain], ERR_RANGE,
        "the supply can't carry one pump of tank %s ('%s') with its circulation: %.2f A of %.2f A "
        "usable, %.2f V at module %s, which needs %.2f V",
        tank->key, l->config->site.stock[pump->stock].key, amps, usable,
        module[worst].min_volts - worst_short, config->module[worst].serial,
        module[worst].min_volts);
    return false;
}

static bool check_supply_of(struct loader *l, uint32_t chain)
{
    const struct site *site = &l->config->site;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        const struct site_tank *tank = &site->tank[i];
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            const bool here =
                tank->pump[p].address.chain == chain || tank->circulation.address.chain == chain;
            if (here && !carries(l, chain, tank, &tank->pump[p])) return false;
        }
    }
    return true;
}

static void warn_unused(struct loader *l, const struct tree_node *root)
{
    const struct site *site = &l->config->site;
    uint64_t used = 0;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        for (uint32_t p = 0; p < site->tank[i].pump_count; p++) {
            used |= UINT64_C(1) << site->tank[i].pump[p].stock;
        }
    }
    for (uint32_t s = 0; s < site->stock_count; s++) {
        const struct tree_node *node = tree_get(tree_get(root, "stocks"), site->stock[s].key);
        if (!(used >> s & 1)) schema_warn(&l->reader, node, "no tank uses this stock");
    }
}

void load_verify_site(struct loader *l, const struct tree_node *root)
{
    check_devices(l, root);
    if (l->config->site.chain_count == 0 && load_errors(l) == 0)
        schema_error(&l->reader, root, ERR_MISSING, "the key 'chains' is missing: %s",
            schema_row_of(&schema_site, "chains")->about);
    if (load_errors(l) > 0) return;
    for (uint32_t c = 0; c < l->config->site.chain_count; c++) {
        if (!l->config->site.chain[c].plain) (void)check_supply_of(l, c);
    }
    warn_unused(l, root);
    load_meetings(l);
}
