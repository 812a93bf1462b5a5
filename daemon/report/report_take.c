/* From journal records to what a report is made of. */
#include <math.h>
#include <string.h>

#include "daemon/report/report_inside.h"

/* Beyond these a number is garbage, and would only squash the charts. */
static const int64_t ul_most = INT64_C(1000000000000); /* a thousand cubic metres */

static const double bound_of[REPORT_CHANNELS] = { 1e6, 30, 500 };

/* When a record was made, and what of it counts. */
struct when {
    int64_t ms;
    bool dated; /* may be drawn */
    bool before;
    bool counts; /* in the time of the report */
};

static void out_of_memory(struct report *r)
{
    report_fail(r, ERR_FULL, "there is no memory left, or more days than one report sums up");
}

/* --- water ------------------------------------------------------------------------------------ */

/* Spacings are sorted by size, two steps for each doubling: a histogram of which the middle is
 * wanted, at any time. */
static uint32_t step_of(int64_t span_ms)
{
    uint32_t step = 0;
    int64_t top = 1;
    while (top * 2 <= span_ms && step + 3 < REPORT_STEPS_MAX) {
        top *= 2;
        step += 2;
    }
    return step + (span_ms >= top + top / 2 ? 1 : 0);
}

/* A gap is three times the usual spacing, at its largest. */
static int64_t usual_gap_ms(const struct report_tank *t)
{
    static const int64_t least = 90 * SECOND_MS, spacings = 3;
    uint64_t all = 0, seen = 0;
    for (uint32_t i = 0; i < REPORT_STEPS_MAX; i++) {
        all += t->spacing[i];
    }
    for (uint32_t i = 0; i < REPORT_STEPS_MAX && all > 0; i++) {
        seen += t->spacing[i];
        if (2 * seen < all) continue;
        const int64_t base = INT64_C(1) << (i / 2);
        const int64_t top = i % 2 ? 2 * base : base + base / 2;
        return top * spacings > least ? top * spacings : least;
    }
    return least;
}

static void count_state(struct report_tank *t, const char *state)
{
    char word[REPORT_WORD_MAX];
    if (!state[0]) return;
    report_clean(word, sizeof word, state);
    for (uint32_t i = 0; i < t->states; i++) {
        if (!text_same(t->state[i].word, word)) continue;
        t->state[i].count++;
        return;
    }
    if (t->states >= REPORT_STATES_MAX) return;
    text_copy(t->state[t->states].word, sizeof t->state[0].word, word);
    t->state[t->states++].count = 1;
}

static void take_spacing(struct report_tank *t, int64_t at_ms)
{
    const int64_t span_ms = at_ms - t->water_ms;
    if (t->water_ms > 0 && span_ms > 0 && t->spacing[step_of(span_ms)] < UINT32_MAX)
        t->spacing[step_of(span_ms)]++;
    t->water_ms = at_ms;
    t->gap_ms = usual_gap_ms(t);
}

static void take_channel(struct report *r, struct report_tank *t, const struct record *record,
    enum report_channel channel, int64_t at_ms)
{
    static const struct {
        const char *value, *set, *band;
    } key[REPORT_CHANNELS] = { { "ec_us_cm", "set_ec_us_cm", "band_ec_us_cm" },
        { "ph", "set_ph", "band_ph" }, { "degc", "", "" } };
    const double most = bound_of[channel];
    double value = REPORT_UNKNOWN, set = REPORT_UNKNOWN, band = REPORT_UNKNOWN;
    (void)record_real(record, key[channel].value, &value);
    (void)record_real(record, key[channel].set, &set);
    (void)record_real(record, key[channel].band, &band);
    const bool has_value = fabs(value) <= most;
    const bool has_band = fabs(set) <= most && band >= 0 && band <= most;
    if (has_value && !report_line_add(&t->line[channel], at_ms, value)) out_of_memory(r);
    if (!has_band) return;
    const struct report_span one = { at_ms, at_ms, set - band, set + band, set };
    if (!report_band_add(&t->band[channel], t->gap_ms, &one)) out_of_memory(r);
    if (!has_value) return;
    t->banded[channel]++;
    if (value >= one.low && value <= one.high) t->in_band[channel]++;
}

static void take_water(struct report *r, const struct record *record, const struct when *when)
{
    if (!when->counts || !when->dated) return;
    struct report_tank *t = report_tank_of(r, record_text_or_empty(record, "tank"));
    if (!t) return;
    take_spacing(t, when->ms);
    for (int c = 0; c < REPORT_CHANNELS; c++) {
        take_channel(r, t, record, (enum report_channel)c, when->ms);
    }
    count_state(t, record_text_or_empty(record, "state"));
}

/* --- doses and bottles ------------------------------------------------------------------------ */

static int32_t bottle_of(struct report *r, const char *key)
{
    char clean[REPORT_KEY_LONGEST];
    report_clean(clean, sizeof clean, key);
    if (!clean[0]) return -1;
    for (uint32_t i = 0; i < r->bottles; i++) {
        if (text_same(r->bottle[i].key, clean)) return (int32_t)i;
    }
    if (r->bottles >= REPORT_BOTTLES_MAX) return -1;
    struct report_bottle *b = &r->bottle[r->bottles];
    *b = (struct report_bottle){ 0 };
    text_copy(b->key, sizeof b->key, clean);
    return (int32_t)r->bottles++;
}

static void draw_bottle(struct report *r, int32_t bottle, int64_t ul, bool counts)
{
    if (bottle < 0) return;
    struct report_bottle *b = &r->bottle[bottle];
    if (counts) b->used_ul += ul;
    b->left_ul -= ul;
    if (b->left_ul < 0) b->left_ul = 0;
}

static bool read_ul(const struct record *record, int64_t *ret)
{
    return record_int(record, "ul", ret) && *ret >= 0 && *ret <= ul_most;
}

/* Older records don't say what a dose was for, but what it was expected to do. */
static enum report_purpose guess_purpose(const struct record *record)
{
    int64_t ec_milli = 0, ph_micro = 0;
    double ph = 0, set = 0;
    if (record_int(record, "ec_milli", &ec_milli) && ec_milli > 0) return REPORT_FEED;
    if (!record_int(record, "ph_micro", &ph_micro) || ph_micro <= 0) return REPORT_OTHER;
    if (!record_real(record, "ph", &ph) || !record_real(record, "set_ph", &set))
        return REPORT_OTHER;
    return ph > set ? REPORT_ACID : REPORT_BASE;
}

static enum report_purpose read_purpose(const struct record *record)
{
    const char *word = record_text_or_empty(record, "purpose");
    for (int p = 0; p < REPORT_PURPOSES; p++) {
        if (text_same(word, report_purpose_word((enum report_purpose)p)))
            return (enum report_purpose)p;
    }
    return guess_purpose(record);
}

/* The tank and the place of the stock in it. False: it isn't in the report. */
static bool place_dose(
    struct report *r, const struct record *record, struct report_tank **ret_tank, uint8_t *ret)
{
    struct report_tank *t = report_tank_of(r, record_text_or_empty(record, "tank"));
    if (!t) return false;
    const int stock = report_stock_of(t, record_text_or_empty(record, "stock"));
    if (stock < 0) {
        report_fail(r, ERR_FULL, "a tank with more stocks than a report shows (24)");
        return false;
    }
    *ret_tank = t;
    *ret = (uint8_t)stock;
    return true;
}

static void wait_for_end(struct report *r, const struct record *record, struct report_pending *p)
{
    report_clean(p->id, sizeof p->id, record_text_or_empty(record, "id"));
    r->pending[r->pending_next] = *p;
    r->pending_next = (r->pending_next + 1) % REPORT_PENDING_MAX;
}

static void take_dose(
    struct report *r, const struct record *record, const struct when *when, bool by_hand)
{
    struct report_dose dose = { .at_ms = when->ms, .by_hand = by_hand };
    if (!read_ul(record, &dose.ul)) {
        if (!by_hand && when->counts) r->unclaimed++;
        return;
    }
    struct report_pending p = { .counts = when->counts };
    p.bottle = bottle_of(r, record_text_or_empty(record, "stock"));
    draw_bottle(r, p.bottle, dose.ul, when->counts);
    if (when->counts && place_dose(r, record, &p.tank, &dose.stock)) {
        dose.has_ec = record_real(record, "ec_us_cm", &dose.ec_us_cm) &&
                      fabs(dose.ec_us_cm) <= bound_of[REPORT_EC];
        dose.has_ph = record_real(record, "ph", &dose.ph) && fabs(dose.ph) <= bound_of[REPORT_PH];
        const enum report_purpose purpose = read_purpose(record);
        if (purpose != REPORT_OTHER) p.tank->stock[dose.stock].purpose = purpose;
        if (!report_dose_add(p.tank, &dose)) out_of_memory(r);
    }
    if (by_hand) return;
    p.end = (struct report_end){ .at_ms = when->ms, .stock = dose.stock, .asked_ul = dose.ul };
    wait_for_end(r, record, &p);
}

static void take_outcome(struct report *r, const struct record *record)
{
    char id[REPORT_ID_LONGEST];
    report_clean(id, sizeof id, record_text_or_empty(record, "id"));
    if (!id[0]) return;
    for (uint32_t i = 0; i < REPORT_PENDING_MAX; i++) {
        struct report_pending *p = &r->pending[i];
        if (!text_same(p->id, id)) continue;
        if (!read_ul(record, &p->end.ul)) return;
        (void)record_truth(record, "unsure", &p->end.unsure);
        draw_bottle(r, p->bottle, p->end.ul - p->end.asked_ul, p->counts);
        if (p->tank) report_dose_end(p->tank, &p->end);
        p->id[0] = '\0';
        return;
    }
}

static void set_bottle(struct report *r, const struct record *record, const char *key, bool refill)
{
    int64_t ul = 0;
    if (!record_int(record, key, &ul) || ul < 0 || ul > ul_most) return;
    const int32_t at = bottle_of(r, record_text_or_empty(record, "stock"));
    if (at < 0) return;
    r->bottle[at].left_ul = ul;
    r->bottle[at].has_left = true;
    if (refill) r->bottle[at].refills++;
}

static void take_request(struct report *r, const struct record *record, const struct when *when)
{
    bool ok = false;
    if (!record_truth(record, "ok", &ok) || !ok) return;
    if (text_same(record_text_or_empty(record, "request"), "refilled"))
        set_bottle(r, record, "ul", when->counts);
}

/* --- alerts ----------------------------------------------------------------------------------- */

static void take_alert(struct report *r, const struct record *record, const struct when *when)
{
    bool on = false;
    const char *tank = record_text_or_empty(record, "tank");
    if (!when->dated || !record_truth(record, "on", &on)) return;
    struct report_tank *t = tank[0] ? report_tank_of(r, tank) : NULL;
    if (tank[0] && !t) return;
    struct report_alerts *alerts = t ? &t->alerts : &r->alerts;
    const char *id = record_text_or_empty(record, "alert");
    if (!on)
        report_alert_off(alerts, id, when->ms);
    else if (!report_alert_on(alerts, id, record_text_or_empty(record, "text"), when->ms))
        out_of_memory(r);
    if (when->before) report_alert_forget(alerts, r->from_ms);
}

static void take_start(struct report *r, const struct when *when)
{
    if (!when->dated) return;
    report_alert_restart(&r->alerts, when->ms);
    for (uint32_t i = 0; i < r->tanks; i++) {
        report_alert_restart(&r->tank[i]->alerts, when->ms);
    }
}

/* --- all -------------------------------------------------------------------------------------- */

static struct when look_at_time(struct report *r, int64_t at_ms)
{
    struct when when = { .ms = at_ms, .dated = report_is_dated(at_ms) };
    when.before = r->has_from && at_ms < r->from_ms;
    when.counts = !when.before && !(r->has_to && at_ms >= r->to_ms);
    if (when.counts) r->records++;
    if (!when.dated) {
        r->undated++;
        return when;
    }
    if (at_ms + MINUTE_MS < r->newest_ms) r->back++;
    r->newest_ms = at_ms;
    if (!when.counts) return when;
    if (!r->any || at_ms < r->first_ms) r->first_ms = at_ms;
    if (!r->any || at_ms > r->last_ms) r->last_ms = at_ms;
    r->any = true;
    return when;
}

void report_take(struct report *r, const struct record *record, struct civil at)
{
    if (r->failed != ERR_NONE) return;
    const struct when when = look_at_time(r, at.ms);
    if (r->has_to && at.ms >= r->to_ms) {
        if (record_is(record, "outcome")) take_outcome(r, record);
        return;
    }
    if (record_is(record, "water")) take_water(r, record, &when);
    if (record_is(record, "dose")) take_dose(r, record, &when, false);
    if (record_is(record, "hand") || record_is(record, "ran-on")) take_dose(r, record, &when, true);
    if (record_is(record, "outcome")) take_outcome(r, record);
    if (record_is(record, "alert")) take_alert(r, record, &when);
    if (record_is(record, "carry")) set_bottle(r, record, "remaining_ul", false);
    if (record_is(record, "request")) take_request(r, record, &when);
    if (record_is(record, "start")) take_start(r, &when);
}

static void end_alerts(struct report_alerts *alerts, const struct report *r)
{
    if (r->has_from) report_alert_forget(alerts, r->from_ms);
    for (uint32_t i = 0; i < alerts->count; i++) {
        struct report_alert *a = &alerts->item[i];
        if (a->stands && a->to_ms < r->last_ms) a->to_ms = r->last_ms;
    }
}

static void note_count(struct report *r, int64_t count, const char *one, const char *many)
{
    char note[REPORT_TEXT_MAX];
    struct text t = text_over(note, sizeof note);
    if (count == 0) return;
    text_add_int(&t, count);
    text_add(&t, count == 1 ? one : many);
    report_note(r, note);
}

enum err report_finish(struct report *r, struct problem *problem)
{
    end_alerts(&r->alerts, r);
    for (uint32_t i = 0; i < r->tanks; i++) {
        end_alerts(&r->tank[i]->alerts, r);
    }
    note_count(r, r->undated,
        " record was made while the clock was unset: it isn't drawn, what it dosed is \"undated\".",
        " records were made while the clock was unset: they aren't drawn, what they dosed is "
        "\"undated\".");
    note_count(r, r->back,
        " time the clock ran back by more than a minute: what was recorded twice is drawn in one "
        "place.",
        " times the clock ran back by more than a minute: what was recorded twice is drawn in one "
        "place.");
    note_count(r, r->unclaimed, " dose had no volume that could be read.",
        " doses had no volume that could be read.");
    if (!r->subtitle[0] && r->any) {
        char from[32], to[32];
        struct text t = text_over(r->subtitle, sizeof r->subtitle);
        report_moment(from, r->first_ms, REPORT_MINUTE);
        report_moment(to, r->last_ms, REPORT_MINUTE);
        text_add(&t, from);
        text_add(&t, " to ");
        text_add(&t, to);
        text_add(&t, " UTC");
    }
    if (r->failed == ERR_NONE) return ERR_NONE;
    return problem_set(problem, r->failed, "report", r->failed_why);
}

struct report_counts report_count(const struct report *r)
{
    struct report_counts n = {
        .tanks = r->tanks, .records = r->records, .alerts = r->alerts.count + r->alerts.more
    };
    for (uint32_t i = 0; i < r->tanks; i++) {
        const struct report_tank *t = r->tank[i];
        for (uint32_t s = 0; s < t->stocks; s++) {
            n.doses += t->stock[s].doses;
        }
        for (int c = 0; c < REPORT_CHANNELS; c++) {
            n.readings += t->line[c].readings;
        }
        n.alerts += t->alerts.count + t->alerts.more;
    }
    return n;
}
