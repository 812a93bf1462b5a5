/* A report: what a site's tanks did over some time, drawn from journal records. It makes no
 * difference where the records come from: `journal report` reads them from a directory, a forecast
 * takes them from a core that runs in memory.
 *
 *     struct report *r = report_new(&(struct report_want){ .title = "Tern Hall" });
 *     report_take(r, record, civil);               for each record, in the journal's order
 *     report_note(r, "the clock was unset for an hour");
 *     if (report_finish(r, &problem) == ERR_NONE)
 *         report_write(r, REPORT_TEXT, stdout, &terminal);   or report_save
 *     report_free(r);
 *
 * Memory is bounded: about 0.3 MB for each tank, however long the journal. Readings are thinned to
 * REPORT_POINTS_MAX points a line, and each bin of time keeps its least and its greatest. No dose
 * and no alert is lost: beyond REPORT_MARKS_MAX doses of a tank, those of one stock that are close
 * together become one mark that says how many it stands for.
 *
 * What goes wrong on the way (no memory, too many tanks) is remembered and told by report_finish:
 * the calls before it need no checks. All texts are copied, and escaped where they are written;
 * they may hold anything. */
#ifndef DOSEWRIGHT_DAEMON_REPORT_H
#define DOSEWRIGHT_DAEMON_REPORT_H

#include <stdio.h>

#include "lib/base/problem.h"
#include "lib/journal/record.h"

enum {
    REPORT_POINTS_MAX = 1500, /* of one line of readings */
    REPORT_MARKS_MAX = 1500,  /* doses of one tank that are told apart */
    REPORT_TANKS_MAX = 1024,  /* of one report */
    REPORT_STOCKS_MAX = 24,   /* that one tank was given */
    REPORT_ALERTS_MAX = 500,  /* of one tank, told apart; more are counted */
    REPORT_NOTES_MAX = 64,    /* more are left out */
    REPORT_SECTIONS_MAX = 64, /* of the whole report */
    REPORT_COLUMNS_MAX = 8,   /* of a section */
    REPORT_ROWS_MAX = 400,    /* of a section */
    REPORT_TEXT_MAX = 256,    /* bytes of a title, note, heading or cell; longer ones are cut */
    REPORT_KEY_LONGEST = 64,  /* bytes of a tank's or stock's key, NUL included */
};

enum report_channel { REPORT_EC, REPORT_PH, REPORT_DEGC, REPORT_CHANNELS };

/* What the report is to be of; NULL or 0 where it doesn't matter. Texts are copied. */
struct report_want {
    const char *title;    /* NULL: "Report" */
    const char *subtitle; /* NULL: the time that it covers */
    const char *tank;     /* only this tank's key; NULL: all */
    bool has_from, has_to;
    struct civil from, to; /* from <= t < to; records outside count for bottles and nothing else */
    const char *truth;     /* what the second line is called; NULL: "true" */
};

struct report;

/* An empty report; NULL when there is no memory. */
struct report *report_new(const struct report_want *want);
void report_free(struct report *r); /* NULL is fine */

/* Takes a record, at its own time. These kinds tell something, others are passed by:
 *   water    tank; each if it is there: ec_us_cm, ph, degc, set_ec_us_cm, set_ph, band_ec_us_cm,
 *            band_ph, state
 *   dose     id, tank, stock, ul; each if it is there: purpose (feed, acid, base), ec_us_cm, ph
 *   outcome  id, state, ul, unsure
 *   hand     tank, stock, ul
 *   alert    alert, on, text; tank if it is about one
 *   carry    stock, remaining_ul
 *   request  "refilled": what the bottle holds
 *   start    alerts of before are over
 * Times may run back (a clock that was set); what is before the year 2000 counts in sums as
 * "undated" and isn't drawn. */
void report_take(struct report *r, const struct record *record, struct civil at);

/* The name that people know a tank by, shown beside its key. */
void report_name_tank(struct report *r, const char *tank, const char *name);

/* A point of the second, thin line of a channel: what a simulated tank truly holds. */
void report_truth(
    struct report *r, const char *tank, enum report_channel channel, struct civil at, double value);

/* A sentence for the reader, shown above the tanks in this order. */
void report_note(struct report *r, const char *text);

/* A table of the caller's: 'columns' headings (NULL: two columns, a name and a value, without
 * headings). 'tank' NULL: after all tanks; else after that tank's charts. 'id' is its name in JSON
 * and CSV ("what-if"). Gives its number for report_row; with too many sections, one that takes no
 * rows. */
struct report_table {
    const char *tank, *id, *heading;
    uint32_t columns;
    const char *const *column;
};
int report_section(struct report *r, const struct report_table *table);

/* A row: as many cells as the section has columns. In JSON a cell that is a number in JSON's
 * grammar is written as one, an empty one as null. */
void report_row(struct report *r, int section, const char *const *cells);
/* For sections of two columns. */
void report_pair(struct report *r, int section, const char *name, const char *value);

/* No more records: sums up. To be called once, before anything is written. ERR_FULL when a bound or
 * the memory was met; then nothing can be written. */
enum err report_finish(struct report *r, struct problem *problem)
    __attribute__((warn_unused_result));

/* How many tanks, doses and alerts it has; after report_finish. */
struct report_counts {
    uint32_t tanks;
    int64_t doses, alerts, readings;
    int64_t records; /* of any kind, in its time */
};
struct report_counts report_count(const struct report *r);

enum report_form {
    REPORT_TEXT, /* a summary with small charts for a terminal */
    REPORT_JSON, /* one object; docs/reports.md has its members */
    REPORT_CSV,  /* RFC 4180, one line for each point, dose, alert and cell */
    REPORT_HTML, /* one page that needs nothing else */
};

/* How wide a terminal is, and whether it shows UTF-8. Only REPORT_TEXT asks for it. */
struct report_terminal {
    int columns; /* 40 to 400 are used */
    bool ascii;
};

/* By COLUMNS (80 when it isn't a sensible number), and LC_ALL, LC_CTYPE or LANG. */
struct report_terminal report_terminal_here(void);

/* Writes it; errors of the stream are the caller's to look for (ferror). */
void report_write(const struct report *r, enum report_form form, FILE *out,
    const struct report_terminal *terminal);

/* Writes a file whole or not at all: a temporary one beside it that is renamed. A file that is
 * there is replaced only when it is a report of this program, or 'over' is true. ERR_BUSY when it
 * isn't, ERR_IO. */
enum err report_save(const struct report *r, enum report_form form, const char *path, bool over,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
