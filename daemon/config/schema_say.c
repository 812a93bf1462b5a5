/* The words of configuration errors: where, which key, what was found. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "daemon/config/schema.h"
#include "lib/base/text.h"

enum { FOUND_BYTES_MAX = 40, NAME_BYTES_MAX = 32 };

/* "tanks.basil-bench.pumps.acid" or "chains.west.modules[2]" */
static void add_path(struct text *t, const struct tree_node *node)
{
    const struct tree_node *way[TREE_DEPTH_MAX + 2];
    uint32_t steps = 0;
    for (const struct tree_node *n = node; n && n->parent && steps < TREE_DEPTH_MAX + 2;
         n = n->parent) {
        way[steps++] = n;
    }
    while (steps > 0) {
        const struct tree_node *n = way[--steps];
        if (n->key) {
            if (t->length > 0) text_add_char(t, '.');
            text_add(t, n->key);
        } else {
            text_add_char(t, '[');
            text_add_int(t, (int64_t)n->index + 1);
            text_add_char(t, ']');
        }
    }
}

struct place {
    const struct tree_node *node;
    uint32_t line, column;
};

static void tell(struct schema_reader *r, struct problem_list *list, struct place place,
    enum err err, const char *what)
{
    char text[PROBLEM_TEXT_MAX], where[PROBLEM_WHERE_MAX];
    struct text t = text_over(text, sizeof text);
    add_path(&t, place.node);
    if (t.length > 0) text_add(&t, ": ");
    text_add(&t, what);
    tree_where(where, r->file, place.line, place.column);
    struct problem p = { 0 };
    (void)problem_set(&p, err, where, text);
    problem_list_add(list, &p);
}

void schema_error(
    struct schema_reader *r, const struct tree_node *node, enum err err, const char *format, ...)
{
    char what[PROBLEM_TEXT_MAX];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(what, sizeof what, format, arguments);
    va_end(arguments);
    tell(r, r->errors, (struct place){ node, node->line, node->column }, err, what);
}

void schema_error_at_key(
    struct schema_reader *r, const struct tree_node *node, enum err err, const char *format, ...)
{
    char what[PROBLEM_TEXT_MAX];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(what, sizeof what, format, arguments);
    va_end(arguments);
    struct place place = { node, node->line, node->column };
    if (node->key) place = (struct place){ node, node->key_line, node->key_column };
    tell(r, r->errors, place, err, what);
}

void schema_warn(struct schema_reader *r, const struct tree_node *node, const char *format, ...)
{
    char what[PROBLEM_TEXT_MAX];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(what, sizeof what, format, arguments);
    va_end(arguments);
    tell(r, r->warnings, (struct place){ node, node->line, node->column }, ERR_NONE, what);
}

struct schema_found schema_quoted(const char *text)
{
    struct schema_found f = { "" };
    struct text t = { .cut = true };
    for (size_t most = FOUND_BYTES_MAX; t.cut; most--) { /* what is escaped takes four times that */
        t = text_over(f.text, sizeof f.text);
        text_add_quoted(&t, text, strlen(text), most);
    }
    return f;
}

struct schema_found schema_found(const struct tree_node *node)
{
    struct schema_found f = { "nothing" };
    if (node->kind == TREE_SCALAR && (node->length > 0 || node->quoted))
        return schema_quoted(node->text);
    if (node->kind == TREE_LIST) text_copy(f.text, sizeof f.text, "a list");
    if (node->kind == TREE_MAP) text_copy(f.text, sizeof f.text, "a mapping");
    return f;
}

/* --- the nearest name ------------------------------------------------------------------------- */

static uint32_t least_of(uint32_t a, uint32_t b, uint32_t c)
{
    const uint32_t ab = a < b ? a : b;
    return ab < c ? ab : c;
}

/* Letters to add, drop or change to get from one to the other (Levenshtein). */
static uint32_t distance(const char *a, const char *b)
{
    const size_t a_length = strlen(a), b_length = strlen(b);
    if (a_length > NAME_BYTES_MAX || b_length > NAME_BYTES_MAX) return UINT32_MAX;
    uint32_t row[NAME_BYTES_MAX + 1];
    for (uint32_t j = 0; j <= b_length; j++) {
        row[j] = j;
    }
    for (uint32_t i = 1; i <= a_length; i++) {
        uint32_t corner = row[0];
        row[0] = i;
        for (uint32_t j = 1; j <= b_length; j++) {
            const uint32_t changed = corner + (a[i - 1] == b[j - 1] ? 0 : 1);
            corner = row[j];
            row[j] = least_of(row[j] + 1, row[j - 1] + 1, changed);
        }
    }
    return row[b_length];
}

const char *schema_nearest(const char *name, const char *const *names, uint32_t count)
{
    const char *best = NULL;
    uint32_t best_distance = (uint32_t)strlen(name) / 3 + 1;
    for (uint32_t i = 0; i < count; i++) {
        const uint32_t d = distance(name, names[i]);
        if (d > best_distance || (best && d == best_distance)) continue;
        best = names[i];
        best_distance = d;
    }
    return best;
}
