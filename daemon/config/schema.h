/* What a configuration file may say, as tables: one row a key. The same rows read the files, word
 * the errors and print the reference page (docs/configuration.md).
 *
 * Reading a mapping by its table fills a struct through the rows' offsets, gives every missing key
 * its default, and lists everything that is wrong with its position: unknown keys (with the nearest
 * known one), missing ones, values that can't be read or are out of range. Nothing stops at the
 * first error. Rows of kind SCHEMA_EACH, SCHEMA_ITEMS and SCHEMA_LIST are only checked for their
 * shape: what is in them is read by code (site_yaml_*.c), with tables of its own. */
#ifndef DOSEWRIGHT_DAEMON_SCHEMA_H
#define DOSEWRIGHT_DAEMON_SCHEMA_H

#include "daemon/config/yaml_tree.h"

enum { SCHEMA_NEST_MAX = 32, SCHEMA_ROWS_MAX = 48 };

enum schema_kind {   /* what is stored */
    SCHEMA_KEY,      /* [a-z0-9-]{1,32} -> const char * */
    SCHEMA_TEXT,     /* 'least' to 'most' bytes -> const char * */
    SCHEMA_TOPIC,    /* an MQTT topic without wildcards -> const char * */
    SCHEMA_POINTER,  /* a JSON Pointer -> const char * */
    SCHEMA_TEMPLATE, /* 'least' to 'most' bytes with one place to fill in -> const char * */
    SCHEMA_PATH,     /* of a file, as written -> const char * */
    SCHEMA_SECRET,   /* the same, but ${CREDENTIALS_DIRECTORY} expands -> const char * */
    SCHEMA_REAL,     /* -> double, times 'scale' */
    SCHEMA_WHOLE,    /* -> int64_t, times 'scale'; must then be whole */
    SCHEMA_BOOL,     /* true or false -> bool */
    SCHEMA_WORD,     /* one of 'words' -> uint32_t (or an enum), its index */
    SCHEMA_DATE,     /* 2031-03-05 -> struct civil, midnight UTC */
    SCHEMA_TIME,     /* "06:30" -> int64_t, ms since midnight */
    SCHEMA_PAIR,     /* [least, most], rising -> two doubles, times 'scale' */
    SCHEMA_RAMP,     /* a number, or [from, to] -> two doubles, times 'scale' */
    SCHEMA_TABLE,    /* a mapping with keys of its own -> the struct at 'offset' */
    SCHEMA_EACH,     /* a mapping from names to 'table': read by code */
    SCHEMA_ITEMS,    /* a list of 'table': read by code */
    SCHEMA_LIST,     /* a list of plain values: read by code */
    SCHEMA_OTHER,    /* of several shapes: read by code */
    SCHEMA_LATER,    /* known, but not supported yet: always refused */
};

#define SCHEMA_REQUIRED NULL /* as a fallback: the key must be there */
#define SCHEMA_OPTIONAL ""   /* as a fallback: nothing is stored when it isn't */

struct schema_row {
    const char *key; /* "<stock>" stands for any name */
    enum schema_kind kind;
    const char *unit;     /* as people read it; NULL: none */
    double least, most;   /* as written, ends included; for texts the length */
    double scale;         /* 0 means 1 */
    const char *fallback; /* as it would be written, or one of the two above */
    size_t offset;
    const char *const *words; /* SCHEMA_WORD, and SCHEMA_OTHER that is a word; ends in NULL */
    const struct schema_table *table;
    const char *about; /* one sentence */
};

struct schema_table {
    const char *place; /* of the page: "tanks.<tank>.pumps.<stock>" */
    const char *about;
    const struct schema_row *row;
    uint32_t count;
    const struct schema_table *also; /* more keys, same struct; or NULL */
};

/* What a reading goes by, and where it tells. */
struct schema_reader {
    struct arena *arena; /* of everything that is kept */
    struct problem_list *errors, *warnings;
    const char *file;         /* being read, for positions */
    const char *credentials;  /* what ${CREDENTIALS_DIRECTORY} stands for; NULL: unset */
    bool forgive_credentials; /* unset is a warning, not an error */
};

/* Fills 'into' (zeroed by the caller) from 'map' (NULL: as if it were empty, for the defaults). */
void schema_read(struct schema_reader *r, const struct schema_table *table,
    const struct tree_node *map, void *into);

/* One value by one row, for lists that code walks. False when it was refused. */
bool schema_read_value(struct schema_reader *r, const struct schema_row *row,
    const struct tree_node *node, void *into);

/* The row of a table (or of those it adds) by key, or NULL. */
const struct schema_row *schema_row_of(const struct schema_table *table, const char *key);

/* Lists an error or a warning at a node; the node's own path comes first: "tanks.basil.share: ...".
 * 'node' must not be NULL. */
void schema_error(struct schema_reader *r, const struct tree_node *node, enum err err,
    const char *format, ...) __attribute__((format(printf, 4, 5)));
void schema_warn(struct schema_reader *r, const struct tree_node *node, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* At the node's key, if it has one: for what is wrong with a name. */
void schema_error_at_key(struct schema_reader *r, const struct tree_node *node, enum err err,
    const char *format, ...) __attribute__((format(printf, 4, 5)));

/* A node as it was found, quoted and cut, for an error: "\"12 L\"", "a list". */
struct schema_found {
    char text[80];
};
struct schema_found schema_found(const struct tree_node *node);
struct schema_found schema_quoted(const char *text);

/* The one of 'count' names that is spelt most like 'name', or NULL when none is near. */
const char *schema_nearest(const char *name, const char *const *names, uint32_t count);

/* Prints the reference page, Markdown, to 'out' through 'put'. */
void schema_page(void (*put)(void *out, const char *text), void *out);

#endif
