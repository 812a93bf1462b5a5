#include "daemon/report/report_plot.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { CELL_WIDE = 2, CELL_HIGH = 4, EDGE_EVERY = 6, LEVELS = 8 };

void plot_start(struct plot *p, bool ascii, int columns, int rows)
{
    memset(p, 0, sizeof *p);
    p->ascii = ascii;
    p->columns = columns < 1 ? 1 : columns > PLOT_COLUMNS_MAX ? PLOT_COLUMNS_MAX : columns;
    p->rows = rows < 1 ? 1 : rows > PLOT_ROWS_MAX ? PLOT_ROWS_MAX : rows;
}

static int dots_wide(const struct plot *p)
{
    return p->ascii ? p->columns : p->columns * CELL_WIDE;
}
static int dots_high(const struct plot *p)
{
    return p->ascii ? p->rows : p->rows * CELL_HIGH;
}

/* Of a place in [0, 1], a dot of 'count'; what is outside goes to the border. */
static int dot_of(double place, int count)
{
    const double at = floor(place * count);
    if (!(at > 0)) return 0;
    return at >= count ? count - 1 : (int)at;
}

static double place_of(const struct plot *p, int64_t at_ms)
{
    if (p->to_ms <= p->from_ms) return 0.5;
    return (double)(at_ms - p->from_ms) / (double)(p->to_ms - p->from_ms);
}

static int across(const struct plot *p, int64_t at_ms)
{
    return dot_of(place_of(p, at_ms), dots_wide(p));
}

static int down(const struct plot *p, double value)
{
    return dot_of((p->high - value) / (p->high - p->low), dots_high(p));
}

int plot_column(const struct plot *p, int64_t at_ms)
{
    if (at_ms < p->from_ms || at_ms > p->to_ms) return -1;
    return dot_of(place_of(p, at_ms), p->columns);
}

/* Unicode 15, block "Braille Patterns": the bits of a cell's dots. */
static void set_dot(const struct plot *p, uint8_t cells[][PLOT_COLUMNS_MAX], int x, int y)
{
    static const uint8_t bit[CELL_HIGH][CELL_WIDE] = { { 0x01, 0x08 }, { 0x02, 0x10 },
        { 0x04, 0x20 }, { 0x40, 0x80 } };
    if (p->ascii)
        cells[y][x] = 1;
    else
        cells[y / CELL_HIGH][x / CELL_WIDE] |= bit[y % CELL_HIGH][x % CELL_WIDE];
}

static void draw_stroke(struct plot *p, int x0, int y0, int x1, int y1)
{
    const int wide = abs(x1 - x0), high = abs(y1 - y0), steps = wide > high ? wide : high;
    for (int i = 0; i <= steps; i++) {
        const double share = steps > 0 ? (double)i / steps : 0;
        set_dot(
            p, p->line, x0 + (int)lround(share * (x1 - x0)), y0 + (int)lround(share * (y1 - y0)));
    }
}

void plot_line(
    struct plot *p, const struct report_tank *tank, const struct report_line *line, double scale)
{
    int x = 0, y = 0;
    for (uint32_t i = 0; i < line->count; i++) {
        const struct report_bin *b = &line->bin[i];
        const bool low_first = b->low_ms <= b->high_ms;
        const int x0 = across(p, low_first ? b->low_ms : b->high_ms);
        const int y0 = down(p, (low_first ? b->low : b->high) / scale);
        const int x1 = across(p, low_first ? b->high_ms : b->low_ms);
        const int y1 = down(p, (low_first ? b->high : b->low) / scale);
        if (i > 0 && report_joins(tank, line->bin[i - 1].last_ms, b->first_ms))
            draw_stroke(p, x, y, x0, y0);
        draw_stroke(p, x0, y0, x1, y1);
        x = x1;
        y = y1;
    }
}

void plot_band(struct plot *p, const struct report_band *band, double scale)
{
    for (uint32_t i = 0; i < band->count; i++) {
        const struct report_span *s = &band->span[i];
        const int low = down(p, s->low / scale), high = down(p, s->high / scale);
        const int to = across(p, i + 1 < band->count ? band->span[i + 1].first_ms : s->last_ms);
        for (int x = across(p, s->first_ms); x <= to; x++) {
            if (x % (p->ascii ? EDGE_EVERY / 2 : EDGE_EVERY) != 0) continue;
            set_dot(p, p->edge, x, low);
            set_dot(p, p->edge, x, high);
        }
    }
}

static void put_braille(FILE *out, uint8_t dots)
{
    putc(0xe2, out); /* U+2800 and its dots in UTF-8 */
    putc(0xa0 | dots >> 6, out);
    putc(0x80 | (dots & 0x3f), out);
}

void plot_put_row(FILE *out, const struct plot *p, int row)
{
    int end = p->columns;
    while (end > 0 && !p->line[row][end - 1] && !p->edge[row][end - 1]) {
        end--;
    }
    for (int i = 0; i < end; i++) {
        const uint8_t line = p->line[row][i], edge = p->edge[row][i];
        if (!line && !edge)
            putc(' ', out);
        else if (p->ascii)
            putc(line ? '*' : '.', out);
        else
            put_braille(out, line | edge);
    }
}

void plot_put_level(FILE *out, bool ascii, int level)
{
    static const char plain[LEVELS + 1] = ".:-=+*#@";
    const int at = level < 1 ? 0 : level > LEVELS ? LEVELS - 1 : level - 1;
    if (ascii) {
        putc(plain[at], out);
        return;
    }
    putc(0xe2, out); /* U+2581 to U+2588: one to eight eighths of a block */
    putc(0x96, out);
    putc(0x81 + at, out);
}
