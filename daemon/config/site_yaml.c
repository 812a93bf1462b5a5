/* The site file's top, its broker, and what all parts of the reading share. */
#include "daemon/config/site_yaml.h"

#include <stdio.h>
#include <string.h>
#include <sys/un.h>

#include "daemon/base/digest.h"
#include "daemon/base/whole_file.h"
#include "daemon/config/broker_uri.h"
#include "lib/base/text.h"

enum { ZONES_AHEAD_H = 14 }; /* the farthest zone is UTC+14: its today may be tomorrow in UTC */

uint32_t load_errors(const struct loader *l)
{
    return l->reader.errors->count + l->reader.errors->more;
}

const char *load_keep(struct loader *l, const char *text)
{
    const char *copy = arena_copy(l->keep, text, strlen(text));
    return copy ? copy : "";
}

const char *load_path(struct loader *l, const char *path)
{
    if (path[0] == '/' || strncmp(path, "${", 2) == 0) return path;
    const size_t dir = strlen(l->dir), length = strlen(path);
    char *whole = arena_take(l->keep, dir + length + 1);
    if (!whole) return NULL;
    memcpy(whole, l->dir, dir);
    memcpy(whole + dir, path, length + 1);
    return whole;
}

/* Something about a file as a whole: at the place that names it, or at the file itself. */
static void say_of_file(struct loader *l, const char *path, const struct tree_node *named,
    const struct problem *problem)
{
    if (named) {
        schema_error(&l->reader, named, problem->err, "%s: %s", path, problem->text);
        return;
    }
    problem_list_add(l->reader.errors, problem);
}

static void warn_group(struct loader *l, const char *path)
{
    if (l->group_writable_told) return;
    l->group_writable_told = true;
    struct problem p = { 0 };
    (void)problem_set(&p, ERR_NONE, path,
        "the file's group may write to it, and with it change every limit: chmod g-w, unless that "
        "is meant");
    problem_list_add(l->reader.warnings, &p);
}

/* False when there is no memory for it. */
static bool note_file(struct loader *l, const char *path)
{
    for (const struct config_file *f = l->config->files; f; f = f->next) {
        if (text_same(f->path, path)) return true;
    }
    struct config_file *file = arena_take(l->keep, sizeof *file);
    char *kept = arena_copy(l->keep, path, strlen(path));
    if (!file || !kept) return false;
    *file = (struct config_file){ .path = kept, .next = l->config->files };
    l->config->files = file;
    return true;
}

const struct tree_node *load_file(
    struct loader *l, struct arena *arena, const char *path, const struct tree_node *named)
{
    struct whole_file file;
    struct problem problem = { 0 };
    if (whole_file_read(&file, arena, path, &problem) != ERR_NONE) {
        say_of_file(l, path, named, &problem);
        return NULL;
    }
    if (!note_file(l, path)) {
        (void)problem_set(&problem, ERR_FULL, path, "no memory left");
        say_of_file(l, path, named, &problem);
        return NULL;
    }
    digest_add(l->digest, file.bytes, file.length);
    if (file.group_writable) warn_group(l, path);
    const struct tree_node *root;
    const struct tree_source source = { path, file.bytes, file.length };
    if (tree_parse(&root, arena, source, l->reader.errors) != ERR_NONE) return NULL;
    return root;
}

bool load_name_valid(struct loader *l, const struct tree_node *node)
{
    if (chain_key_valid(node->key)) return true;
    schema_error_at_key(&l->reader, node, ERR_SYNTAX,
        "found %s; a name has 1 to 32 of a to z, 0 to 9 and -", schema_quoted(node->key).text);
    return false;
}

void load_no_such_name(
    struct loader *l, const struct tree_node *node, const struct load_names *names)
{
    char list[120];
    struct text t = text_over(list, sizeof list);
    for (uint32_t i = 0; i < names->count; i++) {
        if (i > 0) text_add(&t, ", ");
        text_add(&t, names->name[i]);
    }
    const char *near = schema_nearest(names->found, names->name, names->count);
    const struct schema_found found = schema_quoted(names->found);
    if (near)
        schema_error(&l->reader, node, ERR_UNKNOWN,
            "found %s, which names no %s; did you mean '%s'?", found.text, names->what, near);
    else
        schema_error(&l->reader, node, ERR_UNKNOWN, "found %s, which names no %s; there are: %s%s",
            found.text, names->what, names->count > 0 ? list : "none", t.cut ? " ..." : "");
}

void load_check_past(struct loader *l, const struct tree_node *node, struct civil date)
{
    if (!node || l->now.clock == CLOCK_UNSET) return;
    if (date.ms <= l->now.civil.ms + ZONES_AHEAD_H * HOUR_MS) return;
    schema_error(&l->reader, node, ERR_RANGE, "found %s, a day that is still to come",
        schema_found(node).text);
}

/* --- the broker ------------------------------------------------------------------------------- */

static void take_uri(struct loader *l, const struct tree_node *node, bool *tls_before)
{
    struct broker_config *broker = &l->config->broker;
    struct broker_uri uri;
    if (node->kind != TREE_SCALAR || !broker_uri_read(&uri, node->text)) {
        schema_error(&l->reader, node, ERR_SYNTAX,
            "found %s; allowed: mqtts://host:port or mqtt://host:port, without user or path",
            schema_found(node).text);
        return;
    }
    if (!uri.tls && *tls_before)
        schema_error(&l->reader, node, ERR_RANGE,
            "found %s after an address with TLS; a plain one never follows it, or whoever cuts "
            "the first gets everything in the clear",
            schema_found(node).text);
    if (broker_uri_is_open(&uri) && !broker->plain_allowed)
        schema_error(&l->reader, node, ERR_RANGE,
            "found %s, a plain connection to another machine; use mqtts://, or say "
            "'insecure_plain: true' beside it",
            schema_found(node).text);
    *tls_before = *tls_before || uri.tls;
    char whole[300];
    struct text t = text_over(whole, sizeof whole);
    broker_uri_add(&t, &uri);
    broker->uri[broker->uri_count++] = load_keep(l, whole);
}

static void take_uris(struct loader *l, const struct tree_node *list)
{
    if (!list || list->kind != TREE_LIST) return;
    if (list->count < 1 || list->count > BROKER_URIS_MAX) {
        schema_error(&l->reader, list, ERR_RANGE, "found %u addresses; allowed: 1 to %d",
            list->count, BROKER_URIS_MAX);
        return;
    }
    bool tls_before = false;
    for (const struct tree_node *n = list->first; n; n = n->next) {
        take_uri(l, n, &tls_before);
    }
}

static const char *path_or_null(struct loader *l, const char *path)
{
    return path ? load_path(l, path) : NULL;
}

void load_broker(struct loader *l, const struct draft_site *draft, const struct tree_node *node)
{
    struct broker_config *broker = &l->config->broker;
    broker->version = draft->version == 0 ? 5 : 4;
    broker->username = draft->username;
    broker->password_file = path_or_null(l, draft->password_file);
    broker->ca_file = path_or_null(l, draft->ca_file);
    broker->cert_file = path_or_null(l, draft->cert_file);
    broker->key_file = path_or_null(l, draft->key_file);
    broker->plain_allowed = draft->insecure_plain;
    broker->keepalive_s = draft->keepalive_s;
    take_uris(l, tree_get(node, "uris"));
    if (draft->password_file && !draft->username)
        schema_error(&l->reader, tree_get(node, "password_file"), ERR_MISSING,
            "a password needs a 'username' beside it");
    if (!draft->cert_file != !draft->key_file)
        schema_error(&l->reader, tree_get(node, draft->cert_file ? "cert_file" : "key_file"),
            ERR_MISSING, "'cert_file' and 'key_file' go together; the other one is missing");
    if (broker->plain_allowed)
        schema_warn(&l->reader, tree_get(node, "insecure_plain"),
            "anybody between this machine and the broker can read along and move pumps");
}

/* --- the site --------------------------------------------------------------------------------- */

static void take_socket(
    struct loader *l, const struct draft_site *draft, const struct tree_node *node)
{
    char path[CONFIG_PATH_MAX];
    struct text t = text_over(path, sizeof path);
    text_add(&t, "/run/dosewright/");
    text_add(&t, draft->key ? draft->key : "site");
    text_add(&t, ".sock");
    struct config *c = l->config;
    c->socket_path = draft->socket_path ? load_path(l, draft->socket_path) : load_keep(l, path);
    const size_t most = sizeof((struct sockaddr_un *)0)->sun_path - 1;
    if (node && c->socket_path && strlen(c->socket_path) > most)
        schema_error(&l->reader, node, ERR_RANGE,
            "the whole path has %zu bytes; a socket's path may have %zu", strlen(c->socket_path),
            most);
}

static void take_top(struct loader *l, const struct draft_site *draft, const struct tree_node *root)
{
    struct config *c = l->config;
    c->site.key = draft->key ? draft->key : "";
    c->site.name = draft->name ? draft->name : c->site.key;
    c->homie_domain = draft->homie_domain ? draft->homie_domain : "homie";
    c->journal_dir = draft->journal_dir ? load_path(l, draft->journal_dir) : "";
    c->keep_days = draft->keep_days;
    c->site.water_every_ms = nearest(draft->water_every_ms);
    c->site.summary_at_ms = draft->summary_at_ms;
    c->site.silence_ms = draft->silence_ms;
    if (draft->metrics_file) c->metrics_file = load_path(l, draft->metrics_file);
    c->metrics_every_ms = draft->metrics_every_ms;
    take_socket(l, draft, tree_get(root, "socket"));
    if (draft->discovery != 0) c->discovery_prefix = draft->discovery_prefix;
    if (c->discovery_prefix && text_same(c->discovery_prefix, c->homie_domain))
        schema_error(&l->reader, tree_get(root, "discovery"), ERR_RANGE,
            "'discovery_prefix' and 'homie_domain' are both '%s'; they must differ",
            c->homie_domain);
}

static const struct tree_node *get_map(const struct tree_node *root, const char *key)
{
    const struct tree_node *node = tree_get(root, key);
    return node && node->kind == TREE_MAP ? node : NULL;
}

void load_site(struct loader *l, const struct tree_node *root)
{
    struct draft_site draft = { 0 };
    schema_read(&l->reader, &schema_site, root, &draft);
    if (root->kind != TREE_MAP) return;
    take_top(l, &draft, root);
    const struct tree_node *journal = get_map(root, "journal");
    l->config->site.has_summary = journal && tree_get(journal, "summary_at");
    if (get_map(root, "broker")) load_broker(l, &draft, get_map(root, "broker"));
    if (get_map(root, "requests")) load_signers(l, get_map(root, "requests"));
    if (get_map(root, "chains")) load_chains(l, get_map(root, "chains"));
    if (get_map(root, "stocks")) load_stocks(l, get_map(root, "stocks"));
    if (tree_get(root, "tanks")) load_tanks(l, tree_get(root, "tanks"));
    load_verify_site(l, root);
}
