/* dosewright reckon: stock arithmetic for people. Private to reckon_*.c and cmd_reckon.c.
 *
 * A topic (mix, stocks, acid ...) has a table of its options; the table reads the command line and
 * writes the help. What is found goes on a sheet, and the sheet is printed as text or as JSON: same
 * figures, each with the equation or table that it rests on, and the cautions. */
#ifndef DOSEWRIGHT_DAEMON_RECKON_H
#define DOSEWRIGHT_DAEMON_RECKON_H

#include "lib/base/problem.h"
#include "lib/base/text.h"

/* --- the command line ------------------------------------------------------------------------- */

enum {
    RECKON_GO_ON = -1, /* no exit code yet */
    RECKON_ANSWER_NO = 1,
    RECKON_WORDS_MAX = 64,
    RECKON_WORD_MAX = 512, /* bytes */
};

enum reckon_kind { RECKON_FLAG, RECKON_NUMBER, RECKON_TEXT };

struct reckon_option {
    const char *name; /* "--volume-l"; NULL ends the table */
    enum reckon_kind kind;
    const char *unit; /* or what kind of text */
    double least, most;
    const char *help;
};

struct reckon_word {
    const struct reckon_option *option; /* NULL: a word without one */
    const char *text;
    double number;
};

struct reckon_args;

struct reckon_topic {
    const char *name;
    const char *words; /* what stands after the name in the usage line */
    const char *about; /* lines, each ended */
    const struct reckon_option *options;
    int (*run)(const struct reckon_args *args);
};

/* All words in their order; options that may be given again are found by walking them. */
struct reckon_args {
    const struct reckon_topic *topic;
    bool json;
    uint32_t count;
    struct reckon_word word[RECKON_WORDS_MAX];
};

/* Reads what follows the topic's name. RECKON_GO_ON or an exit code. */
int reckon_read(struct reckon_args *ret, const struct reckon_topic *topic, int argc, char **argv);

/* The last value given, or the fallback. */
double reckon_number(const struct reckon_args *args, const char *name, double fallback);
const char *reckon_text(const struct reckon_args *args, const char *name, const char *fallback);
bool reckon_given(const struct reckon_args *args, const char *name);

/* The first of these options (ended by NULL) that isn't given, said on standard error: EX_USAGE;
 * RECKON_GO_ON when all are. */
int reckon_need(const struct reckon_args *args, const char *const names[]);

/* "dosewright reckon TOPIC: WHERE: TEXT" on standard error; gives 'code'. */
int reckon_refuse(const struct reckon_args *args, int code, const char *where, const char *text);

/* The same for what lib found: EX_DATAERR, or EX_USAGE for what couldn't be read. */
int reckon_problem(
    const struct reckon_args *args, const char *where, enum err err, const struct problem *problem);

/* Plain decimal; false when it isn't one. */
bool reckon_decimal(double *ret, const char *text, size_t length);

/* Prints how the topic goes, on standard output. */
void reckon_help(const struct reckon_topic *topic);

/* The topics, ended by a NULL name. */
extern const struct reckon_topic reckon_bench_topics[];
extern const struct reckon_topic reckon_probe_topics[];
extern const struct reckon_topic reckon_mix_topic, reckon_stocks_topic, reckon_acid_topic,
    reckon_base_topic, reckon_salts_topic;

/* --- the sheet -------------------------------------------------------------------------------- */

enum { SHEET_COLUMNS_MAX = 4 };

struct sheet;

/* Empty; NULL without memory. */
struct sheet *sheet_new(const struct reckon_args *args);
void sheet_free(struct sheet *sheet);

/* Begins a section. 'key' names it in JSON. A section has lines of one figure each, or, with
 * columns (ended by NULL, at most 4; "mmol/L" becomes the key mmol_l), rows of a table. */
void sheet_section(struct sheet *sheet, const char *key, const char *title);
void sheet_table(struct sheet *sheet, const char *key, const char *title,
    const char *const columns[], const char *basis);

struct sheet_figure {
    const char *key, *label;
    double value;
    int decimals; /* -1: four digits that count */
    const char *unit, *basis;
};

/* A line of a section. */
void sheet_number(struct sheet *sheet, const struct sheet_figure *figure);
void sheet_words(
    struct sheet *sheet, const char *key, const char *label, const char *words, const char *basis);

/* A row of a table; the name is also its key. NaN shows as "-" and null. 'remark' may be NULL. */
void sheet_row(struct sheet *sheet, const char *name, const double *values, const char *remark);

/* A sentence below everything. */
void sheet_note(struct sheet *sheet, const char *text);

/* Cautions for what is handled: bits of daemon/tool/caution.h. */
void sheet_caution(struct sheet *sheet, unsigned hazards);

/* Prints it, text or JSON as the arguments say; EX_OK, EX_IOERR or EX_OSERR. */
int sheet_print(const struct sheet *sheet);

/* --- what several topics read ----------------------------------------------------------------- */

struct salt;
struct water;
struct analysis_report;

/* A salt or a label: "KNO3", "calcium-nitrate", "label,n=15.5,ca=19"; what it is called, and its
 * other members. */
struct reckon_salt {
    char name[64];
    double grams;   /* NAN: not given */
    double most;    /* NAN: not given */
    double density; /* g/mL, of a liquid; NAN: not given */
    char tank[4];   /* "", "A", "B", "AB" */
    unsigned hazards;
    bool is_label;
    double assumed_of_total; /* label_closure's */
};

/* Reads "NAME[=GRAMS][,member=value ...]". RECKON_GO_ON or an exit code, said. */
int reckon_read_salt(const struct reckon_args *args, struct salt *ret_salt, struct reckon_salt *ret,
    const char *text);

/* Reads --water ("ca=52,alkalinity=2.6,ph=7.4") or, without one, gives pure water. */
int reckon_read_water(
    const struct reckon_args *args, struct water *ret, struct analysis_report *ret_report);

/* Stocks and whether they stay clear where they stand (--store). */
#define RECKON_STORE_DEGC 15.0
struct reckon_stock {
    const char *what, *name; /* "Tank", "A" */
    double ml_per_l;         /* of it in the feed */
    double g_l;              /* of salts in a litre of it */
    const struct water *holds;
};
int reckon_show_stocks(const struct reckon_args *args, struct sheet *sheet,
    const struct reckon_stock *stocks, uint32_t count);

/* What happens where two of them meet in the line, whose water is 'line'. */
int reckon_show_meetings(const struct reckon_args *args, struct sheet *sheet,
    const struct reckon_stock *stocks, uint32_t count, const struct water *line);

/* Does the report balance, what was assumed: a note. */
void reckon_note_water(struct sheet *sheet, const struct analysis_report *report);

/* "--water": what its help says is the same everywhere. */
#define RECKON_WATER_OPTION                                                                        \
    {                                                                                              \
        .name = "--water", .kind = RECKON_TEXT, .unit = "NAME=VALUE,...",                          \
        .help =                                                                                    \
            "the source water's report: ca mg na k nh4 no3 cl so4 po4 fe mn zn cu b si (mg/L), "   \
            "no3_n nh4_n so4_s po4_p (mg/L as the element), alkalinity (meq/L) or "                \
            "alkalinity_caco3 or hco3 (mg/L), hardness_caco3 (mg/L), ph, ec (mS/cm); pure "        \
            "water without it"                                                                     \
    }

/* Puts the ions, nutrients, balance, pH and EC of a solution on the sheet. */
struct solution;
struct reckon_state {
    const struct solution *solution;
    double degc;
};
int reckon_show_solution(
    const struct reckon_args *args, struct sheet *sheet, const struct reckon_state *state);

/* Saturation indices of a state, with its CO2 kept in and in air, and what would fall out. */
struct equilibrium;
int reckon_show_solids(const struct reckon_args *args, struct sheet *sheet,
    const struct reckon_state *state, const struct equilibrium *const both[2]);

#endif
