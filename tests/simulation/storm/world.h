/* A whole site in memory, on a clock of its own: real cores behind the daemon's own way from core
 * to disk to broker, a virtual head for each chain, simulated water, and everything between them
 * that can fail. One seed is one world: the same seed and the same options give the same bits.
 *
 * It jumps from one instant at which something happens to the next. 't_ms' is the world's own time;
 * no clock of any part need agree with it. */
#ifndef DOSEWRIGHT_TESTS_STORM_WORLD_H
#define DOSEWRIGHT_TESTS_STORM_WORLD_H

#include "daemon/run/daemon.h"
#include "lib/plant/head.h"
#include "lib/plant/tank.h"
#include "tests/simulation/disk/disk.h"
#include "tests/simulation/storm/faults.h"
#include "tests/simulation/storm/observe.h"

enum {
    TANKS_MOST = OBSERVE_TANKS,
    SLOTS = OBSERVE_SLOTS, /* of a tank: two parts of a recipe, acid, base */
    FLOW_SLOT = SLOTS,     /* of its outputs: the circulation */
    OUTPUTS = OBSERVE_OUTPUTS,
    CHAINS_MOST = 2, /* with heads; those of plain outputs come after them */
    BOARDS = OBSERVE_SIDES,
    MODULES_MOST = 4, /* of a chain */
    CHANNELS = 4,     /* pumps of a module */
    VARIANTS = 4,     /* configurations that a site may come to have */
    LETTERS_MOST = 8192,
    HEAD_RUNS_MS = 120000, /* at most, by one command */
    HEAD_CIRCULATES_MS = 900000,
    ALIVE_MS = 13000, /* a dead connection is noticed after so long */
    RELAY_LATE_MS = 8000,
};

struct world;

/* --- site.c: what an operator wrote down --------------------------------------------------------
 */

struct variant {
    struct config config;
    struct site_tank tank[TANKS_MOST];
    struct rules rules;
};

struct premises {
    uint32_t tanks, chains, modules[CHAINS_MOST];
    char serial[CHAINS_MOST][MODULES_MOST][CHAIN_WORD_MAX];
    bool has_base;
    int64_t probe_every_ms, beat_ms;
    struct variant variant[VARIANTS];
    struct plain_place { /* an output of a tank that hangs on a board without the contract */
        bool there;
        uint32_t chain, position;
        struct plain_output output;
        char topic[24], state_topic[24], serial[CHAIN_WORD_MAX];
    } plain[TANKS_MOST][OUTPUTS];
    bool keeps_reports; /* those boards publish their reports retained */
    bool answers;       /* ... and one at each order, whether or not it changes anything */
};

/* What only some sites are like: tanks with plain outputs; with probes of level and leak; requests
 * over the broker have to be signed; pumps are calibrated. */
struct manner {
    bool plain, floor, is_signed, measures;
};
void premises_draw(struct premises *p, uint64_t seed, int64_t civil_ms, const struct manner *is);

/* The rules of a variant, as the judge knows them. */
void premises_write_rules(const struct premises *p, struct variant *v);

/* --- site_plain.c -------------------------------------------------------------------------------
 */

/* Hangs some outputs of the first variant on boards; what no limit of a variant may be below, so
 * that a run of a board's own limit fits into it. */
void premises_draw_plain(struct premises *p, uint64_t seed);
void premises_fit_limits(struct variant *v);

/* How the judge knows an output; NULL 'o': it isn't a plain one. */
void premises_board_rule(struct rule_board *ret, const struct plain_output *o);

/* --- site_floor.c: level and leak probes ---------------------------------------------------------
 */

void premises_draw_floor(struct premises *p, uint64_t seed);
void premises_floor_rule(struct rule_tank *ret, const struct site_tank *t);

/* --- net.c: the broker and the ways to it -------------------------------------------------------
 */

enum letter_kind {
    LETTER_EVENT,   /* to a daemon */
    LETTER_COMMAND, /* to a head */
    LETTER_CLAIM,
    LETTER_ORDER, /* to a board of plain outputs */
    LETTER_WORD,  /* of such a board, to a daemon */
};

struct relay_order {
    uint32_t tank, output;
    bool on;
    int64_t run_ms;
    char id[CHAIN_WORD_MAX]; /* of the command behind it, for the judge; "": off */
    int64_t left_ms;
};

struct relay_word {
    uint32_t tank, output;
    bool on;
};

struct letter {
    int64_t at_ms;
    uint64_t order; /* among those of one instant */
    enum letter_kind kind;
    uint32_t to;     /* board or chain */
    uint32_t number; /* of the connection that it was sent to */
    union {
        struct event *event;
        struct chain_command command;
        struct chain_claim claim;
        struct relay_order order_to;
        struct relay_word word;
    };
};

struct net {
    struct prng chance;
    uint64_t order;
    uint32_t count;
    struct letter *heap[LETTERS_MOST]; /* soonest first */
    uint32_t free_count;
    struct event *free_event[LETTERS_MOST];
    int64_t last_ms[BOARDS][CHAINS_MOST + 1]; /* what is sent later arrives later */
    int64_t last_down_ms[CHAINS_MOST];
    int64_t last_word_ms[BOARDS][TANKS_MOST], last_order_ms[TANKS_MOST];
    struct { /* what the broker keeps of each chain */
        bool has_state, ready, has_roll, has_claim, has_ledger, has_manual;
        struct chain_roll roll;
        struct chain_claim claim;
        struct chain_ledger ledger;
        struct chain_manual manual;
    } kept[CHAINS_MOST];
};

void net_init(struct net *n, uint64_t seed);
void net_done(struct net *n);
int64_t net_due(const struct net *n);
void net_turn(struct world *w); /* delivers what has arrived */

/* To a daemon: 'from' is the chain, or CHAINS_MOST for all else. The event is copied as far as its
 * kind goes. */
void net_tell(struct world *w, uint32_t board, uint32_t from, const struct event *event);

/* From a daemon to a head. */
void net_command(struct world *w, uint32_t chain, const struct chain_command *command);
void net_claim(struct world *w, uint32_t chain, const struct chain_claim *claim);

/* From a daemon to a board of plain outputs, and back. */
void net_order(struct world *w, const struct relay_order *order);
void net_word(struct world *w, uint32_t board, const struct relay_word *word);

/* A head publishes, to all who listen; the broker keeps it. */
void net_publish(struct world *w, uint32_t chain, const struct event *event);

/* Is it there? Would it take this daemon's connection? And it dies, with all connections. */
bool net_broker_up(const struct world *w);
bool net_accepts(const struct world *w, uint32_t board);
void net_broker_dies(struct world *w, bool forgets);

/* A daemon has subscribed: what the broker keeps comes at once. */
void net_subscribed(struct world *w, uint32_t board);

/* --- chain.c: heads and modules -----------------------------------------------------------------
 */

struct output_watch {
    bool runs, by_hand;
    char id[CHAIN_WORD_MAX];
    char serial[CHAIN_WORD_MAX];
    uint32_t chain;
    int64_t total_ms, hand_ms;            /* of the head's, as poured so far */
    int64_t stuck_from_ms, stuck_till_ms; /* its relay goes on between, poured up to the first */
};

struct chain_side {
    struct head head;
    int64_t zero_ms; /* its up_ms was 0 */
    int64_t beat_due_ms;
    uint32_t boots, first_boot; /* so far; the first of this head */
    bool latched, online;
    struct chain_claim claim; /* that the judge knows of */
    int64_t online_ms;        /* it connects again then; INT64_MAX: it is connected */
    struct output_watch seen[MODULES_MOST][CHANNELS + 1];
};

void chains_init(struct world *w);
int64_t chains_due(const struct world *w);
void chains_turn(struct world *w);
void chain_command(struct world *w, uint32_t chain, const struct chain_command *command);
void chain_claim(struct world *w, uint32_t chain, const struct chain_claim *claim);
void chain_reboot(struct world *w, uint32_t chain, bool forgets);
void chain_replace(struct world *w, uint32_t chain);
void chain_speaks(struct world *w, uint32_t chain); /* again, after it was mute */
void chain_go_offline(struct world *w, uint32_t chain, int64_t span_ms);
void chains_reconnect(struct world *w);

/* Is it this head, or the one that it took the place of? By the word for its boot. */
bool chain_is_boot_of_now(const struct world *w, uint32_t chain, const char *boot);

/* The modules are as the spells that last have it. */
void chain_replug(struct world *w, uint32_t chain);
void chain_hand(struct world *w, uint64_t draw, bool on);
void chain_flow_changed(struct world *w, uint32_t tank);
void chain_stop_switch(struct world *w, uint32_t chain, bool pressed);

/* --- relay.c: boards of plain outputs, one for each tank that has any ---------------------------
 */

struct relay_output {
    bool on, by_hand;
    char id[CHAIN_WORD_MAX];
    int64_t till_ms;   /* it switches off by itself then */
    bool stuck, shows; /* its contacts stick, although it is off; and it reports on meanwhile */
    int64_t stuck_till_ms;
    int64_t poured_ms;  /* all that it moved until then is in the water */
    bool told, told_on; /* what it reported last */
};

struct relay_board {
    bool there, online;
    int64_t online_ms; /* it connects again then; INT64_MAX: it is connected */
    struct relay_output output[OUTPUTS];
};

/* What a message on a topic is to a board; false: it isn't for one. */
bool relay_read(const struct world *w, struct relay_order *ret, const char *topic,
    const char *payload, size_t length);

void relays_begin(struct world *w);
int64_t relays_next(const struct world *w);
void relays_live(struct world *w);
void relay_take(struct world *w, const struct relay_order *order);
void relay_reboot(struct world *w, uint64_t draw);
void relay_go_offline(struct world *w, uint64_t draw, int64_t span_ms);
void relay_hand(struct world *w, uint64_t draw, bool on);
void relay_flow_changed(struct world *w, uint32_t tank);
void relays_heal(struct world *w);
void relays_say(struct world *w); /* how they are now */

/* A daemon has subscribed: it hears what the broker keeps. */
void relays_tell_kept(struct world *w, uint32_t board);

/* --- relay_send.c: what leaves a daemon for such a board -------------------------------------- */

/* Is this topic a board's? Then it is on its way, and the judge knows of it. */
bool relay_send(struct mqtt *m, const struct mqtt_publish *p);

/* --- stranger.c: somebody else on the broker ----------------------------------------------------
 */

struct stranger {
    uint32_t count, next;
    struct chain_command heard[16]; /* what daemons sent lately */
    uint32_t heard_chain[16];
    uint32_t names;
};

void stranger_hears(struct world *w, uint32_t chain, const struct chain_command *command);
void stranger_commands(struct world *w);
void stranger_replays(struct world *w);
void stranger_claims(struct world *w);
void stranger_floods(struct world *w);

/* --- water.c: tanks, bottles, lines -------------------------------------------------------------
 */

struct basin {
    struct plant_tank tank;
    int64_t at_ms; /* it stands there */
    bool flows;
    struct plant_dose stock[SLOTS];
    double rate[SLOTS];   /* of the pumps in truth, mL/s */
    double cup_ml[SLOTS]; /* what they gave since somebody emptied the cylinder */
};

void waters_init(struct world *w);
void water_catch_up(struct world *w, uint32_t tank);
void water_pour(struct world *w, uint32_t tank, uint32_t slot, int64_t ran_ms);
void waters_tell_effects(struct world *w);

/* Does a spell hit this pump? */
bool water_pump_is(const struct world *w, enum fault fault, uint32_t tank, uint32_t slot);
void water_flow(struct world *w, uint32_t tank, bool flows);
void water_change(struct world *w, uint32_t tank, double share);

/* --- probes.c -----------------------------------------------------------------------------------
 */

struct probes {
    struct prng chance;
    int64_t due_ms[TANKS_MOST];
    double held[TANKS_MOST][2]; /* what a frozen one showed */
    bool holds[TANKS_MOST];
    int64_t flow_ms[TANKS_MOST]; /* a flow probe is due; INT64_MAX: there is none */
    struct prng floor_chance;
    int64_t floor_ms[TANKS_MOST]; /* level and leak are due; INT64_MAX: there are none */
};

void probes_init(struct world *w);
int64_t probes_due(const struct world *w);
void probes_turn(struct world *w);
void probes_storm(struct world *w);
int64_t floor_probe_begin(struct world *w, uint32_t tank);
void floor_probe_read(struct world *w, uint32_t tank);
void probes_flow_changed(struct world *w, uint32_t tank);

/* --- board.c: a daemon on its board -------------------------------------------------------------
 */

struct mqtt { /* what the shell takes for its connection */
    struct world *world;
    uint32_t board;
    bool up;
    uint32_t number;
    int64_t try_ms;  /* INT64_MAX: nothing to try */
    int64_t dead_ms; /* it is noticed then that nobody answers; INT64_MAX */
};

struct board {
    struct world *world;
    uint32_t index;
    bool there, alive;
    struct daemon daemon;
    struct variant own[2]; /* of the site's file, as it was read: calibrations are put in here */
    uint32_t own_at;
    struct mqtt mqtt;
    struct disk *disk;
    char file[64];                   /* of its journal, the newest that the judge has seen */
    int64_t sync_ms;                 /* the sync that was asked for ends; INT64_MAX: none */
    int64_t start_ms;                /* it is started then; INT64_MAX: it isn't to be */
    int64_t stalled_ms;              /* it does nothing before */
    int64_t stall_ms;                /* ... since then */
    int64_t loop_ms;                 /* in a crash loop: the next */
    bool cut;                        /* the power failed since the last start */
    int64_t disk_calls, disk_failed; /* writes and syncs that were seen, and that failed */
    uint32_t variant;                /* of the site, as its file says now */
    int32_t reload;                  /* a variant that waits for a quiet moment; -1: none */
    void *spare;                     /* room for the next core */
    int64_t zone_ms;                 /* of its zone */
    int64_t beat_ms;                 /* site/beat is due */
    char head_boot[CHAINS_MOST][CHAIN_WORD_MAX]; /* of heads, as heard in this life */
    bool failed; /* its journal has told it that nothing may begin */
    uint32_t starts, boots, relay_boots;
    char boot[40];
    int64_t booted_ms; /* in the world's time: its monotonic clock's zero */
    int64_t civil_ms;  /* to add to the world's time */
    enum clock_trust trust;
    struct prng chance;
};

/* --- ear.c: what a daemon hears, told to the judge ----------------------------------------------
 */

void ear_tell(struct world *w, uint32_t board, const struct event *event);

void boards_init(struct world *w);
void boards_done(struct world *w);
int64_t boards_due(const struct world *w);
void boards_turn(struct world *w);
void board_hear(struct world *w, uint32_t board, const struct event *event);
void board_hear_word(struct world *w, uint32_t board, const struct relay_word *word);
void board_ask(struct world *w, uint32_t board, const struct event_request *request);

/* The process dies; the whole board does. It starts again after so long. */
void board_kill(struct world *w, uint32_t board, int64_t down_ms);
void board_power_cut(struct world *w, uint32_t board, int64_t down_ms);

/* It does nothing for so long; its connection is gone, and tried again after so long; its file says
 * something else now; another zone. */
void board_stall(struct world *w, uint32_t board, int64_t span_ms);
void board_lose_link(struct world *w, uint32_t board, int64_t retry_ms);
void board_reload(struct world *w, uint32_t board, uint32_t variant);
void boards_thaw(struct world *w);
void board_tell_zone(struct world *w, uint32_t board, int64_t offset_ms);

/* The second daemon appears, and goes. */
void board_arrive(struct world *w, uint32_t board);
void board_leave(struct world *w, uint32_t board);

/* --- clock.c: what a board's clocks say ---------------------------------------------------------
 */

struct now clock_of(const struct board *b);
void clock_boot(struct board *b);
void clock_set(struct world *w); /* as the spells that last have it */

/* --- stubs.c: whose log it is ------------------------------------------------------------------
 */

void shell_talks_in(struct world *w);

/* --- platter.c: the journal's files -------------------------------------------------------------
 */

/* Shows the judge what has come since the last time, or all that is there after a start. */
void platter_show(struct board *b);
void platter_show_anew(struct board *b);
void platter_lose(struct board *b, uint64_t draw);

/* --- errands.c: what people ask for with their hands ---------------------------------------------
 */

enum { ERRANDS_KEPT = 16 };

struct errands {
    uint32_t ids, next, count;
    int64_t n;                               /* of the newest that was signed */
    struct event_request sent[ERRANDS_KEPT]; /* over the broker, lately */
    bool bench[TANKS_MOST];                  /* its tubes hang in a cup */
    bool was_on_bench[TANKS_MOST];           /* ever: whoever was dead then may not know the end */
};

/* May it be acted on, as far as it is known whose it is? A halt always is. */
bool errand_trusted(const struct world *w, const struct event_request *request);
void errand_tell(struct world *w, uint32_t board, const struct event_request *request);
void errand_ask(struct world *w, struct prng *chance);
void errand_forge(struct world *w, struct prng *chance);
void errand_forge_halt(struct world *w, bool retained);
void errand_replay(struct world *w, struct prng *chance);
void errand_bench(struct world *w, uint32_t tank, bool on);
bool errand_cup(const struct world *w, uint32_t tank);
bool errand_put_on_bench(struct world *w, uint32_t tank, bool on);
void errand_send(struct world *w, struct event_request *q, struct prng *c);

/* --- calibrate.c: somebody calibrates pumps, one after the other
 * ----------------------------------
 */

struct calibrator {
    bool there, benched; /* at it; and it was they who put the tank on the bench */
    uint32_t tank, slot;
    int64_t due_ms; /* the next thing they do */
    bool runs;      /* a run was asked for, and waits for its volume */
    double scale;   /* what they read of what is there, in this series; 1: rightly */
    bool unsteady;  /* ... each time something else */
    const struct event_request *says; /* the volume that is being said now */
    uint32_t says_to;
    uint64_t found, refused; /* rates that hold since, volumes that weren't believed */
};

int64_t calibrator_due(const struct world *w);
void calibrator_comes(struct world *w, uint32_t tank);
void calibrator_goes(struct world *w);
void calibrator_turns(struct world *w);

/* A volume is being said to this daemon; and that is what it answers. */
void calibrator_says(struct world *w, uint32_t board, const struct event_request *q);
void calibrator_hears(struct world *w, bool ok, const char *text);

/* --- people.c -----------------------------------------------------------------------------------
 */

void people_halt(struct world *w, bool on);
void people_flag(struct world *w, enum request_kind kind, uint32_t tank, bool on);
void people_set(struct world *w, struct prng *chance);
void people_acknowledge(struct world *w, bool all);
void people_identify(struct world *w, struct prng *chance);
void people_claim(struct world *w);
void people_vouch(struct world *w);
void people_look_at_boards(struct world *w);
void people_end_override(struct world *w, uint32_t tank);

/* --- strike.c -----------------------------------------------------------------------------------
 */

/* One fault strikes; its spell ends; and all of them do. */
void world_strike(struct world *w, enum fault fault);
void world_mend(struct world *w, enum fault fault);
void world_heal(struct world *w);

/* --- look.c: the worlds' own eyes ---------------------------------------------------------------
 */

/* What a person would see: nothing is silent, no setpoint outside the envelope. After the healing:
 * is it dosing again, or does it say why not? */
void world_look(struct world *w);
void world_look_over(struct world *w);

/* --- world.c ------------------------------------------------------------------------------------
 */

struct world_options {
    uint64_t seed;
    int64_t span_ms;
    struct fault_wish wish;
    bool talks;
};

struct world {
    struct world_options options;
    int64_t t_ms, heal_ms;
    bool healed;
    struct premises premises;
    struct weather weather;
    struct net net;
    struct chain_side chain[CHAINS_MOST];
    struct relay_board relay[TANKS_MOST];
    struct basin water[TANKS_MOST];
    struct probes probes;
    struct board board[BOARDS];
    struct stranger stranger;
    struct errands errands;
    struct calibrator calibrator;
    int64_t frozen_ms; /* the broker froze then */
    int64_t look_ms;   /* the next look */
    int64_t vouch_ms;  /* somebody says then that nothing was dosed yet; INT64_MAX: no need */
    int64_t settle_ms; /* after the healing people put things right; 0: not yet */
    int64_t waiting_ms[BOARDS][TANKS_MOST]; /* since when; after the healing */
    int64_t floor_held_ms[TANKS_MOST];      /* by level or leak, since when; after the healing */
    int64_t held_ms[TANKS_MOST];            /* when it last named what holds it */
    uint64_t doses_before[TANKS_MOST], doses_of[TANKS_MOST];
    struct observer *observer;
    uint64_t trace;
    uint64_t doses; /* that really ran */
};

struct verdict {
    uint32_t breaches;
    struct breach first;
    uint64_t trace, doses, found, refused;
    uint64_t fires[FAULT_COUNT];
};

/* Makes a world, lets it live, looks it over and takes it apart. */
void world_live(const struct world_options *options, struct verdict *ret);

/* The configuration of the site in its first form. */
const struct site *world_site(const struct world *w);

/* One more thing that the trace must repeat; one line when the world talks. */
void world_mark(struct world *w, uint64_t number);
void world_mark_text(struct world *w, const char *text);
void world_say(const struct world *w, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
