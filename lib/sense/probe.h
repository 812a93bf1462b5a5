/* A probe, from what a message said to a reading that can be trusted, or a reason why not.
 *
 * The way of a value: text of the payload -> number (probe_number) -> unit -> calibration ->
 * temperature compensation -> range -> rate guard -> median of three. What isn't finite, isn't a
 * number, is out of range, retained or too old is not a reading and never renews the age.
 *
 * Trust takes more than one message. With a jump guard a value is trusted from the second reading
 * that agrees with the first (their mean), then it is the median of the newest three; without one
 * it takes three from the start. A step beyond the guard is believed when three readings in a row
 * are beyond it and agree among themselves. The same number again within PROBE_DOUBLE_MS is one
 * message delivered twice, and no second reading. Silence longer than max_age_ms starts over. A
 * UNIT_BOOL is taken at its word, at once: a leak must not wait. docs/probes.md tells this to the
 * operator.
 */
#ifndef DOSEWRIGHT_SENSE_PROBE_H
#define DOSEWRIGHT_SENSE_PROBE_H

#include "lib/base/text.h"
#include "lib/base/units.h"
#include "lib/chem/tempco.h"

enum probe_quantity {      /* what it measures, in the unit used inside */
    PROBE_EC,              /* uS/cm at 25 degC */
    PROBE_PH,              /* pH */
    PROBE_TEMPERATURE,     /* degC */
    PROBE_LEVEL,           /* percent of full */
    PROBE_VOLUME,          /* L */
    PROBE_FLOW,            /* L/min */
    PROBE_LEAK,            /* 1 true, 0 false */
    PROBE_AIR_TEMPERATURE, /* at the crop, degC */
    PROBE_HUMIDITY,        /* of that air, percent */
    PROBE_LIGHT,           /* lx */
    PROBE_ENCLOSURE,       /* the modules' enclosure, degC */
    PROBE_QUANTITY_COUNT,
};

enum probe_unit {
    UNIT_PH,
    UNIT_MV,
    UNIT_MS_CM,
    UNIT_US_CM,
    UNIT_US, /* a bare conductance: times the cell constant */
    UNIT_DEGC,
    UNIT_DEGF,
    UNIT_L,
    UNIT_L_MIN,
    UNIT_PERCENT,
    UNIT_MM,
    UNIT_KPA,
    UNIT_LX,
    UNIT_BOOL,
    UNIT_COUNT,
};

enum { PROBE_SENTINELS_MAX = 4, PROBE_WORDS_MAX = 4, PROBE_DOUBLE_MS = 500 };

/* From the configuration. Strings live as long as it does. */
struct probe_config {
    bool present; /* the tank has this probe */
    enum probe_quantity quantity;
    enum probe_unit unit;
    const char *topic;
    const char *pointer; /* RFC 6901 into a JSON payload; "" = the payload itself is the value */
    double least, most;  /* plausible range, in 'unit', ends included */
    int64_t max_age_ms;
    int64_t every_ms;      /* how often it sends, as the configuration says; 0: not said */
    bool decimal_comma;    /* "6,2" is allowed to mean 6.2 */
    bool number_in_string; /* {"ph":"6.2"} is allowed */
    uint32_t nothing_count;
    const char *nothing_word[PROBE_WORDS_MAX]; /* words that mean "no reading" */
    uint32_t sentinel_count;
    double sentinel[PROBE_SENTINELS_MAX]; /* values that mean a fault, in 'unit' */
    /* calibration */
    double zero_mv, slope_percent; /* PROBE_PH in mV */
    double cell_constant;          /* 1/cm, PROBE_EC in uS */
    double cell_nominal;           /* ... as the configuration has it */
    bool compensated;              /* PROBE_EC: the value is already at 25 degC */
    enum tempco compensation;      /* else: by which curve the daemon does it (tempco.h) */
    double compensation_percent;   /* TEMPCO_LINEAR: % per degC, 1.9 by default */
    bool calibrated;               /* a calibration is on record */
    struct civil calibrated_at;
    int64_t calibrate_every_ms; /* 0: never due */
    /* guards */
    double jump_most;       /* largest believable step between readings, inside unit; 0: none */
    int64_t stuck_after_ms; /* identical raw values for this long: stuck; 0: not watched */
    bool safe;              /* PROBE_LEAK: the value that means all is well */
};

/* Why a payload is not a reading, or PROBE_OK. */
enum probe_verdict {
    PROBE_OK,
    PROBE_RETAINED,     /* arrived with the retained flag: old */
    PROBE_NOT_A_NUMBER, /* not in the grammar of its unit */
    PROBE_NOTHING,      /* a word that means no reading */
    PROBE_FAULT_VALUE,  /* a sentinel */
    PROBE_OUT_OF_RANGE,
    PROBE_NEEDS_TEMPERATURE, /* can't be compensated without a good temperature */
    PROBE_JUMPED,            /* waiting for the next readings to confirm a step */
    PROBE_STUCK,             /* the value hasn't changed by one digit for too long */
    PROBE_VERDICT_COUNT,
};

enum probe_quality { PROBE_NONE, PROBE_GOOD, PROBE_STALE, PROBE_SUSPECT, PROBE_FAULTY };

/* What is known of one probe now. Members are this module's. */
struct probe {
    bool has_value;
    double value;     /* the last trusted one, inside unit */
    struct mono at;   /* when that was measured (arrived) */
    double recent[3]; /* newest first, before the median */
    uint32_t recent_count;
    struct mono recent_at; /* when recent[0] arrived */
    double raw;            /* the last raw number seen, and since when it has been exactly that */
    bool has_raw;
    struct mono raw_since, raw_at; /* first and newest of the same number */
    bool has_counted;              /* the newest raw number that counted as a reading of its own */
    double counted;
    struct mono counted_at;
    uint32_t jumps;          /* readings in a row that jumped */
    double jumped[3];        /* those, newest first */
    enum probe_verdict last; /* of the newest message */
    enum probe_verdict live; /* of the newest number that was not retained */
    uint64_t refused;        /* messages that were no reading */
};

/* Nothing known yet. */
void probe_init(struct probe *p);

/* The number that a payload's text means, in the config's unit; the verdict says why not. 'quoted'
 * says that the text was a JSON string. A bare payload is never quoted. */
enum probe_verdict probe_number(
    double *ret, const struct probe_config *config, const char *text, size_t length, bool quoted);

/* Takes a number that arrived at 'now'. 'degc' is the tank's trusted temperature, NaN if there is
 * none. PROBE_OK: p->value and p->at are new. */
enum probe_verdict probe_take(struct probe *p, const struct probe_config *config, double number,
    bool retained, double degc, struct mono now);

/* Counts a message in which probe_number (or whoever looked for its text) found no number. */
void probe_refuse(struct probe *p, enum probe_verdict verdict);

/* Can it be used now? PROBE_GOOD: a trusted value no older than max_age_ms, and nothing newer
 * speaks against it. PROBE_SUSPECT: something does (a step not confirmed yet, a number out of
 * range). PROBE_FAULTY: stuck, or the newest number is a sentinel. */
enum probe_quality probe_quality_at(
    const struct probe *p, const struct probe_config *config, struct mono now);

/* One phrase for dosing/why: "no reading for 70 s", "stuck at 6.10 for 45 min". */
void probe_explain(
    struct text *t, const struct probe *p, const struct probe_config *config, struct mono now);

/* Words for people and for the configuration. probe_unit_read: false when no unit is so named;
 * probe_unit_fits: can that quantity be had from a probe of that unit? (UNIT_MM and UNIT_KPA fit
 * none yet: their geometry isn't configured anywhere.) */
const char *probe_quantity_word(enum probe_quantity quantity); /* "EC", "pH", "temperature" */
const char *probe_quality_word(enum probe_quality quality);    /* "good", "stale", ... */
const char *probe_verdict_word(enum probe_verdict verdict);
const char *probe_unit_word(enum probe_unit unit); /* "mS/cm" */
bool probe_unit_read(enum probe_unit *ret, const char *word);
bool probe_unit_fits(enum probe_unit unit, enum probe_quantity quantity);

#endif
