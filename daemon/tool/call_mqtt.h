/* One caller's way to a daemon over the broker: sends a request, waits for its answer, and asks
 * again with the same id when none comes or the connection was lost, so that whatever happens it is
 * acted on once. */
#ifndef DOSEWRIGHT_DAEMON_CALL_MQTT_H
#define DOSEWRIGHT_DAEMON_CALL_MQTT_H

#include "daemon/config/config.h"
#include "daemon/mqtt/mqtt_secret.h"

struct call_options {
    const struct config *config; /* broker, homie_domain and site.key are used */
    const char *id;           /* of the first request, a number behind it for more; NULL: drawn */
    const char *reply;        /* MQTT 5's response topic; NULL: request/answer */
    const char *by;           /* who signs; NULL: nobody */
    const struct secret *key; /* 'by's */
    int64_t n;                /* of the first signature; 0: by the clock */
    int64_t wait_ms;          /* for an answer */
};

struct call;

/* Starts nothing yet. Everything in 'options' must live as long as it. */
enum err call_open(struct call **ret, const struct call_options *options, struct problem *problem)
    __attribute__((warn_unused_result));
void call_close(struct call *c); /* NULL is fine */

/* For struct tool_way (tool.h): 'line' is a request in JSON; the daemon's answer in JSON is the
 * caller's to free. ERR_IO when the broker can't be reached, ERR_BUSY when no answer came,
 * ERR_RANGE when the request can't be said like that. */
enum err call_carry(
    void *call, const char *line, int64_t wait_ms, char **ret_answer, struct problem *problem);

#endif
