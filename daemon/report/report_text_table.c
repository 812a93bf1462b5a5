#include <math.h>
#include <string.h>

#include "daemon/report/report_paper.h"

enum {
    DAYS_SHOWN = 14,
    STOCK_WIDE = 12, /* a column of the table */
};
_Static_assert(DAYS_SHOWN == 14, "it is said in words below");

/* --- tables ----------------------------------------------------------------------------------- */

static const struct report_day *day_of(const struct report_tank *t, int64_t day, uint32_t stock)
{
    for (uint32_t i = t->days; i > 0; i--) {
        if (t->day[i - 1].day == day && t->day[i - 1].stock == stock) return &t->day[i - 1];
    }
    return NULL;
}

static void put_right(const struct paper *p, const char *s, int wide)
{
    const int width = paper_width(s);
    paper_put_blanks(p, wide - (width < wide - 1 ? width : wide - 1));
    paper_put(p, s, wide - 1);
}

static void put_day(
    const struct paper *p, const struct report_tank *t, int64_t day, uint32_t from, uint32_t to)
{
    char text[32];
    report_day_text(text, day);
    fprintf(p->out, "  %-10s", text);
    for (uint32_t s = from; s < to; s++) {
        const struct report_day *d = day_of(t, day, s);
        struct text cell = text_over(text, sizeof text);
        if (d) text_add_scaled(&cell, (d->ul + 5) / 10, 2);
        put_right(p, d ? text : "-", STOCK_WIDE);
    }
    putc('\n', p->out);
}

/* The distinct days in their order; gives how many, at most 'most' of the newest. */
static uint32_t newest_days(const struct report_tank *t, int64_t *ret, uint32_t most)
{
    uint32_t count = 0;
    for (uint32_t i = 0; i < t->days; i++) {
        const int64_t day = t->day[i].day;
        uint32_t at = count;
        while (at > 0 && ret[at - 1] > day) {
            at--;
        }
        if (at > 0 && ret[at - 1] == day) continue;
        if (count == most) { /* the oldest makes room */
            if (at == 0) continue;
            memmove(ret, ret + 1, (at - 1) * sizeof *ret);
            ret[at - 1] = day;
            continue;
        }
        memmove(ret + at + 1, ret + at, (count - at) * sizeof *ret);
        ret[at] = day;
        count++;
    }
    return count;
}

void paper_put_days(const struct paper *p, const struct report_tank *t)
{
    int64_t day[DAYS_SHOWN];
    const uint32_t days = newest_days(t, day, DAYS_SHOWN);
    const uint32_t fit = (uint32_t)(p->columns - 12) / STOCK_WIDE;
    for (uint32_t from = 0; from < t->stocks && days > 0; from += fit) {
        const uint32_t to = from + fit < t->stocks ? from + fit : t->stocks;
        fprintf(p->out, "  %-10s", "mL a day");
        for (uint32_t s = from; s < to; s++) {
            put_right(p, t->stock[s].key, STOCK_WIDE);
        }
        putc('\n', p->out);
        for (uint32_t d = 0; d < days; d++) {
            put_day(p, t, day[d], from, to);
        }
    }
    if (days == DAYS_SHOWN)
        paper_put_folded(p, 2, "(the newest 14 days; the other forms have all)");
}

static uint32_t cells_of(const struct report_section *s)
{
    return s->rows * s->columns;
}

/* Where the paper is too narrow for the columns: a line for each cell, below its row's first. */
static void put_section_folded(const struct paper *p, const struct report_section *s)
{
    char words[2 * REPORT_TEXT_MAX];
    for (uint32_t i = 0; i < cells_of(s); i++) {
        const uint32_t c = i % s->columns;
        if (c > 0 && !s->cell[i][0]) continue;
        struct text t = text_over(words, sizeof words);
        if (c > 0 && s->headed) {
            text_add(&t, s->column[c]);
            text_add(&t, ": ");
        }
        text_add(&t, s->cell[i]);
        paper_put_folded(p, c > 0 ? 4 : 2, words);
    }
}

static void put_cell(const struct paper *p, const char *cell, int wide, bool last)
{
    fputs("  ", p->out);
    const int width = paper_put(p, cell, wide);
    if (last)
        putc('\n', p->out);
    else
        paper_put_blanks(p, wide - width);
}

static void put_section(const struct paper *p, const struct report_section *s)
{
    int wide[REPORT_COLUMNS_MAX] = { 0 }, all = 0;
    for (uint32_t c = 0; s->headed && c < s->columns; c++) {
        wide[c] = paper_width(s->column[c]);
    }
    for (uint32_t i = 0; i < cells_of(s); i++) {
        const int width = paper_width(s->cell[i]);
        if (width > wide[i % s->columns]) wide[i % s->columns] = width;
    }
    for (uint32_t c = 0; c < s->columns; c++) {
        all += 2 + wide[c];
    }
    putc('\n', p->out);
    paper_put_folded(p, 0, s->heading);
    if (all > p->columns) {
        put_section_folded(p, s);
        return;
    }
    for (uint32_t c = 0; s->headed && c < s->columns; c++) {
        put_cell(p, s->column[c], wide[c], c + 1 == s->columns);
    }
    for (uint32_t i = 0; i < cells_of(s); i++) {
        put_cell(p, s->cell[i], wide[i % s->columns], (i + 1) % s->columns == 0);
    }
}

void paper_put_sections(
    const struct paper *p, const struct report *r, const struct report_tank *tank)
{
    for (uint32_t i = 0; i < r->sections; i++) {
        const struct report_section *s = r->section[i];
        if (!s->hidden && s->tank == tank) put_section(p, s);
    }
}

static void put_bottle(const struct paper *p, const struct report *r, const struct report_bottle *b)
{
    const double days = report_days_left(r, b);
    char words[REPORT_TEXT_MAX];
    struct text t = text_over(words, sizeof words);
    text_add(&t, b->key);
    text_add(&t, ": ");
    report_add_ml(&t, b->used_ul);
    text_add(&t, " mL used");
    if (b->has_left) {
        text_add(&t, ", ");
        report_add_ml(&t, b->left_ul);
        text_add(&t, " mL left");
    }
    if (!isnan(days)) {
        text_add(&t, ", enough for ");
        text_add_real(&t, days, days < 10 ? 1 : 0);
        text_add(&t, " days at this rate");
    }
    paper_put_folded(p, 2, words);
}

void paper_put_bottles(const struct paper *p, const struct report *r)
{
    if (!report_shows_bottles(r)) return;
    fputs("\nbottles\n", p->out);
    for (uint32_t i = 0; i < r->bottles; i++) {
        if (report_shows_bottle(r, &r->bottle[i])) put_bottle(p, r, &r->bottle[i]);
    }
}
