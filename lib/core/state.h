/* The inside of the core: one room for each chain and each tank, all in one block. Only files of
 * lib/core (and their tests) include this. */
#ifndef DOSEWRIGHT_CORE_STATE_H
#define DOSEWRIGHT_CORE_STATE_H

#include "lib/base/text.h"
#include "lib/control/law_inside.h"
#include "lib/core/asked.h"
#include "lib/core/care.h"
#include "lib/core/circulation.h"
#include "lib/core/clock_watch.h"
#include "lib/core/command.h"
#include "lib/core/core.h"
#include "lib/core/draw.h"
#include "lib/core/follow.h"
#include "lib/core/halt_told.h"
#include "lib/core/head_clock.h"
#include "lib/core/left.h"
#include "lib/core/mute.h"
#include "lib/core/plain.h"
#include "lib/core/signer.h"
#include "lib/core/summary.h"
#include "lib/core/upkeep.h"

enum {
    CORE_ALERTS_MAX = 64,
    MOTORS_APART_MS = 500,    /* between two starts on a chain: inrush lasts about 0.1 s */
    CORE_GONE_MAX = 64,       /* pumps that left the configuration within a day */
    CLAIM_SILENCE_MS = 15000, /* an owner that is silent for so long is gone */
    CLAIM_RETRY_MS = 5000,
    CHAIN_LOOK_MS = 1500,   /* a chain is looked at this often, or three times in four beats */
    TANK_LOOK_MS = 5000,    /* an idle tank; less often where its probes speak less often */
    LEDGER_WAIT_MS = 60000, /* for a ledger that tells of a dose lost from sight */
};

struct core_total { /* of an output run by hand, as far as it was counted */
    char serial[CHAIN_WORD_MAX];
    uint32_t channel;
    int64_t ms;
    int64_t before_ms; /* when the newest message's head was first heard; 0: its own word counts */
};

struct core_chain {
    bool head_ready, has_roll, matches;
    struct chain_roll roll;
    char mismatch[VIEW_WHY_MAX];
    bool has_beat;
    struct chain_beat beat;
    struct mono beat_at;
    bool amps_stale; /* the newest beat may still show the current of what has ended since */
    struct mono amps_stale_since;
    bool has_claim, ours;
    bool held;                 /* it was ours since this start */
    struct chain_claim claim;  /* in force, as read */
    struct chain_claim former; /* the last one in force that our own journal holds; by "" if none */
    struct chain_claim former_asked; /* ... and the last one that it asked for */
    int64_t seen_reign;  /* of another daemon's claim in force, by our journal; 0: none */
    int64_t asked_reign; /* 0: none asked */
    struct mono asked_at;
    struct mono owner_at; /* the daemon that the claim names was last heard, whatever its site */
    bool other_seen;      /* since this one asked last, or started, another one commanded it, or the
                             head was exchanged while this one didn't run */
    bool deposed;         /* another took it: stands by until somebody says 'claim' */
    bool beaten;          /* while this one serves the site, too, its owner was heard */
    bool claim_now;       /* somebody said 'claim' */
    bool limits_unknown, hand_running;
    struct mono limits_unknown_at;
    struct mono hand_at; /* when what runs by hand changed last */
    char hand_serial[CHAIN_WORD_MAX];
    uint32_t hand_channel, total_count;
    struct core_total total[CHAIN_TOTALS_MAX];
    bool has_totals; /* a first message has set the base, in this journal */
    char manual_boot[CHAIN_WORD_MAX];
    int64_t manual_n; /* of the newest message */
    bool ledger_seen; /* since the link came up */
    struct mono halt_sent;
    bool resume_owed; /* a release found the chain not ours, or unheard. Not kept over a restart:
                         a halt of the time between isn't ours to end */
    bool has_adopted;
    struct chain_binding adopted; /* an order of modules that a person adopted ... */
    int64_t adopted_of;           /* ... over a file of this order */
    struct mono motor_at;         /* when a motor was last told to start */
    uint32_t odd_beats;           /* how many more beats were odd than good */
    struct core_runs_on runs_on;
    struct core_known known;
    struct upkeep_span gone;
    struct core_head_clock head_clock;
    bool vouched;      /* at the last claim the other's journal stood for its limits */
    bool halt_pending; /* a halt was sent and the beat doesn't show it yet */
    struct mono due;
};

enum tank_step { STEP_IDLE, STEP_CIRCULATE, STEP_INJECT, STEP_FLUSH, STEP_MIX };

struct core_dose { /* one entry of a plan */
    uint32_t pump;
    enum law_stock stock;
    int64_t ul;
    int64_t ec_milli; /* expected EC rise, thousandths of uS/cm */
    int64_t ph_micro; /* expected pH move, millionths, > 0 */
};

struct core_plan {
    uint32_t count, next;
    struct core_dose dose[TANK_PUMPS_MAX];
    struct law_why why;      /* what led to it */
    enum core_errand errand; /* ERRAND_NONE: the law wants it */
};

struct core_pump {
    struct dose_window window;
    struct core_rate rate;
    bool stays_on; /* its plain output stayed on after its time: the tank is halted */
};

struct core_tank {
    struct probe probe[PROBE_QUANTITY_COUNT];
    struct core_pump pump[TANK_PUMPS_MAX];
    struct dose_window ec_rise, ph_move;
    bool paused, service;
    char paused_for[PAUSE_FOR_MAX]; /* what for, if it isn't a person's own */
    struct civil paused_since;      /* 0: not known yet */
    char paused_by[PAUSE_FOR_MAX];  /* whose key, or by which way it was asked for */
    struct core_care care;
    struct crop_override override;
    int64_t override_for_ms; /* of the next one */
    int64_t zone_offset_ms;
    enum tank_step step;
    struct core_plan plan;
    struct core_command dose;
    struct core_circulation circulation;
    bool line_dirty; /* the line holds a stock: a flush is owed */
    struct mono flush_from;
    int64_t flushed_ms;    /* of this flush, circulation confirmed and proven by a beat since */
    struct mono pumped_at; /* end of the last movement of liquid */
    bool mix_owed;         /* what was moved isn't mixed yet */
    bool wants_mixing;     /* something is wanted, and more is known when it has mixed */
    struct law law;
    struct law_config model; /* this tank, as the law sees it */
    struct mono seen_at[2];  /* newest EC and pH that the law has been shown */
    bool ask_law;            /* it has seen something new since it was asked */
    struct mono asked_law;
    enum tank_state said_state; /* what it said then */
    char said_why[VIEW_WHY_MAX];
    struct mono water_due; /* next record of the water */
    struct mono acid_ended, base_ended;
    bool locked[LAW_STOCKS]; /* it has stopped working: nothing is dosed of it */
    struct mono not_before;  /* after a failed attempt */
    uint32_t failures;       /* in a row */
    char last_id[CHAIN_WORD_MAX];
    int32_t last_pump; /* -1: none */
    int64_t last_ul;
    struct civil last_at;
    enum tank_state state;
    char why[VIEW_WHY_MAX];
    struct mono due;
    struct upkeep_tank upkeep;
    struct core_summary summary;
};

struct core_stock {
    int64_t remaining_ul;
    struct upkeep_stock use;
};

struct core_alert {
    bool used;
    char id[ALERT_ID_MAX];
    char text[ALERT_TEXT_MAX];
    int32_t tank;
};

/* What a pump gave that the configuration has no more: by its names and by its output. */
struct core_gone {
    char tank[CHAIN_WORD_MAX], stock[CHAIN_WORD_MAX], serial[CHAIN_WORD_MAX];
    uint32_t channel;
    struct mono ends; /* of the last of it */
    int64_t ul;       /* in the day before; with 'ms' 0: this place is free */
    int64_t ms;       /* beside that: by hand, when nobody knew how much it gives */
};

struct core {
    const struct site *site;
    struct core_identity identity;
    uint64_t next_id;
    bool link_up, active, journal_ok, halted, held_back;
    struct core_halt_told halt_told;
    char journal_why[128];
    struct mono link_since;
    bool has_peer;
    struct mono peer_at;
    char peer[CHAIN_WORD_MAX];
    uint64_t refused_messages;
    struct asked asked;
    struct core_follow follow;
    struct signers signers;
    struct mutes mutes;
    struct core_clock clock;
    bool damaged; /* the journal was found damaged */
    bool copied;  /* it is a copy that was put back, and nobody has acknowledged that */
    struct core_chain chain[SITE_CHAINS_MAX];
    struct core_stock stock[SITE_STOCKS_MAX];
    struct core_gone gone[CORE_GONE_MAX];
    bool gone_lost; /* there was no room for all of it */
    struct mono gone_lost_at;
    struct left_tanks left;
    struct core_alert alert[CORE_ALERTS_MAX];
    struct upkeep_quiet quiet[UPKEEP_QUIET_MAX];
    struct mono seen; /* the newest instant: of this step, or of the record that is restored */
    struct core_tank *tank;
};

/* --- settle.c --------------------------------------------------------------------------------- */

/* A report, or an entry of the ledger: does it concern a command of ours? */
void core_settle_report(struct core *core, uint32_t chain, const struct chain_report *report,
    struct now now, struct actions *ret);

/* Has the time for the dose's last report passed, and the ledger had its chance to tell? */
bool core_dose_overdue(const struct core *core, uint32_t tank, struct now now);

/* Such a dose counts as delivered in full. */
void core_settle_overdue(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* After an attempt that failed: the next one waits longer each time, up to five minutes. */
void core_back_off(struct core_tank *t, struct now now);

/* A command that certainly never left. */
void core_settle_unsent(
    struct core *core, uint32_t chain, const char *id, struct now now, struct actions *ret);

/* The tank with this key; -1 when the configuration has none. */
int32_t core_tank_named(const struct core *core, const char *key);

/* Raises the alert of every purpose that stands locked and has none: after a start, and for tanks
 * that a reload renamed. */
void core_raise_locks(struct core *core, struct actions *ret);

/* Counts a volume of a stock as gone from its bottle. */
void core_draw_stock(struct core *core, uint32_t stock, int64_t ul);

/* Liquid moved until 'ended': the line holds it, the tank must mix it. And: this pump moved it. */
void core_line_took(struct core_tank *t, struct mono ended);
void core_pump_ran(struct core *core, uint32_t tank, uint32_t pump, struct mono ended);

/* The hand total of an output, NULL when it has none yet. */
const struct core_total *core_known_total(
    struct core *core, uint32_t chain, const char *serial, uint32_t channel);

/* ... made if there is none yet; NULL when there is no room. */
struct core_total *core_total_of(
    struct core *core, uint32_t chain, const char *serial, uint32_t channel);

/* Does a dose, told to have been 'ul', go on counting as all that it may have been? */
bool core_full_counts(const struct core *core, uint32_t tank, const struct core_command *dose,
    int64_t ul, bool unsure);

/* The windows learn that a dose of this tank was 'ul' in truth, and when it ended at the latest. */
void core_settle_windows(struct core *core, uint32_t tank, const struct core_command *dose,
    int64_t ul, struct mono ends);

/* --- gone.c ----------------------------------------------------------------------------------- */

/* A pump left the configuration after it had given so much; and one has come (back). */
void core_note_gone(struct core *core, const struct core_gone *what, struct mono now);
void core_count_gone(struct core *core, uint32_t tank, uint32_t pump, struct mono now);
/* ... with its tank: how far EC and pH may still be moved isn't known for an hour. */
void core_count_gone_moves(struct core *core, uint32_t tank, struct mono now);

/* What is counted by pumps that are there again needn't be remembered beside that. */
void core_forget_gone(struct core *core);

/* --- gate.c ----------------------------------------------------------------------------------- */

/* May anything move for this tank? Then may a dose? On no, fills state and why. */
bool core_gate_move(struct core *core, uint32_t tank, struct now now);
bool core_gate_dose(struct core *core, uint32_t tank, struct now now);

/* Does the site as a whole, or a lock, forbid all movement? May that pump run into a cup? */
bool core_gate_site(struct core *core, uint32_t tank);
bool core_gate_cup(struct core *core, uint32_t tank, uint32_t pump, struct now now);

/* May its circulation run into a bucket, on the bench? */
bool core_gate_flow(struct core *core, uint32_t tank, struct now now);

/* What a dose that somebody asked for needs beside core_gate_move: what the scheduler's needs,
 * but for the pause; and less where a line is filled. */
bool core_gate_errand(struct core *core, uint32_t tank, enum core_errand errand, struct now now);

/* The chain can be commanded now; else 'why' says what it waits for (may be NULL). */
bool core_chain_ready(const struct core *core, uint32_t chain, struct now now, struct text *why);

/* Has the inrush of the chain's last motor passed? Two that start at once would add up. */
bool core_motor_may_start(const struct core *core, uint32_t chain, struct now now);

/* Would the supply carry one more pump, or the circulation output, of this address? Beside another
 * tank's circulation it must leave room for a pump. */
bool core_supply_allows(
    const struct core *core, const struct chain_address *address, bool circulation);

/* --- plan.c ----------------------------------------------------------------------------------- */

/* Looks at the water and fills the tank's plan; false when nothing is to be done (state and why are
 * filled then). */
bool core_plan(struct core *core, uint32_t tank, struct now now);

/* The longest run that the pump's head, or its plain output, allows. */
int64_t core_run_most_ms(const struct core *core, const struct site_pump *pump);

/* Do the pump's limits still leave this dose of the plan? A hand may have run the pump since. */
bool core_dose_fits(
    const struct core *core, uint32_t tank, const struct core_dose *dose, struct now now);

/* Nobody's override lasts longer than the configuration allows. */
void core_bound_override(struct core_tank *t, const struct site_tank *config, struct now now);

/* What the crop should have now. */
struct crop_now core_crop_now(const struct core *core, uint32_t tank, struct now now);
struct crop_target core_setpoint(const struct core *core, uint32_t tank, struct now now);

/* --- water.c: the tank and its law ------------------------------------------------------------ */

/* Shows the law what is new, locks what has stopped working, records the water when it is due. */
void core_look_at_water(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* So much of a stock went in, until 'at'. */
void core_tell_law(
    struct core *core, uint32_t tank, uint32_t pump, int64_t ul, bool sure, struct mono at);

/* --- learned.c: what the law learned, in the journal ------------------------------------------ */

void core_record_learned(const struct core *core, uint32_t tank, struct actions *ret);
void core_restore_learned(struct core *core, uint32_t tank, const struct record *r);

/* --- step.c ----------------------------------------------------------------------------------- */

/* All chains, or all tanks, are looked at with the next ticks. */
void core_wake_chains(struct core *core, struct now now);
void core_wake_tanks(struct core *core, struct now now);

/* Nothing seen before says anything about now: it all comes again, retained. */
void core_lose_link(struct core *core, struct now now);

/* --- sequence.c ------------------------------------------------------------------------------- */

/* Looks after one tank and sets when it wants to be looked at again. */
void core_turn_tank(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* --- claim.c, on_chain.c, on_request.c -------------------------------------------------------- */

void core_turn_chain(struct core *core, uint32_t chain, struct now now, struct actions *ret);
void core_on_chain(
    struct core *core, const struct event *event, struct now now, struct actions *ret);
void core_on_owner(struct core *core, const struct event *e, struct now now, struct actions *ret);
void core_on_request(
    struct core *core, const struct event_request *request, struct now now, struct actions *ret);

/* Holds the newest roll-call against the chain's binding. */
void core_look_at_roll(struct core *core, uint32_t chain, struct now now, struct actions *ret);

/* A pump ran beside what was commanded, by hand or by itself. */
struct core_run {
    uint32_t chain;
    const char *serial;
    uint32_t channel;
    int64_t ms;
};

/* Counts it wherever that pump is configured, and adds tank, stock and volume to the record. False:
 * no tank of the configuration has it. */
bool core_count_beside(
    struct core *core, const struct core_run *run, struct now now, struct record *ret);

/* --- adopt.c ---------------------------------------------------------------------------------- */

/* Takes over the order in which the modules answer, or only says what that would be. False, with
 * the reason in 'said', when it can't. */
bool core_adopt(
    struct core *core, const struct event_request *q, struct text *said, struct actions *ret);

/* From a record of it. */
void core_restore_adopt(struct core *core, uint32_t chain, const struct record *r);
/* To one, at the start of a new segment, when one is in force. */
void core_carry_adopt(const struct core *core, uint32_t chain, struct actions *ret);

/* After a start or a reload: says where file and adoption differ, or that the file is newer. */
void core_tell_adopted(struct core *core, uint32_t chain, struct actions *ret);

/* Whose alert is this? False when it is none of "no-effect-<tank>-<feed, acid, base>". */
bool core_effect_alert(
    const struct core *core, const char *id, uint32_t *ret_tank, enum law_stock *ret_stock);

/* "feed", "acid", "base" */
const char *core_stock_word(enum law_stock stock);

/* --- errand.c, bench.c: liquid that a person asks for ----------------------------------------- */

/* Takes it on: NULL, or in a word why not, with 'said' for people either way. */
const char *core_ask_errand(
    struct core *core, const struct event_request *q, struct now now, struct text *said);
const char *core_ask_circulate(
    struct core *core, const struct event_request *q, struct now now, struct text *said);
/* Do the pump's own budgets, and its head's longest run, leave that? NULL, or a word why not. */
const char *core_within_limits(const struct core *core, uint32_t tank, const struct core_dose *dose,
    double ml_per_s, struct now now, struct text *said);
/* It ended, or never began: 'why' for people. */
void core_drop_errand(struct core *core, uint32_t tank, const char *why);
/* Nothing begins long after it was asked for: by then whoever asked has gone, or has hands there.
 */
void core_age_errand(struct core *core, uint32_t tank, struct now now);
void core_errand_settled(
    struct core *core, uint32_t tank, int64_t ul, int64_t ran_ms, bool unsure, struct actions *ret);

/* The word for the journal: "dose", "prime", "calibrate". */
const char *core_errand_word(enum core_errand errand);
/* What a millisecond of this pump counts as, for that purpose, in mL/s. */
double core_counted_rate(const struct site_pump *pump, enum core_errand errand);

/* --- calibrate_pump.c, calibrate_probe.c, calibrated.c ------------------------------------- */

/* The volume of the run that waits for it: NULL, or a word why not. */
const char *core_ask_measured(struct core *core, const struct event_request *q, struct now now,
    struct text *said, struct actions *ret);

/* Listens to a probe in a bath: NULL, or a word why not. */
const char *core_ask_bath(
    struct core *core, const struct event_request *q, struct now now, struct text *said);

/* A number of a probe, in its own unit, while its tank is on the bench. */
void core_hear_bath(struct core *core, uint32_t tank, const struct event_reading *e, struct now now,
    struct actions *ret);

/* Nobody waits for ever. */
void core_turn_bath(struct core *core, uint32_t tank, struct now now);

/* Notes a calibration of a pump or a probe, and wants the configuration amended by it. */
void core_find_rate(struct core *core, uint32_t tank, uint32_t pump, const struct rate *rate,
    struct now now, struct actions *ret);
void core_find_probe(struct core *core, uint32_t tank, enum probe_quantity quantity,
    const struct probe_config *constants, struct now now, struct actions *ret);

/* From records and, at the start of a segment, to them. */
void core_restore_care(struct core *core, uint32_t tank, const struct record *r);
void core_carry_care(const struct core *core, uint32_t tank, struct actions *ret);

/* --- trust.c: who may ask over the broker ----------------------------------------------------- */

enum core_trust {
    TRUST_OPEN,     /* the local socket, or a site without keys */
    TRUST_SIGNED,   /* with one of the site's keys, and for the first time */
    TRUST_AGAIN,    /* ... but not for the first time, or after a later one */
    TRUST_UNSIGNED, /* where it would have to be */
};

enum { MUTE_NAME_SHOWN = 60 }; /* bytes of a sender's topic in an alert */

/* Which it is; a signature counts as seen from then on. Call it once for each request. */
enum core_trust core_trust(struct core *core, const struct event_request *q);

/* Isn't its sender listened to now? */
bool core_is_muted(
    struct core *core, const struct event_request *q, enum core_trust trust, struct now now);

/* It failed, or came in a flood: its sender may be muted by that. */
void core_note_failure(struct core *core, const struct event_request *q, enum core_trust trust,
    struct now now, struct actions *ret);

/* Listens again to the sender that this alert is about; nothing when it is none of those. */
void core_unmute(struct core *core, const char *alert, struct actions *ret);

/* What is due in time: mutes end, and the journal learns of signatures that it hasn't yet. */
void core_turn_trust(struct core *core, struct now now, struct actions *ret);

/* --- emit.c ----------------------------------------------------------------------------------- */

/* The next action, emptied, of that kind. */
struct action *emit(struct actions *ret, enum action_kind kind);

/* A record of that kind, to be filled. */
struct record *emit_record(struct actions *ret, const char *kind);

/* One line for the log. */
void emit_log(struct actions *ret, enum log_level level, const char *text);
/* The answer to the request with this ticket. */
void emit_answer(
    struct actions *ret, uint64_t ticket, bool ok, const char *reason, const char *text);

/* --- alerts.c --------------------------------------------------------------------------------- */

/* Raises an alert (or renews its text) and clears it; both record and log a change, once. A reload
 * ends those of tanks and chains that are there no more. */
void alert_raise(
    struct core *core, const char *id, int32_t tank, const char *text, struct actions *ret);
void alert_clear(struct core *core, const char *id, struct actions *ret);
bool alert_stands(const struct core *core, const char *id);
void alerts_move(struct core *fresh, const struct core *old, struct actions *ret);
/* "id-key", "id-key-more" in 'ret'. */
void alert_name(char ret[ALERT_ID_MAX], const char *id, const char *key, const char *more);

/* --- inline ----------------------------------------------------------------------------------- */

static inline uint32_t tank_chain(const struct core *core, uint32_t tank)
{
    return core->site->tank[tank].circulation.address.chain;
}

/* Strangers can send as much as they like there. */
static inline bool request_from_broker(const struct event_request *q)
{
    return text_same(q->origin.by, "mqtt");
}

static inline bool request_stops(const struct event_request *q)
{
    return q->kind == REQUEST_HALT && q->on;
}

/* Sets what dosing/state and dosing/why say; returns false so that a gate can return it. */
bool core_say(struct core_tank *t, enum tank_state state, const char *why);

/* --- summary.c ------------------------------------------------------------------------------- */

/* A trusted value of EC (uS/cm) or pH; what a record "water" or "summary" tells of an earlier life.
 */
void summary_see(struct core_summary *s, int channel, double value);
void summary_restore(struct core_summary *s, const struct record *record);

/* Sums the tank's day up when it is time. */
void summary_turn(struct core *core, uint32_t tank, struct now now, struct actions *ret);

#endif
