/* From a topic to what it means for this site. Sorted once when a configuration is loaded, looked
 * up by halving. */
#ifndef DOSEWRIGHT_DAEMON_ROUTE_H
#define DOSEWRIGHT_DAEMON_ROUTE_H

#include "daemon/config/config.h"
#include "lib/core/event.h"

enum route_kind {
    ROUTE_HEAD_STATE,
    ROUTE_ROLL,
    ROUTE_CLAIM,
    ROUTE_BEAT,
    ROUTE_REPORT,
    ROUTE_LEDGER,
    ROUTE_MANUAL,
    ROUTE_PEER,
    ROUTE_PROBE,
    ROUTE_BOARD, /* where the board of a plain output reports */
};

enum { ROUTE_TOPIC_MAX = 256 };

struct route {
    const char *topic;
    enum route_kind kind;
    uint32_t chain;
    uint32_t tank;
    enum probe_quantity quantity;
    uint32_t position; /* BOARD: of the output in its chain */
};

struct routes {
    struct route *route; /* sorted by topic */
    uint32_t count;
    char *topics; /* one block that owns the chains' topics */
};

/* Builds the table; ERR_IO when memory is short. */
enum err routes_make(struct routes *ret, const struct config *config)
    __attribute__((warn_unused_result));
void routes_free(struct routes *r);

/* The first route of a topic, and how many share it (several probes in one message); NULL if none.
 */
const struct route *routes_find(const struct routes *r, const char *topic, uint32_t *ret_count);

/* "homie/5/west/dose/command/set" into 'ret'. */
void route_topic(char ret[ROUTE_TOPIC_MAX], const struct config *config, const char *device,
    const char *property);

/* The filter of every site's beat; is this topic one that it lets through? */
void route_beats(char ret[ROUTE_TOPIC_MAX], const struct config *config);
bool route_is_beat(const struct config *config, const char *topic);

#endif
