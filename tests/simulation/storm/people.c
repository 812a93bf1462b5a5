/* Those who look after the site. They speak at the daemons' local doors. */
#include <stdio.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

static void ask(struct world *w, struct event_request request)
{
    request.origin.by = "socket";
    for (uint32_t b = 0; b < BOARDS; b++) {
        if (!w->board[b].alive || w->board[b].stalled_ms > w->t_ms) continue;
        const struct site *site = &w->board[b].daemon.config->site;
        if (request.tank >= site->tank_count) continue;
        board_ask(w, b, &request);
        if (weather_strikes(&w->weather, FAULT_TWICE)) board_ask(w, b, &request);
    }
}

void people_halt(struct world *w, bool on)
{
    ask(w, (struct event_request){ .kind = REQUEST_HALT, .on = on });
}

void people_flag(struct world *w, enum request_kind kind, uint32_t tank, bool on)
{
    ask(w, (struct event_request){ .kind = kind, .tank = tank, .on = on });
}

/* Some of these lie outside the envelope. */
void people_set(struct world *w, struct prng *chance)
{
    struct event_request q = { .tank = (uint32_t)prng_below(chance, w->premises.tanks) };
    switch (prng_below(chance, 3)) {
    case 0:
        q.kind = REQUEST_SET_EC;
        q.value = 100 + (double)prng_below(chance, 3000);
        break;
    case 1:
        q.kind = REQUEST_SET_PH;
        q.value = 4.5 + (double)prng_below(chance, 300) / 100.0;
        break;
    default:
        q.kind = REQUEST_OVERRIDE_FOR;
        q.span_ms = prng_below(chance, 100 * HOUR_MS);
        break;
    }
    ask(w, q);
}

static bool standing(const struct world *w, uint32_t board, uint32_t at, struct alert_view *ret)
{
    return core_alert(w->board[board].daemon.core, at, ret);
}

/* One that ends by it leaves its place to the next. */
static uint32_t acknowledge(struct world *w, uint32_t board, uint32_t at)
{
    struct event_request q = { .kind = REQUEST_ACKNOWLEDGE, .origin.by = "socket" };
    struct alert_view alert;
    if (!standing(w, board, at, &alert)) return at;
    if (alert.tank >= 0) observe_disturbed(w->observer, (uint32_t)alert.tank);
    if (alert.tank >= 0) observe_looked(w->observer, (uint32_t)alert.tank);
    (void)text_copy(q.word, sizeof q.word, alert.id);
    board_ask(w, board, &q);
    return standing(w, board, at, &alert) && text_same(alert.id, q.word) ? at + 1 : at;
}

/* Never 'limits-unknown': who says that little was dosed takes the limits' place. */
void people_acknowledge(struct world *w, bool all)
{
    for (uint32_t b = 0; b < BOARDS; b++) {
        struct alert_view alert;
        uint32_t at = 0;
        for (uint32_t n = 0; n < 64 && w->board[b].alive && standing(w, b, at, &alert); n++) {
            const bool never = strncmp(alert.id, "limits-unknown", 14) == 0;
            at = never ? at + 1 : acknowledge(w, b, at);
            if (!never && !all) break;
        }
    }
}

void people_identify(struct world *w, struct prng *chance)
{
    const uint32_t chain = (uint32_t)prng_below(chance, w->premises.chains);
    struct event_request q = { .kind = REQUEST_IDENTIFY };
    q.address = (struct chain_address){ .chain = chain,
        .position = 1 + (uint32_t)prng_below(chance, w->premises.modules[chain]),
        .channel = (uint32_t)prng_below(chance, CHANNELS + 1) };
    ask(w, q);
}

/* The first daemon is to have the site. */
void people_claim(struct world *w)
{
    for (uint32_t c = 0; c < world_site(w)->chain_count; c++) {
        struct event_request q = { .kind = REQUEST_CLAIM, .chain = c, .origin.by = "socket" };
        if (w->board[0].alive) board_ask(w, 0, &q);
    }
}

/* On a site that has just been set up somebody knows that nothing was dosed yet. */
void people_vouch(struct world *w)
{
    w->vouch_ms = INT64_MAX;
    for (uint32_t t = 0; t < w->premises.tanks && w->doses == 0; t++) {
        struct event_request q = { .kind = REQUEST_ACKNOWLEDGE };
        (void)snprintf(q.word, sizeof q.word, "limits-unknown-%s", world_site(w)->tank[t].key);
        if (w->relay[t].there) ask(w, q);
    }
}

/* Somebody goes to each board, looks, and says of each output that it is well. */
void people_look_at_boards(struct world *w)
{
    const struct site *site = world_site(w);
    for (uint32_t t = 0; t < w->premises.tanks; t++) {
        for (uint32_t i = 0; i < OUTPUTS; i++) {
            if (!w->premises.plain[t][i].there) continue;
            const char *name = i == FLOW_SLOT ? "circulation" : site->stock[i].key;
            struct event_request q = { .kind = REQUEST_ACKNOWLEDGE };
            (void)snprintf(q.word, sizeof q.word, "stays-on-%s-%s", site->tank[t].key, name);
            ask(w, q);
        }
        observe_looked(w->observer, t);
    }
}

void people_end_override(struct world *w, uint32_t tank)
{
    ask(w, (struct event_request){ .kind = REQUEST_OVERRIDE_FOR, .tank = tank });
}
