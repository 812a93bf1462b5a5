#include <math.h>
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/state.h"

struct answer {
    bool ok;
    const char *reason;
    const char *text;
};

static const struct answer DONE = { true, "done", "" };

/* The reason of an answer to an id that was answered before. */
static const char DUPLICATE[] = "duplicate";

struct outcome { /* of one request */
    struct answer answer;
    enum core_trust trust;
    bool was_halted; /* before it */
    bool acts, done; /* it was acted on; and well */
};

enum { REPLAY_MOST = 1000 }; /* records shown again for one request */

static const char *const request_words[REQUEST_COUNT] = { "halt", "pause", "service", "set-ec",
    "set-ph", "override-for", "acknowledge", "claim", "refilled", "identify", "adopt", "bench",
    "cancel", "dose", "prime", "circulate", "calibrate-pump", "measured", "calibrate-flow",
    "flow-measured", "calibrate-probe", "tube-changed", "strainer-cleaned", "water-changed",
    "journal", "unread" };

static struct answer halt(
    struct core *core, const struct event_request *q, struct now now, struct actions *ret)
{
    core_hear_halt(core, q->on);
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (q->on)
            core_send_halt(core, c, now, ret);
        else
            core_release_chain(core, c, now, ret);
    }
    core_wake_tanks(core, now);
    if (!q->on) {
        alert_clear(core, "halt-kept", ret);
        alert_clear(core, "halt-told", ret);
    } else if (q->origin.retained) {
        alert_raise(core, "halt-kept", -1,
            "a halt was acted on that the broker had kept, so it may be old. If nobody wants it, "
            "end it (dosewright release); and find out who sends it with the retained flag",
            ret);
    }
    return DONE;
}

/* "EC 1.20 mS/cm", "pH 5.80". */
static void say_setpoint(struct text *said, bool ec, double value)
{
    text_add(said, ec ? "EC " : "pH ");
    text_add_real(said, ec ? value / 1000.0 : value, 2);
    text_add(said, ec ? " mS/cm" : "");
}

static struct answer set_point(
    struct core *core, const struct event_request *q, struct now now, struct text *said)
{
    struct core_tank *t = &core->tank[q->tank];
    const struct crop_envelope *e = &core->site->tank[q->tank].envelope;
    const bool ec = q->kind == REQUEST_SET_EC;
    const double least = ec ? e->ec_least_us_cm : e->ph_least;
    const double most = ec ? e->ec_most_us_cm : e->ph_most;
    if (!(q->value >= least && q->value <= most)) {
        text_add(said, "the configuration's envelope goes from ");
        say_setpoint(said, ec, least);
        text_add(said, " to ");
        say_setpoint(said, ec, most);
        return (struct answer){ false, "out-of-envelope", said->at };
    }
    if (t->override_for_ms <= 0)
        return (
            struct answer){ false, "no-span", "overrides last no time here: override_max_h is 0" };
    crop_override_set(&t->override, ec, q->value, mono_after(now.mono, t->override_for_ms));
    say_setpoint(said, ec, q->value);
    text_add(said, " holds for ");
    text_add_span(said, t->override_for_ms);
    text_add(said, ", then the schedule again");
    return (struct answer){ true, "done", said->at };
}

static struct answer override_for(
    struct core *core, const struct event_request *q, struct text *said)
{
    struct core_tank *t = &core->tank[q->tank];
    const int64_t most_ms = core->site->tank[q->tank].override_most_ms;
    if (q->span_ms < 0 || q->span_ms > most_ms) {
        text_add(said, "an override lasts at most ");
        text_add_span(said, most_ms);
        text_add(said, " here (override_max_h)");
        return (struct answer){ false, "too-long", said->at };
    }
    if (q->span_ms == 0)
        t->override = (struct crop_override){ 0 };
    else
        t->override_for_ms = q->span_ms;
    return DONE;
}

/* An acknowledged alert lets dosing try again; one whose cause stands comes back by itself. */
static struct answer acknowledge(
    struct core *core, const struct event_request *q, struct now now, struct actions *ret)
{
    char id[ALERT_ID_MAX];
    uint32_t tank;
    enum law_stock stock;
    const bool effect = core_effect_alert(core, q->word, &tank, &stock);
    bool *stays_on = core_stays_on_alert(core, q->word);
    const bool stands = alert_stands(core, q->word);
    /* A lock ends by its alert's name also where so many stood that it found no room. */
    const bool locked = (effect && core->tank[tank].locked[stock]) || (stays_on && *stays_on);
    if (!stands && !locked)
        return (struct answer){ false, "no-such-alert",
            "no alert of that name stands; 'status' lists those that do" };
    if (stays_on) *stays_on = false;
    if (effect) {
        core->tank[tank].locked[stock] = false;
        core->tank[tank].ask_law = true;
        law_acknowledge(&core->tank[tank].law, stock);
        core->tank[tank].due = now.mono;
    }
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        alert_name(id, "limits-unknown", core->site->chain[c].key, NULL);
        if (text_same(id, q->word)) core_know_limits(core, c, now.mono);
    }
    core_unmute(core, q->word, ret);
    core_trust_rest(core, q->word);
    alert_clear(core, q->word, ret);
    upkeep_quiet_for(core, q->word, now.mono);
    if (!stands) {
        struct record *r = emit_record(ret, "alert");
        record_add_text(r, "alert", q->word);
        record_add_truth(r, "on", false);
    }
    return DONE;
}

static struct answer claim(struct core *core, const struct event_request *q, struct now now)
{
    struct core_chain *c = &core->chain[q->chain];
    if (c->ours) return (struct answer){ true, "done", "this daemon commands it already" };
    c->claim_now = true;
    c->due = now.mono;
    return DONE;
}

/* Reminders whose cause has gone go at once. */
static void look_again(struct core *core, struct now now)
{
    core_wake_tanks(core, now);
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        core->tank[i].upkeep.due = now.mono;
    }
}

static struct answer refilled(
    struct core *core, const struct event_request *q, struct now now, struct text *said)
{
    const int64_t bottle_ul = core->site->stock[q->stock].bottle_ul;
    if (q->ul <= 0 || q->ul > bottle_ul) {
        text_add(said, "this bottle holds more than 0 and at most ");
        text_add_scaled(said, bottle_ul / 1000, 0);
        text_add(said, " mL (bottle_ml)");
        return (struct answer){ false, "out-of-range", said->at };
    }
    core->stock[q->stock].remaining_ul = q->ul;
    look_again(core, now);
    return DONE;
}

static struct answer tube_changed(struct core *core, const struct event_request *q, struct now now)
{
    const int32_t pump = site_pump_of(&core->site->tank[q->tank], q->stock);
    if (pump < 0)
        return (struct answer){ false, "no-such-pump", "no pump of this tank has that stock" };
    upkeep_tube_changed(core, q->tank, (uint32_t)pump, now);
    look_again(core, now);
    return DONE;
}

static struct answer strainer_cleaned(
    struct core *core, const struct event_request *q, struct now now)
{
    upkeep_strainer_cleaned(core, q->tank, now);
    look_again(core, now);
    return DONE;
}

static struct answer water_changed(
    struct core *core, const struct event_request *q, struct now now, struct text *said)
{
    const double volume_l = core->site->tank[q->tank].volume_l;
    if (q->ul < 0 || (double)q->ul > 1e6 * volume_l) {
        text_add(said, "this tank holds at most ");
        text_add_real(said, volume_l, 1);
        text_add(said, " L (volume_l)");
        return (struct answer){ false, "out-of-range", said->at };
    }
    upkeep_water_changed(core, q->tank, q->ul, now);
    look_again(core, now);
    return DONE;
}

/* Even a tick of a pump is liquid: limits and interlocks of its tank hold, and it doesn't meet what
 * the line still holds of another stock. */
static struct answer may_tick(struct core *core, uint32_t tank, uint32_t p, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    const struct site_pump *pump = &core->site->tank[tank].pump[p];
    if (!core_gate_move(core, tank, now))
        return (struct answer){ false, "not-ready",
            "nothing may move for the tank of this pump; 'status' says why" };
    if (t->dose.used || t->line_dirty)
        return (struct answer){ false, "busy",
            "the line of this pump's tank holds a stock: try again when it is flushed" };
    const int64_t tick_ul = site_tick_ul(pump), smallest_ul = pump->limits.smallest_ul;
    struct core_dose tick = {
        .pump = p, .stock = LAW_FEED, .ul = tick_ul > smallest_ul ? tick_ul : smallest_ul
    };
    if (!core_dose_fits(core, tank, &tick, now))
        return (struct answer){ false, "over-limit",
            "this pump's limits are used up; one tick would pass them" };
    (void)site_law_stock(&core->site->tank[tank], p, &tick.stock);
    if (!core_dose_fits(core, tank, &tick, now))
        return (struct answer){ false, "too-soon",
            "acid and base keep acid_base_spacing_min between them" };
    return DONE;
}

/* The pump that hangs there: DONE, or why it may not tick. */
static struct answer pump_ticks(
    struct core *core, const struct chain_address *address, struct now now)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_tank *config = &core->site->tank[i];
        for (uint32_t p = 0; p < config->pump_count; p++) {
            if (chain_address_same(&config->pump[p].address, address))
                return may_tick(core, i, p, now);
        }
    }
    if (address->channel == CHAIN_CIRCULATION_CHANNEL) return DONE;
    return (struct answer){ false, "no-such-pump",
        "no tank uses that pump, so that nothing would count what it gives" };
}

static struct answer identify(
    struct core *core, const struct event_request *q, struct now now, struct actions *ret)
{
    if (core->halted) return (struct answer){ false, "halted", "everything is halted" };
    if (core->site->chain[q->address.chain].plain)
        return (struct answer){ false, "no-such-module",
            "a plain output has no module to feel: ask for 'prime' into a cup instead" };
    if (!chain_serial_at(&core->site->chain[q->address.chain], q->address.position))
        return (struct answer){ false, "no-such-module", "no module is configured there" };
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        if (core->tank[i].service)
            return (struct answer){ false, "service", "a service lock is on: end it first" };
    }
    if (!core->journal_ok || !core_chain_ready(core, q->address.chain, now, NULL))
        return (struct answer){ false, "not-ready",
            "the chain can't be commanded now; 'status' says why" };
    const struct answer ticks = pump_ticks(core, &q->address, now);
    if (!ticks.ok) return ticks;
    if (!core_motor_may_start(core, q->address.chain, now) ||
        !core_supply_allows(core, &q->address, q->address.channel == CHAIN_CIRCULATION_CHANNEL))
        return (struct answer){ false, "busy", "the chain's supply is in use; try again shortly" };
    core_send_identify(core, &q->address, now, ret);
    return DONE;
}

static struct answer adopt(
    struct core *core, const struct event_request *q, struct text *said, struct actions *ret)
{
    const bool ok = core_adopt(core, q, said, ret);
    return (struct answer){ ok, ok ? "done" : "not-adopted", said->at };
}

/* What people do with their hands (care.h). */
static struct answer care(struct core *core, const struct event_request *q, struct now now,
    struct text *said, struct actions *ret)
{
    const char *no = NULL;
    if (q->kind == REQUEST_BENCH)
        core_ask_bench(core, q, now, said, ret);
    else if (q->kind == REQUEST_CANCEL)
        core_ask_cancel(core, q->tank, now, said, ret);
    else if (q->kind == REQUEST_CIRCULATE)
        no = core_ask_circulate(core, q, now, said);
    else if (q->kind == REQUEST_MEASURED)
        no = core_ask_measured(core, q, now, said, ret);
    else if (q->kind == REQUEST_CALIBRATE_FLOW)
        no = core_ask_flow(core, q, now, said);
    else if (q->kind == REQUEST_FLOW_MEASURED)
        no = core_ask_flow_measured(core, q, now, said, ret);
    else if (q->kind == REQUEST_CALIBRATE_PROBE)
        no = core_ask_bath(core, q, now, said);
    else
        no = core_ask_errand(core, q, now, said);
    return (struct answer){ !no, no ? no : "done", said->at };
}

/* A program says what it pauses for, and takes or ends no pause but its own. */
static struct answer set_paused(struct core *core, const struct event_request *q, struct now now)
{
    struct core_tank *t = &core->tank[q->tank];
    if (t->paused && q->word[0] && !text_same(t->paused_for, q->word))
        return (struct answer){ false, "not-yours",
            q->on ? "it is paused already, for something else: that pause stays"
                  : "it is paused for something else by now: that pause stays" };
    const char *key = request_from_broker(q) ? q->origin.signer : NULL;
    upkeep_note_pause(core, q->tank, q->on, q->word, key ? key : q->origin.by, now);
    t->due = now.mono;
    return DONE;
}

static struct answer set_service(struct core *core, const struct event_request *q, struct now now)
{
    core->tank[q->tank].service = q->on;
    core->tank[q->tank].due = now.mono;
    return DONE;
}

static struct answer replay(const struct event_request *q, struct actions *ret)
{
    if (q->from < 1 || q->to < q->from)
        return (struct answer){ false, "out-of-range",
            "\"from\" is at least 1, and \"to\" at least \"from\"" };
    if (q->to - q->from >= REPLAY_MOST)
        return (struct answer){ false, "out-of-range", "at most 1000 records for one request" };
    struct action *a = emit(ret, ACTION_REPLAY);
    a->replay.from = q->from;
    a->replay.to = q->to;
    return (struct answer){ true, "done", "they come on journal/entry, as far as there are any" };
}

static struct answer act(struct core *core, const struct event_request *q, struct now now,
    struct text *said, struct actions *ret)
{
    switch (q->kind) {
    case REQUEST_HALT:
        return halt(core, q, now, ret);
    case REQUEST_PAUSE:
        return set_paused(core, q, now);
    case REQUEST_SERVICE:
        return set_service(core, q, now);
    case REQUEST_SET_EC:
    case REQUEST_SET_PH:
        return set_point(core, q, now, said);
    case REQUEST_OVERRIDE_FOR:
        return override_for(core, q, said);
    case REQUEST_ACKNOWLEDGE:
        return acknowledge(core, q, now, ret);
    case REQUEST_CLAIM:
        return claim(core, q, now);
    case REQUEST_REFILLED:
        return refilled(core, q, now, said);
    case REQUEST_IDENTIFY:
        return identify(core, q, now, ret);
    case REQUEST_TUBE_CHANGED:
        return tube_changed(core, q, now);
    case REQUEST_STRAINER_CLEANED:
        return strainer_cleaned(core, q, now);
    case REQUEST_WATER_CHANGED:
        return water_changed(core, q, now, said);
    case REQUEST_JOURNAL:
        return replay(q, ret);
    case REQUEST_ADOPT:
    case REQUEST_BENCH:
    case REQUEST_CANCEL:
    case REQUEST_DOSE:
    case REQUEST_PRIME:
    case REQUEST_CIRCULATE:
    case REQUEST_CALIBRATE_PUMP:
    case REQUEST_MEASURED:
    case REQUEST_CALIBRATE_FLOW:
    case REQUEST_FLOW_MEASURED:
    case REQUEST_CALIBRATE_PROBE:
    case REQUEST_UNREAD:
    case REQUEST_COUNT:
        break;
    }
    return (struct answer){ false, "unknown", "no such request" };
}

static bool is_care(enum request_kind kind)
{
    return kind >= REQUEST_BENCH && kind <= REQUEST_CALIBRATE_PROBE;
}

static bool for_tank(enum request_kind kind)
{
    return kind == REQUEST_PAUSE || kind == REQUEST_SERVICE || kind == REQUEST_SET_EC ||
           kind == REQUEST_SET_PH || kind == REQUEST_OVERRIDE_FOR || is_care(kind) ||
           (kind >= REQUEST_TUBE_CHANGED && kind <= REQUEST_WATER_CHANGED);
}

static void record_care(const struct core *core, const struct event_request *q, struct record *r)
{
    if (q->kind == REQUEST_BENCH) record_add_truth(r, "on", q->on);
    const bool flows = q->kind == REQUEST_CALIBRATE_FLOW || q->kind == REQUEST_FLOW_MEASURED;
    if (q->kind == REQUEST_CIRCULATE || flows) record_add_int(r, "span_ms", q->span_ms);
    if (q->kind == REQUEST_FLOW_MEASURED) record_add_int(r, "ul", q->ul);
    if (q->kind == REQUEST_CALIBRATE_PROBE) {
        record_add_text(r, "probe", probe_quantity_word(q->quantity));
        record_add_text(r, "bath", q->word);
        record_add_real(r, "degc", q->degc, 2);
        return;
    }
    if (q->kind <= REQUEST_CANCEL || q->kind == REQUEST_CIRCULATE || flows) return;
    record_add_text(r, "stock", core->site->stock[q->stock].key);
    record_add_int(r, "ul", q->ul);
    if (q->kind != REQUEST_MEASURED && q->kind != REQUEST_DOSE)
        record_add_text(r, "into", q->cup ? "cup" : "tank");
}

/* What the kinds of requests say in their record, each what it has. */
static void record_members(const struct core *core, const struct event_request *q, struct record *r)
{
    if (for_tank(q->kind)) record_add_text(r, "tank", core->site->tank[q->tank].key);
    if (q->kind == REQUEST_PAUSE || q->kind == REQUEST_SERVICE || q->kind == REQUEST_BENCH)
        record_add_text(r, "serial", core->site->tank[q->tank].circulation.serial);
    if (q->kind == REQUEST_SET_EC || q->kind == REQUEST_SET_PH) {
        record_add_real(r, "value", q->value, 3);
        record_add_int(r, "span_ms", core->tank[q->tank].override_for_ms);
    }
    if (q->kind == REQUEST_OVERRIDE_FOR) record_add_int(r, "span_ms", q->span_ms);
    if (q->kind <= REQUEST_SERVICE) record_add_truth(r, "on", q->on);
    if (q->kind == REQUEST_PAUSE && q->word[0]) record_add_text(r, "for", q->word);
    if (q->kind == REQUEST_ACKNOWLEDGE) record_add_text(r, "alert", q->word);
    if (q->kind == REQUEST_CLAIM || q->kind == REQUEST_ADOPT)
        record_add_text(r, "chain", core->site->chain[q->chain].key);
    if (q->kind == REQUEST_ADOPT) record_add_truth(r, "yes", q->on);
    if (q->kind == REQUEST_REFILLED || q->kind == REQUEST_TUBE_CHANGED)
        record_add_text(r, "stock", core->site->stock[q->stock].key);
    if (q->kind == REQUEST_REFILLED || q->kind == REQUEST_WATER_CHANGED)
        record_add_int(r, "ul", q->ul);
    if (is_care(q->kind)) record_care(core, q, r);
    if (q->kind == REQUEST_JOURNAL) {
        record_add_int(r, "from", q->from);
        record_add_int(r, "to", q->to);
    }
    if (q->kind == REQUEST_UNREAD && q->refusal.text) record_add_text(r, "text", q->refusal.text);
}

/* Who asked. Where it had to be signed and wasn't, its id is in the way of nobody's later. */
static void record_sender(
    struct core *core, const struct event_request *q, enum core_trust trust, struct record *r)
{
    record_add_text(r, "by", q->origin.by);
    if (q->id[0]) record_add_text(r, "id", q->id);
    if (trust == TRUST_UNSIGNED) record_add_truth(r, "signed", false);
    if (trust != TRUST_SIGNED && trust != TRUST_AGAIN) return;
    record_add_text(r, "key", q->origin.signer);
    record_add_int(r, "n", q->origin.n);
    signer_recorded(&core->signers, q->origin.signer);
}

static void record_request(
    struct core *core, const struct event_request *q, const struct outcome *o, struct actions *ret)
{
    INVARIANT(q->kind < REQUEST_COUNT);
    struct record *r = emit_record(ret, "request");
    record_add_text(r, "request", request_words[q->kind]);
    record_sender(core, q, o->trust, r);
    record_add_truth(r, "ok", o->done);
    if (!o->done) record_add_text(r, "reason", o->answer.reason);
    record_members(core, q, r);
    if (o->done && q->kind == REQUEST_HALT && !q->on) core_record_last(core, r);
    if (core->asked.unrecorded == 0) return;
    record_add_int(r, "unrecorded", (int64_t)core->asked.unrecorded);
    core->asked.unrecorded = 0;
}

/* Was it signed, as it must be, and not seen before? DONE, or why it isn't looked at. */
static struct answer is_trusted(
    struct core *core, const struct event_request *q, enum core_trust trust, struct text *said)
{
    if (trust == TRUST_UNSIGNED && q->refusal.reason)
        return (struct answer){ false, q->refusal.reason, q->refusal.text };
    if (trust == TRUST_UNSIGNED)
        return (struct answer){ false, "unsigned",
            "only signed requests are acted on here, and site/halt true (docs/security.md)" };
    if (trust != TRUST_AGAIN) return DONE;
    text_add(said, "\"n\" isn't above ");
    text_add_int(said, signer_seen(&core->signers, q->origin.signer));
    text_add(said, ", which was seen with this key: this was sent before, or came late");
    return (struct answer){ false, "old-n", said->at };
}

/* An id counts only where it is known whose it is: a stranger's can't be in the way of the real
 * one. */
static const struct asked_answer *find_first(
    struct core *core, const struct event_request *q, enum core_trust trust, bool *ret_ok)
{
    *ret_ok = false;
    if (!q->id[0] || trust == TRUST_UNSIGNED) return NULL;
    return asked_find(&core->asked, q->id, ret_ok);
}

/* DONE where it may be acted on, whatever comes of it; else why it isn't looked at. */
static struct answer may_act(struct core *core, const struct event_request *q,
    enum core_trust trust, struct now now, struct text *said)
{
    bool first_ok;
    const bool stops = request_stops(q);
    const struct asked_answer *first = find_first(core, q, trust, &first_ok);
    if (first) {
        text_add(said, "this id was used before, and the answer was: ");
        text_add(said, first->reason);
        return (struct answer){ first_ok, DUPLICATE, said->at };
    }
    const struct answer trusted = is_trusted(core, q, trust, said);
    if (!trusted.ok && !stops) return trusted;
    if (q->origin.retained && !stops)
        return (struct answer){ false, "retained", "a retained message is old: nothing was done" };
    if (q->refusal.reason) return (struct answer){ false, q->refusal.reason, q->refusal.text };
    if (request_from_broker(q) && !stops && !asked_may_do(&core->asked, now.mono))
        return (struct answer){ false, ASKED_PUT_OFF,
            "too many requests came over the broker: try again in some seconds" };
    return DONE;
}

/* What changes something is always recorded and answered; so is what comes from this machine, and
 * what was signed: nobody else can make that. A flood of the rest is counted. */
static bool always_told(const struct event_request *q, const struct outcome *o)
{
    if (!request_from_broker(q)) return true;
    if (o->done) return !(request_stops(q) && o->was_halted);
    return o->trust == TRUST_SIGNED && !text_same(o->answer.reason, ASKED_PUT_OFF);
}

/* Records it, remembers it and answers it, as far as that isn't too much. */
static void conclude(struct core *core, const struct event_request *q, const struct outcome *o,
    struct now now, struct actions *ret)
{
    const struct answer *a = &o->answer;
    const bool counts = always_told(q, o);
    if (!o->done) core->refused_messages++;
    if (counts || asked_may_record(&core->asked, now.mono))
        record_request(core, q, o, ret);
    else
        core->asked.unrecorded++;
    if (o->trust != TRUST_UNSIGNED) asked_note(&core->asked, q->id, a->ok, a->reason);
    if (counts || o->done || asked_may_answer(&core->asked, now.mono))
        emit_answer(ret, q->ticket, a->ok, a->reason, a->text);
    if (!o->acts && !text_same(a->reason, DUPLICATE))
        core_note_failure(core, q, o->trust, now, ret);
}

/* While the journal refuses, what is asked for holds until the next start. */
static void warn_unkept(
    const struct core *core, enum request_kind kind, struct outcome *o, struct text *said)
{
    if (core->journal_ok || !o->done) return;
    if (kind == REQUEST_CANCEL || kind == REQUEST_JOURNAL) return;
    if (o->answer.text != said->at) text_add(said, o->answer.text);
    text_add(said, said->length > 0 ? "; " : "done; ");
    text_add(
        said, "but the journal can't be written: after a restart nobody knows of this any more");
    o->answer.text = said->at;
}

void core_on_request(
    struct core *core, const struct event_request *q, struct now now, struct actions *ret)
{
    char buffer[ACTION_ANSWER_MAX];
    struct text said = text_over(buffer, sizeof buffer);
    struct outcome o = { .was_halted = core->halted, .trust = core_trust(core, q) };
    if (!request_stops(q) && core_is_muted(core, q, o.trust, now)) {
        core->refused_messages++;
        return;
    }
    o.answer = may_act(core, q, o.trust, now, &said);
    o.acts = text_same(o.answer.reason, DONE.reason);
    if (o.acts && q->kind == REQUEST_ADOPT)
        o.answer = adopt(core, q, &said, ret);
    else if (o.acts && is_care(q->kind))
        o.answer = care(core, q, now, &said, ret);
    else if (o.acts)
        o.answer = act(core, q, now, &said, ret);
    if (o.acts && for_tank(q->kind)) core->tank[q->tank].ask_law = true;
    o.done = o.acts && o.answer.ok;
    warn_unkept(core, q->kind, &o, &said);
    conclude(core, q, &o, now, ret);
}
