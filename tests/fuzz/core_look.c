/* What is seen of the world of core_fuzz.c when somebody looks: sums of what was moved, views, what
 * is restated. */
#include <math.h>

#include "tests/fuzz/core_world.h"
#include "tests/fuzz/fuzz.h"

static void observe_span(
    const struct core_world *w, uint32_t tank, uint32_t p, int64_t span_ms, int64_t limit_ul)
{
    const double ul_per_ms = w->site->tank[tank].pump[p].ml_per_s;
    int64_t ran_ms = 0, hand_ms = 0;
    uint32_t tail = 0;
    for (uint32_t i = 0; i < w->move_count; i++) {
        const struct cw_move *m = &w->move[i];
        if (m->tank != tank || m->pump != p) continue;
        ran_ms += m->ran_ms;
        hand_ms += m->by_hand_ms;
        for (; w->move[tail].at_ms <= m->at_ms - span_ms; tail++) {
            const struct cw_move *old = &w->move[tail];
            if (old->tank != tank || old->pump != p) continue;
            ran_ms -= old->ran_ms;
            hand_ms -= old->by_hand_ms;
        }
        if (hand_ms == 0) HOLDS((double)ran_ms * ul_per_ms <= (double)limit_ul + 1);
    }
}

void cw_observe(const struct core_world *w)
{
    if (w->lies) return;
    for (uint32_t t = 0; t < CW_TANKS; t++) {
        for (uint32_t p = 0; p < w->site->tank[t].pump_count; p++) {
            const struct stock_limits *l = &w->site->tank[t].pump[p].limits;
            observe_span(w, t, p, HOUR_MS, l->hour_ul);
            observe_span(w, t, p, DAY_MS, l->day_ul);
        }
    }
}

void cw_carry(struct core_world *w)
{
    static struct actions carried;
    uint32_t cursor = 0;
    for (int n = 0; core_carry(w->core, &cursor, w->now, &carried); n++) {
        HOLDS(n < 10000);
        for (uint32_t i = 0; i < carried.count; i++) {
            HOLDS(carried.item[i].kind == ACTION_RECORD && !carried.item[i].record.cut);
            cw_remember(w, &carried.item[i].record);
        }
    }
}

void cw_look(const struct core_world *w)
{
    struct site_view site;
    struct tank_view tank;
    struct chain_view chain;
    struct stock_view stock;
    struct alert_view alert;
    core_view_site(w->core, w->now, &site);
    for (uint32_t t = 0; t < CW_TANKS; t++) {
        core_view_tank(w->core, t, w->now, &tank);
        HOLDS(tank.state < TANK_STATE_COUNT && tank.why[0] != '\0' && isfinite(tank.set_ec_us_cm));
        if (!tank.planted) continue;
        const struct crop_envelope *e = &w->site->tank[t].envelope;
        HOLDS(tank.set_ec_us_cm >= e->ec_least_us_cm && tank.set_ec_us_cm <= e->ec_most_us_cm);
        HOLDS(tank.set_ph >= e->ph_least && tank.set_ph <= e->ph_most);
    }
    for (uint32_t c = 0; c < CW_HEADS; c++) {
        core_view_chain(w->core, c, w->now, &chain);
    }
    for (uint32_t s = 0; s < w->site->stock_count; s++) {
        core_view_stock(w->core, s, w->now, &stock);
        HOLDS(stock.remaining_ul >= 0 && stock.remaining_ul <= stock.bottle_ul);
    }
    for (uint32_t i = 0; core_alert(w->core, i, &alert); i++) {
        HOLDS(alert.id[0] != '\0' && i < 10000);
    }
}
