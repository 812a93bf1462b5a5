/* What a first dose did to the water, in a sentence for people: was it what this stock should do,
 * or does the pump draw from another bottle, from none, or air? Pure. */
#ifndef DOSEWRIGHT_DAEMON_DOSE_JUDGE_H
#define DOSEWRIGHT_DAEMON_DOSE_JUDGE_H

#include "lib/base/text.h"

struct dose_water { /* mixed; NaN: not known */
    double ec_ms_cm, ph;
};

struct first_dose {
    const char *purpose; /* of its stock: "feed", "acid", "base"; "" for none of these */
    double due_ms_cm;    /* the EC rise that it should bring, for a feed */
    struct dose_water before, after;
};

/* True when it did what it should, or nothing can be told; 'said' has the sentence either way. */
bool dose_judge(struct text *said, const struct first_dose *dose);

#endif
