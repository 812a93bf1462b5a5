#include "lib/crop/schedule.h"

#include "lib/base/invariant.h"

/* Rounds towards the past, so that days before 1970 are whole as well. */
static int64_t days_down(int64_t ms)
{
    return ms / DAY_MS - (ms % DAY_MS < 0 ? 1 : 0);
}

static double between(double from, double to, double part)
{
    return from + (to - from) * part;
}

/* Day's start is included, its end is not; a day may cross midnight. */
static bool is_night(const struct crop_schedule *s, int64_t local_ms)
{
    const int64_t at = local_ms - days_down(local_ms) * DAY_MS;
    if (s->day_from_ms == s->day_to_ms) return false;
    if (s->day_from_ms < s->day_to_ms) return at < s->day_from_ms || at >= s->day_to_ms;
    return at < s->day_from_ms && at >= s->day_to_ms;
}

static bool lasts_for_ever(const struct crop_stage *stage)
{
    return stage->days <= 0;
}

/* 'part' of the stage has passed, 0 to 1. A night value that isn't given (NaN) leaves the day's. */
static struct crop_target target_in(const struct crop_stage *stage, double part, bool night)
{
    struct crop_target target = { between(stage->from.ec_us_cm, stage->to.ec_us_cm, part),
        between(stage->from.ph, stage->to.ph, part) };
    if (!night || !stage->has_night) return target;
    if (stage->night.ec_us_cm > 0.0) target.ec_us_cm = stage->night.ec_us_cm;
    if (stage->night.ph > 0.0) target.ph = stage->night.ph;
    return target;
}

struct crop_now crop_now_at(
    const struct crop_schedule *schedule, struct civil planted, struct crop_clock clock)
{
    INVARIANT(schedule->count > 0 && schedule->count <= CROP_STAGES_MAX);
    const int64_t local_ms = clock.at.ms + clock.zone_offset_ms;
    const bool night = is_night(schedule, local_ms);
    int64_t left_ms = local_ms - planted.ms;
    struct crop_now now = { .planted = left_ms >= 0,
        .day = days_down(local_ms) - days_down(planted.ms) + 1 };
    if (left_ms < 0) left_ms = 0;

    for (uint32_t i = 0; i < schedule->count; i++) {
        const struct crop_stage *stage = &schedule->stage[i];
        const bool ever = lasts_for_ever(stage);
        const int64_t length_ms = ever ? 0 : stage->days * DAY_MS;
        const bool here = ever || left_ms < length_ms;
        if (!here && i + 1 < schedule->count) {
            left_ms -= length_ms;
            continue;
        }
        /* A stage without an end, and the last one once it is over, stand at their end. */
        const double part = ever || !here ? 1.0 : (double)left_ms / (double)length_ms;
        now.stage = i;
        now.target = target_in(stage, part, night);
        break;
    }
    return now;
}

bool crop_is_day(const struct crop_schedule *schedule, struct crop_clock clock)
{
    return !is_night(schedule, clock.at.ms + clock.zone_offset_ms);
}

/* NaN ends at the least: whatever comes in, what goes out is inside. */
static double within(double value, double least, double most)
{
    if (!(value >= least)) return least;
    return value > most ? most : value;
}

static bool ec_runs(const struct crop_override *override, struct mono now)
{
    return override->has_ec && now.ms < override->ec_ends.ms;
}

static bool ph_runs(const struct crop_override *override, struct mono now)
{
    return override->has_ph && now.ms < override->ph_ends.ms;
}

bool crop_override_runs(const struct crop_override *override, struct mono now)
{
    return ec_runs(override, now) || ph_runs(override, now);
}

void crop_override_set(struct crop_override *override, bool ec, double value, struct mono ends)
{
    if (ec) {
        override->has_ec = true;
        override->ec_us_cm = value;
        override->ec_ends = ends;
    } else {
        override->has_ph = true;
        override->ph = value;
        override->ph_ends = ends;
    }
}

struct mono crop_override_ends(const struct crop_override *override)
{
    if (!override->has_ph) return override->ec_ends;
    return override->has_ec ? mono_later(override->ec_ends, override->ph_ends) : override->ph_ends;
}

struct crop_target crop_setpoint(const struct crop_target *scheduled,
    const struct crop_override *override, const struct crop_envelope *envelope, struct mono now)
{
    struct crop_target target = *scheduled;
    if (ec_runs(override, now)) target.ec_us_cm = override->ec_us_cm;
    if (ph_runs(override, now)) target.ph = override->ph;
    target.ec_us_cm = within(target.ec_us_cm, envelope->ec_least_us_cm, envelope->ec_most_us_cm);
    target.ph = within(target.ph, envelope->ph_least, envelope->ph_most);
    return target;
}
