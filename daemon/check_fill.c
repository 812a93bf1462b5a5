#include "daemon/check_fill.h"

#include <math.h>
#include <stdlib.h>

#include "lib/control/proportional.h"

enum { ENTRIES = 512, ROUNDS_MOST = 20000 };
#define FILL_MOST_MS (30 * DAY_MS)

struct fill {
    const struct site *site;
    const struct site_tank *tank;
    struct control_water water;
    struct mono now;
    struct dose_window pump[TANK_PUMPS_MAX], ec_rise, ph_move;
    struct window_entry entries[TANK_PUMPS_MAX + 2][ENTRIES];
    struct check_fill result;
    int64_t waited_ms[DOSE_VERDICT_COUNT]; /* for each limit */
};

/* What a round comes to: how much of what was wanted, or until when it waits, and for what. */
struct round {
    double part; /* 0 to 1 */
    enum dose_verdict because;
    struct mono retry;
};

static struct round round_of(const struct dose_window *w, int64_t budget, int64_t wanted,
    struct mono now, enum dose_verdict verdict)
{
    const int64_t left = window_free(w, HOUR_MS, budget, now);
    if (wanted <= left) return (struct round){ .part = 1.0, .because = DOSE_GRANTED, .retry = now };
    const int64_t goal = wanted < budget ? wanted : budget;
    return (struct round){ .part = (double)left / (double)wanted,
        .because = verdict,
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
    const struct dose_question question = { &pump->limits, &f->pump[p], wanted_ul, f->now };
    const struct dose_allowance a = limits_of_stock(&question);
    if (a.most_ul >= wanted_ul) return;
    r->because = a.because;
    if (a.because != DOSE_OVER_DOSE && a.retry.ms > r->retry.ms) r->retry = a.retry;
    r->part = a.most_ul < pump->limits.smallest_ul ? 0.0 : (double)a.most_ul / 1000.0 / ml;
}

static void give(struct fill *f, uint32_t p, double ml)
{
    const int64_t ul = ul_from_ml_down(ml);
    const int64_t run_ms = nearest(ml / f->tank->pump[p].ml_per_s * 1000.0);
    f->now = mono_after(f->now, run_ms + site_flush_ms(f->tank));
    window_add(&f->pump[p], (struct window_entry){ .ends = f->now, .amount = ul }, f->now);
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
    f->waited_ms[r->because] += mono_since(until, f->now);
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
    f->water.ec_us_cm += rise_us_cm * r.part;
    window_add(&f->ec_rise,
        (struct window_entry){ .ends = f->now, .amount = nearest(rise_us_cm * r.part * 1000.0) },
        f->now);
    f->result.rounds++;
    return true;
}

static bool move_ph(struct fill *f, const struct control_answer *answer)
{
    const struct site_tank *tank = f->tank;
    const bool lower = answer->need == NEED_LOWER_PH;
    const int32_t p = lower ? tank->lowers_ph : tank->raises_ph;
    if (p < 0) {
        f->result.reached = true; /* as far as this tank's pumps go */
        return false;
    }
    const struct site_stock *stock = &f->site->stock[tank->pump[p].stock];
    const double ml = answer->meq_l * tank->volume_l / fabs(stock->strength.acid_meq_ml);
    struct round r = round_of(&f->ph_move, tank->move.ph_move_per_hour,
        nearest(answer->ph_move * 1e6), f->now, DOSE_OVER_PH_MOVE);
    narrow(f, &r, (uint32_t)p, ml);
    if (!(r.part > 0.0)) return wait(f, &r);
    give(f, (uint32_t)p, ml * r.part);
    f->water.ph += (lower ? -1.0 : 1.0) * answer->ph_move * r.part;
    window_add(&f->ph_move,
        (struct window_entry){ .ends = f->now, .amount = nearest(answer->ph_move * r.part * 1e6) },
        f->now);
    f->result.rounds++;
    return true;
}

/* One round or one wait; false when there's nothing more to do, or nothing more that can be. */
static bool turn(struct fill *f)
{
    const struct control_tank model = { .volume_l = f->tank->volume_l,
        .alkalinity_meq_l = f->tank->source_alkalinity_meq_l,
        .band_ec_us_cm = f->tank->band_ec_us_cm,
        .band_ph = f->tank->band_ph,
        .share = f->tank->share };
    const struct control_answer answer = control_decide(&model, &f->water);
    const uint32_t rounds = f->result.rounds;
    bool more = false;
    switch (answer.need) {
    case NEED_NOTHING:
    case NEED_WATER:
        f->result.reached = answer.need == NEED_NOTHING;
        return false;
    case NEED_FEED:
        more = feed(f, answer.ec_us_cm);
        break;
    case NEED_LOWER_PH:
    case NEED_RAISE_PH:
        more = move_ph(f, &answer);
        break;
    }
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

bool check_fresh_fill(struct check_fill *ret, const struct site *site, const struct site_tank *tank,
    const struct crop_target *set)
{
    struct fill *f = calloc(1, sizeof *f);
    if (!f) return false;
    f->site = site;
    f->tank = tank;
    f->water =
        (struct control_water){ tank->source_ec_us_cm, CHECK_SOURCE_PH, set->ec_us_cm, set->ph };
    begin(f);
    for (uint32_t i = 0; i < ROUNDS_MOST && turn(f); i++) {
    }
    f->result.span_ms = f->now.ms;
    f->result.held_by = "";
    int64_t longest_ms = 0;
    for (uint32_t v = 0; v < DOSE_VERDICT_COUNT; v++) {
        if (f->waited_ms[v] <= longest_ms) continue;
        longest_ms = f->waited_ms[v];
        f->result.held_by = dose_verdict_phrase((enum dose_verdict)v);
    }
    *ret = f->result;
    free(f);
    return true;
}
