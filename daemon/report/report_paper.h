/* A terminal's paper: characters, and words folded to its width. Private to report_text*.c.
 */
#ifndef DOSEWRIGHT_DAEMON_REPORT_PAPER_H
#define DOSEWRIGHT_DAEMON_REPORT_PAPER_H

#include "daemon/report/report_inside.h"

enum { PAPER_COLUMNS_LEAST = 40, PAPER_COLUMNS_MOST = 400, PAPER_COLUMNS_USUAL = 80 };

struct paper {
    FILE *out;
    bool ascii;
    int columns;
};

/* How many characters a text has. */
int paper_width(const char *s);

/* At most 'most' characters; without UTF-8 each that isn't ASCII is a '?'. Gives how many. */
int paper_put(const struct paper *p, const char *s, int most);

/* So many blanks; none when it is less than one. */
void paper_put_blanks(const struct paper *p, int count);

/* Words folded to the paper's width, each line after 'indent' blanks; ends the line. */
void paper_put_folded(const struct paper *p, int indent, const char *words);

/* The tables of the summary: what a tank was given, the bottles, the caller's sections. */
void paper_put_days(const struct paper *p, const struct report_tank *t);
void paper_put_bottles(const struct paper *p, const struct report *r);
void paper_put_sections(
    const struct paper *p, const struct report *r, const struct report_tank *tank);

#endif
