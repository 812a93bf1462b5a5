/* The summary for a terminal. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/report_plot.h"
#include "lib/base/decimal.h"

enum {
    COLUMNS_USUAL = 80,
    COLUMNS_LEAST = 40,
    MARGIN = 8, /* left of a chart */
    ROWS_BRAILLE = 5,
    ROWS_ASCII = 8,
    DAYS_SHOWN = 14,
    ALERTS_SHOWN = 12,
    STOCK_WIDE = 12, /* a column of the table */
    LEVELS = 8,
};

struct paper {
    FILE *out;
    bool ascii;
    int columns;
};

/* --- the terminal ----------------------------------------------------------------------------- */

static bool says_utf8(void)
{
    static const char *const names[] = { "LC_ALL", "LC_CTYPE", "LANG" };
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        const char *value = getenv(names[i]);
        if (!value || !value[0]) continue;
        return strstr(value, "UTF-8") || strstr(value, "utf8") || strstr(value, "utf-8") ||
               strstr(value, "UTF8");
    }
    return false;
}

struct report_terminal report_terminal_here(void)
{
    const char *columns = getenv("COLUMNS");
    struct decimal d;
    struct report_terminal terminal = { .columns = COLUMNS_USUAL, .ascii = !says_utf8() };
    if (columns && decimal_read_plain(&d, columns, strlen(columns)) && d.decimals == 0 &&
        d.scaled >= COLUMNS_LEAST && d.scaled <= PLOT_COLUMNS_MAX)
        terminal.columns = (int)d.scaled;
    return terminal;
}

/* --- words ------------------------------------------------------------------------------------ */

static bool begins_character(char c)
{
    return ((unsigned char)c & 0xc0) != 0x80;
}

static int width_of(const char *s)
{
    int width = 0;
    for (; *s; s++) {
        if (begins_character(*s)) width++;
    }
    return width;
}

/* At most 'most' characters; without UTF-8 each that isn't ASCII is a '?'. Gives how many. */
static int put_text(const struct paper *p, const char *s, int most)
{
    int width = 0;
    for (; *s; s++) {
        const bool begins = begins_character(*s), plain = (unsigned char)*s < 0x80;
        if (begins && width == most) break;
        if (begins) width++;
        if (plain || !p->ascii)
            putc(*s, p->out);
        else if (begins)
            putc('?', p->out);
    }
    return width;
}

static void put_blanks(const struct paper *p, int count)
{
    for (int i = 0; i < count; i++) {
        putc(' ', p->out);
    }
}

/* Words folded to the paper's width, each line after 'indent' blanks. */
static void put_folded(const struct paper *p, int indent, const char *words)
{
    char word[REPORT_TEXT_MAX];
    int at = 0;
    put_blanks(p, indent);
    while (*words) {
        const size_t length = strcspn(words, " ");
        text_copy(word, length + 1 < sizeof word ? length + 1 : sizeof word, words);
        const int wide = width_of(word);
        if (at > 0 && indent + at + 1 + wide > p->columns) {
            putc('\n', p->out);
            put_blanks(p, indent);
            at = 0;
        }
        if (at > 0 && length > 0) {
            putc(' ', p->out);
            at++;
        }
        at += put_text(p, word, wide);
        words += length;
        words += strspn(words, " ");
    }
    putc('\n', p->out);
}

/* --- charts ----------------------------------------------------------------------------------- */

static void start_chart(struct plot *plot, const struct paper *p, const struct report *r, int rows)
{
    plot_start(plot, p->ascii, p->columns - MARGIN - 1, rows);
    plot->from_ms = r->first_ms;
    plot->to_ms = r->last_ms;
}

static void put_heading(
    const struct paper *p, const struct report_tank *t, enum report_channel channel)
{
    const struct report_show *show = report_channel_show(channel);
    const struct report_line *line = &t->line[channel];
    const double share = report_in_band(t, channel);
    fprintf(p->out, "  %s%s%s  ", show->name, show->unit[0] ? ", " : "", show->unit);
    report_put_real(p->out, line->low / show->scale, show->decimals);
    fputs(" to ", p->out);
    report_put_real(p->out, line->high / show->scale, show->decimals);
    fputs(", last ", p->out);
    report_put_real(p->out, line->last / show->scale, show->decimals);
    if (!isnan(share)) {
        fputs(", in band ", p->out);
        report_put_real(p->out, share, 1);
        fputs(" %", p->out);
    }
    const uint32_t gaps = report_gaps(t, line);
    if (gaps > 0) fprintf(p->out, ", %u gap%s", (unsigned)gaps, gaps > 1 ? "s" : "");
    putc('\n', p->out);
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
        if (row == 0) text_add_real(&text, scale.high, decimals);
        if (row == plot->rows - 1) text_add_real(&text, scale.low, decimals);
        put_blanks(p, MARGIN - 1 - (int)text.length);
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
    put_blanks(p, MARGIN + 1);
    for (int64_t t = ticks.first_ms; t <= r->last_ms && span > 0; t += ticks.step_ms) {
        char label[32];
        report_tick_text(label, &ticks, t);
        const int column = (int)((double)(t - r->first_ms) / span * (wide - 1));
        if ((at > 0 && column <= at) || column + width_of(label) > wide) continue;
        put_blanks(p, column - at);
        fputs(label, p->out);
        at = column + width_of(label);
    }
    putc('\n', p->out);
}

/* --- doses and alerts ------------------------------------------------------------------------- */

static void put_stock_line(const struct paper *p, const struct report_stock *s)
{
    fputs("  ", p->out);
    put_text(p, s->key, p->columns / 2);
    fputs("  ", p->out);
    report_put_ml(p->out, s->ul);
    fprintf(p->out, " mL in %lld dose%s", (long long)s->doses, s->doses == 1 ? "" : "s");
    if (s->failed > 0) fprintf(p->out, ", %lld of them moved nothing", (long long)s->failed);
    if (s->hand_ul > 0) {
        fputs(", ", p->out);
        report_put_ml(p->out, s->hand_ul);
        fputs(" mL by hand", p->out);
    }
    putc('\n', p->out);
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
    put_blanks(p, MARGIN + 1);
    int end = plot->columns;
    while (end > 0 && !any[end - 1]) {
        end--;
    }
    for (int i = 0; i < end; i++) {
        if (ul[i] > 0)
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
    put_blanks(p, MARGIN + 1);
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
    put_folded(p, 4, line);
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
    const int width = width_of(s);
    put_blanks(p, wide - (width < wide - 1 ? width : wide - 1));
    put_text(p, s, wide - 1);
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

static void put_days(const struct paper *p, const struct report_tank *t)
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
        fprintf(p->out, "  (the newest %d days; the other forms have all)\n", DAYS_SHOWN);
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
    put_folded(p, 2, line);
}

static void put_section(const struct paper *p, const struct report_section *s)
{
    int wide[REPORT_COLUMNS_MAX] = { 0 };
    for (uint32_t i = 0; i < s->rows * s->columns; i++) {
        const int width = width_of(s->cell[i]);
        if (width > wide[i % s->columns]) wide[i % s->columns] = width;
    }
    putc('\n', p->out);
    put_folded(p, 0, s->heading);
    for (uint32_t c = 0; s->headed && c < s->columns; c++) {
        const int width = width_of(s->column[c]);
        if (width > wide[c]) wide[c] = width;
        fputs("  ", p->out);
        put_text(p, s->column[c], width);
        if (c + 1 < s->columns) put_blanks(p, wide[c] - width);
    }
    if (s->headed) putc('\n', p->out);
    for (uint32_t i = 0; i < s->rows * s->columns; i++) {
        const uint32_t c = i % s->columns;
        fputs("  ", p->out);
        const int width = put_text(p, s->cell[i], REPORT_TEXT_MAX);
        if (c + 1 < s->columns)
            put_blanks(p, wide[c] - width);
        else
            putc('\n', p->out);
    }
}

static void put_sections(
    const struct paper *p, const struct report *r, const struct report_tank *tank)
{
    for (uint32_t i = 0; i < r->sections; i++) {
        const struct report_section *s = r->section[i];
        if (!s->hidden && s->tank == tank) put_section(p, s);
    }
}

static void put_bottles(const struct paper *p, const struct report *r)
{
    if (!report_shows_bottles(r)) return;
    fputs("\nbottles\n", p->out);
    for (uint32_t i = 0; i < r->bottles; i++) {
        const struct report_bottle *b = &r->bottle[i];
        const double days = report_days_left(r, b);
        if (!report_shows_bottle(r, b)) continue;
        fputs("  ", p->out);
        put_text(p, b->key, p->columns / 2);
        fputs("  ", p->out);
        report_put_ml(p->out, b->used_ul);
        fputs(" mL used", p->out);
        if (b->has_left) {
            fputs(", ", p->out);
            report_put_ml(p->out, b->left_ul);
            fputs(" mL left", p->out);
        }
        if (!isnan(days)) {
            fputs(", enough for ", p->out);
            report_put_real(p->out, days, days < 10 ? 1 : 0);
            fputs(" days at this rate", p->out);
        }
        putc('\n', p->out);
    }
}

/* --- all -------------------------------------------------------------------------------------- */

static void put_tank(const struct paper *p, const struct report *r, const struct report_tank *t)
{
    bool any = false;
    putc('\n', p->out);
    put_text(p, t->key, p->columns);
    if (t->name[0]) {
        fputs("  ", p->out);
        put_text(p, t->name, p->columns);
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
    put_days(p, t);
    put_sections(p, r, t);
}

void report_write_text(const struct report *r, FILE *out, const struct report_terminal *terminal)
{
    const struct report_terminal usual = { .columns = COLUMNS_USUAL, .ascii = true };
    if (!terminal) terminal = &usual;
    struct paper p = { .out = out, .ascii = terminal->ascii, .columns = terminal->columns };
    if (p.columns < COLUMNS_LEAST) p.columns = COLUMNS_LEAST;
    if (p.columns > PLOT_COLUMNS_MAX) p.columns = PLOT_COLUMNS_MAX;
    put_folded(&p, 0, r->title);
    put_folded(&p, 0, r->subtitle);
    for (uint32_t i = 0; i < r->notes; i++) {
        put_folded(&p, 2, r->note[i]);
    }
    for (uint32_t i = 0; i < r->tanks; i++) {
        put_tank(&p, r, r->tank[i]);
    }
    if (r->alerts.count > 0) {
        fputs("\nthe site\n", out);
        put_alerts(&p, r, &r->alerts, false);
    }
    put_bottles(&p, r);
    put_sections(&p, r, NULL);
}
