#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/report/report_page.h"
#include "lib/base/decimal.h"

/* --- millilitres a day ------------------------------------------------------------------------ */

static int by_day(const void *a, const void *b)
{
    const struct report_day *x = a, *y = b;
    if (x->day != y->day) return x->day < y->day ? -1 : 1;
    return (int)x->stock - (int)y->stock;
}

static void put_day_cell(FILE *out, const struct report_stock *stock, int64_t ul, int64_t most_ul)
{
    fprintf(out, "<td class=\"c-%s\" data-k=\"", report_purpose_word(stock->purpose));
    page_put(out, stock->key);
    fputs("\" style=\"--s:", out);
    report_put_real(out, most_ul > 0 && ul > 0 ? 100.0 * (double)ul / (double)most_ul : 0, 0);
    fputs("%\">", out);
    if (ul < 0)
        fputs("\xe2\x80\x93", out); /* a dash: nothing on that day */
    else
        report_put_ml(out, ul);
    fputs("</td>", out);
}

/* One row; gives how many of the sorted sums it used. */
static uint32_t put_day(FILE *out, const struct report_tank *t, const struct report_day *day,
    uint32_t count, const int64_t *most_ul)
{
    char text[32];
    uint32_t used = 0;
    report_day_text(text, day->day);
    fprintf(out, "<tr><th scope=\"row\">%s</th>", text);
    for (uint32_t s = 0; s < t->stocks; s++) {
        if (used < count && day[used].day == day->day && day[used].stock == s) {
            put_day_cell(out, &t->stock[s], day[used].ul, most_ul[s]);
            used++;
        } else {
            put_day_cell(out, &t->stock[s], -1, 0);
        }
    }
    fputs("</tr>\n", out);
    return used;
}

static void put_days_head(FILE *out, const struct report_tank *t)
{
    fputs("<table class=\"bars folds\"><caption>Millilitres a day</caption><thead><tr>"
          "<th scope=\"col\">day, UTC</th>",
        out);
    for (uint32_t s = 0; s < t->stocks; s++) {
        fputs("<th scope=\"col\">", out);
        page_put(out, t->stock[s].key);
        fputs("</th>", out);
    }
    fputs("</tr></thead>\n<tbody>\n", out);
}

static void put_days_foot(FILE *out, const struct report_tank *t)
{
    fputs("</tbody><tfoot><tr><th scope=\"row\">all</th>", out);
    for (uint32_t s = 0; s < t->stocks; s++) {
        put_day_cell(out, &t->stock[s], t->stock[s].ul, 0);
    }
    fputs("</tr></tfoot></table>\n", out);
}

void page_put_days(FILE *out, const struct report_tank *t)
{
    int64_t most_ul[REPORT_STOCKS_MAX] = { 0 };
    if (t->days == 0) return;
    struct report_day *day = malloc(t->days * sizeof *day);
    if (!day) return;
    for (uint32_t i = 0; i < t->days; i++) {
        day[i] = t->day[i];
        if (day[i].ul > most_ul[day[i].stock]) most_ul[day[i].stock] = day[i].ul;
    }
    qsort(day, t->days, sizeof *day, by_day);
    put_days_head(out, t);
    for (uint32_t i = 0; i < t->days;) {
        i += put_day(out, t, day + i, t->days - i, most_ul);
    }
    put_days_foot(out, t);
    free(day);
}

/* --- alerts ----------------------------------------------------------------------------------- */

static void put_alert(FILE *out, const struct report_alert *a)
{
    char moment[32], span[32];
    struct text t = text_over(span, sizeof span);
    report_moment(moment, a->from_ms, REPORT_MINUTE);
    text_add_span(&t, a->to_ms - a->from_ms);
    fputs("<li><time datetime=\"", out);
    report_put_time(out, a->from_ms);
    fprintf(out, "\">%s, %s</time> <b>", moment, a->stands ? "still stands" : span);
    page_put(out, a->id);
    fputs("</b> ", out);
    page_put(out, a->text);
    if (a->times > 1) fprintf(out, " (%u times)", (unsigned)a->times);
    fputs("</li>\n", out);
}

void page_put_alerts(FILE *out, const struct report_alerts *alerts)
{
    if (alerts->count == 0) return;
    fputs("<h3>Alerts</h3>\n<ol class=\"alerts\">\n", out);
    for (uint32_t i = 0; i < alerts->count; i++) {
        put_alert(out, &alerts->item[i]);
    }
    if (alerts->more > 0)
        fprintf(out, "<li>and %lld more that aren't listed</li>\n", (long long)alerts->more);
    fputs("</ol>\n", out);
}

/* --- bottles ---------------------------------------------------------------------------------- */

static void put_bottle(FILE *out, const struct report *r, const struct report_bottle *b)
{
    const double days = report_days_left(r, b);
    fputs("<tr><th scope=\"row\">", out);
    page_put(out, b->key);
    fputs("</th><td data-k=\"used, mL\">", out);
    report_put_ml(out, b->used_ul);
    fputs("</td><td data-k=\"left, mL\">", out);
    if (b->has_left)
        report_put_ml(out, b->left_ul);
    else
        fputs("not known", out);
    fputs("</td><td data-k=\"lasts, days\">", out);
    if (isnan(days))
        fputs("not known", out);
    else
        report_put_real(out, days, days < 10 ? 1 : 0);
    fprintf(out, "</td><td data-k=\"refilled\">%u</td></tr>\n", (unsigned)b->refills);
}

void page_put_bottles(FILE *out, const struct report *r)
{
    if (!report_shows_bottles(r)) return;
    fputs("<section class=\"sheet\"><h2>Bottles</h2>\n<table class=\"folds\"><thead><tr>"
          "<th scope=\"col\">stock</th><th scope=\"col\">used, mL</th><th scope=\"col\">left, "
          "mL</th><th scope=\"col\">lasts at this rate, days</th><th scope=\"col\">refilled</th>"
          "</tr></thead>\n<tbody>\n",
        out);
    for (uint32_t i = 0; i < r->bottles; i++) {
        if (report_shows_bottle(r, &r->bottle[i])) put_bottle(out, r, &r->bottle[i]);
    }
    fputs("</tbody></table></section>\n", out);
}

/* --- the caller's ----------------------------------------------------------------------------- */

/* Words stand on the left, numbers on the right. */
static bool has_words(const struct report_section *s, uint32_t column)
{
    double value;
    for (uint32_t row = 0; row < s->rows; row++) {
        const char *cell = s->cell[row * s->columns + column];
        if (cell[0] && !decimal_read_json(&value, cell, strlen(cell))) return true;
    }
    return false;
}

static void put_section_head(FILE *out, const struct report_section *s)
{
    if (!s->headed) return;
    fputs("<thead><tr>", out);
    for (uint32_t c = 0; c < s->columns; c++) {
        fprintf(out, "<th scope=\"col\"%s>", has_words(s, c) ? " class=\"word\"" : "");
        page_put(out, s->column[c]);
        fputs("</th>", out);
    }
    fputs("</tr></thead>\n", out);
}

static void put_section(FILE *out, const struct report_section *s)
{
    fprintf(out, "<table class=\"%s\"><caption>", s->headed ? "folds" : "words");
    page_put(out, s->heading);
    fputs("</caption>", out);
    put_section_head(out, s);
    fputs("<tbody>\n", out);
    for (uint32_t i = 0; i < s->rows * s->columns; i++) {
        const uint32_t c = i % s->columns;
        if (c == 0) {
            fputs("<tr><th scope=\"row\">", out);
        } else if (s->headed) {
            fprintf(out, "<td%s data-k=\"", has_words(s, c) ? " class=\"word\"" : "");
            page_put(out, s->column[c]);
            fputs("\">", out);
        } else {
            fputs("<td>", out);
        }
        page_put(out, s->cell[i]);
        fputs(c == 0 ? "</th>" : "</td>", out);
        if (c + 1 == s->columns) fputs("</tr>\n", out);
    }
    fputs("</tbody></table>\n", out);
}

void page_put_sections(FILE *out, const struct report *r, const struct report_tank *tank)
{
    for (uint32_t i = 0; i < r->sections; i++) {
        const struct report_section *s = r->section[i];
        if (s->hidden || s->tank != tank) continue;
        if (!tank) fputs("<section class=\"sheet\">", out);
        put_section(out, s);
        if (!tank) fputs("</section>\n", out);
    }
}
