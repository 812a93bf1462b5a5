/* What the worksheet is made of. Private to daemon/worksheet. */
#ifndef DOSEWRIGHT_DAEMON_WORKSHEET_INSIDE_H
#define DOSEWRIGHT_DAEMON_WORKSHEET_INSIDE_H

#include "daemon/worksheet/worksheet.h"
#include "lib/base/text.h"

enum {
    WORKSHEET_LINE_MAX = 640, /* bytes of one sentence */
    WORKSHEET_CELL_MAX = 96,
    WORKSHEET_COLUMNS_MAX = 10,
};

/* Who uses an output; tank -1: nobody. Circulation has pump -1. */
struct worksheet_output {
    int32_t tank, pump;
};

struct worksheet {
    const struct config *config;
    const struct site *site;
    struct now now;
    /* by chain, position - 1, and channel; channel 0 is circulation */
    struct worksheet_output output[SITE_CHAINS_MAX][CHAIN_MODULES_MAX][CHAIN_CHANNELS_MAX + 1];
};

struct worksheet_column {
    const char *head;
    int wide;    /* characters on a terminal; 0: the rest of the line */
    bool number; /* aligned to the right */
};

struct worksheet_table {
    const char *caption;
    const struct worksheet_column *column;
    uint32_t columns;
    bool box; /* a box to tick before each row */
};

struct worksheet_cells {
    char at[WORKSHEET_COLUMNS_MAX][WORKSHEET_CELL_MAX];
};

/* A form: how each kind of thing is written. Words may hold anything. */
struct worksheet_form {
    void (*begin)(FILE *out, const struct worksheet *w);
    void (*heading)(FILE *out, const char *words);
    void (*part)(FILE *out, const char *words); /* a smaller heading */
    void (*words)(FILE *out, const char *words);
    void (*caution)(FILE *out, const char *words);
    void (*box)(FILE *out, const char *words); /* a step with a box to tick */
    void (*chain)(FILE *out, const struct worksheet *w, uint32_t chain);
    void (*label)(FILE *out, const struct worksheet *w, uint32_t stock);
    void (*labels_end)(FILE *out);
    void (*table)(FILE *out, const struct worksheet_table *table);
    void (*row)(
        FILE *out, const struct worksheet_table *table, const struct worksheet_cells *cells);
    void (*table_end)(FILE *out);
    void (*end)(FILE *out, const struct worksheet *w);
};

/* The whole contents (worksheet.c) and the list of what to do (worksheet_steps.c). */
void worksheet_tell(const struct worksheet *w, const struct worksheet_form *form, FILE *out);
void worksheet_tell_steps(const struct worksheet *w, const struct worksheet_form *form, FILE *out);

/* --- facts, as words (worksheet_facts.c) ------------------------------------------------------ */

/* "AWG 20, 2.0 m" of the link in front of a module; "cable as you have it" when it isn't known. */
void worksheet_add_cable(struct text *t, const struct chain_module_config *module);

/* "nutrient stock", "acid", "base". */
const char *worksheet_kind(const struct site_stock *stock);

/* "nitric acid, 5 % by weight, 1.026 g/mL: 0.814 mol/L of acid" */
void worksheet_add_contents(struct text *t, const struct site_stock *stock);

/* "leaf-b, carbonate": the bottles that this one is kept apart from; nothing when there are none.
 */
void worksheet_add_apart(struct text *t, const struct worksheet *w, uint32_t stock);

/* "west/1.1 for basil-bench; west/2.1 for lettuce-wall": at most 'most' of them, then how many
 * more. */
void worksheet_add_pumps(struct text *t, const struct worksheet *w, uint32_t stock, uint32_t most);

/* "west/1.1" */
void worksheet_add_address(
    struct text *t, const struct worksheet *w, const struct chain_address *address);

/* Millilitres, metres, without needless zeros. */
void worksheet_add_short(struct text *t, double value, unsigned decimals);

/* Bits of daemon/tool/caution.h of all stocks together. */
unsigned worksheet_hazards(const struct worksheet *w);

/* --- the HTML form's parts -------------------------------------------------------------------- */

/* Text, cleaned and safe between tags and in quoted attributes. */
void worksheet_put(FILE *out, const char *s);

/* The sheet of styles, without its tags. */
void worksheet_put_style(FILE *out);

/* A chain as drawings, one below the other (worksheet_draw.c). */
void worksheet_draw(FILE *out, const struct worksheet *w, uint32_t chain);

#endif
