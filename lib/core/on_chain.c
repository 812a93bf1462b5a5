#include <string.h>

#include "lib/base/text.h"
#include "lib/core/restore_line.h"
#include "lib/core/state.h"

static void wake_tanks_of(struct core *core, uint32_t chain, struct now now)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (tank_chain(core, i) == chain) core->tank[i].due = now.mono;
    }
}

static void on_head(struct core *core, uint32_t chain, bool ready, struct now now)
{
    struct core_chain *c = &core->chain[chain];
    c->head_ready = ready;
    if (!ready) c->has_beat = false; /* an old beat says nothing of the next start */
    wake_tanks_of(core, chain, now);
}

void core_look_at_roll(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const struct chain_config *config = &core->site->chain[chain];
    if (!c->has_roll) return;
    struct text why = text_over(c->mismatch, sizeof c->mismatch);
    c->matches = chain_roll_matches(config, &c->roll, &why);

    char id[ALERT_ID_MAX];
    alert_name(id, "roll-call", config->key, NULL);
    if (c->matches) {
        alert_clear(core, id, ret);
    } else {
        char text[ALERT_TEXT_MAX];
        struct text t = text_over(text, sizeof text);
        text_add(&t, "chain ");
        text_add(&t, config->key);
        text_add(&t, ": ");
        text_add(&t, c->mismatch);
        text_add(&t, ". No pump of this chain runs until the order is as it was, or somebody "
                     "adopts this one");
        alert_raise(core, id, -1, text, ret);
    }
    wake_tanks_of(core, chain, now);
}

static void on_roll(struct core *core, uint32_t chain, const struct chain_roll *roll,
    struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const struct chain_config *config = &core->site->chain[chain];
    /* It may have done so while the link was down: the last roll-call of before is kept. */
    const bool rebooted = c->roll.boot[0] && !text_same(c->roll.boot, roll->boot);
    c->roll = *roll;
    c->has_roll = true;
    if (c->has_beat && !text_same(c->beat.boot, roll->boot)) c->has_beat = false;
    core_look_at_roll(core, chain, now, ret);
    if (rebooted) {
        struct record *r = emit_record(ret, "head-restart");
        record_add_text(r, "chain", config->key);
        record_add_text(r, "head_boot", roll->boot);
        for (uint32_t i = 0; i < core->site->tank_count; i++) { /* every output is off now */
            if (tank_chain(core, i) != chain) continue;
            struct core_circulation *flow = &core->tank[i].circulation;
            flow->command.used = flow->lost = flow->may_run = false;
            core_end_circulation(core, i, now);
        }
    }
    wake_tanks_of(core, chain, now);
}

/* What was refused under a halt says nothing of the time after it. */
static void forget_failures(struct core *core, uint32_t chain, struct now now)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (tank_chain(core, i) != chain) continue;
        core->tank[i].not_before = now.mono;
        core->tank[i].failures = 0;
    }
}

static void on_beat(struct core *core, uint32_t chain, const struct chain_beat *beat,
    struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const bool first = !c->has_beat;
    const bool turned = c->has_beat && c->beat.halted != beat->halted;
    c->beat = *beat;
    c->beat_at = now.mono;
    c->has_beat = true;
    core_trust_amps(core, chain, now);
    core_watch_supply(core, chain, ret);
    if (beat->halted)
        c->halt_pending = false;
    else if (!c->halt_pending)
        c->resume_owed = false; /* somebody else has ended it */
    c->due = now.mono;
    if (turned && !beat->halted) forget_failures(core, chain, now);
    if (first || turned) wake_tanks_of(core, chain, now);
    if (first) core_compare_head_clock(core, chain, now, ret);
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct core_tank *t = &core->tank[i];
        if (tank_chain(core, i) != chain) continue;
        if (t->circulation.on) core_confirm_circulation(core, i, now); /* also while it doses */
        if (t->step == STEP_CIRCULATE) t->due = now.mono;
    }
    core_watch_rest(core, chain, now, ret);
}

static void on_ledger(struct core *core, uint32_t chain, const struct chain_ledger *ledger,
    struct now now, struct actions *ret)
{
    core->chain[chain].ledger_seen = true;
    core_see_listed(core, chain, ledger);
    core_miss_records(core, chain, ledger, now, ret);
    for (uint32_t i = ledger->count; i-- > 0;) {
        core_settle_report(core, chain, &ledger->entry[i], now, ret);
    }
    wake_tanks_of(core, chain, now);
}

/* --- hands on the switch ---------------------------------------------------------------------- */

static struct core_total *find_total(struct core_chain *c, const char *serial, uint32_t channel)
{
    for (uint32_t i = 0; i < c->total_count; i++) {
        struct core_total *t = &c->total[i];
        if (t->channel == channel && text_same(t->serial, serial)) return t;
    }
    return NULL;
}

static bool is_configured(const struct chain_config *config, const char *serial)
{
    for (uint32_t m = 0; m < config->count; m++) {
        if (text_same(config->module[m].serial, serial)) return true;
    }
    return false;
}

/* Where there is no room, one of a module that has gone makes way: should it come back, all that it
 * ever ran counts as new. */
static struct core_total *room_for_total(struct core_chain *c, const struct chain_config *config)
{
    if (c->total_count < CHAIN_TOTALS_MAX) return &c->total[c->total_count++];
    for (uint32_t i = 0; i < c->total_count; i++) {
        if (!is_configured(config, c->total[i].serial)) return &c->total[i];
    }
    return NULL;
}

const struct core_total *core_known_total(
    struct core *core, uint32_t chain, const char *serial, uint32_t channel)
{
    return find_total(&core->chain[chain], serial, channel);
}

struct core_total *core_total_of(
    struct core *core, uint32_t chain, const char *serial, uint32_t channel)
{
    struct core_chain *c = &core->chain[chain];
    struct core_total *t = find_total(c, serial, channel);
    if (t) return t;
    t = room_for_total(c, &core->site->chain[chain]);
    if (!t) return NULL;
    *t = (struct core_total){ .channel = channel };
    text_copy(t->serial, sizeof t->serial, serial);
    return t;
}

/* A run that nobody commanded counts against the limits, too, and leaves its stock in the line. */
static void count_beside(struct core *core, uint32_t tank, uint32_t p, int64_t ms, struct now now)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[p];
    const int64_t ul = nearest((double)ms * pump->ml_per_s);
    window_add(
        &core->tank[tank].pump[p].window, (struct window_entry){ now.mono, ul, 0 }, now.mono);
    core_draw_stock(core, pump->stock, ul);
    upkeep_count_tube(core, tank, p, ms, ul);
    core_pump_ran(core, tank, p, now.mono);
    core_tell_law(core, tank, p, ul, false, now.mono);
}

bool core_count_beside(
    struct core *core, const struct core_run *run, struct now now, struct record *ret)
{
    bool known = false;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        for (uint32_t p = 0; p < core->site->tank[i].pump_count; p++) {
            const struct site_pump *pump = &core->site->tank[i].pump[p];
            const struct chain_address *a = &pump->address;
            if (a->chain != run->chain || a->channel != run->channel) continue;
            if (!text_same(pump->serial, run->serial)) continue;
            known = true;
            count_beside(core, i, p, run->ms, now);
            record_add_text(ret, "tank", core->site->tank[i].key);
            record_add_text(ret, "stock", core->site->stock[pump->stock].key);
            record_add_int(ret, "ul", nearest((double)run->ms * pump->ml_per_s));
            core_record_liquid(core, i, p, ret);
        }
    }
    return known;
}

static void hand_moved(struct core *core, uint32_t chain, const struct core_total *total,
    int64_t ms, struct now now, struct actions *ret)
{
    struct record *r = emit_record(ret, "hand");
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_text(r, "serial", total->serial);
    record_add_int(r, "channel", total->channel);
    record_add_int(r, "ms", ms);
    record_add_int(r, "total_ms", total->ms);
    if (total->channel == CHAIN_CIRCULATION_CHANNEL) {
        upkeep_count_circulation_by_hand(core, chain, total->serial, ms);
        return;
    }
    const struct core_run run = { chain, total->serial, total->channel, ms };
    if (core_count_beside(core, &run, now, r)) return;
    struct core_gone gone = { .channel = total->channel, .ends = now.mono, .ms = ms };
    (void)text_copy(gone.serial, sizeof gone.serial, total->serial);
    core_note_gone(core, &gone, now.mono);
}

/* Counting starts there: what was run before isn't this journal's. */
static void record_base(struct core *core, uint32_t chain, const struct core_total *total,
    int64_t from_ms, struct actions *ret)
{
    struct record *r = emit_record(ret, "hand-base");
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_text(r, "serial", total->serial);
    record_add_int(r, "channel", total->channel);
    record_add_int(r, "total_ms", from_ms);
}

/* A head keeps its highest reign and its totals of runs by hand for life: one whose reign is lower
 * than it was is another one, or has lost both. All that it has counted is new, also what was taken
 * for old when its totals came before its claim. */
static void forget_totals(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const bool heard =
        c->manual_boot[0] && (!c->has_roll || text_same(c->manual_boot, c->roll.boot));
    for (uint32_t i = 0; i < c->total_count; i++) {
        struct core_total *total = &c->total[i];
        if (heard && total->before_ms > 0) {
            hand_moved(core, chain, total, total->before_ms, now, ret);
        } else if (!heard && total->ms > 0) {
            total->ms = 0;
            record_base(core, chain, total, 0, ret);
        }
        total->before_ms = 0;
    }
}

/* How long the output has been running by hand without a break, as far as this message tells. */
static int64_t runs_since_ms(const struct chain_manual *manual, uint32_t i)
{
    const int64_t total_ms = manual->total[i].ms;
    if (!manual->running || manual->channel != manual->total[i].channel) return 0;
    if (!text_same(manual->serial, manual->total[i].serial)) return 0;
    return manual->ran_ms < total_ms ? manual->ran_ms : total_ms;
}

static void take_total(struct core *core, uint32_t chain, const struct chain_manual *manual,
    uint32_t i, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const char *serial = manual->total[i].serial;
    const uint32_t channel = manual->total[i].channel;
    const int64_t total_ms = manual->total[i].ms;
    const bool starts = !c->has_totals && !find_total(c, serial, channel);
    struct core_total *total = core_total_of(core, chain, serial, channel);
    if (!total) return;
    int64_t from_ms = starts ? total_ms - runs_since_ms(manual, i) : total->ms;
    const bool lost = from_ms > total_ms; /* the head's memory: all that it has now is new */
    if (lost) from_ms = total->before_ms = 0;
    total->ms = total_ms;
    if (starts ? from_ms > 0 : lost && total_ms == 0) record_base(core, chain, total, from_ms, ret);
    if (total_ms > from_ms) hand_moved(core, chain, total, total_ms - from_ms, now, ret);
}

static bool lists(const struct chain_manual *manual, const struct core_total *total)
{
    for (uint32_t i = 0; i < manual->count; i++) {
        if (manual->total[i].channel == total->channel &&
            text_same(manual->total[i].serial, total->serial))
            return true;
    }
    return false;
}

/* A head lists every output that it ever ran by hand: what it doesn't list it will count from
 * nothing. What finds no room in this step is looked at with the next message. */
static void drop_unlisted(
    struct core *core, uint32_t chain, const struct chain_manual *manual, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    for (uint32_t i = 0; i < c->total_count && ret->count < CHAIN_TOTALS_MAX; i++) {
        struct core_total *total = &c->total[i];
        if (total->ms == 0 || lists(manual, total)) continue;
        total->ms = total->before_ms = 0;
        record_base(core, chain, total, 0, ret);
    }
}

/* " (calcium, lettuce-wall)": whose output it is, by the configuration. */
static void add_whose(struct text *t, const struct site *site, const struct chain_manual *manual)
{
    for (uint32_t i = 0; i < site->tank_count; i++) {
        const struct site_tank *tank = &site->tank[i];
        const struct site_circulation *flow = &tank->circulation;
        const char *stock = NULL;
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            if (tank->pump[p].address.channel == manual->channel &&
                text_same(tank->pump[p].serial, manual->serial))
                stock = site->stock[tank->pump[p].stock].key;
        }
        const bool flows =
            flow->address.channel == manual->channel && text_same(flow->serial, manual->serial);
        if (!stock && !flows) continue;
        text_add(t, " (");
        text_add(t, stock ? stock : "circulation");
        text_add(t, ", ");
        text_add(t, tank->key);
        text_add_char(t, ')');
        return;
    }
}

/* Which output runs by hand, as an alert while it does. */
static void tell_hand(
    struct core *core, uint32_t chain, const struct chain_manual *manual, struct actions *ret)
{
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    alert_name(id, "hand", core->site->chain[chain].key, NULL);
    if (!manual->running) {
        alert_clear(core, id, ret);
        return;
    }
    const bool plain = core->site->chain[chain].plain;
    text_add(&t, plain ? "a plain output of tank " : "an output of module ");
    text_add(&t, plain ? core->site->chain[chain].key : manual->serial);
    add_whose(&t, core->site, manual);
    text_add(&t, plain ? " reports that it is on, and this daemon hasn't switched it on"
                       : " is switched on by hand");
    text_add(&t, "; it counts against the limits: switch it off when you are done");
    alert_raise(core, id, -1, text, ret);
}

/* Each output gives a record at most, one of them two, and there may be an alert. */
_Static_assert(CHAIN_TOTALS_MAX + 8 <= ACTIONS_MAX, "a message's totals fit into one step");

static void on_manual(struct core *core, uint32_t chain, const struct chain_manual *manual,
    struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    if (text_same(manual->boot, c->manual_boot) && manual->n < c->manual_n) return; /* overtaken */
    for (uint32_t i = 0; i < c->total_count && !text_same(manual->boot, c->manual_boot); i++) {
        c->total[i].before_ms = c->total[i].ms;
    }
    text_copy(c->manual_boot, sizeof c->manual_boot, manual->boot);
    c->manual_n = manual->n;
    for (uint32_t i = 0; i < manual->count; i++) {
        take_total(core, chain, manual, i, now, ret);
    }
    drop_unlisted(core, chain, manual, ret);
    /* With nothing to count from, that too is told: what is run later is no base. */
    if (!c->has_totals && ret->count == 0)
        record_add_text(emit_record(ret, "hand-base"), "chain", core->site->chain[chain].key);
    c->has_totals = true;
    if (c->hand_running != manual->running || !text_same(c->hand_serial, manual->serial) ||
        c->hand_channel != manual->channel)
        c->hand_at = now.mono;
    c->hand_running = manual->running;
    text_copy(c->hand_serial, sizeof c->hand_serial, manual->serial);
    c->hand_channel = manual->channel;
    tell_hand(core, chain, manual, ret);
    wake_tanks_of(core, chain, now);
}

/* --- who commands it -------------------------------------------------------------------------- */

static void lost_claim(struct core *core, uint32_t chain, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    c->deposed = true;
    c->held = false;
    c->resume_owed = false;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    alert_name(id, "taken-over", core->site->chain[chain].key, NULL);
    struct text t = text_over(text, sizeof text);
    text_add(&t, "chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t, ": another daemon (");
    text_add(&t, c->claim.by);
    text_add(&t, ") commands it now; this one stands by until somebody asks it to claim");
    alert_raise(core, id, -1, text, ret);
}

static bool commands_any(const struct core *core)
{
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (!core->site->chain[c].plain && core->chain[c].ours) return true;
    }
    return false;
}

/* Two that started together have got a part of the chains each: a person is told, and decides. */
static void tell_split(struct core *core, struct actions *ret)
{
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (core->chain[c].beaten && !core->chain[c].deposed) lost_claim(core, c, ret);
    }
}

/* With no chain left to command, the site's device belongs to the other daemon. */
static void stand_by(struct core *core, struct now now, struct actions *ret)
{
    if (commands_any(core)) tell_split(core, ret);
    if (!core->active || !core_site_is_anothers(core)) return;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        core->chain[c].beaten = false; /* one that stands by is no rival */
    }
    core->active = false;
    core_lose_link(core, now);
    (void)emit(ret, ACTION_STAND_BY);
}

void core_on_owner(struct core *core, const struct event *e, struct now now, struct actions *ret)
{
    bool beaten = false;
    for (uint32_t i = 0; i < core->site->chain_count; i++) {
        struct core_chain *c = &core->chain[i];
        if (!c->has_claim || !text_same(c->claim.by, e->peer.by)) continue;
        c->owner_at = now.mono;
        if (!e->peer.same_site || !core->active || c->claim_now) continue;
        c->beaten = beaten = true;
    }
    if (beaten) stand_by(core, now, ret);
}

static void on_claim(struct core *core, uint32_t chain, const struct chain_claim *claim,
    struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const bool was_ours = c->ours;
    if (claim->reign < c->former.reign || claim->reign < c->seen_reign) {
        forget_totals(core, chain, now, ret);
        /* What ran at the old one after this journal's last word is lost with it. */
        if (!c->held) c->other_seen = true;
    }
    c->claim = *claim;
    c->has_claim = true;
    c->ours = text_same(claim->by, core->identity.by) && claim->reign == c->asked_reign;
    const bool mine = c->ours || text_same(claim->by, core->identity.by);
    if (c->held && !mine && claim->by[0]) lost_claim(core, chain, ret);
    c->beaten = false; /* until its owner's next beat */
    if (!was_ours && c->ours) {
        char id[ALERT_ID_MAX];
        alert_name(id, "taken-over", core->site->chain[chain].key, NULL);
        alert_clear(core, id, ret);
        core_doubt_amps(core, chain, now); /* the head has stopped what the former owner ran */
        c->former = *claim;
        c->seen_reign = 0;
        c->held = true;
        c->deposed = false;
        struct record *r = emit_record(ret, "reign");
        record_add_text(r, "chain", core->site->chain[chain].key);
        record_add_text(r, "by", claim->by);
        record_add_int(r, "reign", claim->reign);
        core_follow_claimed(core, chain, now, ret);
    }
    c->due = now.mono;
    wake_tanks_of(core, chain, now);
    stand_by(core, now, ret);
}

void core_on_chain(
    struct core *core, const struct event *event, struct now now, struct actions *ret)
{
    const uint32_t chain = event->chain;
    switch (event->kind) {
    case EVENT_HEAD:
        on_head(core, chain, event->head_ready, now);
        break;
    case EVENT_ROLL:
        on_roll(core, chain, &event->roll, now, ret);
        break;
    case EVENT_BEAT:
        on_beat(core, chain, &event->beat, now, ret);
        break;
    case EVENT_CLAIM:
        on_claim(core, chain, &event->claim, now, ret);
        break;
    case EVENT_REPORT:
        core_settle_report(core, chain, &event->report, now, ret);
        break;
    case EVENT_LEDGER:
        on_ledger(core, chain, &event->ledger, now, ret);
        break;
    case EVENT_MANUAL:
        on_manual(core, chain, &event->manual, now, ret);
        break;
    case EVENT_TICK:
    case EVENT_LINK:
    case EVENT_READING:
    case EVENT_BOARD:
    case EVENT_PEER_BEAT:
    case EVENT_ENTRY:
    case EVENT_TIP:
    case EVENT_REQUEST:
    case EVENT_UNSENT:
    case EVENT_JOURNAL:
    case EVENT_ZONES:
        break;
    }
}
