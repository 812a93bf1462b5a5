/* A disk that says no, hangs, or stops in the middle. The calls that reach the disk are replaced in
 * this program: what is linked first wins. */
#include "tests/unit/daemon/journal_faults.h"

#include "lib/base/prng.h"

/* --- tests ------------------------------------------------------------------------------------ */

START_TEST(a_write_that_fails_latches_and_leaves_no_half_record)
{
    static const int errors[] = { EIO, EROFS, EBADF };
    int64_t seq = 0;
    must_open();
    must_append(1);
    fault.fail_from[CALL_WRITE] = fault.done[CALL_WRITE] + 1;
    fault.fail_count[CALL_WRITE] = 1; /* the disk is well again, the journal stays shut */
    fault.error = errors[_i];
    const struct link_tip tip = journal_tip(journal);
    ck_assert_int_eq(append(2, &seq), ERR_IO);
    ck_assert_int_eq(seq, 0);
    ck_assert_ptr_nonnull(strstr(problem.text, strerror(errors[_i])));
    ck_assert_ptr_nonnull(strstr(problem.where, "/journal-2031-04-02.jsonl"));
    ck_assert(journal_failed(journal, &problem) && journal_failed(journal, NULL));
    ck_assert_int_eq(append(3, &seq), ERR_IO);
    now.civil.ms += DAY_MS;
    ck_assert_int_eq(append(3, &seq), ERR_IO);
    ck_assert_str_eq(journal_tip(journal).hash, tip.hash);
    ck_assert(!exists("journal-2031-04-03.jsonl"));
    check_whole(1);
}
END_TEST

START_TEST(a_write_that_was_interrupted_or_short_goes_on)
{
    must_open();
    fault.fail_from[CALL_WRITE] = fault.done[CALL_WRITE] + 1;
    fault.fail_count[CALL_WRITE] = 3;
    fault.error = EINTR;
    must_append(1);
    check_whole(1);
}
END_TEST

START_TEST(a_short_write_then_an_error_is_cut_back_to_the_last_whole_record)
{
    int64_t seq = 0;
    must_open();
    must_append(1);
    fault.room = 100;
    fault.error = EIO;
    ck_assert_int_eq(append(2, &seq), ERR_IO);
    check_whole(1);
}
END_TEST

START_TEST(what_cannot_be_cut_back_is_repaired_at_the_next_start)
{
    int64_t seq = 0;
    must_open();
    must_append(1);
    fault.room = 100;
    fault.error = EIO;
    fault.fail_from[CALL_FTRUNCATE] = 1;
    ck_assert_int_eq(append(2, &seq), ERR_IO);
    close_journal();
    clear_faults();
    must_open();
    ck_assert(report.torn && report.torn_bytes == 100 && !report.damaged);
    check_whole(2);
}
END_TEST

/* INV-11: a full disk stops dosing, and loses no record. */
START_TEST(on_a_full_disk_the_reserve_takes_the_last_records)
{
    int64_t seq = 0;
    must_open();
    must_append(1);
    ck_assert(!journal_failed(journal, &problem));
    fault.room = 100;
    fault.reserve = 2000;
    fault.error = _i == 0 ? ENOSPC : EDQUOT;
    ck_assert_int_eq(must_append(2), 2); /* half of it in the last room, half in the reserve */
    ck_assert(journal_failed(journal, &problem)); /* begin nothing more */
    ck_assert_ptr_nonnull(strstr(problem.text, "full"));
    ck_assert(!exists("reserve"));
    struct pollfd p = { .fd = journal_descriptor(journal), .events = POLLIN };
    ck_assert_int_eq(poll(&p, 1, 5000), 1);
    int64_t last = 2;
    while (append(3, &seq) == ERR_NONE) { /* outcomes of what is under way */
        ck_assert_int_eq(seq, ++last);
    }
    ck_assert_int_ge(last, 5);
    ck_assert(wait_synced(last));
    ck_assert_ptr_nonnull(strstr(problem.text, "full"));
    ck_assert_int_eq(append(3, &seq), ERR_IO);
    check_whole(last);
    must_open(); /* with room again */
    ck_assert(!journal_failed(journal, &problem) && exists("reserve"));
}
END_TEST

/* Room is found again: at once while the reserve still held out, and after it was used up. */
START_TEST(with_room_again_the_journal_goes_on_by_itself)
{
    int64_t seq = 0;
    must_open();
    ck_assert(!journal_recovered(journal, now));
    fault.room = 0;
    fault.reserve = _i == 0 ? 2000 : 300;
    fault.no_reserve = true;
    fault.error = ENOSPC;
    int64_t last = must_append(1);
    while (_i == 1 && append(2, &seq) == ERR_NONE) {
        last = seq;
    }
    ck_assert(journal_failed(journal, &problem));
    now.mono.ms += 10000;
    ck_assert(!journal_recovered(journal, now)); /* no room yet */
    fault.room = -1;
    fault.no_reserve = false;
    now.mono.ms += 9999;
    ck_assert(!journal_recovered(journal, now)); /* looked for every ten seconds */
    ck_assert(journal_failed(journal, &problem));
    now.mono.ms += 1;
    (void)journal_turned(journal);
    ck_assert(journal_recovered(journal, now));
    ck_assert(journal_turned(journal) && exists("reserve")); /* the state is to be said again */
    ck_assert(!journal_failed(journal, &problem) && !journal_recovered(journal, now));
    ck_assert_int_eq(must_append(3), last + 1);
    ck_assert(wait_synced(last + 1));
    check_whole(last + 1);
}
END_TEST

START_TEST(what_did_not_sync_stays_refused_whatever_room_there_is)
{
    int64_t seq = 0;
    must_open();
    ck_assert(wait_synced(must_append(1)));
    fault.fail_from[CALL_FDATASYNC] = fault.done[CALL_FDATASYNC] + 1;
    fault.fail_count[CALL_FDATASYNC] = 1;
    fault.error = ENOSPC;
    (void)append(2, &seq);
    ck_assert(wait_failed());
    clear_faults();
    now.mono.ms += 3600000;
    ck_assert(!journal_recovered(journal, now));
    ck_assert_int_eq(append(3, &seq), ERR_IO);
    close_journal();
    must_open(); /* nor what failed for another reason */
    fault.fail_count[CALL_WRITE] = 1;
    fault.fail_from[CALL_WRITE] = fault.done[CALL_WRITE] + 1;
    fault.error = EIO;
    ck_assert_int_eq(append(3, &seq), ERR_IO);
    clear_faults();
    now.mono.ms += 3600000;
    ck_assert(!journal_recovered(journal, now));
}
END_TEST

START_TEST(a_sync_that_fails_is_never_tried_again)
{
    int64_t seq = 0;
    must_open();
    ck_assert(wait_synced(must_append(1)));
    const enum call call = _i == 0 ? CALL_FDATASYNC : CALL_FSYNC;
    if (_i == 1) now.civil.ms += DAY_MS; /* the first sync of a new segment */
    fault.fail_from[call] = fault.done[call] + 1;
    fault.fail_count[call] = 1;
    fault.error = EIO;
    (void)append(2, &seq);
    ck_assert(wait_failed());
    ck_assert_ptr_nonnull(strstr(problem.text, "the disk didn't take"));
    const int64_t syncs = fault.done[CALL_FDATASYNC] + fault.done[CALL_FSYNC];
    for (int n = 0; n < 5; n++) {
        ck_assert_int_eq(append(3, &seq), ERR_IO);
    }
    poll(NULL, 0, 50);
    ck_assert_int_eq(journal_synced(journal), 1); /* and never 2 */
    close_journal();
    ck_assert_int_eq(fault.done[CALL_FDATASYNC] + fault.done[CALL_FSYNC], syncs);
}
END_TEST

/* Ruling 3 of the contract between loop and disk: the loop never waits. */
START_TEST(while_a_sync_hangs_records_are_taken_and_not_said_to_be_on_disk)
{
    must_open();
    ck_assert(wait_synced(must_append(1)));
    pthread_mutex_lock(&hang);
    for (int n = 0; n < 100; n++) {
        must_append(n);
        ck_assert_int_eq(journal_synced(journal), 1);
    }
    now.civil.ms += DAY_MS; /* midnight, meanwhile: the first turn is taken on trust, */
    must_append(1);
    ck_assert(exists("journal-2031-04-03.jsonl"));
    now.civil.ms += DAY_MS; /* the second waits for the thread */
    must_append(1);
    ck_assert(!exists("journal-2031-04-04.jsonl"));
    ck_assert_int_eq(journal_synced(journal), 1);
    pthread_mutex_unlock(&hang);
    ck_assert(wait_synced(103));
    now.mono.ms += 60000;
    must_append(1);
    ck_assert(exists("journal-2031-04-04.jsonl"));
    check_whole(104);
}
END_TEST

START_TEST(closing_syncs_first)
{
    must_open();
    ck_assert(wait_synced(must_append(1)));
    must_append(2);
    close_journal();
    check_synced("journal-2031-04-02.jsonl");
    check_whole(2);
}
END_TEST

/* Midnight while the disk is slow: records were written to the old segment after its last sync
 * began. */
START_TEST(a_new_segment_is_on_disk_only_after_the_rest_of_the_old_one)
{
    must_open();
    ck_assert(wait_synced(must_append(1)));
    pthread_mutex_lock(&hang);
    must_append(2);
    poll(NULL, 0, 20); /* its sync hangs by now */
    must_append(3);
    now.civil.ms += DAY_MS;
    must_append(4);
    pthread_mutex_unlock(&hang);
    ck_assert(wait_synced(4));
    check_synced("journal-2031-04-02.jsonl");
    check_synced("journal-2031-04-03.jsonl");
}
END_TEST

/* The program died after midnight and the board didn't: what it had written is in memory only. */
START_TEST(opening_syncs_what_an_earlier_run_may_have_left)
{
    make_journal(4, 2);
    memset(synced, 0, sizeof synced);
    must_open();
    ck_assert(wait_synced(4));
    check_synced("journal-2031-04-02.jsonl");
    check_synced("journal-2031-04-03.jsonl");
}
END_TEST

/* A new segment that can't be made is no reason to stop: the old one is as good. */
START_TEST(without_a_new_segment_the_old_one_goes_on)
{
    must_open();
    ck_assert(wait_synced(must_append(1)));
    ck_assert_int_eq(mkdir(at("journal-2031-04-03.jsonl"), 0700), 0); /* in the way */
    now.civil.ms += DAY_MS;
    must_append(2);
    rmdir(at("journal-2031-04-03.jsonl"));
    must_append(3);
    ck_assert(!exists("journal-2031-04-03.jsonl"));
    now.mono.ms += 60000; /* it is tried again after a minute */
    must_append(4);
    ck_assert(exists("journal-2031-04-03.jsonl"));
    check_whole(4);
}
END_TEST

START_TEST(a_tail_that_cannot_be_kept_is_not_cut_off)
{
    char before[8192], after[8192];
    make_journal(3, 1);
    const size_t length = read_file("journal-2031-04-02.jsonl", before, sizeof before) - 7;
    write_file("journal-2031-04-02.jsonl", before, length);
    journal = (struct journal *)1; /* the faults are on */
    fault.fail_from[_i == 0 ? CALL_WRITE : CALL_FSYNC] = 1;
    fault.error = EIO;
    const struct journal_options options = { .dir = dir, .boot = "b", .now = now };
    struct journal *other = NULL;
    ck_assert_int_eq(journal_open(&other, &options, NULL, NULL, &report, &problem), ERR_IO);
    clear_faults();
    journal = NULL;
    ck_assert_uint_eq(read_file("journal-2031-04-02.jsonl", after, sizeof after), length);
    ck_assert_mem_eq(before, after, length);
    must_open();
    ck_assert(report.torn);
    check_whole(3);
}
END_TEST

START_TEST(a_full_disk_at_the_start_gives_up_the_reserve_for_the_repair)
{
    char before[8192];
    make_journal(3, 1);
    const size_t length = read_file("journal-2031-04-02.jsonl", before, sizeof before) - 7;
    write_file("journal-2031-04-02.jsonl", before, length);
    journal = (struct journal *)1;
    fault.room = 10;
    fault.reserve = 4096;
    fault.error = ENOSPC;
    const struct journal_options options = { .dir = dir, .boot = "b", .now = now };
    struct journal *other = NULL;
    ck_assert_int_eq(journal_open(&other, &options, NULL, NULL, &report, &problem), ERR_NONE);
    clear_faults();
    journal = other;
    ck_assert(report.torn);
    check_whole(3);
}
END_TEST

/* Oldest first, and an end where one stays: never a hole. */
START_TEST(a_segment_that_cannot_be_removed_leaves_no_hole)
{
    keep_days = 2;
    must_open();
    for (int day = 0; day < 3; day++) {
        now.civil.ms = DAY_ONE_MS + day * DAY_MS;
        now.mono.ms += DAY_MS;
        ck_assert(wait_synced(must_append(1)));
    }
    fault.fail_from[CALL_UNLINK] = 1;
    fault.fail_count[CALL_UNLINK] = _i; /* all of them, or the first only */
    fault.error = EACCES;
    for (int day = 3; day < 7; day++) {
        now.civil.ms = DAY_ONE_MS + day * DAY_MS;
        now.mono.ms += DAY_MS;
        must_append(1);
        ck_assert(wait_synced(journal_tip(journal).seq));
    }
    close_journal();
    scan();
    ck_assert(!report.damaged && exists("journal-2031-04-02.jsonl"));
    fault.done[CALL_UNLINK] = 0;
    must_open(); /* tried again, all four at once, and once more in vain */
    close_journal();
    scan();
    ck_assert(!report.damaged && exists("journal-2031-04-02.jsonl"));
    ck_assert(exists("journal-2031-04-03.jsonl"));
    clear_faults();
    must_open();
    close_journal();
    ck_assert(!exists("journal-2031-04-02.jsonl") && !exists("journal-2031-04-05.jsonl"));
    scan();
    ck_assert(!report.damaged && report.segments == 3);
}
END_TEST

/* --- the process dies ------------------------------------------------------------------------- */

/* Torn tail to repair, twelve records over three days, pruning: everything that reaches the disk.
 * Each record that is said to be on disk is told to the parent. */
static void live(int tell)
{
    keep_days = 2;
    now.civil.ms = DAY_ONE_MS + 5 * DAY_MS;
    const struct journal_options options = {
        .dir = dir, .keep_days = keep_days, .boot = "boot-2", .now = now
    };
    journal = (struct journal *)1; /* the faults are on, from the first call */
    struct journal *opened = NULL;
    if (journal_open(&opened, &options, NULL, NULL, &report, &problem) != ERR_NONE) _exit(3);
    journal = opened;
    for (int n = 0; n < 12; n++) {
        int64_t seq = 0;
        if (n % 4 == 3) now.civil.ms += DAY_MS;
        if (n % 4 == 3) now.mono.ms += DAY_MS;
        if (append(n, &seq) != ERR_NONE) _exit(4);
        if (n % 3 != 0) continue; /* some are synced together */
        if (!wait_synced(seq)) _exit(5);
        (void)!syscall(SYS_write, tell, &seq, sizeof seq);
    }
    journal_close(opened);
    _exit(0);
}

static void before_the_crash(void)
{
    char bytes[8192];
    clear_faults();
    clear_dir();
    keep_days = 2;
    now = (struct now){ .mono = { 5000 }, .civil = { DAY_ONE_MS }, .clock = CLOCK_SYNCED };
    make_journal(6, 3);
    const size_t length = read_file("journal-2031-04-04.jsonl", bytes, sizeof bytes);
    write_file("journal-2031-04-04.jsonl", bytes, length - 20);
}

/* INV-7. At every call that reaches the disk in turn, with half a write done or none: what was said
 * to be on disk is there, and nothing is damaged. */
START_TEST(killed_at_any_call_no_record_is_lost_that_was_said_to_be_on_disk)
{
    bool finished = false;
    int kills = 0;
    for (int64_t kill_at = 1; !finished; kill_at++) {
        int pipe_fd[2], status = 0;
        int64_t acked = 0, seq;
        before_the_crash();
        ck_assert_int_eq(pipe(pipe_fd), 0);
        const pid_t child = fork();
        if (child == 0) {
            close(pipe_fd[0]);
            fault.kill_at = kill_at;
            fault.half = _i == 1;
            live(pipe_fd[1]);
        }
        close(pipe_fd[1]);
        while (read(pipe_fd[0], &seq, sizeof seq) == (ssize_t)sizeof seq) {
            acked = seq;
        }
        close(pipe_fd[0]);
        ck_assert_int_eq(waitpid(child, &status, 0), child);
        finished = WIFEXITED(status);
        if (finished) ck_assert_int_eq(WEXITSTATUS(status), 0);
        kills += !finished;

        now.civil.ms = DAY_ONE_MS + 9 * DAY_MS;
        must_open();
        ck_assert_msg(!report.damaged, "killed at %d: %s: %s", (int)kill_at, report.problem.where,
            report.problem.text);
        ck_assert_int_ge(report.tip.seq, acked);
        ck_assert_int_ge(report.tip.seq, 5);
        must_append(1);
        close_journal();
        scan();
        ck_assert_msg(!report.damaged && !report.torn, "killed at %d", (int)kill_at);
    }
    ck_assert_int_gt(kills, 30);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("journal_fault");
    tcase_set_timeout(t, 100);
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_add_loop_test(t, a_write_that_fails_latches_and_leaves_no_half_record, 0, 3);
    tcase_add_test(t, a_write_that_was_interrupted_or_short_goes_on);
    tcase_add_test(t, a_short_write_then_an_error_is_cut_back_to_the_last_whole_record);
    tcase_add_test(t, what_cannot_be_cut_back_is_repaired_at_the_next_start);
    tcase_add_loop_test(t, on_a_full_disk_the_reserve_takes_the_last_records, 0, 2);
    tcase_add_loop_test(t, with_room_again_the_journal_goes_on_by_itself, 0, 2);
    tcase_add_test(t, what_did_not_sync_stays_refused_whatever_room_there_is);
    tcase_add_loop_test(t, a_sync_that_fails_is_never_tried_again, 0, 2);
    tcase_add_test(t, while_a_sync_hangs_records_are_taken_and_not_said_to_be_on_disk);
    tcase_add_test(t, closing_syncs_first);
    tcase_add_test(t, a_new_segment_is_on_disk_only_after_the_rest_of_the_old_one);
    tcase_add_test(t, opening_syncs_what_an_earlier_run_may_have_left);
    tcase_add_test(t, without_a_new_segment_the_old_one_goes_on);
    tcase_add_loop_test(t, a_tail_that_cannot_be_kept_is_not_cut_off, 0, 2);
    tcase_add_test(t, a_full_disk_at_the_start_gives_up_the_reserve_for_the_repair);
    tcase_add_loop_test(t, a_segment_that_cannot_be_removed_leaves_no_hole, 0, 2);
    tcase_add_loop_test(t, killed_at_any_call_no_record_is_lost_that_was_said_to_be_on_disk, 0, 2);
    return run_case(t, "journal_fault");
}
