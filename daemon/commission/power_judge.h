/* What a supply under load shows, in a sentence for people: a motor without power, a jam, a supply
 * that is too small, a cable that loses too much. Pure: samples in, words out. */
#ifndef DOSEWRIGHT_DAEMON_POWER_JUDGE_H
#define DOSEWRIGHT_DAEMON_POWER_JUDGE_H

#include "lib/base/text.h"
#include "lib/chain/message.h"

struct power_module {
    char serial[CHAIN_WORD_MAX];
    double volts, due_volts, least_volts; /* measured, planned, needed; NaN: not known */
    double pump_amps, circulation_amps;   /* of the configuration */
};

/* A chain at one moment. */
struct power_sample {
    double amps, amps_due; /* at the head; what runs should draw: NaN while that isn't known */
    double volts;          /* at the head; NaN: not measured */
    double supply_volts, supply_amps, usable_amps; /* of the configuration */
    uint32_t count;
    struct power_module module[CHAIN_MODULES_MAX];
};

/* What was switched on between two moments, and what it should draw. */
struct power_part {
    const char *name;
    double due;
    struct power_sample before, with;
};

/* What it does draw, whatever else started or ended as it should; NaN when that can't be told. */
double power_part_amps(const struct power_part *part);

/* Is that what it should? True when all is well or nothing can be told; else 'said' has the
 * sentence. */
bool power_judge_part(struct text *said, const struct power_part *part);

/* Does a chain in which nothing new runs draw what it should? */
bool power_judge_rest(struct text *said, const struct power_sample *rest);

/* Do supply and cable carry it? 'rest' is with the least load, 'most' with the highest. */
bool power_judge_supply(
    struct text *said, const struct power_sample *rest, const struct power_sample *most);

#endif
