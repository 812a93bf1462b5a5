/* What passes between a controller and a chain head, as structs: profile 1 of the contract in
 * docs/contract.md. Both roles use these types: the daemon as controller, the rig as head.
 * Turning them into JSON and back is the shell's work (daemon/payload/payload.h).
 *
 * Strings end in NUL and were checked at the door: serials and keys are 1 to 32 of [a-z0-9-], ids,
 * boots and 'by' 1 to 32 of [A-Za-z0-9-]. Counts and milliseconds are 0 to 2^53-1, volts and
 * amperes -1000 to 1000. */
#ifndef DOSEWRIGHT_CHAIN_MESSAGE_H
#define DOSEWRIGHT_CHAIN_MESSAGE_H

#include "lib/base/units.h"

enum {
    CHAIN_WORD_MAX = 33,         /* a serial, id, boot or by, NUL included */
    CHAIN_MODULES_MAX = 16,      /* modules in one chain */
    CHAIN_CHANNELS_MAX = 16,     /* pump channels in one module; four is usual */
    CHAIN_LEDGER_MAX = 24,       /* accepted commands that a ledger lists */
    CHAIN_TOTALS_MAX = 96,       /* outputs whose runs by hand are totalled */
    CHAIN_UNTIL_MOST_MS = 60000, /* 'until_ms' lies at most this far ahead */
};

/* One line of the roll-call. */
struct chain_module {
    uint32_t position; /* 1 = next to the head */
    char serial[CHAIN_WORD_MAX];
    uint32_t channels; /* 1 to CHAIN_CHANNELS_MAX */
    bool circulation;
    char firmware[CHAIN_WORD_MAX]; /* "": not told */
    bool has_volts;
    double volts; /* the supply as the module sees it */
};

struct chain_roll {
    char boot[CHAIN_WORD_MAX];
    int64_t epoch;
    int64_t beat_ms;          /* between two beats, 100 to 60000; 'beat_s' on the wire */
    int64_t max_run_ms;       /* the longest run of a pump that the head accepts, >= 1 */
    int64_t max_circulate_ms; /* ... of a circulation output, >= 1 */
    uint32_t count;
    struct chain_module module[CHAIN_MODULES_MAX]; /* as listed by the head, any order */
};

struct chain_beat {
    char boot[CHAIN_WORD_MAX];
    int64_t up_ms; /* the head's own monotonic clock */
    bool halted;
    int64_t dropped; /* malformed messages without a usable id */
    bool has_amps, has_volts;
    double amps, volts;
};

/* Who commands the chain. by "" and reign 0: nobody yet. */
struct chain_claim {
    char by[CHAIN_WORD_MAX];
    int64_t reign;
    char site[CHAIN_WORD_MAX]; /* Homie root device of that controller */
};

enum chain_action {
    CHAIN_DOSE,
    CHAIN_CIRCULATE,
    CHAIN_STOP,
    CHAIN_HALT,
    CHAIN_RESUME,
    CHAIN_IDENTIFY,
};

struct chain_command {
    char id[CHAIN_WORD_MAX];
    char by[CHAIN_WORD_MAX];
    int64_t reign;
    char boot[CHAIN_WORD_MAX];
    int64_t epoch;
    int64_t until_ms; /* the head's up_ms after which it must not start this */
    enum chain_action action;
    uint32_t position;           /* 0: not given */
    char serial[CHAIN_WORD_MAX]; /* "": not given */
    uint32_t channel;            /* 0: not given */
    int64_t run_ms;
    int64_t ul; /* 'ml' on the wire, for people who read along; 0: not given */
    struct {
        uint32_t position; /* 0: nothing needed */
        char serial[CHAIN_WORD_MAX];
    } needs; /* the circulation output that must run while this dose does */
};

enum chain_state {
    CHAIN_ACCEPTED,
    CHAIN_RUNNING,
    CHAIN_DONE,
    CHAIN_STOPPED, /* ended early; ran_ms tells how long it ran */
    CHAIN_REFUSED, /* nothing moved; the reason tells why */
};

/* In the order in which a head must check them: the first that applies is the answer. */
enum chain_reason {
    CHAIN_NO_REASON,
    CHAIN_MALFORMED,
    CHAIN_DUPLICATE,
    CHAIN_OTHER_REIGN,
    CHAIN_OTHER_BOOT,
    CHAIN_OTHER_EPOCH,
    CHAIN_EXPIRED,
    CHAIN_NO_MODULE,
    CHAIN_OTHER_SERIAL,
    CHAIN_NO_CHANNEL,
    CHAIN_HALTED,
    CHAIN_TOO_LONG,
    CHAIN_NO_CIRCULATION,
    CHAIN_FAULT,
    CHAIN_BUSY,
    CHAIN_REASON_COUNT,
};

/* One entry of the ledger, and the body of a report. */
struct chain_report {
    char id[CHAIN_WORD_MAX];
    char boot[CHAIN_WORD_MAX];
    enum chain_state state;
    enum chain_reason reason; /* with CHAIN_REFUSED, or CHAIN_DUPLICATE with any state */
    int64_t ran_ms;
    bool unsure;   /* ran_ms can't be trusted: counts in full */
    int64_t up_ms; /* reports only */
};

struct chain_ledger {
    char boot[CHAIN_WORD_MAX];
    uint32_t count;
    struct chain_report entry[CHAIN_LEDGER_MAX]; /* newest first */
};

/* Pumps that were run by the switch on a module. Totals are kept over restarts of the head. */
struct chain_manual {
    char boot[CHAIN_WORD_MAX];
    int64_t n;
    bool running;
    char serial[CHAIN_WORD_MAX];
    uint32_t channel; /* 0 is circulation */
    int64_t ran_ms;
    uint32_t count;
    struct {
        char serial[CHAIN_WORD_MAX];
        uint32_t channel;
        int64_t ms;
    } total[CHAIN_TOTALS_MAX];
};

/* The words of the wire: "dose", "running", "other-reign"; never NULL. CHAIN_NO_REASON is "". */
const char *chain_action_word(enum chain_action action);
const char *chain_state_word(enum chain_state state);
const char *chain_reason_word(enum chain_reason reason);

/* And back; false when the word isn't one of them. */
bool chain_action_read(enum chain_action *ret, const char *word);
bool chain_state_read(enum chain_state *ret, const char *word);
bool chain_reason_read(enum chain_reason *ret, const char *word);

/* Is this 1 to 32 of [a-z0-9-] (a key or serial), or of [A-Za-z0-9-] (an id, a boot)? */
bool chain_key_valid(const char *s);
bool chain_id_valid(const char *s);

#endif
