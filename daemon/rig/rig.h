/* Private to 'dosewright rig': a site's chains, tanks and probes played on a broker. The parts:
 *
 *   cmd_rig.c       arguments, the loop
 *   rig_fault.c     the words that break and mend things
 *   rig_apply.c     what each of them does
 *   rig_head.c      one chain head's hardware: modules, and what their outputs do
 *   rig_chain.c     the same head on MQTT
 *   rig_describe.c  its Homie description
 *   rig_board.c     a relay board instead, for plain outputs
 *   rig_order.c     ... and what it makes of a payload
 *   rig_world.c     tanks, tubes, bottles: what really moves
 *   rig_probe.c     what the probes publish
 *   rig_tell.c      lines for people and for the ledger file
 *
 * It shares no decision with the daemon: what it writes to its ledger is what its pumps did. */
#ifndef DOSEWRIGHT_DAEMON_RIG_H
#define DOSEWRIGHT_DAEMON_RIG_H

#include <stdio.h>

#include "daemon/config/config.h"
#include "daemon/mqtt/mqtt.h"
#include "daemon/rig/rig_fault.h"
#include "lib/plant/head.h"
#include "lib/plant/probe_model.h"
#include "lib/plant/reservoir.h"

enum {
    RIG_STEP_MS = 50,   /* while something runs */
    RIG_IDLE_MS = 1000, /* while nothing does */
    RIG_BEAT_MS = 1000,
    RIG_TANK_EVERY_MS = 5000, /* a tank's true water goes into the ledger */
    RIG_AWAY_MS = 1500,       /* how long a head that restarts is gone */
    RIG_PARCELS_MAX = 48,     /* of stock on their way through a line */
    RIG_FAULTS_MAX = 64,      /* that wait for their time */
    RIG_DEVICE_MAX = 128,
};

/* --- what moves ------------------------------------------------------------------------------- */

struct rig_parcel { /* stock in the line between pump and tank */
    double ml;
    double due_ms; /* on the tank's clock of flowing water */
};

struct rig_pump {    /* one stock's tube into one tank */
    double ml_per_s; /* what it really gives */
    double factor;   /* of the fault 'slow'; else 1 */
    bool unplugged;  /* by a fault: it doesn't turn */
    uint32_t parcel_count;
    struct rig_parcel parcel[RIG_PARCELS_MAX]; /* oldest first */
    bool cup;                                  /* its tube hangs in a cup, which holds so much */
    double cup_ul;
    double air_ul;        /* so much of what it moves next is air */
    double line_until_ms; /* some of it is in the line until then, on the same clock */
    uint32_t met;         /* pumps that this run was seen to meet, a bit each */
    uint64_t starts;
    int64_t command_ms, hand_ms; /* it ran */
    double moved_ul, arrived_ul; /* by its run time, and what of it left the bottle */
};

struct rig_tank {
    struct reservoir water; /* doses come through the rig's own tubes, probes are the rig's own */
    struct rig_pump pump[TANK_PUMPS_MAX];
    bool circulates;
    bool unplugged; /* its circulation, by a fault */
    double flow_ms; /* water has flowed for that long */
    bool leaks;
    bool level_held; /* the level probe shows 'level_percent' whatever there is */
    double level_percent;
};

struct rig_bottle {  /* the place of a stock's bottle, and the bottle of that stock */
    uint32_t stands; /* whose bottle stands in this place: its own but for a fault */
    bool empty;      /* by a fault */
    double left_ul;
};

/* --- chains ----------------------------------------------------------------------------------- */

struct rig_module {              /* a thing that can be carried around; its tubes stay with it */
    char serial[CHAIN_WORD_MAX]; /* what it says */
    bool removed;
    double thin_ohm;                        /* of its link, beside what the configuration says */
    bool unplugged[CHAIN_CHANNELS_MAX + 1]; /* that motor has no power */
};

struct rig_run { /* what an output did when it was last looked at */
    bool running, by_hand;
    char id[CHAIN_WORD_MAX];
    int64_t since_ms;
    int64_t command_total_ms, hand_total_ms; /* of the head's place, then */
    int64_t ran_ms;
    double moved_ul, arrived_ul;
};

enum rig_link { RIG_UP, RIG_LEAVING, RIG_GONE };

struct rig_chain {
    const struct chain_config *config;
    char device[RIG_DEVICE_MAX]; /* "homie/5/west" */
    char client[64];
    struct mqtt *mqtt, *usurper; /* the second takes the first one's name, to make it lost */
    bool connected, told_away;   /* the second: that there is no connection was said */
    uint32_t greeted;            /* so many of the things to say on a new connection were said */
    enum rig_link link;
    bool keep_away;      /* fault 'gone' is on */
    struct mono back_at; /* when a restarting head comes back */
    bool mute, deaf;
    double weak_ohm;     /* inside its supply */
    double told_volts;   /* the lowest of a module in the roll-call that was published last ... */
    struct mono told_at; /* ... then */
    struct head head;
    int64_t zero_ms; /* mono at which its up_ms was 0 */
    struct mono beat_at;
    bool has_report; /* 'report' waits to be published */
    struct chain_report report;
    char last_report[512];
    struct rig_module module[CHAIN_MODULES_MAX];  /* in the configuration's order */
    uint32_t place[CHAIN_MODULES_MAX];            /* which of them hangs where */
    uint32_t seen_count, seen[CHAIN_MODULES_MAX]; /* those that the head sees, in order */
    int64_t orders;                               /* of a board: so many came ... */
    bool told_on[CHAIN_MODULES_MAX];              /* ... and this was reported last */
    struct rig_run run[CHAIN_MODULES_MAX][CHAIN_CHANNELS_MAX + 1]; /* by module */
};

/* --- probes ----------------------------------------------------------------------------------- */

struct rig_probe {
    uint32_t tank;
    const struct probe_config *config;
    struct probe_model model;
    bool silent;
    bool bathes; /* it hangs in a bath of that value, in the unit used inside */
    double bath;
    bool first; /* of its topic: it publishes for all that share it */
};

/* --- all of it -------------------------------------------------------------------------------- */

struct rig_options {
    const char *site_path, *broker, *ledger_path;
    uint64_t seed;
    bool exact, quiet;
    int64_t every_ms;
    uint32_t fault_count;
    const char *fault[RIG_FAULTS_MAX];
};

struct rig {
    const struct rig_options *options;
    struct config *config;
    const struct site *site;
    struct broker_config broker;
    FILE *ledger; /* NULL: none */
    bool ledger_failed;
    int poll;
    struct mono begun, now, stepped_at, probes_at, tanks_at;
    struct prng chance;
    uint32_t chain_count;
    struct rig_chain *chain;
    struct rig_tank *tank;
    struct rig_bottle *bottle;
    uint32_t probe_count;
    struct rig_probe *probe;
    struct mqtt *probe_mqtt;
    uint32_t probe_next; /* of the round that is under way; probe_count: none is */
    double probe_seconds;
    bool probe_again; /* it didn't fit into the connection at once */
    uint32_t waiting_count;
    struct rig_fault waiting[RIG_FAULTS_MAX]; /* after_ms counts from 'begun' */
};

/* --- cmd_rig.c -------------------------------------------------------------------------------- */

/* The loop wakes when this can be read. */
bool rig_watch(const struct rig *rig, int descriptor);

/* --- rig_world.c ------------------------------------------------------------------------------ */

struct rig_tube {
    uint32_t tank, pump;
};

/* Every tank full of source water, every bottle full; false when memory is short. */
/* Tanks full of source water, full bottles; false when memory is short. */
bool rig_world_open(struct rig *rig);

/* The water moves on to rig->now. */
void rig_world_step(struct rig *rig);

/* An output that has a tube starts or ends. */
void rig_world_start(struct rig *rig, struct rig_tube tube);
void rig_world_end(struct rig *rig, struct rig_tube tube);

/* A circulation's motor loses its power, or has it again. */
void rig_world_unplug(struct rig *rig, struct rig_tube tube, bool on);

/* Which pump or circulation hangs on a module's output: false when nothing does. A circulation has
 * 'pump' TANK_PUMPS_MAX. */
bool rig_tube_of(const struct rig *rig, const struct rig_chain *chain, uint32_t module,
    uint32_t channel, struct rig_tube *ret);

/* A pump ran that long: how much moved, and how much of that came out of the bottle. */
struct rig_moved {
    double moved_ul, arrived_ul;
};
struct rig_moved rig_pour(
    struct rig *rig, struct rig_tube tube, int64_t by_command_ms, int64_t by_hand_ms);

/* Does any output of any chain run? */
bool rig_anything_runs(const struct rig *rig);

/* --- rig_head.c ------------------------------------------------------------------------------- */

/* A head as configured, new. */
void rig_head_make(struct rig *rig, struct rig_chain *chain);

/* Its clock up to rig->now, and what its pumps moved meanwhile. */
void rig_head_advance(struct rig *rig, struct rig_chain *chain);

/* Something was done to it: what started and ended by that? */
void rig_head_look(struct rig *rig, struct rig_chain *chain);

/* The modules hang differently now. */
void rig_head_replug(struct rig *rig, struct rig_chain *chain);

/* Power goes and comes: a new boot. */
void rig_head_reboot(struct rig *rig, struct rig_chain *chain);

/* --- rig_chain.c ------------------------------------------------------------------------------ */

enum err rig_chain_open(struct rig *rig, uint32_t chain, struct problem *problem);
void rig_chain_close(struct rig_chain *chain);

/* Takes time up to rig->now, looks after the connection, hears and publishes. Returns when it wants
 * to be called again. */
struct mono rig_chain_turn(struct rig *rig, struct rig_chain *chain);

/* The connection breaks as if the cable was cut, and comes back. */
void rig_chain_cut(struct rig *rig, struct rig_chain *chain);
void rig_chain_mend(struct rig *rig, struct rig_chain *chain);

/* A clean end. */
void rig_chain_goodbye(struct rig_chain *chain);

/* --- rig_board.c: where chain->config->plain ---------------------------------------------------
 */

/* After rig_head_make. */
void rig_board_make(struct rig_chain *chain);
void rig_board_hear(struct rig *rig, struct rig_chain *chain, const struct mqtt_message *message);
/* False: something is left, for want of room on the connection. */
bool rig_board_publish(struct rig *rig, struct rig_chain *chain);
/* What it listens to: how many. */
uint32_t rig_board_topics(
    const struct rig_chain *chain, struct mqtt_subscription ret[CHAIN_MODULES_MAX]);

/* --- rig_describe.c --------------------------------------------------------------------------- */

/* The $description of a chain head: Homie 5. */
void rig_describe(struct text *t, const char *chain);

/* --- rig_probe.c ------------------------------------------------------------------------------ */

bool rig_probes_open(struct rig *rig, struct problem *problem);
void rig_probes_publish(struct rig *rig, double seconds);
/* ... as far as the connection takes them at once; the others when it has room again. */
void rig_probes_go_on(struct rig *rig);
struct rig_probe *rig_probe_find(struct rig *rig, uint32_t tank, enum probe_quantity quantity);

/* What a probe of that unit sends for a true value in the unit used inside; degc is the water's. */
double rig_probe_outside(const struct probe_config *config, double value, double degc);

/* How it behaves: lag, noise, resolution, by its unit. */
struct probe_model_config rig_probe_behaviour(enum probe_unit unit);

/* --- rig_apply.c ------------------------------------------------------------------------------ */

/* Reads the words, and does them or keeps them for their time; false when they made no sense, which
 * has been said in 'problem'. */
bool rig_take_words(struct rig *rig, const char *words, struct problem *problem);

/* Does what is due; returns when the next is. */
struct mono rig_apply_due(struct rig *rig);

/* --- rig_tell.c ------------------------------------------------------------------------------- */

enum err rig_tell_open(struct rig *rig, struct problem *problem);
void rig_tell_close(struct rig *rig);

/* One line for people. */
void rig_say(const struct rig *rig, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* One line each for people and in the ledger. */
void rig_tell_run(struct rig *rig, const struct rig_chain *chain, uint32_t module, uint32_t channel,
    const char *event);
void rig_tell_refusal(
    struct rig *rig, const struct rig_chain *chain, const struct chain_report *report);
void rig_tell_ignored(
    struct rig *rig, const struct rig_chain *chain, const char *id, const char *reason);
void rig_tell_met(struct rig *rig, uint32_t tank, uint32_t stock, uint32_t other);
/* Circulation runs while a tube of the tank hangs in a cup. */
void rig_tell_spray(struct rig *rig, uint32_t tank);
void rig_tell_tanks(struct rig *rig);
void rig_tell_totals(struct rig *rig);

#endif
