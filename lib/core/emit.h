/* Filling the list of actions. Private to the core (state.h includes it). */
#ifndef DOSEWRIGHT_CORE_EMIT_H
#define DOSEWRIGHT_CORE_EMIT_H

#include "lib/core/action.h"

/* The next action, emptied, of that kind. */
struct action *emit(struct actions *ret, enum action_kind kind);

/* A record of that kind, to be filled. */
struct record *emit_record(struct actions *ret, const char *kind);

/* One line for the log. */
void emit_log(struct actions *ret, enum log_level level, const char *text);
/* The answer to the request with this ticket. */
void emit_answer(
    struct actions *ret, uint64_t ticket, bool ok, const char *reason, const char *text);

#endif
