/* One object of RFC 8259; docs/reports.md has its members. EC is in mS/cm, volumes are in mL, what
 * isn't known is null. */
#include <math.h>
#include <string.h>

#include "daemon/report/report_inside.h"
#include "lib/base/decimal.h"

static void put_text(FILE *out, const char *s)
{
    putc('"', out);
    for (; *s; s++) { /* control characters are gone since report_clean */
        if (*s == '"' || *s == '\\') putc('\\', out);
        putc(*s, out);
    }
    putc('"', out);
}

static void put_member(FILE *out, const char *name, const char *text)
{
    fprintf(out, "\"%s\":", name);
    put_text(out, text);
}

static void put_real(FILE *out, double value, unsigned decimals)
{
    if (isnan(value))
        fputs("null", out);
    else
        report_put_real(out, value, decimals);
}

static void put_time(FILE *out, int64_t at_ms)
{
    putc('"', out);
    report_put_time(out, at_ms);
    putc('"', out);
}

static void put_points(
    FILE *out, const char *name, const struct report_line *line, enum report_channel channel)
{
    const struct report_show *show = report_channel_show(channel);
    const unsigned decimals = show->decimals + 1;
    fprintf(out, ",\"%s\":[", name);
    for (uint32_t i = 0; i < line->count; i++) {
        const struct report_bin *b = &line->bin[i];
        const bool low_first = b->low_ms <= b->high_ms;
        fputs(i > 0 ? ",[" : "[", out);
        put_time(out, low_first ? b->low_ms : b->high_ms);
        putc(',', out);
        put_real(out, (low_first ? b->low : b->high) / show->scale, decimals);
        putc(']', out);
        if (b->low_ms == b->high_ms) continue;
        fputs(",[", out);
        put_time(out, low_first ? b->high_ms : b->low_ms);
        putc(',', out);
        put_real(out, (low_first ? b->high : b->low) / show->scale, decimals);
        putc(']', out);
    }
    putc(']', out);
}

static void put_band(FILE *out, const struct report_band *band, enum report_channel channel)
{
    const struct report_show *show = report_channel_show(channel);
    const unsigned decimals = show->decimals + 1;
    fputs(",\"band\":[", out);
    for (uint32_t i = 0; i < band->count; i++) {
        const struct report_span *s = &band->span[i];
        fputs(i > 0 ? ",{\"from\":" : "{\"from\":", out);
        put_time(out, s->first_ms);
        fputs(",\"to\":", out);
        put_time(out, s->last_ms);
        fputs(",\"set\":", out);
        put_real(out, s->set / show->scale, decimals);
        fputs(",\"low\":", out);
        put_real(out, s->low / show->scale, decimals);
        fputs(",\"high\":", out);
        put_real(out, s->high / show->scale, decimals);
        putc('}', out);
    }
    putc(']', out);
}

static void put_channel(FILE *out, const struct report_tank *t, enum report_channel channel)
{
    const struct report_show *show = report_channel_show(channel);
    const struct report_line *line = &t->line[channel];
    const bool any = line->readings > 0;
    const unsigned decimals = show->decimals + 1;
    fprintf(out, "\"%s\":{", show->word);
    put_member(out, "unit", show->unit);
    fprintf(out, ",\"readings\":%lld,\"gaps\":%u", (long long)line->readings,
        (unsigned)report_gaps(t, line));
    fputs(",\"low\":", out);
    put_real(out, any ? line->low / show->scale : REPORT_UNKNOWN, decimals);
    fputs(",\"high\":", out);
    put_real(out, any ? line->high / show->scale : REPORT_UNKNOWN, decimals);
    fputs(",\"last\":", out);
    put_real(out, any ? line->last / show->scale : REPORT_UNKNOWN, decimals);
    fputs(",\"in_band_percent\":", out);
    put_real(out, report_in_band(t, channel), 2);
    put_points(out, "points", line, channel);
    put_points(out, "truth", &t->truth[channel], channel);
    put_band(out, &t->band[channel], channel);
    putc('}', out);
}

static void put_dose(FILE *out, const struct report_tank *t, const struct report_mark *m)
{
    fputs("{\"time\":", out);
    put_time(out, m->from_ms);
    fputs(",\"until\":", out);
    put_time(out, m->to_ms);
    putc(',', out);
    put_member(out, "stock", t->stock[m->stock].key);
    putc(',', out);
    put_member(out, "purpose", report_purpose_word(t->stock[m->stock].purpose));
    fputs(",\"ml\":", out);
    report_put_ml_exact(out, m->ul);
    fputs(",\"asked_ml\":", out);
    report_put_ml_exact(out, m->asked_ul);
    fprintf(out,
        ",\"doses\":%u,\"failed\":%u,\"unsure\":%u,\"by_hand\":%s,\"ec\":", (unsigned)m->doses,
        (unsigned)m->failed, (unsigned)m->unsure, m->by_hand ? "true" : "false");
    put_real(out, m->has_ec ? m->ec_us_cm / 1000 : REPORT_UNKNOWN, 3);
    fputs(",\"ph\":", out);
    put_real(out, m->has_ph ? m->ph : REPORT_UNKNOWN, 3);
    putc('}', out);
}

static void put_alerts(FILE *out, const struct report_alerts *alerts)
{
    fputs("\"alerts\":[", out);
    for (uint32_t i = 0; i < alerts->count; i++) {
        const struct report_alert *a = &alerts->item[i];
        fputs(i > 0 ? ",{" : "{", out);
        put_member(out, "alert", a->id);
        putc(',', out);
        put_member(out, "text", a->text);
        fputs(",\"from\":", out);
        put_time(out, a->from_ms);
        fputs(",\"to\":", out);
        if (a->stands)
            fputs("null", out);
        else
            put_time(out, a->to_ms);
        fprintf(out, ",\"times\":%u}", (unsigned)a->times);
    }
    fprintf(out, "],\"alerts_left_out\":%lld", (long long)alerts->more);
}

static void put_stocks(FILE *out, const struct report_tank *t)
{
    fputs("\"stocks\":[", out);
    for (uint32_t i = 0; i < t->stocks; i++) {
        const struct report_stock *s = &t->stock[i];
        fputs(i > 0 ? ",{" : "{", out);
        put_member(out, "stock", s->key);
        putc(',', out);
        put_member(out, "purpose", report_purpose_word(s->purpose));
        fputs(",\"ml\":", out);
        report_put_ml_exact(out, s->ul);
        fputs(",\"by_hand_ml\":", out);
        report_put_ml_exact(out, s->hand_ul);
        fprintf(out, ",\"doses\":%lld,\"failed\":%lld}", (long long)s->doses, (long long)s->failed);
    }
    fputs("],\"days\":[", out);
    for (uint32_t i = 0; i < t->days; i++) {
        const struct report_day *d = &t->day[i];
        char day[32];
        report_day_text(day, d->day);
        fputs(i > 0 ? ",{" : "{", out);
        put_member(out, "day", day);
        putc(',', out);
        put_member(out, "stock", t->stock[d->stock].key);
        fputs(",\"ml\":", out);
        report_put_ml_exact(out, d->ul);
        fprintf(out, ",\"doses\":%d}", (int)d->doses);
    }
    putc(']', out);
}

static void put_cell(FILE *out, const char *cell)
{
    double value = 0;
    if (!cell[0])
        fputs("null", out);
    else if (decimal_read_json(&value, cell, strlen(cell)))
        fputs(cell, out);
    else
        put_text(out, cell);
}

static void put_section(FILE *out, const struct report_section *s)
{
    putc('{', out);
    put_member(out, "id", s->id);
    putc(',', out);
    put_member(out, "heading", s->heading);
    fputs(",\"columns\":", out);
    for (uint32_t i = 0; s->headed && i < s->columns; i++) {
        putc(i > 0 ? ',' : '[', out);
        put_text(out, s->column[i]);
    }
    fputs(s->headed ? "],\"rows\":[" : "null,\"rows\":[", out);
    for (uint32_t i = 0; i < s->rows * s->columns; i++) {
        if (i % s->columns == 0) fputs(i > 0 ? "],[" : "[", out);
        if (i % s->columns > 0) putc(',', out);
        put_cell(out, s->cell[i]);
    }
    fputs(s->rows > 0 ? "]]}" : "]}", out);
}

static void put_sections(FILE *out, const struct report *r, const struct report_tank *tank)
{
    bool first = true;
    fputs("\"sections\":[", out);
    for (uint32_t i = 0; i < r->sections; i++) {
        const struct report_section *s = r->section[i];
        if (s->hidden || s->tank != tank) continue;
        if (!first) putc(',', out);
        first = false;
        put_section(out, s);
    }
    putc(']', out);
}

static void put_tank(FILE *out, const struct report *r, const struct report_tank *t)
{
    putc('{', out);
    put_member(out, "tank", t->key);
    putc(',', out);
    put_member(out, "name", t->name);
    fputs(",\"channels\":{", out);
    for (int c = 0; c < REPORT_CHANNELS; c++) {
        if (c > 0) putc(',', out);
        put_channel(out, t, (enum report_channel)c);
    }
    fputs("},\"states\":{", out);
    for (uint32_t i = 0; i < t->states; i++) {
        if (i > 0) putc(',', out);
        put_text(out, t->state[i].word);
        fprintf(out, ":%lld", (long long)t->state[i].count);
    }
    fputs("},\"doses\":[", out);
    for (uint32_t i = 0; i < t->marks; i++) {
        if (i > 0) putc(',', out);
        put_dose(out, t, &t->mark[i]);
    }
    fputs("],", out);
    put_stocks(out, t);
    putc(',', out);
    put_alerts(out, &t->alerts);
    putc(',', out);
    put_sections(out, r, t);
    putc('}', out);
}

static void put_bottles(FILE *out, const struct report *r)
{
    bool first = true;
    fputs("\"bottles\":[", out);
    for (uint32_t i = 0; i < r->bottles; i++) {
        const struct report_bottle *b = &r->bottle[i];
        if (!report_shows_bottle(r, b)) continue;
        fputs(first ? "{" : ",{", out);
        first = false;
        put_member(out, "stock", b->key);
        fputs(",\"used_ml\":", out);
        report_put_ml_exact(out, b->used_ul);
        fputs(",\"left_ml\":", out);
        if (b->has_left)
            report_put_ml_exact(out, b->left_ul);
        else
            fputs("null", out);
        fputs(",\"days_left\":", out);
        put_real(out, report_days_left(r, b), 1);
        fprintf(out, ",\"refills\":%u}", (unsigned)b->refills);
    }
    putc(']', out);
}

void report_write_json(const struct report *r, FILE *out)
{
    fputs(REPORT_JSON_START, out);
    put_member(out, "title", r->title);
    putc(',', out);
    put_member(out, "subtitle", r->subtitle);
    fputs(",\"from\":", out);
    if (r->any)
        put_time(out, r->first_ms);
    else
        fputs("null", out);
    fputs(",\"to\":", out);
    if (r->any)
        put_time(out, r->last_ms);
    else
        fputs("null", out);
    fputs(",\"notes\":[", out);
    for (uint32_t i = 0; i < r->notes; i++) {
        if (i > 0) putc(',', out);
        put_text(out, r->note[i]);
    }
    fputs("],\"tanks\":[", out);
    for (uint32_t i = 0; i < r->tanks; i++) {
        if (i > 0) putc(',', out);
        put_tank(out, r, r->tank[i]);
    }
    fputs("],", out);
    put_alerts(out, &r->alerts);
    putc(',', out);
    put_bottles(out, r);
    putc(',', out);
    put_sections(out, r, NULL);
    fputs("}\n", out);
}
