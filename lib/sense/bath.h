/* A probe in a bath of known value: has it settled, and is that the bath that was said?
 *
 * Settled: five means of at least 5 s each differ by no more than 1 mV, 0.02 pH or 1 % (common
 * practice, no source: field manuals ask for a reading that stands still, with bounds like
 * these). A probe that speaks more seldom gives one reading for each. */
#ifndef DOSEWRIGHT_SENSE_BATH_H
#define DOSEWRIGHT_SENSE_BATH_H

#include "lib/chem/ec_probe.h"
#include "lib/chem/ph_probe.h"
#include "lib/sense/probe.h"

enum { BATH_MEANS = 5, BATH_MEAN_MS = 5000, BATH_PATIENCE_MS = 300000 };

struct bath_watch {
    uint32_t count; /* of 'mean', newest last */
    double mean[BATH_MEANS];
    uint32_t readings; /* of the mean under way */
    double sum;
    struct mono since;
};

/* Nothing seen yet. */
void bath_begin(struct bath_watch *w);

/* A number in the probe's own unit, as it was sent. True when the newest five means have settled:
 * then 'ret' is theirs. */
bool bath_settles(double *ret, struct bath_watch *w, const struct probe_config *config,
    double number, struct mono now);

/* A point as people say it: a buffer's or a standard's word (ph_buffer_word, ec_standard_word), or,
 * for pH, its value at the bath's temperature ("7.02"). */
struct bath_point {
    bool buffer; /* PROBE_PH: 'which_buffer' counts, else 'ph' */
    enum ph_buffer which_buffer;
    double ph;
    enum ec_standard standard; /* PROBE_EC */
};

/* False when the words mean none for that quantity. */
bool bath_point_read(struct bath_point *ret, enum probe_quantity quantity, const char *word);

/* What the bath has at that temperature: pH, or uS/cm as the probe should show it (at 25 degC for a
 * probe that compensates). NaN where its table ends. */
double bath_truth(const struct bath_point *point, const struct probe_config *config, double degc);

enum bath_verdict {
    BATH_TAKEN,      /* a point, and more are needed */
    BATH_CALIBRATED, /* the constants are new */
    BATH_VERIFIED,   /* a probe in finished units agrees with it; that is all there is to do here */
    BATH_OTHER,      /* it reads like another bath */
    BATH_DRY,        /* it reads as if it hung in the air */
    BATH_WORN,       /* slope, zero or cell constant are out of bounds */
    BATH_TOO_NEAR,   /* the two baths are less than 1 pH apart */
    BATH_OFF,        /* finished units: it differs by more than 0.15 pH, or 5 % */
    BATH_THIRD_OFF,  /* the third bath differs by more than 0.1 pH */
};

enum { BATHS_MAX = 3 };

/* What a probe has shown so far. For one in pH, 'mv' holds pH. */
struct bath_row {
    uint32_t count;
    struct ph_bath bath[BATHS_MAX];
};

struct bath_found { /* valid after CALIBRATED, WORN, THIRD_OFF and OTHER */
    double zero_mv, slope_percent, cell_constant;
    enum ph_verdict ph_verdict;
    enum ec_verdict ec_verdict;
    double shown; /* in pH or uS/cm, by the constants in force: what it reads like */
    double off;   /* of the third bath, pH; of finished units, pH or percent */
};

/* One more bath, settled at 'number'. A bath that isn't taken leaves the row as it was. */
enum bath_verdict bath_judge(struct bath_found *ret, struct bath_row *row,
    const struct probe_config *config, const struct ph_bath *bath);

#endif
