/* Plain outputs of a tank: read, and gathered into a chain of the tank's name, one module for each
 * (lib/chain/plain_head.h). */
#include <math.h>
#include <string.h>

#include "daemon/config/site_yaml.h"
#include "lib/base/invariant.h"
#include "lib/base/text.h"

enum { CIRCULATE_SPARE_MS = 30000 }; /* beside a flush: a dose, and seeing that it runs */

/* --- one output ------------------------------------------------------------------------------- */

static bool check_payload(struct loader *l, struct plain_output *o, const struct tree_node *node)
{
    const struct tree_node *payload = tree_get(node, "payload");
    const char *why = NULL;
    switch (plain_read(&o->unit, o->payload)) {
    case PLAIN_GOOD:
        break;
    case PLAIN_OPEN:
        why = "has a ${ without its }";
        break;
    case PLAIN_OTHER_NAME:
        why = "has a ${...} that nothing is filled in for";
        break;
    case PLAIN_SECOND_PLACE:
        why = "has more than one place to fill in";
        break;
    }
    if (why) {
        schema_error(&l->reader, payload, ERR_SYNTAX,
            "found %s, which %s; allowed: ${seconds}, ${ms} or ${ml}, once",
            schema_found(payload).text, why);
        return false;
    }
    if (o->unit == PLAIN_SWITCHED && o->auto_off_ms == 0) {
        schema_error(&l->reader, payload, ERR_MISSING,
            "found %s, which doesn't say for how long: a board that is switched on and off by "
            "separate messages needs 'auto_off_s', its own limit, beside it",
            schema_found(payload).text);
        return false;
    }
    if (o->unit == PLAIN_ML && o->circulation) {
        schema_error(&l->reader, payload, ERR_RANGE,
            "found %s; a circulation pump runs for a time, not for a volume",
            schema_found(payload).text);
        return false;
    }
    return true;
}

static bool check_topics(
    struct loader *l, const struct plain_output *o, const struct tree_node *node)
{
    const struct tree_node *topic = tree_get(node, "topic");
    const struct tree_node *state = tree_get(tree_get(node, "state"), "topic");
    const struct tree_node *own = load_own_topic(l, o->topic) ? topic : NULL;
    if (o->state_topic && load_own_topic(l, o->state_topic)) own = state;
    if (own) {
        schema_error(&l->reader, own, ERR_RANGE,
            "found %s, a topic of this site's own devices; a board has its own",
            schema_found(own).text);
        return false;
    }
    if (o->state_topic && text_same(o->state_topic, o->topic)) {
        schema_error(&l->reader, state, ERR_RANGE,
            "found %s, where the board takes its orders: the daemon would hear itself",
            schema_found(state).text);
        return false;
    }
    if (text_same(o->payload, o->off_payload)) {
        const struct tree_node *off = tree_get(node, "off_payload");
        schema_error(&l->reader, off, ERR_RANGE,
            "found %s, the same as 'payload': it must switch the output off",
            schema_found(off).text);
        return false;
    }
    return true;
}

static struct plain_output *read_output(
    struct loader *l, const struct tree_node *node, bool circulation)
{
    const uint32_t before = load_errors(l);
    struct plain_output *o = arena_take(l->keep, sizeof *o);
    if (!o) {
        schema_error(&l->reader, node, ERR_FULL, "no memory left");
        return NULL;
    }
    schema_read(&l->reader, &schema_board, node, o);
    o->circulation = circulation;
    if (!o->state_pointer) o->state_pointer = "";
    if (load_errors(l) != before) return NULL;
    return check_payload(l, o, node) && check_topics(l, o, node) ? o : NULL;
}

/* --- the chain that stands for a tank's outputs ------------------------------------------------
 */

static struct chain_config *chain_of(
    struct loader *l, const struct load_tank *t, const struct tree_node *node, uint32_t *ret)
{
    struct site *site = &l->config->site;
    const char *key = t->draft.tank.key;
    for (uint32_t c = 0; c < site->chain_count; c++) {
        if (!text_same(site->chain[c].key, key)) continue;
        *ret = c;
        if (site->chain[c].plain) return &site->chain[c];
        schema_error(&l->reader, node, ERR_DUPLICATE,
            "the plain outputs of a tank go by its name, and a chain is called %s, too: rename one",
            key);
        return NULL;
    }
    if (site->chain_count == SITE_CHAINS_MAX) {
        schema_error(&l->reader, node, ERR_FULL,
            "too many: chains and tanks with plain outputs are at most %d together",
            SITE_CHAINS_MAX);
        return NULL;
    }
    *ret = site->chain_count;
    struct chain_config *chain = &site->chain[site->chain_count++];
    *chain = (struct chain_config){ .key = key, .device = key, .plain = true };
    chain->supply = (struct supply){ .usable_share = 1.0, .start_factor = 1.0 };
    return chain;
}

bool load_plain(struct loader *l, const struct load_tank *t, const struct tree_node *node,
    bool circulation, struct chain_address *ret, const char **ret_serial)
{
    uint32_t c;
    const struct plain_output *o = read_output(l, node, circulation);
    struct chain_config *chain = o ? chain_of(l, t, node, &c) : NULL;
    if (!chain) return false;
    char serial[CHAIN_WORD_MAX];
    plain_serial(serial, o);
    if (load_serial_taken(&l->config->site, serial)) {
        schema_error(&l->reader, node, ERR_DUPLICATE,
            "another output of this site has the same topic and payloads, and an output serves one "
            "purpose only");
        return false;
    }
    INVARIANT(chain->count < CHAIN_MODULES_MAX); /* a tank has 12 pumps and a circulation */
    struct chain_module_config *module = &chain->module[chain->count++];
    (void)text_copy(module->serial, sizeof module->serial, serial);
    module->position = module->filed = chain->count;
    module->channels = 1;
    module->circulation = circulation;
    module->plain = o;
    *ret = (struct chain_address){ c, chain->count, circulation ? 0 : 1 };
    *ret_serial = module->serial;
    return true;
}

/* --- with the rest of the tank -----------------------------------------------------------------
 */

static void check_pump(struct loader *l, const struct load_tank *t, const struct site_pump *pump,
    const struct plain_output *o)
{
    const struct site *site = &l->config->site;
    const char *key = site->stock[pump->stock].key;
    const struct tree_node *node = tree_get(tree_get(tree_get(t->node, "pumps"), key), "address");
    const int64_t least_ms = nearest(floor((double)pump->limits.smallest_ul / pump->ml_per_s));
    const int64_t full_ul = site_full_ul(site, pump, pump->ml_per_s);
    if (plain_run_ms(o, least_ms) <= 0 || least_ms > plain_longest_ms(o))
        schema_error(&l->reader, node, ERR_RANGE,
            "the pump's smallest dose takes %.3f s; this output runs for %.3f to %.3f s",
            (double)least_ms / 1000.0, (double)o->step_ms / 1000.0,
            (double)plain_longest_ms(o) / 1000.0);
    if (full_ul > pump->limits.hour_ul)
        schema_error(&l->reader, node, ERR_RANGE,
            "each dose counts as %.1f mL, a run of the whole auto_off_s, because the message that "
            "ends it may be lost; hour_ml is %.1f mL, so nothing would ever be dosed: set the "
            "board "
            "to a shorter auto-off",
            (double)full_ul / 1000.0, (double)pump->limits.hour_ul / 1000.0);
    else if (site_full_stays(site, pump))
        schema_warn(&l->reader, node,
            "each dose counts as %.1f mL against the limits, a run of the whole auto_off_s: the "
            "message that ends it may be lost, and the board doesn't report. Set the board to a "
            "shorter auto-off, or use one that times itself",
            (double)full_ul / 1000.0);
}

static void check_circulation(
    struct loader *l, const struct load_tank *t, const struct plain_output *o)
{
    const struct tree_node *node = tree_get(tree_get(t->node, "circulation"), "pump");
    const int64_t least_ms = site_flush_ms(&t->draft.tank) + CIRCULATE_SPARE_MS;
    if (plain_longest_ms(o) < least_ms)
        schema_error(&l->reader, node, ERR_RANGE,
            "this output runs for %.0f s at most; a dose and its flush take %.0f s: raise the "
            "board's auto-off",
            (double)plain_longest_ms(o) / 1000.0, (double)least_ms / 1000.0);
    if (!o->state_topic && !t->draft.tank.probe[PROBE_FLOW].present)
        schema_error(&l->reader, node, ERR_MISSING,
            "nothing would tell that the circulation runs, and without it nothing may be dosed: "
            "give 'state', where the board reports, or a flow probe");
}

void load_verify_plain(struct loader *l, struct load_tank *t)
{
    const struct site *site = &l->config->site;
    const struct site_tank *tank = &t->draft.tank;
    const struct plain_output *o = site_plain(site, &tank->circulation.address);
    if (o) check_circulation(l, t, o);
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        o = site_plain(site, &tank->pump[p].address);
        if (o) check_pump(l, t, &tank->pump[p], o);
    }
}
