#include "lib/journal/recover.h"

#include "lib/base/text.h"

/* A downtime longer than this isn't believed, whatever the clocks say. */
static const int64_t DOWNTIME_MAX_MS = 400 * DAY_MS;

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

/* How long nothing was recorded between two boots, as far as that is known. */
static int64_t gap_ms(struct now before, struct now after)
{
    if (before.clock != CLOCK_SYNCED || after.clock != CLOCK_SYNCED) return 0;
    const int64_t ms = less(after.civil.ms, before.civil.ms);
    return ms < 0 || ms > DOWNTIME_MAX_MS ? 0 : ms;
}

int64_t recover_place(struct recover_line *line, const char *boot, struct now at)
{
    char word[RECOVER_BOOT_MAX];
    (void)text_copy(word, sizeof word, boot);
    int64_t place = at.mono.ms;
    if (line->started) {
        const int64_t last = line->place_ms;
        const bool same_boot = text_same(word, line->boot);
        place = same_boot ? add(line->base_ms, at.mono.ms) : add(last, gap_ms(line->last, at));
        if (place < last) place = last; /* a boot's clock stands still rather than run backwards */
    }
    line->base_ms = less(place, at.mono.ms);
    line->place_ms = place;
    (void)text_copy(line->boot, sizeof line->boot, word);
    line->last = at;
    line->started = true;
    return place;
}

int64_t recover_shift(const struct recover_line *line, const char *boot, struct now now)
{
    struct recover_line then = *line;
    return less(now.mono.ms, recover_place(&then, boot, now));
}
