#include <math.h>
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/sense/convert.h"
#include "lib/sense/probe.h"

enum { HISTORY = 3, CONFIRMED_BY = 3, AGREE = 2 };

void probe_init(struct probe *p)
{
    memset(p, 0, sizeof *p);
}

void probe_refuse(struct probe *p, enum probe_verdict verdict)
{
    p->last = verdict;
    p->refused++;
}

static bool same(double a, double b)
{
    return !(a < b) && !(a > b);
}

static bool is_sentinel(const struct probe_config *config, double number)
{
    INVARIANT(config->sentinel_count <= PROBE_SENTINELS_MAX);
    for (uint32_t i = 0; i < config->sentinel_count; i++) {
        if (same(config->sentinel[i], number)) return true;
    }
    return false;
}

/* Trust starts over; the last trusted value stays, to be shown. */
static void forget(struct probe *p)
{
    p->recent_count = 0;
    p->jumps = 0;
}

static bool stuck(const struct probe *p, const struct probe_config *config)
{
    return config->stuck_after_ms > 0 && config->unit != UNIT_BOOL && p->has_raw &&
           mono_since(p->raw_at, p->raw_since) >= config->stuck_after_ms;
}

/* Follows how long the raw number has been the same. Silence starts a new run, but it doesn't heal
 * a probe that was stuck before it: only another number does. */
static void watch_raw(
    struct probe *p, const struct probe_config *config, double number, struct mono now)
{
    const bool silent = p->has_raw && mono_since(now, p->raw_at) > config->max_age_ms;
    if (!p->has_raw || !same(p->raw, number) || (silent && !stuck(p, config))) p->raw_since = now;
    p->has_raw = true;
    p->raw = number;
    p->raw_at = now;
}

/* One message, delivered twice? That it says the same again proves nothing. */
static bool doubled(struct probe *p, double number, struct mono now)
{
    if (p->has_counted && same(p->counted, number) &&
        mono_since(now, p->counted_at) < PROBE_DOUBLE_MS)
        return true;
    p->has_counted = true;
    p->counted = number;
    p->counted_at = now;
    return false;
}

static void push(double *newest_first, double value)
{
    newest_first[2] = newest_first[1];
    newest_first[1] = newest_first[0];
    newest_first[0] = value;
}

static double median(const double *v)
{
    const double low = v[0] < v[1] ? v[0] : v[1];
    const double high = v[0] < v[1] ? v[1] : v[0];
    if (v[2] < low) return low;
    return v[2] > high ? high : v[2];
}

static bool guarded(const struct probe_config *config)
{
    return config->jump_most > 0.0;
}

static bool agree(const struct probe_config *config, double a, double b)
{
    return fabs(a - b) <= config->jump_most;
}

/* Counts a reading beyond the guard. True when it completes a row of them that agree among
 * themselves: they are the history then. */
static bool step_confirmed(struct probe *p, const struct probe_config *config, double value)
{
    if (p->jumps > 0 && !agree(config, value, p->jumped[0])) p->jumps = 0;
    push(p->jumped, value);
    if (++p->jumps < CONFIRMED_BY) return false;
    memcpy(p->recent, p->jumped, sizeof p->recent);
    p->recent_count = HISTORY;
    p->jumps = 0;
    return true;
}

/* Puts a value into the history; false while a step waits to be confirmed. */
static bool remember(
    struct probe *p, const struct probe_config *config, double value, struct mono now)
{
    if (p->recent_count > 0 && mono_since(now, p->recent_at) > config->max_age_ms) forget(p);
    const bool jump = guarded(config) && p->recent_count > 0 && !agree(config, value, p->recent[0]);
    /* A first reading that the second contradicts was no more worth than the second. */
    if (jump && p->recent_count < AGREE) forget(p);
    if (jump && p->recent_count >= AGREE) {
        if (!step_confirmed(p, config, value)) return false;
    } else {
        push(p->recent, value);
        if (p->recent_count < HISTORY) p->recent_count++;
        p->jumps = 0;
    }
    p->recent_at = now;
    return true;
}

static bool enough(const struct probe *p, const struct probe_config *config)
{
    return p->recent_count >= (guarded(config) ? (uint32_t)AGREE : (uint32_t)HISTORY);
}

static void trust(struct probe *p, double value, struct mono now)
{
    p->has_value = true;
    p->value = value;
    p->at = now;
}

static enum probe_verdict take(
    struct probe *p, const struct probe_config *config, double number, double degc, struct mono now)
{
    if (!isfinite(number)) return PROBE_NOT_A_NUMBER;
    if (is_sentinel(config, number)) return PROBE_FAULT_VALUE;
    if (number < config->least || number > config->most) return PROBE_OUT_OF_RANGE;
    if (config->unit == UNIT_BOOL) {
        trust(p, number, now);
        return PROBE_OK;
    }
    watch_raw(p, config, number, now);
    if (stuck(p, config)) {
        forget(p);
        return PROBE_STUCK;
    }
    double value;
    const enum probe_verdict verdict = convert_number(&value, config, number, degc);
    if (verdict != PROBE_OK) return verdict;
    if (doubled(p, number, now)) return p->live;
    if (!remember(p, config, value, now) || !enough(p, config)) return PROBE_JUMPED;
    trust(p, p->recent_count == HISTORY ? median(p->recent) : (p->recent[0] + p->recent[1]) / 2.0,
        now);
    return PROBE_OK;
}

enum probe_verdict probe_take(struct probe *p, const struct probe_config *config, double number,
    bool retained, double degc, struct mono now)
{
    if (retained) {
        probe_refuse(p, PROBE_RETAINED);
        return PROBE_RETAINED;
    }
    const enum probe_verdict verdict = take(p, config, number, degc, now);
    p->live = verdict;
    p->last = verdict;
    if (verdict != PROBE_OK) p->refused++;
    return verdict;
}

enum probe_quality probe_quality_at(
    const struct probe *p, const struct probe_config *config, struct mono now)
{
    const bool silent = p->has_raw && mono_since(now, p->raw_at) > config->max_age_ms;
    if (p->live == PROBE_FAULT_VALUE || (stuck(p, config) && !silent)) return PROBE_FAULTY;
    if (!p->has_value) return PROBE_NONE;
    if (mono_since(now, p->at) > config->max_age_ms) return PROBE_STALE;
    const bool starting = config->unit != UNIT_BOOL && !enough(p, config);
    if (starting || p->jumps > 0 || p->live == PROBE_OUT_OF_RANGE) return PROBE_SUSPECT;
    return PROBE_GOOD;
}
