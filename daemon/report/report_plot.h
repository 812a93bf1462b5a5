/* Small charts of characters: braille dots (two by four in a cell) or plain ASCII. Private to
 * daemon/report/report_text.c. */
#ifndef DOSEWRIGHT_DAEMON_REPORT_PLOT_H
#define DOSEWRIGHT_DAEMON_REPORT_PLOT_H

#include "daemon/report/report_inside.h"

enum { PLOT_COLUMNS_MAX = 400, PLOT_ROWS_MAX = 8 };

struct plot {
    bool ascii;
    int columns, rows;
    int64_t from_ms, to_ms;                        /* the width */
    double low, high;                              /* the height */
    uint8_t line[PLOT_ROWS_MAX][PLOT_COLUMNS_MAX]; /* dots of each cell */
    uint8_t edge[PLOT_ROWS_MAX][PLOT_COLUMNS_MAX];
};

/* Empty, of so many cells. */
void plot_start(struct plot *p, bool ascii, int columns, int rows);

/* A line of readings, and a band's edges as dotted ones; values are divided by 'scale'. */
void plot_line(
    struct plot *p, const struct report_tank *tank, const struct report_line *line, double scale);
void plot_band(struct plot *p, const struct report_band *band, double scale);

/* A row of cells, from the top. */
void plot_put_row(FILE *out, const struct plot *p, int row);

/* The column of an instant: 0 to columns - 1, or -1 when it is outside. */
int plot_column(const struct plot *p, int64_t at_ms);

/* One cell that tells how much: 1 (little) to 8. */
void plot_put_level(FILE *out, bool ascii, int level);

#endif
