/* The words of the rig's faults: NAME:TARGET[=VALUE][@SECONDS], a leading '-' takes one back. What
 * each does: docs/rig.md. */
#ifndef DOSEWRIGHT_DAEMON_RIG_FAULT_H
#define DOSEWRIGHT_DAEMON_RIG_FAULT_H

#include "lib/base/problem.h"
#include "lib/base/text.h"
#include "lib/core/site.h"

enum rig_fault_kind {
    RIG_EMPTY,
    RIG_STUCK,
    RIG_SILENT,
    RIG_JUMP,
    RIG_SWAP,
    RIG_ORDER,
    RIG_REMOVE,
    RIG_REBOOT,
    RIG_MUTE,
    RIG_DEAF,
    RIG_DROP, /* 'gone' */
    RIG_HAND,
    RIG_STOP_SWITCH,
    RIG_SLOW,
    RIG_LEAK,
    RIG_LEVEL,
    RIG_REFILL,
    RIG_WATER_CHANGE,
    RIG_BATH,
    RIG_CUP,
    RIG_AIR,
    RIG_BOTTLES,
    RIG_WEAK,
    RIG_THIN,
    RIG_UNPLUGGED,
    RIG_FAULT_KINDS,
};

enum { RIG_FAULT_WORD_MAX = 128, RIG_AFTER_MOST_S = 1000000 };

/* Only the members of its kind are set. Indices are the site's. */
struct rig_fault {
    enum rig_fault_kind kind;
    bool heal;
    bool has_after;
    int64_t after_ms;
    uint32_t stock, other_stock, tank, chain;
    enum probe_quantity probe;
    uint32_t position, other; /* from 1 */
    uint32_t channel;         /* 0 is circulation */
    char serial[CHAIN_WORD_MAX];
    double value;
    char word[RIG_FAULT_WORD_MAX]; /* as it was written, without @SECONDS */
};

/* Reads one word in full. The problem says what is known instead. */
enum err rig_fault_read(struct rig_fault *ret, const char *word, const struct site *site,
    struct problem *problem) __attribute__((warn_unused_result));

/* "empty:STOCK stuck:TANK.PROBE ...", for the help text. */
void rig_fault_list(struct text *t, const char *separator);

/* The name of a probe in the configuration: "ec", "air_temperature". */
const char *rig_probe_word(enum probe_quantity quantity);

#endif
