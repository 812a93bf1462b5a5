#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/core/state.h"

struct action *emit(struct actions *ret, enum action_kind kind)
{
    INVARIANT(ret->count < ACTIONS_MAX);
    struct action *a = &ret->item[ret->count++];
    memset(a, 0, sizeof *a);
    a->kind = kind;
    return a;
}

struct record *emit_record(struct actions *ret, const char *kind)
{
    struct action *a = emit(ret, ACTION_RECORD);
    record_start(&a->record, kind);
    return &a->record;
}

void emit_log(struct actions *ret, enum log_level level, const char *text)
{
    struct action *a = emit(ret, ACTION_LOG);
    a->log.level = level;
    text_copy(a->log.text, sizeof a->log.text, text);
}

void emit_answer(
    struct actions *ret, uint64_t ticket, bool ok, const char *reason, const char *text)
{
    struct action *a = emit(ret, ACTION_ANSWER);
    a->answer.ticket = ticket;
    a->answer.ok = ok;
    text_copy(a->answer.reason, sizeof a->answer.reason, reason);
    text_copy(a->answer.text, sizeof a->answer.text, text);
}
