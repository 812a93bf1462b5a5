/* What outlives a restart. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/chem/quick_exp.h"
#include "lib/control/law_inside.h"

enum watch {
    WATCH_EVIDENCE,
    WATCH_SILENT,
    WATCH_SILENT_SUM,
    WATCH_USUAL,
    WATCH_HALF,
    WATCH_HALVES,
    WATCH_NUMBERS
};

enum number {
    FEED_GAIN,
    FEED_GAIN_SD,
    CARBON,
    CARBON_SD,
    FEED_PULL,
    FEED_PULL_SD,
    EC_NOISE_SD,
    PH_NOISE_SD,
    WATCHES, /* so many for each stock */
    WEIGHTS = WATCHES + WATCH_NUMBERS * LAW_STOCKS,
    NUMBERS = WEIGHTS + LAW_GUESSES
};

_Static_assert((int)NUMBERS == (int)LAW_NUMBERS, "law.h says how many");

struct named {
    const char *name;
    double least, most;
};

static const struct named number_of[NUMBERS] = { { "feed_gain", 0.4, 2.5 },
    { "feed_gain_sd", 0.05, 0.3 }, { "carbon_mmol_l", -0.3, 20.0 },
    { "carbon_low_mmol_l", -0.3, 20.0 }, { "feed_pull", -1.0, 1.0 }, { "feed_pull_sd", 0.01, 0.2 },
    { "ec_noise_us_cm", 4.0, 40.0 }, { "ph_noise", 0.008, 0.06 }, { "feed_evidence", 0.0, 100.0 },
    { "feed_silent", 0.0, 100.0 }, { "feed_silent_sum", 0.0, 1e6 }, { "feed_usual", 0.0, 5.0 },
    { "feed_half", 0.0, 100.0 }, { "feed_halves", 0.0, 100.0 }, { "acid_evidence", 0.0, 100.0 },
    { "acid_silent", 0.0, 100.0 }, { "acid_silent_sum", 0.0, 1e6 }, { "acid_usual", 0.0, 5.0 },
    { "acid_half", 0.0, 100.0 }, { "acid_halves", 0.0, 100.0 }, { "base_evidence", 0.0, 100.0 },
    { "base_silent", 0.0, 100.0 }, { "base_silent_sum", 0.0, 1e6 }, { "base_usual", 0.0, 5.0 },
    { "base_half", 0.0, 100.0 }, { "base_halves", 0.0, 100.0 }, { "mix_1", 1e-6, 1.0 },
    { "mix_2", 1e-6, 1.0 }, { "mix_3", 1e-6, 1.0 }, { "mix_4", 1e-6, 1.0 }, { "mix_5", 1e-6, 1.0 },
    { "mix_6", 1e-6, 1.0 }, { "mix_7", 1e-6, 1.0 }, { "mix_8", 1e-6, 1.0 }, { "mix_9", 1e-6, 1.0 },
    { "mix_10", 1e-6, 1.0 }, { "mix_11", 1e-6, 1.0 }, { "mix_12", 1e-6, 1.0 },
    { "mix_13", 1e-6, 1.0 }, { "mix_14", 1e-6, 1.0 }, { "mix_15", 1e-6, 1.0 },
    { "mix_16", 1e-6, 1.0 }, { "mix_17", 1e-6, 1.0 }, { "mix_18", 1e-6, 1.0 } };

const char *law_number_name(int number)
{
    INVARIANT(number >= 0 && number < NUMBERS);
    return number_of[number].name;
}

static double watch_number(const struct law_stock_watch *w, enum watch which)
{
    switch (which) {
    case WATCH_EVIDENCE:
        return w->evidence;
    case WATCH_SILENT:
        return w->silent;
    case WATCH_SILENT_SUM:
        return w->silent_sum;
    case WATCH_USUAL:
        return w->has_usual ? w->usual_gain : 0.0;
    case WATCH_HALF:
        return w->half;
    case WATCH_HALVES:
        return w->halves;
    case WATCH_NUMBERS:
        break;
    }
    return 0.0;
}

double law_number(const struct law *law, int number)
{
    const struct filter ec = law_all_ec(law), ph = law_all_ph(law);
    INVARIANT(number >= 0 && number < NUMBERS);
    if (number >= WEIGHTS) return law->weight[number - WEIGHTS];
    if (number >= WATCHES)
        return watch_number(&law->watch[(number - WATCHES) / WATCH_NUMBERS],
            (enum watch)((number - WATCHES) % WATCH_NUMBERS));
    const double plain[WATCHES] = { ec.x[EC_GAIN], sqrt(filter_cov(&ec, EC_GAIN, EC_GAIN)),
        law->carbon, law->carbon_low, ph.x[PH_FEED], sqrt(filter_cov(&ph, PH_FEED, PH_FEED)),
        law->channel[0].noise, law->channel[1].noise };
    return plain[number];
}

static void recall_watch(struct law_stock_watch *w, enum watch which, double value)
{
    switch (which) {
    case WATCH_EVIDENCE:
        w->evidence = value;
        break;
    case WATCH_SILENT:
        w->silent = (uint32_t)value;
        break;
    case WATCH_SILENT_SUM:
        w->silent_sum = value;
        break;
    case WATCH_USUAL:
        w->has_usual = value > 0.0;
        w->usual_gain = value;
        break;
    case WATCH_HALF:
        w->half = value;
        break;
    case WATCH_HALVES:
        w->halves = (uint32_t)value;
        break;
    case WATCH_NUMBERS:
        break;
    }
}

static void recall_state(struct law *law, bool ec, int state, bool deviation, double value)
{
    for (int g = 0; g < LAW_GUESSES; g++) {
        struct filter *f = ec ? &law->pair[g].ec : &law->pair[g].ph;
        const int n = ec ? (int)EC_STATES : (int)PH_STATES;
        if (deviation)
            filter_set(f, n, state, f->x[state], value * value);
        else
            f->x[state] = value;
    }
}

/* Source water holds about as much carbon as alkalinity, and CO2 besides; the water report may err.
 * A record that says more would make acid doses that no tank of this water could take. */
static double carbon_most(const struct law_config *config)
{
    return 1.5 * config->alkalinity_meq_l + 0.5;
}

void law_recall(struct law *law, const struct law_config *config, int number, double value)
{
    INVARIANT(number >= 0 && number < NUMBERS);
    const struct named *n = &number_of[number];
    if (isnan(value)) value = law_number(law, number);
    if (number == FEED_GAIN && value < n->least) return; /* the next dose would be the larger */
    if (value < n->least) value = n->least;
    if (value > n->most) value = n->most;
    if (number == CARBON && value > carbon_most(config)) value = carbon_most(config);
    if (number >= WEIGHTS) {
        law->weight[number - WEIGHTS] = value;
        double sum = 0.0;
        for (int g = 0; g < LAW_GUESSES; g++) {
            sum += law->weight[g];
        }
        for (int g = 0; g < LAW_GUESSES && number == NUMBERS - 1; g++) {
            law->weight[g] /= sum;
        }
        return;
    }
    if (number >= WATCHES) {
        recall_watch(&law->watch[(number - WATCHES) / WATCH_NUMBERS],
            (enum watch)((number - WATCHES) % WATCH_NUMBERS), value);
        return;
    }
    switch ((enum number)number) {
    case FEED_GAIN:
    case FEED_GAIN_SD:
        recall_state(law, true, EC_GAIN, number == FEED_GAIN_SD, value);
        break;
    case CARBON:
        law->carbon = value;
        law->has_carbon = true;
        break;
    case CARBON_SD:
        law->carbon_low = value < law->carbon ? value : law->carbon;
        break;
    case FEED_PULL:
    case FEED_PULL_SD:
        recall_state(law, false, PH_FEED, number == FEED_PULL_SD, value);
        break;
    case EC_NOISE_SD:
        law->channel[0].noise = value;
        break;
    case PH_NOISE_SD:
        law->channel[1].noise = value;
        break;
    case WATCHES:
    case WEIGHTS:
    case NUMBERS:
        break;
    }
}

void law_recall_dose(struct law *law, const struct law_config *config, enum law_stock stock,
    double amount, struct mono at)
{
    static const double forgotten_s = 8.0; /* turnovers */
    const double since_s = (double)mono_since(law->at, at) / 1000.0;
    const double ago_s = since_s > 0.0 ? since_s : 0.0,
                 ago_h = ago_s / 3600.0; /* it may still run */
    struct law_stock_watch *w = &law->watch[stock];
    if (!(amount > 0.0)) return;
    w->hour += amount * quick_exp(-ago_h);
    w->day += amount * quick_exp(-ago_h / 24.0);
    w->gave = at;
    w->has_given = true;
    if (ago_s > forgotten_s * config->turnover_s) return;
    law_split(law);
    for (int g = 0; g < LAW_GUESSES; g++) {
        const double left = amount * quick_exp(-ago_s / law_pace_s(config, g));
        law_dose_pair(&law->pair[g], g, stock, left);
    }
    law->mixed_s = 0.0;
}
