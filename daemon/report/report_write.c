/* What all forms of a report share: numbers, times, scales. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/report/report_inside.h"
#include "lib/base/calendar.h"

const struct report_show *report_channel_show(enum report_channel channel)
{
    static const struct report_show show[REPORT_CHANNELS] = { { "ec", "EC", "mS/cm", 1000, 2 },
        { "ph", "pH", "", 1, 2 }, { "degc", "temperature", "degC", 1, 1 } };
    return &show[channel];
}

const char *report_purpose_word(enum report_purpose purpose)
{
    static const char *const word[REPORT_PURPOSES] = { "other", "feed", "acid", "base" };
    return word[purpose];
}

/* --- numbers and times ------------------------------------------------------------------------ */

void report_put_real(FILE *out, double value, unsigned decimals)
{
    char buffer[48];
    struct text t = text_over(buffer, sizeof buffer);
    text_add_real(&t, value, decimals);
    fputs(buffer, out);
}

void report_add_ml(struct text *t, int64_t ul)
{
    const double ml = (double)ul / 1000.0;
    text_add_real(t, ml, fabs(ml) < 10 ? 2 : fabs(ml) < 1000 ? 1 : 0);
}

void report_put_ml(FILE *out, int64_t ul)
{
    char buffer[48];
    struct text t = text_over(buffer, sizeof buffer);
    report_add_ml(&t, ul);
    fputs(buffer, out);
}

void report_put_ml_exact(FILE *out, int64_t ul)
{
    char buffer[48];
    struct text t = text_over(buffer, sizeof buffer);
    text_add_scaled(&t, ul, 3);
    fputs(buffer, out);
}

void report_put_time(FILE *out, int64_t at_ms)
{
    char buffer[32];
    struct text t = text_over(buffer, sizeof buffer);
    text_add_civil(&t, (struct civil){ at_ms });
    fputs(buffer, out);
}

static void add_two(struct text *t, int64_t value)
{
    if (value < 10) text_add_char(t, '0');
    text_add_int(t, value);
}

void report_moment(char ret[32], int64_t at_ms, enum report_moment form)
{
    static const char *const months[] = { "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug",
        "Sep", "Oct", "Nov", "Dec" };
    struct text t = text_over(ret, 32);
    struct calendar c;
    if (!calendar_from_civil(&c, (struct civil){ at_ms })) {
        text_add(&t, "?");
        return;
    }
    if (form == REPORT_SHORT_DATE) {
        text_add_int(&t, c.day);
        text_add_char(&t, ' ');
        text_add(&t, months[c.month - 1]);
        return;
    }
    if (form != REPORT_CLOCK) {
        text_add_int(&t, c.year);
        text_add_char(&t, '-');
        add_two(&t, c.month);
        text_add_char(&t, '-');
        add_two(&t, c.day);
    }
    if (form == REPORT_MINUTE) text_add_char(&t, ' ');
    if (form == REPORT_DATE) return;
    add_two(&t, c.hour);
    text_add_char(&t, ':');
    add_two(&t, c.minute);
}

void report_day_text(char ret[32], int64_t day)
{
    if (day == REPORT_UNDATED)
        text_copy(ret, 32, "undated");
    else
        report_moment(ret, day * DAY_MS, REPORT_DATE);
}

/* --- axes ------------------------------------------------------------------------------------- */

struct report_ticks report_time_ticks(int64_t from_ms, int64_t to_ms, int most)
{
    static const int64_t steps[] = { MINUTE_MS, 2 * MINUTE_MS, 5 * MINUTE_MS, 10 * MINUTE_MS,
        30 * MINUTE_MS, HOUR_MS, 2 * HOUR_MS, 3 * HOUR_MS, 6 * HOUR_MS, 12 * HOUR_MS, DAY_MS,
        2 * DAY_MS, 4 * DAY_MS, 7 * DAY_MS, 14 * DAY_MS, 28 * DAY_MS, 56 * DAY_MS, 112 * DAY_MS,
        364 * DAY_MS, 3640 * DAY_MS, 36400 * DAY_MS, 364000 * DAY_MS };
    const size_t count = sizeof steps / sizeof *steps;
    size_t i = 0;
    while (i + 1 < count && (to_ms - from_ms) / steps[i] > most) {
        i++;
    }
    struct report_ticks ticks = { .step_ms = steps[i] };
    ticks.first_ms = (from_ms + steps[i] - 1) / steps[i] * steps[i];
    ticks.form = steps[i] < DAY_MS ? REPORT_CLOCK : REPORT_SHORT_DATE;
    return ticks;
}

void report_tick_text(char ret[32], const struct report_ticks *ticks, int64_t at_ms)
{
    report_moment(ret, at_ms, at_ms % DAY_MS == 0 ? REPORT_SHORT_DATE : ticks->form);
}

static void widen(double *low, double *high, double a, double b)
{
    if (!(*low <= a)) *low = a; /* NAN at first */
    if (!(*high >= b)) *high = b;
}

/* The smallest of 1, 2 or 5 times a power of ten that is at least 'least'. */
static double round_step(double least, unsigned *ret_decimals)
{
    static const int most_powers = 12;
    double power = 1e-3;
    *ret_decimals = 3;
    for (int i = 0; i < most_powers; i++) {
        if (power >= least) return power;
        if (2 * power >= least) return 2 * power;
        if (5 * power >= least) return 5 * power;
        power *= 10;
        if (*ret_decimals > 0) (*ret_decimals)--;
    }
    return power;
}

bool report_scale_of(
    struct report_scale *ret, const struct report_tank *tank, enum report_channel channel)
{
    static const double narrowest[REPORT_CHANNELS] = { 0.2, 0.5, 3 }, intervals = 4, margin = 0.03;
    const double scale = report_channel_show(channel)->scale;
    const struct report_line *line = &tank->line[channel], *truth = &tank->truth[channel];
    double low = REPORT_UNKNOWN, high = REPORT_UNKNOWN;
    if (line->readings > 0) widen(&low, &high, line->low, line->high);
    if (truth->readings > 0) widen(&low, &high, truth->low, truth->high);
    if (isnan(low)) return false;
    for (uint32_t i = 0; i < tank->band[channel].count; i++) {
        widen(&low, &high, tank->band[channel].span[i].low, tank->band[channel].span[i].high);
    }
    low /= scale;
    high /= scale;
    const double lacks = narrowest[channel] - (high - low);
    if (lacks > 0) {
        low -= lacks / 2;
        high += lacks / 2;
    }
    ret->step = round_step((high - low) / intervals, &ret->decimals);
    ret->low = low - margin * (high - low);
    ret->high = high + margin * (high - low);
    ret->first = ceil(ret->low / ret->step) * ret->step;
    return true;
}

bool report_joins(const struct report_tank *tank, int64_t a_ms, int64_t b_ms)
{
    return b_ms - a_ms <= tank->gap_ms;
}

uint32_t report_gaps(const struct report_tank *tank, const struct report_line *line)
{
    uint32_t gaps = 0;
    for (uint32_t i = 1; i < line->count; i++) {
        if (!report_joins(tank, line->bin[i - 1].last_ms, line->bin[i].first_ms)) gaps++;
    }
    return gaps;
}

/* --- figures ---------------------------------------------------------------------------------- */

double report_in_band(const struct report_tank *tank, enum report_channel channel)
{
    if (tank->banded[channel] == 0) return REPORT_UNKNOWN;
    return 100.0 * (double)tank->in_band[channel] / (double)tank->banded[channel];
}

bool report_shows_bottle(const struct report *r, const struct report_bottle *bottle)
{
    for (uint32_t i = 0; i < r->tanks; i++) {
        for (uint32_t s = 0; s < r->tank[i]->stocks; s++) {
            if (text_same(r->tank[i]->stock[s].key, bottle->key)) return true;
        }
    }
    return false;
}

bool report_shows_bottles(const struct report *r)
{
    bool any = false;
    for (uint32_t i = 0; i < r->sections; i++) {
        if (text_same(r->section[i]->id, "bottles")) return false;
    }
    for (uint32_t i = 0; i < r->bottles && !any; i++) {
        any = report_shows_bottle(r, &r->bottle[i]);
    }
    return any;
}

double report_days_left(const struct report *r, const struct report_bottle *bottle)
{
    static const double longest = 36500; /* nobody waits for that */
    const double days = (double)(r->last_ms - r->first_ms) / (double)DAY_MS;
    if (!bottle->has_left || bottle->used_ul <= 0 || days < 1) return REPORT_UNKNOWN;
    const double left = (double)bottle->left_ul / ((double)bottle->used_ul / days);
    return left > longest ? REPORT_UNKNOWN : left;
}

void report_write(const struct report *r, enum report_form form, FILE *out,
    const struct report_terminal *terminal)
{
    switch (form) {
    case REPORT_TEXT:
        report_write_text(r, out, terminal);
        return;
    case REPORT_JSON:
        report_write_json(r, out);
        return;
    case REPORT_CSV:
        report_write_csv(r, out);
        return;
    case REPORT_HTML:
        report_write_html(r, out);
        return;
    }
}
