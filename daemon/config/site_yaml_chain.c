/* Chains, their modules, and the outputs that tanks claim. */
#include <string.h>

#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"
#include "lib/chain/bind.h"

bool load_serial_taken(const struct site *site, const char *serial)
{
    for (uint32_t c = 0; c < site->chain_count; c++) {
        const struct chain_config *chain = &site->chain[c];
        for (uint32_t m = 0; m < CHAIN_MODULES_MAX; m++) {
            if (text_same(chain->module[m].serial, serial)) return true;
        }
    }
    return false;
}

static void read_module(struct loader *l, struct chain_config *chain, const struct tree_node *node)
{
    struct draft_module draft = { 0 };
    schema_read(&l->reader, &schema_module, node, &draft);
    if (draft.serial && load_serial_taken(&l->config->site, draft.serial)) {
        schema_error(&l->reader, tree_get(node, "serial"), ERR_DUPLICATE,
            "found %s; another module of this site has that serial number already",
            schema_quoted(draft.serial).text);
        return;
    }
    if (!draft.serial || draft.position < 1) return;
    struct chain_module_config *module = &chain->module[draft.position - 1];
    if (module->position != 0) {
        schema_error(&l->reader, tree_get(node, "position"), ERR_DUPLICATE,
            "found %lld; module %s is at that position already", (long long)draft.position,
            module->serial);
        return;
    }
    text_copy(module->serial, sizeof module->serial, draft.serial);
    text_copy(module->filed_serial, sizeof module->filed_serial, draft.serial);
    module->position = module->filed = (uint32_t)draft.position;
    module->power = draft.power;
    if (draft.awg <= 0) return;
    module->power.cable_ohm = supply_cable_ohm((int)draft.awg, draft.length_m);
    module->power.cable_ohm_per_m = supply_cable_ohm((int)draft.awg, 1.0);
}

static void read_modules(struct loader *l, struct chain_config *chain, const struct tree_node *list)
{
    const uint32_t before = load_errors(l);
    if (list->count < 1 || list->count > CHAIN_MODULES_MAX) {
        schema_error(&l->reader, list, ERR_RANGE, "found %u modules; allowed: 1 to %d", list->count,
            CHAIN_MODULES_MAX);
        return;
    }
    chain->count = list->count;
    for (const struct tree_node *n = list->first; n; n = n->next) {
        read_module(l, chain, n);
    }
    if (load_errors(l) != before) return;
    for (uint32_t m = 0; m < chain->count; m++) {
        if (chain->module[m].position != 0) continue;
        schema_error(&l->reader, list, ERR_MISSING,
            "no module is at position %u; positions run from 1 to %u without gaps", m + 1,
            chain->count);
        return;
    }
    chain->file_tag = chain_file_tag(chain);
}

static void read_chain(struct loader *l, const struct tree_node *node)
{
    struct site *site = &l->config->site;
    struct chain_config *chain = &site->chain[site->chain_count];
    l->chain_node[site->chain_count++] = node;
    struct draft_chain draft = { 0 };
    schema_read(&l->reader, &schema_chain, node, &draft);
    chain->key = load_keep(l, node->key);
    chain->device = draft.device ? draft.device : chain->key;
    chain->supply = (struct supply){ .volts = draft.volts,
        .amps = draft.amps,
        .usable_share = draft.usable_percent / 100.0,
        .start_factor = draft.start_factor };
    const struct tree_node *modules = tree_get(node, "modules");
    if (modules && modules->kind == TREE_LIST) read_modules(l, chain, modules);
}

void load_chains(struct loader *l, const struct tree_node *map)
{
    if (map->count < 1 || map->count > SITE_CHAINS_MAX) {
        schema_error(&l->reader, map, ERR_RANGE, "found %u chains; allowed: 1 to %d", map->count,
            SITE_CHAINS_MAX);
        return;
    }
    for (const struct tree_node *n = map->first; n; n = n->next) {
        if (load_name_valid(l, n)) read_chain(l, n);
    }
}

/* --- addresses -------------------------------------------------------------------------------- */

static uint32_t find_chain(struct loader *l, const struct tree_node *node, const char *key)
{
    const struct site *site = &l->config->site;
    const char *names[SITE_CHAINS_MAX];
    uint32_t count = 0;
    for (uint32_t c = 0; c < site->chain_count; c++) {
        if (site->chain[c].plain) continue;
        if (text_same(site->chain[c].key, key)) return c;
        names[count++] = site->chain[c].key;
    }
    const struct load_names known = { key, "chain", names, count };
    load_no_such_name(l, node, &known);
    return UINT32_MAX;
}

bool load_address(struct loader *l, const struct tree_node *node, const char *text,
    struct chain_address *ret, const char **ret_serial)
{
    struct chain_address_text a;
    if (!chain_address_read(&a, text)) {
        schema_error(&l->reader, node, ERR_SYNTAX,
            "found %s; allowed: chain/position.channel such as west/2.3, or west/1.circulation "
            "(positions 1 to %d, channels 1 to %d)",
            schema_quoted(text).text, CHAIN_MODULES_MAX, CHAIN_CHANNELS_MAX);
        return false;
    }
    const uint32_t c = find_chain(l, node, a.chain);
    if (c == UINT32_MAX) return false;
    const struct chain_config *chain = &l->config->site.chain[c];
    if (a.position > chain->count || chain->module[a.position - 1].position == 0) {
        schema_error(&l->reader, node, ERR_UNKNOWN,
            "found %s; chain %s has no module at position %u, only 1 to %u",
            schema_quoted(text).text, chain->key, a.position, chain->count);
        return false;
    }
    *ret = (struct chain_address){ c, a.position, a.channel };
    *ret_serial = chain->module[a.position - 1].serial;
    return true;
}

bool load_claim_output(struct loader *l, const struct tree_node *node,
    const struct chain_address *address, uint32_t tank)
{
    const struct site *site = &l->config->site;
    uint32_t *owner = &l->owner[address->chain][address->position - 1][address->channel];
    if (*owner != 0) {
        schema_error(&l->reader, node, ERR_DUPLICATE,
            "found %s; tank %s has that output already, and an output serves one purpose only",
            schema_found(node).text, site->tank[*owner - 1].key);
        return false;
    }
    *owner = tank + 1;
    struct chain_module_config *module =
        &l->config->site.chain[address->chain].module[address->position - 1];
    if (address->channel == CHAIN_CIRCULATION_CHANNEL)
        module->circulation = true;
    else if (address->channel > module->channels)
        module->channels = address->channel;
    return true;
}
