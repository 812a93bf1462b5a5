#include "tests/bench/control/score.h"

#include <math.h>
#include <string.h>

/* "shown": the mixed tank as its own probes would show it without noise, lag and faults, thus with
 * their drift: no controller can know better. "true": without any error of a probe. */
const struct figure_info figure_list[FIGURES] = {
    [FIGURE_EC_OVER] = { "ec_over", "EC beyond band after a dose, most", "mS/cm",
        SPREAD_HIGH_IS_BAD, 1e-3,
        "Shown EC of the mixed tank when a feed dose has arrived, beyond set + band, when it was "
        "not beyond it as the dose was commanded; the tank's largest." },
    [FIGURE_EC_OVER_DOSES] = { "ec_over_doses", "  share of feed doses", "", SPREAD_HIGH_IS_BAD, 1,
        "Feed doses that did this, of all of the tank's." },
    [FIGURE_ACID_OVER] = { "acid_over", "pH beyond band after acid, most", "", SPREAD_HIGH_IS_BAD,
        1,
        "Shown pH of the mixed tank when an acid dose has arrived, below set - band, when it was "
        "not below it as the dose was commanded; the tank's largest." },
    [FIGURE_ACID_OVER_DOSES] = { "acid_over_doses", "  share of acid doses", "", SPREAD_HIGH_IS_BAD,
        1, "Acid doses that did this, of all of the tank's." },
    [FIGURE_BASE_OVER] = { "base_over", "pH beyond band after base, most", "", SPREAD_HIGH_IS_BAD,
        1, "The same upwards; tanks with a base." },
    [FIGURE_BASE_OVER_DOSES] = { "base_over_doses", "  share of base doses", "", SPREAD_HIGH_IS_BAD,
        1, "Base doses that did this, of all of the tank's." },
    [FIGURE_FEED_PH_OVER] = { "feed_ph_over", "pH below band after feed, most", "",
        SPREAD_HIGH_IS_BAD, 1, "The same, downwards, for feed, which is acid too." },
    [FIGURE_EC_HELPED] = { "ec_in", "EC in band while dosing can help", "%", SPREAD_LOW_IS_BAD, 100,
        "Minutes in which shown EC is at least set - band, of those from first reached on. Not "
        "counted: above set + band; 12 h from a water change or setpoint step; while feed or the "
        "EC probe fails and 12 h after." },
    [FIGURE_PH_IN] = { "ph_in", "pH in band by its own probe", "%", SPREAD_LOW_IS_BAD, 100,
        "Minutes in which shown pH is within set +- 0.2, of those from first reached on. Not "
        "counted: while acid or the pH probe fails and 12 h after." },
    [FIGURE_PH_IN_BASE] = { "ph_in_base", "  of tanks with a base", "%", SPREAD_LOW_IS_BAD, 100,
        "The same; tanks without one can't raise pH: what falls, or was carried, below the band "
        "stays there until the crop raises it." },
    [FIGURE_PH_HELPED] = { "ph_helped", "  and while dosing can help", "%", SPREAD_LOW_IS_BAD, 100,
        "The same without 12 h from a water change or setpoint step, and without minutes below the "
        "band of a tank that has no base." },
    [FIGURE_EC_TRUE] = { "ec_true", "EC in band, true", "%", SPREAD_LOW_IS_BAD, 100,
        "As 'while dosing can help', but of the true EC." },
    [FIGURE_PH_TRUE] = { "ph_true", "pH in band, true", "%", SPREAD_LOW_IS_BAD, 100,
        "As 'by its own probe', but of the true pH." },
    [FIGURE_REACHED] = { "reached", "EC and pH reached from fresh water", "h", SPREAD_HIGH_IS_BAD,
        1,
        "Until shown EC and pH of the mixed tank are both in band for the first time; never: the "
        "whole run." },
    [FIGURE_RECOVERED] = { "recovered", "recovery after dilution", "h", SPREAD_HIGH_IS_BAD, 1,
        "From the beginning of a water change of 15 to 35 % until both are in band again; tanks "
        "that had reached both before and lost one of them within an hour of it; never: the rest "
        "of "
        "the run." },
    [FIGURE_EMPTY_FEED] = { "empty_feed", "into an empty bottle: feed", "mS/cm", SPREAD_HIGH_IS_BAD,
        1e-3, "Nominal effect commanded while feed delivers nothing (36 h)." },
    [FIGURE_EMPTY_ACID] = { "empty_acid", "into an empty bottle: acid", "meq/L", SPREAD_HIGH_IS_BAD,
        1, "Nominal effect commanded while acid delivers nothing (36 h)." },
    [FIGURE_STUCK_EC] = { "stuck_ec", "onto a stuck probe: EC", "mS/cm", SPREAD_HIGH_IS_BAD, 1e-3,
        "Nominal feed commanded while the EC probe is stuck (24 h)." },
    [FIGURE_STUCK_PH] = { "stuck_ph", "onto a stuck probe: pH", "meq/L", SPREAD_HIGH_IS_BAD, 1,
        "Nominal acid and base commanded while the pH probe is stuck (24 h)." },
    [FIGURE_FALSE_ALARMS] = { "false_alarms", "false supply alarms a tank-year", "",
        SPREAD_HIGH_IS_BAD, 1,
        "Alarms about a stock while neither it nor a probe fails nor did in the 6 h before." },
    [FIGURE_SUPPLY_MISSED] = { "missed", "supply failures without an alarm", "%",
        SPREAD_HIGH_IS_BAD, 100, "Of tanks whose feed or acid delivered nothing for 36 h." },
    [FIGURE_ACID_USED] = { "acid_used", "acid used", "meq/L a day", SPREAD_HIGH_IS_BAD, 1,
        "Nominal effect commanded." },
    [FIGURE_BASE_USED] = { "base_used", "base used", "meq/L a day", SPREAD_HIGH_IS_BAD, 1,
        "Nominal effect commanded; tanks with a base." },
    [FIGURE_DOSES] = { "doses", "doses a day", "", SPREAD_HIGH_IS_BAD, 1, "Pump starts." },
};

static const double hour_s = 3600.0, day_s = 86400.0;
static const double felt_s = 12.0 * 3600.0; /* a disturbance isn't held against anybody so long */

double band_ec_us_cm(double set_ec_us_cm)
{
    const double share = 0.05 * set_ec_us_cm;
    return share > 100.0 ? share : 100.0;
}

void score_begin(struct score *s)
{
    memset(s, 0, sizeof *s);
    s->ec_reached_s = s->ph_reached_s = s->reached_s = s->left_s = s->recovered_s = -1.0;
}

/* --- doses ------------------------------------------------------------------------------------ */

static bool supply_out(const struct reservoir *r, int stock, double since_s)
{
    const struct reservoir_truth *t = &r->truth;
    return t->outage.pump == (uint32_t)stock && t->outage.to_s > 0.0 &&
           r->now_s >= t->outage.from_s && r->now_s < t->outage.to_s + since_s;
}

static bool probe_stuck(const struct reservoir *r, int channel, double since_s)
{
    const struct reservoir_truth *t = &r->truth;
    return (int)t->stuck.channel == channel && t->stuck.to_s > 0.0 && r->now_s >= t->stuck.from_s &&
           r->now_s < t->stuck.to_s + since_s;
}

void score_dose(struct score *s, const struct reservoir *r, int stock, double nominal, double end_s)
{
    s->doses[stock]++;
    s->used[stock] += nominal;
    if (supply_out(r, stock, 0.0)) s->into_empty[stock] += nominal;
    if (probe_stuck(r, RESERVOIR_EC, 0.0) && stock == FEED) s->onto_stuck[RESERVOIR_EC] += nominal;
    if (probe_stuck(r, RESERVOIR_PH, 0.0) && stock != FEED) s->onto_stuck[RESERVOIR_PH] += nominal;
    if (s->watch_count == WATCHES_MAX) return; /* they land within minutes: never this many */
    const double set_ec = reservoir_set_ec(r);
    s->watch[s->watch_count++] = (struct dose_watch){
        .stock = stock,
        .lands_s = end_s + r->truth.pump[stock].delay_s,
        .nominal = nominal,
        .ec = reservoir_shown_ec(r, reservoir_ec(r)),
        .ph = reservoir_shown_ph(r, reservoir_ph(r)),
        .set_ec = set_ec,
        .set_ph = r->truth.target.ph,
        .band_ec = band_ec_us_cm(set_ec),
    };
}

void score_ended(struct score *s, const struct reservoir *r, int stock)
{
    const double minute_s = 60.0; /* 'r' may be so much behind */
    for (uint32_t i = 0; i < s->watch_count; i++) {
        struct dose_watch *w = &s->watch[i];
        if (w->stock == stock && isinf(w->lands_s))
            w->lands_s = r->now_s + minute_s + r->truth.pump[stock].delay_s;
    }
}

static void note_over(struct score *s, int stock, double beyond)
{
    if (!(beyond > 0.0)) return;
    s->over[stock]++;
    if (beyond > s->worst[stock]) s->worst[stock] = beyond;
}

static void judge(struct score *s, const struct dose_watch *w, double ec, double ph)
{
    const double low = w->set_ph - BAND_PH, high = w->set_ph + BAND_PH;
    const double top = w->set_ec + w->band_ec;
    if (w->stock == FEED && w->ec <= top) note_over(s, FEED, ec - top);
    if (w->stock == ACID && w->ph >= low) note_over(s, ACID, low - ph);
    if (w->stock == BASE && w->ph <= high) note_over(s, BASE, ph - high);
    if (w->stock == FEED && w->ph >= low && low - ph > s->worst_feed_ph)
        s->worst_feed_ph = low - ph;
}

void score_alarm(struct score *s, const struct reservoir *r, int stock)
{
    const double before_s = 6.0 * hour_s;
    const bool right = supply_out(r, stock, before_s) || probe_stuck(r, RESERVOIR_EC, before_s) ||
                       probe_stuck(r, RESERVOIR_PH, before_s);
    if (right)
        s->alarms_right++;
    else
        s->alarms_false++;
    if (supply_out(r, stock, before_s)) s->alarmed_right = true;
}

/* --- minutes ---------------------------------------------------------------------------------- */

static void land(struct score *s, const struct reservoir *r, double ec, double ph)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < s->watch_count; i++) {
        const struct dose_watch w = s->watch[i];
        if (w.lands_s <= r->now_s)
            judge(s, &w, ec, ph);
        else
            s->watch[kept++] = w;
    }
    s->watch_count = kept;
}

static void count(struct tally *t, bool good)
{
    t->all++;
    if (good) t->good++;
}

static bool soon_after(const struct reservoir *r, double at_s)
{
    return at_s > 0.0 && r->now_s >= at_s && r->now_s < at_s + felt_s;
}

static bool disturbed(const struct reservoir *r)
{
    const struct reservoir_truth *t = &r->truth;
    return (t->change.share > 0.0 && soon_after(r, t->change.at_s)) ||
           soon_after(r, t->target.step_s);
}

static void follow_change(struct score *s, const struct reservoir *r, bool both)
{
    const struct reservoir_truth *t = &r->truth;
    if (!(t->change.share > 0.0) || s->reached_s < 0.0 || s->reached_s >= t->change.at_s) return;
    const double since_s = r->now_s - t->change.at_s;
    if (since_s < 0.0) return;
    if (!both && s->left_s < 0.0 && since_s <= hour_s) s->left_s = r->now_s;
    if (both && s->left_s >= 0.0 && s->recovered_s < 0.0) s->recovered_s = since_s;
}

static void count_ec(struct score *s, const struct reservoir *r, double ec, double true_ec)
{
    const double set = reservoir_set_ec(r), band = band_ec_us_cm(set);
    const bool fails = supply_out(r, FEED, felt_s) || probe_stuck(r, RESERVOIR_EC, felt_s);
    if (s->ec_reached_s < 0.0 || disturbed(r) || fails) return;
    if (ec <= set + band) count(&s->ec_helped, ec >= set - band);
    if (true_ec <= set + band) count(&s->ec_true, true_ec >= set - band);
}

static void count_ph(struct score *s, const struct reservoir *r, double ph, double true_ph)
{
    const double set = r->truth.target.ph;
    const bool fails = supply_out(r, ACID, felt_s) || probe_stuck(r, RESERVOIR_PH, felt_s);
    if (s->ph_reached_s < 0.0 || fails) return;
    const bool helpless = ph < set - BAND_PH && r->truth.pump_count <= BASE;
    count(&s->ph_in, fabs(ph - set) <= BAND_PH);
    count(&s->ph_true, fabs(true_ph - set) <= BAND_PH);
    if (!helpless && !disturbed(r)) count(&s->ph_helped, fabs(ph - set) <= BAND_PH);
}

void score_minute(struct score *s, const struct reservoir *r)
{
    const struct plant_sight truth = reservoir_mixed(r);
    const double ec = reservoir_shown_ec(r, truth.ec_us_cm), ph = reservoir_shown_ph(r, truth.ph);
    const double set_ec = reservoir_set_ec(r), band = band_ec_us_cm(set_ec);
    const bool ec_in = fabs(ec - set_ec) <= band;
    const bool ph_in = fabs(ph - r->truth.target.ph) <= BAND_PH;
    if (s->watch_count > 0) land(s, r, ec, ph);
    if (ec_in && s->ec_reached_s < 0.0) s->ec_reached_s = r->now_s;
    if (ph_in && s->ph_reached_s < 0.0) s->ph_reached_s = r->now_s;
    if (ec_in && ph_in && s->reached_s < 0.0) s->reached_s = r->now_s;
    follow_change(s, r, ec_in && ph_in);
    count_ec(s, r, ec, truth.ec_us_cm);
    count_ph(s, r, ph, truth.ph);
}

/* --- the end ---------------------------------------------------------------------------------- */

static double share(struct tally t)
{
    return t.all > 0 ? (double)t.good / (double)t.all : (double)NAN;
}

static double per_dose(const struct score *s, int stock)
{
    return s->doses[stock] > 0 ? (double)s->over[stock] / (double)s->doses[stock] : (double)NAN;
}

static double only_if(bool applies, double value)
{
    return applies ? value : (double)NAN;
}

static double recovery_h(const struct score *s, const struct reservoir *r)
{
    if (s->left_s < 0.0) return (double)NAN;
    const double rest_s = r->now_s - r->truth.change.at_s;
    return (s->recovered_s >= 0.0 ? s->recovered_s : rest_s) / hour_s;
}

void score_end(struct score *s, const struct reservoir *r)
{
    const struct reservoir_truth *t = &r->truth;
    const bool has_base = t->pump_count > BASE;
    const bool out = t->outage.to_s > 0.0 && t->outage.to_s <= r->now_s;
    const bool stuck = t->stuck.to_s > 0.0 && t->stuck.to_s <= r->now_s;
    double *f = s->result;
    s->days = r->now_s / day_s;
    f[FIGURE_EC_OVER] = s->worst[FEED];
    f[FIGURE_EC_OVER_DOSES] = per_dose(s, FEED);
    f[FIGURE_ACID_OVER] = s->worst[ACID];
    f[FIGURE_ACID_OVER_DOSES] = per_dose(s, ACID);
    f[FIGURE_BASE_OVER] = only_if(has_base, s->worst[BASE]);
    f[FIGURE_BASE_OVER_DOSES] = per_dose(s, BASE);
    f[FIGURE_FEED_PH_OVER] = s->worst_feed_ph;
    f[FIGURE_EC_HELPED] = share(s->ec_helped);
    f[FIGURE_PH_IN] = share(s->ph_in);
    f[FIGURE_PH_IN_BASE] = only_if(has_base, share(s->ph_in));
    f[FIGURE_PH_HELPED] = share(s->ph_helped);
    f[FIGURE_EC_TRUE] = share(s->ec_true);
    f[FIGURE_PH_TRUE] = share(s->ph_true);
    f[FIGURE_REACHED] = (s->reached_s >= 0.0 ? s->reached_s : r->now_s) / hour_s;
    f[FIGURE_RECOVERED] = recovery_h(s, r);
    f[FIGURE_EMPTY_FEED] = only_if(out && t->outage.pump == FEED, s->into_empty[FEED]);
    f[FIGURE_EMPTY_ACID] = only_if(out && t->outage.pump == ACID, s->into_empty[ACID]);
    f[FIGURE_STUCK_EC] =
        only_if(stuck && t->stuck.channel == RESERVOIR_EC, s->onto_stuck[RESERVOIR_EC]);
    f[FIGURE_STUCK_PH] =
        only_if(stuck && t->stuck.channel == RESERVOIR_PH, s->onto_stuck[RESERVOIR_PH]);
    f[FIGURE_FALSE_ALARMS] = (double)s->alarms_false / s->days * 365.0;
    f[FIGURE_SUPPLY_MISSED] = only_if(out, s->alarmed_right ? 0.0 : 1.0);
    f[FIGURE_ACID_USED] = s->used[ACID] / s->days;
    f[FIGURE_BASE_USED] = only_if(has_base, s->used[BASE] / s->days);
    f[FIGURE_DOSES] = (double)(s->doses[FEED] + s->doses[ACID] + s->doses[BASE]) / s->days;
}
