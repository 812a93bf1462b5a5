/* A YAML document as a bounded tree of nodes that know where they stood, for configuration files.
 *
 * Only the plain part of YAML 1.1 gets through: mappings, lists and scalars, one document, UTF-8,
 * ended by the marker "..." so that a file cut short can't pass. Anchors, aliases, tags,
 * directives, merge keys, duplicate keys, keys that aren't plain text, a byte order mark, control
 * characters and anything beyond the bounds below are refused with the line and column at fault. */
#ifndef DOSEWRIGHT_DAEMON_YAML_TREE_H
#define DOSEWRIGHT_DAEMON_YAML_TREE_H

#include "daemon/base/arena.h"
#include "lib/base/problem.h"

enum {
    TREE_BYTES_MAX = 256 * 1024,
    TREE_DEPTH_MAX = 16,      /* nested mappings and lists */
    TREE_EVENTS_MAX = 65536,  /* of the parser, for one file */
    TREE_CHILDREN_MAX = 4096, /* of one mapping or list */
    TREE_SCALAR_MAX = 256,    /* bytes of a key or value */
};

enum tree_kind { TREE_SCALAR, TREE_LIST, TREE_MAP };

struct tree_node {
    enum tree_kind kind;
    uint32_t line, column; /* from 1 */
    const char *key;       /* in a mapping: its name; else NULL */
    uint32_t key_line, key_column;
    uint32_t index;   /* among its parent's children, from 0 */
    const char *text; /* of a scalar; no NUL inside */
    size_t length;
    bool quoted;
    uint32_t count; /* children */
    struct tree_node *first, *last, *next, *parent;
};

struct tree_source {
    const char *file; /* only for the positions of problems */
    const char *bytes;
    size_t length;
};

/* Nodes and strings live in 'arena'. What is wrong goes to 'errors', and *ret is then NULL;
 * duplicate keys are all listed, anything else ends the reading. */
enum err tree_parse(const struct tree_node **ret, struct arena *arena, struct tree_source source,
    struct problem_list *errors) __attribute__((warn_unused_result));

/* The child of a mapping by name, or NULL; NULL as well for a NULL node or one of another kind. */
const struct tree_node *tree_get(const struct tree_node *map, const char *key);

/* "site.yaml:12:7" into a problem; a path that is too long loses its beginning. */
void tree_where(char ret[PROBLEM_WHERE_MAX], const char *file, uint32_t line, uint32_t column);

#endif
