/* How long to wait before the next attempt to reach the broker: 1, 2, 4 ... 30 s, each by chance a
 * quarter shorter or longer, so that a site's clients don't come back all at once. A connection
 * that held counts as a fresh start. Three in a row that broke within 10 s mean that something is
 * wrong which trying again won't mend, most likely another client with the same id that throws this
 * one out and is thrown out by it: then the wait is a minute and more. */
#ifndef DOSEWRIGHT_DAEMON_MQTT_PACE_H
#define DOSEWRIGHT_DAEMON_MQTT_PACE_H

#include "lib/base/prng.h"

enum {
    PACE_FIRST_MS = 1000,
    PACE_MOST_MS = 30000,
    PACE_BRIEF_MS = 10000, /* a connection that broke sooner didn't hold */
    PACE_BRIEF_COUNT = 3,
    PACE_QUARREL_MS = 80000,
};

struct pace {
    uint32_t failures; /* since a connection held */
    uint32_t brief;    /* broken soon, in a row */
    struct prng chance;
};

/* Nothing has been tried yet. */
struct pace pace_start(uint64_t seed);

/* A connection broke that had been up for so long. */
void pace_lost(struct pace *p, int64_t held_ms);

/* The wait before the next attempt; counts as one more failure. */
int64_t pace_wait_ms(struct pace *p);

/* Is another client suspected of using this client's id? */
bool pace_quarrel(const struct pace *p);

#endif
