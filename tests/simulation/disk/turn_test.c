/* The next day's segment and what is pruned at it, on a simulated disk that says no at one call. */
#include <errno.h>
#include <stdio.h>
#include <string.h>

#include "daemon/journal/journal_file.h"
#include "tests/simulation/disk/disk.h"
#include "tests/unit/support.h"

static struct disk *disk;
static struct journal *journal;
static struct journal_report report;
static struct problem problem;
static struct now now;

static void setup(void)
{
    disk = disk_new();
    disk_use(disk);
    now = (struct now){ { 5000 }, { INT64_C(1932854400000) }, CLOCK_SYNCED }; /* 2031-04-02 */
}

static void teardown(void)
{
    disk_free(disk);
}

static enum err open_journal(void)
{
    const struct journal_options options = {
        .dir = "journal", .keep_days = 2, .boot = "boot-1", .now = now
    };
    journal = NULL;
    return journal_open(&journal, &options, NULL, NULL, &report, &problem);
}

static enum err append(void)
{
    struct record r;
    int64_t seq = 0;
    record_start(&r, "test");
    record_add_int(&r, "value", 7);
    const enum err err = journal_append(journal, &r, now, &seq, NULL, &problem);
    disk_turn(disk);
    return err;
}

static void days_pass(int64_t days)
{
    now.civil.ms += days * DAY_MS;
    now.mono.ms += days * DAY_MS;
}

static void fail_once(enum disk_call call, int error)
{
    const struct disk_fault fault = { call, .from = 1, .count = 1, .error = error };
    disk_fail(disk, &fault);
}

static bool exists(const char *name)
{
    char path[64];
    size_t size;
    (void)snprintf(path, sizeof path, "journal/%s", name);
    return disk_bytes(disk, path, &size) != NULL;
}

/* A record a day on three days, so that the first day's is due to go at the fourth's. */
static void live_three_days(void)
{
    ck_assert_int_eq(open_journal(), ERR_NONE);
    for (int day = 0; day < 3; day++) {
        if (day > 0) days_pass(1);
        ck_assert_int_eq(append(), ERR_NONE);
    }
    days_pass(1);
}

static void must_be_whole(int64_t records)
{
    disk_heal(disk);
    ck_assert_int_eq(journal_scan("journal", NULL, NULL, &report, &problem), ERR_NONE);
    ck_assert(!report.damaged && !report.torn);
    ck_assert_int_eq(report.records, records);
}

START_TEST(the_oldest_day_goes_when_the_next_begins)
{
    live_three_days();
    ck_assert_int_eq(append(), ERR_NONE);
    ck_assert(!exists("journal-2031-04-02.jsonl") && exists("journal-2031-04-03.jsonl"));
    journal_close(journal);
    must_be_whole(4); /* 'pruned' is one */
}
END_TEST

/* Nothing is removed that no record on the disk tells of. */
START_TEST(without_its_record_nothing_is_pruned)
{
    live_three_days();
    fail_once(DISK_WRITE, EIO);
    ck_assert_int_eq(append(), ERR_IO);
    ck_assert_int_eq(disk_failed(disk, DISK_WRITE), 1);
    ck_assert(exists("journal-2031-04-02.jsonl"));
    journal_close(journal);
    must_be_whole(3);
}
END_TEST

/* The record says too much then, which is allowed; at the next opening it is tried again. */
START_TEST(without_memory_for_it_what_is_old_stays_until_the_next_opening)
{
    live_three_days();
    fail_once(DISK_HEAP, ENOMEM);
    ck_assert_int_eq(append(), ERR_NONE);
    ck_assert_int_eq(disk_failed(disk, DISK_HEAP), 1);
    ck_assert(exists("journal-2031-04-02.jsonl"));
    journal_close(journal);
    must_be_whole(5);
    ck_assert_int_eq(open_journal(), ERR_NONE);
    journal_close(journal);
    ck_assert(!exists("journal-2031-04-02.jsonl"));
    must_be_whole(5); /* one went, and 'pruned' was said again */
}
END_TEST

/* Days on which the daemon only made its file: what is kept begins with the pruning's own record.
 */
START_TEST(when_all_that_is_kept_is_empty_the_record_of_it_is_the_first)
{
    ck_assert_int_eq(open_journal(), ERR_NONE);
    ck_assert_int_eq(append(), ERR_NONE);
    ck_assert_int_eq(append(), ERR_NONE);
    journal_close(journal);
    disk_put(disk, "journal/journal-2031-04-10.jsonl", "", 0);
    disk_put(disk, "journal/journal-2031-04-11.jsonl", "", 0);
    days_pass(9);
    ck_assert_int_eq(open_journal(), ERR_NONE);
    disk_turn(disk);
    days_pass(5);
    ck_assert_int_eq(append(), ERR_NONE);
    ck_assert(!exists("journal-2031-04-02.jsonl"));
    ck_assert(exists("journal-2031-04-10.jsonl") && exists("journal-2031-04-16.jsonl"));
    journal_close(journal);
    must_be_whole(2);
    ck_assert_int_eq(report.tip.seq, 4);
}
END_TEST

/* Neither the directory's reader nor its list has memory: an error, and its descriptor is closed.
 */
START_TEST(a_directory_that_cant_be_read_for_want_of_memory_is_an_error)
{
    ck_assert_int_eq(open_journal(), ERR_NONE);
    ck_assert_int_eq(append(), ERR_NONE);
    journal_close(journal);
    for (int64_t nth = 1; nth <= 3; nth++) { /* the scan's own, the reader's, the list's */
        const struct disk_fault fault = { DISK_HEAP, .from = nth, .count = 1, .error = ENOMEM };
        disk_fail(disk, &fault);
        const enum err err = journal_scan("journal", NULL, NULL, &report, &problem);
        ck_assert_int_eq(disk_failed(disk, DISK_HEAP), nth);
        ck_assert_int_eq(err, nth == 3 ? ERR_FULL : ERR_IO);
        ck_assert_int_eq(report.records, 0);
        disk_heal(disk);
    }
    must_be_whole(1);
}
END_TEST

/* 'verify' beside a daemon that prunes: the oldest file may go between listing and reading. One
 * that goes later, or can't be opened for another reason, is an error: records would be passed
 * over. */
START_TEST(only_the_oldest_file_may_have_gone_meanwhile)
{
    static const struct {
        int64_t nth; /* opening: the directory, its list, then the files */
        int error;
        enum err err;
    } cases[] = { { 3, ENOENT, ERR_NONE }, { 3, EACCES, ERR_IO }, { 4, ENOENT, ERR_IO } };
    live_three_days();
    journal_close(journal);
    for (size_t n = 0; n < sizeof cases / sizeof *cases; n++) {
        const struct disk_fault fault = { DISK_OPEN, .from = cases[n].nth, .count = 1,
            .error = cases[n].error };
        disk_fail(disk, &fault);
        const enum err err = journal_scan("journal", NULL, NULL, &report, &problem);
        ck_assert_int_eq(err, cases[n].err);
        if (err == ERR_NONE) ck_assert(report.records == 2 && report.damaged);
        if (err != ERR_NONE) ck_assert_ptr_nonnull(strstr(problem.where, "journal-2031-04-0"));
        disk_heal(disk);
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("turn");
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_add_test(t, the_oldest_day_goes_when_the_next_begins);
    tcase_add_test(t, without_its_record_nothing_is_pruned);
    tcase_add_test(t, without_memory_for_it_what_is_old_stays_until_the_next_opening);
    tcase_add_test(t, when_all_that_is_kept_is_empty_the_record_of_it_is_the_first);
    tcase_add_test(t, a_directory_that_cant_be_read_for_want_of_memory_is_an_error);
    tcase_add_test(t, only_the_oldest_file_may_have_gone_meanwhile);
    return run_case(t, "turn");
}
