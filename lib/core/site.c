#include "lib/core/site.h"

#include <math.h>

#include "lib/base/invariant.h"

/* Up to a whole millisecond: a wait is never shorter than it was worked out. */
static int64_t ms_up(double ms)
{
    INVARIANT(ms >= 0.0 && ms < 9e15);
    return (int64_t)ceil(ms);
}

int64_t site_mix_ms(const struct site_tank *tank)
{
    INVARIANT(tank->circulation.flow_l_min > 0.0);
    static const double turnovers = 3.0;     /* 95 % is exchanged: chem/practice.h */
    static const double probes_ms = 30000.0; /* to follow; less in a small, brisk tank */
    const double turnover_ms = tank->volume_l * (double)MINUTE_MS / tank->circulation.flow_l_min;
    return ms_up(turnovers * turnover_ms + (turnover_ms < probes_ms ? turnover_ms : probes_ms));
}

int64_t site_flush_ms(const struct site_tank *tank)
{
    INVARIANT(tank->circulation.flow_l_min > 0.0);
    const double flushed_l = tank->circulation.flush_lines * tank->circulation.line_ml / 1000.0;
    return ms_up(flushed_l * (double)MINUTE_MS / tank->circulation.flow_l_min);
}

/* From a standstill two readings of the newest three are to be of flow; where that step is beyond
 * the jump guard, three in a row. */
int64_t site_flow_every_ms(const struct site_tank *tank)
{
    const struct probe_config *p = &tank->probe[PROBE_FLOW];
    if (!p->present) return 0;
    const bool jumps = p->jump_most > 0.0 && tank->circulation.flow_l_min > p->jump_most;
    return CIRCULATION_CONFIRM_MS / (jumps ? 3 : 2);
}

int32_t site_pump_of(const struct site_tank *tank, uint32_t stock)
{
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        if (tank->pump[p].stock == stock) return (int32_t)p;
    }
    return -1;
}

double site_recipe_ec_us_cm_per_ml(const struct site_tank *tank)
{
    const double parts = site_recipe_parts(tank);
    double rise = 0.0;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        const struct site_part *part = &tank->recipe[i];
        rise += part->parts * tank->pump[part->pump].ec_us_cm_per_ml_l;
    }
    return parts > 0.0 ? rise / parts / tank->volume_l : 0.0;
}

const struct plain_output *site_plain(const struct site *site, const struct chain_address *a)
{
    const struct chain_config *chain = &site->chain[a->chain];
    return a->position >= 1 && a->position <= chain->count ? chain->module[a->position - 1].plain
                                                           : NULL;
}

bool site_has_plain(const struct site *site)
{
    for (uint32_t c = 0; c < site->chain_count; c++) {
        if (site->chain[c].plain) return true;
    }
    return false;
}

bool site_has_head(const struct site *site)
{
    for (uint32_t c = 0; c < site->chain_count; c++) {
        if (!site->chain[c].plain) return true;
    }
    return false;
}

int64_t site_full_ul(const struct site *site, const struct site_pump *pump, double ml_per_s)
{
    const struct plain_output *o = site_plain(site, &pump->address);
    if (!o || o->unit != PLAIN_SWITCHED) return 0;
    return nearest(ceil((double)o->auto_off_ms * ml_per_s));
}

bool site_full_stays(const struct site *site, const struct site_pump *pump)
{
    const struct plain_output *o = site_plain(site, &pump->address);
    return o && o->unit == PLAIN_SWITCHED && !o->state_topic;
}

int64_t site_tick_ul(const struct site_pump *pump)
{
    return nearest(ceil(IDENTIFY_RUN_MS * pump->ml_per_s));
}
