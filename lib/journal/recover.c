#include "lib/journal/recover.h"

#include "lib/base/text.h"

/* A downtime longer than this isn't believed, whatever the clocks say. */
static const int64_t DOWNTIME_MAX_MS = 400 * DAY_MS;

/* A synced clock is slewed, and both clocks with it; one that fell behind further was set back. */
static const int64_t STEP_MS = 2000;

void recover_init(struct recover_line *line)
{
    *line = (struct recover_line){ .started = false };
}

/* Records come from a file: sums stay within bounds whatever they say. */
static int64_t add(int64_t a, int64_t b)
{
    int64_t sum;
    if (__builtin_add_overflow(a, b, &sum)) return a < 0 ? INT64_MIN : INT64_MAX;
    return sum;
}

static int64_t less(int64_t a, int64_t b)
{
    int64_t rest;
    if (__builtin_sub_overflow(a, b, &rest)) return a < 0 ? INT64_MIN : INT64_MAX;
    return rest;
}

/* Is it known how long nothing was recorded between two boots? */
static bool knows_gap(const struct recover_line *line, struct now after, int64_t *ret_ms)
{
    if (line->last.clock != CLOCK_SYNCED || after.clock != CLOCK_SYNCED) return false;
    const int64_t ms = less(after.civil.ms, line->last.civil.ms);
    if (ms < 0 || ms > DOWNTIME_MAX_MS) return false;
    if (line->behind_ms > STEP_MS || line->behind_ms > ms) return false;
    *ret_ms = ms - line->behind_ms;
    return true;
}

/* A synced clock that advanced less than the line was set back, and one that advanced more was set
 * right again: but over a time that nobody knows, that may have been the time. */
static void look_behind(struct recover_line *line)
{
    if (line->last.clock != CLOCK_SYNCED) return;
    const int64_t ahead = less(line->last.civil.ms, line->place_ms);
    const int64_t rise = line->has_synced ? less(ahead, line->synced_ahead_ms) : 0;
    if (rise < 0 || line->follows) line->behind_ms = less(line->behind_ms, rise);
    if (line->behind_ms < 0) line->behind_ms = 0;
    line->synced_ahead_ms = ahead;
    line->has_synced = line->follows = true;
}

int64_t recover_place(struct recover_line *line, const char *boot, struct now at)
{
    char word[RECOVER_BOOT_MAX];
    (void)text_copy(word, sizeof word, boot);
    int64_t place = at.mono.ms, gap_ms = 0;
    if (line->started) {
        const int64_t last = line->place_ms;
        const bool same_boot = text_same(word, line->boot);
        if (!same_boot) line->follows = knows_gap(line, at, &gap_ms);
        place = same_boot ? add(line->base_ms, at.mono.ms) : add(last, gap_ms);
        if (place < last) place = last; /* a boot's clock stands still rather than run backwards */
    }
    line->base_ms = less(place, at.mono.ms);
    line->place_ms = place;
    (void)text_copy(line->boot, sizeof line->boot, word);
    line->last = at;
    line->started = true;
    look_behind(line);
    return place;
}

int64_t recover_shift(const struct recover_line *line, const char *boot, struct now now)
{
    struct recover_line then = *line;
    return less(now.mono.ms, recover_place(&then, boot, now));
}
