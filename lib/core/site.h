/* The configuration in force, as the core needs it: checked, cross-referenced, and never changed
 * while it is in use. Arrays and strings belong to whoever loaded it. A name has become an index.
 */
#ifndef DOSEWRIGHT_CORE_SITE_H
#define DOSEWRIGHT_CORE_SITE_H

#include "lib/chain/address.h"
#include "lib/chain/roll.h"
#include "lib/chem/keep_apart.h"
#include "lib/chem/stock.h"
#include "lib/control/law.h"
#include "lib/crop/schedule.h"
#include "lib/dose/limits.h"
#include "lib/sense/probe.h"

enum {
    SITE_CHAINS_MAX = 64,
    SITE_STOCKS_MAX = 64,
    SITE_TANKS_MAX = 10000,
    TANK_PUMPS_MAX = 12,   /* stocks of one tank */
    SITE_SIGNERS_MAX = 16, /* keys that requests over the broker may be signed with */
    IDENTIFY_RUN_MS = 100, /* a tick */
};

struct site_stock {
    const char *key;
    struct stock_solution solution;
    struct stock_strength strength;
    int64_t bottle_ul;
    uint64_t keep_apart; /* bit i: stock i of the site; symmetric */
    int64_t low_ul;      /* its bottle runs low below this, ... */
    double low_days;     /* ... or when it lasts no longer; 0: not watched */
};

/* One stock into one tank: its pump and its limits. */
struct site_pump {
    uint32_t stock; /* index into site.stock */
    struct chain_address address;
    const char *serial;       /* bound at that address */
    double ml_per_s;          /* > 0 */
    double filed_ml_per_s;    /* > 0: as the configuration has it; a calibration may differ */
    double ec_us_cm_per_ml_l; /* EC rise that 1 mL brings to a litre of this tank at work; >= 0 */
    bool calibrated;
    struct civil calibrated_at;
    int64_t calibrate_every_ms;       /* 0: never due; so are these two: */
    int64_t tube_run_ms, tube_age_ms; /* its tube is due after so much running, or time */
    struct stock_limits limits;
};

enum circulation_when { CIRCULATE_FOR_DOSES, CIRCULATE_ALWAYS };

struct site_circulation {
    struct chain_address address; /* its channel is CHAIN_CIRCULATION_CHANNEL */
    const char *serial;
    double flow_l_min;       /* > 0 */
    double filed_flow_l_min; /* > 0: as the configuration has it; a measured one may differ */
    bool measured;           /* the day is known on which it was measured ... */
    struct civil measured_at;
    int64_t measure_every_ms; /* ... and it is due again after so long; 0: never */
    double line_ml;           /* >= 0 */
    double flush_lines;       /* how many line volumes flush it, >= 1 */
    enum circulation_when when;
};

struct site_part { /* of the recipe */
    uint32_t pump; /* index into the tank's pumps */
    double parts;  /* > 0 */
};

/* When what wears is due, and what the surroundings may be. 0: not watched. */
struct site_upkeep {
    int64_t strainer_ms;        /* of circulation between two cleanings of the inlet strainer */
    int64_t water_ms;           /* from one water change to the next, ... */
    double water_l;             /* ... or so much topped up */
    double light_on_lx;         /* brighter: the lights are on */
    int64_t light_differs_ms;   /* from the schedule's day, for so long */
    double enclosure_most_degc; /* hotter is too hot for the modules */
};

struct site_tank {
    const char *key;
    const char *name; /* for people; the key if none was given */
    double volume_l;
    double source_ec_us_cm, source_alkalinity_meq_l;
    struct site_circulation circulation;
    struct probe_config probe[PROBE_QUANTITY_COUNT]; /* by enum probe_quantity; .present tells */
    uint32_t pump_count;
    struct site_pump pump[TANK_PUMPS_MAX];
    uint32_t recipe_count;
    struct site_part recipe[TANK_PUMPS_MAX]; /* dosed in this order */
    int32_t lowers_ph, raises_ph;            /* index into pumps, or -1 */
    struct crop_schedule schedule;
    struct civil planted; /* that date's midnight */
    double band_ec_us_cm, band_ph;
    struct crop_envelope envelope;
    struct move_limits move;
    int64_t override_most_ms;
    bool has_level_min;
    double level_min_percent;
    struct site_upkeep upkeep;
};

struct site {
    const char *key; /* also the Homie root device */
    const char *name;
    const char *digest;     /* of the files it was read from, hex SHA-256 */
    int64_t water_every_ms; /* a tank's readings go into the journal this often; 0: never */
    bool has_summary;       /* each tank's day is summed up ... */
    int64_t summary_at_ms;  /* ... at this time of its zone, since midnight */
    int64_t silence_ms;     /* an owner that is silent for so long is gone; at least 15 s count */
    uint32_t chain_count;
    struct chain_config chain[SITE_CHAINS_MAX];
    uint32_t stock_count;
    struct site_stock stock[SITE_STOCKS_MAX];
    uint32_t tank_count;
    struct site_tank *tank;
    /* The names of the keys that requests over the broker are signed with; 0: none needs to be. */
    uint32_t signer_count;
    const char *signer[SITE_SIGNERS_MAX];
};

/* Works out every tank's ec_us_cm_per_ml_l from what is in its source water and its bottles, at the
 * middle of the envelope. ERR_RANGE with the reason when chemistry can't tell: then those of the
 * rule of thumb stand there (stock.h), and 'problem' names tank and stock. */
enum err site_derive_ec(const struct site *site, struct site_tank *tank, struct problem *problem)
    __attribute__((warn_unused_result));

/* A store that a stock should stand: a frost-free shed in winter (common practice, no source). */
#define SITE_STORE_DEGC 10.0

/* What chemistry says of two stocks that meet in a line at SITE_STORE_DEGC, and of one in such a
 * store. ERR_RANGE when it can't tell. */
enum err site_stocks_meet(struct keep_apart *ret, const struct site *site, uint32_t a, uint32_t b,
    struct problem *problem) __attribute__((warn_unused_result));
enum err site_stock_in_store(struct crystals *ret, const struct site_stock *stock,
    struct problem *problem) __attribute__((warn_unused_result));

enum { CIRCULATION_CONFIRM_MS = 12000 }; /* a circulation is to be seen running within this */

/* The longest time between two readings of the tank's flow probe with which it still shows within
 * CIRCULATION_CONFIRM_MS that the circulation began; 0: the tank has none. */
int64_t site_flow_every_ms(const struct site_tank *tank);

/* How long a tank takes to mix while nothing better was learned, and how long a line is flushed. */
int64_t site_mix_ms(const struct site_tank *tank);
int64_t site_flush_ms(const struct site_tank *tank);

/* The tank as the control law sees it (lib/control/law.h). */
void site_law(struct law_config *ret, const struct site *site, const struct site_tank *tank);

/* What a pump's stock is to the law; false when it is neither part of the recipe nor acid or base.
 */
bool site_law_stock(const struct site_tank *tank, uint32_t pump, enum law_stock *ret);

/* The tank's pump that draws from that stock; -1 when it has none. */
int32_t site_pump_of(const struct site_tank *tank, uint32_t stock);

/* What a pump gives while it ticks, so that a hand can feel which it is. */
int64_t site_tick_ul(const struct site_pump *pump);

/* Nominal effect of a volume: uS/cm of a part of the recipe, meq/L of acid or base. */
double site_nominal(
    const struct site *site, const struct site_tank *tank, uint32_t pump, int64_t ul);

/* Names what the law's knowledge depends on: volume, flow, source water, pumps and what is in their
 * bottles. Another tag: another tank, as far as that knowledge goes. 0 to 2^52. */
int64_t site_law_tag(const struct site *site, const struct site_tank *tank);

/* The plain output at that address; NULL: a module's, which speaks the chain contract. */
const struct plain_output *site_plain(const struct site *site, const struct chain_address *a);

/* Has the site any? */
bool site_has_plain(const struct site *site);

/* Has it any chain with a head of its own? */
bool site_has_head(const struct site *site);

/* What any dose of this pump may turn out to be, at 'ml_per_s', because only a message ends it and
 * that may be lost: a run of the board's own limit. 0: no more than was asked for. */
int64_t site_full_ul(const struct site *site, const struct site_pump *pump, double ml_per_s);

/* Does a dose that was reported done still count as all that? So it is where the board reports
 * nothing: nobody knows that the message arrived. */
bool site_full_stays(const struct site *site, const struct site_pump *pump);

/* The sum of the recipe's parts. */
double site_recipe_parts(const struct site_tank *tank);

/* EC rise in uS/cm that 1 mL of the whole recipe brings to this tank. 0 without a recipe. */
double site_recipe_ec_us_cm_per_ml(const struct site_tank *tank);

#endif
