/* The inside of the daemon's Homie devices, for homie*.c and their test. What is published is
 * decided over plain values (struct homie_world), so that it can be tested without core and broker;
 * homie.c alone knows those.
 *
 * A device goes through: $state init, its description, its values, $state ready; then it is live
 * and says what changes. A property that gets its first value isn't in the description yet, so the
 * device goes through init again. Every step can be broken off when the connection is full, and
 * goes on at the next call where it stopped. */
#ifndef DOSEWRIGHT_DAEMON_HOMIE_INSIDE_H
#define DOSEWRIGHT_DAEMON_HOMIE_INSIDE_H

#include "daemon/homie.h"
#include "daemon/homie_rows.h"
#include "daemon/route.h"

enum {
    HOMIE_MESSAGES_MOST = 256, /* of one call */
    HOMIE_DEVICES_MOST = 128,  /* looked at in one call */
    HOMIE_ALERTS_MAX = 64,
    HOMIE_GHOSTS_MAX = 32,
    HOMIE_ID_MAX = 2 * CHAIN_WORD_MAX,
    HOMIE_ROOT = -1, /* instead of a tank's index */
};

enum homie_stage { STAGE_INIT, STAGE_DESCRIBE, STAGE_VALUES, STAGE_READY, STAGE_LIVE };

/* What was last said of one property. */
struct homie_slot {
    uint64_t print; /* of the text */
    int64_t scaled;
    struct mono at;
    bool described; /* in this device's description */
    bool said;      /* since the connection came up */
    bool again;     /* somebody tried to set it: say it, changed or not */
};

struct homie_device {
    char id[HOMIE_ID_MAX];
    int32_t tank;
    enum homie_stage stage;
    bool recheck;         /* after a reload: is the description still the same? */
    uint64_t description; /* its print, without the version; 0: none yet */
    int64_t version;
    uint32_t slot, slots; /* first and how many */
};

struct homie_alert {
    char id[ALERT_ID_MAX];
    int32_t tank;
    uint64_t print;
    bool said, stands;
};

/* An alert that was found on the broker, left there by a former life. */
struct homie_ghost {
    uint32_t device;
    char id[ALERT_ID_MAX];
};

struct homie_views {
    struct site_view site;
    struct tank_view tank;
    struct stock_view stock[TANK_PUMPS_MAX]; /* of the tank's pumps */
};

/* Where the values come from and where the messages go. */
struct homie_world {
    void (*look)(void *context, int32_t tank, struct homie_views *ret);
    bool (*alert)(void *context, uint32_t index, struct alert_view *ret);
    enum mqtt_result (*send)(void *context, const struct mqtt_publish *p);
    void *context;
    struct now now;
};

struct homie {
    const struct config *config;
    uint32_t device_count; /* the root first, then the tanks in the configuration's order */
    struct homie_device *device;
    struct homie_slot *slot;
    char *filter_texts;
    const char **filter;
    uint32_t filter_count;

    bool connected;
    uint32_t cursor; /* the device to look at next */
    int room;        /* messages left in this call */
    struct homie_alert alert[HOMIE_ALERTS_MAX];
    uint32_t alert_count;
    struct homie_ghost ghost[HOMIE_GHOSTS_MAX];
    uint32_t ghost_count;
    char *clear; /* topics to be cleared, each ending in NUL, one after the other */
    size_t clear_bytes, clear_at;

    char site_config[HOMIE_VALUE_MAX];
    struct link_tip tip;
    bool has_beat;
    struct mono beat_at;

    struct homie_value value; /* scratch */
    char *description;
    size_t description_size;
};

/* --- homie_show.c ----------------------------------------------------------------------------- */

/* Says what is to be said; false when something is left for the next call. */
bool homie_show(struct homie *h, const struct homie_world *world);

/* --- homie_describe.c ------------------------------------------------------------------------- */

/* A property of a device: its row and, for a stock's, the pump (else -1). */
const struct homie_row *homie_property(
    const struct homie_device *device, uint32_t index, int32_t *ret_pump);

/* The description of a device from what its slots say, with this version, into h->description. */
struct text homie_describe(struct homie *h, const struct homie_device *device, int64_t version);

/* The topic of an attribute or property, e.g. ("water", "ec") or ("$state", NULL). */
void homie_topic(char ret[ROUTE_TOPIC_MAX], const struct homie *h,
    const struct homie_device *device, const char *first, const char *second);
void homie_property_topic(char ret[ROUTE_TOPIC_MAX], const struct homie *h,
    const struct homie_device *device, uint32_t index);

/* How much room the longest description takes. */
size_t homie_description_room(const struct config *config);

/* A fingerprint of bytes (FNV-1a, 64 bits, http://www.isthe.com/chongo/tech/comp/fnv/). */
uint64_t homie_print(const char *bytes, size_t length);

/* --- homie_reload.c --------------------------------------------------------------------------- */

/* Notes a topic to be cleared on the broker; without memory it's left there, and the log says so.
 */
void homie_clear_later(struct homie *h, const char *topic);

#endif
