#include "tests/unit/daemon/journal_fixture.h"

#include <sys/file.h>

/* FIPS 180-4's own example (the digest of "abc"), as NIST publishes it. */
START_TEST(the_hash_is_sha_256)
{
    uint8_t raw[LINK_HASH_BYTES];
    char hex[LINK_HASH_HEX];
    struct text t = text_over(hex, sizeof hex);
    journal_sha256("abc", 3, raw);
    text_add_hex(&t, raw, sizeof raw);
    ck_assert_str_eq(hex, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}
END_TEST

START_TEST(a_new_journal_begins_at_record_one)
{
    char line[RECORD_LINE_MAX], file[2 * RECORD_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    struct record r;
    int64_t seq = 0;
    must_open();
    ck_assert(report.records == 0 && report.segments == 0 && !report.torn && !report.damaged);
    ck_assert(journal_turned(journal) && !journal_turned(journal));
    record_start(&r, "start");
    record_add_truth(&r, "first", true);
    ck_assert_int_eq(journal_append(journal, &r, now, &seq, &t, &problem), ERR_NONE);
    ck_assert_int_eq(seq, 1);
    ck_assert(wait_synced(1));
    const size_t length = read_file("journal-2031-04-02.jsonl", file, sizeof file);
    ck_assert_uint_eq(length, t.length + 1);
    ck_assert_mem_eq(file, line, t.length);
    ck_assert_int_eq(file[length - 1], '\n');
    ck_assert_ptr_nonnull(strstr(line, "\"prev\":\"0000000000000000"));
    ck_assert_ptr_nonnull(strstr(line, "\"boot\":\"boot-1\",\"clock\":\"synced\""));
    ck_assert_ptr_nonnull(strstr(line, journal_tip(journal).hash));
    struct stat st;
    ck_assert(stat(at("reserve"), &st) == 0 && st.st_blocks * 512 >= 64 * 1024);
}
END_TEST

START_TEST(it_goes_on_where_it_was)
{
    must_open();
    for (int i = 1; i <= 5; i++) {
        ck_assert_int_eq(must_append(i * 100), i);
    }
    const struct link_tip tip = journal_tip(journal);
    close_journal();
    now.mono.ms += 1000;
    must_open();
    ck_assert_int_eq(visited, 5);
    ck_assert_int_eq(visited_ul, 1500);
    ck_assert_int_eq(report.records, 5);
    ck_assert_int_eq(report.segments, 1);
    ck_assert_int_eq(report.tip.seq, 5);
    ck_assert_str_eq(report.tip.hash, tip.hash);
    ck_assert_ptr_nonnull(strstr(last_line, tip.hash));
    ck_assert(!journal_turned(journal));
    ck_assert_int_eq(must_append(600), 6);
    ck_assert(wait_synced(6));
    scan();
    ck_assert(report.records == 6 && !report.torn && !report.damaged);
    ck_assert_int_eq(report.tip.seq, 6);
}
END_TEST

START_TEST(what_was_found_is_on_disk_too_before_it_is_said_to_be)
{
    make_journal(3, 1);
    must_open();
    ck_assert(wait_synced(3));
}
END_TEST

START_TEST(only_the_last_folder_is_made)
{
    char deeper[100];
    const struct journal_options options = { .dir = deeper, .boot = "b", .now = now };
    snprintf(deeper, sizeof deeper, "%s/a/b", dir);
    ck_assert_int_eq(journal_open(&journal, &options, NULL, NULL, &report, &problem), ERR_IO);
    ck_assert_str_eq(problem.where, deeper);
    deeper[strlen(deeper) - 2] = '\0';
    ck_assert_int_eq(journal_open(&journal, &options, NULL, NULL, &report, &problem), ERR_NONE);
    close_journal();
    static const char *const names[] = { "lock", "reserve", "journal-2031-04-02.jsonl" };
    for (int i = 0; i < 3; i++) {
        snprintf(path, sizeof path, "%s/%s", deeper, names[i]);
        ck_assert_int_eq(unlink(path), 0);
    }
    ck_assert_int_eq(rmdir(deeper), 0);
}
END_TEST

START_TEST(a_second_owner_is_refused_by_the_name_of_the_first)
{
    char pid[32];
    must_open();
    struct journal *first = journal;
    snprintf(pid, sizeof pid, "process %d)", (int)getpid());
    ck_assert_int_eq(open_journal(), ERR_BUSY);
    ck_assert_ptr_nonnull(strstr(problem.text, pid));
    ck_assert_str_eq(problem.where, dir);
    journal = first;
    must_append(1);
    close_journal();
    must_open();
    ck_assert_int_eq(visited, 1);
}
END_TEST

/* A lock that isn't ours leaves no pid behind; and words for it are still found. */
START_TEST(a_lock_without_a_name_is_refused_too)
{
    const int fd = open(at("lock"), O_RDWR | O_CREAT, 0640);
    ck_assert_int_eq(flock(fd, LOCK_EX), 0);
    ck_assert_int_eq(open_journal(), ERR_BUSY);
    ck_assert_ptr_null(strstr(problem.text, "process"));
    close(fd);
    must_open();
}
END_TEST

START_TEST(a_folder_in_which_everyone_may_write_is_refused)
{
    chmod(dir, 0777);
    ck_assert_int_eq(open_journal(), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.text, "everyone"));
    chmod(dir, 0770);
    must_open();
}
END_TEST

START_TEST(a_name_that_is_no_file_is_refused)
{
    ck_assert_int_eq(mkfifo(at("journal-2031-04-02.jsonl"), 0600), 0);
    ck_assert_int_eq(open_journal(), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.where, "/journal-2031-04-02.jsonl"));
    unlink(at("journal-2031-04-02.jsonl"));
    ck_assert_int_eq(symlink("/etc/passwd", at("journal-2031-04-02.jsonl")), 0);
    ck_assert_int_eq(open_journal(), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.text, "it isn't a plain file"));
    unlink(at("journal-2031-04-02.jsonl"));
    must_open();
}
END_TEST

START_TEST(a_record_that_fits_no_line_is_refused_and_nothing_else_is)
{
    struct record r;
    int64_t seq = 0;
    must_open();
    must_append(1);
    record_start(&r, "request");
    record_add_int(&r, "n", INT64_MAX);
    ck_assert_int_eq(journal_append(journal, &r, now, &seq, NULL, &problem), ERR_FULL);
    ck_assert(seq == 0 && !journal_failed(journal, &problem));
    ck_assert_int_eq(must_append(2), 2);
    close_journal();
    scan();
    ck_assert(report.records == 2 && !report.damaged);
}
END_TEST

/* --- segments --------------------------------------------------------------------------------- */

START_TEST(names_are_read_strictly_and_sort_by_date_and_number)
{
    static const char *const no[] = { "journal-2031-04-02.json", "journal-2031-04-02.jsonl~",
        "journal-2031-04-02-1.jsonl", "journal-2031-04-02-02.jsonl", "journal-2031-04-02-.jsonl",
        "journal-2031-02-30.jsonl", "journal-31-04-02.jsonl", "journal-2031-04-02 2.jsonl",
        "journal-2031-04-02-2a.jsonl", "Journal-2031-04-02.jsonl",
        "journal-2031-04-02.jsonl.torn-1", "journal-2031-04-02-1234567890.jsonl",
        "journal-2031-04-02-0.jsonl", "", "lock" };
    static const char *const yes[] = { "journal-2031-04-02.jsonl", "journal-2031-04-02-2.jsonl",
        "journal-2031-04-02-10.jsonl", "journal-2031-04-03.jsonl", "journal-2040-01-01-3.jsonl" };
    struct segment s;
    struct segments list;
    char name[SEGMENT_NAME_MAX];
    for (size_t i = 0; i < sizeof no / sizeof *no; i++) {
        ck_assert_msg(!segment_read_name(&s, no[i]), "%s was taken", no[i]);
    }
    for (size_t i = sizeof yes / sizeof *yes; i > 0; i--) {
        write_file(yes[i - 1], "", 0);
    }
    write_file("journal-2031-04-02-1.jsonl", "", 0);
    const int fd = open(dir, O_RDONLY | O_DIRECTORY);
    ck_assert_int_eq(segments_list(&list, fd, &problem), ERR_NONE);
    close(fd);
    ck_assert_uint_eq(list.count, sizeof yes / sizeof *yes);
    for (size_t i = 0; i < list.count; i++) {
        segment_name(name, &list.item[i]);
        ck_assert_str_eq(name, yes[i]);
    }
    segments_free(&list);
}
END_TEST

START_TEST(each_day_has_its_segment_and_the_chain_goes_through)
{
    must_open();
    ck_assert(journal_turned(journal));
    for (int day = 0; day < 4; day++) {
        now.civil.ms = DAY_ONE_MS + day * DAY_MS + DAY_MS - 1;
        now.mono.ms += DAY_MS;
        must_append(1);
        ck_assert_int_eq(journal_turned(journal), day > 0);
        must_append(2);
        ck_assert(!journal_turned(journal));
        ck_assert(wait_synced(journal_tip(journal).seq));
    }
    close_journal();
    ck_assert(exists("journal-2031-04-02.jsonl") && exists("journal-2031-04-05.jsonl"));
    scan();
    ck_assert(report.segments == 4 && report.records == 8 && !report.damaged && !report.torn);
    now.civil.ms += 1; /* the first instant of the day after */
    must_open();
    ck_assert(exists("journal-2031-04-06.jsonl") && journal_turned(journal));
}
END_TEST

/* INV-10: names follow the chain, whatever the clock says. */
START_TEST(a_clock_that_steps_back_never_makes_an_earlier_name)
{
    must_open();
    must_append(1);
    now.civil.ms = 5; /* 1970: the board has no clock battery */
    now.clock = CLOCK_UNSET;
    must_append(2);
    close_journal();
    now.mono.ms = 100;
    must_open();
    must_append(3);
    ck_assert(!exists("journal-1970-01-01.jsonl"));
    now.mono.ms += DAY_MS - 1;
    must_append(4);
    ck_assert(!exists("journal-2031-04-02-2.jsonl"));
    now.mono.ms += 1; /* a day of running in that segment */
    must_append(5);
    ck_assert(exists("journal-2031-04-02-2.jsonl"));
    ck_assert(wait_synced(5));
    now.mono.ms += DAY_MS;
    must_append(6);
    ck_assert(exists("journal-2031-04-02-3.jsonl"));
    ck_assert(wait_synced(6));
    now.civil.ms = DAY_ONE_MS + DAY_MS; /* right again */
    must_append(7);
    ck_assert(exists("journal-2031-04-03.jsonl"));
    close_journal();
    scan();
    ck_assert(report.records == 7 && report.segments == 4 && !report.damaged);
}
END_TEST

START_TEST(a_first_start_without_a_clock_has_a_place_in_the_order_too)
{
    now.civil.ms = 5;
    now.clock = CLOCK_UNSET;
    must_open();
    must_append(1);
    ck_assert(exists("journal-1970-01-01.jsonl"));
    now.civil.ms = DAY_ONE_MS;
    must_append(2);
    ck_assert(exists("journal-2031-04-02.jsonl"));
    close_journal();
    scan();
    ck_assert(report.records == 2 && !report.damaged);
}
END_TEST

/* --- pruning ---------------------------------------------------------------------------------- */

/* Days of running, one record each. */
static void run_days(int from, int count)
{
    for (int day = from; day < from + count; day++) {
        now.civil.ms = DAY_ONE_MS + day * DAY_MS;
        now.mono.ms += DAY_MS;
        must_append(1);
        must_settle();
    }
}

START_TEST(what_is_older_than_keep_days_goes_and_the_chain_still_verifies)
{
    keep_days = 3;
    must_open();
    run_days(0, 4);
    ck_assert(exists("journal-2031-04-02.jsonl"));
    write_file("journal-2031-04-02.jsonl.torn-1", "x", 1);
    write_file("journal-2031-04-03.jsonl.torn-1", "x", 1);
    run_days(4, 1);
    close_journal();
    ck_assert(!exists("journal-2031-04-02.jsonl") && !exists("journal-2031-04-02.jsonl.torn-1"));
    ck_assert(exists("journal-2031-04-03.jsonl") && exists("journal-2031-04-03.jsonl.torn-1"));
    scan();
    ck_assert_msg(!report.damaged && !report.torn, "%s", report.problem.text);
    ck_assert_int_eq(report.segments, 4);
    ck_assert_int_eq(report.records, 5); /* four days' and the 'pruned' record */
    must_open();
    ck_assert(!report.damaged && visited == 5);
    run_days(5, 20);
    close_journal();
    scan();
    ck_assert(!report.damaged && report.segments == 4);
}
END_TEST

/* Defect: a reload with other keep_days went on with the former ones until the next start, and
 * removed what the file in force wanted kept. */
START_TEST(other_keep_days_hold_at_once)
{
    keep_days = 3;
    must_open();
    run_days(0, 4);
    journal_keep(journal, 30, now);
    run_days(4, 4);
    ck_assert(exists("journal-2031-04-02.jsonl"));
    journal_keep(journal, 3, now);
    must_settle();
    ck_assert(!exists("journal-2031-04-05.jsonl") && exists("journal-2031-04-06.jsonl"));
    journal_keep(journal, 0, now); /* two days are the least */
    must_settle();
    ck_assert(!exists("journal-2031-04-06.jsonl") && exists("journal-2031-04-07.jsonl"));
    close_journal();
    scan();
    ck_assert_msg(!report.damaged, "%s", report.problem.text);
    ck_assert_int_eq(report.segments, 3);
}
END_TEST

START_TEST(a_segment_that_is_missing_without_a_pruned_record_is_damage)
{
    keep_days = 3;
    must_open();
    run_days(0, 8);
    close_journal();
    scan();
    ck_assert(!report.damaged);
    ck_assert_int_eq(unlink(at("journal-2031-04-06.jsonl")), 0);
    scan();
    ck_assert(report.damaged);
    ck_assert_str_eq(report.problem.where, "journal-2031-04-07.jsonl:1");
    must_open(); /* told once, and then known */
    ck_assert(report.damaged && journal_turned(journal));
    close_journal();
    must_open();
    ck_assert(!report.damaged);
    close_journal();
    scan();
    ck_assert(report.damaged);
}
END_TEST

/* A power cut between the record and the last removal leaves more than was wanted, in one piece. */
START_TEST(a_pruning_that_was_interrupted_is_whole)
{
    char first[4096], second[4096];
    keep_days = 2;
    must_open();
    run_days(0, 2);
    const size_t a = read_file("journal-2031-04-02.jsonl", first, sizeof first);
    const size_t b = read_file("journal-2031-04-03.jsonl", second, sizeof second);
    run_days(2, 3);
    close_journal();
    ck_assert(!exists("journal-2031-04-02.jsonl") && !exists("journal-2031-04-03.jsonl"));
    write_file("journal-2031-04-03.jsonl", second, b);
    scan();
    ck_assert(!report.damaged);
    write_file("journal-2031-04-02.jsonl", first, a);
    scan();
    ck_assert(!report.damaged);
    unlink(at("journal-2031-04-03.jsonl")); /* but not with a hole in it */
    scan();
    ck_assert(report.damaged);
    unlink(at("journal-2031-04-02.jsonl"));
    must_open();
    ck_assert(!report.damaged);
}
END_TEST

/* INV-10, once more: years ahead by a wrong answer, and back. */
START_TEST(a_clock_that_jumps_ahead_empties_nothing)
{
    keep_days = 3;
    must_open();
    run_days(0, 3);
    run_days(30000, 1);
    ck_assert(exists("journal-2031-04-02.jsonl"));
    run_days(3, 1); /* back again: by the count there are still no more than four */
    ck_assert(exists("journal-2031-04-02.jsonl"));
    close_journal();
    must_open();
    now.clock = CLOCK_UNSET;
    run_days(30001, 4);
    ck_assert(exists("journal-2031-04-02.jsonl"));
    now.clock = CLOCK_FREE;
    run_days(30005, 1);
    close_journal();
    ck_assert(!exists("journal-2031-04-02.jsonl"));
    scan();
    ck_assert(!report.damaged && report.segments == 4);
}
END_TEST

/* The clock was a lifetime ahead and is right again: its segments' names say nothing of their age,
 * and must not stay for a lifetime. */
START_TEST(segments_named_in_the_future_are_pruned_by_their_number)
{
    keep_days = 3;
    must_open();
    run_days(30000, 1);
    run_days(0, 12);
    close_journal();
    scan();
    ck_assert(!report.damaged && report.segments == 4);
}
END_TEST

/* Found by a seeded world: each jump ahead begins a file, and the doses of the last day were
 * pruned. */
START_TEST(a_clock_that_jumps_about_within_a_day_prunes_nothing) /* _i == 1: with a start between */
{
    keep_days = 3;
    must_open();
    must_append(1);
    must_settle();
    for (int jump = 1; jump <= 20; jump++) {
        now.civil.ms = DAY_ONE_MS + jump * 30 * DAY_MS;
        now.mono.ms += HOUR_MS;
        must_append(1);
        must_settle();
        if (_i == 1 && jump == 10) close_journal();
        if (_i == 1 && jump == 10) must_open();
    }
    ck_assert(exists("journal-2031-04-02.jsonl"));
    run_days(700, 2); /* two days of running later they may go */
    close_journal();
    ck_assert(!exists("journal-2031-04-02.jsonl"));
    scan();
    ck_assert(!report.damaged);
}
END_TEST

START_TEST(at_least_two_days_are_kept)
{
    keep_days = 0;
    must_open();
    run_days(0, 6);
    close_journal();
    scan();
    ck_assert_int_eq(report.segments, 3);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("journal_file");
    tcase_set_timeout(t, 60);
    tcase_add_checked_fixture(t, make_dir, remove_dir);
    tcase_add_test(t, the_hash_is_sha_256);
    tcase_add_test(t, a_new_journal_begins_at_record_one);
    tcase_add_test(t, it_goes_on_where_it_was);
    tcase_add_test(t, what_was_found_is_on_disk_too_before_it_is_said_to_be);
    tcase_add_test(t, only_the_last_folder_is_made);
    tcase_add_test(t, a_second_owner_is_refused_by_the_name_of_the_first);
    tcase_add_test(t, a_lock_without_a_name_is_refused_too);
    tcase_add_test(t, a_folder_in_which_everyone_may_write_is_refused);
    tcase_add_test(t, a_name_that_is_no_file_is_refused);
    tcase_add_test(t, a_record_that_fits_no_line_is_refused_and_nothing_else_is);
    tcase_add_test(t, names_are_read_strictly_and_sort_by_date_and_number);
    tcase_add_test(t, each_day_has_its_segment_and_the_chain_goes_through);
    tcase_add_test(t, a_clock_that_steps_back_never_makes_an_earlier_name);
    tcase_add_test(t, a_first_start_without_a_clock_has_a_place_in_the_order_too);
    tcase_add_test(t, what_is_older_than_keep_days_goes_and_the_chain_still_verifies);
    tcase_add_test(t, other_keep_days_hold_at_once);
    tcase_add_test(t, a_segment_that_is_missing_without_a_pruned_record_is_damage);
    tcase_add_test(t, a_pruning_that_was_interrupted_is_whole);
    tcase_add_test(t, a_clock_that_jumps_ahead_empties_nothing);
    tcase_add_test(t, segments_named_in_the_future_are_pruned_by_their_number);
    tcase_add_loop_test(t, a_clock_that_jumps_about_within_a_day_prunes_nothing, 0, 2);
    tcase_add_test(t, at_least_two_days_are_kept);
    return run_case(t, "journal_file");
}
