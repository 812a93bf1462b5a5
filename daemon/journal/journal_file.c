#include "daemon/journal/journal_file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "daemon/journal/journal_inside.h"
#include "lib/base/text.h"

enum {
    NOTES_MAX = 16,      /* 'damage' records at one opening; the rest are noted at the next */
    CROWDED_FIELDS = 24, /* with the header there is no room for one more, or hardly */
    CROWDED_BYTES = 512,
    ROOM_EVERY_MS = 10000, /* on a full disk, room is looked for this often */
};

enum err journal_errno(
    struct problem *problem, const char *dir, const char *file, const char *what, int error)
{
    char where[PROBLEM_WHERE_MAX], words[PROBLEM_TEXT_MAX];
    struct text w = text_over(where, sizeof where), t = text_over(words, sizeof words);
    text_add(&w, dir);
    if (file[0]) text_add_char(&w, '/');
    text_add(&w, file);
    text_add(&t, what);
    text_add(&t, ": ");
    text_add(&t, strerror(error));
    return problem_set(problem, ERR_IO, where, words);
}

/* --- writing ---------------------------------------------------------------------------------- */

static bool no_room(int error)
{
    return error == ENOSPC || error == EDQUOT;
}

static void name_newest(const struct journal *j, char ret[SEGMENT_NAME_MAX])
{
    segment_name(ret, &j->segments.item[j->segments.count - 1]);
}

/* No room: what is under way may still be recorded, but nothing is to be begun. */
static bool give_up_reserve(struct journal *j)
{
    if (!journal_reserve_give_up(j)) return false;
    if (!j->full) {
        j->full = true;
        (void)problem_set(&j->problem, ERR_IO, j->dir,
            "the disk is full: nothing is dosed until there is room again");
        journal_sync_poke(j->sync);
    }
    return true;
}

/* 0, or the errno that stopped it. */
static int write_line(struct journal *j, const char *line, size_t length)
{
    size_t done = 0;
    while (done < length) {
        const ssize_t n = write(j->fd, line + done, length - done);
        const int error = n < 0 ? errno : 0;
        if (n > 0)
            done += (size_t)n;
        else if (n == 0)
            return EIO;
        else if (error != EINTR && !(no_room(error) && give_up_reserve(j)))
            return error;
    }
    return 0;
}

/* The file ends with a whole record again, if the disk lets it: else the next start repairs it. */
static enum err latch(struct journal *j, int error, struct problem *problem)
{
    char name[SEGMENT_NAME_MAX];
    name_newest(j, name);
    (void)!ftruncate(j->fd, (off_t)j->bytes);
    j->latched = true;
    j->cut_short = no_room(error);
    const enum err err = journal_errno(&j->problem, j->dir, name,
        no_room(error)
            ? "the disk is full and a record couldn't be written: nothing is dosed until "
              "there is room again"
            : "a record couldn't be written: mend the disk, then restart",
        error);
    if (problem) *problem = j->problem;
    journal_sync_poke(j->sync);
    return err;
}

static enum err put_one(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem)
{
    char buffer[RECORD_LINE_MAX];
    struct text t = text_over(buffer, sizeof buffer);
    const struct link_stamp stamp = { .now = now, .boot = j->boot };
    struct link_tip tip = j->tip;
    const enum err err = link_seal(&tip, r, &stamp, journal_sha256, &t);
    if (err != ERR_NONE)
        return problem_set(problem, err, j->dir, "a record is too long and wasn't written");
    const int error = write_line(j, buffer, t.length);
    if (error != 0) return latch(j, error, problem);
    struct segment *segment = &j->segments.item[j->segments.count - 1];
    if (segment->first_seq == 0) {
        segment->first_seq = tip.seq;
        memcpy(segment->first_prev, j->tip.hash, sizeof segment->first_prev);
    }
    j->bytes += (int64_t)t.length;
    j->tip = tip;
    journal_sync_want(j->sync, tip.seq);
    if (line) text_add_bytes(line, buffer, t.length - 1);
    *ret_seq = tip.seq;
    return ERR_NONE;
}

/* A segment's first record tells its version: a member of it, or one before it where it has no
 * room for that. */
static enum err put_format(
    struct journal *j, struct record *first, struct now now, struct problem *problem)
{
    struct record own;
    int64_t seq;
    if (first->count < CROWDED_FIELDS && first->pool_used < CROWDED_BYTES) {
        record_add_int(first, "format", JOURNAL_FORMAT);
        return ERR_NONE;
    }
    record_start(&own, "format");
    record_add_int(&own, "format", JOURNAL_FORMAT);
    return put_one(j, &own, now, &seq, NULL, problem);
}

enum err journal_put(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem)
{
    const enum err err = j->bytes == 0 ? put_format(j, r, now, problem) : ERR_NONE;
    return err == ERR_NONE ? put_one(j, r, now, ret_seq, line, problem) : err;
}

/* A sync that failed in the thread stops the loop's side, too. */
static bool is_latched(struct journal *j)
{
    const int error = journal_sync_error(j->sync);
    if (j->latched || error == 0) return j->latched;
    char name[SEGMENT_NAME_MAX];
    name_newest(j, name);
    j->latched = true;
    (void)journal_errno(&j->problem, j->dir, name,
        "the disk didn't take what was written: mend the disk, then restart", error);
    return true;
}

/* What a sync didn't take is never trusted again; what found no room was cut off whole. */
bool journal_recovered(struct journal *j, struct now now)
{
    if (!j->full && !j->latched) return false;
    if (j->latched && (!j->cut_short || journal_sync_error(j->sync) != 0)) return false;
    if (mono_since(now.mono, j->room_asked) < ROOM_EVERY_MS) return false;
    j->room_asked = now.mono;
    if (j->latched && ftruncate(j->fd, (off_t)j->bytes) != 0) return false;
    if (journal_reserve_make(j) != 0) return false;
    j->full = j->latched = j->cut_short = false;
    j->turned = true; /* what was lost meanwhile is said again, as at the start of a segment */
    return true;
}

enum err journal_append(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem)
{
    if (!is_latched(j)) journal_turn_if_due(j, now);
    if (is_latched(j)) {
        if (problem) *problem = j->problem;
        return ERR_IO;
    }
    return journal_put(j, r, now, ret_seq, line, problem);
}

/* --- opening ---------------------------------------------------------------------------------- */

static int64_t at_least(int64_t keep_days)
{
    return keep_days < JOURNAL_KEEP_DAYS_LEAST ? JOURNAL_KEEP_DAYS_LEAST : keep_days;
}

void journal_keep(struct journal *j, int64_t keep_days, struct now now)
{
    j->keep_days = at_least(keep_days);
    if (!is_latched(j)) journal_turn_prune(j, now);
}

static void fill_report(
    struct journal_report *ret, const struct journal_scan *s, const struct scan_place *bad)
{
    ret->records = s->records;
    ret->segments = (int64_t)s->segments.count;
    ret->tip = s->tip;
    ret->torn = s->torn.bytes > 0;
    ret->torn_bytes = s->torn.bytes;
    ret->damaged = bad != NULL;
    if (bad) ret->problem = bad->problem;
}

/* Cuts a torn tail off, and notes it. */
static enum err repair(
    struct journal *j, const struct journal_scan *s, struct now now, struct problem *problem)
{
    const struct segment *segment = &j->segments.item[s->torn.segment];
    char name[SEGMENT_NAME_MAX];
    struct journal_tail tail;
    struct record r;
    int64_t seq;
    segment_name(name, segment);
    enum err err = journal_dir_set_aside(j, segment, s->torn.at, &tail, problem);
    if (err == ERR_NONE) err = journal_turn_resume(j, now, problem);
    if (err != ERR_NONE) return err;
    record_start(&r, "recovery");
    record_add_text(&r, "file", name);
    record_add_int(&r, "line", s->torn.line);
    record_add_int(&r, "bytes", s->torn.bytes);
    record_add_text(&r, "sha256", tail.sha256);
    record_add_text(&r, "kept_as", tail.kept_as);
    return journal_put(j, &r, now, &seq, NULL, problem);
}

/* One record for each broken place that none tells of yet. After one at the end the next good
 * record is the first that is written now. */
static enum err note_damage(
    struct journal *j, const struct journal_scan *s, struct now now, struct problem *problem)
{
    enum err err = ERR_NONE;
    int notes = 0;
    for (uint32_t p = 0; p < s->places && p < SCAN_PLACES_MAX && notes < NOTES_MAX; p++) {
        const struct scan_place *place = &s->place[p];
        if (place->noted_by != 0 || err != ERR_NONE) continue;
        struct record r;
        int64_t seq;
        record_start(&r, "damage");
        record_add_text(&r, "where", place->problem.where);
        record_add_text(&r, "text", place->problem.text);
        record_add_int(&r, "after_seq", place->gap.after);
        record_add_int(&r, "next_seq", place->gap.next > 0 ? place->gap.next : s->tip.seq + 1);
        err = journal_put(j, &r, now, &seq, NULL, problem);
        notes++;
    }
    return err;
}

/* The newest segment is gone on with, once its torn tail is off; after damage, on a later day, and
 * where it is of a former version, a new one is begun. */
static enum err open_segment(
    struct journal *j, const struct journal_scan *s, struct now now, struct problem *problem)
{
    const bool damaged = journal_scan_unnoted(s, NULL) > 0;
    const size_t count = j->segments.count;
    const bool former = s->records > 0 && s->format < JOURNAL_FORMAT;
    const bool later =
        count == 0 || former || j->segments.item[count - 1].day < segment_day(now.civil);
    enum err err = ERR_NONE;
    if (s->torn.bytes > 0)
        err = repair(j, s, now, problem);
    else if (count > 0)
        err = journal_turn_resume(j, now, problem);
    if (err == ERR_NONE && (later || damaged)) err = journal_turn_begin(j, now, problem);
    if (err == ERR_NONE && damaged) err = note_damage(j, s, now, problem);
    return err;
}

/* A problem of the scan names a file, or nothing: the directory is put before it. */
static enum err below(const char *dir, enum err err, struct problem *problem)
{
    if (!problem) return err;
    char where[PROBLEM_WHERE_MAX];
    struct text t = text_over(where, sizeof where);
    text_add(&t, dir);
    if (problem->where[0]) text_add_char(&t, '/');
    text_add(&t, problem->where);
    (void)text_copy(problem->where, sizeof problem->where, where);
    return err;
}

/* A full disk is no reason not to start: status must tell of it. */
static void make_reserve(struct journal *j)
{
    const int error = journal_reserve_make(j);
    if (!no_room(error)) return;
    j->full = true;
    (void)journal_errno(&j->problem, j->dir, "",
        "the disk is full: nothing is dosed until there is room again", error);
}

static enum err open_all(struct journal *j, struct journal_scan *s, struct now now,
    struct journal_report *report, struct problem *problem)
{
    const struct scan_place *bad = NULL;
    enum err err = journal_scan_run(s, problem);
    if (err == ERR_NONE) err = journal_sync_open(&j->sync, j->dir_fd, problem);
    if (err != ERR_NONE) return below(j->dir, err, problem);
    (void)journal_scan_unnoted(s, &bad);
    fill_report(report, s, bad);
    j->tip = s->tip;
    j->segments = s->segments;
    s->segments = (struct segments){ 0 };
    const int64_t shift_ms = s->time.started ? recover_shift(&s->time, j->boot, now) : 0;
    for (size_t i = 0; i < j->segments.count; i++) {
        struct segment *segment = &j->segments.item[i];
        segment->begun_ms = segment->first_seq > 0 ? segment->begun_ms + shift_ms : now.mono.ms;
    }
    make_reserve(j);
    err = open_segment(j, s, now, problem);
    if (err == ERR_NONE) journal_turn_prune(j, now);
    return err;
}

enum err journal_open(struct journal **ret, const struct journal_options *options,
    journal_visit visit, void *context, struct journal_report *report, struct problem *problem)
{
    *report = (struct journal_report){ .records = 0 };
    struct journal *j = calloc(1, sizeof *j);
    char *dir = strdup(options->dir);
    if (!j || !dir) {
        free(j);
        free(dir);
        return problem_set(problem, ERR_IO, options->dir, "there is no memory left");
    }
    j->dir = dir;
    j->dir_fd = j->lock_fd = j->fd = -1;
    j->keep_days = at_least(options->keep_days);
    (void)text_copy(j->boot, sizeof j->boot, options->boot);
    enum err err = journal_dir_open(j, problem);
    if (err == ERR_NONE) err = journal_dir_look_for_mark(j, problem);
    struct journal_scan *s = NULL;
    if (err == ERR_NONE) {
        s = journal_scan_new(j->dir_fd, visit, context);
        err = s ? open_all(j, s, options->now, report, problem)
                : problem_set(problem, ERR_IO, j->dir, "there is no memory left");
    }
    journal_scan_free(s);
    if (err == ERR_NONE)
        *ret = j;
    else
        journal_close(j);
    return err;
}

void journal_close(struct journal *j)
{
    if (!j) return;
    journal_sync_close(j->sync);
    segments_free(&j->segments);
    free(j->dir);
    if (j->lock_fd >= 0) close(j->lock_fd);
    if (j->dir_fd >= 0) close(j->dir_fd);
    free(j);
}

/* --- asking ----------------------------------------------------------------------------------- */

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
    if (!is_latched(j) && !j->full) return false;
    if (problem) *problem = j->problem;
    return true;
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
    *report = (struct journal_report){ .records = 0 };
    const int dir_fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (dir_fd < 0) return journal_errno(problem, dir, "", "can't be opened", errno);
    struct journal_scan *s = journal_scan_new(dir_fd, visit, context);
    enum err err = problem_set(problem, ERR_IO, "", "there is no memory left");
    if (s) {
        err = journal_scan_run(s, problem);
        if (err == ERR_NONE) fill_report(report, s, s->places > 0 ? &s->place[0] : NULL);
    }
    if (err != ERR_NONE) (void)below(dir, err, problem);
    journal_scan_free(s);
    close(dir_fd);
    return err;
}
