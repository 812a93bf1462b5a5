/* Tanks: in the site file by key, or each in a file of its own. */
#include <glob.h>
#include <string.h>

#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"

enum { ESCAPED_PATH_MAX = 2 * CONFIG_PATH_MAX };

static void take_flow(struct loader *l, struct load_tank *t)
{
    struct site_circulation *c = &t->draft.tank.circulation;
    const struct tree_node *measured = tree_get(tree_get(t->node, "circulation"), "flow_measured");
    c->filed_flow_l_min = c->flow_l_min;
    c->measured = measured != NULL;
    load_check_past(l, measured, c->measured_at);
}

static void take_circulation(struct loader *l, struct load_tank *t)
{
    struct site_circulation *c = &t->draft.tank.circulation;
    const struct tree_node *node = tree_get(tree_get(t->node, "circulation"), "pump");
    take_flow(l, t);
    if (!node) return;
    if (node->kind == TREE_MAP) {
        (void)load_plain(l, t, node, true, &c->address, &c->serial);
        return;
    }
    if (node->kind != TREE_SCALAR) {
        schema_error(&l->reader, node, ERR_SYNTAX,
            "found %s; allowed: a circulation output such as west/1.circulation, or a mapping with "
            "the topic of a plain output",
            schema_found(node).text);
        return;
    }
    if (!load_address(l, node, node->text, &c->address, &c->serial)) return;
    if (c->address.channel != CHAIN_CIRCULATION_CHANNEL) {
        schema_error(&l->reader, node, ERR_RANGE,
            "found %s, a dosing channel; allowed: a circulation output such as west/1.circulation",
            schema_found(node).text);
        return;
    }
    if (!load_claim_output(l, node, &c->address, t->index)) return;
    const struct chain_config *chain = &l->config->site.chain[c->address.chain];
    if (chain->module[c->address.position - 1].power.circulation_amps <= 0.0)
        schema_error(&l->reader, node, ERR_MISSING,
            "found %s, but module %s has no 'circulation_amps': say there what the output draws",
            schema_found(node).text, c->serial);
}

static void take_interlocks(struct loader *l, struct load_tank *t)
{
    const struct tree_node *node = tree_get(tree_get(t->node, "interlocks"), "level_min_percent");
    t->draft.tank.has_level_min = node != NULL;
    if (!node || t->draft.tank.probe[PROBE_LEVEL].present) return;
    schema_error_at_key(
        &l->reader, node, ERR_MISSING, "needs a level probe: 'level' isn't among the probes");
}

static void take_upkeep(struct loader *l, struct load_tank *t)
{
    const struct tree_node *upkeep = tree_get(t->node, "upkeep");
    const struct tree_node *litres = tree_get(upkeep, "water_change_l");
    const struct tree_node *differs = tree_get(upkeep, "light_differs_min");
    const struct probe_config *probe = t->draft.tank.probe;
    if (litres && t->draft.tank.upkeep.water_l > 0.0 && !probe[PROBE_LEVEL].present &&
        !probe[PROBE_VOLUME].present)
        schema_error_at_key(&l->reader, litres, ERR_MISSING,
            "needs a level or a volume probe: nothing else tells what is topped up");
    if (differs && t->draft.tank.upkeep.light_differs_ms > 0 && !probe[PROBE_LIGHT].present)
        schema_error_at_key(&l->reader, differs, ERR_MISSING,
            "needs a light probe: 'light' isn't among the probes");
}

static void take_schedule(struct loader *l, struct load_tank *t)
{
    if (!t->draft.schedule) return;
    const char *path = load_path(l, t->draft.schedule);
    if (path) (void)load_crop_file(l, path, tree_get(t->node, "schedule"), &t->draft.tank.schedule);
}

static void read_tank(struct loader *l, uint32_t index, const struct tree_node *node)
{
    struct site_tank *tank = &l->config->site.tank[index];
    struct load_tank t = { .node = node, .index = index };
    const uint32_t before = load_errors(l);
    schema_read(&l->reader, &schema_tank, node, &t.draft);
    if (node->kind != TREE_MAP) return;
    t.draft.tank.key = tank->key;
    if (!t.draft.tank.name) t.draft.tank.name = tank->key;
    if (!tree_get(tree_get(node, "envelope"), "temperature_degc")) {
        t.draft.tank.envelope.degc_least = 5.0;
        t.draft.tank.envelope.degc_most = 40.0;
    }
    take_circulation(l, &t);
    load_probes(l, &t);
    load_pumps(l, &t);
    take_interlocks(l, &t);
    take_upkeep(l, &t);
    take_schedule(l, &t);
    if (load_errors(l) == before) load_verify_tank(l, &t);
    *tank = t.draft.tank;
}

/* Room for 'count' tanks; false when there can't be. */
static bool make_room(struct loader *l, const struct tree_node *node, size_t count)
{
    struct site *site = &l->config->site;
    if (count < 1 || count > SITE_TANKS_MAX) {
        schema_error(&l->reader, node, ERR_RANGE, "found %zu tanks; allowed: 1 to %d", count,
            SITE_TANKS_MAX);
        return false;
    }
    site->tank = arena_take(l->keep, count * sizeof *site->tank);
    l->tube_ml = arena_take(l->keep, count * TANK_PUMPS_MAX * sizeof *l->tube_ml);
    l->tube = arena_take(l->keep, count * TANK_PUMPS_MAX * sizeof *l->tube);
    l->config->tube_ml = l->tube_ml;
    l->config->tube = l->tube;
    if (site->tank && l->tube_ml && l->tube) return true;
    schema_error(&l->reader, node, ERR_FULL, "no memory left for %zu tanks", count);
    return false;
}

static bool key_allowed(struct loader *l, const struct tree_node *node, const char *key)
{
    const struct site *site = &l->config->site;
    if (!chain_key_valid(key)) {
        schema_error_at_key(&l->reader, node, ERR_SYNTAX,
            "found %s; a name has 1 to 32 of a to z, 0 to 9 and -", schema_quoted(key).text);
        return false;
    }
    if (strncmp(key, "standby-", 8) == 0) {
        schema_error_at_key(&l->reader, node, ERR_RANGE,
            "found %s; names that begin with standby- are kept for a daemon that stands by",
            schema_quoted(key).text);
        return false;
    }
    for (uint32_t i = 0; i < site->tank_count; i++) {
        if (!text_same(site->tank[i].key, key)) continue;
        schema_error(&l->reader, node, ERR_DUPLICATE, "a second tank is called %s", key);
        return false;
    }
    return true;
}

/* The next tank, with its name, or NULL when that is no name. */
static struct site_tank *next_tank(struct loader *l, const struct tree_node *node, const char *key)
{
    if (!key_allowed(l, node, key)) return NULL;
    struct site *site = &l->config->site;
    struct site_tank *tank = &site->tank[site->tank_count++];
    tank->key = load_keep(l, key);
    return tank;
}

static void read_map(struct loader *l, const struct tree_node *map)
{
    if (!make_room(l, map, map->count)) return;
    for (const struct tree_node *n = map->first; n; n = n->next) {
        if (next_tank(l, n, n->key)) read_tank(l, l->config->site.tank_count - 1, n);
    }
}

/* --- a file for each tank ----------------------------------------------------------------------
 */

/* The site's folder may hold characters that mean something in a pattern: they are escaped. */
static void make_pattern(struct loader *l, char ret[ESCAPED_PATH_MAX], const char *pattern)
{
    struct text t = text_over(ret, ESCAPED_PATH_MAX);
    for (const char *c = pattern[0] == '/' ? "" : l->dir; *c; c++) {
        if (strchr("*?[]\\", *c)) text_add_char(&t, '\\');
        text_add_char(&t, *c);
    }
    text_add(&t, pattern);
}

static void read_tank_file(struct loader *l, const struct tree_node *node, const char *path)
{
    const char *name = strrchr(path, '/');
    name = name ? name + 1 : path;
    const size_t length = strlen(name);
    char key[TREE_SCALAR_MAX];
    struct text t = text_over(key, sizeof key);
    const bool yaml = length > 5 && strcmp(name + length - 5, ".yaml") == 0;
    text_add_bytes(&t, name, yaml ? length - 5 : length);
    if (!yaml) {
        schema_error(&l->reader, node, ERR_RANGE, "%s: a tank's file is called <key>.yaml", path);
        return;
    }
    if (!next_tank(l, node, key)) return;
    const char *kept = load_keep(l, path);
    const struct tree_node *root = load_file(l, &l->one_tree, kept, node);
    const char *outer = l->reader.file;
    l->reader.file = kept;
    if (root) read_tank(l, l->config->site.tank_count - 1, root);
    l->reader.file = outer;
    arena_free(&l->one_tree);
}

/* All files of one pattern, in the order of their names. */
static bool expand(struct loader *l, const struct tree_node *node, glob_t *found)
{
    if (node->kind != TREE_SCALAR || node->length == 0 || strstr(node->text, "${")) {
        schema_error(&l->reader, node, ERR_SYNTAX,
            "found %s; allowed: a file's path or a pattern such as tanks/*.yaml",
            schema_found(node).text);
        return false;
    }
    char pattern[ESCAPED_PATH_MAX];
    make_pattern(l, pattern, node->text);
    if (glob(pattern, 0, NULL, found) == 0) return true;
    globfree(found);
    schema_error(
        &l->reader, node, ERR_MISSING, "found %s, which matches no file", schema_found(node).text);
    return false;
}

static void read_list(struct loader *l, const struct tree_node *list)
{
    size_t count = 0;
    for (const struct tree_node *n = list->first; n; n = n->next) {
        glob_t found;
        if (!expand(l, n, &found)) return;
        count += found.gl_pathc;
        globfree(&found);
    }
    if (!make_room(l, list, count)) return;
    for (const struct tree_node *n = list->first; n; n = n->next) {
        glob_t found;
        if (!expand(l, n, &found)) return;
        for (size_t i = 0; i < found.gl_pathc && count > 0; i++, count--) {
            read_tank_file(l, n, found.gl_pathv[i]);
        }
        globfree(&found);
    }
}

void load_tanks(struct loader *l, const struct tree_node *tanks)
{
    if (tanks->kind == TREE_MAP)
        read_map(l, tanks);
    else if (tanks->kind == TREE_LIST)
        read_list(l, tanks);
    else
        schema_error(&l->reader, tanks, ERR_SYNTAX,
            "found %s; allowed: a mapping from names to tanks, or a list of files",
            schema_found(tanks).text);
}
