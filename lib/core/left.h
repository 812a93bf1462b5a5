/* What people hold in tanks that the configuration has no more. One that is put back is held as it
 * was: whoever works on it can't have asked for an end meanwhile. */
#ifndef DOSEWRIGHT_CORE_LEFT_H
#define DOSEWRIGHT_CORE_LEFT_H

#include <stdbool.h>
#include <stdint.h>

#include "lib/chain/message.h"
#include "lib/core/view.h"

struct core;
struct core_tank;
struct record;
struct actions;
struct site_tank;

enum { LEFT_TANKS_MAX = 32 };

struct left_tank { /* one that was held in no way isn't remembered */
    char key[CHAIN_WORD_MAX];
    char serial[CHAIN_WORD_MAX]; /* of the module that circulated it */
    bool service, bench, paused;
    char paused_for[PAUSE_FOR_MAX];
};

struct left_tanks {
    uint32_t count;
    bool lost; /* there was no room: whatever comes anew is locked */
    struct left_tank tank[LEFT_TANKS_MAX];
};

/* It leaves with this configuration. */
void left_note(struct left_tanks *l, const struct site_tank *config, const struct core_tank *tank);

/* Such a tank, or its line, has come back, or a tank that nobody knows ('anew'): it is held. */
void left_take(
    struct left_tanks *l, const struct site_tank *config, bool anew, struct core_tank *ret);

/* A request or a carry of a tank that this configuration doesn't have. */
void left_restore(struct left_tanks *l, const struct record *r);

/* Says one again at the start of a new segment. */
void left_carry(const struct left_tanks *l, uint32_t index, struct record *ret);

#endif
