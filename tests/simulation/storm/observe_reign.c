/* I9: only the daemon of the claim in force moves a chain; another one stands by, and takes over
 * only when that one is gone, or somebody said so. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

enum {
    SILENCE_MS = 15000, /* an owner that nothing was heard of for so long is gone */
    TOLD_MS = 60000,    /* a person's word holds so long */
    LATE_MS = 7000,     /* what is decided leaves so late at most */
};

static bool same(const char *a, const char *b)
{
    return strcmp(a, b) == 0;
}

static void copy(char ret[OBSERVE_WORD], const char *from)
{
    (void)snprintf(ret, OBSERVE_WORD, "%s", from);
}

void observe_reign_born(struct observer *o, uint32_t side, const char *name)
{
    struct side_watch *s = &o->side[side];
    memset(&s->chain, 0, sizeof s->chain);
    copy(s->name, name);
    s->peer[0] = '\0';
    s->peer_ms = 0;
    if (s->names == s->name_room) {
        s->name_room = s->name_room ? 2 * s->name_room : 16;
        s->name_of = realloc(s->name_of, s->name_room * sizeof *s->name_of);
        if (!s->name_of) abort();
    }
    copy(s->name_of[s->names++], name);
    for (int c = 0; c < OBSERVE_CHAINS; c++) {
        o->side[side].chain[c].told_ms = INT64_MIN / 2;
    }
}

void observe_claim(struct observer *o, const struct fact_claim *claim, int64_t at_ms)
{
    (void)at_ms;
    copy(o->chain[claim->chain].by, claim->by);
    o->chain[claim->chain].reign = claim->reign;
}

void observe_claim_heard(
    struct observer *o, uint32_t side, const struct fact_claim *claim, int64_t at_ms)
{
    struct chain_heard *h = &o->side[side].chain[claim->chain];
    const bool mine = same(claim->by, o->side[side].name);
    if (h->has_claim && h->reign == claim->reign && same(h->by, claim->by)) return;
    h->has_claim = true;
    h->claim_ms = at_ms;
    h->reign = claim->reign;
    copy(h->by, claim->by);
    if (mine) h->deposed = false;
    if (h->held && !mine && claim->by[0]) h->deposed = true;
    h->held = mine || (h->held && !h->deposed);
}

void observe_claim_told(struct observer *o, uint32_t side, uint32_t chain, int64_t at_ms)
{
    o->side[side].chain[chain].told_ms = at_ms;
}

void observe_peer_heard(struct observer *o, uint32_t side, const char *by, int64_t at_ms)
{
    struct side_watch *s = &o->side[side];
    if (!same(s->peer, by) || at_ms - s->peer_ms >= SILENCE_MS) s->peer_back_ms = at_ms;
    copy(s->peer, by);
    s->peer_ms = at_ms;
}

static bool was_its_own(const struct side_watch *s, const char *by)
{
    for (size_t i = 0; i < s->names; i++) {
        if (same(s->name_of[i], by)) return true;
    }
    return false;
}

/* A reign beyond what it has heard was chosen in the knowledge of that. */
void observe_claim_asked(
    struct observer *o, uint32_t side, const struct fact_claim *claim, int64_t at_ms)
{
    const struct side_watch *s = &o->side[side];
    const struct chain_heard *h = &s->chain[claim->chain];
    if (!same(claim->by, s->name))
        observe_say(o, "I9", at_ms, "daemon %u claims a chain as %s, which isn't its name", side,
            claim->by);
    if (!h->has_claim || claim->reign <= h->reign || at_ms - h->told_ms <= TOLD_MS) return;
    if (h->deposed)
        observe_say(o, "I9", at_ms,
            "daemon %u claims chain %u again, which another one took, and nobody asked", side,
            claim->chain);
    if (!h->by[0] || was_its_own(s, h->by)) return;
    /* What was decided in a silence leaves although the owner is heard again meanwhile. */
    const bool lives = same(h->by, s->peer) && at_ms - s->peer_ms < SILENCE_MS - LATE_MS &&
                       at_ms - s->peer_back_ms >= LATE_MS;
    if (lives || at_ms - s->linked_ms < SILENCE_MS)
        observe_say(o, "I9", at_ms,
            "daemon %u claims chain %u of %s, which it hasn't missed for long enough", side,
            claim->chain, h->by);
}

void observe_reign_commands(struct observer *o, const struct known_command *command, int64_t at_ms)
{
    const struct side_watch *s = &o->side[command->side];
    const struct chain_heard *h = &s->chain[command->chain];
    if (!same(command->by, s->name))
        observe_say(o, "I9", at_ms, "command %s of daemon %u is in another's name (%s)",
            command->id, command->side, command->by);
    if (o->site->chain[command->chain].plain) return; /* nobody claims a board */
    const bool agrees = h->has_claim && h->reign == command->reign && same(h->by, command->by);
    if (agrees || at_ms - h->claim_ms <= START_MS) return;
    observe_say(o, "I9", at_ms,
        "command %s leaves daemon %u, which hasn't read back that chain %u is its own", command->id,
        command->side, command->chain);
}

void observe_reign_runs(
    struct observer *o, uint32_t chain, const struct known_command *command, int64_t at_ms)
{
    const struct chain_watch *w = &o->chain[chain];
    if (o->site->chain[chain].plain) return;
    if (command->reign == w->reign && same(command->by, w->by)) return;
    observe_say(o, "I9", at_ms, "command %s of %s moves chain %u, which %s commands", command->id,
        command->by, chain, w->by[0] ? w->by : "nobody");
}
