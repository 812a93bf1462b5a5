#include "daemon/config/yaml_tree.h"

#include <string.h>
#include <yaml.h>

#include "lib/base/text.h"

enum { BOM_BYTES = 3, SHOWN_BYTES = 48 };

struct builder {
    struct arena *arena;
    struct tree_source source;
    struct problem_list *errors;
    yaml_parser_t parser;
    uint32_t documents, depth, events;
    struct tree_node *root, *parent; /* parent: the mapping or list that is open */
    bool key_known;                  /* in a mapping: 'key' waits for its value */
    struct tree_node key;
    bool failed;
};

/* What an event says of itself, the same for scalars, mappings and lists. */
struct said {
    yaml_mark_t mark;
    const yaml_char_t *anchor, *tag;
};

void tree_where(char ret[PROBLEM_WHERE_MAX], const char *file, uint32_t line, uint32_t column)
{
    char place[32];
    struct text t = text_over(place, sizeof place);
    text_add_char(&t, ':');
    text_add_int(&t, line);
    text_add_char(&t, ':');
    text_add_int(&t, column);
    const size_t room = PROBLEM_WHERE_MAX - 1 - t.length, length = strlen(file);
    struct text whole = text_over(ret, PROBLEM_WHERE_MAX);
    if (length > room) {
        text_add(&whole, "...");
        text_add(&whole, file + (length - room + 3));
    } else {
        text_add(&whole, file);
    }
    text_add(&whole, place);
}

const struct tree_node *tree_get(const struct tree_node *map, const char *key)
{
    if (!map || map->kind != TREE_MAP) return NULL;
    for (const struct tree_node *n = map->first; n; n = n->next) {
        if (strcmp(n->key, key) == 0) return n;
    }
    return NULL;
}

static void note(struct builder *b, enum err err, size_t line, size_t column, const char *text)
{
    struct problem p = { 0 };
    char where[PROBLEM_WHERE_MAX];
    tree_where(where, b->source.file, (uint32_t)line, (uint32_t)column);
    (void)problem_set(&p, err, where, text);
    problem_list_add(b->errors, &p);
    b->failed = true;
}

static bool refuse(struct builder *b, enum err err, yaml_mark_t mark, const char *text)
{
    note(b, err, mark.line + 1, mark.column + 1, text);
    return false;
}

static bool no_memory(struct builder *b)
{
    return refuse(b, ERR_FULL, b->parser.mark, "no memory left");
}

/* --- scalars ---------------------------------------------------------------------------------- */

static bool plain_characters(const char *s, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        const unsigned c = (unsigned char)s[i];
        const bool c1 = c == 0xc2 && i + 1 < length && (unsigned char)s[i + 1] < 0xa0;
        if (c < 0x20 || c == 0x7f || c1) return false;
    }
    return true;
}

static bool scalar_allowed(struct builder *b, const yaml_event_t *e)
{
    const char *s = (const char *)e->data.scalar.value;
    const size_t length = e->data.scalar.length;
    if (length > TREE_SCALAR_MAX)
        return refuse(b, ERR_FULL, e->start_mark, "a text is longer than the 256 bytes allowed");
    if (!plain_characters(s, length))
        return refuse(b, ERR_SYNTAX, e->start_mark,
            "a text holds a control character (a line feed, tab or NUL); only one line of plain "
            "text is allowed");
    return true;
}

static bool fill_scalar(struct builder *b, struct tree_node *node, const yaml_event_t *e)
{
    if (!scalar_allowed(b, e)) return false;
    node->text = arena_copy(b->arena, (const char *)e->data.scalar.value, e->data.scalar.length);
    if (!node->text) return no_memory(b);
    node->length = e->data.scalar.length;
    node->quoted = e->data.scalar.style != YAML_PLAIN_SCALAR_STYLE;
    return true;
}

/* --- the tree --------------------------------------------------------------------------------- */

static bool node_allowed(struct builder *b, const struct said *said)
{
    if (said->anchor)
        return refuse(b, ERR_SYNTAX, said->mark, "anchors (&name) aren't allowed here");
    if (said->tag) return refuse(b, ERR_SYNTAX, said->mark, "tags (!name) aren't allowed here");
    return true;
}

/* A key that was said before is listed, and the reading goes on. */
static void check_duplicate(struct builder *b, const struct tree_node *key)
{
    const struct tree_node *before = tree_get(b->parent, key->text);
    if (!before) return;
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "the key ");
    text_add_quoted(&t, key->text, key->length, SHOWN_BYTES);
    text_add(&t, " stands here a second time; it was first said in line ");
    text_add_int(&t, before->key_line);
    note(b, ERR_DUPLICATE, key->line, key->column, text);
}

static bool take_key(struct builder *b, const yaml_event_t *e)
{
    const yaml_mark_t mark = e->start_mark;
    if (e->type != YAML_SCALAR_EVENT)
        return refuse(b, ERR_SYNTAX, mark, "a key must be plain text, not a list or a mapping");
    const struct said said = { mark, e->data.scalar.anchor, e->data.scalar.tag };
    b->key =
        (struct tree_node){ .line = (uint32_t)mark.line + 1, .column = (uint32_t)mark.column + 1 };
    if (!node_allowed(b, &said) || !fill_scalar(b, &b->key, e)) return false;
    if (b->key.length == 0) return refuse(b, ERR_SYNTAX, mark, "a key is empty");
    if (!b->key.quoted && strcmp(b->key.text, "<<") == 0)
        return refuse(b, ERR_SYNTAX, mark, "merge keys (<<) aren't allowed here");
    check_duplicate(b, &b->key);
    b->key_known = true;
    return true;
}

static struct tree_node *hang_up(struct builder *b, struct tree_node *node)
{
    struct tree_node *parent = b->parent;
    node->parent = parent;
    if (!parent) {
        b->root = node;
        return node;
    }
    if (parent->kind == TREE_MAP) {
        node->key = b->key.text;
        node->key_line = b->key.line;
        node->key_column = b->key.column;
        b->key_known = false;
    }
    node->index = parent->count++;
    if (parent->last)
        parent->last->next = node;
    else
        parent->first = node;
    parent->last = node;
    return node;
}

static struct tree_node *take_node(
    struct builder *b, enum tree_kind kind, const yaml_event_t *e, const struct said *said)
{
    if (!node_allowed(b, said)) return NULL;
    if (b->parent && b->parent->count >= TREE_CHILDREN_MAX) {
        (void)refuse(b, ERR_FULL, said->mark, "a mapping or list has more than 4096 entries");
        return NULL;
    }
    struct tree_node *node = arena_take(b->arena, sizeof *node);
    if (!node) {
        (void)no_memory(b);
        return NULL;
    }
    node->kind = kind;
    node->line = (uint32_t)said->mark.line + 1;
    node->column = (uint32_t)said->mark.column + 1;
    if (kind == TREE_SCALAR && !fill_scalar(b, node, e)) return NULL;
    return hang_up(b, node);
}

static bool open_node(
    struct builder *b, enum tree_kind kind, const yaml_event_t *e, const struct said *said)
{
    if (b->depth >= TREE_DEPTH_MAX)
        return refuse(b, ERR_FULL, said->mark, "nested deeper than the 16 levels allowed");
    struct tree_node *node = take_node(b, kind, e, said);
    if (!node) return false;
    b->parent = node;
    b->depth++;
    return true;
}

static bool close_node(struct builder *b)
{
    b->parent = b->parent->parent;
    b->depth--;
    return true;
}

/* --- events ----------------------------------------------------------------------------------- */

static bool key_wanted(const struct builder *b)
{
    return b->parent && b->parent->kind == TREE_MAP && !b->key_known;
}

static bool take_scalar(struct builder *b, const yaml_event_t *e)
{
    if (key_wanted(b)) return take_key(b, e);
    const struct said said = { e->start_mark, e->data.scalar.anchor, e->data.scalar.tag };
    return take_node(b, TREE_SCALAR, e, &said) != NULL;
}

static bool take_list(struct builder *b, const yaml_event_t *e)
{
    if (key_wanted(b)) return take_key(b, e);
    const struct said said = { e->start_mark, e->data.sequence_start.anchor,
        e->data.sequence_start.tag };
    return open_node(b, TREE_LIST, e, &said);
}

static bool take_map(struct builder *b, const yaml_event_t *e)
{
    if (key_wanted(b)) return take_key(b, e);
    const struct said said = { e->start_mark, e->data.mapping_start.anchor,
        e->data.mapping_start.tag };
    return open_node(b, TREE_MAP, e, &said);
}

static bool begin_document(struct builder *b, const yaml_event_t *e)
{
    if (b->documents++ > 0)
        return refuse(b, ERR_SYNTAX, e->start_mark,
            "something follows the end marker '...'; only blank lines and comments may");
    if (e->data.document_start.version_directive ||
        e->data.document_start.tag_directives.start != e->data.document_start.tag_directives.end)
        return refuse(b, ERR_SYNTAX, e->start_mark, "directives (%NAME) aren't allowed here");
    return true;
}

static bool end_document(struct builder *b, const yaml_event_t *e)
{
    if (!e->data.document_end.implicit) return true;
    return refuse(b, ERR_MISSING, e->start_mark,
        "the end marker '...' is missing: a file must end with it, so that one cut short is "
        "noticed");
}

static bool take_event(struct builder *b, const yaml_event_t *e)
{
    switch (e->type) {
    case YAML_NO_EVENT:
    case YAML_STREAM_START_EVENT:
        return true;
    case YAML_STREAM_END_EVENT:
        if (b->documents > 0) return true;
        return refuse(b, ERR_MISSING, e->start_mark, "the file is empty");
    case YAML_DOCUMENT_START_EVENT:
        return begin_document(b, e);
    case YAML_DOCUMENT_END_EVENT:
        return end_document(b, e);
    case YAML_ALIAS_EVENT:
        return refuse(b, ERR_SYNTAX, e->start_mark, "aliases (*name) aren't allowed here");
    case YAML_SCALAR_EVENT:
        return take_scalar(b, e);
    case YAML_SEQUENCE_START_EVENT:
        return take_list(b, e);
    case YAML_MAPPING_START_EVENT:
        return take_map(b, e);
    case YAML_SEQUENCE_END_EVENT:
    case YAML_MAPPING_END_EVENT:
        return close_node(b);
    }
    return false;
}

static void position_of(const char *bytes, size_t offset, size_t *ret_line, size_t *ret_column)
{
    *ret_line = 1;
    *ret_column = 1;
    for (size_t i = 0; i < offset; i++) {
        *ret_column = bytes[i] == '\n' ? 1 : *ret_column + 1;
        if (bytes[i] == '\n') (*ret_line)++;
    }
}

/* What the parser says when it can't go on. */
static void note_syntax(struct builder *b)
{
    const char *bytes = b->source.bytes;
    const size_t length = b->source.length;
    const yaml_parser_t *p = &b->parser;
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    size_t line = p->problem_mark.line + 1, column = p->problem_mark.column + 1;
    if (p->error == YAML_READER_ERROR) {
        const size_t offset = p->problem_offset < length ? p->problem_offset : length;
        position_of(bytes, offset, &line, &column);
        text_add(&t, "not UTF-8 text: ");
    } else {
        text_add(&t, "not YAML: ");
    }
    if (p->context) {
        text_add(&t, p->context);
        text_add(&t, " (begun in line ");
        text_add_int(&t, (int64_t)p->context_mark.line + 1);
        text_add(&t, "), ");
    }
    text_add(&t, p->problem ? p->problem : "it can't be read");
    note(b, ERR_SYNTAX, line, column, text);
}

/* One event; false when the reading is over. */
static bool turn(struct builder *b)
{
    yaml_event_t event;
    if (!yaml_parser_parse(&b->parser, &event)) {
        note_syntax(b);
        return false;
    }
    bool go_on = take_event(b, &event) && event.type != YAML_STREAM_END_EVENT;
    if (++b->events > TREE_EVENTS_MAX) {
        go_on = refuse(b, ERR_FULL, event.start_mark, "more than 65536 keys, values and brackets");
    }
    yaml_event_delete(&event);
    return go_on;
}

/* Byte order marks and UTF-16 would otherwise be taken without a word. */
static bool encoding_allowed(struct builder *b)
{
    const char *bytes = b->source.bytes;
    const size_t length = b->source.length;
    static const char mark[BOM_BYTES] = { '\xef', '\xbb', '\xbf' };
    const bool utf16 =
        length >= 2 && (memcmp(bytes, "\xff\xfe", 2) == 0 || memcmp(bytes, "\xfe\xff", 2) == 0);
    if (utf16) {
        note(b, ERR_SYNTAX, 1, 1, "not UTF-8 text: it begins as UTF-16 does");
        return false;
    }
    if (length >= BOM_BYTES && memcmp(bytes, mark, BOM_BYTES) == 0) {
        note(b, ERR_SYNTAX, 1, 1, "it begins with a byte order mark; save it as plain UTF-8");
        return false;
    }
    const char *nul = memchr(bytes, '\0', length);
    if (!nul) return true;
    size_t line, column;
    position_of(bytes, (size_t)(nul - bytes), &line, &column);
    note(b, ERR_SYNTAX, line, column, "not text: it holds a NUL byte");
    return false;
}

enum err tree_parse(const struct tree_node **ret, struct arena *arena, struct tree_source source,
    struct problem_list *errors)
{
    struct builder b = { .arena = arena, .source = source, .errors = errors };
    *ret = NULL;
    if (source.length > TREE_BYTES_MAX) {
        note(&b, ERR_FULL, 1, 1, "longer than 256 KiB, the most allowed");
        return ERR_FULL;
    }
    if (!encoding_allowed(&b)) return ERR_SYNTAX;
    if (!yaml_parser_initialize(&b.parser)) {
        note(&b, ERR_FULL, 1, 1, "no memory left");
        return ERR_FULL;
    }
    yaml_parser_set_encoding(&b.parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&b.parser, (const unsigned char *)source.bytes, source.length);
    while (turn(&b)) {
    }
    yaml_parser_delete(&b.parser);
    if (b.failed) return ERR_SYNTAX;
    *ret = b.root;
    return ERR_NONE;
}
