/* dosewright journal verify and show, by their exit codes and words. */
#include "tests/unit/daemon/journal_fixture.h"

#include <stdarg.h>
#include <sysexits.h>

#include "daemon/tool/cmd.h"

static char out[65536], err_out[8192];

static int catch (int to, const char *name)
{
    char file[128];
    snprintf(file, sizeof file, "%s.%s", dir, name);
    const int kept = dup(to), fd = open(file, O_RDWR | O_CREAT | O_TRUNC, 0600);
    dup2(fd, to);
    close(fd);
    return kept;
}

static void release(int to, int kept, const char *name, char *ret, size_t room)
{
    char file[128];
    snprintf(file, sizeof file, "%s.%s", dir, name);
    dup2(kept, to);
    close(kept);
    const int fd = open(file, O_RDONLY);
    const ssize_t n = read(fd, ret, room - 1);
    ret[n > 0 ? n : 0] = '\0';
    close(fd);
    unlink(file);
}

/* dosewright journal WORD ... NULL */
static int run(const char *first, ...)
{
    char *argv[16] = { (char *)"journal" };
    int argc = 1;
    va_list words;
    va_start(words, first);
    for (const char *word = first; word; word = va_arg(words, const char *)) {
        argv[argc++] = (char *)word;
    }
    va_end(words);
    fflush(stdout);
    fflush(stderr);
    const int kept_out = catch (1, "out"), kept_err = catch (2, "err");
    const int code = cmd_journal(argc, argv);
    fflush(stdout);
    fflush(stderr);
    release(1, kept_out, "out", out, sizeof out);
    release(2, kept_err, "err", err_out, sizeof err_out);
    return code;
}

static bool says(const char *words)
{
    return strstr(out, words) != NULL;
}

static void add(const char *kind, const char *text, int64_t number)
{
    struct record r;
    int64_t seq;
    record_start(&r, kind);
    record_add_text(&r, "text", text);
    record_add_int(&r, "ul", number);
    record_add_real(&r, "ec", 1.85, 2);
    record_add_truth(&r, "ok", number % 2 == 0);
    ck_assert_int_eq(journal_append(journal, &r, now, &seq, NULL, &problem), ERR_NONE);
}

/* Five records; the fifth by a clock that nothing keeps in step. */
static void make_five(void)
{
    must_open();
    add("dose", "lettuce-wall", 100);
    add("outcome", "two words", 101);
    add("alert",
        "kr\xc3\xa4uter \"x\" \x1b[31m \xc2\x9b"
        "1m",
        102);
    add("dose", "", 103);
    now.clock = CLOCK_FREE;
    add("dose", "basil", 104);
    close_journal();
}

START_TEST(a_whole_journal_is_verified_with_0)
{
    make_five();
    scan();
    ck_assert_int_eq(run("verify", dir, NULL), 0);
    ck_assert(says("whole: 5 records in 1 segment; tip 5 ") && says(report.tip.hash));
    ck_assert_str_eq(err_out, "");
    ck_assert_int_eq(run("verify", dir, "--json", NULL), 0);
    ck_assert(says("{\"broken\":[],\"broken_count\":0,\"first_seq\":1,\"hash\":\""));
    ck_assert(says("\",\"records\":5,\"segments\":1,\"seq\":5,\"torn_bytes\":0,\"whole\":true}\n"));
}
END_TEST

START_TEST(a_journal_in_use_can_be_verified)
{
    must_open();
    must_append(1);
    ck_assert_int_eq(run("verify", dir, NULL), 0);
    must_append(2);
    ck_assert_int_eq(run("verify", dir, NULL), 0);
    ck_assert(says("whole: 2 records"));
}
END_TEST

START_TEST(damage_is_told_by_file_and_line_with_1)
{
    char bytes[8192];
    make_five();
    const size_t length = read_file("journal-2031-04-02.jsonl", bytes, sizeof bytes);
    strstr(bytes, "two words")[1] = 'v';
    write_file("journal-2031-04-02.jsonl", bytes, length);
    ck_assert_int_eq(run("verify", dir, NULL), 1);
    ck_assert(says("journal-2031-04-02.jsonl:2: its hash isn't that of its content: the record was "
                   "changed (last good record before it 1, next good one 3)\n"));
    ck_assert(says("not whole: 4 records in 1 segment; tip 5 "));
    ck_assert_int_eq(run("verify", "--json", dir, NULL), 1);
    ck_assert(
        says("{\"broken\":[{\"after_seq\":1,\"next_seq\":3,\"noted_by\":0,\"text\":\"its hash"));
    ck_assert(says("\"where\":\"journal-2031-04-02.jsonl:2\"}],\"broken_count\":1,"));
    ck_assert(says(",\"whole\":false}\n"));
    ck_assert_int_eq(run("show", dir, NULL), 1);
    ck_assert(!says("tvo words") && says(" 3 alert"));
    ck_assert_ptr_nonnull(strstr(err_out, "journal-2031-04-02.jsonl:2: its hash"));
    must_open();
    close_journal();
    ck_assert_int_eq(run("verify", dir, NULL), 1); /* noted isn't whole */
    ck_assert(says("; noted by record 6)"));
}
END_TEST

START_TEST(a_record_out_of_form_is_told_by_its_byte)
{
    char bytes[8192];
    make_five();
    const size_t length = read_file("journal-2031-04-02.jsonl", bytes, sizeof bytes);
    bytes[0] = '[';
    write_file("journal-2031-04-02.jsonl", bytes, length);
    ck_assert_int_eq(run("verify", dir, NULL), 1);
    ck_assert(says("journal-2031-04-02.jsonl:1: byte 1: an opening brace was due"));
}
END_TEST

START_TEST(a_torn_tail_is_told_with_1)
{
    char bytes[8192];
    make_five();
    const size_t length = read_file("journal-2031-04-02.jsonl", bytes, sizeof bytes);
    write_file("journal-2031-04-02.jsonl", bytes, length - 9);
    ck_assert_int_eq(run("verify", dir, NULL), 1);
    ck_assert(says("journal-2031-04-02.jsonl:5: the last line (") && says("cut short"));
    ck_assert(says("not whole: 4 records"));
    ck_assert_int_eq(run("show", dir, NULL), 0);
    ck_assert(says(" 4 dose") && !says(" 5 dose"));
    ck_assert_ptr_nonnull(strstr(err_out, "cut short"));
}
END_TEST

/* What a chain alone can't show: that its end is missing. */
START_TEST(a_tip_kept_elsewhere_shows_a_missing_end)
{
    char tip[LINK_HASH_HEX], capitals[LINK_HASH_HEX], bytes[8192];
    make_five();
    scan();
    strcpy(tip, report.tip.hash);
    for (int i = 0; i < LINK_HASH_HEX; i++) {
        capitals[i] = (char)(tip[i] >= 'a' ? tip[i] - 'a' + 'A' : tip[i]);
    }
    ck_assert_int_eq(run("verify", dir, "--tip", tip, NULL), 0);
    ck_assert_int_eq(run("verify", dir, "--tip", capitals, NULL), 0);
    must_open();
    must_append(6); /* going on is no fault */
    close_journal();
    ck_assert_int_eq(run("verify", "--tip", tip, dir, "--json", NULL), 0);
    ck_assert(says("\"tip_found\":true"));
    size_t length = read_file("journal-2031-04-02.jsonl", bytes, sizeof bytes);
    for (int n = 0; n < 2; n++) { /* the last two records away */
        do {
            length--;
        } while (bytes[length - 1] != '\n');
    }
    write_file("journal-2031-04-02.jsonl", bytes, length);
    ck_assert_int_eq(run("verify", dir, NULL), 0);
    ck_assert_int_eq(run("verify", dir, "--tip", tip, NULL), 1);
    ck_assert(says("no record has the hash ") && says(tip) && says("not whole: 4 records"));
    ck_assert_int_eq(run("verify", dir, "--tip", tip, "--json", NULL), 1);
    ck_assert(says("\"tip_found\":false,\"torn_bytes\":0,\"whole\":false"));
}
END_TEST

START_TEST(a_pruned_journal_says_where_it_begins)
{
    char first[LINK_HASH_HEX];
    keep_days = 2;
    must_open();
    for (int day = 0; day < 5; day++) {
        now.civil.ms = DAY_ONE_MS + day * DAY_MS;
        now.mono.ms += DAY_MS;
        must_append(1);
        must_settle();
        if (day == 1) strcpy(first, journal_tip(journal).hash);
    }
    close_journal();
    ck_assert_int_eq(run("verify", dir, "--tip", first, NULL), 0); /* the last that is gone */
    ck_assert(says("the ones before record 3 pruned; tip 7 "));
    ck_assert_int_eq(run("verify", dir, "--json", NULL), 0);
    ck_assert(says("\"first_seq\":3,"));
}
END_TEST

START_TEST(show_prints_a_line_a_record)
{
    make_five();
    ck_assert_int_eq(run("show", dir, NULL), 0);
    ck_assert_str_eq(out,
        "2031-04-02T01:00:00.000Z 1 dose ec=1.85 ok=yes text=lettuce-wall ul=100\n"
        "2031-04-02T01:00:00.000Z 2 outcome ec=1.85 ok=no text=\"two words\" ul=101\n"
        "2031-04-02T01:00:00.000Z 3 alert ec=1.85 ok=yes text=\"kr\xc3\xa4uter \\\"x\\\" \\x1b[31m "
        "\\x9b"
        "1m\" ul=102\n"
        "2031-04-02T01:00:00.000Z 4 dose ec=1.85 ok=no text=\"\" ul=103\n"
        "2031-04-02T01:00:00.000Z 5 dose ec=1.85 ok=yes text=basil ul=104 clock=free\n");
    ck_assert_str_eq(err_out, "");
}
END_TEST

START_TEST(show_filters_by_number_and_kind)
{
    make_five();
    ck_assert_int_eq(run("show", dir, "--from", "2", "--to", "4", NULL), 0);
    ck_assert(!says(" 1 dose") && says(" 2 outcome") && says(" 4 dose") && !says(" 5 dose"));
    ck_assert_int_eq(run("show", dir, "--kind", "dose", "--from", "2", NULL), 0);
    ck_assert(!says("outcome") && !says(" 1 dose") && says(" 4 dose") && says(" 5 dose"));
    ck_assert_int_eq(run("show", dir, "--kind", "nothing", NULL), 0);
    ck_assert_str_eq(out, "");
}
END_TEST

START_TEST(show_json_prints_the_lines_as_they_are_on_disk)
{
    char bytes[8192];
    make_five();
    bytes[read_file("journal-2031-04-02.jsonl", bytes, sizeof bytes - 1)] = '\0';
    ck_assert_int_eq(run("show", "--json", dir, NULL), 0);
    ck_assert_str_eq(out, bytes);
}
END_TEST

START_TEST(a_command_written_wrong_is_a_usage_error)
{
    ck_assert_int_eq(run(NULL), EX_USAGE);
    ck_assert_int_eq(run("prune", dir, NULL), EX_USAGE);
    ck_assert_int_eq(run("verify", NULL), EX_USAGE);
    ck_assert_int_eq(run("verify", dir, dir, NULL), EX_USAGE);
    ck_assert_int_eq(run("verify", dir, "--tip", NULL), EX_USAGE);
    ck_assert_int_eq(run("verify", dir, "--tip", "abc", NULL), EX_USAGE);
    ck_assert_int_eq(run("verify", dir, "--tip",
                         "g000000000000000000000000000000000000000000000000000000000000000", NULL),
        EX_USAGE);
    ck_assert_int_eq(run("verify", dir, "--kind", "dose", NULL), EX_USAGE);
    ck_assert_int_eq(run("show", dir, "--from", "x", NULL), EX_USAGE);
    ck_assert_int_eq(run("show", dir, "--from", "-1", NULL), EX_USAGE);
    ck_assert_int_eq(run("show", dir, "--from", "1234567890123456", NULL), EX_USAGE);
    ck_assert_int_eq(run("show", dir, "--wide", NULL), EX_USAGE);
    ck_assert_ptr_nonnull(strstr(err_out, "there is no option \"--wide\""));
    ck_assert_str_eq(out, "");
    ck_assert_int_eq(run("verify", "--help", NULL), 0);
    ck_assert(says("usage: dosewright journal verify"));
}
END_TEST

START_TEST(what_is_not_there_is_told_apart_from_what_cannot_be_read)
{
    ck_assert_int_eq(run("verify", "/nowhere/at/all", NULL), EX_NOINPUT);
    ck_assert_int_eq(run("verify", dir, NULL), EX_NOINPUT);
    ck_assert_ptr_nonnull(strstr(err_out, "there is no journal here"));
    write_file("journal-2031-04-02.jsonl", "", 0);
    ck_assert_int_eq(run("verify", dir, NULL), 0);
    mkdir(at("journal-2031-04-03.jsonl"), 0700);
    ck_assert_int_eq(run("show", dir, NULL), EX_IOERR);
    ck_assert_ptr_nonnull(strstr(err_out, "/journal-2031-04-03.jsonl: "));
    rmdir(at("journal-2031-04-03.jsonl"));
}
END_TEST

START_TEST(output_that_nobody_can_take_is_an_error)
{
    make_five();
    fflush(stdout);
    const int kept = dup(1), full = open("/dev/full", O_WRONLY);
    dup2(full, 1);
    close(full);
    char *argv[] = { (char *)"journal", (char *)"verify", dir, NULL };
    const int code = cmd_journal(3, argv);
    dup2(kept, 1);
    close(kept);
    ck_assert_int_eq(code, EX_IOERR);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("journal_cmd");
    tcase_set_timeout(t, 60);
    tcase_add_checked_fixture(t, make_dir, remove_dir);
    tcase_add_test(t, a_whole_journal_is_verified_with_0);
    tcase_add_test(t, a_journal_in_use_can_be_verified);
    tcase_add_test(t, damage_is_told_by_file_and_line_with_1);
    tcase_add_test(t, a_record_out_of_form_is_told_by_its_byte);
    tcase_add_test(t, a_torn_tail_is_told_with_1);
    tcase_add_test(t, a_tip_kept_elsewhere_shows_a_missing_end);
    tcase_add_test(t, a_pruned_journal_says_where_it_begins);
    tcase_add_test(t, show_prints_a_line_a_record);
    tcase_add_test(t, show_filters_by_number_and_kind);
    tcase_add_test(t, show_json_prints_the_lines_as_they_are_on_disk);
    tcase_add_test(t, a_command_written_wrong_is_a_usage_error);
    tcase_add_test(t, what_is_not_there_is_told_apart_from_what_cannot_be_read);
    tcase_add_test(t, output_that_nobody_can_take_is_an_error);
    return run_case(t, "journal_cmd");
}
