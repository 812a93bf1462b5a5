/* CSV by RFC 4180: CRLF, quotes where they are needed, the same ten fields in each line. */
#include <math.h>
#include <string.h>

#include "daemon/report/report_inside.h"

/* What a text is in a spreadsheet that takes these for formulas: an apostrophe goes before. */
static bool is_formula(const char *s)
{
    return *s && strchr("=+-@", *s) != NULL;
}

static void put_text(FILE *out, const char *s)
{
    const bool quotes = strpbrk(s, "\",\r\n") || *s == ' ';
    if (quotes) putc('"', out);
    if (is_formula(s)) putc('\'', out);
    for (; *s; s++) {
        if (*s == '"') putc('"', out);
        putc(*s, out);
    }
    if (quotes) putc('"', out);
}

struct line {
    int64_t at_ms, until_ms; /* 0: none */
    const struct report_tank *tank;
    const char *kind, *name;
    double value;
    unsigned decimals;
    const char *unit;
    double low, high;
    const char *text;
};

static void put_number(FILE *out, double value, unsigned decimals)
{
    if (!isnan(value)) report_put_real(out, value, decimals);
}

static void put_line(FILE *out, const struct line *line)
{
    if (line->at_ms > 0) report_put_time(out, line->at_ms);
    putc(',', out);
    if (line->until_ms > 0) report_put_time(out, line->until_ms);
    putc(',', out);
    if (line->tank) put_text(out, line->tank->key);
    fprintf(out, ",%s,", line->kind);
    put_text(out, line->name);
    putc(',', out);
    put_number(out, line->value, line->decimals);
    fprintf(out, ",%s,", line->unit ? line->unit : "");
    put_number(out, line->low, line->decimals);
    putc(',', out);
    put_number(out, line->high, line->decimals);
    putc(',', out);
    if (line->text) put_text(out, line->text);
    fputs("\r\n", out);
}

static const struct line empty = {
    .value = REPORT_UNKNOWN, .low = REPORT_UNKNOWN, .high = REPORT_UNKNOWN, .kind = "", .name = ""
};

static struct line line_of(const struct report_tank *t, const char *kind, const char *name)
{
    struct line line = empty;
    line.tank = t;
    line.kind = kind;
    line.name = name;
    return line;
}

static void put_points(FILE *out, const struct report_tank *t, enum report_channel channel,
    const struct report_line *points, const char *kind)
{
    const struct report_show *show = report_channel_show(channel);
    struct line line = line_of(t, kind, show->word);
    line.unit = show->unit;
    line.decimals = show->decimals + 1;
    for (uint32_t i = 0; i < points->count; i++) {
        const struct report_bin *b = &points->bin[i];
        const bool low_first = b->low_ms <= b->high_ms;
        line.at_ms = low_first ? b->low_ms : b->high_ms;
        line.value = (low_first ? b->low : b->high) / show->scale;
        put_line(out, &line);
        if (b->low_ms == b->high_ms) continue;
        line.at_ms = low_first ? b->high_ms : b->low_ms;
        line.value = (low_first ? b->high : b->low) / show->scale;
        put_line(out, &line);
    }
}

static void put_band(FILE *out, const struct report_tank *t, enum report_channel channel)
{
    const struct report_show *show = report_channel_show(channel);
    struct line line = line_of(t, "band", show->word);
    line.unit = show->unit;
    line.decimals = show->decimals + 1;
    for (uint32_t i = 0; i < t->band[channel].count; i++) {
        const struct report_span *s = &t->band[channel].span[i];
        line.at_ms = s->first_ms;
        line.until_ms = s->last_ms;
        line.value = s->set / show->scale;
        line.low = s->low / show->scale;
        line.high = s->high / show->scale;
        put_line(out, &line);
    }
}

static void put_doses(FILE *out, const struct report_tank *t)
{
    for (uint32_t i = 0; i < t->marks; i++) {
        const struct report_mark *m = &t->mark[i];
        char text[REPORT_TEXT_MAX];
        struct text says = text_over(text, sizeof text);
        if (m->doses > 1) {
            text_add_int(&says, m->doses);
            text_add(&says, " doses");
        }
        if (m->failed > 0) {
            text_add(&says, says.length > 0 ? "; " : "");
            text_add_int(&says, m->failed);
            text_add(&says, " without any delivery");
        }
        if (m->unsure > 0) {
            text_add(&says, says.length > 0 ? "; " : "");
            text_add_int(&says, m->unsure);
            text_add(&says, " counted in full, outcome unknown");
        }
        struct line line = line_of(t, m->by_hand ? "hand" : "dose", t->stock[m->stock].key);
        line.at_ms = m->from_ms;
        if (m->to_ms > m->from_ms) line.until_ms = m->to_ms;
        line.value = (double)m->ul / 1000.0;
        line.decimals = 3;
        line.unit = "mL";
        line.text = text;
        put_line(out, &line);
    }
}

static void put_alerts(FILE *out, const struct report_tank *t, const struct report_alerts *alerts)
{
    for (uint32_t i = 0; i < alerts->count; i++) {
        const struct report_alert *a = &alerts->item[i];
        struct line line = line_of(t, "alert", a->id);
        line.at_ms = a->from_ms;
        if (!a->stands) line.until_ms = a->to_ms;
        line.value = a->times;
        line.text = a->text;
        put_line(out, &line);
    }
}

static void put_days(FILE *out, const struct report_tank *t)
{
    for (uint32_t i = 0; i < t->days; i++) {
        const struct report_day *d = &t->day[i];
        struct line line = line_of(t, "day", t->stock[d->stock].key);
        if (d->day != REPORT_UNDATED) {
            line.at_ms = d->day * DAY_MS;
            line.until_ms = (d->day + 1) * DAY_MS;
        }
        line.value = (double)d->ul / 1000.0;
        line.decimals = 3;
        line.unit = "mL";
        put_line(out, &line);
    }
}

static void put_bottles(FILE *out, const struct report *r)
{
    if (!report_shows_bottles(r)) return;
    for (uint32_t i = 0; i < r->bottles; i++) {
        const struct report_bottle *b = &r->bottle[i];
        if (!report_shows_bottle(r, b)) continue;
        struct line line = line_of(NULL, "used", b->key);
        line.value = (double)b->used_ul / 1000.0;
        line.decimals = 3;
        line.unit = "mL";
        put_line(out, &line);
        line.kind = "left";
        line.value = (double)b->left_ul / 1000.0;
        if (b->has_left) put_line(out, &line);
    }
}

/* A cell a line: its name is the section, the first cell of its row, and its heading. */
static void put_section(FILE *out, const struct report_section *s)
{
    for (uint32_t row = 0; row < s->rows; row++) {
        for (uint32_t c = 1; c < s->columns; c++) {
            char name[2 * REPORT_TEXT_MAX + REPORT_KEY_LONGEST];
            struct text t = text_over(name, sizeof name);
            text_add(&t, s->id);
            text_add(&t, "/");
            text_add(&t, s->cell[row * s->columns]);
            if (s->headed) {
                text_add(&t, "/");
                text_add(&t, s->column[c]);
            }
            struct line line = line_of(s->tank, "cell", name);
            line.text = s->cell[row * s->columns + c];
            put_line(out, &line);
        }
    }
}

void report_write_csv(const struct report *r, FILE *out)
{
    fputs(REPORT_CSV_START "\r\n", out);
    for (uint32_t i = 0; i < r->tanks; i++) {
        const struct report_tank *t = r->tank[i];
        for (int c = 0; c < REPORT_CHANNELS; c++) {
            put_points(out, t, (enum report_channel)c, &t->line[c], "reading");
            put_points(out, t, (enum report_channel)c, &t->truth[c], "truth");
            put_band(out, t, (enum report_channel)c);
        }
        put_doses(out, t);
        put_alerts(out, t, &t->alerts);
        put_days(out, t);
    }
    put_alerts(out, NULL, &r->alerts);
    put_bottles(out, r);
    for (uint32_t i = 0; i < r->sections; i++) {
        if (!r->section[i]->hidden) put_section(out, r->section[i]);
    }
}
