/* What became of a command, and what moved beside those: windows, bottles and lines are set right.
 * Private to the core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_SETTLE_H
#define DOSEWRIGHT_CORE_SETTLE_H

#include "lib/base/units.h"
#include "lib/chain/message.h"

struct core;
struct core_tank;
struct core_command;
struct core_total;
struct actions;

/* A report, or an entry of the ledger: does it concern a command of ours? */
void core_settle_report(struct core *core, uint32_t chain, const struct chain_report *report,
    struct now now, struct actions *ret);

/* Has the time for the dose's last report passed, and the ledger had its chance to tell? */
bool core_dose_overdue(const struct core *core, uint32_t tank, struct now now);

/* Such a dose counts as delivered in full. */
void core_settle_overdue(struct core *core, uint32_t tank, struct now now, struct actions *ret);

/* After an attempt that failed: the next one waits longer each time, up to five minutes. */
void core_back_off(struct core_tank *t, struct now now);

/* A command that certainly never left. */
void core_settle_unsent(
    struct core *core, uint32_t chain, const char *id, struct now now, struct actions *ret);

/* Raises the alert of every purpose that stands locked and has none: after a start, and for tanks
 * that a reload renamed. */
void core_raise_locks(struct core *core, struct actions *ret);

/* Counts a volume of a stock as gone from its bottle. */
void core_draw_stock(struct core *core, uint32_t stock, int64_t ul);

/* Liquid moved until 'ended': the line holds it, the tank must mix it. And: this pump moved it. */
void core_line_took(struct core_tank *t, struct mono ended);
void core_pump_ran(struct core *core, uint32_t tank, uint32_t pump, struct mono ended);

/* The hand total of an output, NULL when it has none yet. */
const struct core_total *core_known_total(
    struct core *core, uint32_t chain, const char *serial, uint32_t channel);

/* ... made if there is none yet; NULL when there is no room. */
struct core_total *core_total_of(
    struct core *core, uint32_t chain, const char *serial, uint32_t channel);

/* Does a dose, told to have been 'ul', go on counting as all that it may have been? */
bool core_full_counts(const struct core *core, uint32_t tank, const struct core_command *dose,
    int64_t ul, bool unsure);

/* The windows learn that a dose of this tank was 'ul' in truth, and when it ended at the latest. */
void core_settle_windows(struct core *core, uint32_t tank, const struct core_command *dose,
    int64_t ul, struct mono ends);

#endif
