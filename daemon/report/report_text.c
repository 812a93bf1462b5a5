/* The summary for a terminal. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/report/report_paper.h"
#include "daemon/report/report_plot.h"

enum {
    MARGIN = 8, /* left of a chart */
    ROWS_BRAILLE = 5,
    ROWS_ASCII = 8,
    ALERTS_SHOWN = 12,
    LEVELS = 8,
};

/* --- charts ----------------------------------------------------------------------------------- */

static void start_chart(struct plot *plot, const struct paper *p, const struct report *r, int rows)
{
    plot_start(plot, p->ascii, p->columns - MARGIN - 1, rows);
    plot->from_ms = r->first_ms;
    plot->to_ms = r->last_ms;
}

static void add_reading(struct text *t, const struct report_show *show, double value)
{
    text_add_real(t, value / show->scale, show->decimals);
}

static void put_heading(
    const struct paper *p, const struct report_tank *t, enum report_channel channel)
{
    const struct report_show *show = report_channel_show(channel);
    const struct report_line *line = &t->line[channel];
    const double share = report_in_band(t, channel);
    const uint32_t gaps = report_gaps(t, line);
    char words[REPORT_TEXT_MAX];
    struct text text = text_over(words, sizeof words);
    text_add(&text, show->name);
    text_add(&text, show->unit[0] ? ", " : "");
    text_add(&text, show->unit);
    text_add(&text, ": ");
    add_reading(&text, show, line->low);
    text_add(&text, " to ");
    add_reading(&text, show, line->high);
    text_add(&text, ", last ");
    add_reading(&text, show, line->last);
    if (!isnan(share)) {
        text_add(&text, ", in band ");
        text_add_real(&text, share, 1);
        text_add(&text, " %");
    }
    if (gaps > 0) {
        text_add(&text, ", ");
        text_add_int(&text, gaps);
        text_add(&text, gaps > 1 ? " gaps" : " gap");
    }
    paper_put_folded(p, 2, words);
}

/* A number of the scale in the margin: without places where it is long. */
static void add_label(struct text *t, double value, unsigned decimals)
{
    static const double long_ones = 1000;
    text_add_real(t, value, fabs(value) < long_ones ? decimals : 0);
}

static void put_chart(const struct paper *p, const struct report *r, const struct report_tank *t,
    enum report_channel channel)
{
    struct report_scale scale;
    if (t->line[channel].readings == 0 || !report_scale_of(&scale, t, channel)) return;
    const double divisor = report_channel_show(channel)->scale;
    const unsigned decimals = report_channel_show(channel)->decimals;
    struct plot *plot = malloc(sizeof *plot);
    if (!plot) return;
    start_chart(plot, p, r, p->ascii ? ROWS_ASCII : ROWS_BRAILLE);
    plot->low = scale.low;
    plot->high = scale.high;
    plot_band(plot, &t->band[channel], divisor);
    plot_line(plot, t, &t->line[channel], divisor);
    put_heading(p, t, channel);
    for (int row = 0; row < plot->rows; row++) {
        char label[32] = "";
        struct text text = text_over(label, sizeof label);
        if (row == 0) add_label(&text, scale.high, decimals);
        if (row == plot->rows - 1) add_label(&text, scale.low, decimals);
        paper_put_blanks(p, MARGIN - 1 - (int)text.length);
        fputs(label, p->out);
        fputs(p->ascii ? " |" : " │", p->out);
        plot_put_row(p->out, plot, row);
        putc('\n', p->out);
    }
    free(plot);
}

static void put_times(const struct paper *p, const struct report *r)
{
    enum { LABEL_WIDE = 10 };
    const int wide = p->columns - MARGIN - 1;
    const struct report_ticks ticks = report_time_ticks(r->first_ms, r->last_ms, wide / LABEL_WIDE);
    const double span = (double)(r->last_ms - r->first_ms);
    int at = 0;
    paper_put_blanks(p, MARGIN + 1);
    for (int64_t t = ticks.first_ms; t <= r->last_ms && span > 0; t += ticks.step_ms) {
        char label[32];
        report_tick_text(label, &ticks, t);
        const int column = (int)((double)(t - r->first_ms) / span * (wide - 1));
        if ((at > 0 && column <= at) || column + paper_width(label) > wide) continue;
        paper_put_blanks(p, column - at);
        fputs(label, p->out);
        at = column + paper_width(label);
    }
    putc('\n', p->out);
}

/* --- doses and alerts ------------------------------------------------------------------------- */

static void add_ml(struct text *t, int64_t ul)
{
    report_add_ml(t, ul);
    text_add(t, " mL");
}

static void put_stock_line(const struct paper *p, const struct report_stock *s)
{
    char words[REPORT_TEXT_MAX];
    struct text t = text_over(words, sizeof words);
    text_add(&t, s->key);
    text_add(&t, ": ");
    add_ml(&t, s->ul);
    text_add(&t, " in ");
    text_add_int(&t, s->doses);
    text_add(&t, s->doses == 1 ? " dose" : " doses");
    if (s->failed > 0) {
        text_add(&t, ", ");
        text_add_int(&t, s->failed);
        text_add(&t, " of them moved nothing");
    }
    if (s->hand_ul > 0) {
        text_add(&t, ", ");
        add_ml(&t, s->hand_ul);
        text_add(&t, " of it by hand");
    }
    paper_put_folded(p, 2, words);
}

static void put_doses(
    const struct paper *p, const struct report *r, const struct report_tank *t, uint8_t stock)
{
    int64_t ul[PLOT_COLUMNS_MAX] = { 0 }, most = 0;
    bool any[PLOT_COLUMNS_MAX] = { false };
    struct plot *plot = malloc(sizeof *plot);
    if (!plot) return;
    start_chart(plot, p, r, 1);
    for (uint32_t i = 0; i < t->marks; i++) {
        const int column = plot_column(plot, t->mark[i].from_ms);
        if (t->mark[i].stock != stock || column < 0) continue;
        ul[column] += t->mark[i].ul;
        any[column] = true;
        if (ul[column] > most) most = ul[column];
    }
    put_stock_line(p, &t->stock[stock]);
    paper_put_blanks(p, MARGIN + 1);
    int end = plot->columns;
    while (end > 0 && !any[end - 1]) {
        end--;
    }
    for (int i = 0; i < end; i++) {
        if (ul[i] > 0 && most > 0)
            plot_put_level(p->out, p->ascii, (int)((ul[i] * LEVELS + most - 1) / most));
        else
            putc(any[i] ? 'x' : ' ', p->out);
    }
    putc('\n', p->out);
    free(plot);
}

static void put_alert_lane(
    const struct paper *p, const struct report *r, const struct report_alerts *alerts)
{
    char lane[PLOT_COLUMNS_MAX + 1];
    struct plot *plot = malloc(sizeof *plot);
    if (!plot) return;
    start_chart(plot, p, r, 1);
    memset(lane, ' ', sizeof lane);
    int end = plot->columns;
    for (uint32_t i = 0; i < alerts->count; i++) {
        const struct report_alert *a = &alerts->item[i];
        const int64_t from = a->from_ms > r->first_ms ? a->from_ms : r->first_ms;
        const int to = plot_column(plot, a->to_ms < r->last_ms ? a->to_ms : r->last_ms);
        const int begin = plot_column(plot, from);
        for (int c = begin; begin >= 0 && c <= to; c++) {
            if (lane[c] != '!') lane[c] = c == begin ? '!' : '-';
        }
    }
    while (end > 0 && lane[end - 1] == ' ') {
        end--;
    }
    lane[end] = '\0';
    paper_put_blanks(p, MARGIN + 1);
    fputs(lane, p->out);
    putc('\n', p->out);
    free(plot);
}

static void put_alert(const struct paper *p, const struct report_alert *a)
{
    char line[2 * REPORT_TEXT_MAX], moment[32];
    struct text t = text_over(line, sizeof line);
    report_moment(moment, a->from_ms, REPORT_MINUTE);
    text_add(&t, moment);
    if (a->stands) {
        text_add(&t, ", still stands: ");
    } else {
        text_add(&t, " for ");
        text_add_span(&t, a->to_ms - a->from_ms);
        text_add(&t, ": ");
    }
    text_add(&t, a->id);
    if (a->text[0]) text_add(&t, " - ");
    text_add(&t, a->text);
    paper_put_folded(p, 4, line);
}

static void put_alerts(const struct paper *p, const struct report *r,
    const struct report_alerts *alerts, bool with_lane)
{
    const int64_t all = alerts->count + alerts->more;
    if (all == 0) return;
    fprintf(p->out, "  alerts  %lld\n", (long long)all);
    if (with_lane) put_alert_lane(p, r, alerts);
    const uint32_t first = alerts->count > ALERTS_SHOWN ? alerts->count - ALERTS_SHOWN : 0;
    for (uint32_t i = first; i < alerts->count; i++) {
        put_alert(p, &alerts->item[i]);
    }
    if (first > 0) fprintf(p->out, "    and %u before these\n", (unsigned)first);
}

static void put_states(const struct paper *p, const struct report_tank *t)
{
    char line[REPORT_STATES_MAX * (REPORT_WORD_MAX + 16)];
    struct text text = text_over(line, sizeof line);
    int64_t all = 0;
    for (uint32_t i = 0; i < t->states; i++) {
        all += t->state[i].count;
    }
    if (all == 0) return;
    text_add(&text, "state:");
    for (uint32_t i = 0; i < t->states; i++) {
        text_add(&text, i > 0 ? ", " : " ");
        text_add(&text, t->state[i].word);
        text_add_char(&text, ' ');
        text_add_real(&text, 100.0 * (double)t->state[i].count / (double)all, 1);
        text_add(&text, " %");
    }
    paper_put_folded(p, 2, line);
}

/* --- all -------------------------------------------------------------------------------------- */

static void put_tank(const struct paper *p, const struct report *r, const struct report_tank *t)
{
    bool any = false;
    putc('\n', p->out);
    paper_put(p, t->key, p->columns);
    if (t->name[0]) {
        fputs("  ", p->out);
        paper_put(p, t->name, p->columns);
    }
    putc('\n', p->out);
    put_states(p, t);
    for (int c = 0; c < REPORT_CHANNELS; c++) {
        put_chart(p, r, t, (enum report_channel)c);
        any = any || t->line[c].readings > 0;
    }
    for (uint32_t s = 0; s < t->stocks; s++) {
        put_doses(p, r, t, (uint8_t)s);
    }
    if (any || t->stocks > 0)
        put_times(p, r);
    else
        fputs("  no readings and no doses\n", p->out);
    put_alerts(p, r, &t->alerts, true);
    paper_put_days(p, t);
    paper_put_sections(p, r, t);
}

void report_write_text(const struct report *r, FILE *out, const struct report_terminal *terminal)
{
    const struct report_terminal usual = { .columns = PAPER_COLUMNS_USUAL, .ascii = true };
    if (!terminal) terminal = &usual;
    struct paper p = { .out = out, .ascii = terminal->ascii, .columns = terminal->columns };
    if (p.columns < PAPER_COLUMNS_LEAST) p.columns = PAPER_COLUMNS_LEAST;
    if (p.columns > PAPER_COLUMNS_MOST) p.columns = PAPER_COLUMNS_MOST;
    paper_put_folded(&p, 0, r->title);
    paper_put_folded(&p, 0, r->subtitle);
    for (uint32_t i = 0; i < r->notes; i++) {
        paper_put_folded(&p, 2, r->note[i]);
    }
    for (uint32_t i = 0; i < r->tanks; i++) {
        put_tank(&p, r, r->tank[i]);
    }
    if (r->alerts.count > 0) {
        fputs("\nthe site\n", out);
        put_alerts(&p, r, &r->alerts, false);
    }
    paper_put_bottles(&p, r);
    paper_put_sections(&p, r, NULL);
}
