/* Those who look after the site. They speak at the daemon's local door. */
#include <string.h>

#include "tests/simulation/storm/world.h"

void people_init(struct world *w)
{
    w->people.chance = prng_seed(w->options.seed ^ UINT64_C(0x9e091e));
    w->people.release_ms = INT64_MAX;
}

int64_t people_due(const struct world *w)
{
    return w->people.release_ms;
}

static void ask(struct world *w, struct event_request request)
{
    request.origin.by = "socket";
    for (uint32_t b = 0; b < BOARDS; b++) {
        if (w->board[b].alive) board_ask(w, b, &request);
    }
}

void people_halt(struct world *w)
{
    w->people.release_ms = w->t_ms + 1 + prng_below(&w->people.chance, 2 * HOUR_MS);
    ask(w, (struct event_request){ .kind = REQUEST_HALT, .on = true });
}

void people_turn(struct world *w)
{
    if (w->people.release_ms > w->t_ms) return;
    w->people.release_ms = INT64_MAX;
    ask(w, (struct event_request){ .kind = REQUEST_HALT, .on = false });
}
