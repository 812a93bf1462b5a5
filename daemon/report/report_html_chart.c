/* SVG charts of a tank. What stands in x is a percentage of the width, so that a page fits any
 * screen without a script; lines have a thousand units across and are stretched, their strokes
 * aren't. */
#include <math.h>

#include "daemon/report/report_page.h"

enum {
    WIDE = 1000, /* of a stretched drawing */
    PAD = 5,     /* above and below a chart, so that strokes aren't cut */
    TICKS_MOST = 7,
    LINES_MOST = 40, /* alerts that are drawn through the charts */
    LANE_HIGH = 24,
    DOSES_MANY = 150,
};

#define DOT_LEAST 1.5 /* radius of the smallest dose, and what the largest has more */
#define DOT_MORE 8.0
#define DOT_MORE_MANY 6.0 /* when there are many */

static const int high_of[REPORT_CHANNELS] = { 170, 170, 80 };

struct chart {
    FILE *out;
    const struct report *r;
    const struct report_tank *t;
    enum report_channel channel;
    struct report_scale scale;
    struct report_ticks ticks;
    int high;
};

/* --- places ----------------------------------------------------------------------------------- */

/* 0 to 1 over the report's time. */
static double across(const struct report *r, int64_t at_ms)
{
    if (r->last_ms <= r->first_ms) return 0.5;
    const double place = (double)(at_ms - r->first_ms) / (double)(r->last_ms - r->first_ms);
    return place < 0 ? 0 : place > 1 ? 1 : place;
}

static double down(const struct chart *c, double value)
{
    const double share = (c->scale.high - value) / (c->scale.high - c->scale.low);
    return PAD + share * (c->high - 2 * PAD);
}

static void put_percent(const struct chart *c, const char *name, int64_t at_ms)
{
    fprintf(c->out, " %s=\"", name);
    report_put_real(c->out, 100 * across(c->r, at_ms), 2);
    fputs("%\"", c->out);
}

static void put_x(const struct chart *c, char letter, int64_t at_ms)
{
    putc(letter, c->out);
    report_put_real(c->out, WIDE * across(c->r, at_ms), 1);
}

static void put_y(const struct chart *c, char letter, double value)
{
    putc(letter, c->out);
    report_put_real(c->out, down(c, value / report_channel_show(c->channel)->scale), 1);
}

static void put_point(const struct chart *c, bool moves, int64_t at_ms, double value)
{
    put_x(c, moves ? 'M' : 'L', at_ms);
    put_y(c, ' ', value);
}

/* --- lines and bands -------------------------------------------------------------------------- */

static void put_line(
    const struct chart *c, const char *class, const struct report_line *line, bool joins_all)
{
    if (line->count == 0) return;
    fprintf(c->out, "<path class=\"%s\" d=\"", class);
    for (uint32_t i = 0; i < line->count; i++) {
        const struct report_bin *b = &line->bin[i];
        const bool low_first = b->low_ms <= b->high_ms;
        const bool moves =
            i == 0 || (!joins_all && !report_joins(c->t, line->bin[i - 1].last_ms, b->first_ms));
        put_point(c, moves, low_first ? b->low_ms : b->high_ms, low_first ? b->low : b->high);
        if (b->low_ms != b->high_ms)
            put_point(c, false, low_first ? b->high_ms : b->low_ms, low_first ? b->high : b->low);
        else if (moves)
            fputs("h0", c->out); /* alone it is a dot */
    }
    fputs("\"/>", c->out);
}

/* Is the next span its neighbour, with no gap between? */
static bool goes_on(const struct chart *c, const struct report_band *band, uint32_t i)
{
    return i + 1 < band->count &&
           report_joins(c->t, band->span[i].last_ms, band->span[i + 1].first_ms);
}

/* Where a span ends in the drawing. */
static int64_t end_of(const struct chart *c, const struct report_band *band, uint32_t i)
{
    return goes_on(c, band, i) ? band->span[i + 1].first_ms : band->span[i].last_ms;
}

/* One run of spans without a gap: along its upper edge and back along its lower one. Gives where
 * the next run begins. */
static uint32_t put_run(const struct chart *c, const struct report_band *band, uint32_t from)
{
    uint32_t to = from;
    put_x(c, 'M', band->span[from].first_ms);
    put_y(c, ' ', band->span[from].high);
    for (; goes_on(c, band, to); to++) {
        put_x(c, 'H', band->span[to + 1].first_ms);
        put_y(c, 'V', band->span[to + 1].high);
    }
    put_x(c, 'H', band->span[to].last_ms);
    for (uint32_t i = to + 1; i > from; i--) {
        put_y(c, 'V', band->span[i - 1].low);
        put_x(c, 'H', band->span[i - 1].first_ms);
    }
    putc('Z', c->out);
    return to + 1;
}

static void put_band(const struct chart *c)
{
    const struct report_band *band = &c->t->band[c->channel];
    if (band->count == 0) return;
    fputs("<path class=\"band\" d=\"", c->out);
    for (uint32_t i = 0; i < band->count;) {
        i = put_run(c, band, i);
    }
    fputs("\"/><path class=\"set\" d=\"", c->out);
    bool moves = true;
    for (uint32_t i = 0; i < band->count; i++) {
        if (moves)
            put_point(c, true, band->span[i].first_ms, band->span[i].set);
        else
            put_y(c, 'V', band->span[i].set);
        put_x(c, 'H', end_of(c, band, i));
        moves = !goes_on(c, band, i);
    }
    fputs("\"/>", c->out);
}

/* --- what is around --------------------------------------------------------------------------- */

static void put_upright(const struct chart *c)
{
    for (int64_t t = c->ticks.first_ms; t <= c->r->last_ms; t += c->ticks.step_ms) {
        fputs(t % DAY_MS == 0 ? "<line class=\"day\"" : "<line", c->out);
        put_percent(c, "x1", t);
        put_percent(c, "x2", t);
        fprintf(c->out, " y1=\"0\" y2=\"%d\"/>", c->high);
    }
}

static int steps_of(const struct chart *c)
{
    return (int)floor((c->scale.high - c->scale.first) / c->scale.step);
}

static void put_scale(const struct chart *c)
{
    fprintf(c->out, "<svg aria-hidden=\"true\" height=\"%d\">", c->high);
    for (int i = 0; i <= steps_of(c); i++) {
        const double value = c->scale.first + i * c->scale.step;
        fputs("<text x=\"85%\" text-anchor=\"end\" y=\"", c->out);
        report_put_real(c->out, down(c, value) + 4, 1);
        fputs("\">", c->out);
        report_put_real(c->out, value, c->scale.decimals);
        fputs("</text>", c->out);
    }
    fputs("</svg>", c->out);
}

static void put_grid(const struct chart *c)
{
    fputs("<g class=\"grid\">", c->out);
    for (int i = 0; i <= steps_of(c); i++) {
        const double y = down(c, c->scale.first + i * c->scale.step);
        fputs("<line x1=\"0\" x2=\"100%\" y1=\"", c->out);
        report_put_real(c->out, y, 1);
        fputs("\" y2=\"", c->out);
        report_put_real(c->out, y, 1);
        fputs("\"/>", c->out);
    }
    put_upright(c);
    fputs("</g>", c->out);
}

static void put_alert_lines(const struct chart *c)
{
    const struct report_alerts *alerts = &c->t->alerts;
    for (uint32_t i = 0; i < alerts->count && alerts->count <= LINES_MOST; i++) {
        if (alerts->item[i].from_ms < c->r->first_ms) continue;
        fputs("<line class=\"when\"", c->out);
        put_percent(c, "x1", alerts->item[i].from_ms);
        put_percent(c, "x2", alerts->item[i].from_ms);
        fprintf(c->out, " y1=\"0\" y2=\"%d\"/>", c->high);
    }
}

/* What a chart shows, for those who can't see it. */
static void put_label(const struct chart *c)
{
    const struct report_show *show = report_channel_show(c->channel);
    const struct report_line *line = &c->t->line[c->channel];
    const double share = report_in_band(c->t, c->channel);
    const uint32_t gaps = report_gaps(c->t, line);
    fprintf(c->out, " role=\"img\" aria-label=\"%s of ", show->name);
    page_put(c->out, c->t->name[0] ? c->t->name : c->t->key);
    fputs(" over time: ", c->out);
    if (line->readings > 0) {
        report_put_real(c->out, line->low / show->scale, show->decimals);
        fputs(" to ", c->out);
        report_put_real(c->out, line->high / show->scale, show->decimals);
        fprintf(c->out, "%s%s, last ", show->unit[0] ? " " : "", show->unit);
        report_put_real(c->out, line->last / show->scale, show->decimals);
    } else {
        fputs("no readings", c->out);
    }
    if (!isnan(share)) {
        fputs("; ", c->out);
        report_put_real(c->out, share, 1);
        fputs(" % of the readings within the band", c->out);
    }
    if (gaps > 0) fprintf(c->out, "; %u gap%s", (unsigned)gaps, gaps > 1 ? "s" : "");
    putc('"', c->out);
}

static void put_caption(const struct chart *c)
{
    const struct report_show *show = report_channel_show(c->channel);
    fprintf(c->out, "<figcaption><b>%s</b>%s%s", show->name, show->unit[0] ? ", " : "",
        c->channel == REPORT_DEGC ? "\xc2\xb0"
                                    "C"
                                  : show->unit);
    fputs("<span class=\"key\"><i></i>reading</span>", c->out);
    if (c->t->band[c->channel].count > 0)
        fputs("<span class=\"key\"><i class=\"of-band\"></i>band</span>", c->out);
    if (c->t->truth[c->channel].count > 0) {
        fputs("<span class=\"key\"><i class=\"of-truth\"></i>", c->out);
        page_put(c->out, c->r->truth_name);
        fputs("</span>", c->out);
    }
    fputs("</figcaption>", c->out);
}

static void put_chart(struct chart *c, enum report_channel channel)
{
    c->channel = channel;
    c->high = high_of[channel];
    if (!report_scale_of(&c->scale, c->t, channel)) return;
    fprintf(c->out, "<figure class=\"chart c-%s\">", report_channel_show(channel)->word);
    put_caption(c);
    fputs("<div class=\"row\">", c->out);
    put_scale(c);
    fprintf(c->out, "<svg height=\"%d\"", c->high);
    put_label(c);
    putc('>', c->out);
    put_grid(c);
    fprintf(c->out,
        "<svg width=\"100%%\" height=\"%d\" viewBox=\"0 0 %d %d\" preserveAspectRatio=\"none\">",
        c->high, WIDE, c->high);
    put_band(c);
    put_line(c, "truth", &c->t->truth[channel], true);
    put_line(c, "reading", &c->t->line[channel], false);
    fputs("</svg>", c->out);
    put_alert_lines(c);
    fputs("</svg></div></figure>\n", c->out);
}

static void put_times(const struct chart *c)
{
    static const double edge = 0.04;
    int count = 0;
    fputs("<div class=\"row times\" aria-hidden=\"true\"><span></span><svg height=\"20\">", c->out);
    for (int64_t t = c->ticks.first_ms; t <= c->r->last_ms; t += c->ticks.step_ms, count++) {
        const double place = across(c->r, t);
        char label[32];
        report_tick_text(label, &c->ticks, t);
        fputs("<text y=\"15\"", c->out);
        put_percent(c, "x", t);
        fprintf(c->out, " text-anchor=\"%s\"%s>%s</text>",
            place < edge       ? "start"
            : place > 1 - edge ? "end"
                               : "middle",
            count % 2 ? " class=\"odd\"" : "", label);
    }
    fputs("</svg></div>\n", c->out);
}

/* --- doses ------------------------------------------------------------------------------------ */

static void put_dose_title(const struct chart *c, const struct report_mark *m)
{
    char moment[32];
    report_moment(moment, m->from_ms, REPORT_MINUTE);
    fprintf(c->out, "<title>%s", moment);
    if (m->doses > 1) {
        report_moment(moment, m->to_ms, REPORT_MINUTE);
        fprintf(c->out, " to %s: %u doses,", moment, (unsigned)m->doses);
    }
    putc(' ', c->out);
    report_put_ml(c->out, m->ul);
    fputs(" mL of ", c->out);
    page_put(c->out, c->t->stock[m->stock].key);
    if (m->by_hand) fputs(", by hand at the module", c->out);
    if (m->has_ec) {
        fputs("; EC ", c->out);
        report_put_real(c->out, m->ec_us_cm / 1000, 2);
    }
    if (m->has_ph) {
        fputs(m->has_ec ? ", pH " : "; pH ", c->out);
        report_put_real(c->out, m->ph, 2);
    }
    if (m->failed > 0 && m->doses == 1) fputs("; nothing was delivered", c->out);
    if (m->failed > 0 && m->doses > 1)
        fprintf(c->out, "; %u of them delivered nothing", (unsigned)m->failed);
    if (m->unsure > 0) fputs("; outcome unknown, counted in full", c->out);
    fputs("</title>", c->out);
}

static void put_dose(const struct chart *c, const struct report_mark *m, int64_t most_ul)
{
    const double share = most_ul > 0 ? (double)m->ul / (double)most_ul : 0;
    fprintf(c->out, "<circle class=\"%s%s\" data-doses=\"%u\" cy=\"%d\"",
        m->by_hand ? "hand" : "dose", m->failed == m->doses && !m->by_hand ? " none" : "",
        (unsigned)m->doses, LANE_HIGH / 2);
    put_percent(c, "cx", m->from_ms + (m->to_ms - m->from_ms) / 2);
    fputs(" r=\"", c->out);
    const double more = c->t->marks > DOSES_MANY ? DOT_MORE_MANY : DOT_MORE;
    report_put_real(c->out, DOT_LEAST + more * sqrt(share), 1);
    fputs("\">", c->out);
    put_dose_title(c, m);
    fputs("</circle>", c->out);
}

static void put_lane_start(const struct chart *c)
{
    fprintf(c->out, "<svg height=\"%d\" role=\"img\" aria-label=\"", LANE_HIGH);
}

static void put_lane_grid(const struct chart *c)
{
    fprintf(c->out, "\"><g class=\"grid\">");
    put_upright(c);
    fprintf(c->out, "</g><line class=\"axis\" x1=\"0\" x2=\"100%%\" y1=\"%d\" y2=\"%d\"/>",
        LANE_HIGH / 2, LANE_HIGH / 2);
}

static void put_stock_words(const struct chart *c, const struct report_stock *s)
{
    putc(' ', c->out);
    report_put_ml(c->out, s->ul);
    fprintf(c->out, " mL in %lld dose%s", (long long)s->doses, s->doses == 1 ? "" : "s");
    if (s->failed > 0) fprintf(c->out, ", %lld of them delivered nothing", (long long)s->failed);
    if (s->hand_ul > 0) {
        fputs(", ", c->out);
        report_put_ml(c->out, s->hand_ul);
        fputs(" mL of it by hand", c->out);
    }
}

static void put_lane(const struct chart *c, uint32_t stock, int64_t most_ul)
{
    const struct report_stock *s = &c->t->stock[stock];
    fprintf(c->out,
        "<div class=\"lane c-%s\"><div class=\"row\"><span></span><p class=\"name\"><b>",
        report_purpose_word(s->purpose));
    page_put(c->out, s->key);
    fputs("</b>", c->out);
    put_stock_words(c, s);
    fputs("</p></div><div class=\"row\"><span></span>", c->out);
    put_lane_start(c);
    fputs("doses of ", c->out);
    page_put(c->out, s->key);
    fputs(" over time:", c->out);
    put_stock_words(c, s);
    put_lane_grid(c);
    for (uint32_t i = 0; i < c->t->marks; i++) {
        if (c->t->mark[i].stock == stock) put_dose(c, &c->t->mark[i], most_ul);
    }
    fputs("</svg></div></div>\n", c->out);
}

static void put_lanes(const struct chart *c)
{
    int64_t most_ul = 0;
    for (uint32_t i = 0; i < c->t->marks; i++) {
        if (c->t->mark[i].ul > most_ul) most_ul = c->t->mark[i].ul;
    }
    for (uint32_t s = 0; s < c->t->stocks; s++) {
        put_lane(c, s, most_ul);
    }
}

/* --- alerts ----------------------------------------------------------------------------------- */

static void put_alerts(const struct chart *c)
{
    const struct report_alerts *alerts = &c->t->alerts;
    const int64_t all = alerts->count + alerts->more;
    if (all == 0) return;
    fputs("<div class=\"lane\"><div class=\"row\"><span></span><p class=\"name\">", c->out);
    fprintf(c->out, "<b class=\"bad\">alerts</b> %lld, listed below</p></div>", (long long)all);
    fputs("<div class=\"row\"><span></span>", c->out);
    put_lane_start(c);
    fprintf(c->out, "%lld alert%s over time, listed below", (long long)all, all == 1 ? "" : "s");
    put_lane_grid(c);
    for (uint32_t i = 0; i < alerts->count; i++) {
        const struct report_alert *a = &alerts->item[i];
        fprintf(c->out, "<line class=\"alert\" y1=\"%d\" y2=\"%d\"", LANE_HIGH / 2, LANE_HIGH / 2);
        put_percent(c, "x1", a->from_ms);
        put_percent(c, "x2", a->to_ms);
        fputs("><title>", c->out);
        page_put(c->out, a->id);
        fputs(": ", c->out);
        page_put(c->out, a->text);
        fputs("</title></line>", c->out);
    }
    fputs("</svg></div></div>\n", c->out);
}

void page_put_charts(FILE *out, const struct report *r, const struct report_tank *t)
{
    struct chart c = { .out = out, .r = r, .t = t };
    bool any = t->stocks > 0 || t->alerts.count > 0;
    if (!r->any) {
        fputs("<p>Nothing of this tank has a time that is known.</p>", out);
        return;
    }
    c.ticks = report_time_ticks(r->first_ms, r->last_ms, TICKS_MOST);
    for (int i = 0; i < REPORT_CHANNELS; i++) {
        put_chart(&c, (enum report_channel)i);
        any = any || t->line[i].readings > 0;
    }
    c.high = LANE_HIGH;
    if (any)
        put_times(&c);
    else
        fputs("<p>There are no readings and no doses of this tank.</p>", out);
    put_lanes(&c);
    put_alerts(&c);
}
