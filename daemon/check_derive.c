#include "daemon/check_derive.h"

#include <math.h>
#include <string.h>

#include "daemon/check_fill.h"
#include "daemon/clock.h"
#include "lib/control/buffer.h"

double check_meq_l(const struct site_tank *tank, double from_ph, double to_ph)
{
    const struct buffer b = { tank->source_alkalinity_meq_l + 0.05, 1.2 };
    return buffer_alkalinity(&b, from_ph) - buffer_alkalinity(&b, to_ph);
}

static double per_tenth(const struct site *site, const struct site_tank *tank, int32_t pump,
    const struct crop_target *set)
{
    if (pump < 0) return 0.0;
    const struct site_stock *stock = &site->stock[tank->pump[pump].stock];
    const double meq_l = check_meq_l(tank, set->ph + 0.05, set->ph - 0.05);
    return meq_l * tank->volume_l / fabs(stock->strength.acid_meq_ml);
}

static struct crop_now crop_at(const struct site_tank *tank, struct now now)
{
    struct crop_clock clock = { .at = now.clock == CLOCK_UNSET ? tank->planted : now.civil };
    if (!clock_zone_offset(&clock.zone_offset_ms, tank->schedule.zone, clock.at))
        clock.zone_offset_ms = 0;
    return crop_now_at(&tank->schedule, tank->planted, clock);
}

bool check_derive_tank(
    struct check_tank *ret, const struct config *config, uint32_t index, struct now now)
{
    const struct site *site = &config->site;
    const struct site_tank *tank = &site->tank[index];
    *ret = (struct check_tank){ .now = crop_at(tank, now) };
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        const struct stock_strength *s = &site->stock[tank->pump[p].stock].strength;
        ret->pump[p] = (struct check_pump){
            .ec_us_cm_per_ml = tank->pump[p].ec_us_cm_per_ml_l / tank->volume_l,
            .meq_l_per_ml = s->acid_meq_ml / tank->volume_l,
            .prime_ml = config->tube_ml[(size_t)index * TANK_PUMPS_MAX + p],
        };
    }
    ret->recipe_ec_us_cm_per_ml = site_recipe_ec_us_cm_per_ml(tank);
    ret->acid_ml = per_tenth(site, tank, tank->lowers_ph, &ret->now.target);
    ret->base_ml = per_tenth(site, tank, tank->raises_ph, &ret->now.target);
    ret->mix_ms = site_mix_ms(tank);
    ret->flush_ms = site_flush_ms(tank);
    return check_fresh_fill(&ret->fill, site, tank, &ret->now.target);
}

/* --- supplies ----------------------------------------------------------------------------------
 */

bool check_on_chain(const struct site_tank *tank, uint32_t chain)
{
    bool on = tank->circulation.address.chain == chain;
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        on = on || tank->pump[p].address.chain == chain;
    }
    return on;
}

/* The farther from the supply, the lower the volts: the worst of a tank's pumps. */
static void add_farthest(struct supply_load *load, const struct site_tank *tank, uint32_t chain)
{
    uint32_t farthest = 0;
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        const struct chain_address *a = &tank->pump[p].address;
        if (a->chain == chain && a->position > farthest) farthest = a->position;
    }
    if (farthest > 0) load[farthest - 1].pumps++;
}

void check_derive_load(struct check_load *ret, const struct site *site, uint32_t chain,
    enum check_state state, uint32_t tank)
{
    const struct chain_config *config = &site->chain[chain];
    struct supply_module module[CHAIN_MODULES_MAX];
    struct supply_load load[CHAIN_MODULES_MAX];
    memset(load, 0, sizeof load);
    for (uint32_t i = 0; i < site->tank_count && state != CHECK_OFF; i++) {
        const struct site_circulation *c = &site->tank[i].circulation;
        const bool runs = state == CHECK_ALL_TANKS || i == tank;
        const bool flows = runs || c->when == CIRCULATE_ALWAYS;
        if (flows && c->address.chain == chain) load[c->address.position - 1].circulation = true;
        if (runs) add_farthest(load, &site->tank[i], chain);
    }
    for (uint32_t m = 0; m < config->count; m++) {
        module[m] = config->module[m].power;
    }
    *ret = (struct check_load){ .amps = supply_amps(module, load, config->count),
        .allowed = supply_allows(&config->supply, module, load, config->count) };
    for (uint32_t m = 0; m < config->count; m++) {
        ret->volts[m] = supply_volts_at(&config->supply, module, load, config->count, m);
    }
}
