/* What people ask for with their hands: doses, lines to be primed, pumps to be calibrated, tanks on
 * the bench. Some of it comes over the broker under an id, and may come twice or again days later.
 */
#include <stdio.h>

#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

static bool doses(enum request_kind kind)
{
    return kind == REQUEST_DOSE || kind == REQUEST_PRIME || kind == REQUEST_CALIBRATE_PUMP;
}

/* The check of a signature is the shell's; here it is known whose a request is. */
bool errand_trusted(const struct world *w, const struct event_request *q)
{
    const bool asked_over_broker = text_same(q->origin.by, "mqtt");
    const bool halts = q->kind == REQUEST_HALT && q->on;
    return halts || !asked_over_broker || q->origin.signer || world_site(w)->signer_count == 0;
}

/* What the judge has to know of a request. */
void errand_tell(struct world *w, uint32_t board, const struct event_request *q)
{
    static const enum hold holds[] = {
        [REQUEST_PAUSE] = HOLD_PAUSE, [REQUEST_SERVICE] = HOLD_SERVICE, [REQUEST_BENCH] = HOLD_BENCH
    };
    if (!errand_trusted(w, q)) return;
    if (q->kind == REQUEST_PAUSE || q->kind == REQUEST_SERVICE || q->kind == REQUEST_BENCH)
        observe_hold(w->observer, board, q->tank, holds[q->kind], q->on, w->t_ms);
    if (!doses(q->kind) || q->origin.retained) return;
    const struct fact_asked fact = { .tank = q->tank,
        .slot = q->stock,
        .ul = q->ul,
        .where = q->cup                    ? ASKED_CUP
                 : q->kind == REQUEST_DOSE ? ASKED_DOSE
                                           : ASKED_LINE,
        .id = q->id,
        .measures = q->kind == REQUEST_CALIBRATE_PUMP };
    observe_asked(w->observer, board, &fact, w->t_ms);
}

/* Nobody asks a daemon that is dead or stalled. */
static void ask(struct world *w, const struct event_request *q)
{
    for (uint32_t b = 0; b < BOARDS; b++) {
        const struct board *board = &w->board[b];
        const bool link = board->daemon.link_up || !text_same(q->origin.by, "mqtt");
        if (!board->alive || board->stalled_ms > w->t_ms || !link) continue;
        if (q->tank >= board->daemon.config->site.tank_count) continue;
        board_ask(w, b, q);
        if (weather_strikes(&w->weather, FAULT_TWICE)) board_ask(w, b, q);
    }
}

/* Rightly, or now and then so that it isn't known whose it is. */
static void sign(struct world *w, struct event_request *q, struct prng *c)
{
    const struct site *site = world_site(w);
    if (site->signer_count == 0 || prng_below(c, 6) == 0) return;
    q->origin.signer = site->signer[0];
    q->origin.n = ++w->errands.n;
}

static void say(const struct world *w, const struct event_request *q, const char *how)
{
    if (q->ul == 0) return;
    world_say(w, "somebody says %s %s: %.3f mL of %u.%u%s", q->id, how, (double)q->ul / 1000.0,
        q->tank, q->stock, q->cup ? " into the cup" : "");
}

/* Over the broker everything has an id, and may be heard again. */
void errand_send(struct world *w, struct event_request *q, struct prng *c)
{
    struct errands *e = &w->errands;
    q->origin = (struct event_origin){ .by = "socket" };
    if (prng_below(c, 3) > 0) {
        q->origin.by = "mqtt";
        sign(w, q, c);
        (void)snprintf(q->id, sizeof q->id, "hand-%u", ++e->ids);
        e->sent[e->next++ % ERRANDS_KEPT] = *q;
        if (e->count < ERRANDS_KEPT) e->count++;
    }
    say(w, q, "");
    ask(w, q);
}

static int64_t volume(const struct world *w, uint32_t tank, uint32_t slot, struct prng *c)
{
    const struct stock_limits *l = &world_site(w)->tank[tank].pump[slot].limits;
    return l->smallest_ul / 2 + 1 + prng_below(c, l->dose_ul + l->dose_ul / 3);
}

static void ask_in_tank(struct event_request *q, struct prng *c)
{
    static const enum request_kind kinds[] = { REQUEST_DOSE, REQUEST_DOSE, REQUEST_PRIME,
        REQUEST_CALIBRATE_PUMP, REQUEST_CIRCULATE, REQUEST_CANCEL };
    q->kind = kinds[prng_below(c, 6)];
}

/* Now and then a tube is said to hang in the tank although it doesn't: that is refused. */
static void ask_on_bench(struct event_request *q, struct prng *c)
{
    static const enum request_kind kinds[] = { REQUEST_PRIME, REQUEST_PRIME, REQUEST_CALIBRATE_PUMP,
        REQUEST_CALIBRATE_PUMP, REQUEST_CALIBRATE_FLOW, REQUEST_CANCEL };
    q->kind = kinds[prng_below(c, 6)];
    q->cup = prng_below(c, 8) != 0;
}

/* Rather one that is on the bench: there somebody is at it. */
static uint32_t pick_tank(const struct world *w, struct prng *c)
{
    const uint32_t any = (uint32_t)prng_below(c, w->premises.tanks);
    for (uint32_t i = 0; i < w->premises.tanks && prng_below(c, 4) > 0; i++) {
        const uint32_t tank = (any + i) % w->premises.tanks;
        if (w->errands.bench[tank]) return tank;
    }
    return any;
}

void errand_ask(struct world *w, struct prng *c)
{
    struct event_request q = { .tank = pick_tank(w, c) };
    const struct site_tank *t = &world_site(w)->tank[q.tank];
    for (int64_t n = 1 + prng_below(c, 3); n > 0; n--) {
        q.stock = (uint32_t)prng_below(c, t->pump_count);
        q.ul = volume(w, q.tank, q.stock, c);
        q.span_ms = 5 * SECOND_MS + prng_below(c, 5 * MINUTE_MS);
        if (w->errands.bench[q.tank])
            ask_on_bench(&q, c);
        else
            ask_in_tank(&q, c);
        if (!w->relay[q.tank].there) errand_send(w, &q, c);
        q.cup = false;
        q.id[0] = '\0';
    }
}

/* The tubes hang in a cup as long as the tank is on the bench. */
bool errand_put_on_bench(struct world *w, uint32_t tank, bool on)
{
    struct event_request q = {
        .kind = REQUEST_BENCH, .tank = tank, .on = on, .origin.by = "socket"
    };
    if (on && (!w->board[0].alive || w->board[0].stalled_ms > w->t_ms || w->relay[tank].there))
        return false;
    w->errands.bench[tank] = on;
    w->errands.was_on_bench[tank] |= on;
    ask(w, &q);
    return true;
}

void errand_bench(struct world *w, uint32_t tank, bool on)
{
    if (!errand_put_on_bench(w, tank, on)) return;
    struct prng *c = &w->weather.chance[FAULT_BENCH];
    if (on && prng_below(c, 2)) errand_ask(w, c); /* at once: the circulation may still move */
}

bool errand_cup(const struct world *w, uint32_t tank)
{
    return w->errands.bench[tank];
}

/* Something that was asked for before comes again, under the id that it had. */
void errand_replay(struct world *w, struct prng *c)
{
    struct errands *e = &w->errands;
    if (e->count == 0) return;
    struct event_request q = e->sent[prng_below(c, e->count)];
    q.origin.retained = prng_below(c, 4) == 0;
    say(w, &q, q.origin.retained ? "again, retained" : "again");
    ask(w, &q);
}

/* Somebody on the broker who has no key asks for what would let liquid move. */
void errand_forge(struct world *w, struct prng *c)
{
    static const enum request_kind kinds[] = { REQUEST_HALT, REQUEST_PAUSE, REQUEST_SERVICE,
        REQUEST_BENCH, REQUEST_DOSE, REQUEST_PRIME, REQUEST_CALIBRATE_PUMP, REQUEST_CIRCULATE };
    struct event_request q = { .kind = kinds[prng_below(c, 8)],
        .tank = (uint32_t)prng_below(c, w->premises.tanks),
        .span_ms = MINUTE_MS,
        .origin.by = "mqtt" };
    if (world_site(w)->signer_count == 0 || w->relay[q.tank].there) return;
    q.stock = (uint32_t)prng_below(c, world_site(w)->tank[q.tank].pump_count);
    q.ul = volume(w, q.tank, q.stock, c);
    q.cup = w->errands.bench[q.tank];
    (void)snprintf(q.id, sizeof q.id, "%s-%u", prng_below(c, 2) ? "hand" : "nobody",
        w->errands.ids + 1); /* now and then the id that the next one will have */
    ask(w, &q);
}

/* Whoever sends it, and however: a halt is acted on. */
void errand_forge_halt(struct world *w, bool retained)
{
    const struct event_request q = {
        .kind = REQUEST_HALT, .on = true, .origin = { .by = "mqtt", .retained = retained }
    };
    ask(w, &q);
}
