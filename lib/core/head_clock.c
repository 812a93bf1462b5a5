#include "lib/core/head_clock.h"

#include "lib/base/text.h"
#include "lib/core/limits_known.h"
#include "lib/core/state.h"

enum {
    /* Two quartz clocks differ by less than two thousandths (common practice, no source: some
     * 100 ppm each), and a beat may come late. */
    HEAD_CLOCK_SLACK_MS = 120000,
    HEAD_CLOCK_SHARE = 500,
    HEAD_CLOCK_LATE_MS = 1000, /* not worth a record */
};

void core_record_head_clock(
    struct record *r, const struct core *core, uint32_t chain, struct now now)
{
    const struct core_chain *c = &core->chain[chain];
    record_add_text(r, "head_boot", c->beat.boot);
    record_add_int(r, "head_up_ms", core_head_up_ms(c, now));
}

void core_recall_head_clock(
    struct core *core, uint32_t chain, const struct record *r, struct mono at)
{
    struct core_head_clock *k = &core->chain[chain].head_clock;
    int64_t up_ms, kept_ms;
    if (!record_int(r, "head_up_ms", &up_ms) || up_ms < 0) return;
    (void)text_copy(k->boot, sizeof k->boot, record_text_or_empty(r, "head_boot"));
    k->up_ms = up_ms;
    k->at = at;
    if (record_int(r, "kept_ms", &kept_ms) && kept_ms > 0 && kept_ms <= DAY_MS)
        core_keep_limits(core, chain, kept_ms);
}

static void say_lost(struct core *core, uint32_t chain, int64_t ms, struct actions *ret)
{
    char line[ACTION_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t, ": by its head's clock the last dose was ");
    text_add_real(&t, (double)ms / 60000.0, 0);
    text_add(&t, " min later than the time of day says, which was put ahead while nothing could be "
                 "recorded. Limits count as used up");
    emit_log(ret, LOG_FAILED, line);
}

void core_compare_head_clock(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    const struct core_chain *c = &core->chain[chain];
    struct core_head_clock k = c->head_clock;
    core->chain[chain].head_clock.boot[0] = '\0';
    if (k.boot[0] == '\0' || !text_same(k.boot, c->beat.boot) || c->beat.up_ms < k.up_ms) return;
    const int64_t passed_ms = mono_since(now.mono, k.at);
    const int64_t late_ms = passed_ms - (c->beat.up_ms - k.up_ms);
    if (late_ms < HEAD_CLOCK_LATE_MS) return;
    const bool lost = late_ms > HEAD_CLOCK_SLACK_MS + passed_ms / HEAD_CLOCK_SHARE;
    struct record *r = emit_record(ret, "head-clock");
    record_add_text(r, "chain", core->site->chain[chain].key);
    core_record_head_clock(r, core, chain, now);
    if (lost) {
        say_lost(core, chain, late_ms, ret);
        core_lose_limits(core, chain, now, ret);
    } else {
        record_add_int(r, "kept_ms", late_ms);
        core_keep_limits(core, chain, late_ms);
    }
}
