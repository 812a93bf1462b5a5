/* Sequences of events into the core, of which the bytes choose each one: what probes see, what
 * people ask for, how messages are lost and doubled, what heads and clocks do, when the daemon
 * dies. The first byte: bit 0, records that come from nowhere are in the journal before the first
 * start; bit 1, the connection comes up by itself.
 *
 * Held by the observer (core_look.c), from what the heads' pumps really did and what was told: no
 * hour and no day over its limit; no dose over the dose's limit, on a probe that is silent, paused,
 * serviced, halted, without its record, its circulation, or the module that was bound; no id twice;
 * a halt is never refused. Reports that were made up end the first of these, as the sums are then
 * no longer known to anybody. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/fuzz/core_world.h"
#include "tests/fuzz/fuzz.h"

static const int64_t ALIVE_MOST_MS = 30 * HOUR_MS;

/* --- what can happen -------------------------------------------------------------------------- */

static void pass(struct core_world *w, struct bites *b)
{
    static const int64_t spans_ms[] = { 1, 50, 200, 1000, 5000, 20000, 60000, 180000, 600000,
        1200000, 2400000, HOUR_MS, 2 * HOUR_MS, 1, 1000, 30000 };
    cw_pass(w, spans_ms[bites_byte(b) % 16]);
}

/* The board sleeps: time is gone, and nobody was there. */
static void sleep_long(struct core_world *w, struct bites *b)
{
    const int64_t span_ms = (1 + (int64_t)bites_byte(b)) * 10 * MINUTE_MS;
    w->now.mono.ms += span_ms;
    w->now.civil.ms += span_ms;
    cw_pass(w, 1);
}

static void change_water(struct core_world *w, struct bites *b)
{
    const uint8_t which = bites_byte(b), value = bites_byte(b);
    struct cw_water *water = &w->water[which % CW_TANKS];
    switch (which / CW_TANKS % 4) {
    case 0:
        water->ec_us_cm = 10.0 * value;
        break;
    case 1:
        water->ph = 4.0 + value / 60.0;
        break;
    case 2:
        water->degc = value / 6.0;
        break;
    default:
        water->silent = value & 1;
    }
}

static void read_probe(struct core_world *w, struct bites *b)
{
    const uint8_t which = bites_byte(b), how = bites_byte(b);
    const struct event_reading reading = { .tank = which % CW_TANKS,
        .quantity = (enum probe_quantity)(which / CW_TANKS % PROBE_QUANTITY_COUNT),
        .retained = how & 0x80,
        .verdict = how & 0x40 ? (enum probe_verdict)(how % 4) : PROBE_OK,
        .number = how & 0x20 ? (double)cw_number(b) : bites_byte(b) / 10.0 };
    cw_read(w, &reading);
}

static void ask(struct core_world *w, struct bites *b)
{
    const uint8_t how = bites_byte(b), where = bites_byte(b);
    struct event_request r = { .kind = (enum request_kind)(how % REQUEST_COUNT),
        .origin = { .by = how & 0x40 ? "mqtt" : "socket", .retained = how & 0x80 },
        .tank = where % CW_TANKS,
        .chain = where % CW_HEADS,
        .stock = where % w->site->stock_count,
        .address = { where % CW_HEADS, 1 + (where >> 2) % w->site->chain[where % CW_HEADS].count,
            (where >> 4) % 5 },
        .on = where & 0x80 };
    r.value = cw_real(b);
    r.span_ms = llabs(cw_number(b)) % (366 * DAY_MS);
    r.ul = llabs(cw_number(b)) % 1000000001;
    text_copy(r.word, sizeof r.word, cw_word(b));
    r.from = cw_number(b);
    r.to = cw_number(b);
    if (how & 0x10) text_copy(r.id, sizeof r.id, r.on ? "x-1" : "d1-1");
    if ((how & 0x60) == 0x60) { /* signed, from then on as it must be */
        cw_want_signatures(w);
        r.origin.signer = w->site->signer[where & 1];
        r.origin.n = 1 + llabs(cw_number(b)) % 8;
        r.origin.reply = where & 2 ? "reply/x" : "";
    }
    if (r.kind == REQUEST_UNREAD) r.refusal = (struct event_refusal){ "malformed", "as it came" };
    cw_ask(w, &r);
}

static void trouble_head(struct core_world *w, struct bites *b)
{
    const uint8_t how = bites_byte(b), c = how % CW_HEADS;
    struct head *h = &w->head[c];
    struct chain_module modules[CHAIN_MODULES_MAX];
    char boot[CHAIN_WORD_MAX];
    struct text t = text_over(boot, sizeof boot);
    head_advance(h, w->now.mono.ms - w->head_zero_ms[c]);
    switch (how / CW_HEADS % 5) {
    case 0:
        text_add(&t, "boot-");
        text_add_int(&t, w->now.mono.ms);
        head_reboot(h, boot);
        w->head_zero_ms[c] = w->now.mono.ms;
        break;
    case 1: /* two modules change places, or one gets another serial */
        for (uint32_t m = 0; m < h->count; m++) {
            modules[m] = h->module[m].info;
            text_copy(modules[m].serial, CHAIN_WORD_MAX, h->module[h->count - 1 - m].info.serial);
        }
        if (h->count == 1) modules[0].serial[0] = modules[0].serial[0] == 'c' ? 'e' : 'c';
        head_set_modules(h, modules, h->count);
        break;
    case 2:
        head_hand(h, how / 16 % h->count, 1 + how / 32 % 4, how & 0x80);
        break;
    case 3:
        head_stop_switch(h, how & 0x80);
        break;
    default:
        h->module[how / 16 % h->count].fault = how & 0x80;
    }
    cw_pass(w, 1);
}

static void lose(struct core_world *w, struct bites *b)
{
    const uint8_t what = bites_byte(b);
    w->lose_commands = what & 1;
    w->double_commands = what & 2;
    w->lose_reports = what & 4;
    w->double_reports = what & 8;
    w->lose_ledger = what & 16;
    w->unsend_commands = what & 32;
}

static void step_clock(struct core_world *w, struct bites *b)
{
    const uint8_t how = bites_byte(b);
    w->now.clock = (enum clock_trust)(CLOCK_UNSET + how % 3);
    w->now.civil.ms += cw_number(b) % (400 * DAY_MS);
    if (how & 0x80) w->now.civil.ms = 0;
    struct event e = { .kind = EVENT_ZONES };
    e.zone.tank = how / 4 % CW_TANKS;
    e.zone.offset_ms = (how / 16 - 8) * HOUR_MS;
    if (how & 0x40) cw_tell(w, &e);
}

static void trouble_disk(struct core_world *w, struct bites *b)
{
    struct event e = { .kind = EVENT_JOURNAL };
    w->journal_ok = e.journal.ok = bites_byte(b) & 1;
    text_copy(e.journal.why, sizeof e.journal.why, "no space left");
    cw_tell(w, &e);
}

static const char *newest_id(const struct core_world *w, uint8_t back)
{
    return back < w->id_count ? w->id[w->id_count - 1 - back] : "x-1";
}

/* --- what a head never said ------------------------------------------------------------------- */

static void lie_report(struct core_world *w, struct bites *b, uint8_t how, struct event *e)
{
    struct chain_report *r = &e->report;
    e->kind = EVENT_REPORT;
    w->lies = true;
    text_copy(r->id, sizeof r->id, newest_id(w, how / 16 % 4));
    text_copy(r->boot, sizeof r->boot, how & 0x80 ? "boot-9" : w->head[e->chain].boot);
    r->state = (enum chain_state)(bites_byte(b) % (CHAIN_REFUSED + 1));
    r->reason = (enum chain_reason)(bites_byte(b) % CHAIN_REASON_COUNT);
    r->ran_ms = llabs(cw_number(b));
    r->unsure = how & 0x40;
    r->up_ms = llabs(cw_number(b));
}

static void lie_ledger(struct core_world *w, struct bites *b, uint8_t how, struct event *e)
{
    e->kind = EVENT_LEDGER;
    w->lies = true;
    e->ledger = w->head[e->chain].ledger;
    e->ledger.count = bites_byte(b) % (CHAIN_LEDGER_MAX + 1);
    for (uint32_t i = 0; i < e->ledger.count; i++) {
        struct chain_report *entry = &e->ledger.entry[i];
        if (!entry->id[0]) text_copy(entry->id, sizeof entry->id, newest_id(w, (uint8_t)i));
        if (how & 0x80) entry->state = (enum chain_state)(bites_byte(b) % (CHAIN_REFUSED + 1));
        if (how & 0x40) entry->ran_ms = llabs(cw_number(b));
    }
}

static void lie_manual(struct core_world *w, struct bites *b, uint8_t how, struct event *e)
{
    (void)how;
    e->kind = EVENT_MANUAL;
    w->lies = true;
    e->manual = w->head[e->chain].manual;
    e->manual.n = llabs(cw_number(b));
    e->manual.count = bites_byte(b) % (CHAIN_TOTALS_MAX + 1);
    for (uint32_t i = 0; i < e->manual.count; i++) {
        text_copy(e->manual.total[i].serial, CHAIN_WORD_MAX, cw_word(b));
        e->manual.total[i].channel = bites_byte(b) % (CHAIN_CHANNELS_MAX + 1);
        e->manual.total[i].ms = llabs(cw_number(b));
    }
}

static void lie_roll(struct core_world *w, struct bites *b, uint8_t how, struct event *e)
{
    e->kind = EVENT_ROLL;
    head_roll(&w->head[e->chain], &e->roll);
    e->roll.epoch = llabs(cw_number(b));
    e->roll.max_run_ms = 1 + llabs(cw_number(b)) % RECORD_INTEGER_MOST;
    e->roll.max_circulate_ms = 1 + llabs(cw_number(b)) % RECORD_INTEGER_MOST;
    e->roll.beat_ms = 100 + llabs(cw_number(b)) % 59901;
    if (how & 0x80) e->roll.count = bites_byte(b) % (e->roll.count + 1);
}

static void lie_claim(struct core_world *w, struct bites *b, uint8_t how, struct event *e)
{
    e->kind = EVENT_CLAIM;
    text_copy(e->claim.by, CHAIN_WORD_MAX, cw_word(b));
    e->claim.reign = llabs(cw_number(b));
    text_copy(e->claim.site, CHAIN_WORD_MAX, how & 0x80 ? w->site->key : "other");
}

static void lie_beat(struct core_world *w, struct bites *b, uint8_t how, struct event *e)
{
    e->kind = EVENT_BEAT;
    text_copy(e->beat.boot, CHAIN_WORD_MAX, how & 0x80 ? "boot-9" : w->head[e->chain].boot);
    e->beat.up_ms = llabs(cw_number(b));
    e->beat.halted = how & 0x40;
    e->beat.has_amps = e->beat.has_volts = how & 0x20;
    e->beat.amps = fmod(cw_real(b), 1000);
    e->beat.volts = fmod(cw_real(b), 1000);
}

static void lie_presence(struct core_world *w, struct bites *b, uint8_t how, struct event *e)
{
    (void)w;
    if (how & 0x40) {
        e->kind = EVENT_HEAD;
        e->head_ready = how & 0x80;
        return;
    }
    e->kind = EVENT_PEER_BEAT;
    text_copy(e->peer.by, CHAIN_WORD_MAX, cw_word(b));
    e->peer.same_site = how & 0x80;
}

static void lie(struct core_world *w, struct bites *b)
{
    static void (*const lies[])(struct core_world *, struct bites *, uint8_t, struct event *) = {
        lie_report, lie_ledger, lie_manual, lie_roll, lie_claim, lie_beat, lie_presence
    };
    const uint8_t how = bites_byte(b);
    struct event e = { .chain = how % CW_HEADS };
    lies[how / CW_HEADS % 7](w, b, how, &e);
    cw_tell(w, &e);
}

/* --- the whole -------------------------------------------------------------------------------- */

static void happen(struct core_world *w, struct bites *b)
{
    const uint8_t what = bites_byte(b) % 16;
    switch (what) {
    case 0:
    case 1:
    case 2:
        pass(w, b);
        break;
    case 3:
        change_water(w, b);
        break;
    case 4:
        read_probe(w, b);
        break;
    case 5:
        ask(w, b);
        break;
    case 6:
        cw_link(w, bites_byte(b) & 1);
        break;
    case 7:
        trouble_head(w, b);
        break;
    case 8:
        lose(w, b);
        break;
    case 9:
        cw_crash(w);
        break;
    case 10:
        cw_reload(w);
        break;
    case 11:
        step_clock(w, b);
        break;
    case 12:
        trouble_disk(w, b);
        break;
    case 13:
        cw_carry(w);
        break;
    case 14:
        lie(w, b);
        break;
    default:
        sleep_long(w, b);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct core_world w;
    struct bites b = { data, data + size };
    const uint8_t how = bites_byte(&b);
    cw_open(&w, &fuzz_site()->site);
    if (how & 1) cw_invent(&w, &b);
    cw_start(&w);
    if (how & 2) cw_pass(&w, 5 * MINUTE_MS);
    while (b.at < b.end && !w.full && w.moved_on_ms < ALIVE_MOST_MS) {
        happen(&w, &b);
        cw_look(&w);
    }
    cw_observe(&w);
    return 0;
}
