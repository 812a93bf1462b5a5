#include "daemon/check/check_fill.h"

#include <math.h>
#include <stdlib.h>

#include "lib/control/buffer.h"

enum { ENTRIES = 512, ROUNDS_MOST = 20000, OF_TANK = TANK_PUMPS_MAX };
#define FILL_MOST_MS (30 * DAY_MS)

/* What one round makes up of the distance: about what the law dares in a tank that it doesn't know
 * yet. */
static const double round_share = 0.55;
static const double usual_phosphate_mmol_l = 1.2;

struct fill {
    const struct site *site;
    const struct site_tank *tank;
    double ec_us_cm, ph, set_ec_us_cm, set_ph;
    struct buffer buffer;
    struct mono now;
    struct dose_window pump[TANK_PUMPS_MAX], ec_rise, ph_move;
    struct window_entry entries[TANK_PUMPS_MAX + 2][ENTRIES];
    struct check_fill result;
    int64_t waited_ms[OF_TANK + 1][DOSE_VERDICT_COUNT]; /* for each limit of pumps and tank */
};

/* What a round comes to: how much of what was wanted, or until when it waits, and for what. */
struct round {
    double part; /* 0 to 1 */
    enum dose_verdict because;
    uint32_t pump; /* whose limit that is, or OF_TANK */
    struct mono retry;
};

static struct round round_of(const struct dose_window *w, int64_t budget, int64_t wanted,
    struct mono now, enum dose_verdict verdict)
{
    const int64_t left = window_free(w, HOUR_MS, budget, now);
    if (wanted <= left) return (struct round){ 1.0, DOSE_GRANTED, OF_TANK, now };
    const int64_t goal = wanted < budget ? wanted : budget;
    return (struct round){ .part = (double)left / (double)wanted,
        .because = verdict,
        .pump = OF_TANK,
        .retry = window_fits_at(w, HOUR_MS, budget, goal, now) };
}

/* Narrows a round by one pump's limits: 'ml' is what the whole round would take of it. */
static void narrow(struct fill *f, struct round *r, uint32_t p, double ml)
{
    const struct site_pump *pump = &f->tank->pump[p];
    const int64_t wanted_ul = ul_from_ml_down(ml * r->part);
    if (wanted_ul < pump->limits.smallest_ul) {
        r->part = 0.0;
        return;
    }
    const struct dose_question question = { .limits = &pump->limits,
        .window = &f->pump[p],
        .wanted_ul = wanted_ul,
        .now = f->now,
        .full_ul = site_full_ul(f->site, pump, pump->ml_per_s) };
    const struct dose_allowance a = limits_of_stock(&question);
    if (a.most_ul >= wanted_ul) return;
    r->because = a.because;
    r->pump = p;
    if (a.because != DOSE_OVER_DOSE && a.retry.ms > r->retry.ms) r->retry = a.retry;
    r->part = a.most_ul < pump->limits.smallest_ul ? 0.0 : (double)a.most_ul / 1000.0 / ml;
}

static void give(struct fill *f, uint32_t p, double ml)
{
    const int64_t ul = ul_from_ml_down(ml);
    const int64_t run_ms = nearest(ml / f->tank->pump[p].ml_per_s * 1000.0);
    f->now = mono_after(f->now, run_ms + site_flush_ms(f->tank));
    const struct site_pump *pump = &f->tank->pump[p];
    const int64_t full_ul =
        site_full_stays(f->site, pump) ? site_full_ul(f->site, pump, pump->ml_per_s) : 0;
    const int64_t counted_ul = full_ul > ul ? full_ul : ul;
    window_add(&f->pump[p], (struct window_entry){ .ends = f->now, .amount = counted_ul }, f->now);
    f->result.doses++;
}

/* Nothing can be given now: waits for the limit, at least a minute. */
static bool wait(struct fill *f, const struct round *r)
{
    if (r->because == DOSE_GRANTED) { /* less than a smallest dose is wanted: near enough */
        f->result.reached = true;
        return false;
    }
    const struct mono soonest = mono_after(f->now, MINUTE_MS);
    const struct mono until = r->retry.ms > soonest.ms ? r->retry : soonest;
    if (until.ms > FILL_MOST_MS) return false;
    f->waited_ms[r->pump][r->because] += mono_since(until, f->now);
    f->now = until;
    return true;
}

static double parts_of(const struct site_tank *tank)
{
    double parts = 0.0;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        parts += tank->recipe[i].parts;
    }
    return parts;
}

static bool feed(struct fill *f, double rise_us_cm)
{
    const struct site_tank *tank = f->tank;
    const double per_ml = site_recipe_ec_us_cm_per_ml(tank), parts = parts_of(tank);
    if (!(per_ml > 0.0) || !(parts > 0.0)) return false;
    const double ml = rise_us_cm / per_ml;
    struct round r = round_of(&f->ec_rise, tank->move.ec_rise_per_hour,
        nearest(rise_us_cm * 1000.0), f->now, DOSE_OVER_EC_RISE);
    for (uint32_t i = 0; i < tank->recipe_count && r.part > 0.0; i++) {
        narrow(f, &r, tank->recipe[i].pump, ml * tank->recipe[i].parts / parts);
    }
    if (!(r.part > 0.0)) return wait(f, &r);
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        give(f, tank->recipe[i].pump, ml * r.part * tank->recipe[i].parts / parts);
    }
    f->ec_us_cm += rise_us_cm * r.part;
    window_add(&f->ec_rise,
        (struct window_entry){ .ends = f->now, .amount = nearest(rise_us_cm * r.part * 1000.0) },
        f->now);
    f->result.rounds++;
    return true;
}

static bool move_ph(struct fill *f, bool lower)
{
    const struct site_tank *tank = f->tank;
    const int32_t p = lower ? tank->lowers_ph : tank->raises_ph;
    const double from = buffer_alkalinity(&f->buffer, f->ph);
    const double to = from + round_share * (buffer_alkalinity(&f->buffer, f->set_ph) - from);
    const double ph_move = fabs(buffer_ph(&f->buffer, to, f->ph) - f->ph);
    if (p < 0) {
        f->result.reached = true; /* as far as this tank's pumps go */
        return false;
    }
    const struct site_stock *stock = &f->site->stock[tank->pump[p].stock];
    const double ml = fabs(from - to) * tank->volume_l / fabs(stock->strength.acid_meq_ml);
    struct round r = round_of(&f->ph_move, tank->move.ph_move_per_hour, nearest(ph_move * 1e6),
        f->now, DOSE_OVER_PH_MOVE);
    narrow(f, &r, (uint32_t)p, ml);
    if (!(r.part > 0.0)) return wait(f, &r);
    give(f, (uint32_t)p, ml * r.part);
    f->ph += (lower ? -1.0 : 1.0) * ph_move * r.part;
    window_add(&f->ph_move,
        (struct window_entry){ .ends = f->now, .amount = nearest(ph_move * r.part * 1e6) }, f->now);
    f->result.rounds++;
    return true;
}

/* One round or one wait; false when there's nothing more to do, or nothing more that can be. */
static bool turn(struct fill *f)
{
    const double low_by = f->set_ec_us_cm - f->ec_us_cm, high_by = f->ph - f->set_ph;
    const double band = f->tank->band_ec_us_cm, band_ph = f->tank->band_ph;
    const uint32_t rounds = f->result.rounds;
    bool more = false;
    if (low_by > band)
        more = feed(f, round_share * low_by);
    else if (fabs(high_by) > band_ph)
        more = move_ph(f, high_by > 0.0);
    else
        f->result.reached = low_by >= -band;
    if (f->result.rounds > rounds) f->now = mono_after(f->now, site_mix_ms(f->tank));
    return more && f->now.ms <= FILL_MOST_MS;
}

static void begin(struct fill *f)
{
    for (uint32_t p = 0; p < f->tank->pump_count; p++) {
        window_init(&f->pump[p], f->entries[p], ENTRIES, DAY_MS);
    }
    window_init(&f->ec_rise, f->entries[TANK_PUMPS_MAX], ENTRIES, HOUR_MS);
    window_init(&f->ph_move, f->entries[TANK_PUMPS_MAX + 1], ENTRIES, HOUR_MS);
}

/* The limit that cost most time. */
static void find_held(struct fill *f)
{
    int64_t longest_ms = 0;
    f->result.held_by = f->result.held_stock = "";
    for (uint32_t p = 0; p <= OF_TANK; p++) {
        for (uint32_t v = 0; v < DOSE_VERDICT_COUNT; v++) {
            if (f->waited_ms[p][v] <= longest_ms) continue;
            longest_ms = f->waited_ms[p][v];
            f->result.held_by = dose_verdict_phrase((enum dose_verdict)v);
            f->result.held_stock = p == OF_TANK ? "" : f->site->stock[f->tank->pump[p].stock].key;
        }
    }
}

bool check_fresh_fill(struct check_fill *ret, const struct site *site, const struct site_tank *tank,
    const struct crop_target *set)
{
    struct fill *f = calloc(1, sizeof *f);
    if (!f) return false;
    f->site = site;
    f->tank = tank;
    f->ec_us_cm = tank->source_ec_us_cm;
    f->ph = CHECK_SOURCE_PH;
    f->set_ec_us_cm = set->ec_us_cm;
    f->set_ph = set->ph;
    f->buffer = (struct buffer){ tank->source_alkalinity_meq_l + 0.05, usual_phosphate_mmol_l };
    begin(f);
    for (uint32_t i = 0; i < ROUNDS_MOST && turn(f); i++) {
    }
    f->result.span_ms = f->now.ms;
    find_held(f);
    *ret = f->result;
    free(f);
    return true;
}
