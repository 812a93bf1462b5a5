/* Somebody else on the broker: what is forged, said again, or said a thousand times. */
#include <stdio.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

enum { HEARD_MOST = 16, FLOOD = 400 };

void stranger_hears(struct world *w, uint32_t chain, const struct chain_command *command)
{
    struct stranger *s = &w->stranger;
    if (command->action == CHAIN_STOP || command->action == CHAIN_HALT) return;
    s->heard[s->next] = *command;
    s->heard_chain[s->next] = chain;
    s->next = (s->next + 1) % HEARD_MOST;
    if (s->count < HEARD_MOST) s->count++;
}

/* The right boot, epoch and serial are there for all to read; the claim isn't the stranger's. */
void stranger_commands(struct world *w)
{
    struct prng *p = &w->weather.chance[FAULT_FORGED_COMMAND];
    const uint32_t chain = (uint32_t)prng_below(p, w->premises.chains);
    const struct head *h = &w->chain[chain].head;
    struct chain_command c = { .reign = h->claim.reign,
        .epoch = h->epoch,
        .until_ms = h->up_ms + 8000,
        .action = prng_below(p, 4) == 0 ? CHAIN_RESUME : CHAIN_DOSE,
        .position = 1,
        .channel = 1 + (uint32_t)prng_below(p, CHANNELS),
        .run_ms = 1 + prng_below(p, 130000) };
    (void)snprintf(c.id, sizeof c.id, "forged-%u", ++w->stranger.names);
    (void)text_copy(c.by, sizeof c.by, "stranger");
    (void)text_copy(c.boot, sizeof c.boot, h->boot);
    (void)text_copy(c.serial, sizeof c.serial, h->count ? h->module[0].info.serial : "x");
    net_command(w, chain, &c);
}

void stranger_replays(struct world *w)
{
    struct stranger *s = &w->stranger;
    struct prng *p = &w->weather.chance[FAULT_REPLAYED_COMMAND];
    if (s->count == 0) return;
    const uint32_t i = (uint32_t)prng_below(p, s->count);
    net_command(w, s->heard_chain[i], &s->heard[i]);
}

void stranger_claims(struct world *w)
{
    struct prng *p = &w->weather.chance[FAULT_FORGED_CLAIM];
    const uint32_t chain = (uint32_t)prng_below(p, w->premises.chains);
    struct chain_claim c = { .reign = w->chain[chain].head.highest_reign + 1 };
    (void)snprintf(c.by, sizeof c.by, "stranger-%u", ++w->stranger.names);
    (void)text_copy(c.site, sizeof c.site, "elsewhere");
    net_claim(w, chain, &c);
}

static void flood_one(struct world *w, struct prng *p, uint32_t board)
{
    static struct event e;
    memset(&e, 0, sizeof e);
    if (prng_below(p, 2) == 0) {
        e.kind = EVENT_READING;
        e.reading.tank = (uint32_t)prng_below(p, w->premises.tanks);
        e.reading.quantity = (enum probe_quantity)prng_below(p, 3);
        e.reading.retained = prng_below(p, 2) == 0;
        e.reading.verdict = e.reading.retained ? PROBE_OK : PROBE_NOT_A_NUMBER;
        e.reading.number = 7.0;
    } else {
        e.kind = EVENT_REQUEST;
        e.request.kind = prng_below(p, 2) ? REQUEST_SET_EC : REQUEST_REFILLED;
        e.request.origin = (struct event_origin){ .by = "mqtt", .retained = prng_below(p, 2) == 0 };
        e.request.value = 1e9;
        e.request.ul = -1;
    }
    net_tell(w, board, CHAINS_MOST, &e);
}

void stranger_floods(struct world *w)
{
    struct prng *p = &w->weather.chance[FAULT_FLOOD];
    for (int n = 0; n < FLOOD; n++) {
        for (uint32_t b = 0; b < BOARDS; b++) {
            flood_one(w, p, b);
        }
    }
}
