/* What the files that write the HTML form share. Private to report_html*.c;
 * worksheet_html.c uses page_put as well. */
#ifndef DOSEWRIGHT_DAEMON_REPORT_PAGE_H
#define DOSEWRIGHT_DAEMON_REPORT_PAGE_H

#include "daemon/report/report_inside.h"

/* Text, safe between tags and in quoted attributes. */
void page_put(FILE *out, const char *s);

/* The sheet of styles, without its tags. */
void page_put_style(FILE *out);

/* The charts of a tank, one below the other over the same time. */
void page_put_charts(FILE *out, const struct report *r, const struct report_tank *t);

/* The tables: of a tank, of the bottles, of the caller's sections (tank NULL: the report's). */
void page_put_days(FILE *out, const struct report_tank *t);
void page_put_alerts(FILE *out, const struct report_alerts *alerts);
void page_put_bottles(FILE *out, const struct report *r);
void page_put_sections(FILE *out, const struct report *r, const struct report_tank *tank);

#endif
