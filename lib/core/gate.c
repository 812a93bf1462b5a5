#include <math.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

/* --- the chain -------------------------------------------------------------------------------- */

/* What a chain lacks to be commanded, in the order in which it is looked at. */
enum lack {
    LACKS_NOTHING,
    LACKS_LINK,
    LACKS_QUIET,
    LACKS_PEACE,
    LACKS_HEAD,
    LACKS_ROLL,
    LACKS_ORDER,
    LACKS_CLAIM,
    LACKS_OWNING,
    LACKS_BEAT,
    LACKS_LIFE,
    LACKS_WORD,
    LACKS_RELEASE,
};

static enum lack chain_lacks(const struct core *core, uint32_t chain, struct now now)
{
    const struct core_chain *c = &core->chain[chain];
    if (!core->link_up) return LACKS_LINK;
    if (core->site->chain[chain].plain && core_boards_contested(core, now)) return LACKS_PEACE;
    if (core->site->chain[chain].plain && core_boards_listen(core, now)) return LACKS_QUIET;
    if (!c->head_ready) return LACKS_HEAD;
    if (!c->has_roll) return LACKS_ROLL;
    if (!c->matches) return LACKS_ORDER;
    if (!c->has_claim) return LACKS_CLAIM;
    if (!c->ours) return LACKS_OWNING;
    if (!c->has_beat || !text_same(c->beat.boot, c->roll.boot)) return LACKS_BEAT;
    if (mono_since(now.mono, c->beat_at) >= 3 * c->roll.beat_ms) return LACKS_LIFE;
    if (core->site->chain[chain].plain && core_halt_untold(core, now)) return LACKS_WORD;
    return c->beat.halted ? LACKS_RELEASE : LACKS_NOTHING;
}

static const char *lack_words(const struct core_chain *c, enum lack lack)
{
    static const char *const words[] = {
        [LACKS_NOTHING] = "",
        [LACKS_LINK] = "the broker doesn't answer",
        [LACKS_QUIET] = "listening whether another daemon serves this site",
        [LACKS_PEACE] = "another daemon serves this site, too: stop one of them",
        [LACKS_HEAD] = "its head isn't there",
        [LACKS_ROLL] = "its head hasn't sent a roll-call",
        [LACKS_ORDER] = "",
        [LACKS_CLAIM] = "its head hasn't said who commands it",
        [LACKS_OWNING] = "not claimed yet",
        [LACKS_BEAT] = "waiting for its head's heartbeat",
        [LACKS_LIFE] = "its head's heartbeat has stopped",
        [LACKS_WORD] = "waiting for all heads: one may tell of a halt that the journal has lost",
        [LACKS_RELEASE] = "its head is halted; 'release' ends it, or the head's own switch",
    };
    if (lack == LACKS_ORDER) return c->mismatch;
    if (lack == LACKS_OWNING && c->deposed) return "another daemon has taken it over";
    return words[lack];
}

bool core_chain_ready(const struct core *core, uint32_t chain, struct now now, struct text *why)
{
    const enum lack lack = chain_lacks(core, chain, now);
    if (lack == LACKS_NOTHING) return true;
    if (!why) return false;
    text_add(why, core->site->chain[chain].plain ? "plain outputs of " : "chain ");
    text_add(why, core->site->chain[chain].key);
    text_add(why, ": ");
    text_add(why, lack_words(&core->chain[chain], lack));
    return false;
}

bool core_motor_may_start(const struct core *core, uint32_t chain, struct now now)
{
    return mono_since(now.mono, core->chain[chain].motor_at) >= MOTORS_APART_MS;
}

static bool carries(const struct core *core, uint32_t chain, const struct supply_load *load)
{
    const struct chain_config *config = &core->site->chain[chain];
    struct supply_module module[CHAIN_MODULES_MAX];
    for (uint32_t m = 0; m < config->count; m++) {
        module[m] = config->module[m].power;
    }
    return supply_allows(&config->supply, module, load, config->count);
}

static void add_circulations(
    const struct core *core, uint32_t chain, struct supply_load load[CHAIN_MODULES_MAX])
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct chain_address *flow = &core->site->tank[i].circulation.address;
        if (core_may_circulate(core, i) && flow->chain == chain)
            load[flow->position - 1].circulation = true;
    }
}

static void add_doses(
    const struct core *core, uint32_t chain, struct supply_load load[CHAIN_MODULES_MAX])
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_tank *t = &core->tank[i];
        const struct chain_address *pump = &core->site->tank[i].pump[t->dose.pump].address;
        if (t->dose.used && pump->chain == chain) load[pump->position - 1].pumps++;
    }
}

/* Tanks that circulate want their pumps next, one at a time. Where none of them would fit beside
 * this circulation too, all would wait for each other for ever. */
static bool leaves_room_for_pumps(const struct core *core, const struct chain_address *begins)
{
    struct supply_load load[CHAIN_MODULES_MAX] = { { 0 } };
    add_circulations(core, begins->chain, load);
    load[begins->position - 1].circulation = true;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_tank *tank = &core->site->tank[i];
        const bool is_it = chain_address_same(&tank->circulation.address, begins);
        if (!is_it && !core_may_circulate(core, i)) continue;
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            const struct chain_address *pump = &tank->pump[p].address;
            if (pump->chain != begins->chain) continue;
            load[pump->position - 1].pumps++;
            const bool fits = carries(core, begins->chain, load);
            load[pump->position - 1].pumps--;
            if (!fits) return false;
        }
    }
    return true;
}

bool core_supply_allows(
    const struct core *core, const struct chain_address *address, bool circulation)
{
    struct supply_load load[CHAIN_MODULES_MAX] = { { 0 } };
    add_circulations(core, address->chain, load);
    add_doses(core, address->chain, load);
    if (circulation)
        load[address->position - 1].circulation = true;
    else
        load[address->position - 1].pumps++;
    return carries(core, address->chain, load) &&
           (!circulation || leaves_room_for_pumps(core, address));
}

/* --- what may move at all --------------------------------------------------------------------- */

static bool leak_dry(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const struct probe_config *config = &core->site->tank[tank].probe[PROBE_LEAK];
    if (!config->present) return true;
    const struct probe *p = &t->probe[PROBE_LEAK];
    const enum probe_quality quality = probe_quality_at(p, config, now.mono);
    if (quality != PROBE_GOOD)
        return core_say(
            t, TANK_INTERLOCKED, "the leak probe gives no reading: a dead probe isn't a dry floor");
    if ((p->value >= 0.5) != config->safe)
        return core_say(t, TANK_INTERLOCKED,
            "the leak probe reports water: look for the leak, then it goes on by itself");
    return true;
}

static bool level_holds(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const struct site_tank *config = &core->site->tank[tank];
    if (!config->has_level_min) return true;
    const struct probe *p = &t->probe[PROBE_LEVEL];
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    if (probe_quality_at(p, &config->probe[PROBE_LEVEL], now.mono) != PROBE_GOOD) {
        text_add(&text, "the level probe can't be used: ");
        probe_explain(&text, p, &config->probe[PROBE_LEVEL], now.mono);
        return core_say(t, TANK_INTERLOCKED, why);
    }
    if (p->value >= config->level_min_percent) return true;
    text_add(&text, "the level is ");
    text_add_real(&text, p->value, 1);
    text_add(&text, " %, below the ");
    text_add_real(&text, config->level_min_percent, 0);
    text_add(&text, " % that dosing needs: top the tank up");
    return core_say(t, TANK_INTERLOCKED, why);
}

/* State and words are those of the chain that can't be commanded, and of what it lacks. */
static bool say_chain(struct core *core, uint32_t tank, uint32_t chain, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    (void)core_chain_ready(core, chain, now, &text);
    const enum lack lack = chain_lacks(core, chain, now);
    if (!core->active || (lack == LACKS_OWNING && core->chain[chain].deposed))
        return core_say(t, TANK_STANDBY, why);
    if (lack == LACKS_RELEASE) return core_say(t, TANK_HALTED, why);
    return core_say(t, lack == LACKS_ORDER ? TANK_LOCKED : TANK_WAITING, why);
}

static bool chains_ready(struct core *core, uint32_t tank, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    uint32_t chain = tank_chain(core, tank);
    for (uint32_t p = 0; chain_lacks(core, chain, now) == LACKS_NOTHING; p++) {
        if (p == config->pump_count) return true;
        chain = config->pump[p].address.chain;
    }
    return say_chain(core, tank, chain, now);
}

bool core_gate_site(struct core *core, uint32_t tank)
{
    struct core_tank *t = &core->tank[tank];
    if (core->halted)
        return core_say(
            t, TANK_HALTED, "everything is halted; 'release' (or site/halt false) ends it");
    if (!core->journal_ok) {
        char why[VIEW_WHY_MAX];
        struct text text = text_over(why, sizeof why);
        text_add(&text, "the journal can't be written: ");
        text_add(&text, core->journal_why);
        return core_say(t, TANK_LOCKED, why);
    }
    if (t->service)
        return core_say(t, TANK_LOCKED,
            "service lock: somebody works on this tank; nothing moves until they end it");
    if (!core_boards_obey(core, tank)) return false;
    if (!core->active && core->has_peer)
        return core_say(t, TANK_STANDBY, "another daemon serves this site; this one stands by");
    return true;
}

bool core_gate_move(struct core *core, uint32_t tank, struct now now)
{
    if (!core_gate_site(core, tank)) return false;
    if (core->tank[tank].care.bench)
        return core_say(&core->tank[tank], TANK_PAUSED, "the tank is on the bench");
    return chains_ready(core, tank, now) && leak_dry(core, tank, now) &&
           level_holds(core, tank, now);
}

/* --- what a dose needs beside that ------------------------------------------------------------ */

static bool probe_usable(struct core *core, uint32_t tank, enum probe_quantity q, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const struct probe_config *config = &core->site->tank[tank].probe[q];
    const struct probe *p = &t->probe[q];
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, "the ");
    text_add(&text, probe_quantity_word(q));
    text_add(&text, " probe ");
    if (!config->present) {
        text_add(&text, "isn't configured; a dose needs EC, pH and temperature");
        return core_say(t, TANK_LOCKED, why);
    }
    if (!config->calibrated) {
        text_add(&text, "isn't calibrated, so nothing is dosed on it: give its calibration, or its "
                        "'calibrated' date");
        return core_say(t, TANK_LOCKED, why);
    }
    if (t->upkeep.dry && q != PROBE_TEMPERATURE)
        return core_say(t, TANK_INTERLOCKED,
            "the EC probe reads less than any water of this tank: are the probes in the water?");
    const enum probe_quality quality = probe_quality_at(p, config, now.mono);
    if (quality == PROBE_GOOD) return true;
    text_add(&text, "can't be used: ");
    probe_explain(&text, p, config, now.mono);
    return core_say(t, quality == PROBE_FAULTY ? TANK_INTERLOCKED : TANK_WAITING, why);
}

static bool temperature_fits(struct core *core, uint32_t tank)
{
    struct core_tank *t = &core->tank[tank];
    const struct crop_envelope *e = &core->site->tank[tank].envelope;
    const double degc = t->probe[PROBE_TEMPERATURE].value;
    if (degc >= e->degc_least && degc <= e->degc_most) return true;
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    text_add(&text, "the water has ");
    text_add_real(&text, degc, 1);
    text_add(&text, " degrees C, outside the envelope of ");
    text_add_real(&text, e->degc_least, 0);
    text_add(&text, " to ");
    text_add_real(&text, e->degc_most, 0);
    return core_say(t, TANK_INTERLOCKED, why);
}

static bool hands_off(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const struct site_tank *config = &core->site->tank[tank];
    for (uint32_t i = 0; i <= config->pump_count; i++) {
        const bool last = i == config->pump_count;
        const struct chain_address *a =
            last ? &config->circulation.address : &config->pump[i].address;
        const char *serial = last ? config->circulation.serial : config->pump[i].serial;
        const struct core_chain *c = &core->chain[a->chain];
        if (!c->hand_running || c->hand_channel != a->channel) continue;
        if (!text_same(c->hand_serial, serial)) continue;
        t->mix_owed = true;
        t->pumped_at = now.mono;
        return core_say(t, TANK_WAITING,
            "a pump of this tank is run by the switch on its module: switch it off");
    }
    return true;
}

static bool nothing_else_runs(struct core *core, uint32_t tank, struct now now)
{
    return hands_off(core, tank, now) && core_pumps_rest(core, tank);
}

static bool may_dose(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    if (now.clock == CLOCK_UNSET)
        return core_say(t, TANK_WAITING, "the clock isn't set, so the crop's day is unknown");
    if (!core_crop_now(core, tank, now).planted)
        return core_say(
            t, TANK_WAITING, "the planting date hasn't come: nothing is dosed before it");
    return probe_usable(core, tank, PROBE_TEMPERATURE, now) &&
           probe_usable(core, tank, PROBE_EC, now) && probe_usable(core, tank, PROBE_PH, now) &&
           temperature_fits(core, tank) && nothing_else_runs(core, tank, now);
}

/* Whoever doesn't command the circulation doesn't know whether it stands still. */
bool core_gate_cup(struct core *core, uint32_t tank, uint32_t pump, struct now now)
{
    const uint32_t chain = core->site->tank[tank].pump[pump].address.chain;
    const uint32_t flow = tank_chain(core, tank);
    if (!core_gate_site(core, tank)) return false;
    if (!core_chain_ready(core, chain, now, NULL)) return say_chain(core, tank, chain, now);
    if (!core_chain_ready(core, flow, now, NULL)) return say_chain(core, tank, flow, now);
    return leak_dry(core, tank, now) && nothing_else_runs(core, tank, now);
}

bool core_gate_flow(struct core *core, uint32_t tank, struct now now)
{
    const uint32_t chain = tank_chain(core, tank);
    if (!core_gate_site(core, tank)) return false;
    if (!core_chain_ready(core, chain, now, NULL)) return say_chain(core, tank, chain, now);
    return leak_dry(core, tank, now) && level_holds(core, tank, now) &&
           nothing_else_runs(core, tank, now);
}

bool core_gate_errand(struct core *core, uint32_t tank, enum core_errand errand, struct now now)
{
    return errand == ERRAND_DOSE ? may_dose(core, tank, now) : nothing_else_runs(core, tank, now);
}

/* What paused it may be gone, and can't end that any more. */
static bool say_paused(struct core *core, uint32_t tank)
{
    struct core_tank *t = &core->tank[tank];
    char why[VIEW_WHY_MAX];
    struct text text = text_over(why, sizeof why);
    if (!t->paused_for[0])
        return core_say(t, TANK_PAUSED, "paused; 'unpause' (or dosing/paused false) ends it");
    text_add(&text, "paused for ");
    text_add(&text, t->paused_for);
    text_add(&text, "; if nobody is at that any more, 'dosewright unpause ");
    text_add(&text, core->site->tank[tank].key);
    text_add(&text, "' (or dosing/paused false) ends it");
    return core_say(t, TANK_PAUSED, why);
}

bool core_gate_dose(struct core *core, uint32_t tank, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    if (t->paused) return say_paused(core, tank);
    return may_dose(core, tank, now);
}
