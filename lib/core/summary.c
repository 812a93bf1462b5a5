#include "lib/core/summary.h"

#include "lib/base/text.h"
#include "lib/core/state.h"

void summary_see(struct core_summary *s, int channel, double value)
{
    struct summary_range *r = &s->range[channel];
    if (!r->seen || value < r->least) r->least = value;
    if (!r->seen || value > r->most) r->most = value;
    r->seen = true;
}

/* The records of the water tell what an earlier life saw. */
void summary_restore(struct core_summary *s, const struct record *record)
{
    double value;
    if (record_is(record, "summary")) {
        *s = (struct core_summary){ .has_day = false };
        s->has_day = record_int(record, "day", &s->day);
        return;
    }
    if (record_real(record, "ec_us_cm", &value)) summary_see(s, SUMMARY_EC, value);
    if (record_real(record, "ph", &value)) summary_see(s, SUMMARY_PH, value);
}

/* --- one plain sentence ------------------------------------------------------------------------
 */

static void add_range(
    struct text *t, const char *name, const struct summary_range *r, unsigned decimals)
{
    text_add(t, name);
    if (!r->seen) {
        text_add(t, " wasn't to be trusted; ");
        return;
    }
    const double scale = decimals == 2 ? 0.001 : 1.0;
    text_add_char(t, ' ');
    text_add_real(t, r->least * scale, decimals);
    text_add(t, " to ");
    text_add_real(t, r->most * scale, decimals);
    text_add(t, decimals == 2 ? " mS/cm; " : "; ");
}

/* What counts in the windows of the last 24 hours. */
static void add_given(struct text *t, const struct core *core, uint32_t tank, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    bool any = false;
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const int64_t ul = window_used(&core->tank[tank].pump[p].window, DAY_MS, now.mono);
        if (ul == 0) continue;
        text_add(t, any ? ", " : "given in 24 h: ");
        text_add_real(t, (double)ul / 1000.0, 1);
        text_add(t, " mL of ");
        text_add(t, core->site->stock[config->pump[p].stock].key);
        any = true;
    }
    text_add(t, any ? "; " : "nothing given in 24 h; ");
}

static uint32_t standing(const struct core *core, uint32_t tank)
{
    uint32_t n = 0;
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        if (core->alert[i].used && core->alert[i].tank == (int32_t)tank) n++;
    }
    return n;
}

static void add_alerts(struct text *t, uint32_t raised, uint32_t stand)
{
    if (raised + stand == 0) {
        text_add(t, "no alert");
        return;
    }
    text_add(t, "alerts: ");
    text_add_int(t, raised);
    text_add(t, " came, ");
    text_add_int(t, stand);
    text_add(t, stand == 1 ? " stands" : " stand");
}

static void add_low(struct text *t, const struct core *core, uint32_t tank, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    bool any = false;
    for (uint32_t p = 0; p < config->pump_count; p++) {
        struct stock_view v;
        core_view_stock(core, config->pump[p].stock, now, &v);
        if (!v.low) continue;
        text_add(t, any ? ", " : "; bottles low: ");
        text_add(t, v.key);
        any = true;
    }
}

/* --- once a day --------------------------------------------------------------------------------
 */

static void record_summary(
    struct core *core, uint32_t tank, int64_t day, struct now now, struct actions *ret)
{
    struct core_summary *s = &core->tank[tank].summary;
    const struct summary_range *ec = &s->range[SUMMARY_EC], *ph = &s->range[SUMMARY_PH];
    char words[RECORD_TEXT_MOST];
    struct text t = text_over(words, sizeof words);
    const uint32_t stand = standing(core, tank);
    struct record *r = emit_record(ret, "summary");
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_add_int(r, "day", day);
    if (ec->seen) record_add_real(r, "ec_least_us_cm", ec->least, 1);
    if (ec->seen) record_add_real(r, "ec_most_us_cm", ec->most, 1);
    if (ph->seen) record_add_real(r, "ph_least", ph->least, 3);
    if (ph->seen) record_add_real(r, "ph_most", ph->most, 3);
    record_add_int(r, "alerts_raised", s->raised);
    record_add_int(r, "alerts_standing", stand);
    add_range(&t, "EC", ec, 2);
    add_range(&t, "pH", ph, 1);
    add_given(&t, core, tank, now);
    add_alerts(&t, s->raised, stand);
    add_low(&t, core, tank, now);
    record_add_text(r, "text", words);
    *s = (struct core_summary){ .has_day = true, .day = day };
}

/* A clock that was wrong may have named a day that is yet to come: that one counts as none. One day
 * ahead is what an hour that comes twice looks like, or a clock that was put right: nothing is said
 * again. */
void summary_turn(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    struct core_summary *s = &t->summary;
    if (!core->site->has_summary || now.clock == CLOCK_UNSET || !core->journal_ok) return;
    const int64_t local_ms = now.civil.ms + t->zone_offset_ms;
    const int64_t day =
        (local_ms - core->site->summary_at_ms) / DAY_MS; /* one goes on until then */
    if (!s->has_day || s->day > day + 1) {
        s->has_day = true;
        s->day = day;
    } else if (s->day < day) {
        record_summary(core, tank, day, now, ret);
    }
}
