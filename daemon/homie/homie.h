/* The daemon's own Homie 5 devices: the site, and a child for each tank. Reads the core's views,
 * publishes what changed, and turns ".../set" messages into requests. One table of properties
 * drives descriptions, values and sets. */
#ifndef DOSEWRIGHT_DAEMON_HOMIE_H
#define DOSEWRIGHT_DAEMON_HOMIE_H

#include "daemon/config/config.h"
#include "daemon/mqtt/mqtt.h"
#include "lib/core/core.h"
#include "lib/journal/link.h"

struct homie;

/* For this configuration; nothing is published yet. */
enum err homie_open(struct homie **ret, const struct config *config, struct problem *problem)
    __attribute__((warn_unused_result));
/* NULL is fine. */
void homie_close(struct homie *h);

/* Fills in the filters that these devices listen to, at most homie_filters_most; returns how many.
 * They are valid until the next call. */
uint32_t homie_filters_most(const struct homie *h);
uint32_t homie_filters(const struct homie *h, struct mqtt_subscription *ret);

/* True once after each change of what homie_filters gives. */
bool homie_refilter(struct homie *h);

/* The connection is down. What the broker keeps is looked through anew after the next one. */
void homie_lost(struct homie *h);

/* The connection came up anew with the site's will: everything is published from scratch, $state
 * init, descriptions, values, $state ready. */
void homie_connected(struct homie *h);

/* Publishes what changed since the last call, as far as the connection takes it and for a bounded
 * time; the next call goes on where this one stopped. True when there is more to say already now.
 */
bool homie_publish(struct homie *h, struct mqtt *m, const struct core *core, struct now now);

/* Was the last homie_publish broken off because the connection took no more? Then another call goes
 * on as soon as there is room again. */
bool homie_waits(const struct homie *h);

/* A reading came: its value need not wait for the next look. homie_prompt publishes what such
 * readings changed, as far as the connection takes it; values that come faster than they can be
 * sent replace each other. Other than homie_publish it's to be called as often as anything comes
 * in. */
void homie_hear(struct homie *h, uint32_t tank, enum probe_quantity quantity);
void homie_prompt(struct homie *h, struct mqtt *m, const struct core *core, struct now now);

/* One record as it is on disk, for journal/entry and (with the next homie_publish) journal/tip. */
void homie_entry(struct homie *h, struct mqtt *m, const char *line, const struct link_tip *tip);

/* The state of the configuration files, for site/config. error "" when all is well. */
void homie_config(struct homie *h, const char *digest, struct civil loaded, const char *error);

/* The site's beat, every 5 s while active: call it as often as you like. */
void homie_beat(struct homie *h, struct mqtt *m, const char *by, struct mono now);

/* A message for one of this device's settable properties? Fills the request but for 'by' and
 * 'ticket'. HOMIE_REFUSED: it can't be read, or it was retained (only an order to halt is acted on
 * then); the problem says why, and so does the request, which is REQUEST_UNREAD then. The property
 * is published again either way. HOMIE_CALL: it is a request (request_call.h). An empty message is
 * nobody's: it's the echo of a kept one being cleared. What a former life of this daemon left
 * on the broker comes in here too (HOMIE_NOT_MINE); what of it is over is cleared by one of the
 * next homie_publish. */
enum homie_set { HOMIE_NOT_MINE, HOMIE_REQUEST, HOMIE_REFUSED, HOMIE_CALL };
enum homie_set homie_read_set(struct homie *h, const struct mqtt_message *message,
    struct event_request *ret, struct problem *problem);

/* One line on the site's $log: a warning, e.g. why a set was refused; or for information. */
void homie_warn(struct homie *h, struct mqtt *m, const char *text);
void homie_inform(struct homie *h, struct mqtt *m, const char *text);

/* A record that was asked for again, on journal/entry; false when it can't be sent now. */
bool homie_again(struct homie *h, struct mqtt *m, const char *line);

/* The answer to a request over MQTT, on request/answer. */
void homie_answer(struct homie *h, struct mqtt *m, const char *answer);

/* A clean end: $state disconnected. */
void homie_goodbye(struct homie *h, struct mqtt *m);

/* What a home hub was told below another prefix, or when discovery was on, is withdrawn: valid as
 * long as 'h' is. Discovery itself needs no call: it goes with homie_publish. */
void homie_withdraw_all(struct homie *h, const char *prefix);

/* Is something yet to be cleared on the broker? Also while there is no connection. */
bool homie_clearing(const struct homie *h);

/* Before 'old' is closed: 'fresh' goes on where it stood. Devices and properties that the former
 * configuration had and this one hasn't are removed from the broker by the next homie_publish; what
 * is the same isn't said again. */
void homie_reload(struct homie *fresh, const struct homie *old);

#endif
