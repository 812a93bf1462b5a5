/* Does a pump stand still that was told to? A head reports that it has switched off; a relay whose
 * contacts have welded together goes on. Where the head measures the chain's current, that shows.
 */
#include "lib/base/text.h"
#include "lib/core/state.h"

enum {
    ODD_BEATS = 3,         /* running: no passing disturbance */
    COUNT_EVERY_MS = 10000 /* what it moves meanwhile is recorded */
};

/* Of what the pump should draw: less may be noise, or its circulation pump's. */
static const double SHARE = 0.5;

static uint32_t flow_of(const struct core *core, uint32_t chain)
{
    uint32_t bits = 0;
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        bits = bits << 1 | bits >> 31;
        if (tank_chain(core, i) == chain && core->tank[i].circulation.on) bits ^= i + 1;
    }
    return bits;
}

static bool any_dose(const struct core *core, uint32_t chain)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_tank *t = &core->tank[i];
        if (t->dose.used && core->site->tank[i].pump[t->dose.pump].address.chain == chain)
            return true;
    }
    return false;
}

static void name_alert(const struct core *core, uint32_t chain, char ret[ALERT_ID_MAX])
{
    alert_name(ret, "runs-on", core->site->chain[chain].key, NULL);
}

void core_expect_rest(struct core *core, uint32_t tank, uint32_t pump, struct now now)
{
    const struct site_pump *config = &core->site->tank[tank].pump[pump];
    const struct chain_address *a = &config->address;
    struct core_runs_on *w = &core->chain[a->chain].runs_on;
    if (!w->has_before || w->stands || !core->active) return; /* what else runs isn't known then */
    w->watching = true;
    w->odd = 0;
    w->channel = a->channel;
    (void)text_copy(w->serial, sizeof w->serial, config->serial);
    w->draws = core->site->chain[a->chain].module[a->position - 1].power.pump_amps;
    w->counted_to = now.mono;
}

/* --- while it stands -------------------------------------------------------------------------- */

static void count(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_runs_on *w = &core->chain[chain].runs_on;
    const int64_t ms = mono_since(now.mono, w->counted_to);
    if (ms <= 0 || !w->serial[0]) return;
    struct record *r = emit_record(ret, "ran-on");
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_text(r, "serial", w->serial);
    record_add_int(r, "channel", w->channel);
    record_add_int(r, "ms", ms);
    const struct core_run run = { chain, w->serial, w->channel, ms };
    (void)core_count_beside(core, &run, now, r);
    w->counted_to = now.mono;
}

static void tell(struct core *core, uint32_t chain, struct actions *ret)
{
    const struct core_runs_on *w = &core->chain[chain].runs_on;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t, ": a pump was told to stop, and the current says that it runs on");
    if (w->serial[0]) {
        text_add(&t, " (channel ");
        text_add_int(&t, w->channel);
        text_add(&t, " of module ");
        text_add(&t, w->serial);
        text_add_char(&t, ')');
    }
    text_add(&t,
        ". Cut the pumps' power now; look at relay and pump. Nothing of this chain is dosed "
        "until its current has gone down; if all its pumps stand still, acknowledge this");
    name_alert(core, chain, id);
    alert_raise(core, id, -1, text, ret);
}

static void stop_it(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    const struct core_runs_on *w = &core->chain[chain].runs_on;
    const struct chain_address where = { .chain = chain, .channel = w->channel };
    core_send_stop(core, &where, w->serial, now, ret);
}

static void come_to_rest(struct core *core, uint32_t chain, struct actions *ret)
{
    struct core_runs_on *w = &core->chain[chain].runs_on;
    char id[ALERT_ID_MAX];
    name_alert(core, chain, id);
    alert_clear(core, id, ret);
    *w = (struct core_runs_on){ .stands = false };
}

/* --- beats ------------------------------------------------------------------------------------ */

/* Of a beat in which nothing should run but what ran before the dose. */
static void judge(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    struct core_runs_on *w = &core->chain[chain].runs_on;
    if (core_amps_beyond(core, chain) - w->before_amps < w->draws * SHARE) {
        if (w->stands) count(core, chain, now, ret);
        come_to_rest(core, chain, ret);
        return;
    }
    if (!w->stands && ++w->odd < ODD_BEATS) return;
    const bool begins = !w->stands;
    w->stands = true;
    if (begins) stop_it(core, chain, now, ret);
    if (begins || mono_since(now.mono, w->counted_to) >= COUNT_EVERY_MS)
        count(core, chain, now, ret);
    if (begins) tell(core, chain, ret);
}

/* Nothing is known from before a restart: what a whole chain at rest draws tells it, too. */
static void judge_at_rest(struct core *core, uint32_t chain, struct actions *ret)
{
    const struct chain_config *config = &core->site->chain[chain];
    double least = 0.0;
    for (uint32_t m = 0; m < config->count; m++) {
        const double amps = config->module[m].power.pump_amps;
        if (amps > 0.0 && (least <= 0.0 || amps < least)) least = amps;
    }
    if (core_amps_beyond(core, chain) < least * SHARE) come_to_rest(core, chain, ret);
}

void core_watch_rest(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    const struct core_chain *c = &core->chain[chain];
    struct core_runs_on *w = &core->chain[chain].runs_on;
    if (!c->beat.has_amps && !w->stands) *w = (struct core_runs_on){ .stands = false };
    if (!c->beat.has_amps || !core_draw_known(core, chain) || any_dose(core, chain)) return;
    const uint32_t flow = flow_of(core, chain);
    if (w->watching && w->before_flow == flow && w->draws > 0.0) {
        judge(core, chain, now, ret);
    } else if (w->stands) {
        if (flow == 0) judge_at_rest(core, chain, ret);
        return;
    }
    if (w->stands || (w->watching && w->odd > 0 && w->before_flow == flow)) return;
    *w = (struct core_runs_on){
        .has_before = true, .before_amps = core_amps_beyond(core, chain), .before_flow = flow
    };
}

/* --- what follows ----------------------------------------------------------------------------- */

bool core_pumps_rest(struct core *core, uint32_t tank)
{
    const struct site_tank *config = &core->site->tank[tank];
    struct core_tank *t = &core->tank[tank];
    uint32_t chain = tank_chain(core, tank);
    for (uint32_t p = 0; p <= config->pump_count; p++) {
        const struct core_runs_on *w = &core->chain[chain].runs_on;
        if (w->stands)
            return core_say(t, TANK_LOCKED,
                "a pump of its chain runs on although it was told to stop: cut the pumps' power");
        if (w->odd > 0)
            return core_say(t, TANK_WAITING,
                "the chain draws more than it should after a dose; it looks whether the pump "
                "stands");
        if (p < config->pump_count) chain = config->pump[p].address.chain;
    }
    return true;
}

static struct core_runs_on *named(struct core *core, const char *alert)
{
    char id[ALERT_ID_MAX];
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        name_alert(core, c, id);
        if (text_same(id, alert)) return &core->chain[c].runs_on;
    }
    return NULL;
}

void core_trust_rest(struct core *core, const char *alert)
{
    struct core_runs_on *w = named(core, alert);
    if (w) *w = (struct core_runs_on){ .stands = false };
}

void core_restore_rest(struct core *core, const char *alert, bool on)
{
    struct core_runs_on *w = named(core, alert);
    if (w) w->stands = on;
}

void core_raise_rest(struct core *core, struct actions *ret)
{
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (core->chain[c].runs_on.stands) tell(core, c, ret);
    }
}
