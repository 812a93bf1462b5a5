/* Lines of readings and bands of setpoints, thinned while they come: when there are too many bins,
 * their width is doubled and neighbours are joined. A bin keeps its least and its greatest, so that
 * no spike is lost. */
#include <string.h>

#include "daemon/report/report_inside.h"

enum { SHIFT_MOST = 44 }; /* 2^44 ms are 557 years */

static int64_t bin_of(int64_t at_ms, unsigned shift)
{
    return at_ms >> shift;
}

/* --- readings --------------------------------------------------------------------------------- */

static void join_bins(struct report_bin *to, const struct report_bin *from)
{
    if (from->first_ms < to->first_ms) to->first_ms = from->first_ms;
    if (from->last_ms > to->last_ms) to->last_ms = from->last_ms;
    if (from->low < to->low) {
        to->low = from->low;
        to->low_ms = from->low_ms;
    }
    if (from->high > to->high) {
        to->high = from->high;
        to->high_ms = from->high_ms;
    }
}

static void widen_line(struct report_line *line)
{
    while (line->count >= REPORT_BINS_MAX && line->shift < SHIFT_MOST) {
        line->shift++;
        uint32_t kept = 0;
        for (uint32_t i = 1; i < line->count; i++) {
            struct report_bin *to = &line->bin[kept], *from = &line->bin[i];
            if (bin_of(to->first_ms, line->shift) == bin_of(from->first_ms, line->shift))
                join_bins(to, from);
            else
                line->bin[++kept] = *from;
        }
        line->count = kept + 1;
    }
}

/* The first bin that isn't before the one of this time; nearly always the last, or none. */
static uint32_t place_in_line(const struct report_line *line, int64_t at_ms)
{
    const int64_t wanted = bin_of(at_ms, line->shift);
    uint32_t low = 0, high = line->count;
    if (high > 0 && bin_of(line->bin[high - 1].first_ms, line->shift) < wanted) return high;
    while (low < high) {
        const uint32_t middle = (low + high) / 2;
        if (bin_of(line->bin[middle].first_ms, line->shift) < wanted)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static void sum_up_line(struct report_line *line, int64_t at_ms, double value)
{
    if (line->readings == 0 || value < line->low) line->low = value;
    if (line->readings == 0 || value > line->high) line->high = value;
    if (line->readings == 0 || at_ms >= line->last_ms) {
        line->last_ms = at_ms;
        line->last = value;
    }
    line->readings++;
}

bool report_line_add(struct report_line *line, int64_t at_ms, double value)
{
    const struct report_bin one = { at_ms, at_ms, at_ms, at_ms, value, value };
    sum_up_line(line, at_ms, value);
    uint32_t at = place_in_line(line, at_ms);
    if (at < line->count &&
        bin_of(line->bin[at].first_ms, line->shift) == bin_of(at_ms, line->shift)) {
        join_bins(&line->bin[at], &one);
        return true;
    }
    if (line->count >= REPORT_BINS_MAX) {
        widen_line(line);
        at = place_in_line(line, at_ms);
        if (at < line->count &&
            bin_of(line->bin[at].first_ms, line->shift) == bin_of(at_ms, line->shift)) {
            join_bins(&line->bin[at], &one);
            return true;
        }
    }
    struct report_bin *grown =
        report_grow(line->bin, line->count, &line->room, sizeof *line->bin, REPORT_BINS_MAX);
    if (!grown) return false;
    line->bin = grown;
    memmove(&line->bin[at + 1], &line->bin[at], (line->count - at) * sizeof *line->bin);
    line->bin[at] = one;
    line->count++;
    return true;
}

/* --- bands ------------------------------------------------------------------------------------ */

static bool same_band(const struct report_span *s, const struct report_span *other)
{
    static const double alike = 1e-9;
    const double a = s->low - other->low, b = s->high - other->high;
    return a < alike && a > -alike && b < alike && b > -alike;
}

static void join_spans(struct report_span *to, const struct report_span *from)
{
    if (from->last_ms > to->last_ms) {
        to->last_ms = from->last_ms;
        to->set = from->set;
    }
    if (from->first_ms < to->first_ms) to->first_ms = from->first_ms;
    if (from->low < to->low) to->low = from->low;
    if (from->high > to->high) to->high = from->high;
}

static void widen_band(struct report_band *band)
{
    while (band->span && band->count >= REPORT_BINS_MAX && band->shift < SHIFT_MOST) {
        band->shift++;
        uint32_t kept = 0;
        for (uint32_t i = 1; i < band->count; i++) {
            struct report_span *to = &band->span[kept], *from = &band->span[i];
            if (bin_of(to->first_ms, band->shift) == bin_of(from->first_ms, band->shift))
                join_spans(to, from);
            else
                band->span[++kept] = *from;
        }
        band->count = kept + 1;
    }
}

/* The clock ran back: what is said now widens the span of that time, if there is one. */
static void widen_former(struct report_band *band, const struct report_span *one)
{
    for (uint32_t i = band->count; i > 0; i--) {
        struct report_span *s = &band->span[i - 1];
        if (s->first_ms > one->first_ms) continue;
        const struct report_span here = { s->first_ms, s->last_ms, one->low, one->high, one->set };
        join_spans(s, &here);
        return;
    }
}

bool report_band_add(struct report_band *band, int64_t joins_ms, const struct report_span *one)
{
    struct report_span *last = band->count > 0 ? &band->span[band->count - 1] : NULL;
    if (last && one->first_ms < last->last_ms) {
        widen_former(band, one);
        return true;
    }
    if (last && same_band(last, one) && one->first_ms - last->last_ms <= joins_ms) {
        last->last_ms = one->last_ms;
        return true;
    }
    if (band->count >= REPORT_BINS_MAX) {
        widen_band(band);
        last = &band->span[band->count - 1];
    }
    if (last && bin_of(last->first_ms, band->shift) == bin_of(one->first_ms, band->shift)) {
        join_spans(last, one);
        return true;
    }
    struct report_span *grown =
        report_grow(band->span, band->count, &band->room, sizeof *band->span, REPORT_BINS_MAX);
    if (!grown) return false;
    band->span = grown;
    band->span[band->count++] = *one;
    return true;
}
