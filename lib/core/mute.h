/* Senders over the broker that fail again and again, or send too much, aren't listened to for a
 * while: so that one broken automation doesn't use up what all may ask in a time, and nobody has to
 * find the one good line among ten thousand bad ones. It is a courtesy, not a wall: who only has
 * the response topic for a name may take another. What holds is the broker's access list, the
 * signature and the paces (asked.h).
 *
 * A sender is known by a name that the caller makes. Each failure is a strike; MUTE_STRIKES of them
 * mute, and one is forgiven in each MUTE_FORGIVE_MS. Of more senders than there is room for, the
 * one that was heard longest ago and isn't muted is forgotten; while all are muted no more are. */
#ifndef DOSEWRIGHT_CORE_MUTE_H
#define DOSEWRIGHT_CORE_MUTE_H

#include "lib/base/units.h"

enum {
    MUTE_SENDERS_MAX = 16,
    MUTE_NAME_MAX = 128, /* bytes with the NUL; a longer name is cut */
    MUTE_STRIKES = 20,
    MUTE_FORGIVE_MS = 15000,
    MUTE_MS = 300000,
};

struct mute_sender {
    char name[MUTE_NAME_MAX]; /* "": this place is free */
    int64_t strikes_ms;       /* MUTE_FORGIVE_MS for each */
    struct mono at;           /* of the newest strike */
    bool muted;
    struct mono until;
    uint64_t unheard; /* since it was muted */
};

struct mutes { /* all zero: nobody has failed */
    struct mute_sender sender[MUTE_SENDERS_MAX];
};

/* One more failure of that sender: true when it is muted by it, 'ret' is its place then. */
bool mute_strike(struct mutes *m, const char *name, struct mono now, uint32_t *ret);

/* Is it muted? A yes is counted as unheard. */
bool mute_holds(struct mutes *m, const char *name, struct mono now);

/* A place whose time is over; false: none. It stays muted until mute_end. */
bool mute_over(const struct mutes *m, struct mono now, uint32_t *ret);

/* Listens to that place again, with a clean slate. */
void mute_end(struct mutes *m, uint32_t place);

/* How many are muted. */
uint32_t mute_count(const struct mutes *m);

#endif
