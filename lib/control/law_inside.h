/* What the law remembers of a tank. Private to control, and to whoever must store it. */
#ifndef DOSEWRIGHT_CONTROL_LAW_INSIDE_H
#define DOSEWRIGHT_CONTROL_LAW_INSIDE_H

#include "lib/control/buffer.h"
#include "lib/control/filter.h"
#include "lib/control/law.h"

/* EC, uS/cm: where it will be when all has mixed; its drift for an hour; the true effect of a
 * nominal 1; what the probe sees besides, because it isn't mixed; the slow part of its noise. */
enum { EC_LEVEL, EC_RATE, EC_GAIN, EC_UNMIXED, EC_NOISE, EC_STATES };

/* The same in alkalinity, meq/L, with what 1 mS/cm of feed takes away of it; noise in pH. */
enum { PH_LEVEL, PH_RATE, PH_GAIN, PH_FEED, PH_UNMIXED, PH_NOISE, PH_STATES };

/* How fast the tank mixes and where the probes hang isn't known at first: each pair of filters
 * believes one answer, and those that foretell the readings best are believed most. */
enum { LAW_PACES = 6, LAW_PLACES = 3, LAW_GUESSES = LAW_PACES * LAW_PLACES };

struct law_pair {
    struct filter ec, ph;
};

enum { LAW_CHANNELS = 2 }; /* EC and alkalinity */

struct law_channel {
    bool begun;
    uint32_t misses;  /* readings in a row that nothing foretold */
    uint32_t looks;   /* readings since the last dose */
    double noise;     /* deviation of a reading: uS/cm, pH */
    double last;      /* newest reading: uS/cm, pH */
    double mean;      /* of the newest ones */
    struct mono seen; /* newest reading */
};

/* One stretch from the first dose into settled water until it is settled again. */
struct law_episode {
    bool runs, doubtful; /* something else than the doses happened */
    double given[LAW_STOCKS];
    /* at its beginning: uS/cm, pH; and of alkalinity and carbon */
    double level[LAW_CHANNELS], rate[LAW_CHANNELS], variance[LAW_CHANNELS];
    double feed_gain, feed_gain_variance, feed_pull;
    double alkalinity, carbon;
    struct mono began;
};

struct law_stock_watch {
    double evidence;                           /* for silence: sum of log likelihood ratios, >= 0 */
    uint32_t silent;                           /* doses in a row that were not seen */
    uint32_t wrong;                            /* ... that went the other way */
    double silent_sum, expected_sum, seen_sum; /* of doses in a row that nobody could see */
    double ratio;  /* of the newest episode, log: above 0 speaks for silence */
    double unseen; /* given in this episode, and not seen to work yet */
    bool has_shown;
    struct mono showed;           /* that it works */
    double usual_gain;            /* over days */
    double half;                  /* evidence that it does half of that, >= 0 */
    uint32_t halves;              /* episodes in a row that speak for it */
    double half_seen, half_usual; /* in those: what was seen, and what is usual */
    bool has_usual;
    enum law_alarm alarm;
    double hour, day; /* given, leaking away */
    struct mono gave;
    bool has_given;
};

struct law {
    struct mono at; /* the filters stand there */
    struct mono looked;
    double mixed_s; /* of flow since the last dose or disturbance */
    bool mixing;
    bool has_dosed;
    struct mono dosed; /* last */
    double weight[LAW_GUESSES];
    struct law_pair pair[LAW_GUESSES]; /* only the first unless it is mixing */
    struct law_channel channel[LAW_CHANNELS];
    /* Dissolved, mmol/L: it makes most of the buffer, and leaves as CO2. The level of alkalinity is
     * what the readings say, given this. */
    bool disturbed;   /* since the water was settled last */
    double before_ec; /* ... and what was expected then */
    double usual_ph;  /* at which the last episode ended */
    bool has_carbon;
    double carbon,
        carbon_low; /* the second if CO2 left as fast as it may: three deviations lower */
    struct law_episode episode;
    struct law_stock_watch watch[LAW_STOCKS];
};

/* All guesses together, as one filter. */
struct filter law_all_ec(const struct law *law);
struct filter law_all_ph(const struct law *law);

/* The pH of water with that alkalinity and carbon. */
double law_ph_of(const struct law *law, const struct law_config *config, double ec_us_cm,
    double carbon, double alkalinity);

/* Time constant that a guess believes in, seconds; and how much of a dose a probe there sees beyond
 * its final effect when it comes in (-1: nothing at first). */
double law_pace_s(const struct law_config *config, int guess);
double law_place(int guess);

/* For so long after a dose nothing is looked at: it is on its way, and probes lag. */
double law_way_s(const struct law_config *config);

/* The mean time constant, and one that is long enough for sure. */
double law_mix_s(const struct law *law, const struct law_config *config);
double law_mix_long_s(const struct law *law, const struct law_config *config);

/* Phosphate in water of that EC, mmol/L. */
double law_phosphate(const struct law_config *config, double ec_us_cm);

/* Another carbon, and the levels that give the same pH with it. */
void law_set_carbon(struct law *law, const struct law_config *config, double carbon, double low);

/* The curve as it is known now. */
struct buffer law_buffer(const struct law *law, const struct law_config *config);

/* Brings the filters to 'at'. */
void law_advance(struct law *law, const struct law_config *config, struct mono at, bool flows);

/* What a dose does to the filters that believe a guess. */
void law_dose_pair(struct law_pair *pair, int guess, enum law_stock stock, double amount);

/* One that foretold the readings so badly that it isn't followed any more in this episode. */
static inline bool law_believed(const struct law *law, int guess)
{
    return law->weight[guess] > 0.0;
}

/* From one pair of filters to one for each guess, and back. */
void law_split(struct law *law);
void law_merge(struct law *law);

/* An episode: a dose came in; the water has settled; it can't be judged. */
void law_episode_gave(struct law *law, const struct law_config *config, enum law_stock stock,
    double amount, bool sure, struct mono at);
void law_episode_end(struct law *law, const struct law_config *config);

/* Part of the water was replaced by source water: it holds carbonate again, and what was learned of
 * feed holds for less of it. */
void law_dilute(struct law *law, const struct law_config *config, double drop_us_cm);

/* Deviation (in uS/cm, or meq/L) that a response can be told from: noise and the model's error. */
double law_telling(const struct law *law, const struct law_config *config, enum law_stock stock);

/* Looks whether what was given in this episode begins to show. */
void law_episode_look(struct law *law, const struct law_config *config);

#endif
