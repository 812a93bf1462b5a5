/* What a person would see of the daemons: L1, L2, and I6 for setpoints. */
#include <stdio.h>
#include <string.h>

#include "tests/simulation/storm/world.h"

enum { WAIT_MOST_MS = 2 * HOUR_MS, FLOOR_MOST_MS = 30 * MINUTE_MS };

static void breach(
    struct world *w, const char *law, uint32_t tank, const struct tank_view *v, const char *what)
{
    char text[240];
    (void)snprintf(
        text, sizeof text, "tank %u %s: %s: %.140s", tank, what, tank_state_word(v->state), v->why);
    observe_breach(w->observer, law, w->t_ms, text);
}

/* It shows that some stock's limit is used up, or nearly: also where each dose needs room for all
 * that its board would give if nobody ended it. */
static bool at_limit(const struct world *w, uint32_t tank, const struct tank_view *v)
{
    const struct site *site = world_site(w);
    for (uint32_t p = 0; p < v->pump_count; p++) {
        const struct site_pump *pump = &site->tank[tank].pump[p];
        const int64_t full_ul = site_full_ul(site, pump, pump->ml_per_s);
        const int64_t day_ul = v->pump[p].day_ul, hour_ul = v->pump[p].hour_ul;
        if (day_ul * 2 > v->pump[p].day_limit_ul || hour_ul * 2 > v->pump[p].hour_limit_ul)
            return true;
        if (day_ul > 0 && day_ul + full_ul > v->pump[p].day_limit_ul) return true;
        if (hour_ul > 0 && hour_ul + full_ul > v->pump[p].hour_limit_ul) return true;
    }
    return false;
}

/* It shows that a probe gives no number in its range: after pumps that ran too fast and wrong
 * bottles the water may really be so. */
static bool beyond_probes(const struct tank_view *v)
{
    return v->probe[PROBE_EC].quality != PROBE_GOOD || v->probe[PROBE_PH].quality != PROBE_GOOD;
}

static bool names_lockout(const struct world *w, uint32_t tank, const struct tank_view *v)
{
    return v->state == TANK_LOCKED || v->state == TANK_INTERLOCKED || at_limit(w, tank, v) ||
           beyond_probes(v);
}

/* Probes of level and leak that lied tell the truth again: nothing holds the tank any more. */
static void look_at_floor(struct world *w, uint32_t i, const struct tank_view *v)
{
    const bool held =
        v->state == TANK_INTERLOCKED && (strstr(v->why, "leak") || strstr(v->why, "level"));
    if (w->settle_ms != INT64_MAX || !held) {
        w->floor_held_ms[i] = w->t_ms;
    } else if (w->t_ms - w->floor_held_ms[i] > FLOOR_MOST_MS) {
        breach(w, "L1", i, v, "is held by a probe that tells the truth again");
    }
}

static void look_at_tank(struct world *w, struct board *b, uint32_t i)
{
    struct tank_view v;
    const struct daemon *d = &b->daemon;
    const struct crop_envelope *e = &d->config->site.tank[i].envelope;
    core_view_tank(d->core, i, daemon_core_now(d), &v);
    if (v.why[0] == '\0') breach(w, "L2", i, &v, "doesn't say why");
    const bool inside = v.set_ec_us_cm >= e->ec_least_us_cm && v.set_ec_us_cm <= e->ec_most_us_cm &&
                        v.set_ph >= e->ph_least && v.set_ph <= e->ph_most;
    if (v.planted && !inside) breach(w, "I6", i, &v, "has a setpoint outside its envelope");
    if (b->index == 0) look_at_floor(w, i, &v);
    if (b->index == 0 && names_lockout(w, i, &v)) w->held_ms[i] = w->t_ms;
    if (w->settle_ms != INT64_MAX || at_limit(w, i, &v) || beyond_probes(&v) ||
        (v.state != TANK_WAITING && v.state != TANK_STARTING)) {
        w->waiting_ms[b->index][i] = w->t_ms;
        return;
    }
    if (w->t_ms - w->waiting_ms[b->index][i] > WAIT_MOST_MS)
        breach(w, "L1", i, &v, "has waited for hours in a healthy world");
}

/* People do what a site needs after a bad week: they end what they began, claim what a stranger
 * took and look at the alerts. Then each tank gets fresh water, so that there is something to dose.
 */
static void settle(struct world *w)
{
    w->settle_ms = INT64_MAX;
    people_halt(w, false);
    people_claim(w);
    for (uint32_t i = 0; i < w->premises.tanks; i++) {
        people_flag(w, REQUEST_PAUSE, i, false);
        people_flag(w, REQUEST_SERVICE, i, false);
        people_end_override(w, i);
        if (w->errands.was_on_bench[i]) errand_bench(w, i, false);
        water_change(w, i, 0.5);
        w->doses_before[i] = w->doses_of[i];
        for (uint32_t n = 0; n < BOARDS; n++) { /* it may have had a file without this tank */
            w->waiting_ms[n][i] = w->t_ms;
        }
    }
    relays_say(w); /* somebody has looked at the boards */
    people_acknowledge(w, true);
    people_look_at_boards(w);
}

void world_look(struct world *w)
{
    if (w->healed && w->settle_ms != INT64_MAX && w->t_ms >= w->settle_ms) settle(w);
    for (uint32_t n = 0; n < BOARDS; n++) {
        struct board *b = &w->board[n];
        if (!b->alive) continue;
        if (b->daemon.active && b->daemon.link_up && b->stalled_ms <= w->t_ms)
            observe_serves(w->observer, n, b->stalled_ms, w->t_ms);
        for (uint32_t i = 0; i < b->daemon.config->site.tank_count; i++) {
            look_at_tank(w, b, i);
        }
    }
}

/* After hours of a healthy world and half the water changed: it has dosed, or it says what holds
 * it, or did so until a short while ago. */
void world_look_over(struct world *w)
{
    const struct board *b = &w->board[0];
    if (w->settle_ms != INT64_MAX || w->options.span_ms - w->heal_ms < 4 * HOUR_MS) return;
    if (!b->alive) {
        observe_breach(w->observer, "L1", w->t_ms, "the daemon doesn't run in a healthy world");
        return;
    }
    for (uint32_t i = 0; i < b->daemon.config->site.tank_count; i++) {
        struct tank_view v;
        core_view_tank(b->daemon.core, i, daemon_core_now(&b->daemon), &v);
        const bool doses = w->doses_of[i] > w->doses_before[i];
        const bool holds =
            v.state == TANK_HOLDING || v.state == TANK_MIXING || names_lockout(w, i, &v);
        const bool held = w->held_ms[i] > 0 && w->t_ms - w->held_ms[i] < WAIT_MOST_MS;
        if (!doses && !holds && !held) breach(w, "L1", i, &v, "neither doses nor names a lockout");
    }
}
