#include "lib/core/plain.h"

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/state.h"

enum { CIRCULATES = TANK_PUMPS_MAX }; /* instead of a pump */
enum { LISTEN_MS = 7000 };            /* a daemon that serves a site is heard every 5 s */

struct output {
    uint32_t tank, pump; /* or CIRCULATES */
};

static const char *name_of(const struct core *core, const struct output *o)
{
    if (o->pump == CIRCULATES) return "circulation";
    return core->site->stock[core->site->tank[o->tank].pump[o->pump].stock].key;
}

static bool *stays_on_of(struct core *core, const struct output *o)
{
    struct core_tank *t = &core->tank[o->tank];
    return o->pump == CIRCULATES ? &t->circulation.stays_on : &t->pump[o->pump].stays_on;
}

static const struct chain_address *address_of(const struct core *core, const struct output *o)
{
    const struct site_tank *config = &core->site->tank[o->tank];
    return o->pump == CIRCULATES ? &config->circulation.address : &config->pump[o->pump].address;
}

/* The outputs of a tank, one after the other; from pump 0 on, the circulation last. */
static bool next_output(const struct core *core, struct output *o)
{
    if (o->pump == CIRCULATES) return false;
    o->pump = o->pump + 1 < core->site->tank[o->tank].pump_count ? o->pump + 1 : CIRCULATES;
    return true;
}

static bool find(const struct core *core, uint32_t chain, uint32_t position, struct output *ret)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct output o = { i, 0 };
        do {
            const struct chain_address *a = address_of(core, &o);
            if (a->chain != chain || a->position != position) continue;
            *ret = o;
            return true;
        } while (next_output(core, &o));
    }
    return false;
}

static void stays_on_name(const struct core *core, const struct output *o, char ret[ALERT_ID_MAX])
{
    alert_name(ret, "stays-on", core->site->tank[o->tank].key, name_of(core, o));
}

static void say_which(const struct core *core, const struct output *o, struct text *t)
{
    text_add(t, core->site->tank[o->tank].key);
    text_add(t, ": the plain output of ");
    text_add(t, name_of(core, o));
}

bool *core_stays_on_alert(struct core *core, const char *id)
{
    char name[ALERT_ID_MAX];
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        struct output o = { i, 0 };
        do {
            stays_on_name(core, &o, name);
            if (text_same(name, id)) return stays_on_of(core, &o);
        } while (next_output(core, &o));
    }
    return NULL;
}

static void raise_stays_on(struct core *core, const struct output *o, struct actions *ret)
{
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    stays_on_name(core, o, id);
    struct text t = text_over(text, sizeof text);
    say_which(core, o, &t);
    text_add(&t, " stayed on after its time, though it was told to be off. Nothing moves for this "
                 "tank. Take its power away, look at the board and at what ran into the tank, then "
                 "acknowledge this alert");
    alert_raise(core, id, (int32_t)o->tank, text, ret);
}

void core_raise_stays_on(struct core *core, uint32_t tank, struct actions *ret)
{
    struct output o = { tank, 0 };
    do {
        if (*stays_on_of(core, &o)) raise_stays_on(core, &o, ret);
    } while (next_output(core, &o));
}

/* As the record of its alert: restore.c reads that. */
static void carry_one(const struct core *core, const struct output *o, struct actions *ret)
{
    char id[ALERT_ID_MAX];
    stays_on_name(core, o, id);
    struct record *r = emit_record(ret, "alert");
    record_add_text(r, "alert", id);
    record_add_truth(r, "on", true);
    record_add_text(r, "tank", core->site->tank[o->tank].key);
}

void core_carry_stays_on(const struct core *core, uint32_t tank, struct actions *ret)
{
    const struct core_tank *t = &core->tank[tank];
    struct output o = { tank, 0 };
    do {
        const bool set = o.pump == CIRCULATES ? t->circulation.stays_on : t->pump[o.pump].stays_on;
        if (set) carry_one(core, &o, ret);
    } while (next_output(core, &o));
}

bool core_boards_obey(struct core *core, uint32_t tank)
{
    struct output o = { tank, 0 };
    do {
        if (!*stays_on_of(core, &o)) continue;
        char why[VIEW_WHY_MAX];
        struct text t = text_over(why, sizeof why);
        text_add(&t, "the plain output of ");
        text_add(&t, name_of(core, &o));
        text_add(&t, " stayed on after its time: take its power away and look, then acknowledge "
                     "the alert");
        return core_say(&core->tank[tank], TANK_HALTED, why);
    } while (next_output(core, &o));
    return true;
}

void core_on_board(
    struct core *core, const struct event *event, struct now now, struct actions *ret)
{
    struct output o;
    if (!find(core, event->chain, event->board.position, &o)) return;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    alert_name(id, "ignores", core->site->tank[o.tank].key, name_of(core, &o));
    switch (event->board.finding) {
    case PLAIN_NOTHING_NEW:
        return;
    case PLAIN_WORKS:
        alert_clear(core, id, ret);
        break;
    case PLAIN_IGNORES:
        say_which(core, &o, &t);
        text_add(&t, " was told to be on, and its board didn't report that. It counts as a full "
                     "run. Look at the board, its power and its topics");
        alert_raise(core, id, (int32_t)o.tank, text, ret);
        break;
    case PLAIN_STAYS_ON:
        *stays_on_of(core, &o) = true;
        raise_stays_on(core, &o, ret);
        break;
    }
    core->tank[o.tank].due = now.mono;
}

bool core_site_is_anothers(const struct core *core)
{
    bool lost = false;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        const struct core_chain *chain = &core->chain[c];
        if (core->site->chain[c].plain) continue; /* nobody else can tell us so there */
        if (chain->ours || (!chain->deposed && !chain->beaten)) return false;
        if (chain->claim_now) return false; /* it is about to be asked for */
        lost = true;
    }
    return lost;
}

/* It counts over a restart of this one, too: the reign after its own, which no board will show. */
static void record_served(struct core *core, uint32_t chain, const char *by, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    struct chain_claim former;
    core_former_claim(core, chain, &former);
    if (c->seen_reign > former.reign) return;
    c->seen_reign = former.reign + 1;
    struct record *r = emit_record(ret, "other-reign");
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_text(r, "by", by);
    record_add_int(r, "reign", c->seen_reign);
}

void core_boards_served(struct core *core, const char *by, struct actions *ret)
{
    if (core->active) return;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (!core->site->chain[c].plain) continue;
        core->chain[c].other_seen = true;
        record_served(core, c, by, ret);
    }
}

bool core_boards_contested(const struct core *core, struct now now)
{
    return core->has_peer && mono_since(now.mono, core->peer_at) < CLAIM_SILENCE_MS;
}

bool core_boards_listen(const struct core *core, struct now now)
{
    return mono_since(now.mono, core->link_since) < LISTEN_MS;
}

void core_boards_hear_peer(struct core *core, struct now now, struct actions *ret)
{
    if (!core->active || core_boards_contested(core, now)) return;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (core->site->chain[c].plain) core_lose_limits(core, c, now, ret);
    }
}

void core_take_boards(struct core *core)
{
    if (!core_follow_is_whole(core)) return;
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (!core->site->chain[c].plain) continue;
        core->chain[c].other_seen = false;
        core->chain[c].seen_reign = 0;
    }
}

void core_doubt_plain(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    core_lose_limits(core, chain, now, ret);
}

void core_former_claim(const struct core *core, uint32_t chain, struct chain_claim *ret)
{
    const struct core_chain *c = &core->chain[chain];
    *ret = c->former.reign > c->former_asked.reign ? c->former : c->former_asked;
}

int64_t core_hand_ms(const struct core *core, uint32_t chain, const char *serial, uint32_t channel)
{
    const struct core_chain *c = &core->chain[chain];
    for (uint32_t i = 0; i < c->total_count; i++) {
        if (c->total[i].channel == channel && text_same(c->total[i].serial, serial))
            return c->total[i].ms;
    }
    return 0;
}
