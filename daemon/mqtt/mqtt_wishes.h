/* The subscriptions that are wanted, and how far each has come. Pure bookkeeping: no library is
 * called here. A batch is what goes into one SUBSCRIBE or UNSUBSCRIBE. */
#ifndef DOSEWRIGHT_DAEMON_MQTT_WISHES_H
#define DOSEWRIGHT_DAEMON_MQTT_WISHES_H

#include "daemon/mqtt/inbox.h"

enum wish_state {
    WISH_WANTED,
    WISH_ASKED,
    WISH_GRANTED,
    WISH_UNWANTED, /* the broker still has it */
    WISH_LEAVING,  /* an UNSUBSCRIBE is on its way */
};

struct wish {
    const char *filter;
    int qos;
    bool settable, kept, urgent;
    enum wish_state state;
};

struct wishes {
    struct wish *item; /* sorted by filter */
    uint32_t count;
    char *texts;
};

struct wish_batch {
    bool leaving; /* an UNSUBSCRIBE */
    uint32_t count;
    uint32_t index[INBOX_CODES_MAX];
};

/* Replaces the table. What is granted in the former one and the same in the new one stays so; what
 * is only in the former one and may be known to the broker becomes unwanted. A filter that is twice
 * in the list is taken once, as it stands first. ERR_RANGE for a filter that MQTT doesn't allow or
 * that is too long; ERR_IO without memory. The former table is given back only on success. */
enum err wishes_replace(struct wishes *w, const struct mqtt_subscription *wanted, uint32_t count,
    struct problem *problem) __attribute__((warn_unused_result));
void wishes_free(struct wishes *w);

/* A new connection: nothing is granted, and what isn't wanted is forgotten. */
void wishes_reset(struct wishes *w);

/* The next batch of at most 'most' (1 to INBOX_CODES_MAX), marked as under way: first what leaves,
 * then what is wanted. False when there is nothing to do. */
bool wishes_next(struct wishes *w, uint32_t most, struct wish_batch *ret);

/* The answer to a batch came: 'codes' has 'count' granted QoS or refusals (0x80 and above). The
 * index of a filter that was refused, or granted less than was asked for; -1 when all is well. A
 * list of another length than the batch refuses the first. */
int64_t wishes_settle(
    struct wishes *w, const struct wish_batch *b, const uint8_t *codes, uint32_t count);

/* Is everything that is wanted granted? */
bool wishes_granted(const struct wishes *w);

/* 1 to INBOX_TOPIC_MAX bytes of UTF-8, wildcards only where MQTT allows them. */
bool wish_filter_valid(const char *filter);

#endif
