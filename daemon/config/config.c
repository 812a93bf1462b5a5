#include "daemon/config/config.h"

#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/base/digest.h"
#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"

/* The folder of a path with its slash, or "". */
static const char *folder_of(struct arena *arena, const char *path)
{
    const char *slash = strrchr(path, '/');
    return arena_copy(arena, path, slash ? (size_t)(slash - path) + 1 : 0);
}

static enum err out_of_memory(struct problem_list *errors, const char *path)
{
    struct problem p = { 0 };
    (void)problem_set(&p, ERR_FULL, path, "no memory left to read it");
    problem_list_add(errors, &p);
    return ERR_FULL;
}

static void read_everything(struct loader *l, const char *path)
{
    const struct tree_node *root = load_file(l, &l->tree, path, NULL);
    char hex[DIGEST_HEX_MAX];
    if (root) load_site(l, root);
    if (digest_close(l->digest, hex)) l->config->site.digest = load_keep(l, hex);
    arena_free(&l->one_tree);
    arena_free(&l->crop_tree);
    arena_free(&l->tree);
}

static enum err load_with(
    struct loader *l, const char *path, bool check_only, struct problem_list *errors)
{
    l->config->site.digest = "";
    l->config->path = load_keep(l, path);
    l->dir = folder_of(l->keep, path);
    l->digest = digest_open();
    l->now = clock_now();
    l->reader = (struct schema_reader){ .arena = l->keep,
        .errors = errors,
        .warnings = &l->config->unwise,
        .file = l->config->path,
        .credentials = getenv("CREDENTIALS_DIRECTORY"),
        .forgive_credentials = check_only };
    if (!l->dir || !l->digest) {
        char unused[DIGEST_HEX_MAX];
        (void)digest_close(l->digest, unused);
        return out_of_memory(errors, path);
    }
    const uint32_t before = errors->count + errors->more;
    read_everything(l, path);
    if (errors->count + errors->more == before) return ERR_NONE;
    return before < errors->count ? errors->item[before].err : ERR_FULL;
}

enum err config_load(
    struct config **ret, const char *path, bool check_only, struct problem_list *errors)
{
    *ret = NULL;
    struct config *config = calloc(1, sizeof *config);
    struct loader *l = calloc(1, sizeof *l);
    struct arena *arena = calloc(1, sizeof *arena);
    enum err err = ERR_FULL;
    if (config && l && arena) {
        config->arena = arena;
        l->config = config;
        l->keep = arena;
        err = load_with(l, path, check_only, errors);
    } else {
        free(arena);
        (void)out_of_memory(errors, path);
    }
    free(l);
    if (err != ERR_NONE)
        config_free(config);
    else
        *ret = config;
    return err;
}

void config_free(struct config *config)
{
    if (!config) return;
    if (config->arena) {
        arena_free(config->arena);
        free(config->arena);
    }
    free(config);
}
