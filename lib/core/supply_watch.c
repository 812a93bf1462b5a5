/* Does a chain draw, and have, what it should? What the head measures is held against what is known
 * to run and what the configuration says of it. */
#include <math.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

enum { ODD_BEATS = 5 }; /* so many more odd beats than good ones: no passing disturbance */

/* A difference that matters: meters and motors aren't better than that (common practice, no
 * source). */
static const double AMPS_APART = 0.25, AMPS_APART_SHARE = 0.35, VOLTS_SHARE = 0.1;

bool core_draw_known(const struct core *core, uint32_t chain)
{
    const struct core_chain *c = &core->chain[chain];
    if (!c->ours || c->hand_running || c->amps_stale || !c->matches) return false;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_tank *t = &core->tank[i];
        const struct site_tank *config = &core->site->tank[i];
        const bool doses = t->dose.used && config->pump[t->dose.pump].address.chain == chain;
        if (doses && !t->dose.running) return false;
        if (tank_chain(core, i) != chain) continue;
        if (t->circulation.on != t->circulation.confirmed) return false;
        if (t->circulation.command.used && !t->circulation.on) return false;
    }
    return true;
}

static double amps_due(const struct core *core, uint32_t chain)
{
    const struct chain_config *config = &core->site->chain[chain];
    double amps = 0.0;
    for (uint32_t m = 0; m < config->count; m++) {
        amps += config->module[m].power.idle_amps;
    }
    return amps + core_running_amps(core, chain, UINT32_MAX);
}

double core_amps_beyond(const struct core *core, uint32_t chain)
{
    return core->chain[chain].beat.amps - amps_due(core, chain);
}

/* What is known to run now. */
static void load_of(
    const struct core *core, uint32_t chain, struct supply_load ret[CHAIN_MODULES_MAX])
{
    memset(ret, 0, CHAIN_MODULES_MAX * sizeof *ret);
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_tank *t = &core->tank[i];
        const struct site_tank *config = &core->site->tank[i];
        const struct chain_address *pump = &config->pump[t->dose.pump].address;
        if (t->dose.used && t->dose.running && pump->chain == chain)
            ret[pump->position - 1].pumps++;
        if (t->circulation.on && tank_chain(core, i) == chain)
            ret[config->circulation.address.position - 1].circulation = true;
    }
}

static double volts_found(const struct core_chain *c, uint32_t position)
{
    for (uint32_t m = 0; m < c->roll.count; m++) {
        const struct chain_module *found = &c->roll.module[m];
        if (c->has_roll && found->has_volts && found->position == position) return found->volts;
    }
    return (double)NAN;
}

void core_view_supply(const struct core *core, uint32_t chain, struct supply_view *ret)
{
    const struct chain_config *config = &core->site->chain[chain];
    const bool known = core_draw_known(core, chain);
    struct supply_module module[CHAIN_MODULES_MAX];
    struct supply_load load[CHAIN_MODULES_MAX];
    *ret = (struct supply_view){ .amps_due = known ? amps_due(core, chain) : (double)NAN,
        .volts = config->supply.volts,
        .amps = config->supply.amps,
        .usable_amps = config->supply.amps * config->supply.usable_share,
        .count = config->plain ? 0 : config->count };
    load_of(core, chain, load);
    for (uint32_t m = 0; m < ret->count; m++) {
        module[m] = config->module[m].power;
    }
    for (uint32_t m = 0; m < ret->count; m++) {
        ret->module[m] = (struct module_view){ .serial = config->module[m].serial,
            .volts = volts_found(&core->chain[chain], config->module[m].position),
            .due_volts =
                known ? supply_volts_at(&config->supply, module, load, ret->count, m) : (double)NAN,
            .least_volts = module[m].min_volts,
            .pump_amps = module[m].pump_amps,
            .circulation_amps = module[m].circulation_amps };
    }
}

static void say_value(struct text *t, double value, const char *unit)
{
    text_add_real(t, value, 2);
    text_add(t, unit);
}

static bool odd_amps(const struct core *core, uint32_t chain, struct text *why)
{
    const struct core_chain *c = &core->chain[chain];
    if (!c->beat.has_amps) return false;
    const double due = amps_due(core, chain), amps = c->beat.amps;
    const double apart = fabs(amps - due);
    if (apart <= AMPS_APART || apart <= AMPS_APART_SHARE * due) return false;
    text_add(why, "it draws ");
    say_value(why, amps, " A where ");
    say_value(why, due, " A are due. ");
    text_add(why,
        amps > due ? "Look for a motor that jams or runs on, for anything else on the cable, and "
                     "at the currents in the configuration"
                   : "Look for a motor or a module without power, and at the currents in the "
                     "configuration");
    return true;
}

static bool odd_volts(const struct core *core, uint32_t chain, struct text *why)
{
    const struct core_chain *c = &core->chain[chain];
    const struct chain_config *config = &core->site->chain[chain];
    const double should = config->supply.volts;
    if (c->beat.has_volts && fabs(c->beat.volts - should) > VOLTS_SHARE * should) {
        text_add(why, "its supply gives ");
        say_value(why, c->beat.volts, " V where ");
        say_value(why, should, " V are configured: look at the supply");
        return true;
    }
    for (uint32_t m = 0; m < c->roll.count; m++) {
        const struct chain_module *found = &c->roll.module[m];
        if (!found->has_volts || found->position == 0 || found->position > config->count) continue;
        const double least = config->module[found->position - 1].power.min_volts;
        if (found->volts >= least) continue;
        text_add(why, "module ");
        text_add(why, found->serial);
        text_add(why, " has ");
        say_value(why, found->volts, " V and needs ");
        say_value(why, least, " V: look at supply, cable and plugs");
        return true;
    }
    return false;
}

void core_watch_supply(struct core *core, uint32_t chain, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t, ": ");
    const bool odd =
        odd_volts(core, chain, &t) || (core_draw_known(core, chain) && odd_amps(core, chain, &t));
    if (odd && c->odd_beats < ODD_BEATS) c->odd_beats++;
    if (!odd && c->odd_beats > 0) c->odd_beats--;
    alert_name(id, "supply", core->site->chain[chain].key, NULL);
    if (odd && c->odd_beats == ODD_BEATS) alert_raise(core, id, -1, text, ret);
    if (c->odd_beats == 0) alert_clear(core, id, ret);
}
