/* Probes of a tank. */
#include <string.h>

#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"

struct span {
    double least, most;
};

/* What is plausible where the configuration doesn't say: common practice, no source. */
static struct span usual_range(enum probe_unit unit)
{
    switch (unit) {
    case UNIT_PH:
        return (struct span){ 2.0, 12.0 };
    case UNIT_MV:
        return (struct span){ -420.0, 420.0 };
    case UNIT_MS_CM:
        return (struct span){ 0.02, 10.0 };
    case UNIT_US_CM:
    case UNIT_US:
        return (struct span){ 20.0, 10000.0 };
    case UNIT_DEGC:
        return (struct span){ -10.0, 60.0 };
    case UNIT_DEGF:
        return (struct span){ 14.0, 140.0 };
    case UNIT_L:
        return (struct span){ 0.0, 1000000.0 };
    case UNIT_L_MIN:
        return (struct span){ 0.0, 10000.0 };
    case UNIT_PERCENT: /* a full tank with a wave in it shows a little more than all */
        return (struct span){ 0.0, 110.0 };
    case UNIT_MM:
        return (struct span){ 0.0, 10000.0 };
    case UNIT_KPA:
        return (struct span){ 0.0, 1000.0 };
    case UNIT_LX:
        return (struct span){ 0.0, 200000.0 };
    case UNIT_BOOL:
        return (struct span){ 0.0, 1.0 };
    case UNIT_COUNT:
        break;
    }
    return (struct span){ 0.0, 0.0 };
}

static void read_words(struct loader *l, struct probe_config *p, const struct tree_node *list)
{
    if (!list || list->kind != TREE_LIST) return;
    if (list->count > PROBE_WORDS_MAX) {
        schema_error(&l->reader, list, ERR_FULL, "found %u words; allowed: at most %d", list->count,
            PROBE_WORDS_MAX);
        return;
    }
    for (const struct tree_node *n = list->first; n; n = n->next) {
        const char **word = &p->nothing_word[p->nothing_count];
        if (schema_read_value(&l->reader, &schema_nothing_word, n, word)) p->nothing_count++;
    }
}

static void read_fault_values(
    struct loader *l, struct probe_config *p, const struct tree_node *list)
{
    if (!list || list->kind != TREE_LIST) return;
    if (list->count > PROBE_SENTINELS_MAX) {
        schema_error(&l->reader, list, ERR_FULL, "found %u numbers; allowed: at most %d",
            list->count, PROBE_SENTINELS_MAX);
        return;
    }
    for (const struct tree_node *n = list->first; n; n = n->next) {
        double *value = &p->sentinel[p->sentinel_count];
        if (schema_read_value(&l->reader, &schema_fault_value, n, value)) p->sentinel_count++;
    }
}

/* With the units that could have been meant. */
static void refuse_unit(
    struct loader *l, const struct probe_config *p, const struct tree_node *node, bool known)
{
    char list[80];
    struct text t = text_over(list, sizeof list);
    for (uint32_t u = 0; u < UNIT_COUNT; u++) {
        if (!probe_unit_fits((enum probe_unit)u, p->quantity)) continue;
        if (t.length > 0) text_add(&t, ", ");
        text_add(&t, probe_unit_word((enum probe_unit)u));
    }
    const char *quantity = probe_quantity_word(p->quantity);
    if (known)
        schema_error(&l->reader, node, ERR_RANGE, "found %s, which doesn't measure %s; allowed: %s",
            schema_found(node).text, quantity, list);
    else
        schema_error(&l->reader, node, ERR_UNKNOWN, "found %s; allowed for %s: %s",
            schema_found(node).text, quantity, list);
}

static bool read_unit(struct loader *l, struct probe_config *p, const struct tree_node *node)
{
    uint32_t u = 0;
    while (u < UNIT_COUNT && (node->kind != TREE_SCALAR ||
                                 strcmp(node->text, probe_unit_word((enum probe_unit)u)) != 0)) {
        u++;
    }
    if (u == UNIT_COUNT || !probe_unit_fits((enum probe_unit)u, p->quantity)) {
        refuse_unit(l, p, node, u < UNIT_COUNT);
        return false;
    }
    p->unit = (enum probe_unit)u;
    return true;
}

/* A calibration on record is one with a date: of a probe in finished units its 'calibrated', of one
 * in mV its 'calibration'. Only EC and pH need one. */
static void check_calibration(
    struct loader *l, struct probe_config *p, const struct tree_node *node)
{
    const struct tree_node *date = tree_get(node, "calibrated");
    const struct tree_node *points = tree_get(node, "calibration");
    const bool mv = p->unit == UNIT_MV;
    if (date && mv)
        schema_error_at_key(&l->reader, date, ERR_RANGE,
            "a probe in mV needs 'calibration: { zero_mv, slope_percent, date }' instead");
    if (points && !mv)
        schema_error_at_key(&l->reader, points, ERR_RANGE,
            "only a probe in mV has this; for unit %s say 'calibrated: date'",
            probe_unit_word(p->unit));
    load_check_past(l, date, p->calibrated_at);
    if (points) load_check_past(l, tree_get(points, "date"), p->calibrated_at);
    p->calibrated = date || points;
    if (!points) p->slope_percent = 100.0;
    const bool needs = p->quantity == PROBE_EC || p->quantity == PROBE_PH;
    if (needs && !p->calibrated)
        schema_warn(&l->reader, node,
            "no calibration is on record: nothing is dosed until there is one (%s)",
            mv ? "calibration" : "calibrated");
    if (!needs && p->calibrate_every_ms > 0 && !date)
        schema_error(&l->reader, tree_get(node, "calibrate_every_days"), ERR_MISSING,
            "needs 'calibrated', the day of the last calibration, beside it");
    if (!needs) p->calibrated = true;
}

static void warn_if_due(
    struct loader *l, const struct probe_config *p, const struct tree_node *node)
{
    const struct tree_node *every = tree_get(node, "calibrate_every_days");
    if (!every || p->calibrate_every_ms == 0 || !p->calibrated) return;
    if (l->now.clock == CLOCK_UNSET) return;
    if (l->now.civil.ms < p->calibrated_at.ms + p->calibrate_every_ms) return;
    schema_warn(&l->reader, every, "the probe's calibration is overdue");
}

/* Between two readings there would be none. */
static void warn_if_seldom(
    struct loader *l, const struct probe_config *p, const struct tree_node *node)
{
    if (p->every_ms <= p->max_age_ms) return;
    schema_warn(&l->reader, tree_get(node, "every_s"),
        "found %lld s; allowed: at most max_age_s, %lld s: between two readings the older one "
        "doesn't count any more",
        (long long)(p->every_ms / 1000), (long long)(p->max_age_ms / 1000));
}

bool load_own_topic(const struct loader *l, const char *topic)
{
    const struct config *c = l->config;
    char own[96];
    struct text t = text_over(own, sizeof own);
    text_add(&t, c->homie_domain);
    text_add(&t, "/5/");
    if (strncmp(topic, own, t.length) != 0) return false;
    const char *device = topic + t.length;
    const size_t length = strcspn(device, "/"), site = strlen(c->site.key);
    bool taken = site > 0 && strncmp(device, c->site.key, site) == 0 &&
                 (length == site || device[site] == '-');
    for (uint32_t i = 0; i < c->site.chain_count; i++) {
        if (c->site.chain[i].plain) continue;
        const char *head = c->site.chain[i].device;
        taken = taken || (strlen(head) == length && strncmp(device, head, length) == 0);
    }
    return taken;
}

/* The daemon's own topics, and those of its chain heads, are no place for a probe. */
static void check_topic(
    struct loader *l, const struct probe_config *p, const struct tree_node *node)
{
    if (load_own_topic(l, p->topic))
        schema_error(&l->reader, node, ERR_RANGE,
            "found %s, a topic of this site's own devices; a probe has one of its own",
            schema_found(node).text);
}

static void check_range(struct loader *l, struct probe_config *p, const struct tree_node *node)
{
    const struct span usual = usual_range(p->unit);
    if (!tree_get(node, "range")) {
        p->least = usual.least;
        p->most = usual.most;
    }
    const struct tree_node *constant = tree_get(node, "cell_constant");
    if (constant && p->unit != UNIT_US)
        schema_error_at_key(&l->reader, constant, ERR_RANGE,
            "only a bare conductance (unit uS) has a cell constant; the unit here is %s",
            probe_unit_word(p->unit));
}

static void finish_probe(struct loader *l, struct probe_config *p, const struct tree_node *node)
{
    const struct tree_node *unit = tree_get(node, "unit");
    if (!p->pointer) p->pointer = "";
    p->present = true;
    p->cell_nominal = p->cell_constant;
    if (!unit || !read_unit(l, p, unit) || !p->topic) return;
    read_words(l, p, tree_get(node, "nothing_words"));
    read_fault_values(l, p, tree_get(node, "fault_values"));
    check_topic(l, p, tree_get(node, "topic"));
    check_range(l, p, node);
    check_calibration(l, p, node);
    warn_if_due(l, p, node);
    warn_if_seldom(l, p, node);
}

/* In the order of enum probe_quantity; leak stands under interlocks. */
static const char *const keys[PROBE_QUANTITY_COUNT] = { "ec", "ph", "temperature", "level",
    "volume", "flow", NULL, "air_temperature", "humidity", "light", "enclosure" };

void load_probes(struct loader *l, struct load_tank *t)
{
    const struct tree_node *probes = tree_get(t->node, "probes");
    for (uint32_t q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        const struct tree_node *node =
            keys[q] ? tree_get(probes, keys[q]) : tree_get(tree_get(t->node, "interlocks"), "leak");
        struct probe_config *p = &t->draft.tank.probe[q];
        p->quantity = (enum probe_quantity)q;
        if (node && node->kind == TREE_MAP) finish_probe(l, p, node);
    }
}
