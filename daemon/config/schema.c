#include "daemon/config/schema.h"

#include <string.h>

#include "daemon/config/schema_value.h"
#include "lib/chain/message.h"

struct pending {
    const struct schema_table *table;
    const struct tree_node *map;
    char *into;
};

struct queue { /* tables within tables, read one after another */
    struct pending item[SCHEMA_NEST_MAX];
    uint32_t count;
};

static bool open_row(const struct schema_row *row)
{
    return row->key[0] == '<';
}

static const struct schema_row *row_within(const struct schema_table *table, const char *key)
{
    for (uint32_t i = 0; i < table->count; i++) {
        if (!open_row(&table->row[i]) && strcmp(table->row[i].key, key) == 0) return &table->row[i];
    }
    return NULL;
}

const struct schema_row *schema_row_of(const struct schema_table *table, const char *key)
{
    const struct schema_row *row = row_within(table, key);
    if (row || !table->also) return row;
    return row_within(table->also, key);
}

static bool takes_any_name(const struct schema_table *table)
{
    for (uint32_t i = 0; i < table->count; i++) {
        if (open_row(&table->row[i])) return true;
    }
    return false;
}

/* Would an empty mapping do? */
static bool all_optional(const struct schema_table *table)
{
    for (const struct schema_table *t = table; t; t = t->also) {
        for (uint32_t i = 0; i < t->count; i++) {
            if (!t->row[i].fallback && !open_row(&t->row[i])) return false;
        }
    }
    return true;
}

static void refuse_unknown(
    struct schema_reader *r, const struct schema_table *table, const struct tree_node *node)
{
    const char *names[SCHEMA_ROWS_MAX];
    uint32_t count = 0;
    for (const struct schema_table *t = table; t; t = t->also) {
        for (uint32_t i = 0; i < t->count && count < SCHEMA_ROWS_MAX; i++) {
            if (!open_row(&t->row[i])) names[count++] = t->row[i].key;
        }
    }
    const char *near = schema_nearest(node->key, names, count);
    char list[160];
    struct text t = text_over(list, sizeof list);
    for (uint32_t i = 0; i < count; i++) {
        if (i > 0) text_add(&t, ", ");
        text_add(&t, names[i]);
    }
    const bool any = takes_any_name(table);
    if (near)
        schema_error_at_key(r, node, ERR_UNKNOWN, "there is no such key; did you mean '%s'?", near);
    else if (any)
        schema_error_at_key(r, node, ERR_UNKNOWN,
            "a name has 1 to 32 of a to z, 0 to 9 and -, found %s", schema_quoted(node->key).text);
    else
        schema_error_at_key(r, node, ERR_UNKNOWN, "there is no such key; known here: %s%s", list,
            t.cut ? " ..." : "");
}

static void check_names(
    struct schema_reader *r, const struct schema_table *table, const struct tree_node *map)
{
    const bool any = takes_any_name(table);
    for (const struct tree_node *n = map->first; n; n = n->next) {
        if (schema_row_of(table, n->key)) continue;
        if (any && chain_key_valid(n->key)) continue;
        refuse_unknown(r, table, n);
    }
}

static void enqueue(
    struct queue *q, const struct schema_row *row, const struct tree_node *node, char *into)
{
    INVARIANT(q->count < SCHEMA_NEST_MAX);
    q->item[q->count++] = (struct pending){ row->table, node, into + row->offset };
}

static void take_default(struct schema_reader *r, const struct schema_row *row, char *into)
{
    struct tree_node node = { .kind = TREE_SCALAR, .text = row->fallback, .line = 1, .column = 1 };
    node.length = strlen(row->fallback);
    node.quoted = row->kind == SCHEMA_TEXT;
    INVARIANT(schema_read_value(r, row, &node, into));
}

static void take_row(
    struct schema_reader *r, struct queue *q, const struct pending *p, const struct schema_row *row)
{
    const struct tree_node *node = tree_get(p->map, row->key);
    if (node && row->kind == SCHEMA_TABLE) {
        enqueue(q, row, node, p->into);
    } else if (node) {
        (void)schema_read_value(r, row, node, p->into);
    } else if (!row->fallback) {
        INVARIANT(p->map);
        schema_error(r, p->map, ERR_MISSING, "the key '%s' is missing: %s", row->key, row->about);
    } else if (row->kind == SCHEMA_TABLE) {
        if (all_optional(row->table)) enqueue(q, row, NULL, p->into);
    } else if (row->fallback[0] != '\0') {
        take_default(r, row, p->into);
    }
}

static void read_one(struct schema_reader *r, struct queue *q, const struct pending *p)
{
    if (p->map && p->map->kind != TREE_MAP) {
        schema_error(r, p->map, ERR_SYNTAX, "found %s where a mapping (key: value) belongs",
            schema_found(p->map).text);
        return;
    }
    if (p->map) check_names(r, p->table, p->map);
    for (const struct schema_table *t = p->table; t; t = t->also) {
        for (uint32_t i = 0; i < t->count; i++) {
            if (!open_row(&t->row[i])) take_row(r, q, p, &t->row[i]);
        }
    }
}

void schema_read(struct schema_reader *r, const struct schema_table *table,
    const struct tree_node *map, void *into)
{
    struct queue q = { .item = { { table, map, into } }, .count = 1 };
    for (uint32_t i = 0; i < q.count; i++) {
        read_one(r, &q, &q.item[i]);
    }
}
