#include "daemon/check/check_derive.h"

#include <math.h>
#include <string.h>

#include "daemon/check/check_fill.h"
#include "daemon/config/config_zone.h"
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

static struct crop_now crop_at(
    const struct config *config, const struct site_tank *tank, struct now now)
{
    struct crop_clock clock = { .at = now.clock == CLOCK_UNSET ? tank->planted : now.civil };
    if (!config_zone_offset(&clock.zone_offset_ms, config, tank->schedule.zone, clock.at))
        clock.zone_offset_ms = 0;
    return crop_now_at(&tank->schedule, tank->planted, clock);
}

bool check_derive_tank(
    struct check_tank *ret, const struct config *config, uint32_t index, struct now now)
{
    const struct site *site = &config->site;
    const struct site_tank *tank = &site->tank[index];
    *ret = (struct check_tank){ .now = crop_at(config, tank, now) };
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

/* A chain as the formulas of lib/chain/supply.h want it. */
struct wired {
    const struct supply *supply;
    struct supply_module module[CHAIN_MODULES_MAX];
    struct supply_load load[CHAIN_MODULES_MAX];
    uint32_t count;
};

static void wire(struct wired *ret, const struct site *site, uint32_t chain, enum check_state state,
    uint32_t tank)
{
    const struct chain_config *config = &site->chain[chain];
    *ret = (struct wired){ .supply = &config->supply, .count = config->count };
    for (uint32_t i = 0; i < site->tank_count && state != CHECK_OFF; i++) {
        const struct site_circulation *c = &site->tank[i].circulation;
        const bool runs = state == CHECK_ALL_TANKS || i == tank;
        const bool flows = runs || c->when == CIRCULATE_ALWAYS;
        if (flows && c->address.chain == chain)
            ret->load[c->address.position - 1].circulation = true;
        if (runs) add_farthest(ret->load, &site->tank[i], chain);
    }
    for (uint32_t m = 0; m < config->count; m++) {
        ret->module[m] = config->module[m].power;
    }
}

static void measure(struct check_load *ret, const struct wired *w)
{
    *ret = (struct check_load){ .amps = supply_amps(w->module, w->load, w->count),
        .allowed = supply_allows(w->supply, w->module, w->load, w->count) };
    for (uint32_t m = 0; m < w->count; m++) {
        ret->volts[m] = supply_volts_at(w->supply, w->module, w->load, w->count, m);
    }
}

void check_derive_load(struct check_load *ret, const struct site *site, uint32_t chain,
    enum check_state state, uint32_t tank)
{
    struct wired w;
    wire(&w, site, chain, state, tank);
    measure(ret, &w);
}

/* --- what is left of a supply ------------------------------------------------------------------
 */

static double least_to_spare(const struct check_load *load, const struct wired *w)
{
    double least = 1e9;
    for (uint32_t m = 0; m < w->count; m++) {
        least = fmin(least, load->volts[m] - w->module[m].min_volts);
    }
    return least;
}

/* Whichever motor of those that run is started last: circulation, or the pump. */
static void worst_start(struct check_spare *ret, const struct wired *running)
{
    measure(&ret->start, running);
    double least = least_to_spare(&ret->start, running);
    const double more = fmax(0.0, running->supply->start_factor - 1.0);
    for (uint32_t m = 0; m < running->count; m++) {
        const struct supply_module *module = &running->module[m];
        struct wired w = *running;
        struct check_load load;
        if (w.load[m].circulation) w.load[m].surge_amps = more * module->circulation_amps;
        if (w.load[m].pumps > 0)
            w.load[m].surge_amps = fmax(w.load[m].surge_amps, more * module->pump_amps);
        measure(&load, &w);
        if (least_to_spare(&load, &w) >= least) continue;
        least = least_to_spare(&load, &w);
        ret->start = load;
    }
    ret->dips = least < 0.0;
}

static uint32_t heaviest_tank(const struct site *site, uint32_t chain)
{
    uint32_t heaviest = UINT32_MAX;
    double most = -1.0;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        struct check_load load;
        if (!check_on_chain(&site->tank[i], chain)) continue;
        check_derive_load(&load, site, chain, CHECK_ONE_TANK, i);
        if (load.amps > most) heaviest = i;
        most = fmax(most, load.amps);
    }
    return heaviest;
}

void check_derive_spare(struct check_spare *ret, const struct site *site, uint32_t chain)
{
    struct wired w;
    wire(&w, site, chain, CHECK_ONE_TANK, heaviest_tank(site, chain));
    worst_start(ret, &w);
    for (uint32_t m = 0; m < w.count; m++) {
        ret->longer_m[m] = supply_spare_m(w.supply, w.module, w.load, w.count, m);
    }
    for (uint32_t m = 0; m < w.count; m++) {
        w.load[m].pumps = 0;
    }
    for (uint32_t m = 0; m < w.count; m++) {
        ret->pumps[m] = supply_pumps_most(w.supply, w.module, w.load, w.count, m);
    }
}
