#include "lib/core/follow.h"

#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/state.h"

_Static_assert(SITE_CHAINS_MAX <= 64, "a bit for each chain");
_Static_assert((int)FOLLOW_LEDGER == (int)CHAIN_LEDGER_MAX, "a whole ledger is kept");

/* --- which records ---------------------------------------------------------------------------- */

static bool one_of(const char *word, const char *const list[], size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (text_same(word, list[i])) return true;
    }
    return false;
}

static bool begins(const char *word, const char *with)
{
    return strncmp(word, with, strlen(with)) == 0;
}

/* Of alerts only those that lock something. */
static bool locks(const struct record *r)
{
    const char *id = record_text_or_empty(r, "alert");
    return begins(id, "no-effect-") || begins(id, "ignores-") || begins(id, "runs-on-");
}

/* A claim there is none here; and what somebody knew of limits there isn't known of those here. */
static bool is_asked_here(const struct record *r)
{
    static const char *const not_here[] = { "claim", "journal", "unread" };
    bool ok = false;
    const char *alert = record_text_or_empty(r, "alert");
    return record_truth(r, "ok", &ok) && ok &&
           !one_of(
               record_text_or_empty(r, "request"), not_here, sizeof not_here / sizeof *not_here) &&
           !begins(alert, "limits-unknown") && !text_same(alert, "journal-restored");
}

/* What this daemon doesn't see by itself (as it does runs by hand and readings), and needs. */
static bool is_taken(const struct record *r)
{
    static const char *const kinds[] = { "dose", "outcome", "identify", "circulate", "stop",
        "resume", "flushed", "learned", "adopt", "rate-run", "rate-measured", "flow-run", "bath",
        "calibration", "carry", "upkeep", "signer", "asked", "ran-on", "head-clock", "halt-taken" };
    const char *kind = record_text_or_empty(r, "kind");
    if (text_same(kind, "request")) return is_asked_here(r);
    if (text_same(kind, "alert")) return locks(r);
    return one_of(kind, kinds, sizeof kinds / sizeof *kinds);
}

/* The other one doesn't know what was dosed; or followed a third one then, or this one. */
static bool is_loss(const struct record *r)
{
    int64_t of;
    if (record_int(r, "of", &of)) return true;
    return record_is(r, "limits-unknown") || record_is(r, "damage") || record_is(r, "restored");
}

/* --- a copy in the own journal ---------------------------------------------------------------- */

/* The other's header; and of a dose the numbers that led to it: they stand in its own record. */
static bool is_left_out(const struct record *r, const char *key)
{
    static const char *const header[] = { "kind", "seq", "time", "mono_ms", "boot", "clock", "prev",
        "hash", "format", "of", "of_hash", "age_ms" };
    static const char *const reasons[] = { "ec_us_cm", "ec_sd", "ph", "ph_sd", "degc",
        "set_ec_us_cm", "set_ph", "gain", "gain_sd", "mix_s" };
    if (one_of(key, header, sizeof header / sizeof *header)) return true;
    return record_is(r, "dose") && one_of(key, reasons, sizeof reasons / sizeof *reasons);
}

static void copy_field(struct record *to, const struct record *from, const struct record_field *f)
{
    const char *text = "";
    double real = 0.0;
    switch (f->kind) {
    case FIELD_INTEGER:
        record_add_int(to, f->key, f->number);
        break;
    case FIELD_DECIMAL:
        if (record_real(from, f->key, &real)) record_add_real(to, f->key, real, f->decimals);
        break;
    case FIELD_TEXT:
        if (record_text(from, f->key, &text)) record_add_text(to, f->key, text);
        break;
    case FIELD_TRUTH:
        record_add_truth(to, f->key, f->number != 0);
        break;
    }
}

static void record_copy(
    const struct record *r, const struct link_tip *place, int64_t age_ms, struct actions *ret)
{
    struct record *copy = emit_record(ret, record_text_or_empty(r, "kind"));
    for (uint32_t i = 0; i < r->count; i++) {
        if (!is_left_out(r, r->field[i].key)) copy_field(copy, r, &r->field[i]);
    }
    if (record_is(r, "learned")) return; /* full already, and true at whatever place */
    record_add_int(copy, "of", place->seq);
    record_add_text(copy, "of_hash", place->hash);
    if (age_ms > 0) record_add_int(copy, "age_ms", age_ms);
}

/* --- places ----------------------------------------------------------------------------------- */

static void stand_at(struct core_follow *f, const struct link_tip *place)
{
    f->tip = *place;
    f->place[place->seq % FOLLOW_PLACES] = core_tag(place->hash);
    if (f->seen_seq < place->seq) f->seen_seq = place->seq;
    f->doubted = false;
}

static void join(struct core_follow *f, const struct link_tip *place)
{
    *f = (struct core_follow){ .joined = true, .seen_seq = f->seen_seq, .searched = f->searched };
    if (place->seq > 0) stand_at(f, place);
}

/* What was before isn't known. */
static void lose(struct core *core, struct now now, struct actions *ret)
{
    core->follow.copied = false;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        core_lose_limits(core, c, now, ret);
    }
}

void core_follow_end(struct core *core)
{
    core->follow = (struct core_follow){ .joined = false };
}

void core_follow_from(struct core *core, const struct record *r, const char *seq, const char *hash)
{
    struct link_tip place = { .seq = 0 };
    if (!record_int(r, seq, &place.seq) || place.seq < 1) return;
    (void)text_copy(place.hash, sizeof place.hash, record_text_or_empty(r, hash));
    core->follow.seen_seq = 0;
    join(&core->follow, &place);
}

/* --- ids of commands -------------------------------------------------------------------------- */

void core_know_command(struct core *core, uint32_t chain, const char *id)
{
    struct core_known *k = &core->chain[chain].known;
    k->id[k->next++ % FOLLOW_IDS] = core_tag(id);
}

void core_see_listed(struct core *core, uint32_t chain, const struct chain_ledger *ledger)
{
    struct core_known *k = &core->chain[chain].known;
    k->listed_count = ledger->count;
    for (uint32_t i = 0; i < ledger->count; i++) {
        k->listed[i] = core_tag(ledger->entry[i].id);
    }
}

static bool knows(const struct core_known *k, uint64_t tag)
{
    for (uint32_t i = 0; i < FOLLOW_IDS; i++) {
        if (k->id[i] == tag) return true;
    }
    return false;
}

static bool knows_all(const struct core_chain *c)
{
    if (!c->ledger_seen) return false;
    for (uint32_t i = 0; i < c->known.listed_count; i++) {
        if (!knows(&c->known, c->known.listed[i])) return false;
    }
    return true;
}

void core_follow_claimed(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    const bool vouched = core->chain[chain].vouched;
    core->chain[chain].vouched = false;
    /* Boards are had at once; the heads of chains haven't answered then. */
    if (core->site->chain[chain].plain && site_has_head(core->site)) return;
    core_follow_end(core);
    if (!vouched || knows_all(&core->chain[chain])) return;
    emit_log(ret, LOG_WARNED, "the chain's head lists a command that wasn't heard of");
    core_lose_limits(core, chain, now, ret);
}

/* --- following -------------------------------------------------------------------------------- */

bool core_follow_is_whole(const struct core *core)
{
    const struct core_follow *f = &core->follow;
    return f->joined && f->confirmed && !f->searching && !f->doubted && f->tip.seq >= f->seen_seq;
}

bool core_follow_vouches(const struct core *core, uint32_t chain)
{
    const struct chain_claim *claim = &core->chain[chain].claim;
    return core_follow_is_whole(core) && text_same(claim->site, core->site->key) &&
           text_same(claim->by, core->peer);
}

static void ask_missing(struct core *core, struct now now, struct actions *ret)
{
    struct core_follow *f = &core->follow;
    if (!f->joined || f->tip.seq >= f->seen_seq) return;
    if (f->asked && mono_since(now.mono, f->asked_at) < FOLLOW_ASK_EVERY_MS) return;
    const int64_t from = f->tip.seq + 1;
    f->asks = f->asked && f->asked_from == from ? f->asks + 1 : 0;
    if (f->asks >= FOLLOW_ASKS) { /* the next one that comes is where it begins anew */
        emit_log(ret, LOG_WARNED,
            "records of the daemon that commands are missing, and can't be had: limits count as "
            "used up");
        f->joined = false;
        return;
    }
    f->asked = true;
    f->asked_at = now.mono;
    f->asked_from = from;
    struct action *a = emit(ret, ACTION_ASK);
    a->replay.from = from;
    a->replay.to =
        f->seen_seq < f->tip.seq + FOLLOW_ASK_MOST ? f->seen_seq : f->tip.seq + FOLLOW_ASK_MOST;
}

/* A copy that was put back, and all that was done since it was made: nothing is unknown. */
static void catch_up(struct core *core, struct now now, struct actions *ret)
{
    if (!core->follow.copied || !core->has_peer || !core_follow_is_whole(core)) return;
    core->follow.copied = false;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (core->chain[c].limits_unknown) core_know_limits(core, c, now.mono);
    }
    (void)emit_record(ret, "caught-up");
}

void core_turn_follow(struct core *core, struct now now, struct actions *ret)
{
    struct core_follow *f = &core->follow;
    if (core->active) return;
    if (f->doubted && mono_since(now.mono, f->doubted_at) >= FOLLOW_DOUBT_MS) {
        f->joined = f->doubted = false; /* another journal: the next record says where it is */
        f->seen_seq = 0;
    }
    ask_missing(core, now, ret);
    catch_up(core, now, ret);
}

/* How long ago it was made: known where both clocks are right. Older is sooner forgotten. */
static int64_t age_of(const struct record *r, struct now now)
{
    struct now at;
    int64_t seq;
    const char *boot;
    if (!link_header(r, &seq, &at, &boot)) return 0;
    if (at.clock != CLOCK_SYNCED || now.clock != CLOCK_SYNCED) return 0;
    const int64_t ms = now.civil.ms - at.civil.ms;
    return ms > 0 && ms < DAY_MS ? ms : 0;
}

/* Is it one of the newest that were taken? Of older ones that isn't known. */
enum place { PLACE_KNOWN, PLACE_OTHER, PLACE_OLD };

static enum place look_up(const struct core_follow *f, const struct link_tip *place)
{
    if (place->seq > f->tip.seq || place->seq <= f->tip.seq - FOLLOW_PLACES) return PLACE_OLD;
    const uint64_t known = f->place[place->seq % FOLLOW_PLACES];
    if (known == 0) return PLACE_OLD;
    return known == core_tag(place->hash) ? PLACE_KNOWN : PLACE_OTHER;
}

static bool is_other(const struct core_follow *f, const struct event_entry *e)
{
    if (e->before.seq == f->tip.seq)
        return f->tip.hash[0] && !text_same(e->before.hash, f->tip.hash);
    return look_up(f, &e->place) == PLACE_OTHER;
}

static bool commanded_all(const struct core *core)
{
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (!core->chain[c].former.by[0]) return false;
    }
    return core->site->chain_count > 0;
}

/* Somewhere in a journal that it doesn't know. Where that daemon has taken over from this one, all
 * that it did since isn't known here and will be: it is read back to there. Else what was before
 * stays unknown. */
static void begin_at(
    struct core *core, const struct event_entry *e, struct now now, struct actions *ret)
{
    struct core_follow *f = &core->follow;
    f->seen_seq = 0;
    if (f->searched || !commanded_all(core)) {
        lose(core, now, ret);
        join(f, &e->before);
        return;
    }
    const int64_t back = e->place.seq - FOLLOW_ASK_MOST;
    const struct link_tip from = { .seq = back > 0 ? back : 0 };
    f->searched = true;
    join(f, &from);
    f->searching = true;
    f->tip.seq = from.seq;
    f->seen_seq = e->place.seq;
}

/* Did it take a chain over from this one, with nobody between? The chain's bit; 0: no. */
static uint64_t took_over(const struct core *core, const struct record *r)
{
    int64_t reign = 0;
    if (!record_is(r, "claim") || !record_int(r, "reign", &reign)) return 0;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        const struct chain_claim *former = &core->chain[c].former;
        if (!text_same(core->site->chain[c].key, record_text_or_empty(r, "chain"))) continue;
        const bool mine = text_same(former->by, record_text_or_empty(r, "before"));
        return mine && reign == former->reign + 1 ? UINT64_C(1) << c : 0;
    }
    return 0;
}

/* True while what was before is passed over. From the first chain that it took on all counts; at
 * the end it must have been all of them. */
static bool search(
    struct core *core, const struct event_entry *e, struct now now, struct actions *ret)
{
    struct core_follow *f = &core->follow;
    if (!f->searching) return false;
    f->matched |= took_over(core, e->record);
    if (e->place.seq < f->seen_seq) return f->matched == 0;
    const uint32_t chains = core->site->chain_count;
    INVARIANT(chains > 0 && chains <= SITE_CHAINS_MAX); /* commanded_all */
    const uint64_t all = UINT64_MAX >> (64 - chains);
    f->searching = false;
    f->searched = f->matched != all;
    if (f->searched) lose(core, now, ret);
    return false;
}

static void take(
    struct core *core, const struct event_entry *e, struct now now, struct actions *ret)
{
    const struct record *r = e->record;
    stand_at(&core->follow, &e->place);
    core->follow.confirmed = true;
    if (search(core, e, now, ret)) return;
    if (is_loss(r)) lose(core, now, ret);
    if (is_loss(r) || !is_taken(r)) return;
    const int64_t age_ms = age_of(r, now);
    const struct now then = { { now.mono.ms - age_ms }, { now.civil.ms - age_ms }, now.clock };
    core_restore(core, r, then);
    core->seen = now.mono;
    record_copy(r, &e->place, age_ms, ret);
    const int32_t tank = core_tank_named(core, record_text_or_empty(r, "tank"));
    if (record_is(r, "calibration") && tank >= 0) emit(ret, ACTION_AMEND)->tank = (uint32_t)tank;
    for (uint32_t c = 0; record_is(r, "adopt") && c < core->site->chain_count; c++) {
        if (text_same(core->site->chain[c].key, record_text_or_empty(r, "chain")))
            emit(ret, ACTION_REBIND)->chain = c;
    }
}

void core_follow_entry(
    struct core *core, const struct event_entry *e, struct now now, struct actions *ret)
{
    struct core_follow *f = &core->follow;
    if (core->active) return;
    if (!f->joined || is_other(f, e)) begin_at(core, e, now, ret);
    if (e->place.seq <= f->tip.seq) return;
    if (e->before.seq == f->tip.seq) {
        f->asks = 0;
        f->asked = f->asked && f->tip.seq + 1 < f->seen_seq;
        if (f->asked) f->asked_at = now.mono; /* they come */
        take(core, e, now, ret);
    } else if (f->seen_seq < e->place.seq) {
        f->seen_seq = e->place.seq;
    }
    core_turn_follow(core, now, ret);
}

void core_follow_tip(
    struct core *core, const struct link_tip *tip, struct now now, struct actions *ret)
{
    struct core_follow *f = &core->follow;
    if (core->active || !f->joined) return;
    if (tip->seq > f->tip.seq) {
        if (f->seen_seq < tip->seq) f->seen_seq = tip->seq;
    } else if (look_up(f, tip) == PLACE_KNOWN) {
        f->doubted = false;
        f->confirmed = true;
    } else if (!f->doubted) {
        f->doubted = true;
        f->doubted_at = now.mono;
    }
    core_turn_follow(core, now, ret);
}
