/* Lines and locks whose names, stocks or chains in the file are others by now. Inside of the core.
 */
#ifndef DOSEWRIGHT_CORE_RESTORE_LINE_H
#define DOSEWRIGHT_CORE_RESTORE_LINE_H

#include "lib/base/units.h"
#include "lib/journal/record.h"

struct core;

/* Whether a run was of feed, acid or base, where the record has no purpose. */
void core_record_liquid(const struct core *core, uint32_t tank, uint32_t pump, struct record *ret);

/* As core_pump_ran, by a record: the pump may have drawn something else then. */
void core_recall_run(
    struct core *core, uint32_t tank, uint32_t pump, const struct record *r, struct mono ended);

/* ... by a pump that its tank has no more. */
void core_recall_gone(struct core *core, const struct record *r, struct mono ended);

/* Pause, service lock and bench, from a request or a carry: of the tank that it names, and of the
 * one that has its circulation now. */
void core_restore_locks(struct core *core, const struct record *r, struct now at);

#endif
