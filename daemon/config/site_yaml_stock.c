/* Stocks, and the files that say what is in their bottles. */
#include <string.h>

#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"
#include "lib/chem/formula.h"

static void read_salt(
    struct loader *l, struct stock_solution *solution, const struct tree_node *node)
{
    struct formula formula;
    struct problem problem = { 0 };
    if (strlen(node->key) >= STOCK_FORMULA_MAX) {
        schema_error_at_key(&l->reader, node, ERR_FULL, "a formula has at most %d characters",
            STOCK_FORMULA_MAX - 1);
        return;
    }
    if (formula_read(&formula, node->key, &problem) != ERR_NONE) {
        schema_error_at_key(&l->reader, node, problem.err, "%s", problem.text);
        return;
    }
    struct stock_salt *salt = &solution->salt[solution->salt_count];
    if (!schema_read_value(&l->reader, &schema_grams, node, &salt->g_per_l)) return;
    salt->formula = load_keep(l, node->key);
    solution->salt_count++;
}

static void read_salts(
    struct loader *l, struct stock_solution *solution, const struct tree_node *map)
{
    if (!map || map->kind != TREE_MAP) return;
    if (map->count < 1 || map->count > STOCK_SALTS_MAX) {
        schema_error(&l->reader, map, ERR_RANGE, "found %u salts; allowed: 1 to %d", map->count,
            STOCK_SALTS_MAX);
        return;
    }
    for (const struct tree_node *n = map->first; n; n = n->next) {
        read_salt(l, solution, n);
    }
}

/* Keys that belong to another kind of stock. */
static void refuse_keys(
    struct loader *l, const struct tree_node *root, const char *const *keys, const char *kind)
{
    for (; *keys; keys++) {
        const struct tree_node *node = tree_get(root, *keys);
        if (node)
            schema_error_at_key(&l->reader, node, ERR_UNKNOWN,
                "this key doesn't belong to a stock of kind %s", kind);
    }
}

static void want_key(struct loader *l, const struct tree_node *root, const char *key)
{
    if (!tree_get(root, key))
        schema_error(&l->reader, root, ERR_MISSING,
            "the key '%s' is missing: a stock of this kind needs it", key);
}

static void check_nutrient(
    struct loader *l, struct draft_solution *draft, const struct tree_node *root)
{
    static const char *const foreign[] = { "acid", "base", "percent_w_w", "density_g_ml", NULL };
    refuse_keys(l, root, foreign, "nutrient");
    const struct tree_node *salts = tree_get(root, "grams_per_litre");
    const struct tree_node *label = tree_get(root, "label");
    if (!salts == !label) {
        schema_error(&l->reader, label ? label : root, ERR_MISSING,
            "a nutrient needs either 'grams_per_litre' or 'label', and not both");
        return;
    }
    draft->solution.has_label = label != NULL;
    read_salts(l, &draft->solution, salts);
}

static void check_reagent(
    struct loader *l, struct draft_solution *draft, const struct tree_node *root)
{
    static const char *const not_acid[] = { "base", "grams_per_litre", "label", NULL };
    static const char *const not_base[] = { "acid", "grams_per_litre", "label", NULL };
    const bool acid = draft->kind == STOCK_ACID;
    refuse_keys(l, root, acid ? not_acid : not_base, acid ? "acid" : "base");
    want_key(l, root, acid ? "acid" : "base");
    want_key(l, root, "percent_w_w");
    want_key(l, root, "density_g_ml");
    draft->solution.reagent = acid
                                  ? (enum stock_reagent)(REAGENT_NITRIC + draft->acid)
                                  : (enum stock_reagent)(REAGENT_POTASSIUM_HYDROXIDE + draft->base);
}

/* The solution's file. Errors within it carry its own positions. */
static void read_solution(
    struct loader *l, struct site_stock *stock, struct load_stock *load, const char *path)
{
    const struct tree_node *root = load_file(l, &l->tree, path, tree_get(load->node, "solution"));
    if (!root) return;
    const char *outer = l->reader.file;
    const uint32_t before = load_errors(l);
    struct draft_solution draft = { 0 };
    l->reader.file = path;
    schema_read(&l->reader, &schema_solution, root, &draft);
    if (root->kind == TREE_MAP && tree_get(root, "kind") && load_errors(l) == before) {
        load->has_kind = true;
        draft.solution.kind = (enum stock_kind)draft.kind;
        if (draft.solution.kind == STOCK_NUTRIENT)
            check_nutrient(l, &draft, root);
        else
            check_reagent(l, &draft, root);
    }
    load->name = draft.stock;
    if (draft.stock)
        l->config->stock_name[stock - l->config->site.stock] = load_keep(l, draft.stock);
    load->file = path;
    load->keep_apart = tree_get(root, "keep_apart");
    stock->solution = draft.solution;
    struct problem problem = { 0 };
    if (load_errors(l) == before &&
        stock_strength_of(&stock->strength, &stock->solution, &problem) != ERR_NONE)
        schema_error(&l->reader, root, problem.err, "%s", problem.text);
    l->reader.file = outer;
}

static void read_stock(struct loader *l, const struct tree_node *node)
{
    struct site *site = &l->config->site;
    struct site_stock *stock = &site->stock[site->stock_count];
    struct load_stock *load = &l->stock[site->stock_count++];
    struct draft_stock draft = { 0 };
    stock->key = load_keep(l, node->key);
    load->node = node;
    schema_read(&l->reader, &schema_stock, node, &draft);
    stock->bottle_ul = draft.bottle_ul;
    const struct tree_node *low = tree_get(node, "low_ml");
    stock->low_ul = low ? draft.low_ul : draft.bottle_ul / 10;
    stock->low_days = draft.low_days;
    if (low && draft.low_ul > draft.bottle_ul)
        schema_error(&l->reader, low, ERR_RANGE, "found %s, more than bottle_ml holds",
            schema_found(low).text);
    if (draft.solution) read_solution(l, stock, load, load_path(l, draft.solution));
}

/* --- keeping apart ---------------------------------------------------------------------------- */

void load_keep_apart(struct site *site, uint32_t a, uint32_t b)
{
    if (a == b) return;
    site->stock[a].keep_apart |= UINT64_C(1) << b;
    site->stock[b].keep_apart |= UINT64_C(1) << a;
}

/* A name means the stocks of this site with that key, and those whose file has that name. */
static bool keep_apart_by_name(struct loader *l, uint32_t stock, const char *name)
{
    struct site *site = &l->config->site;
    bool found = false;
    for (uint32_t i = 0; i < site->stock_count; i++) {
        const bool by_key = text_same(site->stock[i].key, name);
        const bool by_name = l->stock[i].name && text_same(l->stock[i].name, name);
        if (!by_key && !by_name) continue;
        load_keep_apart(site, stock, i);
        found = true;
    }
    return found;
}

static void apply_names(struct loader *l, uint32_t stock)
{
    const struct site *site = &l->config->site;
    const struct tree_node *list = l->stock[stock].keep_apart;
    if (!list || list->kind != TREE_LIST) return;
    const char *names[SITE_STOCKS_MAX];
    for (uint32_t i = 0; i < site->stock_count; i++) {
        names[i] = site->stock[i].key;
    }
    const char *outer = l->reader.file;
    l->reader.file = l->stock[stock].file;
    for (const struct tree_node *n = list->first; n; n = n->next) {
        const char *name;
        if (!schema_read_value(&l->reader, &schema_name, n, &name)) continue;
        const struct load_names known = { name, "stock of this site", names, site->stock_count };
        if (!keep_apart_by_name(l, stock, name)) load_no_such_name(l, n, &known);
    }
    l->reader.file = outer;
}

static void keep_all_apart(struct loader *l)
{
    struct site *site = &l->config->site;
    for (uint32_t i = 0; i < site->stock_count; i++) {
        apply_names(l, i);
        for (uint32_t j = 0; j < i; j++) {
            if (stock_keep_apart(&site->stock[i].strength, &site->stock[j].strength))
                load_keep_apart(site, i, j);
        }
    }
}

void load_stocks(struct loader *l, const struct tree_node *map)
{
    if (map->count < 1 || map->count > SITE_STOCKS_MAX) {
        schema_error(&l->reader, map, ERR_RANGE, "found %u stocks; allowed: 1 to %d", map->count,
            SITE_STOCKS_MAX);
        return;
    }
    for (const struct tree_node *n = map->first; n; n = n->next) {
        if (load_name_valid(l, n)) read_stock(l, n);
    }
    keep_all_apart(l);
}
