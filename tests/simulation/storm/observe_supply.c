/* I13: what runs by command on a chain, summed up by the judge's own notes of supply and cable: in
 * whole microamperes and microvolts, so that what is written with decimals adds up. */
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

static int64_t micro(double value)
{
    return (int64_t)(value * 1e6 + (value < 0.0 ? -0.5 : 0.5));
}

static int32_t module_named(const struct rule_chain *rule, const char *serial)
{
    for (uint32_t m = 0; m < rule->count; m++) {
        if (strcmp(rule->module[m].serial, serial) == 0) return (int32_t)m;
    }
    return -1;
}

static int64_t drawn_ua(const struct rule_module *m, uint32_t outputs)
{
    int64_t sum_ua = micro(m->idle_amps);
    if (outputs & 1U) sum_ua += micro(m->flow_amps);
    for (outputs >>= 1; outputs; outputs &= outputs - 1) {
        sum_ua += micro(m->pump_amps);
    }
    return sum_ua;
}

/* The link in front of a module carries what it and all behind it draw. */
static void judge(struct observer *o, uint32_t chain, const char *id, int64_t at_ms)
{
    const struct rule_chain *rule = &o->site->chain[chain];
    int64_t carried_ua[OBSERVE_MODULES + 1] = { 0 };
    for (uint32_t m = rule->count; m-- > 0;) {
        carried_ua[m] = carried_ua[m + 1] + drawn_ua(&rule->module[m], o->chain[chain].pumps[m]);
    }
    if (carried_ua[0] > micro(rule->usable_amps))
        observe_say(o, "I13", at_ms, "with command %s chain %u draws %lld mA; %lld are usable", id,
            chain, (long long)carried_ua[0] / 1000, (long long)micro(rule->usable_amps) / 1000);
    double volts = rule->volts;
    for (uint32_t m = 0; m < rule->count; m++) {
        volts -= rule->module[m].ohm * (double)carried_ua[m] / 1e6;
        if (micro(volts) >= micro(rule->module[m].least_volts)) continue;
        observe_say(o, "I13", at_ms, "with command %s module %u of chain %u has %.2f V, needs %.2f",
            id, m + 1, chain, volts, rule->module[m].least_volts);
    }
}

void observe_supply_stops(struct observer *o, const struct fact_command *stop)
{
    const int32_t only = module_named(&o->site->chain[stop->chain], stop->serial);
    for (int32_t m = 0; m < OBSERVE_MODULES; m++) {
        if (stop->serial[0] && m != only) continue;
        o->chain[stop->chain].pumps[m] &= stop->channel > 0 ? ~(1U << stop->channel) : 0U;
    }
}

void observe_supply_runs(struct observer *o, const struct fact_run *run, bool begins, int64_t at_ms)
{
    const int32_t m = module_named(&o->site->chain[run->chain], run->serial);
    if (m < 0) return;
    struct chain_watch *w = &o->chain[run->chain];
    uint32_t *runs = &w->pumps[m];
    if (begins)
        w->began_ms[m][run->channel] = at_ms;
    else
        observe_need_run_ends(o, run, w->began_ms[m][run->channel], at_ms);
    *runs = begins ? *runs | 1U << run->channel : *runs & ~(1U << run->channel);
    if (begins) judge(o, run->chain, run->id, at_ms);
}
