/* What a daemon hears, told to the judge. */
#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

static void tell_reading(struct world *w, uint32_t board, const struct event_reading *r)
{
    const struct site *site = &w->board[board].daemon.config->site;
    const struct probe_config *p = &site->tank[r->tank].probe[r->quantity];
    const struct fact_reading fact = { .tank = r->tank,
        .probe = (uint32_t)r->quantity,
        .usable =
            r->verdict == PROBE_OK && !r->retained && r->number >= p->least && r->number <= p->most,
        .number = r->number };
    observe_reading(w->observer, board, &fact, w->t_ms);
    if (fact.usable && r->quantity == PROBE_LEVEL)
        observe_level(w->observer, board, r->tank, r->number, w->t_ms);
    if (fact.usable && r->quantity == PROBE_LEAK)
        observe_leak(w->observer, board, r->tank, (r->number > 0.5) != p->safe, w->t_ms);
}

static void tell_hands(struct world *w, uint32_t board, const struct event *e)
{
    if (!chain_is_boot_of_now(w, e->chain, e->manual.boot)) return;
    for (uint32_t i = 0; i < e->manual.count; i++) {
        observe_hand_heard(w->observer, board, e->manual.total[i].serial,
            e->manual.total[i].channel, e->manual.total[i].ms, w->t_ms);
    }
}

static enum word word_of(const struct chain_report *r)
{
    if (r->state == CHAIN_DONE || r->state == CHAIN_STOPPED) return WORD_OVER;
    return r->state == CHAIN_RUNNING ? WORD_RUNS : WORD_NO_RUN;
}

static void tell_runs(struct world *w, uint32_t board, const struct chain_ledger *l)
{
    for (uint32_t i = 0; i < l->count; i++) {
        const struct chain_report *r = &l->entry[i];
        observe_run_heard(w->observer, board, r->id, word_of(r), w->t_ms);
    }
}

/* Every output of a head that has started anew is off. */
static void tell_restart(struct world *w, uint32_t board, const struct event *e)
{
    char *boot = w->board[board].head_boot[e->chain];
    if (boot[0] && !text_same(boot, e->roll.boot))
        observe_head_restarted(w->observer, board, e->chain, w->t_ms);
    (void)text_copy(boot, CHAIN_WORD_MAX, e->roll.boot);
}

void ear_tell(struct world *w, uint32_t board, const struct event *e)
{
    struct observer *o = w->observer;
    if (e->kind == EVENT_READING) {
        tell_reading(w, board, &e->reading);
    } else if (e->kind == EVENT_REPORT) {
        observe_run_heard(o, board, e->report.id, word_of(&e->report), w->t_ms);
    } else if (e->kind == EVENT_LEDGER) {
        tell_runs(w, board, &e->ledger);
    } else if (e->kind == EVENT_ROLL) {
        tell_restart(w, board, e);
    } else if (e->kind == EVENT_MANUAL) {
        tell_hands(w, board, e);
    } else if (e->kind == EVENT_CLAIM) {
        const struct fact_claim fact = { e->chain, e->claim.by, e->claim.reign };
        observe_claim_heard(o, board, &fact, w->t_ms);
    } else if (e->kind == EVENT_BEAT) {
        observe_beat_heard(o, board, e->chain, w->t_ms);
    } else if (e->kind == EVENT_HEAD) {
        observe_head_heard(o, board, e->chain, e->head_ready, w->t_ms);
    } else if (e->kind == EVENT_PEER_BEAT) {
        observe_peer_heard(o, board, e->peer.by, w->t_ms);
    }
}
