#include "lib/core/head_clock.h"

#include "lib/base/text.h"
#include "lib/core/state.h"

/* A dose's record waits for the disk and its command for the broker; two quartz clocks differ by
 * less than two thousandths (common practice, no source: some 100 ppm each). */
enum { HEAD_CLOCK_SLACK_MS = 120000, HEAD_CLOCK_SHARE = 500 };

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
    int64_t up_ms;
    if (!record_int(r, "head_up_ms", &up_ms) || up_ms < 0) return;
    (void)text_copy(k->boot, sizeof k->boot, record_text_or_empty(r, "head_boot"));
    k->up_ms = up_ms;
    k->at = at;
}

/* By how much more time has passed by our reckoning than on the head's clock, beyond what two
 * clocks may differ by; 0: by nothing. */
static int64_t excess_ms(const struct core_head_clock *k, int64_t up_ms, struct mono now)
{
    const int64_t passed_ms = mono_since(now, k->at), head_ms = up_ms - k->up_ms;
    const int64_t slack_ms = HEAD_CLOCK_SLACK_MS + passed_ms / HEAD_CLOCK_SHARE;
    if (head_ms < 0 || passed_ms - head_ms <= slack_ms) return 0;
    return passed_ms - head_ms;
}

void core_compare_head_clock(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    struct core_head_clock *k = &c->head_clock;
    const bool same = k->boot[0] != '\0' && text_same(k->boot, c->beat.boot);
    const int64_t ms = same ? excess_ms(k, c->beat.up_ms, now.mono) : 0;
    k->boot[0] = '\0';
    if (ms == 0) return;
    char line[ACTION_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t, ": by its head's clock the last dose was ");
    text_add_real(&t, (double)ms / 60000.0, 0);
    text_add(&t, " min later than the time of day says, which was put ahead while nothing could be "
                 "recorded. Limits count as used up");
    emit_log(ret, LOG_FAILED, line);
    core_lose_limits(core, chain, now, ret);
}
