/* A virtual chain head with its modules: the other side of the chain contract, as a stranger's
 * hardware would behave. Pure: messages and time go in, reports and pump runs come out. The rig
 * puts it on MQTT; simulations run it in memory.
 *
 * It shares no decision with the daemon: it checks every command by the contract's own order of
 * refusals, on its own clock. What the contract leaves to the head is decided so (docs/contract.md
 * says the same):
 * - 'until_ms' more than CHAIN_UNTIL_MOST_MS ahead is 'expired', as one that has passed;
 * - 'identify' runs one output for HEAD_IDENTIFY_MS or run_ms, whichever is shorter; without a
 * channel the circulation output;
 * - 'stop' and 'halt' end runs by hand, too; a switch works again once it was off;
 * - a switch that goes on takes an output over from a command: that is 'stopped', the output runs
 * on;
 * - ids in the ledger count as seen, also those of the former boot;
 * - what can't be remembered (all HEAD_IDS_MAX places taken) is refused and stays refused. */
#ifndef DOSEWRIGHT_PLANT_HEAD_H
#define DOSEWRIGHT_PLANT_HEAD_H

#include "lib/base/units.h"
#include "lib/chain/message.h"

enum {
    HEAD_OUTPUTS_MAX = CHAIN_MODULES_MAX * (CHAIN_CHANNELS_MAX + 1),
    HEAD_IDS_MAX = 64,     /* ids remembered */
    HEAD_REPORTS_MAX = 64, /* waiting to be taken; one more drops the oldest (the ledger has it) */
    HEAD_TOTALS_MAX = 48,  /* outputs with a hand total: as many as always fit into 4 KiB; on any
                              other output the switch does nothing */
    HEAD_IDENTIFY_MS = 100,
    HEAD_HAND_TELL_MS = 10000, /* a run by hand is told this often */
};

/* One output: a pump channel, or a module's circulation (channel 0). */
struct head_run {
    bool running;
    bool by_hand;
    char id[CHAIN_WORD_MAX];  /* of the command */
    int64_t since_ms, run_ms; /* up_ms at its start, and its length */
    bool needs;               /* a dose that needs a circulation output */
    uint32_t needs_module;    /* index into modules */
    int64_t total_ms;         /* really run since the head was made, by command */
    int64_t hand_ms;          /* really run by hand, whole life. Both belong to the place in the
                                 chain, whichever module is plugged in there; a place
                                that was gone starts at 0 */
};

struct head_module {
    struct chain_module info;
    bool fault;                                     /* refuses everything with 'fault' */
    struct head_run output[CHAIN_CHANNELS_MAX + 1]; /* [0] circulation */
};

struct head {
    char boot[CHAIN_WORD_MAX];
    int64_t epoch;
    int64_t up_ms;
    int64_t beat_ms, max_run_ms, max_circulate_ms;
    bool halted;        /* latched by a message; survives restart */
    bool switch_halted; /* by the stop switch at the head; only the switch clears it */
    int64_t dropped;
    struct chain_claim claim;
    int64_t highest_reign;
    uint32_t count;
    struct head_module module[CHAIN_MODULES_MAX];
    struct chain_ledger ledger;
    struct chain_manual manual;
    struct chain_command accepted; /* the last one accepted; id "" if none */
    struct {
        char id[CHAIN_WORD_MAX];
        int64_t until_ms;
        struct chain_report outcome;
    } seen[HEAD_IDS_MAX];
    uint32_t seen_count;
    int64_t shut_until_ms;              /* ids that didn't fit have an until_ms of at most this */
    uint32_t hand_module, hand_channel; /* the output that 'manual' is about */
    int64_t hand_told_ms;
    struct chain_report report[HEAD_REPORTS_MAX];
    uint32_t report_count;
    /* what has to be published anew */
    bool roll_changed, claim_changed, ledger_changed, manual_changed, command_changed;
};

struct head_config {
    const char *boot;
    int64_t beat_ms, max_run_ms, max_circulate_ms;
    uint32_t count;
    struct chain_module module[CHAIN_MODULES_MAX];
};

/* Out of the box: every pump off, claimed by nobody, nothing remembered. */
void head_init(struct head *h, const struct head_config *config);

/* Power goes and comes back: every pump off, a new boot, what was running is 'stopped' and unsure.
 * The reign, the halt, the hand totals and the former boot's ledger are kept. */
void head_reboot(struct head *h, const char *boot);

/* Time passes to 'up_ms' (never backwards): runs end, doses lose their circulation. */
void head_advance(struct head *h, int64_t up_ms);

/* A message came. A malformed command with a usable id is refused as malformed (command->id set,
 * 'malformed' true); without one it is only counted (head_drop). */
void head_command(struct head *h, const struct chain_command *command, bool malformed);
void head_claim(struct head *h, const struct chain_claim *claim);
void head_drop(struct head *h);

/* The hardware changes: the roll-call is new under the next epoch, commanded runs stop first. A run
 * on a module that isn't at its place any more is stopped and unsure; a run by hand ends there.
 * When only firmware or volts differ nothing stops and the epoch stays. Positions differ. */
void head_set_modules(struct head *h, const struct chain_module *module, uint32_t count);

/* The switch on a module, and the stop switch at the head. */
void head_hand(struct head *h, uint32_t module, uint32_t channel, bool on);
void head_stop_switch(struct head *h, bool pressed);

/* What to publish: first what is marked as changed (the ledger above all), then the reports, oldest
 * first: false when there is none. */
bool head_take_report(struct head *h, struct chain_report *ret);
void head_roll(const struct head *h, struct chain_roll *ret);

/* Is this output on now? */
bool head_runs(const struct head *h, uint32_t module, uint32_t channel);

/* The next up_ms at which something ends by itself, or a run by hand is told again; INT64_MAX if
 * nothing runs. */
int64_t head_next_end(const struct head *h);

#endif
