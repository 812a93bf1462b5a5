#include "lib/dose/rate.h"

#include <math.h>

#include "lib/base/invariant.h"

static double ml_per_s(const struct rate_run *run)
{
    INVARIANT(run->ran_ms > 0 && run->ul > 0);
    return (double)run->ul / (double)run->ran_ms;
}

static enum rate_verdict judge(double ratio, double least, double most)
{
    static const double nothing = 0.05, tenth_most = 0.15, tenfold_least = 7.0, tenfold_most = 14.0;
    if (ratio >= least && ratio <= most) return RATE_GOOD;
    if (ratio < nothing) return RATE_NOTHING;
    if (ratio <= tenth_most || (ratio >= tenfold_least && ratio <= tenfold_most))
        return RATE_TENFOLD;
    return RATE_FAR;
}

enum rate_verdict rate_judge_run(const struct rate_run *run, double nominal_ml_per_s)
{
    static const double least = 0.5;
    return judge(ml_per_s(run) / nominal_ml_per_s, least, RATE_UNSURE);
}

enum rate_verdict rate_judge_flow(double l_min, double nominal_l_min)
{
    static const double least = 0.25, most = 2.0;
    INVARIANT(l_min > 0.0 && nominal_l_min > 0.0);
    return judge(l_min / nominal_l_min, least, most);
}

enum rate_verdict rate_judge(struct rate *ret, const struct rate_run run[RATE_RUNS])
{
    double least = (double)INFINITY, most = 0.0, sum = 0.0, squares = 0.0;
    int64_t ul = 0, ran_ms = 0;
    for (int i = 0; i < RATE_RUNS; i++) {
        const double r = ml_per_s(&run[i]);
        least = r < least ? r : least;
        most = r > most ? r : most;
        sum += r;
        ul += run[i].ul;
        ran_ms += run[i].ran_ms;
    }
    const double mean = sum / RATE_RUNS;
    for (int i = 0; i < RATE_RUNS; i++) {
        const double off = ml_per_s(&run[i]) - mean;
        squares += off * off;
    }
    ret->ml_per_s = (double)ul / (double)ran_ms;
    ret->spread_percent = 100.0 * (most - least) / mean;
    ret->deviation_percent = 100.0 * sqrt(squares / (RATE_RUNS - 1)) / mean;
    return ret->spread_percent <= RATE_SPREAD_MOST_PERCENT ? RATE_GOOD : RATE_UNEVEN;
}
