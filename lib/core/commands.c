#include <math.h>
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/core/restore_line.h"
#include "lib/core/state.h"

uint64_t core_tag(const char *id)
{
    /* FNV-1a, 64 bits (G. Fowler, L. C. Noll, P. Vo; constants from memory): a name, not a secret.
     */
    uint64_t h = UINT64_C(14695981039346656037);
    for (; *id; id++) {
        h = (h ^ (unsigned char)*id) * UINT64_C(1099511628211);
    }
    return h ? h : 1;
}

int64_t core_head_up_ms(const struct core_chain *chain, struct now now)
{
    return chain->beat.up_ms + mono_since(now.mono, chain->beat_at);
}

/* A command with everything that every command of ours has. */
static void start_command(
    struct core *core, struct chain_command *c, uint32_t chain, struct now now)
{
    const struct core_chain *room = &core->chain[chain];
    memset(c, 0, sizeof *c);
    struct text id = text_over(c->id, sizeof c->id);
    text_add(&id, core->identity.by);
    text_add_char(&id, '-');
    text_add_int(&id, (int64_t)++core->next_id);
    core_know_command(core, chain, c->id);
    text_copy(c->by, sizeof c->by, core->identity.by);
    c->reign = room->claim.reign;
    text_copy(c->boot, sizeof c->boot, room->roll.boot);
    c->epoch = room->roll.epoch;
    c->until_ms = core_head_up_ms(room, now) + COMMAND_START_MS;
}

static void record_address(
    struct record *r, const struct core *core, const struct chain_address *a, const char *serial)
{
    record_add_text(r, "chain", core->site->chain[a->chain].key);
    record_add_int(r, "position", a->position);
    record_add_int(r, "channel", a->channel);
    record_add_text(r, "serial", serial);
}

/* The numbers that led to the dose. */
static void record_reasons(
    struct record *r, const struct core *core, uint32_t tank, enum law_stock stock, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    const struct crop_target set = core_setpoint(core, tank, now);
    const struct law_why *why = &t->plan.why;
    record_add_text(r, "purpose", core_stock_word(stock));
    record_add_real(r, "ec_us_cm", why->ec_us_cm, 1);
    record_add_real(r, "ec_sd", why->ec_sd, 1);
    record_add_real(r, "ph", why->ph, 3);
    record_add_real(r, "ph_sd", why->ph_sd, 3);
    record_add_real(r, "degc", t->probe[PROBE_TEMPERATURE].value, 1);
    record_add_real(r, "set_ec_us_cm", set.ec_us_cm, 1);
    record_add_real(r, "set_ph", set.ph, 3);
    record_add_real(r, "gain", why->gain[stock], 3);
    record_add_real(r, "gain_sd", why->gain_sd[stock], 3);
    record_add_real(r, "mix_s", why->mix_s, 0);
}

/* It is on disk before the command leaves. */
static void record_dose(const struct core *core, uint32_t tank, const struct core_dose *dose,
    struct now now, struct actions *ret)
{
    const struct core_tank *t = &core->tank[tank];
    const struct site_pump *pump = &core->site->tank[tank].pump[dose->pump];
    struct record *r = emit_record(ret, "dose");
    record_add_text(r, "id", t->dose.id);
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_add_text(r, "stock", core->site->stock[pump->stock].key);
    record_address(r, core, &pump->address, pump->serial);
    record_add_int(r, "ul", dose->ul);
    if (t->dose.full_ul > dose->ul) record_add_int(r, "full_ul", t->dose.full_ul);
    record_add_int(r, "run_ms", t->dose.run_ms);
    record_add_int(r, "ends_ms", mono_since(t->dose.ends, now.mono));
    record_add_int(r, "ec_milli", dose->ec_milli);
    record_add_int(r, "ph_micro", dose->ph_micro);
    record_add_real(r, "ml_per_s", t->dose.ml_per_s, 6);
    core_record_head_clock(r, core, pump->address.chain, now);
    if (t->plan.errand == ERRAND_NONE) {
        record_reasons(r, core, tank, dose->stock, now);
        return;
    }
    core_record_liquid(core, tank, dose->pump, r);
    record_add_text(r, "asked", core_errand_word(t->plan.errand));
    record_add_text(r, "into", t->care.bench ? "cup" : "tank");
}

/* What the chain is told. */
static struct chain_command command_of_dose(
    struct core *core, uint32_t tank, const struct core_dose *dose, struct now now)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct site_pump *pump = &config->pump[dose->pump];
    const struct core_tank *t = &core->tank[tank];
    struct chain_command c;
    start_command(core, &c, pump->address.chain, now);
    c.action = CHAIN_DOSE;
    c.position = pump->address.position;
    text_copy(c.serial, sizeof c.serial, pump->serial);
    c.channel = pump->address.channel;
    c.run_ms = nearest(floor((double)dose->ul / core_counted_rate(pump, t->plan.errand)));
    c.ul = dose->ul;
    if (!t->care.bench && pump->address.chain == config->circulation.address.chain) {
        c.needs.position = config->circulation.address.position;
        text_copy(c.needs.serial, sizeof c.needs.serial, config->circulation.serial);
    }
    return c;
}

/* What the core remembers of it until its outcome is known: how much it may turn out to be, and how
 * long it may run, where only a message ends a plain output. */
static void remember_dose(struct core *core, uint32_t tank, const struct core_dose *dose,
    const struct chain_command *c, struct now now)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[dose->pump];
    struct core_tank *t = &core->tank[tank];
    const double ml_per_s = core_counted_rate(pump, t->plan.errand);
    const int64_t full_ul = site_full_ul(core->site, pump, ml_per_s);
    const int64_t most_ms = full_ul > 0 ? site_plain(core->site, &pump->address)->auto_off_ms : 0;
    const int64_t ends_ms = COMMAND_START_MS + (most_ms > c->run_ms ? most_ms : c->run_ms);
    t->dose = (struct core_command){ .used = true,
        .pump = dose->pump,
        .ul = dose->ul,
        .full_ul = full_ul > dose->ul ? full_ul : dose->ul,
        .run_ms = c->run_ms,
        .ml_per_s = ml_per_s,
        .asked = now.mono,
        .ends = mono_after(now.mono, ends_ms) };
    text_copy(t->dose.id, sizeof t->dose.id, c->id);
    text_copy(t->dose.boot, sizeof t->dose.boot, c->boot);
    /* What a former run gave is no measure of this one. */
    if (t->plan.errand == ERRAND_RATE) t->pump[dose->pump].rate.waits_ms = 0;
}

/* All of it counts from now on: only an outcome gives some back. */
static void count_dose(
    struct core *core, uint32_t tank, const struct core_dose *dose, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const uint64_t tag = core_tag(t->dose.id);
    window_add(&t->pump[dose->pump].window,
        (struct window_entry){ t->dose.ends, t->dose.full_ul, tag }, now.mono);
    window_add(&t->ec_rise, (struct window_entry){ t->dose.ends, dose->ec_milli, tag }, now.mono);
    window_add(&t->ph_move, (struct window_entry){ t->dose.ends, dose->ph_micro, tag }, now.mono);
    core_draw_stock(core, core->site->tank[tank].pump[dose->pump].stock, dose->ul);
}

static void send_command(uint32_t chain, const struct chain_command *c, struct actions *ret)
{
    struct action *send = emit(ret, ACTION_SEND);
    send->chain = chain;
    send->command = *c;
}

void core_send_dose(struct core *core, uint32_t tank, const struct core_dose *dose, struct now now,
    struct actions *ret)
{
    const uint32_t chain = core->site->tank[tank].pump[dose->pump].address.chain;
    const struct core_tank *t = &core->tank[tank];
    INVARIANT(!t->dose.used && dose->ul > 0 && core->chain[chain].ours);
    /* Into a cup: then the circulation stands still, and nothing goes into the line. */
    INVARIANT(t->care.bench ? t->care.sent : t->circulation.confirmed);

    const struct chain_command c = command_of_dose(core, tank, dose, now);
    remember_dose(core, tank, dose, &c, now);
    count_dose(core, tank, dose, now);
    record_dose(core, tank, dose, now, ret);
    core->chain[chain].motor_at = now.mono;
    send_command(chain, &c, ret);
}

/* The one before was never answered. A head may take it yet, even after the next one. */
static void keep_lost(struct core_circulation *flow)
{
    const struct core_command *before = &flow->command;
    if (!before->used || before->running) return;
    if (!flow->lost || mono_since(before->ends, flow->lost_till) > 0)
        flow->lost_till = before->ends;
    flow->lost = true;
}

void core_send_circulate(
    struct core *core, uint32_t tank, int64_t run_ms, struct now now, struct actions *ret)
{
    const struct site_circulation *config = &core->site->tank[tank].circulation;
    struct core_circulation *flow = &core->tank[tank].circulation;
    INVARIANT(run_ms > 0 && core->chain[config->address.chain].ours);

    struct chain_command c;
    start_command(core, &c, config->address.chain, now);
    c.action = CHAIN_CIRCULATE;
    c.position = config->address.position;
    text_copy(c.serial, sizeof c.serial, config->serial);
    c.run_ms = run_ms;

    keep_lost(flow);
    flow->command = (struct core_command){ .used = true,
        .run_ms = run_ms,
        .asked = now.mono,
        .ends = mono_after(now.mono, COMMAND_START_MS + run_ms) };
    text_copy(flow->command.id, sizeof flow->command.id, c.id);

    struct record *r = emit_record(ret, "circulate");
    record_add_text(r, "id", c.id);
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_address(r, core, &config->address, config->serial);
    record_add_int(r, "run_ms", run_ms);

    if (!flow->on) core->chain[config->address.chain].motor_at = now.mono;
    send_command(config->address.chain, &c, ret);
}

/* A stop leaves first and is recorded after. */
void core_send_stop(struct core *core, const struct chain_address *a, const char *serial,
    struct now now, struct actions *ret)
{
    struct action *stop = emit(ret, ACTION_STOP);
    stop->chain = a->chain;
    start_command(core, &stop->command, a->chain, now);
    stop->command.action = CHAIN_STOP;
    text_copy(stop->command.serial, sizeof stop->command.serial, serial);
    stop->command.channel = a->channel;

    struct record *r = emit_record(ret, "stop");
    record_add_text(r, "id", stop->command.id);
    record_address(r, core, a, serial);
}

/* A stop may get lost with the connection that carries it. */
static bool stop_due(struct core_command *c, struct now now)
{
    if (c->stop_sent && mono_since(now.mono, c->stop_at) < STOP_AGAIN_MS) return false;
    c->stop_sent = true;
    c->stop_at = now.mono;
    return true;
}

/* What nobody has heard of may run, or come yet: that is told once, as it may be for nothing. */
static bool flow_stop_due(struct core_circulation *flow, struct now now)
{
    const bool may_run = flow->command.used && !flow->command.stop_sent;
    return (flow->on || may_run) && stop_due(&flow->command, now);
}

/* To one that can't hear it nothing is said, and nothing recorded every few seconds. */
static bool reachable(const struct core *core, uint32_t chain)
{
    return core->link_up && core->chain[chain].has_beat;
}

void core_stop_tank(struct core *core, uint32_t tank, bool all, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    const struct site_tank *config = &core->site->tank[tank];
    const struct site_pump *pump = &config->pump[t->dose.pump];
    if (!core->active)
        return; /* whoever commands looks after its own: this may be another's dose */
    if (t->dose.used && reachable(core, pump->address.chain) && stop_due(&t->dose, now))
        core_send_stop(core, &pump->address, pump->serial, now, ret);
    if (!all || !reachable(core, tank_chain(core, tank))) return;
    if (!flow_stop_due(&t->circulation, now)) return;
    /* No channel: the whole module stops, its circulation with it. Another tank's pump on the same
     * module stops too; that is the safe side of a leak, and its dose is settled by the report. */
    const struct chain_address *flow = &config->circulation.address;
    core_send_stop(core, flow, config->circulation.serial, now, ret);
}

void core_send_halt(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct action *halt = emit(ret, ACTION_STOP);
    halt->chain = chain;
    start_command(core, &halt->command, chain, now);
    halt->command.action = CHAIN_HALT;
    core->chain[chain].halt_sent = now.mono;
    core->chain[chain].halt_pending = true;
    core->chain[chain].resume_owed = false;
}

void core_send_resume(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct chain_command c;
    start_command(core, &c, chain, now);
    c.action = CHAIN_RESUME;
    struct record *r = emit_record(ret, "resume");
    record_add_text(r, "id", c.id);
    record_add_text(r, "chain", core->site->chain[chain].key);
    send_command(chain, &c, ret);
    core->chain[chain].halt_pending = false;
    core->chain[chain].resume_owed = false;
    core->chain[chain].known.resume = core_tag(c.id);
}

/* Without a beat its clock isn't known, without a roll-call its boot. */
bool core_may_resume(const struct core_chain *chain)
{
    return chain->ours && chain->has_beat && chain->has_roll;
}

/* A head that can't be told yet is told once the chain is ours; not by a standby, which another
 * daemon's halt might never have reached. */
void core_release_chain(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const bool held = c->halt_pending || (c->has_beat && c->beat.halted);
    if (held && core_may_resume(c))
        core_send_resume(core, chain, now, ret);
    else
        c->resume_owed = (held || !c->has_beat) && !core->has_peer;
}

/* A tick is short, but it is liquid: it counts in the windows of the pump that it moves. */
static void count_tick(struct core *core, const struct chain_address *address, const char *id,
    struct now now, struct record *ret)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_tank *config = &core->site->tank[i];
        for (uint32_t p = 0; p < config->pump_count; p++) {
            if (!chain_address_same(&config->pump[p].address, address)) continue;
            const int64_t ul = site_tick_ul(&config->pump[p]);
            const struct mono ends = mono_after(now.mono, COMMAND_START_MS + IDENTIFY_RUN_MS);
            window_add(&core->tank[i].pump[p].window,
                (struct window_entry){ ends, ul, core_tag(id) }, now.mono);
            core_draw_stock(core, config->pump[p].stock, ul);
            upkeep_count_tube(core, i, p, IDENTIFY_RUN_MS, ul);
            core_pump_ran(core, i, p, ends);
            core_record_liquid(core, i, p, ret);
            core->tank[i].due = now.mono;
        }
    }
}

void core_send_identify(
    struct core *core, const struct chain_address *address, struct now now, struct actions *ret)
{
    struct chain_command c;
    start_command(core, &c, address->chain, now);
    c.action = CHAIN_IDENTIFY;
    c.position = address->position;
    const char *serial = chain_serial_at(&core->site->chain[address->chain], address->position);
    INVARIANT(serial);
    text_copy(c.serial, sizeof c.serial, serial);
    c.channel = address->channel;
    c.run_ms = IDENTIFY_RUN_MS;
    struct record *r = emit_record(ret, "identify");
    record_add_text(r, "id", c.id);
    record_address(r, core, address, c.serial);
    record_add_int(r, "run_ms", c.run_ms);
    count_tick(core, address, c.id, now, r);
    core->chain[address->chain].motor_at = now.mono;
    send_command(address->chain, &c, ret);
}
