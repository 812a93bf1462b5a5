#include "daemon/journal_file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/journal_segment.h"
#include "daemon/journal_sync.h"
#include "lib/base/text.h"

enum { RESERVE_BYTES = 64 * 1024, BOOT_MAX = 64 };

struct journal {
    char dir[SEGMENT_PATH_MAX];
    char boot[BOOT_MAX];
    char path[SEGMENT_PATH_MAX]; /* of the open segment */
    int lock, file;
    int64_t bytes; /* of the open segment: always at the end of a whole record */
    int64_t day;   /* since 1970, of the open segment */
    int64_t keep_days;
    struct link_tip tip;
    struct journal_sync *sync;
    bool failed, turned;
    struct problem problem;
};

static enum err from_errno(struct problem *problem, const char *where, const char *what)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, what);
    text_add(&t, ": ");
    text_add(&t, strerror(errno));
    return problem_set(problem, errno == EWOULDBLOCK ? ERR_BUSY : ERR_IO, where, text);
}

/* --- the directory ---------------------------------------------------------------------------- */

static enum err sync_dir(const char *dir, struct problem *problem)
{
    const int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    const bool ok = fd >= 0 && fsync(fd) == 0;
    const enum err err = ok ? ERR_NONE : from_errno(problem, dir, "the directory can't be synced");
    if (fd >= 0) close(fd);
    return err;
}

static enum err take_lock(struct journal *j, struct problem *problem)
{
    char path[SEGMENT_PATH_MAX];
    segment_path(path, j->dir, "lock");
    j->lock = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (j->lock < 0) return from_errno(problem, path, "the journal's lock can't be opened");
    if (flock(j->lock, LOCK_EX | LOCK_NB) != 0)
        return from_errno(problem, path, "another process holds this journal");
    return ERR_NONE;
}

/* Room that is given up when the disk is full, so that what is under way can still be told. */
static void make_reserve(const struct journal *j)
{
    char path[SEGMENT_PATH_MAX];
    segment_path(path, j->dir, "reserve");
    const int fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (fd < 0) return;
    if (posix_fallocate(fd, 0, RESERVE_BYTES) != 0) (void)unlink(path);
    close(fd);
}

static bool give_up_reserve(const struct journal *j)
{
    char path[SEGMENT_PATH_MAX];
    segment_path(path, j->dir, "reserve");
    return unlink(path) == 0;
}

/* --- segments --------------------------------------------------------------------------------- */

static enum err open_segment(struct journal *j, struct civil at, struct problem *problem)
{
    struct segments s;
    char name[SEGMENT_NAME_MAX];
    enum err err = segments_list(&s, j->dir, problem);
    if (err != ERR_NONE) return err;
    segment_name(name, &s, at);
    segments_free(&s);
    segment_path(j->path, j->dir, name);
    const int fd = open(j->path, O_WRONLY | O_CREAT | O_EXCL | O_APPEND | O_CLOEXEC, 0640);
    if (fd < 0) return from_errno(problem, j->path, "a new segment can't be made");
    err = sync_dir(j->dir, problem);
    if (err != ERR_NONE) {
        close(fd);
        return err;
    }
    if (j->file >= 0) {
        journal_sync_rest(j->sync);
        close(j->file);
    }
    j->file = fd;
    j->bytes = 0;
    j->day = at.ms / DAY_MS;
    j->turned = true;
    return ERR_NONE;
}

static enum err reopen_segment(
    struct journal *j, const char *path, int64_t bytes, struct problem *problem)
{
    (void)text_copy(j->path, sizeof j->path, path);
    j->file = open(path, O_WRONLY | O_APPEND | O_CLOEXEC | O_NOFOLLOW);
    if (j->file < 0) return from_errno(problem, path, "the segment can't be opened");
    j->bytes = bytes;
    return ERR_NONE;
}

/* --- appending -------------------------------------------------------------------------------- */

/* All bytes, or none: what was written of a record that didn't fit is taken back. */
static bool write_whole(struct journal *j, const char *bytes, size_t count)
{
    size_t done = 0;
    while (done < count) {
        const ssize_t n = write(j->file, bytes + done, count - done);
        if (n > 0) {
            done += (size_t)n;
            continue;
        }
        if (n < 0 && errno == EINTR) continue;
        if (n < 0 && (errno == ENOSPC || errno == EDQUOT) && give_up_reserve(j)) continue;
        const int error = n < 0 ? errno : EIO;
        if (ftruncate(j->file, j->bytes) != 0) { /* the torn tail is repaired at the next start */
        }
        errno = error;
        return false;
    }
    j->bytes += (int64_t)count;
    return true;
}

static enum err latch(struct journal *j, struct problem *problem)
{
    j->failed = true;
    const enum err err = from_errno(&j->problem, j->path, "a record can't be written");
    if (problem) *problem = j->problem;
    return err;
}

static enum err append(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem)
{
    char buffer[RECORD_LINE_MAX];
    struct text text = text_over(buffer, sizeof buffer);
    const struct link_stamp stamp = { .now = now, .boot = j->boot };
    const struct link_tip before = j->tip;
    if (link_seal(&j->tip, r, &stamp, segment_hash, &text) != ERR_NONE)
        return problem_set(problem, ERR_FULL, j->path, "a record is too long");
    if (!write_whole(j, buffer, text.length)) {
        j->tip = before;
        return latch(j, problem);
    }
    journal_sync_want(j->sync, j->file, j->tip.seq);
    *ret_seq = j->tip.seq;
    if (line) text_add_bytes(line, buffer, text.length - 1);
    return ERR_NONE;
}

enum err journal_append(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem)
{
    struct problem failure;
    if (journal_failed(j, &failure)) {
        *problem = failure;
        return failure.err;
    }
    if (now.civil.ms / DAY_MS > j->day && open_segment(j, now.civil, problem) != ERR_NONE) {
        j->failed = true;
        j->problem = *problem;
        return problem->err;
    }
    return append(j, r, now, ret_seq, line, problem);
}

/* --- opening ---------------------------------------------------------------------------------- */

/* The last line was cut short by a crash: kept aside, cut off, told. */
static enum err repair(struct journal *j, const char *path, const struct segment_end *end,
    struct journal_report *report, struct problem *problem)
{
    char aside[SEGMENT_PATH_MAX], bytes[RECORD_LINE_MAX];
    struct text t = text_over(aside, sizeof aside);
    text_add(&t, path);
    text_add(&t, ".torn-");
    text_add_int(&t, j->tip.seq);
    const int from = open(path, O_RDWR | O_CLOEXEC | O_NOFOLLOW);
    const int to = open(aside, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0640);
    bool ok = from >= 0 && to >= 0 && lseek(from, end->whole_bytes, SEEK_SET) >= 0;
    ssize_t n = 0;
    while (ok && (n = read(from, bytes, sizeof bytes)) > 0) {
        ok = write(to, bytes, (size_t)n) == n;
    }
    ok = ok && n == 0 && fsync(to) == 0 && ftruncate(from, end->whole_bytes) == 0 &&
         fsync(from) == 0;
    const enum err err =
        ok ? ERR_NONE : from_errno(problem, path, "the torn tail can't be set aside");
    if (from >= 0) close(from);
    if (to >= 0) close(to);
    report->torn = true;
    report->torn_bytes = end->bytes - end->whole_bytes;
    return err;
}

static enum err read_all(struct journal *j, const struct segments *s, bool may_repair,
    journal_visit visit, void *context, struct journal_report *report, struct problem *problem)
{
    report->segments = s->count;
    for (uint32_t i = 0; i < s->count; i++) {
        char path[SEGMENT_PATH_MAX];
        struct segment_end end;
        segment_path(path, j->dir, s->name[i]);
        const int64_t before = j->tip.seq;
        const enum err err = segment_read(path, &j->tip, visit, context, &end, &report->problem);
        if (err != ERR_NONE) {
            *problem = report->problem;
            return err;
        }
        report->records += j->tip.seq - (before == 0 && i == 0 ? 0 : before);
        if (end.bad && end.last_line && i + 1 == s->count) {
            report->torn = true;
            report->torn_bytes = end.bytes - end.whole_bytes;
            return may_repair ? repair(j, path, &end, report, problem) : ERR_NONE;
        }
        if (end.bad) {
            report->damaged = true;
            return ERR_NONE;
        }
        j->bytes = end.bytes;
    }
    return ERR_NONE;
}

/* After damage the chain begins anew: its first record says where the old one broke. */
static enum err begin_after_damage(
    struct journal *j, const struct journal_report *report, struct now now, struct problem *problem)
{
    struct record r;
    int64_t seq;
    record_start(&r, "damage");
    record_add_text(&r, "where", report->problem.where);
    record_add_text(&r, "what", report->problem.text);
    return append(j, &r, now, &seq, NULL, problem);
}

static enum err note_repair(
    struct journal *j, const struct journal_report *report, struct now now, struct problem *problem)
{
    struct record r;
    int64_t seq;
    record_start(&r, "recovery");
    record_add_int(&r, "bytes", report->torn_bytes);
    return append(j, &r, now, &seq, NULL, problem);
}

/* Today's segment is gone on with; a day passed or a damaged chain wants a new one. */
static enum err open_for_writing(struct journal *j, const struct segments *s, struct now now,
    struct journal_report *report, struct problem *problem)
{
    char name[SEGMENT_NAME_MAX], path[SEGMENT_PATH_MAX];
    const struct segments none = { .count = 0 };
    segment_name(name, &none, now.civil);
    const bool today = s->count > 0 && strncmp(s->name[s->count - 1], name, 18) >= 0;
    enum err err = ERR_NONE;
    j->day = now.civil.ms / DAY_MS;
    if (today && !report->damaged) {
        segment_path(path, j->dir, s->name[s->count - 1]);
        struct stat st;
        err = stat(path, &st) == 0 ? reopen_segment(j, path, st.st_size, problem)
                                   : from_errno(problem, path, "the segment can't be read");
    } else {
        err = open_segment(j, now.civil, problem);
    }
    if (err == ERR_NONE && report->damaged) err = begin_after_damage(j, report, now, problem);
    if (err == ERR_NONE && report->torn) err = note_repair(j, report, now, problem);
    return err;
}

enum err journal_open(struct journal **ret, const struct journal_options *options,
    journal_visit visit, void *context, struct journal_report *report, struct problem *problem)
{
    struct segments s = { 0 };
    *report = (struct journal_report){ 0 };
    *ret = NULL;
    struct journal *j = calloc(1, sizeof *j);
    if (!j) return problem_set(problem, ERR_IO, options->dir, "there is no memory left");
    j->lock = j->file = -1;
    j->keep_days = options->keep_days;
    j->tip = link_start();
    (void)text_copy(j->dir, sizeof j->dir, options->dir);
    (void)text_copy(j->boot, sizeof j->boot, options->boot);
    enum err err = take_lock(j, problem);
    if (err == ERR_NONE) err = journal_sync_open(&j->sync, problem);
    if (err == ERR_NONE) err = segments_list(&s, j->dir, problem);
    if (err == ERR_NONE) err = read_all(j, &s, true, visit, context, report, problem);
    if (err == ERR_NONE) err = open_for_writing(j, &s, options->now, report, problem);
    segments_free(&s);
    report->tip = j->tip;
    if (err != ERR_NONE) {
        journal_close(j);
        return err;
    }
    make_reserve(j);
    *ret = j;
    return ERR_NONE;
}

void journal_close(struct journal *j)
{
    if (!j) return;
    journal_sync_close(j->sync);
    if (j->file >= 0) close(j->file);
    if (j->lock >= 0) close(j->lock);
    free(j);
}

/* --- what it tells ---------------------------------------------------------------------------- */

int journal_descriptor(const struct journal *j)
{
    return journal_sync_descriptor(j->sync);
}

int64_t journal_synced(struct journal *j)
{
    return journal_sync_done(j->sync);
}

bool journal_failed(struct journal *j, struct problem *problem)
{
    const int error = journal_sync_error(j->sync);
    if (!j->failed && error != 0) {
        j->failed = true;
        errno = error;
        (void)from_errno(&j->problem, j->path, "the disk didn't take a record");
    }
    if (j->failed) *problem = j->problem;
    return j->failed;
}

struct link_tip journal_tip(const struct journal *j)
{
    return j->tip;
}

bool journal_turned(struct journal *j)
{
    const bool turned = j->turned;
    j->turned = false;
    return turned;
}

enum err journal_scan(const char *dir, journal_visit visit, void *context,
    struct journal_report *report, struct problem *problem)
{
    struct segments s;
    static struct journal reader;
    reader = (struct journal){ .tip = link_start() };
    *report = (struct journal_report){ 0 };
    (void)text_copy(reader.dir, sizeof reader.dir, dir);
    enum err err = segments_list(&s, dir, problem);
    if (err != ERR_NONE) return err;
    err = read_all(&reader, &s, false, visit, context, report, problem);
    segments_free(&s);
    report->tip = reader.tip;
    return err;
}
