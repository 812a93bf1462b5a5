/* A disk that says no: at each call of each life, with each errno, once and from there on; and a
 * heap that does, at each allocation. Nothing crashes, nothing that was said to be on disk is lost,
 * and whoever couldn't record says so. Then every byte of a long journal: cut there, and changed.
 *
 * REFUSALS_SECONDS: for the bytes, drawn by chance (10); "all": each one. */
#include <errno.h>
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "lib/base/text.h"
#include "tests/simulation/disk/points.h"
#include "tests/unit/support.h"

static struct source source;
static struct life begun, l;

static const struct {
    enum disk_call call;
    int error[8];
} refusals[] = {
    { DISK_OPEN, { EIO, ENOSPC, EROFS, EMFILE, ENFILE, ENOMEM, EACCES } },
    { DISK_READ, { EIO, EINTR } },
    { DISK_WRITE, { EIO, ENOSPC, EDQUOT, EROFS, EINTR, EFBIG } },
    { DISK_TRUNCATE, { EIO, EROFS, EINTR } },
    { DISK_ALLOCATE, { EIO, ENOSPC, EROFS, EOPNOTSUPP } },
    { DISK_SYNC, { EIO, ENOSPC, EROFS, EDQUOT } },
    { DISK_UNLINK, { EIO, EROFS, EACCES } },
    { DISK_MAKE, { ENOSPC, EROFS, EACCES } },
    { DISK_LIST, { EIO } },
    { DISK_STAT, { EIO, EOVERFLOW } },
    { DISK_LOCK, { EINTR, ENOLCK } },
    { DISK_CLOSE, { EIO, EINTR } },
    { DISK_OTHER, { EMFILE, ENOMEM, EAGAIN } },
    { DISK_HEAP, { ENOMEM } },
};
enum { KINDS = sizeof refusals / sizeof refusals[0] };

static struct {
    int64_t fired, refused, failed;
} tally;

/* What a person would be told: it didn't open, or it failed, or a record wasn't taken. */
static void run_refused(int script, const struct disk_fault *fault)
{
    struct verdict v;
    l = begun;
    l.disk = disk_copy(begun.disk);
    disk_fail(l.disk, fault);
    ck_assert(disk_run(l.disk, life_run, &l));
    const int64_t fired = disk_failed(l.disk, fault->call);
    tally.fired += fired > 0;
    tally.refused += !l.opened;
    tally.failed += l.opened && l.failed;
    disk_heal(l.disk);
    disk_kill(l.disk);
    for (uint64_t seed = 0; seed < 2 && fired > 0; seed++) {
        struct disk *left = disk_copy(l.disk);
        if (seed > 0) disk_power_cut(left, seed);
        points_judge(&l, left, seed > 0, &v);
        ck_assert_msg(!v.what[0], "%s: call kind %d, nth %d, count %d, errno %d, seed %d: %s",
            points_script[script].name, (int)fault->call, (int)fault->from, (int)fault->count,
            fault->error, (int)seed, v.what);
        disk_free(left);
    }
    disk_free(l.disk);
}

static int64_t count_calls(enum disk_call call)
{
    l = begun;
    l.disk = disk_copy(begun.disk);
    ck_assert(disk_run(l.disk, life_run, &l));
    const int64_t calls = disk_calls_of(l.disk, call);
    disk_free(l.disk);
    return calls;
}

START_TEST(no_refusal_at_any_call_loses_what_was_said_to_be_on_disk)
{
    memset(&tally, 0, sizeof tally);
    source_make(&source);
    life_begin(&begun, &points_script[_i], &source);
    for (int k = 0; k < KINDS; k++) {
        const int64_t calls = count_calls(refusals[k].call);
        for (int e = 0; e < 8 && refusals[k].error[e] != 0; e++) {
            for (int64_t n = 1; n <= calls; n += POINTS_STEP) {
                const struct disk_fault once = { refusals[k].call, n, 1, refusals[k].error[e] };
                const struct disk_fault on = { refusals[k].call, n, 0, refusals[k].error[e] };
                run_refused(_i, &once);
                if (refusals[k].error[e] != EINTR) run_refused(_i, &on);
            }
        }
    }
    printf("%s: %d refusals, %d openings refused, %d journals failed\n", points_script[_i].name,
        (int)tally.fired, (int)tally.refused, (int)tally.failed);
    ck_assert_int_gt(tally.fired, 200 / POINTS_STEP);
    ck_assert_int_gt(tally.refused, 10 / POINTS_STEP);
    disk_free(begun.disk);
    source_free(&source);
}
END_TEST

/* --- every byte ------------------------------------------------------------------------------- */

enum { RECORDS = 1000 };
static const char *const names[] = { "journal/journal-2031-04-02.jsonl" };
static int64_t found, found_wrong;

static void see(void *context, const struct record *r, const char *line)
{
    int64_t value = -1;
    (void)context;
    (void)line;
    if (!record_int(r, "value", &value)) return;
    found_wrong += value < found;
    found++;
}

static struct problem problem;
static struct now now = { { 5000 }, { INT64_C(1932854400000) }, CLOCK_SYNCED };

static struct journal *opened(struct journal_report *report)
{
    struct journal *journal = NULL;
    const struct journal_options options = {
        .dir = "journal", .keep_days = 3, .boot = "boot-1", .now = now
    };
    found = found_wrong = 0;
    const enum err err = journal_open(&journal, &options, see, NULL, report, &problem);
    ck_assert_msg(err == ERR_NONE, "%s: %s", problem.where, problem.text);
    return journal;
}

static void write_long(struct disk *disk)
{
    struct journal_report report;
    disk_use(disk);
    struct journal *journal = opened(&report);
    for (int64_t n = 0; n < RECORDS; n++) {
        struct record r;
        int64_t seq = 0;
        record_start(&r, "dose");
        record_add_int(&r, "value", n);
        ck_assert_int_eq(journal_append(journal, &r, now, &seq, NULL, &problem), ERR_NONE);
    }
    journal_close(journal);
}

/* So many records end before this byte. */
static int64_t ended_before(const char *bytes, size_t at)
{
    int64_t count = 0;
    for (size_t i = 0; i < at; i++) {
        count += bytes[i] == '\n';
    }
    return count;
}

static struct {
    int64_t cut, whole, torn, changed, damaged;
} bytes_tally;

static void cut_at(struct disk *disk, const char *bytes, size_t at)
{
    struct journal_report report;
    disk_put(disk, names[0], bytes, at);
    struct journal *journal = opened(&report);
    const int64_t wanted = ended_before(bytes, at);
    const bool between = at == 0 || bytes[at - 1] == '\n';
    bytes_tally.cut++;
    bytes_tally.whole += between;
    bytes_tally.torn += report.torn;
    ck_assert_msg(found == wanted && found_wrong == 0, "cut at %d: %d records, not %d", (int)at,
        (int)found, (int)wanted);
    ck_assert_msg(report.torn == !between, "cut at %d: torn is %d", (int)at, report.torn);
    ck_assert_msg(!report.damaged, "cut at %d: %s", (int)at, report.problem.text);
    journal_close(journal);
    disk_kill(disk);
}

/* Torn when its last line has lost its end, damaged anywhere else; what is left is in order. */
static void change_at(struct disk *disk, char *bytes, size_t size, size_t at, int bit)
{
    struct journal_report report;
    bytes[at] = (char)(bytes[at] ^ (1 << bit));
    disk_put(disk, names[0], bytes, size);
    struct journal *journal = opened(&report);
    bytes_tally.changed++;
    bytes_tally.damaged += report.damaged;
    bytes_tally.torn += report.torn;
    ck_assert_msg(report.damaged || report.torn, "bit %d of byte %d changed unseen", bit, (int)at);
    ck_assert_msg(!report.torn || at > size - 400, "byte %d: torn in the middle", (int)at);
    ck_assert_msg(found >= RECORDS - 2 && found < RECORDS && found_wrong == 0,
        "byte %d: %d records", (int)at, (int)found);
    size_t after = 0;
    const char *now_there = disk_bytes(disk, names[0], &after);
    ck_assert_msg(report.torn || (after >= size && memcmp(now_there, bytes, size) == 0),
        "byte %d: overwritten", (int)at);
    journal_close(journal);
    disk_kill(disk);
    bytes[at] = (char)(bytes[at] ^ (1 << bit));
}

static double now_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

static void empty_folder(struct disk *disk)
{
    const char *name;
    while ((name = disk_name(disk, "journal", 0))) {
        char path[160];
        snprintf(path, sizeof path, "journal/%s", name);
        disk_put(disk, path, NULL, 0);
    }
}

START_TEST(every_byte_of_a_long_journal_cut_or_changed_is_repaired_or_reported)
{
    const char *seconds = getenv("REFUSALS_SECONDS");
    const bool all = seconds && strcmp(seconds, "all") == 0;
    const double end_s = now_s() + (seconds ? strtod(seconds, NULL) : 10.0);
    struct prng chance = prng_seed(1);
    struct disk *disk = disk_new();
    size_t size = 0;
    write_long(disk);
    const char *there = disk_bytes(disk, names[0], &size);
    char *bytes = malloc(size);
    ck_assert_ptr_nonnull(bytes);
    memcpy(bytes, there, size);
    memset(&bytes_tally, 0, sizeof bytes_tally);
    for (size_t n = 0; all ? n < size : now_s() < end_s; n++) {
        const size_t at = all ? n : (size_t)prng_below(&chance, (int64_t)size);
        empty_folder(disk);
        cut_at(disk, bytes, at);
        empty_folder(disk);
        change_at(disk, bytes, size, at, (int)prng_below(&chance, 8));
    }
    printf("%d records, %d bytes: %d cuts (%d between records), %d changed; torn %d, damaged %d\n",
        RECORDS, (int)size, (int)bytes_tally.cut, (int)bytes_tally.whole, (int)bytes_tally.changed,
        (int)bytes_tally.torn, (int)bytes_tally.damaged);
    ck_assert_int_gt(bytes_tally.cut, 20);
    ck_assert_int_gt(bytes_tally.damaged + bytes_tally.torn, bytes_tally.changed);
    free(bytes);
    disk_free(disk);
}
END_TEST

int main(void)
{
    (void)mallopt(M_MMAP_THRESHOLD, 1 << 26); /* thousands of disks come and go */
    (void)mallopt(M_TRIM_THRESHOLD, 1 << 27);
    TCase *t = tcase_create("refusals");
    tcase_set_timeout(t, 100000);
    tcase_add_loop_test(
        t, no_refusal_at_any_call_loses_what_was_said_to_be_on_disk, 0, points_scripts);
    tcase_add_test(t, every_byte_of_a_long_journal_cut_or_changed_is_repaired_or_reported);
    return run_case(t, "refusals");
}
