/* What people do with their hands, as far as the core keeps it: a tank on the bench, a dose or a
 * priming that somebody asked for, pumps and probes under calibration. Inside of the core. */
#ifndef DOSEWRIGHT_CORE_CARE_H
#define DOSEWRIGHT_CORE_CARE_H

#include "lib/base/text.h"
#include "lib/chain/message.h"
#include "lib/core/view.h"
#include "lib/dose/rate.h"
#include "lib/sense/bath.h"

struct core;
struct core_dose;
struct actions;
struct event_reading;
struct event_request;
struct record;
struct site_pump;

/* Liquid that a person asked for. */
enum core_errand {
    ERRAND_NONE,
    ERRAND_DOSE,  /* into the tank, as the scheduler would */
    ERRAND_PRIME, /* fills a line */
    ERRAND_RATE,  /* a run that is measured */
    ERRAND_FLOW,  /* no liquid of a stock: the circulation runs, and what comes is measured */
};

/* Of one pump: what its last calibration found, and the runs of the next. */
struct core_rate {
    bool has;
    double ml_per_s, spread_percent;
    struct civil at;
    char serial[CHAIN_WORD_MAX]; /* of the module, and the channel on it, that it holds for */
    uint32_t channel;
    uint32_t run_count;
    struct rate_run run[RATE_RUNS];
    int64_t waits_ms; /* a run whose volume nobody has told yet; 0: none */
};

/* Of the circulation: what was found last, and a run that is measured. */
struct core_flow {
    bool has;
    double l_min;
    struct civil at;
    char serial[CHAIN_WORD_MAX]; /* of the module that it holds for */
    int64_t waits_ms;            /* a run whose litres nobody has told yet; 0: none */
};

/* Of one probe for EC or pH. */
struct core_probe_care {
    bool has;
    double zero_mv, slope_percent, cell_constant;
    struct civil at;
    struct bath_row row; /* of the calibration under way */
};

/* A probe in a bath that has to settle. */
struct core_listening {
    bool on;
    enum probe_quantity quantity;
    struct bath_point point;
    double degc; /* of the bath; NaN: the tank's temperature probe hangs in it, too */
    struct mono since;
    struct bath_watch watch;
};

enum { CARED_PROBES = PROBE_PH + 1 }; /* EC and pH: the first two quantities */

struct core_care { /* of one tank */
    bool bench;    /* tubes or probes may be out: nothing moves but what is asked for */
    bool leaving;  /* off the bench as soon as the pump stands still that runs into the cup */
    enum core_errand errand;
    struct mono asked; /* when somebody asked for it */
    bool sent;         /* on the bench: its command is out */
    uint32_t pump;
    int64_t ul;
    int64_t span_ms; /* of a run of the circulation */
    struct core_flow flow;
    struct mono circulate_till; /* somebody asked for circulation until then */
    char said[CARE_SAID_MAX];   /* what became of the newest errand or bath */
    struct core_listening listening;
    struct core_probe_care probe[CARED_PROBES];
};

/* --- bench.c, cancel.c -------------------------------------------------------------------------
 */

/* Takes a tank on the bench, and back: at once, and as somebody asks for it. */
void core_set_bench(struct core *core, uint32_t tank, bool on, struct now now);
void core_ask_bench(struct core *core, const struct event_request *q, struct now now,
    struct text *said, struct actions *ret);

/* Looks after a tank on the bench. */
void core_turn_bench(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* Ends what was asked for in a tank and hasn't begun; 'why' for people. */
void core_end_errand(struct core *core, uint32_t tank, const char *why);

/* Ends what was asked for in a tank, whatever it is: 'said' has what became of it. */
void core_ask_cancel(
    struct core *core, uint32_t tank, struct now now, struct text *said, struct actions *ret);

/* --- calibrate_flow.c: the circulation runs for a time, into a bucket, on the bench -------------
 */

/* Takes a run on, and the litres that it gave: NULL, or in a word why not. */
const char *core_ask_flow(
    struct core *core, const struct event_request *q, struct now now, struct text *said);
const char *core_ask_flow_measured(struct core *core, const struct event_request *q, struct now now,
    struct text *said, struct actions *ret);

/* Everything stands still: it may start. */
void core_start_flow(struct core *core, uint32_t tank, struct now now, struct actions *ret);
/* Was its command sent? */
bool core_flow_is_out(const struct core *core, uint32_t tank);
/* ... and may it go on, with nothing to be stopped? It is dropped when it may not. */
bool core_flow_runs(struct core *core, uint32_t tank, struct now now);
/* The circulation's command ended. */
void core_flow_settled(
    struct core *core, uint32_t tank, const struct chain_report *report, struct actions *ret);

/* Notes a flow, and wants the configuration amended by it. */
void core_find_flow(
    struct core *core, uint32_t tank, double l_min, struct now now, struct actions *ret);

/* --- errand.c: liquid that a person asks for -------------------------------------------------- */

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

/* --- calibrate_pump.c, calibrate_probe.c, calibrated.c ---------------------------------------- */

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

#endif
