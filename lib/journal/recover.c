#include "lib/journal/recover.h"

#include <string.h>

#include "lib/base/text.h"

/* A downtime beyond this isn't believed, whatever the clocks say. */
static const int64_t DOWNTIME_MOST_MS = 400 * DAY_MS;

void recover_init(struct recover_line *line)
{
    *line = (struct recover_line){ .started = false };
}

/* How long the board was down: known only if both ends were on a clock that was in step. */
static int64_t downtime_ms(const struct now *before, const struct now *after)
{
    if (before->clock != CLOCK_SYNCED || after->clock != CLOCK_SYNCED) return 0;
    const int64_t ms = after->civil.ms - before->civil.ms;
    return ms < 0 || ms > DOWNTIME_MOST_MS ? 0 : ms;
}

int64_t recover_place(struct recover_line *line, const char *boot, struct now at)
{
    if (!line->started) {
        line->started = true;
        line->base_ms = 0;
    } else if (strcmp(line->boot, boot) != 0) {
        const int64_t last_ms = line->base_ms + line->last.mono.ms;
        line->base_ms = last_ms + downtime_ms(&line->last, &at) - at.mono.ms;
    } else if (at.mono.ms < line->last.mono.ms) {
        /* One boot's clock doesn't run backwards; if a record says so, it stands still. */
        line->base_ms += line->last.mono.ms - at.mono.ms;
    }
    text_copy(line->boot, sizeof line->boot, boot);
    line->last = at;
    return line->base_ms + at.mono.ms;
}

int64_t recover_shift(const struct recover_line *line, const char *boot, struct now now)
{
    struct recover_line copy = *line;
    const int64_t here_ms = recover_place(&copy, boot, now);
    return now.mono.ms - here_ms;
}
