/* Plain outputs on MQTT: a head for each tank that has any (lib/chain/plain_head.h), played here.
 * Passes the core's commands to the boards, and what comes of them to the core; decides nothing.
 *
 * "On" goes out at QoS 0: it must not be sent twice, nor be kept for a board that is away. "Off"
 * goes out at QoS 1: it may come twice. Whenever the connection comes up, and at the end, every
 * output is told to be off first. */
#ifndef DOSEWRIGHT_DAEMON_RELAYS_H
#define DOSEWRIGHT_DAEMON_RELAYS_H

#include "daemon/config/config.h"
#include "daemon/mqtt/mqtt.h"
#include "lib/core/core.h"

struct relays;

/* For the plain outputs of 'site', which outlives it; NULL in *ret when it has none. 'boot' is
 * drawn at random each time, as a head does at its start. ERR_IO without memory. */
struct relays_start {
    const struct site *site;
    const char *boot;
    struct mono now;
};
enum err relays_open(struct relays **ret, const struct relays_start *start, struct problem *problem)
    __attribute__((warn_unused_result));

/* Takes what a head would have kept over a restart from the core of the same site, restored. */
void relays_recall(struct relays *r, const struct core *core);

void relays_close(struct relays *r); /* NULL is fine, as it is for all of these */

/* Are the outputs of this chain played here? */
bool relays_serve(const struct relays *r, uint32_t chain);

/* Commands and claims of the core for such a chain. MQTT_UNSENT: nothing has been switched on. A
 * stop or halt leaves at once. */
enum mqtt_result relays_command(struct relays *r, struct mqtt *mqtt, uint32_t chain,
    const struct chain_command *command, struct mono now);
void relays_claim(
    struct relays *r, uint32_t chain, const struct chain_claim *claim, struct mono now);

/* The board of an output reports. */
void relays_hear(struct relays *r, uint32_t chain, uint32_t position, bool on, struct mono now);

/* Looks after all of them: says what is due to the boards and hands the core's events to 'event'.
 * 'up': the broker answers, and this daemon serves the site. */
struct relays_core {
    void *context;
    void (*event)(void *context, const struct event *event);
};
void relays_turn(
    struct relays *r, struct mqtt *mqtt, bool up, const struct relays_core *core, struct mono now);

/* When it wants to be looked after at the latest. */
struct mono relays_due(const struct relays *r);

/* Every output off, at once. */
void relays_off(struct relays *r, struct mqtt *mqtt);

#endif
