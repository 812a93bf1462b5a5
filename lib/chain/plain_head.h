/* The plain outputs of one tank, played as a chain head: each output is a module with one output,
 * so that the core commands them like any other chain, under the same limits, locks and halts.
 *
 * It times the runs by its own clock and reports what it told the board, not what the board did: a
 * run that was ended early is reported as unsure, which counts in full; so is one that was to be
 * switched off where the board reports and didn't report off. Pure: commands, reports of
 * the board and time go in; what is to be said to the board and to the core comes out. It never
 * says that anything runs before its caller said so to the board. */
#ifndef DOSEWRIGHT_CHAIN_PLAIN_HEAD_H
#define DOSEWRIGHT_CHAIN_PLAIN_HEAD_H

#include "lib/chain/plain_watch.h"
#include "lib/chain/roll.h"

enum {
    PLAIN_REPORTS_MAX = 32, /* waiting to be taken; one more is lost: what it was about then counts
                               in full */
    PLAIN_BEAT_MS = 2000,
    PLAIN_CONFIRM_MS = 4000, /* how long a report of off is waited for */
    PLAIN_HAND_TELL_MS = 10000,
};

struct plain_line { /* one output */
    const struct plain_output *output;
    struct plain_watch watch;
    bool running;
    bool ending; /* it was told to be off at 'ended_ms', and its report of that is waited for */
    int64_t ended_ms;
    char id[CHAIN_WORD_MAX]; /* of the command that runs it, or did last */
    int64_t since_ms, run_ms;
    uint32_t needs;    /* position of the circulation that must run while it does; 0: none */
    bool told_running; /* that it runs has been reported */
    bool by_hand;
    int64_t hand_since_ms, hand_ms; /* of this run by hand; all of them, whole life */
};

struct plain_head { /* storage is the caller's, members are this module's */
    char boot[CHAIN_WORD_MAX];
    int64_t up_ms;
    bool halted;
    struct chain_claim claim;             /* in force */
    int64_t max_run_ms, max_circulate_ms; /* of the output that may run longest; each has its own */
    uint32_t count;
    struct plain_line line[CHAIN_MODULES_MAX]; /* [i] is at position i + 1 */
    const struct chain_config *config;
    uint32_t report_count;
    struct chain_report report[PLAIN_REPORTS_MAX];
    int64_t manual_n, hand_told_ms;
    bool manual_changed;
    uint32_t hand_line; /* the one that 'manual' is about */
};

/* Every output is off, as far as is known. 'claim' and the lines' 'hand_ms' are what a head would
 * have kept: the caller sets them afterwards. 'config' has only plain modules and stays. */
void plain_head_init(struct plain_head *h, const struct chain_config *config, const char *boot);

/* Time passes to 'up_ms' (never backwards): runs end. */
void plain_head_advance(struct plain_head *h, int64_t up_ms);

/* The broker was away, or somebody else had the outputs: what runs is over, and unsure. */
void plain_head_lost(struct plain_head *h);

/* A command; 'identify' is refused, as there is no module to feel. ret_starts becomes the line that
 * is to be switched on now, with plain_head_fill; or CHAIN_MODULES_MAX. Whoever can't switch it on
 * says so, and nothing has run. */
void plain_head_command(
    struct plain_head *h, const struct chain_command *command, uint32_t *ret_starts);
void plain_head_unsent(struct plain_head *h, uint32_t line);

/* A claim; who commands is the core's business: it is always taken. */
void plain_head_claim(struct plain_head *h, const struct chain_claim *claim);

/* The board reports on one of its outputs. */
void plain_head_hear(struct plain_head *h, uint32_t line, bool on);

/* What there is to report, oldest first; false when there is nothing. */
bool plain_head_take(struct plain_head *h, struct chain_report *ret);

/* As a head would publish them. */
void plain_head_roll(const struct plain_head *h, struct chain_roll *ret);
void plain_head_manual(const struct plain_head *h, struct chain_manual *ret);

/* The next up_ms at which something changes by time alone. */
int64_t plain_head_due_ms(const struct plain_head *h);

#endif
