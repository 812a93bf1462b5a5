/* The broker and the ways to it. */
#include <stdlib.h>
#include <string.h>

#include "lib/base/invariant.h"

#include "tests/simulation/storm/world.h"

void net_init(struct net *n, uint64_t seed)
{
    memset(n, 0, sizeof *n);
    n->chance = prng_seed(seed ^ UINT64_C(0x4e7));
}

void net_done(struct net *n)
{
    for (uint32_t i = 0; i < n->count; i++) {
        if (n->heap[i]->kind == LETTER_EVENT) free(n->heap[i]->event);
        free(n->heap[i]);
    }
    for (uint32_t i = 0; i < n->free_count; i++) {
        free(n->free_event[i]);
    }
}

/* --- a heap of letters ------------------------------------------------------------------------ */

static bool sooner(const struct letter *a, const struct letter *b)
{
    return a->at_ms < b->at_ms || (a->at_ms == b->at_ms && a->order < b->order);
}

static void swap(struct net *n, uint32_t a, uint32_t b)
{
    struct letter *kept = n->heap[a];
    n->heap[a] = n->heap[b];
    n->heap[b] = kept;
}

static void push(struct net *n, struct letter *letter)
{
    INVARIANT(n->count < LETTERS_MOST);
    uint32_t at = n->count++;
    n->heap[at] = letter;
    while (at > 0 && sooner(n->heap[at], n->heap[(at - 1) / 2])) {
        swap(n, at, (at - 1) / 2);
        at = (at - 1) / 2;
    }
}

static struct letter *pop(struct net *n)
{
    struct letter *first = n->heap[0];
    n->heap[0] = n->heap[--n->count];
    for (uint32_t at = 0;;) {
        uint32_t least = at;
        for (uint32_t child = 2 * at + 1; child <= 2 * at + 2 && child < n->count; child++) {
            if (sooner(n->heap[child], n->heap[least])) least = child;
        }
        if (least == at) return first;
        swap(n, at, least);
        at = least;
    }
}

int64_t net_due(const struct net *n)
{
    return n->count > 0 ? n->heap[0]->at_ms : INT64_MAX;
}

/* --- sending ---------------------------------------------------------------------------------- */

static size_t bytes_of(const struct event *e)
{
    const size_t head = offsetof(struct event, reading);
    switch (e->kind) {
    case EVENT_READING:
        return head + sizeof e->reading;
    case EVENT_BEAT:
        return head + sizeof e->beat;
    case EVENT_HEAD:
        return head + sizeof e->head_ready;
    case EVENT_CLAIM:
        return head + sizeof e->claim;
    case EVENT_REPORT:
        return head + sizeof e->report;
    case EVENT_ROLL:
    case EVENT_LEDGER:
    case EVENT_MANUAL:
    case EVENT_BOARD:
    case EVENT_PEER_BEAT:
    case EVENT_ENTRY:
    case EVENT_TIP:
    case EVENT_TICK:
    case EVENT_LINK:
    case EVENT_REQUEST:
    case EVENT_UNSENT:
    case EVENT_JOURNAL:
    case EVENT_ZONES:
        break;
    }
    return sizeof *e;
}

static struct event *copy_event(struct net *n, const struct event *e)
{
    struct event *copy = n->free_count > 0 ? n->free_event[--n->free_count] : malloc(sizeof *copy);
    if (!copy) abort();
    memcpy(copy, e, bytes_of(e));
    return copy;
}

static struct letter *letter_new(struct net *n, enum letter_kind kind, uint32_t to)
{
    struct letter *l = calloc(1, sizeof *l);
    if (!l) abort();
    l->kind = kind;
    l->to = to;
    l->order = n->order++;
    return l;
}

/* A way takes some milliseconds, and what is sent later arrives later. A frozen broker holds all of
 * it until it thaws. */
static int64_t arrival_ms(struct world *w, int64_t *last_ms)
{
    struct net *n = &w->net;
    int64_t at_ms = w->t_ms + 1 + prng_below(&n->chance, 5);
    if (weather_lasts(&w->weather, FAULT_BROKER_SLOW)) at_ms += prng_below(&n->chance, 3000);
    if (weather_lasts(&w->weather, FAULT_BROKER_FROZEN)) {
        const int64_t thaw_ms = w->weather.until_ms[FAULT_BROKER_FROZEN];
        if (at_ms < thaw_ms) at_ms = thaw_ms;
    }
    if (at_ms < *last_ms) at_ms = *last_ms;
    *last_ms = at_ms;
    if (weather_strikes(&w->weather, FAULT_MESSAGE_REORDERED))
        at_ms += prng_below(&w->weather.chance[FAULT_MESSAGE_REORDERED], 1500);
    return at_ms;
}

static void tell_once(struct world *w, uint32_t board, uint32_t from, const struct event *event)
{
    struct net *n = &w->net;
    struct letter *l = letter_new(n, LETTER_EVENT, board);
    l->number = w->board[board].mqtt.number;
    l->event = copy_event(n, event);
    l->at_ms = arrival_ms(w, &n->last_ms[board][from]);
    const bool report = event->kind == EVENT_REPORT || event->kind == EVENT_LEDGER;
    if (report && weather_strikes(&w->weather, FAULT_REPORT_LATE))
        l->at_ms += prng_below(&w->weather.chance[FAULT_REPORT_LATE], 40000);
    push(n, l);
}

void net_tell(struct world *w, uint32_t board, uint32_t from, const struct event *event)
{
    const struct board *b = &w->board[board];
    if (!b->alive || !b->mqtt.up) return;
    if (b->stalled_ms > w->t_ms && w->t_ms - b->stall_ms > ALIVE_MS) return; /* given up */
    const bool report = event->kind == EVENT_REPORT || event->kind == EVENT_LEDGER;
    if (report && weather_strikes(&w->weather, FAULT_REPORT_LOST)) return;
    if (weather_strikes(&w->weather, FAULT_MESSAGE_LOST)) return;
    tell_once(w, board, from, event);
    if (report && weather_strikes(&w->weather, FAULT_REPORT_DOUBLED))
        tell_once(w, board, from, event);
    if (weather_strikes(&w->weather, FAULT_MESSAGE_DOUBLED)) tell_once(w, board, from, event);
}

static void post_down(struct world *w, struct letter *l)
{
    l->at_ms = arrival_ms(w, &w->net.last_down_ms[l->to]);
    if (weather_strikes(&w->weather, FAULT_COMMAND_LATE))
        l->at_ms += prng_below(&w->weather.chance[FAULT_COMMAND_LATE],
            prng_below(&w->weather.chance[FAULT_COMMAND_LATE], 2) ? HOUR_MS : 20000);
    push(&w->net, l);
}

void net_command(struct world *w, uint32_t chain, const struct chain_command *command)
{
    if (weather_strikes(&w->weather, FAULT_COMMAND_SWALLOWED)) return;
    const bool twice = weather_strikes(&w->weather, FAULT_MESSAGE_DOUBLED);
    for (int copy = 0; copy < (twice ? 2 : 1); copy++) {
        struct letter *l = letter_new(&w->net, LETTER_COMMAND, chain);
        l->command = *command;
        post_down(w, l);
    }
}

void net_claim(struct world *w, uint32_t chain, const struct chain_claim *claim)
{
    if (weather_strikes(&w->weather, FAULT_COMMAND_SWALLOWED)) return;
    struct letter *l = letter_new(&w->net, LETTER_CLAIM, chain);
    l->claim = *claim;
    post_down(w, l);
}

/* Orders to run go out at most once, and "off" at least once: those may come twice. */
void net_order(struct world *w, const struct relay_order *order)
{
    if (weather_strikes(&w->weather, FAULT_RELAY_DEAF)) return;
    struct letter *l = letter_new(&w->net, LETTER_ORDER, order->tank);
    l->order_to = *order;
    l->at_ms = arrival_ms(w, &w->net.last_order_ms[order->tank]);
    push(&w->net, l);
}

void net_word(struct world *w, uint32_t board, const struct relay_word *word)
{
    const struct board *b = &w->board[board];
    if (!b->alive || !b->mqtt.up) return;
    if (b->stalled_ms > w->t_ms && w->t_ms - b->stall_ms > ALIVE_MS) return;
    struct letter *l = letter_new(&w->net, LETTER_WORD, board);
    l->number = b->mqtt.number;
    l->word = *word;
    l->at_ms = arrival_ms(w, &w->net.last_word_ms[board][word->tank]);
    if (weather_lasts(&w->weather, FAULT_RELAY_LATE))
        l->at_ms += prng_below(&w->weather.chance[FAULT_RELAY_LATE], RELAY_LATE_MS);
    push(&w->net, l);
}

/* --- the broker's own troubles ---------------------------------------------------------------- */

bool net_broker_up(const struct world *w)
{
    return !weather_lasts(&w->weather, FAULT_BROKER_DOWN) &&
           !weather_lasts(&w->weather, FAULT_BROKER_AMNESIA);
}

static bool link_allowed(const struct world *w, uint32_t board)
{
    const bool refused = weather_lasts(&w->weather, FAULT_LINK_REFUSED) &&
                         weather_hits(&w->weather, FAULT_LINK_REFUSED, BOARDS + 1) != board + 1;
    return net_broker_up(w) && !refused && !weather_lasts(&w->weather, FAULT_BROKER_FROZEN);
}

bool net_accepts(const struct world *w, uint32_t board)
{
    return link_allowed(w, board);
}

void net_broker_dies(struct world *w, bool forgets)
{
    for (uint32_t c = 0; c < CHAINS_MOST && forgets; c++) {
        memset(&w->net.kept[c], 0, sizeof w->net.kept[c]);
    }
    for (uint32_t b = 0; b < BOARDS; b++) {
        board_lose_link(w, b, 1 + prng_below(&w->net.chance, 3000));
    }
    for (uint32_t c = 0; c < w->premises.chains; c++) {
        w->chain[c].online = false;
    }
}

/* --- what the broker keeps -------------------------------------------------------------------- */

static void keep(struct net *n, const struct event *e)
{
    const uint32_t c = e->chain;
    if (e->kind == EVENT_HEAD) {
        n->kept[c].has_state = true;
        n->kept[c].ready = e->head_ready;
    } else if (e->kind == EVENT_ROLL) {
        n->kept[c].has_roll = true;
        n->kept[c].roll = e->roll;
    } else if (e->kind == EVENT_CLAIM) {
        n->kept[c].has_claim = true;
        n->kept[c].claim = e->claim;
    } else if (e->kind == EVENT_LEDGER) {
        n->kept[c].has_ledger = true;
        n->kept[c].ledger = e->ledger;
    } else if (e->kind == EVENT_MANUAL) {
        n->kept[c].has_manual = true;
        n->kept[c].manual = e->manual;
    }
}

void net_publish(struct world *w, uint32_t chain, const struct event *event)
{
    if (!net_broker_up(w)) return;
    keep(&w->net, event);
    for (uint32_t b = 0; b < BOARDS; b++) {
        net_tell(w, b, chain, event);
    }
}

static void tell_kept(struct world *w, uint32_t board, uint32_t chain)
{
    const struct net *n = &w->net;
    static struct event e;
    e.chain = chain;
    if (n->kept[chain].has_state) {
        e.kind = EVENT_HEAD;
        e.head_ready = n->kept[chain].ready;
        net_tell(w, board, chain, &e);
    }
    if (n->kept[chain].has_roll) {
        e.kind = EVENT_ROLL;
        e.roll = n->kept[chain].roll;
        net_tell(w, board, chain, &e);
    }
    if (n->kept[chain].has_claim) {
        e.kind = EVENT_CLAIM;
        e.claim = n->kept[chain].claim;
        net_tell(w, board, chain, &e);
    }
    if (n->kept[chain].has_ledger) {
        e.kind = EVENT_LEDGER;
        e.ledger = n->kept[chain].ledger;
        net_tell(w, board, chain, &e);
    }
    if (n->kept[chain].has_manual) {
        e.kind = EVENT_MANUAL;
        e.manual = n->kept[chain].manual;
        net_tell(w, board, chain, &e);
    }
}

void net_subscribed(struct world *w, uint32_t board)
{
    for (uint32_t c = 0; c < w->premises.chains; c++) {
        tell_kept(w, board, c);
    }
    relays_tell_kept(w, board);
}

/* --- delivering ------------------------------------------------------------------------------- */

/* To a daemon: does its connection still stand? */
static bool reaches(const struct world *w, const struct letter *l)
{
    return w->board[l->to].mqtt.up && w->board[l->to].mqtt.number == l->number;
}

/* It lies there until somebody reads it. */
static bool waits(struct world *w, struct letter *l)
{
    if (l->kind != LETTER_EVENT && l->kind != LETTER_WORD) return false;
    if (w->board[l->to].stalled_ms <= w->t_ms) return false;
    l->at_ms = w->board[l->to].stalled_ms;
    push(&w->net, l);
    return true;
}

/* False: it waits on. */
static bool deliver(struct world *w, struct letter *l)
{
    if (waits(w, l)) return false;
    switch (l->kind) {
    case LETTER_EVENT:
        if (reaches(w, l)) board_hear(w, l->to, l->event);
        w->net.free_event[w->net.free_count++] = l->event;
        break;
    case LETTER_WORD:
        if (reaches(w, l)) board_hear_word(w, l->to, &l->word);
        break;
    case LETTER_ORDER:
        relay_take(w, &l->order_to);
        break;
    case LETTER_COMMAND:
        if (net_broker_up(w) && w->chain[l->to].online) chain_command(w, l->to, &l->command);
        break;
    case LETTER_CLAIM:
        if (net_broker_up(w) && w->chain[l->to].online) chain_claim(w, l->to, &l->claim);
        break;
    }
    return true;
}

void net_turn(struct world *w)
{
    while (net_due(&w->net) <= w->t_ms) {
        struct letter *l = pop(&w->net);
        if (deliver(w, l)) free(l);
    }
}
