/* The YAML tree by itself.
 *
 * Held: its bounds; every node hangs where its parent says, inside the file, no key twice; what is
 * refused has a place and a reason. */
#include <stdlib.h>
#include <string.h>

#include "daemon/config/yaml_tree.h"
#include "tests/fuzz/fuzz.h"

static void check_node(const struct tree_node *n, const struct tree_node *parent)
{
    HOLDS(n->parent == parent && n->line >= 1 && n->column >= 1);
    HOLDS((n->key != NULL) == (parent && parent->kind == TREE_MAP));
    HOLDS(!n->key || (strlen(n->key) <= TREE_SCALAR_MAX && n->key_line >= 1));
    HOLDS((n->kind == TREE_SCALAR) == (n->text != NULL));
    HOLDS(!n->text || (strlen(n->text) == n->length && n->length <= TREE_SCALAR_MAX));
    HOLDS(n->kind != TREE_SCALAR || n->count == 0);
    HOLDS(!n->key || tree_get(parent, n->key) == n);
}

/* All nodes, without recursion; returns how many. */
static uint32_t check_tree(const struct tree_node *root)
{
    uint32_t nodes = 0, depth = 0;
    for (const struct tree_node *n = root, *parent = NULL; n;) {
        check_node(n, parent);
        HOLDS(++nodes <= TREE_EVENTS_MAX && depth <= TREE_DEPTH_MAX);
        if (n->first) {
            parent = n;
            n = n->first;
            depth++;
            continue;
        }
        while (n && !n->next) {
            n = parent;
            parent = n ? n->parent : NULL;
            depth--;
        }
        if (n) n = n->next;
    }
    return nodes;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct problem_list errors;
    struct arena arena = { 0 };
    const struct tree_node *root;
    char *bytes = fuzz_string(data, size); /* a NUL follows, as it does in whole_file.h */
    errors.count = errors.more = 0;
    if (tree_parse(&root, &arena, (struct tree_source){ "f", bytes, size }, &errors) == ERR_NONE) {
        HOLDS(root != NULL && errors.count == 0);
        (void)check_tree(root);
    } else {
        HOLDS(root == NULL && errors.count > 0);
        for (uint32_t i = 0; i < errors.count; i++) {
            HOLDS(strncmp(errors.item[i].where, "f:", 2) == 0 && errors.item[i].text[0] != '\0');
        }
    }
    arena_free(&arena);
    free(bytes);
    return 0;
}
