/* The keys that requests over the broker must be signed with: their names, and where they lie. The
 * keys themselves aren't part of a configuration (daemon/hear/request_keys.h). */
#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"

static void refuse_same_file(struct loader *l, const struct tree_node *node, const char *path)
{
    const struct config *c = l->config;
    for (uint32_t i = 0; i < c->site.signer_count; i++) {
        if (!text_same(c->signer_file[i], path)) continue;
        schema_error(&l->reader, node, ERR_RANGE,
            "found %s, the file of '%s' too; each sender has a key of its own, or nobody can tell "
            "them apart",
            schema_found(node).text, c->site.signer[i]);
        return;
    }
}

static void take_signer(struct loader *l, const struct tree_node *node)
{
    struct config *c = l->config;
    const char *path = NULL;
    if (!load_name_valid(l, node)) return;
    if (!schema_read_value(&l->reader, &schema_signer, node, &path) || !path) return;
    path = load_path(l, path);
    if (!path) return;
    refuse_same_file(l, node, path);
    c->site.signer[c->site.signer_count] = load_keep(l, node->key);
    c->signer_file[c->site.signer_count++] = path;
}

void load_signers(struct loader *l, const struct tree_node *requests)
{
    const struct tree_node *keys = tree_get(requests, "keys");
    if (!keys || keys->kind != TREE_MAP) return;
    if (keys->count < 1 || keys->count > SITE_SIGNERS_MAX) {
        schema_error(&l->reader, keys, ERR_RANGE,
            "found %u keys; allowed: 1 to %d, or no 'requests' at all where none needs to be "
            "signed",
            keys->count, SITE_SIGNERS_MAX);
        return;
    }
    for (const struct tree_node *n = keys->first; n; n = n->next) {
        take_signer(l, n);
    }
}
