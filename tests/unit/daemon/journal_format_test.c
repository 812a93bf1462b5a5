/* Versions of the journal: written, gone on from, refused. */
#include "tests/unit/daemon/journal_fixture.h"

static char before[32768], after[32768];

static const char day_one[] = "journal-2031-04-02.jsonl", day_two[] = "journal-2031-04-03.jsonl",
                  second[] = "journal-2031-04-02-2.jsonl";

/* How many lines of the file say so, and whether its first does. */
static int count_format(const char *name, int version, bool *ret_first)
{
    static char text[32768];
    char wanted[32];
    int count = 0;
    text[read_file(name, text, sizeof text - 1)] = '\0';
    snprintf(wanted, sizeof wanted, "\"format\":%d,", version);
    for (const char *at = strstr(text, wanted); at; at = strstr(at + 1, wanted)) {
        count++;
    }
    const char *found = strstr(text, wanted), *feed = strchr(text, '\n');
    *ret_first = found && feed && found < feed;
    return count;
}

static size_t read_text(const char *name, char *ret, size_t room)
{
    const size_t length = read_file(name, ret, room - 1);
    ret[length] = '\0';
    return length;
}

/* A segment by another program: 'count' records, the first with a version (0: none). */
static void write_segment(const char *name, struct link_tip *tip, int count, int64_t version)
{
    char text[16384];
    struct text all = text_over(text, sizeof text);
    const struct link_stamp stamp = { .now = now, .boot = "boot-0" };
    for (int i = 0; i < count; i++) {
        char buffer[RECORD_LINE_MAX];
        struct text line = text_over(buffer, sizeof buffer);
        struct record r;
        record_start(&r, "dose");
        record_add_int(&r, "ul", 100);
        if (i == 0 && version > 0) record_add_int(&r, "format", version);
        ck_assert_int_eq(link_seal(tip, &r, &stamp, journal_sha256, &line), ERR_NONE);
        text_add(&all, buffer);
    }
    ck_assert(!all.cut);
    write_file(name, text, all.length);
}

START_TEST(the_first_record_of_each_segment_tells_the_version)
{
    bool first;
    make_journal(6, 2);
    ck_assert_int_eq(count_format(day_one, JOURNAL_FORMAT, &first), 1);
    ck_assert(first);
    ck_assert_int_eq(count_format(day_two, JOURNAL_FORMAT, &first), 1);
    ck_assert(first);
    must_open(); /* it is gone on with */
    must_append(1);
    ck_assert_int_eq(report.segments, 2);
    close_journal();
    ck_assert_int_eq(count_format(day_two, JOURNAL_FORMAT, &first), 1);
}
END_TEST

/* As large as a record may be, in members or in text: the version has one of its own. */
START_TEST(a_first_record_without_room_has_the_version_before_it)
{
    struct record r;
    int64_t seq = 0;
    bool first;
    char text[501];
    must_open();
    record_start(&r, "dose");
    memset(text, 'x', sizeof text - 1);
    text[sizeof text - 1] = '\0';
    if (_i == 1) record_add_text(&r, "a", text);
    if (_i == 1) record_add_text(&r, "b", "xxxxxxxxxxxxxxxx");
    while (_i == 0 && r.count < RECORD_FIELDS_MAX - 7) { /* the header's */
        const char key[] = { 'k', (char)('a' + r.count % 26), (char)('a' + r.count / 26), '\0' };
        record_add_int(&r, key, 1);
    }
    ck_assert_int_eq(journal_append(journal, &r, now, &seq, NULL, &problem), ERR_NONE);
    ck_assert_int_eq(seq, 2);
    close_journal();
    ck_assert_int_eq(count_format(day_one, JOURNAL_FORMAT, &first), 1);
    ck_assert(first);
    scan();
    ck_assert(report.records == 2 && !report.damaged);
}
END_TEST

START_TEST(an_old_journal_is_kept_as_it_is_and_gone_on_from)
{
    struct link_tip tip = link_start();
    bool first;
    write_segment(day_one, &tip, 4, _i); /* without a version, or with 1 */
    const size_t length = read_file(day_one, before, sizeof before);
    must_open();
    ck_assert(visited == 4 && visited_ul == 400 && !report.damaged);
    ck_assert(journal_turned(journal));
    ck_assert_int_eq(must_append(50), 5);
    close_journal();
    ck_assert_uint_eq(read_file(day_one, after, sizeof after), length);
    ck_assert_mem_eq(before, after, length);
    ck_assert_int_eq(count_format(second, JOURNAL_FORMAT, &first), 1);
    ck_assert(first);
    scan();
    ck_assert(report.records == 5 && report.segments == 2 && !report.damaged && !report.torn);
    must_open(); /* once is enough */
    ck_assert(visited == 5 && !journal_turned(journal) && report.segments == 2);
    close_journal();
}
END_TEST

/* Its torn end is set aside first, as any. */
START_TEST(an_old_journal_with_a_torn_end_too)
{
    struct link_tip tip = link_start();
    write_segment(day_one, &tip, 3, 0);
    size_t length = read_text(day_one, before, sizeof before);
    write_file(day_one, before, length - 40);
    must_open();
    ck_assert(report.torn && !report.damaged && visited == 2);
    must_append(1);
    close_journal();
    scan();
    ck_assert(!report.torn && !report.damaged && report.segments == 2 && report.records == 4);
}
END_TEST

START_TEST(a_newer_one_is_refused_in_words_and_left_alone)
{
    struct link_tip tip = link_start();
    if (_i > 0) write_segment(day_one, &tip, 3, _i == 1 ? 0 : JOURNAL_FORMAT);
    write_segment(day_two, &tip, 2, JOURNAL_FORMAT + 1);
    const size_t length = read_file(day_two, before, sizeof before);
    ck_assert_int_eq(open_journal(), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.where, day_two));
    ck_assert_ptr_nonnull(strstr(problem.text, "newer dosewright"));
    ck_assert_ptr_nonnull(strstr(problem.text, "format 3"));
    ck_assert_ptr_nonnull(strstr(problem.text, "reads up to 2"));
    ck_assert_int_eq(journal_scan(dir, NULL, NULL, &report, &problem), ERR_RANGE);
    ck_assert_uint_eq(read_file(day_two, after, sizeof after), length);
    ck_assert_mem_eq(before, after, length);
    ck_assert(!exists(second) && !exists("journal-2031-04-03-2.jsonl"));
}
END_TEST

/* One that can't be believed is damage, not a version. */
START_TEST(a_version_that_was_changed_is_damage)
{
    make_journal(4, 1);
    const size_t length = read_text(day_one, before, sizeof before);
    strstr(before, "\"format\":2")[9] = '9';
    write_file(day_one, before, length);
    must_open();
    ck_assert(report.damaged && visited == 3);
    close_journal();
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("journal format");
    tcase_add_checked_fixture(t, make_dir, remove_dir);
    tcase_add_test(t, the_first_record_of_each_segment_tells_the_version);
    tcase_add_loop_test(t, a_first_record_without_room_has_the_version_before_it, 0, 2);
    tcase_add_loop_test(t, an_old_journal_is_kept_as_it_is_and_gone_on_from, 0, 2);
    tcase_add_test(t, an_old_journal_with_a_torn_end_too);
    tcase_add_loop_test(t, a_newer_one_is_refused_in_words_and_left_alone, 0, 3);
    tcase_add_test(t, a_version_that_was_changed_is_damage);
    return run_case(t, "journal format");
}
