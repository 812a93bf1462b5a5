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

#include "daemon/hear/route.h"
#include "daemon/homie/homie.h"
#include "daemon/homie/homie_rows.h"

enum {
    HOMIE_MESSAGES_MOST = 256, /* of one call */
    HOMIE_DEVICES_MOST = 128,  /* looked at in one call */
    HOMIE_ALERTS_MAX = 64,
    HOMIE_GHOSTS_MAX = 32,
    HOMIE_DEPARTED_MAX = 16,  /* tanks that went while the daemon was off, at one start */
    HOMIE_SWEEP_DEVICES = 64, /* listened to at once */
    HOMIE_STUBS_MAX = 128,
    HOMIE_KEY_MAX = 128, /* of a component, for a home hub */
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
    bool kept;      /* the broker had a value of a former life */
};

struct homie_device {
    char id[HOMIE_ID_MAX];
    int32_t tank;
    enum homie_stage stage;
    bool recheck;         /* after a reload: is the description still the same? */
    bool announce;        /* a home hub is to be told (anew) */
    uint64_t description; /* its print, without the version; 0: none yet */
    int64_t version;
    uint32_t slot, slots; /* first and how many */
};

struct homie_alert {
    char id[ALERT_ID_MAX];
    int32_t tank;
    uint64_t print;
    bool said, stands;
    bool known; /* it was said once, in whatever words */
};

/* What a home hub is to forget: a component of a device. */
struct homie_stub {
    uint32_t device;
    const char *platform;
    char key[HOMIE_KEY_MAX];
};

/* An alert that was found on the broker, left there by a former life. */
struct homie_ghost {
    uint32_t device;
    char id[ALERT_ID_MAX];
};

/* A child that the site had, by its former description, and hasn't now. */
struct homie_departed {
    char id[HOMIE_ID_MAX];
    bool ours; /* its own description names this site */
};

/* Looking for what a former life left behind (homie_sweep.c). */
struct homie_sweep {
    bool over;
    bool refilter; /* other topics are to be listened to */
    bool waits;    /* for what the broker keeps, 'until' */
    struct mono until;
    uint32_t first; /* device of the window */
    struct homie_departed departed[HOMIE_DEPARTED_MAX];
    uint32_t departed_count;
    char *topics; /* kept by those, each ending in NUL, one after the other */
    size_t topic_bytes;
};

struct homie_views {
    struct site_view site;
    struct tank_view tank;
    struct stock_view stock[TANK_PUMPS_MAX]; /* of the tank's pumps */
};

/* Where the values come from and where the messages go. */
struct homie_world {
    void (*look)(void *context, int32_t tank, struct homie_views *ret);
    void (*probe)(
        void *context, uint32_t tank, enum probe_quantity quantity, struct probe_view *ret);
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
    char (*sweep_texts)[ROUTE_TOPIC_MAX];
    char birth_text[ROUTE_TOPIC_MAX];
    const char *former_prefix; /* of a home hub's discovery, from which all is withdrawn */
    struct homie_sweep sweep;

    /* Readings whose values are to be shown before the next look: bit q of heard[tank], and those
     * tanks in their order. */
    uint16_t *heard;
    uint32_t *heard_tank;
    uint32_t heard_first, heard_count;
    struct tank_view glimpse; /* of which only the probes that were heard are filled in */

    bool connected;
    bool full;       /* the last call was broken off because the connection took no more */
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

    struct homie_stub stub[HOMIE_STUBS_MAX];
    uint32_t stub_count;
    bool birth, has_birth; /* a home hub has come up; birth_at: was told last */
    struct mono birth_at;
    char *announcement;
    size_t announcement_size;

    struct homie_value value; /* scratch */
    char *description;
    size_t description_size;
};

/* --- homie_show.c ----------------------------------------------------------------------------- */

/* Says what is to be said; false when something is left for the next call. */
bool homie_show(struct homie *h, const struct homie_world *world);

/* One retained message; false when it wasn't taken or this call has sent enough. */
bool homie_send(struct homie *h, const struct homie_world *w, const char *topic,
    const char *payload, size_t length);

/* Says what is news of one probe's value and its quality; false when it was broken off. */
bool homie_show_probe(
    struct homie *h, const struct homie_world *w, uint32_t tank, enum probe_quantity quantity);

/* The device that shows an alert. */
const struct homie_device *homie_alert_device(const struct homie *h, int32_t tank);

/* --- homie_heard.c ---------------------------------------------------------------------------- */

/* Says what the readings that were noted changed, as far as the connection takes it. */
void homie_show_heard(struct homie *h, const struct homie_world *world);

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

/* --- homie_set.c ------------------------------------------------------------------------------ */

/* The device's part of a topic below this domain, not ended: 'length' bytes; what follows its slash
 * in 'rest'. NULL: it's no such topic. */
const char *homie_id_of(
    const struct homie *h, const char *topic, size_t *ret_length, const char **ret_rest);

/* The site's own device by its id; NULL when there is none. */
struct homie_device *homie_find_device(struct homie *h, const char *id);
struct homie_device *homie_find_device_of(struct homie *h, const char *id, size_t length);

/* --- homie_sweep.c ---------------------------------------------------------------------------- */

void homie_sweep_begin(struct homie *h);

/* Something that the broker kept, perhaps of this site. */
void homie_sweep_hear(struct homie *h, const struct mqtt_message *m);

/* To be called before anything is shown: clears what a window of time didn't explain. */
void homie_sweep_turn(struct homie *h, struct mono now);

/* After a reload: goes on where the former one was. */
void homie_sweep_take(struct homie *fresh, const struct homie *old);
void homie_sweep_free(struct homie_sweep *s);

/* What is listened to for it, at most so many; 'texts' has room for them. */
uint32_t homie_sweep_filters_most(uint32_t device_count);
uint32_t homie_sweep_filters(
    const struct homie *h, struct mqtt_subscription *ret, char (*texts)[ROUTE_TOPIC_MAX]);

/* An alert that the broker kept: it's cleared unless it stands. */
void homie_note_ghost(struct homie *h, uint32_t device, const char *id);

/* --- homie_component.c ------------------------------------------------------------------------ */

/* A device's document for a home hub, into h->announcement; cut when it is too large. */
struct text homie_announcement(struct homie *h, const struct homie_device *device);
size_t homie_announcement_room(void);

/* By what the hub knows a property's component, e.g. "water_ec", and an alert's. */
void homie_component_key(char ret[HOMIE_KEY_MAX], const struct homie *h,
    const struct homie_device *device, uint32_t index);
void homie_alert_key(struct text *t, const char *id);

/* The hub's word for what a property is. */
const char *homie_row_platform(const struct homie_row *row, const struct site_tank *tank);

/* "sensor", ...; NULL for what the hub doesn't see. */
const char *homie_component_platform(
    const struct homie *h, const struct homie_device *device, uint32_t index);

/* --- homie_discovery.c ------------------------------------------------------------------------ */

/* Tells a home hub what is due of a live device; false when it was broken off. */
bool homie_announce(struct homie *h, const struct homie_world *w, struct homie_device *device);
void homie_announce_all(struct homie *h);

/* Before anything is shown. */
void homie_discovery_turn(struct homie *h, struct mono now);

/* The hub says that it has come up: where it does, and whether this is it. */
void homie_birth_filter(char ret[ROUTE_TOPIC_MAX], const struct homie *h);
bool homie_hear_birth(struct homie *h, const struct mqtt_message *m);

/* Clears a device's document below a prefix (NULL: nothing to do). */
void homie_withdraw(struct homie *h, const char *prefix, const char *device);

/* A property or an alert has gone: the next document says so. */
void homie_property_gone(struct homie *h, struct homie_device *device, const struct homie *old,
    const struct homie_device *former, uint32_t index);
void homie_alert_gone(struct homie *h, const struct homie_alert *alert);
void homie_add_departed_components(
    struct text *t, const struct homie *h, const struct homie_device *device);

/* A property that the broker kept and the configuration has no more, as "stock-leaf-b/remaining":
 * the hub is told that it goes, where it was one that it knows. */
void homie_kept_gone(struct homie *h, struct homie_device *device, const char *rest);

/* After a reload. */
void homie_discovery_take(struct homie *fresh, const struct homie *old);

/* --- homie_reload.c --------------------------------------------------------------------------- */

/* Notes a topic to be cleared on the broker; without memory it's left there, and the log says so.
 */
void homie_clear_later(struct homie *h, const char *topic);

#endif
