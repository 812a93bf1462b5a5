/* What is made of a journal that isn't as it was written. INV-7: a torn last line is repaired and
 * noted, anything else is reported, and nothing is overwritten. */
#include "tests/unit/daemon/journal_pieces.h"

static char found[ROOM];

/* --- torn tails ------------------------------------------------------------------------------- */

START_TEST(what_was_set_aside_before_is_not_overwritten)
{
    make_journal(2, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    write_file("journal-2031-04-02.jsonl.torn-1", "precious", 8);
    write_file(day_one, kept, length - 3);
    must_open();
    ck_assert(report.torn);
    ck_assert_uint_eq(read_file("journal-2031-04-02.jsonl.torn-1", found, ROOM), 8);
    ck_assert(exists("journal-2031-04-02.jsonl.torn-2"));
}
END_TEST

/* A block that never reached the disk reads as zeros, and the line feed after it may be there. */
START_TEST(a_last_line_with_a_hole_is_torn)
{
    make_journal(3, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    const size_t start = line_start(kept, length, 3);
    memset(kept + start + 40, 0, 100);
    write_file(day_one, kept, length);
    must_open();
    ck_assert(report.torn && !report.damaged && report.records == 2);
    ck_assert_int_eq(report.torn_bytes, length - start);
    close_journal();
    scan();
    ck_assert(!report.damaged && !report.torn);
}
END_TEST

START_TEST(a_long_hole_at_the_end_is_torn)
{
    make_journal(3, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    memset(kept + length, 0, ROOM - length);
    kept[ROOM - 1] = '\n';
    for (int ended = 0; ended < 2; ended++) {
        clear_dir();
        write_file(day_one, kept, (size_t)(ROOM - 1 + ended));
        must_open();
        ck_assert(report.torn && !report.damaged && report.records == 3);
        ck_assert_int_eq(report.torn_bytes, (int64_t)ROOM - 1 + ended - (int64_t)length);
        close_journal();
        scan();
        ck_assert(!report.damaged && !report.torn && report.records == 4);
    }
}
END_TEST

/* The tail of a record after a hole, wherever the reader's buffer ends between them. */
START_TEST(a_long_hole_with_the_end_of_a_record_after_it_is_torn)
{
    make_journal(3, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    for (size_t hole = 65528; hole < 65544; hole++) {
        clear_dir();
        memset(kept + length, 0, hole);
        strcpy(kept + length + hole, ",\"ul\":2}\n");
        write_file(day_one, kept, length + hole + 9);
        scan();
        ck_assert(report.torn && !report.damaged && report.records == 3);
        ck_assert_int_eq(report.torn_bytes, hole + 9);
    }
}
END_TEST

/* Records as far as 'at' of the last segment, a hole of so many bytes, and what follows it. */
static void put_hole(size_t at_byte, int64_t hole, const char *after, size_t count)
{
    write_file(day_one, kept, at_byte);
    const int fd = open(at(day_one), O_WRONLY);
    ck_assert_int_eq(ftruncate(fd, (off_t)((int64_t)at_byte + hole)), 0);
    ck_assert_int_eq(pwrite(fd, after, count, (off_t)((int64_t)at_byte + hole)), (ssize_t)count);
    close(fd);
}

enum { MIB = 1 << 20 };

/* What a file's length says and nothing holds: it can't be read in any time that a start has. */
START_TEST(a_huge_hole_at_the_end_is_torn_and_takes_no_time)
{
    const int64_t hole = INT64_C(1) << 40;
    make_journal(3, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    put_hole(length, hole, "", 0);
    must_open();
    ck_assert(report.torn && !report.damaged && report.records == 3);
    ck_assert_int_eq(report.torn_bytes, hole);
    ck_assert_uint_le(read_file("journal-2031-04-02.jsonl.torn-1", found, ROOM), 65536);
    close_journal();
    scan();
    ck_assert(!report.damaged && !report.torn && report.records == 4);
}
END_TEST

/* A record after it isn't lost. */
START_TEST(a_huge_hole_between_records_is_damage_and_takes_no_time)
{
    make_journal(3, 1);
    const size_t length = read_file(day_one, kept, ROOM), third = line_start(kept, length, 3);
    put_hole(third, INT64_C(1) << 40, kept + third - 1, length - third + 1);
    scan();
    ck_assert(!report.torn && report.damaged && report.records == 3);
}
END_TEST

/* With a line feed after it all of it is kept, and takes no room. */
START_TEST(a_hole_that_is_set_aside_stays_one)
{
    struct stat st;
    make_journal(3, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    put_hole(length, 64 * MIB, "\n", 1);
    must_open();
    ck_assert(report.torn && !report.damaged && report.records == 3);
    ck_assert_int_eq(stat(at("journal-2031-04-02.jsonl.torn-1"), &st), 0);
    ck_assert_int_eq(st.st_size, 64 * MIB + 1);
    ck_assert_int_lt((int64_t)st.st_blocks * 512, MIB);
    close_journal();
    (void)read_file(day_one, found, ROOM); /* of as many zeros and a line feed, by sha256sum */
    ck_assert_ptr_nonnull(strstr(
        found, "\"sha256\":\"b0e4e2ad76aee3b399d05f8a1334e697d000775ee67d9c5542d36186925766ff\""));
}
END_TEST

/* At midnight: the new day's file is there already, and empty. */
START_TEST(the_tail_before_an_empty_last_segment_is_torn)
{
    make_journal(4, 2);
    const size_t length = read_file(day_two, kept, ROOM);
    write_file(day_two, kept, length - 5);
    write_file(day_three, "", 0);
    must_open();
    ck_assert(report.torn && !report.damaged && report.records == 3 && report.segments == 3);
    must_append(1);
    close_journal();
    scan();
    ck_assert(!report.torn && !report.damaged && report.records == 5);
}
END_TEST

START_TEST(the_tail_before_a_segment_with_records_is_damage)
{
    make_journal(6, 3);
    const size_t length = read_file(day_two, kept, ROOM);
    write_file(day_two, kept, length - 5);
    must_open();
    ck_assert(!report.torn && report.damaged);
    ck_assert_str_eq(report.problem.where, "journal-2031-04-03.jsonl:2");
    ck_assert_int_eq(visited, 5);
    ck_assert_uint_eq(read_file(day_two, found, ROOM), length - 5);
}
END_TEST

/* --- damage ----------------------------------------------------------------------------------- */

START_TEST(records_after_a_broken_place_are_still_read_and_it_is_told_once)
{
    make_journal(9, 3);
    const size_t length = read_file(day_two, kept, ROOM);
    kept[line_start(kept, length, 2) + 60] ^= 4;
    write_file(day_two, kept, length);
    must_open();
    ck_assert(report.damaged && !report.torn);
    ck_assert_str_eq(report.problem.where, "journal-2031-04-03.jsonl:2");
    ck_assert_int_eq(visited, 8);
    ck_assert_int_eq(visited_ul, 36 - 4);
    ck_assert_int_eq(report.tip.seq, 9);
    ck_assert(journal_turned(journal) && exists("journal-2031-04-04-2.jsonl"));
    ck_assert_int_eq(must_append(1), 11); /* 10 is the note */
    close_journal();
    ck_assert_uint_eq(read_file(day_two, found, ROOM), length);
    ck_assert_mem_eq(found, kept, length);
    must_open();
    ck_assert(!report.damaged && !journal_turned(journal) && visited == 10);
    close_journal();
    scan();
    ck_assert(report.damaged && report.records == 10);
}
END_TEST

START_TEST(the_damage_record_names_the_place)
{
    make_journal(9, 3);
    const size_t length = read_file(day_two, kept, ROOM);
    kept[line_start(kept, length, 2) + 60] ^= 4;
    write_file(day_two, kept, length);
    must_open();
    close_journal();
    scan();
    ck_assert_str_eq(newest("kind"), "damage");
    ck_assert_str_eq(newest("where"), "journal-2031-04-03.jsonl:2");
    ck_assert_str_eq(newest("after_seq"), "4");
    ck_assert_str_eq(newest("next_seq"), "6");
    ck_assert_str_eq(newest("seq"), "10");
}
END_TEST

START_TEST(damage_that_grows_is_told_again)
{
    make_journal(9, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    kept[line_start(kept, length, 4) + 60] ^= 4;
    write_file(day_one, kept, length);
    must_open();
    ck_assert(report.damaged);
    close_journal();
    must_open();
    ck_assert(!report.damaged);
    close_journal();
    kept[line_start(kept, length, 5) + 60] ^= 4;
    write_file(day_one, kept, length);
    must_open();
    ck_assert(report.damaged && visited == 9 - 2 + 1);
    close_journal();
    must_open();
    ck_assert(!report.damaged);
}
END_TEST

START_TEST(several_broken_places_are_each_noted)
{
    make_journal(20, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    for (int line = 2; line <= 18; line += 4) {
        kept[line_start(kept, length, line) + 60] ^= 4;
    }
    write_file(day_one, kept, length);
    must_open();
    ck_assert(report.damaged && visited == 15);
    ck_assert_int_eq(journal_tip(journal).seq, 25);
    close_journal();
    must_open();
    ck_assert(!report.damaged && visited == 20);
}
END_TEST

/* More than is remembered: never silent. */
START_TEST(a_journal_broken_all_over_is_damaged_at_every_opening)
{
    make_journal(300, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    for (int line = 2; line <= 298; line += 2) {
        kept[line_start(kept, length, line) + 60] ^= 4;
    }
    write_file(day_one, kept, length);
    for (int n = 0; n < 6; n++) {
        must_open();
        ck_assert(report.damaged && visited == 151 + (n < 4 ? n : 4) * 16);
        close_journal();
    }
}
END_TEST

START_TEST(lines_that_were_taken_out_doubled_or_swapped_are_damage)
{
    make_journal(6, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    const size_t third = line_start(kept, length, 3), fourth = line_start(kept, length, 4),
                 fifth = line_start(kept, length, 5);
    static const int records[] = { 5, 6, 5 };
    for (int n = 0; n < 3; n++) {
        size_t size = third;
        memcpy(found, kept, third);
        if (n == 1) { /* 3 3 4 */
            memcpy(found + size, kept + third, fourth - third);
            size += fourth - third;
        }
        if (n == 2) { /* 4 3 */
            memcpy(found + size, kept + fourth, fifth - fourth);
            size += fifth - fourth;
        }
        const size_t rest = n == 1 ? third : n == 2 ? third : fourth;
        const size_t until = n == 2 ? fourth : length;
        memcpy(found + size, kept + rest, until - rest);
        size += until - rest;
        if (n == 2) {
            memcpy(found + size, kept + fifth, length - fifth);
            size += length - fifth;
        }
        write_file(day_one, found, size);
        scan();
        ck_assert_msg(report.damaged, "case %d", n);
        ck_assert_int_eq(report.records, records[n]);
    }
}
END_TEST

START_TEST(a_segment_of_another_journal_is_damage)
{
    make_journal(6, 3);
    const size_t length = read_file(day_two, kept, ROOM);
    clear_dir();
    keep_days = 30;
    must_open();
    for (int i = 0; i < 6; i++) {
        now.civil.ms = DAY_ONE_MS + i / 2 * DAY_MS + 7;
        must_append(100 + i);
    }
    close_journal();
    scan();
    ck_assert(!report.damaged);
    write_file(day_two, kept, length);
    scan();
    ck_assert(report.damaged);
}
END_TEST

START_TEST(a_missing_segment_is_damage)
{
    make_journal(8, 4);
    read_file(day_two, kept, ROOM);
    unlink(at(day_two));
    scan();
    ck_assert(report.damaged && report.records == 6);
    ck_assert_str_eq(report.problem.where, "journal-2031-04-04.jsonl:1");
    must_open();
    ck_assert(report.damaged && visited == 6);
    close_journal();
    must_open();
    ck_assert(!report.damaged);
}
END_TEST

START_TEST(a_journal_of_rubbish_is_reported_and_begun_anew)
{
    memset(kept, 'x', ROOM);
    for (size_t n = 0; n < ROOM; n += 1000) {
        kept[n] = '\n';
    }
    for (size_t length = 19001; length < 19003; length++) { /* the second with a torn end, too */
        const bool torn = length > 19001;
        clear_dir();
        write_file(day_one, kept, length);
        must_open();
        ck_assert(report.damaged && report.records == 0 && report.torn == torn);
        must_append(1);
        close_journal();
        must_open();
        ck_assert(!report.damaged && visited == 2 + torn);
        close_journal();
        ck_assert_uint_ge(read_file(day_one, found, ROOM), 19001);
        ck_assert_mem_eq(found, kept, 19001);
    }
}
END_TEST

START_TEST(a_line_longer_than_the_buffer_is_damage_and_is_passed_over)
{
    make_journal(4, 2);
    const size_t length = read_file(day_one, kept, ROOM);
    memset(kept + length, 'x', 200000);
    kept[length + 200000] = '\n';
    write_file(day_one, kept, length + 200001);
    scan();
    ck_assert(report.damaged && report.records == 4);
    ck_assert_str_eq(report.problem.where, "journal-2031-04-02.jsonl:3");
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("journal_damage");
    tcase_set_timeout(t, 240);
    tcase_add_checked_fixture(t, make_dir, remove_dir);
    tcase_add_test(t, what_was_set_aside_before_is_not_overwritten);
    tcase_add_test(t, a_last_line_with_a_hole_is_torn);
    tcase_add_test(t, a_long_hole_at_the_end_is_torn);
    tcase_add_test(t, a_huge_hole_at_the_end_is_torn_and_takes_no_time);
    tcase_add_test(t, a_huge_hole_between_records_is_damage_and_takes_no_time);
    tcase_add_test(t, a_hole_that_is_set_aside_stays_one);
    tcase_add_test(t, a_long_hole_with_the_end_of_a_record_after_it_is_torn);
    tcase_add_test(t, the_tail_before_an_empty_last_segment_is_torn);
    tcase_add_test(t, the_tail_before_a_segment_with_records_is_damage);
    tcase_add_test(t, records_after_a_broken_place_are_still_read_and_it_is_told_once);
    tcase_add_test(t, the_damage_record_names_the_place);
    tcase_add_test(t, damage_that_grows_is_told_again);
    tcase_add_test(t, several_broken_places_are_each_noted);
    tcase_add_test(t, a_journal_broken_all_over_is_damaged_at_every_opening);
    tcase_add_test(t, lines_that_were_taken_out_doubled_or_swapped_are_damage);
    tcase_add_test(t, a_segment_of_another_journal_is_damage);
    tcase_add_test(t, a_missing_segment_is_damage);
    tcase_add_test(t, a_journal_of_rubbish_is_reported_and_begun_anew);
    tcase_add_test(t, a_line_longer_than_the_buffer_is_damage_and_is_passed_over);
    return run_case(t, "journal_damage");
}
