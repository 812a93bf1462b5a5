/* What keeps a tank from being dosed and that nobody would notice at night: water on the floor, a
 * probe that can't be used, too little water, a chain head that has gone. It goes on by itself once
 * the cause has gone, and so do these alerts; what people hold, and before planting, isn't told of.
 */
#include "lib/base/text.h"
#include "lib/core/state.h"

enum {
    KEPT_TELL_MS = 15 * 60000, /* a probe that is wiped, a head that starts anew */
    KEPT_REST_MS = 5 * 60000,  /* one that comes and goes is one alert */
    LEAK_REST_MS = 60000,
};

/* What is looked at, and what is said of it. */
struct matter {
    const char *id;
    int32_t tank;
    bool is;
    const char *text;
    int64_t tell_ms, rest_ms; /* it must last so long, breaks shorter than that counted in */
};

/* Said once it has lasted and is so now; other words are no other alert. */
static void watch(struct core *core, struct upkeep_span *span, const struct matter *m,
    struct mono now, struct actions *ret)
{
    if (m->is && !span->on) span->since = now;
    if (m->is) span->seen = now;
    span->on = m->is || (span->on && mono_since(now, span->seen) < m->rest_ms);
    if (!span->on) {
        upkeep_forget(core, m->id, ret);
    } else if (m->is && alert_stands(core, m->id)) {
        alert_raise(core, m->id, m->tank, m->text, ret);
    } else if (m->is && mono_since(now, span->since) >= m->tell_ms) {
        upkeep_remind(core, m->id, m->tank, m->text, ret);
    }
}

/* --- a tank ----------------------------------------------------------------------------------- */

static bool is_wet(const struct core *core, uint32_t tank, struct now now)
{
    const struct probe_config *config = &core->site->tank[tank].probe[PROBE_LEAK];
    const struct probe *p = &core->tank[tank].probe[PROBE_LEAK];
    return config->present && probe_quality_at(p, config, now.mono) == PROBE_GOOD &&
           (p->value >= 0.5) != config->safe;
}

static void look_at_leak(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const char *key = core->site->tank[tank].key;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    alert_name(id, "leak", key, NULL);
    text_add(&t, key);
    text_add(&t,
        ": the leak probe reports water. Nothing is dosed there. Mains off before you step "
        "into it; look for the leak, and at the tank's level");
    const struct matter m = { id, (int32_t)tank, is_wet(core, tank, now), text, 0, LEAK_REST_MS };
    watch(core, &core->tank[tank].upkeep.wet, &m, now.mono, ret);
}

static bool probes_good(const struct core *core, uint32_t tank, struct now now)
{
    static const enum probe_quantity needed[] = { PROBE_TEMPERATURE, PROBE_EC, PROBE_PH };
    for (size_t i = 0; i < sizeof needed / sizeof *needed; i++) {
        const struct probe_config *config = &core->site->tank[tank].probe[needed[i]];
        const struct probe *p = &core->tank[tank].probe[needed[i]];
        if (probe_quality_at(p, config, now.mono) != PROBE_GOOD) return false;
    }
    return true;
}

/* Would it be dosed if all were well? Nobody waits for a tank that isn't planted. */
static bool is_wanted(const struct core *core, uint32_t tank, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    return now.clock != CLOCK_UNSET && !core->halted && !t->paused && !t->service &&
           !t->care.bench && core_crop_now(core, tank, now).planted;
}

/* A leak and an EC probe in the air have alerts of their own; so has a chain that is gone. */
static bool is_kept(const struct core *core, uint32_t tank, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    if (!is_wanted(core, tank, now) || is_wet(core, tank, now) || t->upkeep.dry) return false;
    if (t->state == TANK_INTERLOCKED) return true;
    return t->state == TANK_WAITING && core_chain_ready(core, tank_chain(core, tank), now, NULL) &&
           !probes_good(core, tank, now);
}

static void look_at_kept(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    const char *key = core->site->tank[tank].key;
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    alert_name(id, "kept", key, NULL);
    text_add(&t, key);
    text_add(&t, ": nothing is dosed there: ");
    text_add(&t, core->tank[tank].why);
    const bool kept = is_kept(core, tank, now);
    const struct matter m = { id, (int32_t)tank, kept, text, KEPT_TELL_MS, KEPT_REST_MS };
    watch(core, &core->tank[tank].upkeep.kept, &m, now.mono, ret);
}

/* --- a chain ---------------------------------------------------------------------------------- */

static bool is_used(const struct core *core, uint32_t chain, struct now now)
{
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_tank *config = &core->site->tank[i];
        bool uses = config->circulation.address.chain == chain;
        for (uint32_t p = 0; p < config->pump_count; p++) {
            uses = uses || config->pump[p].address.chain == chain;
        }
        if (uses && is_wanted(core, i, now)) return true;
    }
    return false;
}

/* Without a broker nobody would hear it; a wrong order, another daemon and a halt have alerts of
 * their own, and boards of plain outputs have no head. */
static bool is_gone(const struct core *core, uint32_t chain, struct now now, struct text *why)
{
    const struct core_chain *c = &core->chain[chain];
    if (!core->link_up || core->site->chain[chain].plain || c->deposed) return false;
    if (c->head_ready && ((c->has_roll && !c->matches) || c->beat.halted)) return false;
    return is_used(core, chain, now) && !core_chain_ready(core, chain, now, why);
}

static void look_at_chain(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    alert_name(id, "gone", core->site->chain[chain].key, NULL);
    const bool gone = is_gone(core, chain, now, &t);
    text_add(&t, ". Nothing is dosed by this chain. Look at its head's power, its network, and "
                 "whether the broker lets it in");
    const struct matter m = { id, -1, gone, text, KEPT_TELL_MS, KEPT_REST_MS };
    watch(core, &core->chain[chain].gone, &m, now.mono, ret);
}

void upkeep_look_at_kept(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    look_at_leak(core, tank, now, ret);
    look_at_kept(core, tank, now, ret);
    for (uint32_t c = 0; tank == 0 && c < core->site->chain_count; c++) {
        look_at_chain(core, c, now, ret);
    }
}
