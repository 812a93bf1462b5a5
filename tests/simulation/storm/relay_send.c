/* What leaves a daemon for a board of plain outputs. Such an order bears no id; the command behind
 * it is known from the way that it takes through the daemon (the linker's --wrap shows it here). */
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

static const struct chain_command *sending;

enum mqtt_result pass_on(struct relays *r, struct mqtt *mqtt, uint32_t chain,
    const struct chain_command *command, struct mono now) __asm__("__real_relays_command");
enum mqtt_result show_and_pass_on(struct relays *r, struct mqtt *mqtt, uint32_t chain,
    const struct chain_command *command, struct mono now) __asm__("__wrap_relays_command");

enum mqtt_result show_and_pass_on(struct relays *r, struct mqtt *mqtt, uint32_t chain,
    const struct chain_command *command, struct mono now)
{
    sending = command;
    const enum mqtt_result result = pass_on(r, mqtt, chain, command, now);
    sending = NULL;
    if (result != MQTT_SENT)
        world_say(
            mqtt->world, "daemon %u: command %s to a board isn't sent", mqtt->board, command->id);
    return result;
}

static bool starts(const struct chain_command *c)
{
    return c && (c->action == CHAIN_DOSE || c->action == CHAIN_CIRCULATE);
}

/* The whole command, as far as the judge goes by it. */
static void tell_command(struct mqtt *m, const struct relay_order *order)
{
    const struct plain_place *p = &m->world->premises.plain[order->tank][order->output];
    const struct fact_command fact = {
        .sort = sending->action == CHAIN_DOSE ? SORT_DOSE : SORT_CIRCULATE,
        .id = sending->id,
        .by = sending->by,
        .reign = sending->reign,
        .chain = p->chain,
        .serial = p->serial,
        .channel = order->output == FLOW_SLOT ? CHAIN_CIRCULATION_CHANNEL : 1,
        .run_ms = sending->run_ms,
    };
    observe_command(m->world->observer, m->board, &fact, m->world->t_ms);
    world_mark_text(m->world, sending->id);
}

bool relay_send(struct mqtt *m, const struct mqtt_publish *p)
{
    struct world *w = m->world;
    struct relay_order order;
    if (!relay_read(w, &order, p->topic, p->payload, p->length)) return false;
    order.left_ms = w->t_ms;
    if (order.on && !starts(sending)) {
        observe_breach(w->observer, "I2", w->t_ms, "a board is told to run without a command");
        return true;
    }
    if (order.on) {
        (void)text_copy(order.id, sizeof order.id, sending->id);
        tell_command(m, &order);
    }
    world_say(w, "daemon %u tells output %u of tank %u to be %s %s", m->board, order.output,
        order.tank, order.on ? "on" : "off", order.id);
    const struct fact_order fact = { .tank = order.tank,
        .output = order.output,
        .on = order.on,
        .id = order.id,
        .run_ms = order.on ? sending->run_ms : 0 };
    observe_order(w->observer, m->board, &fact, w->t_ms);
    net_order(w, &order);
    if (order.on) weather_pounce(&w->weather, w->t_ms);
    return true;
}
