/* The running daemon: what it holds, and the parts that pass things along. It decides nothing: it
 * turns messages into events, performs the core's actions in order, and keeps commands back until
 * the journal is on disk.
 *
 * The core's monotonic clock runs on from where the journal ended: 'line_ms' is what to add to
 * CLOCK_BOOTTIME to be on that line (lib/journal/recover.h). */
#ifndef DOSEWRIGHT_DAEMON_DAEMON_H
#define DOSEWRIGHT_DAEMON_DAEMON_H

#include "daemon/config/config.h"
#include "daemon/door/door.h"
#include "daemon/hear/request_call.h"
#include "daemon/hear/route.h"
#include "daemon/homie/homie.h"
#include "daemon/journal/journal_file.h"
#include "daemon/mqtt/mqtt.h"
#include "daemon/run/metrics.h"
#include "daemon/run/relays.h"
#include "daemon/run/replay.h"
#include "daemon/run/reread.h"
#include "lib/core/core.h"

enum {
    ANNOUNCED_MAX = 40, /* a key and its NUL */
    HELD_KEPT = 128,    /* commands waiting for the disk; of more the oldest aren't sent */
    HELD_MAX = HELD_KEPT + ACTIONS_MAX,
    HELD_LATE_MS = 6000, /* one that waited longer isn't sent: its head would refuse it */
    LINES_MAX = 64,      /* records waiting for the disk, to be published then */
    REREAD_LOOK_MS = 20, /* is the configuration read by now? */
    VIEW_EVERY_MS = 250, /* what is shown is looked at this often at most */
    VIEW_CALM_MS = 1000, /* ... when no deed was done meanwhile */
    VIEW_IDLE_MS = 5000, /* ... and at least */
    TICKS_MOST = 512,    /* in one pass of the loop */
    FOLLOW_FILTERS = 2,  /* of the journal of the daemon that commands */
    FOLLOW_KEPT = 4,     /* its newest records, that came before those that were asked for */
};

struct held { /* a command or claim that waits until the journal is on disk up to 'seq' */
    int64_t seq;
    struct mono since;
    bool overtaken; /* a stop or halt for what it would start has left meanwhile: it isn't sent */
    enum action_kind kind;
    uint32_t chain;
    struct chain_command command;
    struct chain_claim claim;
};

struct line { /* a record that is shown once it is on disk */
    int64_t seq;
    char text[RECORD_LINE_MAX];
    char hash[LINK_HASH_HEX];
};

struct daemon {
    struct config *config;
    struct reread *reread;      /* the configuration is being read again; NULL: it isn't */
    bool reread_again;          /* ... and once more after that */
    struct config *next_config; /* checked, waiting for a quiet moment */
    uint64_t reload_ticket;     /* who waits for the verdict; 0: nobody */
    char config_error[PROBLEM_TEXT_MAX + PROBLEM_WHERE_MAX];
    struct civil config_loaded;

    void *block;
    struct core *core;
    struct core_identity identity;
    char boot[40];
    int64_t line_ms;
    struct actions *actions;

    struct journal *journal;
    int64_t last_seq;  /* appended */
    bool journal_told; /* the core knows that it failed */
    bool record_lost;  /* a record of this step couldn't be written: its deed must not be done */

    struct mqtt *mqtt;
    bool link_up, active;
    struct routes routes;
    struct relays *relays; /* plain outputs; NULL: none */
    struct homie *homie;
    struct door *door;
    struct request_keys keys;       /* that requests over MQTT are signed with */
    struct request_keys next_keys;  /* ... from when next_config is in force */
    uint64_t ignored;               /* messages that weren't what their topic asks for */
    struct request_callers callers; /* who asked over MQTT and waits for an answer */
    char follow_topic[FOLLOW_FILTERS][ROUTE_TOPIC_MAX];
    struct line follow_kept[FOLLOW_KEPT];
    uint32_t follow_next;
    int64_t follow_asks;   /* how often records of it were asked for */
    struct replay *replay; /* records that somebody wants to see again, or NULL */

    struct held held[HELD_MAX];
    uint32_t held_first, held_count;
    struct line *lines;
    uint32_t line_first, line_count;

    struct metrics *metrics; /* NULL: none are wanted */
    struct metrics_loop passes;

    struct now now;  /* of this pass; real CLOCK_BOOTTIME */
    bool view_dirty; /* an event may have changed what is shown */
    bool view_deeds; /* ... and something was done */
    struct mono view_at, zones_at;
    char announced[ANNOUNCED_MAX]; /* the prefix below which a home hub was told; "" */
    bool stopping;
};

/* --- run.c: start and stop -------------------------------------------------------------------- */

/* Opens everything; on failure what was opened is closed by daemon_close. 'keys' are the
 * configuration's; they are copied. */
enum err daemon_open(struct daemon *d, struct config *config, const struct request_keys *keys,
    struct problem *problem) __attribute__((warn_unused_result));
void daemon_close(struct daemon *d);

/* (Re)connects with the broker as the site, or as one that stands by. */
enum err daemon_connect(struct daemon *d, struct problem *problem)
    __attribute__((warn_unused_result));

/* The plain outputs of a site, as after a restart. */
enum err daemon_open_relays(const struct daemon *d, struct relays **ret, const struct site *site,
    struct problem *problem) __attribute__((warn_unused_result));

/* The connection is up: shows itself, as the site or as one that stands by. */
void daemon_greet(struct daemon *d);

/* Before a connection is ended on purpose: a standing-by daemon leaves no ghost, an active one says
 * goodbye. */
void daemon_say_goodbye(struct daemon *d);

/* Begins the metrics that the configuration wants, or none. */
void daemon_open_metrics(struct daemon *d);

/* Tells the connection what this daemon listens to. */
enum err daemon_subscribe(struct daemon *d, struct problem *problem)
    __attribute__((warn_unused_result));

/* --- announced.c: where a home hub is told of the devices ---------------------------------------
 */

/* Keeps in the journal where a home hub is told of the devices, so that a later start knows what to
 * withdraw when discovery has been turned off meanwhile. */
void daemon_note_announced(struct daemon *d);
void daemon_record_announced(struct daemon *d);

/* What was told elsewhere, when discovery was turned off or moved meanwhile, is withdrawn. */
void daemon_withdraw_announced(struct daemon *d);

/* --- revive.c --------------------------------------------------------------------------------- */

/* Opens the journal and restores the core from it: core_restored comes next. */
enum err daemon_open_journal(struct daemon *d, struct journal_report *ret, struct problem *problem)
    __attribute__((warn_unused_result));

/* --- turn.c: parts of a pass ------------------------------------------------------------------ */

/* The connection came up or was lost: d->link_up. */
void daemon_tell_link(struct daemon *d);

/* Lets time pass in the core: all that is due, or TICKS_MOST of it. */
void daemon_tick(struct daemon *d);

/* Tells the core whether the journal can be written, and carries into a new segment what must be
 * in it. */
void daemon_check_journal(struct daemon *d);

/* Plain outputs: what is to be said to their boards and to the core. */
void daemon_turn_relays(struct daemon *d);

/* When one of these has something to do by time alone, on the clock of d->now. */
struct mono daemon_due(const struct daemon *d);

/* Another core and its outputs take over, as after a reload. The former core's block stays the
 * caller's. */
void daemon_exchange(struct daemon *d, struct core *core, struct relays *relays);

/* --- loop.c ----------------------------------------------------------------------------------- */

/* Until a signal says stop; the exit code. 'signals' is a signalfd. */
int daemon_loop(struct daemon *d, int signals);

/* --- perform.c -------------------------------------------------------------------------------- */

/* The clocks as the core sees them. */
struct now daemon_core_now(const struct daemon *d);

/* One event into the core, and what it wants done. */
void daemon_step(struct daemon *d, const struct event *event);

/* Performs d->actions in order. */
void daemon_perform(struct daemon *d);

/* Sends what the disk has come up to, drops what waited too long, shows what was written. */
void daemon_release(struct daemon *d);

/* Shows a few of the records that somebody wants to see again. */
void daemon_replay(struct daemon *d);

/* Appends a record of the shell's own (a configuration that was refused). */
void daemon_record(struct daemon *d, struct record *record);

/* --- inbound.c -------------------------------------------------------------------------------- */

/* What the shell shows of itself; valid as long as 'status' is. */
struct door_shell daemon_shell(
    const struct daemon *d, const struct mqtt_status *status, const struct link_tip *tip);

/* One message from the broker, one call through the door. */
void daemon_message(struct daemon *d, const struct mqtt_message *message);
void daemon_call(struct daemon *d, const struct door_call *call);

/* --- follow.c: the journal of the daemon that commands, while this one stands by -----------------
 */

/* Is it of that journal? Then it has been heard. */
bool daemon_follow(struct daemon *d, const struct mqtt_message *message);
/* What is listened to for it: FOLLOW_FILTERS of them, valid until the next call. */
uint32_t daemon_follow_filters(struct daemon *d, struct mqtt_subscription *ret);
/* Asks for records of it. */
void daemon_ask_records(struct daemon *d, int64_t from, int64_t to);

/* --- renew.c: SIGHUP -------------------------------------------------------------------------- */

/* Begins to read and check the configuration again; 'ticket' waits for the verdict (0: nobody). */
void daemon_reload(struct daemon *d, uint64_t ticket);

/* Swaps in what was read and is right, when nothing is in flight. */
void daemon_renew(struct daemon *d);

/* --- told.c ----------------------------------------------------------------------------------- */

/* One line for the operator's log about a record that moves or means something; others are silent.
 */
void told_record(const struct record *record);

#endif
