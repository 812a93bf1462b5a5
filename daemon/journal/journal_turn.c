#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/journal/journal_inside.h"
#include "lib/base/text.h"

enum { FILE_MODE = 0640, RETRY_MS = 60000, SLACK_MS = HOUR_MS };

static struct segment *newest(const struct journal *j)
{
    return &j->segments.item[j->segments.count - 1];
}

/* --- opening ---------------------------------------------------------------------------------- */

static int open_segment(const struct journal *j, const struct segment *segment, int flags)
{
    char name[SEGMENT_NAME_MAX];
    segment_name(name, segment);
    return openat(j->dir_fd, name,
        flags | O_WRONLY | O_APPEND | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK, FILE_MODE);
}

static enum err refused(
    const struct journal *j, const struct segment *segment, int error, struct problem *problem)
{
    char name[SEGMENT_NAME_MAX];
    segment_name(name, segment);
    return journal_errno(problem, j->dir, name, "can't be opened for writing", error);
}

/* Records of the one before may still be in memory only, if the program died and the board didn't:
 * it is synced once more, before the newest. */
static void sync_former(struct journal *j)
{
    if (j->segments.count < 2) return;
    const int fd = open_segment(j, &j->segments.item[j->segments.count - 2], 0);
    if (fd >= 0) (void)journal_sync_turn(j->sync, fd, true);
}

enum err journal_turn_resume(struct journal *j, struct now now, struct problem *problem)
{
    sync_former(j);
    struct stat st;
    const int fd = open_segment(j, newest(j), 0);
    if (fd < 0) return refused(j, newest(j), errno, problem);
    if (fstat(fd, &st) != 0) {
        close(fd);
        return refused(j, newest(j), EIO, problem);
    }
    (void)journal_sync_turn(j->sync, fd, true);
    j->fd = fd;
    j->bytes = st.st_size;
    j->opened = now.mono;
    journal_sync_want(j->sync, j->tip.seq);
    return ERR_NONE;
}

static enum err begin(struct journal *j, struct now now, bool wait, struct problem *problem)
{
    struct segment next = segments_next(&j->segments, now.civil);
    next.begun_ms = now.mono.ms;
    if (!segments_add(&j->segments, &next)) return refused(j, &next, ENOMEM, problem);
    const int fd = open_segment(j, &next, O_CREAT | O_EXCL);
    const int error = fd < 0 ? errno : EAGAIN;
    if (fd < 0 || !journal_sync_turn(j->sync, fd, wait)) {
        char name[SEGMENT_NAME_MAX];
        segment_name(name, &next);
        if (fd >= 0) (void)unlinkat(j->dir_fd, name, 0);
        if (fd >= 0) close(fd);
        j->segments.count--;
        return refused(j, &next, error, problem);
    }
    j->fd = fd;
    j->bytes = 0;
    j->opened = now.mono;
    j->turned = true;
    return ERR_NONE;
}

enum err journal_turn_begin(struct journal *j, struct now now, struct problem *problem)
{
    return begin(j, now, true, problem);
}

/* --- the next day ----------------------------------------------------------------------------- */

/* A later day by the clock; or, when the newest segment is from the clock's future, a day of
 * running (a clock that was years ahead must not make one file of years). */
static bool is_due(const struct journal *j, struct now now)
{
    const int64_t day = segment_day(now.civil), at = newest(j)->day;
    return day > at || (day < at && mono_since(now.mono, j->opened) >= DAY_MS);
}

/* That it can't be done is no reason to stop: the old segment is as good, and it is tried again. */
void journal_turn_if_due(struct journal *j, struct now now)
{
    if (!is_due(j, now) || mono_since(now.mono, j->retry) < 0) return;
    if (begin(j, now, false, NULL) == ERR_NONE)
        journal_turn_prune(j, now);
    else
        j->retry = mono_after(now.mono, RETRY_MS);
}

/* --- pruning ---------------------------------------------------------------------------------- */

/* Is all of a segment older than is wanted? It is when the one after it began so long ago. A name
 * from the clock's future tells no age: then the count alone decides. A clock that jumps about
 * begins many files in a day: whatever it says, the last two days by the clock that doesn't jump
 * stay. */
static bool is_old(
    const struct journal *j, const struct segment *after, int64_t today, struct now now)
{
    const int64_t age_ms = now.mono.ms - after->begun_ms;
    if (age_ms < JOURNAL_KEEP_DAYS_LEAST * DAY_MS - SLACK_MS) return false;
    return after->day <= today - j->keep_days || after->day > today;
}

/* So many days' segments stay, whatever the clock says: one that jumps years ahead must not empty
 * the journal. */
static size_t count_old(const struct journal *j, struct now now)
{
    if (now.clock == CLOCK_UNSET) return 0;
    const int64_t today = segment_day(now.civil);
    size_t old = 0;
    while ((int64_t)(j->segments.count - old) > j->keep_days + 1 &&
           is_old(j, &j->segments.item[old + 1], today, now)) {
        old++;
    }
    return old;
}

/* Where the kept part begins: at its first record, or at the one that comes next. */
static struct link_tip first_kept(const struct journal *j, size_t old)
{
    struct link_tip first = { .seq = j->tip.seq + 1 };
    memcpy(first.hash, j->tip.hash, sizeof first.hash);
    for (size_t i = old; i < j->segments.count; i++) {
        const struct segment *segment = &j->segments.item[i];
        if (segment->first_seq == 0) continue;
        first.seq = segment->first_seq;
        memcpy(first.hash, segment->first_prev, sizeof first.hash);
        break;
    }
    return first;
}

void journal_turn_prune(struct journal *j, struct now now)
{
    const size_t old = count_old(j, now);
    if (old == 0 || !journal_sync_can_remove(j->sync)) return;
    const struct link_tip first = first_kept(j, old);
    struct record r;
    int64_t seq;
    record_start(&r, "pruned");
    record_add_int(&r, "segments", (int64_t)old);
    record_add_int(&r, "keep_days", j->keep_days);
    record_add_int(&r, "first_seq", first.seq);
    record_add_text(&r, "first_prev", first.hash);
    if (journal_put(j, &r, now, &seq, NULL, NULL) != ERR_NONE) return;
    if (journal_sync_remove(j->sync, j->segments.item, old, seq)) segments_drop(&j->segments, old);
}
