/* The core driven from outside: lines of JSON in, lines of JSON out, and no world in between.
 * docs/drive.md is the contract; these are its parts: a line is read (drive_read.c, drive_body.c),
 * something is done with it (drive_life.c), and the answer is written (drive_tell.c).
 *
 * Instants: 'now' is what the lines say; the core's own clock runs on from where the journal ended,
 * 'line_ms' ahead of it (lib/journal/recover.h), as in the daemon. */
#ifndef DOSEWRIGHT_DAEMON_DRIVE_H
#define DOSEWRIGHT_DAEMON_DRIVE_H

#include "daemon/config/config.h"
#include "daemon/hear/route.h"
#include "daemon/homie/homie.h"
#include "daemon/mqtt/inbox.h"
#include "daemon/payload/json_guard.h"
#include "daemon/payload/payload.h"
#include "lib/core/core.h"
#include "lib/journal/link.h"
#include "lib/journal/recover.h"

enum {
    DRIVE_TICKS_MOST = 512,       /* at one instant, as in one pass of the daemon's loop */
    DRIVE_ROUNDS_MOST = 64,       /* of so many ticks, where the core ticks itself */
    DRIVE_ZONES_MS = 60000,       /* the zones are looked up this often */
    DRIVE_TEXT_MAX = 1024 * 1024, /* a view of the whole site fits */
    DRIVE_BOOT_MAX = RECOVER_BOOT_MAX,
};

enum drive_phase {
    DRIVE_BEGUN,   /* the journal may come */
    DRIVE_STARTED, /* events may come */
};

struct drive {
    struct config *config;
    struct routes routes;
    struct homie *homie;
    bool ticks_itself;
    void (*put)(const char *text); /* where answers go */
    void *block;
    struct core *core;
    struct site file_site; /* as the file has it: an order that was adopted is of one life */
    struct site_tank *file_tank;
    uint64_t rebind; /* bit c: chain c is to be rearranged */
    struct actions *actions;
    bool *own_zone; /* of each tank: lines tell its offset */

    /* of this life of the core */
    enum drive_phase phase;
    uint32_t lives;
    struct core_identity identity;
    char boot[DRIVE_BOOT_MAX];
    bool has_now;
    struct now now;
    int64_t line_ms;
    struct recover_line recovered;
    struct link_tip tip;
    int64_t records; /* restored */
    bool damaged;
    bool active;
    bool zones_known;
    struct mono zones_at;

    /* of this line */
    int64_t line;    /* from 1 */
    struct text out; /* over DRIVE_TEXT_MAX bytes */
    uint32_t told;   /* actions so far */
    bool any_bad;
};

/* What a line asks for. */
enum drive_kind {
    DRIVE_BEGIN,
    DRIVE_JOURNAL,
    DRIVE_START,
    DRIVE_TICK,
    DRIVE_LINK,
    DRIVE_TOPIC,
    DRIVE_REQUEST,
    DRIVE_SENT,
    DRIVE_UNSENT,
    DRIVE_DISK,
    DRIVE_ZONE,
    DRIVE_VIEW,
    DRIVE_KIND_COUNT,
};

struct drive_line {
    enum drive_kind kind;
    struct json_view root, value; /* the line, and the member that gave it its kind */
    struct now now;
    /* begin */
    char by[CHAIN_WORD_MAX];   /* "" when it doesn't say */
    char boot[DRIVE_BOOT_MAX]; /* "" */
    /* link, request, unsent, disk, zone */
    struct event event;
    /* topic */
    struct mqtt_message message; /* over these: */
    char topic[INBOX_TOPIC_MAX + 1];
    char bytes[PAYLOAD_MAX + 1];
    /* journal: the record's line */
    char record[RECORD_LINE_MAX];
    /* view: -1 all */
    int32_t tank;
};

/* --- drive_read.c, drive_body.c --------------------------------------------------------------- */

/* All of a line; what it leaves out of the instant is as on the line before. False when it can't be
 * read, goes back in time, or comes in the wrong phase: the problem says why, and 'd' is as it was.
 */
bool drive_read(struct drive_line *ret, const struct drive *d, const char *bytes, size_t length,
    struct problem *problem);

/* What belongs to its kind. */
bool drive_read_body(struct drive_line *l, const struct drive *d, struct problem *problem);

/* False, and says what was found where what is allowed; 'found' may be { 0 }. */
bool drive_refuse(
    struct problem *problem, const char *where, struct json_view found, const char *allowed);

/* --- drive_life.c ----------------------------------------------------------------------------- */

/* Makes everything for a configuration (which it takes over), and begins a first life. */
enum err drive_open(struct drive *d, struct config *config, void (*put)(const char *text),
    struct problem *problem) __attribute__((warn_unused_result));
void drive_close(struct drive *d);

/* One line (without its line feed) and its answer; 'bytes' NULL: it was too long to be read. */
void drive_take(struct drive *d, const char *bytes, size_t length);

/* The instant by the core's own clock. */
struct now drive_core_now(const struct drive *d);

/* --- drive_tell.c ----------------------------------------------------------------------------- */

/* {"line":N,...,"actions":[ */
void drive_open_answer(struct drive *d, bool tick);

/* Adds what the core wants done, in order; ends the list. */
void drive_tell_actions(struct drive *d);
void drive_end_actions(struct drive *d);

/* Members after it: the view of one tank or (-1) all, why a message was ignored. */
void drive_tell_view(struct drive *d, int32_t tank);
void drive_tell_ignored(struct drive *d, const char *why);

/* When the core wants to wake, and the line feed: the answer goes out. A former one that turned out
 * to be about nothing doesn't. */
void drive_close_answer(struct drive *d);
void drive_drop_answer(struct drive *d);

/* The answer to a bad line. */
void drive_tell_problem(struct drive *d, const struct problem *problem);

#endif
