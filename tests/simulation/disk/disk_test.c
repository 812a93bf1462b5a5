/* The simulated disk: what it promises itself, and that the real journal on it loses nothing. */
#include <errno.h>
#include <fcntl.h>
#include <string.h>

#include "daemon/journal/journal_file.h"
#include "lib/base/text.h"
#include "tests/simulation/disk/disk.h"
#include "tests/unit/support.h"

#define DISK_OWN
#include "tests/simulation/disk/redirect.h"

static struct disk *disk;
static struct problem problem;

static int64_t days; /* of the clock at the next opening */

static void setup(void)
{
    disk = disk_new();
    disk_use(disk);
    days = 0;
}

static void teardown(void)
{
    disk_free(disk);
}

static int made_file(const char *name)
{
    const int fd = disk_open(name, O_WRONLY | O_CREAT | O_APPEND, 0640);
    ck_assert_int_ge(fd, 0);
    return fd;
}

static void put(int fd, const char *words)
{
    ck_assert_int_eq(disk_write(fd, words, strlen(words)), (ssize_t)strlen(words));
}

static bool reads(const struct disk *d, const char *name, const char *words)
{
    size_t size = 0;
    const char *bytes = disk_bytes(d, name, &size);
    return bytes && size == strlen(words) && memcmp(bytes, words, size) == 0;
}

static void sync_root(void)
{
    const int fd = disk_open("/", O_RDONLY | O_DIRECTORY);
    ck_assert_int_eq(disk_fsync(fd), 0);
    ck_assert_int_eq(disk_close(fd), 0);
}

/* In how many of so many power cuts does the file read so? */
static int count_cuts(const char *name, const char *words, int cuts)
{
    int found = 0;
    for (int seed = 0; seed < cuts; seed++) {
        struct disk *after = disk_copy(disk);
        disk_power_cut(after, (uint64_t)seed);
        found += reads(after, name, words);
        disk_free(after);
    }
    return found;
}

/* --- the disk itself -------------------------------------------------------------------------- */

START_TEST(what_is_synced_stays_and_what_is_not_may_go)
{
    const int fd = made_file("a");
    put(fd, "first ");
    ck_assert_int_eq(count_cuts("a", "first ", 100) == 0, 0); /* may stay, too */
    ck_assert_int_eq(disk_fsync(fd), 0);
    ck_assert_int_lt(count_cuts("a", "first ", 100), 100); /* its name wasn't synced */
    sync_root();
    ck_assert_int_eq(count_cuts("a", "first ", 100), 100);
    put(fd, "second");
    const int both = count_cuts("a", "first second", 200);
    const int one = count_cuts("a", "first ", 200);
    ck_assert_int_gt(both, 10);
    ck_assert_int_gt(one, 10);
    ck_assert_int_lt(both + one, 200); /* the rest: torn, zeros, noise */
    disk_kill(disk);
    ck_assert(reads(disk, "a", "first second"));
}
END_TEST

START_TEST(bytes_that_were_synced_survive_every_cut)
{
    static char block[4000];
    memset(block, 'x', sizeof block);
    const int fd = made_file("a");
    ck_assert_int_eq(disk_write(fd, block, 1700), 1700);
    ck_assert_int_eq(disk_fsync(fd), 0);
    sync_root();
    for (int n = 0; n < 7; n++) {
        put(fd, "some more, and more, and more");
    }
    ck_assert_int_eq(disk_write(fd, block, 3000), 3000);
    int whole = 0, short_ones = 0;
    for (uint64_t seed = 0; seed < 500; seed++) {
        struct disk *after = disk_copy(disk);
        disk_power_cut(after, seed);
        size_t size = 0;
        const char *bytes = disk_bytes(after, "a", &size);
        ck_assert(bytes && size >= 1700 && memcmp(bytes, block, 1700) == 0);
        whole += size == 1700 + 7 * 29 + 3000;
        short_ones += size < 1700 + 7 * 29 + 3000;
        disk_free(after);
    }
    ck_assert_int_gt(whole, 50);
    ck_assert_int_gt(short_ones, 50);
}
END_TEST

START_TEST(a_removed_file_may_come_back_until_its_directory_is_synced)
{
    put(made_file("a"), "here");
    ck_assert_int_eq(disk_fsync(disk_open("a", O_RDWR)), 0);
    sync_root();
    const int root = disk_open("/", O_RDONLY | O_DIRECTORY);
    ck_assert_int_eq(disk_unlinkat(root, "a", 0), 0);
    const int back = count_cuts("a", "here", 100);
    ck_assert_int_gt(back, 10);
    ck_assert_int_lt(back, 90);
    ck_assert_int_eq(disk_fsync(root), 0);
    ck_assert_int_eq(count_cuts("a", "here", 100), 0);
}
END_TEST

/* The kernel says yes to the second sync, and has forgotten what the first one was asked for. */
START_TEST(a_sync_that_failed_drops_what_it_should_have_written)
{
    const int fd = made_file("a");
    put(fd, "first");
    sync_root();
    const struct disk_fault fault = { DISK_SYNC, .from = 1, .count = 1, .error = EIO };
    disk_fail(disk, &fault);
    ck_assert_int_eq(disk_fsync(fd), -1);
    ck_assert_int_eq(errno, EIO);
    ck_assert_int_eq(disk_fsync(fd), 0);
    ck_assert_int_eq(disk_failed(disk, DISK_SYNC), 1);
    ck_assert(reads(disk, "a", "first"));
    ck_assert_int_lt(count_cuts("a", "first", 100), 60);
}
END_TEST

START_TEST(calls_fail_when_they_are_told_to)
{
    char bytes[8];
    const int fd = disk_open("a", O_RDWR | O_CREAT | O_APPEND, 0640);
    put(fd, "0123456789");
    struct disk_fault fault = { DISK_WRITE, .from = 2, .count = 2, .error = 0 };
    disk_fail(disk, &fault);
    ck_assert_int_eq(disk_write(fd, "abcd", 4), 4);
    ck_assert_int_eq(disk_write(fd, "abcd", 4), 2); /* short */
    fault = (struct disk_fault){ DISK_OPEN, .from = 1, .error = EMFILE };
    disk_fail(disk, &fault);
    ck_assert_int_eq(disk_open("b", O_WRONLY | O_CREAT, 0640), -1);
    ck_assert_int_eq(errno, EMFILE);
    disk_heal(disk);
    disk_set_room(disk, 5);
    ck_assert_int_eq(disk_write(fd, "1234567", 7), 5);
    ck_assert_int_eq(disk_write(fd, "67", 2), -1);
    ck_assert_int_eq(errno, ENOSPC);
    disk_heal(disk);
    disk_set_read_only(disk, true);
    ck_assert_int_eq(disk_write(fd, "1", 1), -1);
    ck_assert_int_eq(errno, EROFS);
    ck_assert_int_eq(disk_open("a", O_WRONLY), -1);
    ck_assert_int_eq(disk_pread(fd, bytes, 8, 0), 8);
    ck_assert_int_eq(memcmp(bytes, "01234567", 8), 0);
    disk_heal(disk);
    ck_assert(disk_rot(disk, "/", 3));
    ck_assert(!reads(disk, "a", "0123456789abcdab12345"));
}
END_TEST

/* --- the journal on it ------------------------------------------------------------------------ */

static struct now now;
static struct journal *journal;
static struct journal_report report;
static int64_t acked, seen; /* so many values from 0 on without a gap */
static bool gap;

static void count_record(void *context, const struct record *record, const char *line)
{
    (void)context;
    (void)line;
    int64_t value = -1;
    if (!record_int(record, "value", &value)) return;
    ck_assert_int_ge(value, seen); /* never twice */
    gap = gap || value > seen;
    if (!gap) seen++;
}

static enum err open_journal(void)
{
    seen = 0;
    gap = false;
    now = (struct now){ { 5000 }, { INT64_C(1932854400000) + days * DAY_MS }, CLOCK_SYNCED };
    const struct journal_options options = {
        .dir = "journal", .keep_days = 3, .boot = "boot-1", .now = now
    };
    return journal_open(&journal, &options, count_record, NULL, &report, &problem);
}

static int64_t append(int64_t value)
{
    struct record r;
    int64_t seq = 0;
    record_start(&r, "test");
    record_add_int(&r, "value", value);
    ck_assert_int_eq(journal_append(journal, &r, now, &seq, NULL, &problem), ERR_NONE);
    return seq;
}

static void live(void *context)
{
    (void)context;
    acked = 0;
    ck_assert_int_eq(open_journal(), ERR_NONE);
    for (int64_t n = 0; n < 12; n++) {
        const int64_t seq = append(n);
        if (n == 5) now.civil.ms += DAY_MS;
        if (n % 3 != 2) continue;
        disk_turn(disk);
        if (journal_synced(journal) >= seq) acked = n + 1;
    }
    journal_close(journal);
}

START_TEST(the_journal_works_on_it_and_the_same_calls_give_the_same_bytes)
{
    ck_assert(disk_run(disk, live, NULL));
    ck_assert_int_eq(acked, 12);
    const int64_t calls = disk_calls(disk);
    const uint64_t hash = disk_hash(disk);
    ck_assert_int_gt(calls, 40);
    disk_kill(disk);
    ck_assert_int_eq(open_journal(), ERR_NONE);
    ck_assert_int_eq(report.records, 12);
    ck_assert_int_eq(report.segments, 2);
    journal_close(journal);
    teardown();
    setup();
    ck_assert(disk_run(disk, live, NULL));
    ck_assert_int_eq(disk_calls(disk), calls);
    ck_assert_uint_eq(disk_hash(disk), hash);
}
END_TEST

/* INV-7: at every call, in many ways. */
START_TEST(a_power_cut_at_any_call_loses_no_record_that_was_on_disk)
{
    int cuts = 0, lost = 0;
    bool finished = false;
    for (int64_t at = 1; !finished; at++) {
        teardown();
        setup();
        disk_stop_at(disk, at, (enum disk_stop)_i);
        finished = disk_run(disk, live, NULL);
        for (uint64_t seed = 0; seed < 6 && !finished; seed++) {
            struct disk *after = disk_copy(disk);
            disk_power_cut(after, seed * 1000 + (uint64_t)at);
            disk_use(after);
            ck_assert_msg(open_journal() == ERR_NONE, "%s: %s", problem.where, problem.text);
            ck_assert_msg(seen >= acked, "call %d, seed %d: %d records of %d", (int)at, (int)seed,
                (int)seen, (int)acked);
            ck_assert(!gap || report.damaged); /* unsynced ones reach the disk in any order */
            lost += seen < acked + 3;
            cuts++;
            journal_close(journal);
            disk_free(after);
        }
    }
    ck_assert_int_gt(cuts, 200);
    ck_assert_int_gt(lost, 50); /* what wasn't on disk does get lost */
}
END_TEST

/* Whether it made the directory itself, or found one that a run before had made and left unsynced.
 */
START_TEST(a_record_is_not_on_disk_before_its_directory_has_a_name_there)
{
    if (_i == 1) ck_assert_int_eq(disk_mkdir("journal", 0750), 0);
    ck_assert_int_eq(open_journal(), ERR_NONE);
    const int64_t seq = append(0);
    disk_turn(disk);
    ck_assert_int_eq(journal_synced(journal), seq);
    for (uint64_t seed = 0; seed < 50; seed++) {
        struct disk *after = disk_copy(disk);
        disk_power_cut(after, seed);
        disk_use(after);
        ck_assert_int_eq(open_journal(), ERR_NONE);
        ck_assert_int_eq(seen, 1);
        disk_free(after);
    }
    disk_use(disk);
}
END_TEST

START_TEST(while_syncs_are_held_nothing_is_said_to_be_on_disk)
{
    ck_assert_int_eq(open_journal(), ERR_NONE);
    const int64_t before = append(0);
    disk_turn(disk);
    ck_assert(disk_rings(disk, journal_descriptor(journal)));
    ck_assert_int_eq(journal_synced(journal), before);
    disk_hold_syncs(disk, true);
    (void)append(1);
    disk_turn(disk); /* begins, and hangs */
    const int64_t later = append(2);
    disk_turn(disk);
    ck_assert_int_eq(journal_synced(journal), before);
    disk_hold_syncs(disk, false);
    disk_turn(disk);
    ck_assert_int_eq(journal_synced(journal), later);
    disk_kill(disk);
}
END_TEST

START_TEST(what_was_written_after_a_sync_began_is_not_covered_by_it)
{
    ck_assert_int_eq(open_journal(), ERR_NONE);
    (void)append(0);
    disk_turn(disk);
    disk_hold_syncs(disk, true);
    (void)append(1);
    disk_turn(disk);
    (void)append(2);
    const struct disk_fault fault = { DISK_SYNC, .from = 1, .error = EIO };
    disk_fail(disk, &fault); /* the next one */
    disk_hold_syncs(disk, false);
    disk_turn(disk);
    int two = 0, three = 0;
    for (uint64_t seed = 0; seed < 100; seed++) {
        struct disk *after = disk_copy(disk);
        disk_power_cut(after, seed);
        disk_use(after);
        ck_assert_int_eq(open_journal(), ERR_NONE);
        ck_assert_int_ge(seen, 2);
        two += seen == 2;
        three += seen == 3;
        disk_free(after);
    }
    ck_assert_int_gt(two, 10);
    ck_assert_int_gt(three, 3);
    disk_use(disk);
}
END_TEST

/* What is cut off is kept whole, or it isn't cut off. */
START_TEST(an_interrupted_read_loses_nothing_of_a_torn_end)
{
    static char kept[4096];
    size_t size = 0, aside = 0;
    const char *file = "journal/journal-2031-04-02.jsonl";
    ck_assert(disk_run(disk, live, NULL));
    const char *bytes = disk_bytes(disk, file, &size);
    ck_assert(bytes && size < sizeof kept);
    memcpy(kept, bytes, size);
    const char *next = "journal/journal-2031-04-03.jsonl";
    disk_put(disk, next, NULL, 0);
    disk_put(disk, file, kept, size - 10);
    size_t last = 0;
    for (size_t i = 0; i < size - 10; i++) {
        if (kept[i] == '\n') last = i + 1;
    }
    for (int64_t nth = 1; nth < 4; nth++) {
        struct disk *again = disk_copy(disk);
        const struct disk_fault fault = { DISK_READ, .from = nth, .count = 1, .error = EINTR };
        disk_use(again);
        disk_fail(again, &fault);
        ck_assert_int_eq(open_journal(), ERR_NONE);
        ck_assert(report.torn);
        bytes = disk_bytes(again, "journal/journal-2031-04-02.jsonl.torn-1", &aside);
        ck_assert(bytes != NULL);
        ck_assert_uint_eq(aside, size - 10 - last);
        ck_assert_int_eq(memcmp(bytes, kept + last, aside), 0);
        disk_free(again);
    }
    disk_use(disk);
}
END_TEST

/* On a later day the opening waits for the sync of the segment before, twice. */
START_TEST(a_sync_that_fails_while_opening_is_told_and_nothing_hangs)
{
    ck_assert(disk_run(disk, live, NULL));
    const int64_t before = disk_calls_of(disk, DISK_SYNC);
    days = 5;
    ck_assert_int_eq(open_journal(), ERR_NONE);
    journal_close(journal);
    const int64_t syncs = disk_calls_of(disk, DISK_SYNC) - before;
    ck_assert_int_gt(syncs, 3);
    for (int64_t n = 1; n <= syncs; n++) {
        teardown();
        setup();
        ck_assert(disk_run(disk, live, NULL));
        days = 5;
        const struct disk_fault fault = { DISK_SYNC, .from = n, .count = 1, .error = EIO };
        disk_fail(disk, &fault);
        if (open_journal() != ERR_NONE) continue;
        disk_turn(disk);
        ck_assert_msg(journal_failed(journal, &problem), "sync %d", (int)n);
        journal_close(journal);
    }
}
END_TEST

START_TEST(no_memory_is_an_error_and_nothing_else)
{
    int64_t n = 1;
    enum err err = ERR_IO;
    for (; err != ERR_NONE && n < 100; n++) {
        const struct disk_fault fault = { DISK_HEAP, .from = n, .count = 1, .error = ENOMEM };
        disk_fail(disk, &fault);
        err = open_journal();
        if (err != ERR_NONE) ck_assert_int_eq(err, ERR_IO);
    }
    ck_assert_int_gt(n, 3);
    journal_close(journal);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("disk");
    tcase_set_timeout(t, 60);
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_add_test(t, what_is_synced_stays_and_what_is_not_may_go);
    tcase_add_test(t, bytes_that_were_synced_survive_every_cut);
    tcase_add_test(t, a_removed_file_may_come_back_until_its_directory_is_synced);
    tcase_add_test(t, a_sync_that_failed_drops_what_it_should_have_written);
    tcase_add_test(t, calls_fail_when_they_are_told_to);
    tcase_add_test(t, the_journal_works_on_it_and_the_same_calls_give_the_same_bytes);
    tcase_add_loop_test(t, a_power_cut_at_any_call_loses_no_record_that_was_on_disk, 0, 3);
    tcase_add_loop_test(t, a_record_is_not_on_disk_before_its_directory_has_a_name_there, 0, 2);
    tcase_add_test(t, while_syncs_are_held_nothing_is_said_to_be_on_disk);
    tcase_add_test(t, what_was_written_after_a_sync_began_is_not_covered_by_it);
    tcase_add_test(t, an_interrupted_read_loses_nothing_of_a_torn_end);
    tcase_add_test(t, a_sync_that_fails_while_opening_is_told_and_nothing_hangs);
    tcase_add_test(t, no_memory_is_an_error_and_nothing_else);
    return run_case(t, "disk");
}
