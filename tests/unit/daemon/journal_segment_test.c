/* Segments: what a file's name says, and a directory that can't be read. */
#include "daemon/journal/journal_segment.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tests/unit/support.h"

/* A clock before 1970, or beyond what a name can say, gives the day at that end. */
START_TEST(every_instant_has_a_day)
{
    ck_assert_int_eq(segment_day((struct civil){ -1 }), 0);
    ck_assert_int_eq(segment_day((struct civil){ INT64_MIN }), 0);
    ck_assert_int_eq(segment_day((struct civil){ DAY_MS }), 1);
    const int64_t last = segment_day((struct civil){ INT64_MAX });
    char name[SEGMENT_NAME_MAX];
    segment_name(name, &(struct segment){ .day = last, .number = 999999999 });
    ck_assert_str_eq(name, "journal-9999-12-31-999999999.jsonl");
    struct segment back;
    ck_assert(segment_read_name(&back, name));
    ck_assert(back.day == last && back.number == 999999999);
}
END_TEST

START_TEST(a_name_is_taken_to_the_letter)
{
    static const char *const no[] = { "journal-2031-04-02-1:.jsonl", "journal-2031-04-02-1/.jsonl",
        "journal-2031-04-02-2a.jsonl", "journal-2031-04-02-20000000000000000000000000.jsonl",
        "journal-2031-04-0.jsonl", "journal-2031-04-02-.jsonl", "journal-2031-04-02-01.jsonl",
        "journal-2031-04-02-1.jsonl", "journal-2031-04-02x2.jsonl", "journal-2031-02-30.jsonl",
        "journbl-2031-04-02.jsonl", "journal-2031-04-02.jsonk", "" };
    struct segment s = { .day = 7, .number = 9 };
    for (size_t i = 0; i < sizeof no / sizeof *no; i++) {
        ck_assert_msg(!segment_read_name(&s, no[i]), "%s was taken", no[i]);
    }
    ck_assert(s.day == 7 && s.number == 9); /* left alone */
}
END_TEST

START_TEST(segments_are_dropped_from_the_front)
{
    struct segments list = { 0 };
    for (int64_t n = 0; n < 130; n++) {
        ck_assert(segments_add(&list, &(struct segment){ .day = n, .number = 1 }));
    }
    segments_drop(&list, 0);
    ck_assert_uint_eq(list.count, 130);
    segments_drop(&list, 100);
    ck_assert_uint_eq(list.count, 30);
    ck_assert_int_eq(list.item[0].day, 100);
    segments_free(&list);
}
END_TEST

START_TEST(there_are_at_most_so_many_segments)
{
    struct segments full = { .count = SEGMENTS_MAX, .room = SEGMENTS_MAX + 1 };
    ck_assert(!segments_add(&full, &(struct segment){ .day = 1, .number = 1 }));
    ck_assert_uint_eq(full.count, SEGMENTS_MAX);
}
END_TEST

START_TEST(a_directory_that_cant_be_opened_is_an_error_not_an_empty_one)
{
    struct segments list = { 0 };
    struct problem problem;
    ck_assert_int_eq(segments_list(&list, -1, &problem), ERR_IO);
    ck_assert_uint_eq(list.count, 0);
    char place[256];
    test_place(place, sizeof place, "file");
    const int fd = open(place, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    ck_assert_int_ge(fd, 0);
    ck_assert_int_eq(segments_list(&list, fd, &problem), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.text, "directory"));
    close(fd);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("journal_segment");
    tcase_add_test(t, every_instant_has_a_day);
    tcase_add_test(t, a_name_is_taken_to_the_letter);
    tcase_add_test(t, segments_are_dropped_from_the_front);
    tcase_add_test(t, there_are_at_most_so_many_segments);
    tcase_add_test(t, a_directory_that_cant_be_opened_is_an_error_not_an_empty_one);
    return run_case(t, "journal_segment");
}
