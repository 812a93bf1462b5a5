#include "lib/core/clock_watch.h"

#include "lib/base/text.h"
#include "lib/core/state.h"

enum {
    CLOCK_JUMP_MS = 2000, /* a clock that is kept in step is slewed by less between two looks */
    CLOCK_RECORD_EVERY_MS = 60000, /* a clock that can't make up its mind doesn't fill the disk */
    CLOCK_WRITTEN_MS = 600000, /* a record is on the disk by then, or the disk was found to fail */
};

/* How far the time of day is ahead of the clock that counts since boot. */
static int64_t ahead_ms(struct now now)
{
    int64_t ms;
    return __builtin_sub_overflow(now.civil.ms, now.mono.ms, &ms) ? 0 : ms;
}

static void tell_jump(struct core *core, int64_t by_ms, struct now now, struct actions *ret)
{
    struct record *r = emit_record(ret, "clock");
    record_add_int(r, "by_ms", by_ms);
    core->clock.told = true;
    core->clock.told_at = now.mono;
    char line[ACTION_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "the time of day was put ");
    text_add(&t, by_ms > 0 ? "ahead by " : "back by ");
    text_add_real(&t, (double)(by_ms > 0 ? by_ms : -by_ms) / 1000.0, 0);
    text_add(&t, " s; no limit counts by it");
    emit_log(ret, LOG_NOTED, line);
}

bool core_watch_clock(struct core *core, struct now now, struct actions *ret)
{
    struct core_clock *c = &core->clock;
    const int64_t ahead = ahead_ms(now);
    int64_t by_ms;
    if (!c->seen || __builtin_sub_overflow(ahead, c->ahead_ms, &by_ms)) by_ms = 0;
    const bool jumped = by_ms > CLOCK_JUMP_MS || by_ms < -CLOCK_JUMP_MS;
    if (jumped && !core->journal_ok) return false;
    if (jumped && c->told && mono_since(now.mono, c->told_at) < CLOCK_RECORD_EVERY_MS) return false;
    if (jumped) c->before_ms = c->ahead_ms;
    c->seen = true;
    c->ahead_ms = ahead;
    if (jumped) tell_jump(core, by_ms, now, ret);
    return jumped;
}

void core_doubt_clock(struct core *core, struct mono now)
{
    struct core_clock *c = &core->clock;
    if (!c->told || mono_since(now, c->told_at) >= CLOCK_WRITTEN_MS) return;
    c->ahead_ms = c->before_ms;
    c->told = false;
}
