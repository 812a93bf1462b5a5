/* The reference page of docs/configuration.md, from the tables. */
#include <string.h>

#include "daemon/config/schema_rows.h"
#include "daemon/config/schema_value.h"

enum { TABLES_MAX = 40, LINE_BYTES = 1024 };

struct page {
    void (*put)(void *out, const char *text);
    void *out;
    const struct schema_table *table[TABLES_MAX]; /* those of one file, in the order of the page */
    uint32_t count;
};

static const char intro[] =
    "# Configuration\n"
    "\n"
    "This page is printed by `dosewright check --keys`; the same tables read the files, so it "
    "can't\n"
    "be out of date. The files in `config/` are examples that are checked with every build.\n"
    "\n"
    "## The form of a file\n"
    "\n"
    "Files are YAML, UTF-8, at most 256 KiB and 16 levels deep, and end with YAML's own end "
    "marker\n"
    "`...` in a line of its own, so that a file that was cut short isn't taken for a whole one. "
    "Only\n"
    "blank lines and comments may follow it. Anchors, aliases, tags, merge keys, directives, a "
    "second\n"
    "document and a key said twice are refused. Numbers are plain decimals (`0.35`, `-420`; not\n"
    "`1e3`, not `\"5\"`), booleans are `true` and `false` only, dates are `2031-03-05`.\n"
    "\n"
    "An unknown key, a value that can't be read or is out of range, a name that points nowhere, a "
    "unit\n"
    "that doesn't fit the quantity: each refuses the whole configuration, and all of them are "
    "listed\n"
    "in one go as `file:line:column: what is wrong, what was found, what is allowed` (the first "
    "64).\n"
    "A file must be a regular file, no link, and not writable by everyone.\n"
    "\n"
    "All paths are relative to the folder of the site file. `${CREDENTIALS_DIRECTORY}/` at the "
    "start\n"
    "of a file that holds a secret stands for the folder in which the service manager lays\n"
    "credentials; quote it. Nothing else expands. `check` warns when it isn't set, `run` refuses.\n"
    "\n"
    "A date of a calibration or measurement may not lie ahead, as far as the clock of the machine "
    "can\n"
    "be believed. Device ids on the broker are built from keys (`<site>`, `<site>-<tank>`, each\n"
    "chain's `device`) and must all differ; tanks' keys don't begin with `standby-`.\n"
    "\n"
    "`dosewright check FILE` reads everything, lists what is wrong and what is legal but unwise, "
    "and\n"
    "shows what follows from it: EC and pH per millilitre, which stocks never meet in a line and "
    "why,\n"
    "which crystallise in a cold store, mixing times, how long a fresh fill takes, what the supply "
    "must\n"
    "carry. It exits with 0 if `run` would take the file, with 78 if not.\n";

static const char ranges[] =
    "Default of `range`, by unit (common practice, no source): `ph` 2 to 12, `mV` -420 to 420,\n"
    "`mS/cm` 0.02 to 10, `uS/cm` and `uS` 20 to 10000, `degC` -10 to 60, `degF` 14 to 140, `%` 0 "
    "to\n"
    "110, `L` 0 to 1000000, `L/min` 0 to 10000, `mm` 0 to 10000, `kPa` 0 to 1000, `lx` 0 to "
    "200000,\n"
    "`bool` 0 to 1.\n\n";

static void put(struct page *p, const char *text)
{
    p->put(p->out, text);
}

/* A bar would end the cell. */
static void add_cell(struct text *t, const char *s)
{
    text_add(t, " | ");
    for (; *s; s++) {
        if (*s == '|') text_add_char(t, '\\');
        text_add_char(t, *s);
    }
}

static void add_fallback(struct text *t, const struct schema_row *row)
{
    text_add(t, " | ");
    if (!row->fallback) {
        text_add(t, "required");
    } else if (row->fallback[0] != '\0') {
        text_add_char(t, '`');
        text_add(t, row->fallback);
        text_add_char(t, '`');
    }
}

static void put_row(struct page *p, const struct schema_row *row)
{
    char line[LINE_BYTES], allowed[200];
    struct text a = text_over(allowed, sizeof allowed);
    schema_add_allowed(&a, row);
    if (row->kind == SCHEMA_EACH && row->unit) {
        a = text_over(allowed, sizeof allowed);
        const struct schema_row number = {
            .kind = SCHEMA_REAL, .unit = row->unit, .least = row->least, .most = row->most
        };
        text_add(&a, "a mapping from names to numbers, each ");
        schema_add_allowed(&a, &number);
    }
    struct text t = text_over(line, sizeof line);
    text_add(&t, "| `");
    text_add(&t, row->key);
    text_add(&t, "`");
    add_cell(&t, row->about);
    add_cell(&t, allowed);
    add_fallback(&t, row);
    text_add(&t, " |\n");
    INVARIANT(!t.cut);
    put(p, line);
}

static void put_table(struct page *p, const struct schema_table *table)
{
    if (table->place[0] != '\0') {
        put(p, "### `");
        put(p, table->place);
        put(p, "`\n\n");
    }
    put(p, table->about);
    if (table->also) put(p, " Besides these it has the keys of every probe, below.");
    put(p, "\n\n| key | what it says | allowed | default |\n| --- | --- | --- | --- |\n");
    for (uint32_t i = 0; i < table->count; i++) {
        put_row(p, &table->row[i]);
    }
    put(p, "\n");
    if (table == &schema_probe) put(p, ranges);
}

static void list_table(struct page *p, const struct schema_table *table)
{
    for (uint32_t i = 0; i < p->count; i++) {
        if (p->table[i] == table) return;
    }
    INVARIANT(p->count < TABLES_MAX);
    p->table[p->count++] = table;
}

/* A file's table and all those within it, each once. */
static void put_file(struct page *p, const char *title, const struct schema_table *root)
{
    put(p, "\n## ");
    put(p, title);
    put(p, "\n\n");
    p->count = 0;
    list_table(p, root);
    for (uint32_t i = 0; i < p->count; i++) {
        const struct schema_table *table = p->table[i];
        put_table(p, table);
        for (uint32_t r = 0; r < table->count; r++) {
            if (table->row[r].table) list_table(p, table->row[r].table);
        }
        if (table->also) list_table(p, table->also);
    }
}

void schema_page(void (*put_text)(void *out, const char *text), void *out)
{
    struct page p = { .put = put_text, .out = out };
    put(&p, intro);
    put_file(&p, "The site file", &schema_site);
    put_file(&p, "A crop's schedule", &schema_crop);
    put_file(&p, "A stock solution", &schema_solution);
}
