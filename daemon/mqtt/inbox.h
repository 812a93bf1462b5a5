/* Where the MQTT client's threads leave what came in, and the loop picks it up.
 *
 * Two rings of fixed size keep the order of arrival. Readings: the oldest make room for new ones,
 * and are counted. What is urgent (reports of a chain, requests, sets) has its own room, which no
 * flood of readings can fill; when that is full a message is refused and counted. Notices (the
 * connection came up, a subscription was granted) have a third.
 *
 * The descriptor is readable exactly while there is something to pick up. Every call is safe from
 * any thread; none of them blocks for longer than a copy takes. */
#ifndef DOSEWRIGHT_DAEMON_INBOX_H
#define DOSEWRIGHT_DAEMON_INBOX_H

#include "daemon/mqtt/mqtt.h"

enum {
    INBOX_TOPIC_MAX = 256, /* bytes of a topic, without its NUL */
    INBOX_READING_BYTES = 512 * 1024,
    INBOX_URGENT_BYTES = 1024 * 1024,
    INBOX_CORRELATION_MAX = 128, /* a longer one: nobody is answered there */
    INBOX_NOTICES_MAX = 32,
    INBOX_CODES_MAX = 64, /* filters in one SUBSCRIBE */
};

struct inbox;

/* A message as it came over the wire: nothing in it is checked yet. */
struct inbox_letter {
    const char *topic;
    size_t topic_length;
    const char *payload;
    size_t payload_length;
    bool retained;
    const char *response; /* MQTT 5 response topic; NULL: none */
    size_t response_length;
    const char *correlation;
    size_t correlation_length;
};

enum notice_kind {
    NOTICE_CONNECTED,  /* 'code': what the broker takes unacknowledged at most; 0: it didn't say */
    NOTICE_REFUSED,    /* the connect failed; 'code' and 'text' say why */
    NOTICE_LOST,       /* the connection broke, or the broker ended it with reason 'code' */
    NOTICE_LEFT,       /* a disconnect that was asked for is done */
    NOTICE_SUBSCRIBED, /* 'token'; 'codes' has what was granted */
    NOTICE_UNSUBSCRIBED, /* 'token' */
    NOTICE_FAILED,       /* a subscribe or unsubscribe: 'token', 'code' */
    NOTICE_RETIRED,      /* a client that was given up is gone */
};

struct notice {
    enum notice_kind kind;
    uint32_t link; /* of which connection: what comes late from a former one is ignored */
    int token, code;
    uint32_t count;
    uint8_t codes[INBOX_CODES_MAX];
    char text[160];
};

struct inbox_counts {
    uint64_t received;  /* everything that came */
    uint64_t dropped;   /* no room */
    uint64_t oversized; /* topic or payload too long */
    uint64_t malformed; /* topic with NUL, wildcard or bytes that aren't UTF-8 */
};

/* ERR_IO when memory or a descriptor is refused. It is held once. */
enum err inbox_open(struct inbox **ret, struct problem *problem)
    __attribute__((warn_unused_result));

/* One more holder; the last inbox_close frees it. NULL is fine. */
struct inbox *inbox_hold(struct inbox *box);
void inbox_close(struct inbox *box);

/* Readable when there is something to take. */
int inbox_descriptor(const struct inbox *box);

/* The filters whose messages are urgent; copied. ERR_IO when memory is short: then the former ones
 * stay. */
enum err inbox_mark_urgent(struct inbox *box, const char *const *filters, uint32_t count)
    __attribute__((warn_unused_result));

/* Checks the bounds, copies, wakes the loop. A device's $description that is too long is cut. */
void inbox_put(struct inbox *box, const struct inbox_letter *letter);

/* A notice; false when there are too many, which the next inbox_overrun tells. */
bool inbox_tell(struct inbox *box, const struct notice *notice);

/* Makes the descriptor readable until the next inbox_hear that finds nothing. */
void inbox_poke(struct inbox *box);

/* While it is shut, messages are kept and neither taken nor shown by the descriptor. */
void inbox_shut(struct inbox *box, bool shut);

/* Forgets the readings that wait, and counts them as dropped. */
void inbox_drop_readings(struct inbox *box);

/* The oldest message; false if there is none. The strings are valid until the next call. */
bool inbox_take(struct inbox *box, struct mqtt_message *ret);

/* The oldest notice; false if there is none. */
bool inbox_hear(struct inbox *box, struct notice *ret);

/* Were notices lost since the last question? */
bool inbox_overrun(struct inbox *box);

/* What was taken, dropped and refused so far. */
struct inbox_counts inbox_counts(struct inbox *box);

/* Does an MQTT filter ("house/+/ec", "house/#") match a topic? As in MQTT 5, section 4.7: a
 * wildcard at the start doesn't match topics that begin with $. */
bool inbox_filter_matches(const char *filter, const char *topic);

#endif
