/* What people do with their hands, as far as the core keeps it: a tank on the bench, a dose or a
 * priming that somebody asked for, pumps and probes under calibration. Inside of the core. */
#ifndef DOSEWRIGHT_CORE_CARE_H
#define DOSEWRIGHT_CORE_CARE_H

#include "lib/chain/message.h"
#include "lib/core/view.h"
#include "lib/dose/rate.h"
#include "lib/sense/bath.h"

/* Liquid that a person asked for. */
enum core_errand {
    ERRAND_NONE,
    ERRAND_DOSE,  /* into the tank, as the scheduler would */
    ERRAND_PRIME, /* fills a line */
    ERRAND_RATE,  /* a run that is measured */
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
    enum core_errand errand;
    bool sent; /* on the bench: its command is out */
    uint32_t pump;
    int64_t ul;
    struct mono circulate_till; /* somebody asked for circulation until then */
    char said[CARE_SAID_MAX];   /* what became of the newest errand or bath */
    struct core_listening listening;
    struct core_probe_care probe[CARED_PROBES];
};

#endif
