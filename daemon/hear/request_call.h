/* Requests over MQTT: what comes on request/call and what goes back.
 *
 *     {"id":"bench-17","request":"pause","tank":"basil-bench","on":true}
 *     {"id":"bench-17","ok":true,"reason":"done","text":""}
 *
 * Who asked waits under a ticket until the core answers. At most REQUEST_CALLERS_MAX wait; one more
 * lets the oldest go unanswered. */
#ifndef DOSEWRIGHT_DAEMON_REQUEST_CALL_H
#define DOSEWRIGHT_DAEMON_REQUEST_CALL_H

#include "daemon/hear/request_read.h"
#include "daemon/hear/request_verify.h"
#include "daemon/hear/route.h"
#include "daemon/mqtt/inbox.h"

enum {
    REQUEST_ANSWER_MAX = 512, /* bytes of an answer, without a NUL */
    REQUEST_CALLERS_MAX = 64,
};

/* Set in every ticket of a caller, and in none of the local socket's. */
#define REQUEST_CALLER (UINT64_C(1) << 63)

struct request_caller {
    uint64_t ticket; /* 0: nobody */
    char id[CHAIN_WORD_MAX];
    char topic[INBOX_TOPIC_MAX + 1]; /* MQTT 5's response topic; "": none that may be used */
    char correlation[INBOX_CORRELATION_MAX];
    size_t correlation_length;
};

struct request_callers {
    uint64_t last;
    struct request_caller item[REQUEST_CALLERS_MAX];
};

/* Reads a message of request/call. 'ret' always is a request of origin "mqtt": one that can't be
 * read is REQUEST_UNREAD with its refusal, whose words are in 'no'. Its id is "" where none can be
 * read; only an order to halt does without. Where the site has keys, so does everything that
 * wasn't signed with one: what else is wrong with it isn't told. */
void request_read_call(struct event_request *ret, const struct mqtt_message *m,
    const struct request_trust *trust, struct request_refusal *no);

/* Remembers who asked; the ticket for the core. Without an id nobody can be answered: 0. */
uint64_t request_caller_add(struct request_callers *c, const char *id, const struct mqtt_message *m,
    const struct config *config, const struct routes *routes);

/* Who waits under that ticket, who then waits no longer; false: nobody. */
bool request_caller_take(struct request_callers *c, uint64_t ticket, struct request_caller *ret);

/* May an answer go to this topic? Not into the Homie domain, not where the configuration listens,
 * not where the broker itself speaks ($...). */
bool request_may_answer_on(
    const struct config *config, const struct routes *routes, const char *topic);

/* The answer in JSON, at most REQUEST_ANSWER_MAX bytes: a longer text is cut between two characters
 * and says so. */
void request_add_answer(
    struct text *t, const char *id, bool ok, const char *reason, const char *text);

#endif
