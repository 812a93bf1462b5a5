/* Records read again: the right ones, as they are on disk, paced, beside a journal that is being
 * written. */
#include "daemon/run/replay.h"
#include "tests/unit/daemon/journal_fixture.h"

static struct replay *replay;
static char shown[64][RECORD_LINE_MAX + 1];
static int shown_count;
static struct mono clock_ms;

static bool keep(void *context, const char *line)
{
    const int *most = context;
    strcpy(shown[shown_count++], line);
    return !most || shown_count < *most;
}

static void read_again(int64_t from, int64_t to)
{
    shown_count = 0;
    ck_assert_int_eq(journal_read(dir, from, to, keep, NULL, &problem), ERR_NONE);
}

static int64_t seq_of(const char *line)
{
    const char *at = strstr(line, ",\"seq\":");
    return at ? strtoll(at + 7, NULL, 10) : 0;
}

static void must_be(int64_t from, int64_t to)
{
    ck_assert_int_eq(shown_count, to - from + 1);
    for (int i = 0; i < shown_count; i++) {
        ck_assert_int_eq(seq_of(shown[i]), from + i);
    }
}

/* Until it is over, or 5 s; the pace is by a clock of the test's own. */
static void show_all(void)
{
    for (int n = 0; n < 5000 && !replay_over(replay); n++) {
        const char *line = replay_line(replay, clock_ms);
        if (line) {
            strcpy(shown[shown_count++], line);
            replay_shown(replay);
        } else {
            clock_ms.ms += REPLAY_EVERY_MS;
            poll(NULL, 0, 1);
        }
    }
    ck_assert(replay_over(replay));
}

static void begin(int64_t from, int64_t to)
{
    shown_count = 0;
    clock_ms.ms = 7000;
    ck_assert_int_eq(replay_open(&replay, dir, from, to, &problem), ERR_NONE);
}

static void tear_down(void)
{
    replay_close(replay);
    replay = NULL;
    remove_dir();
}

START_TEST(any_stretch_of_it_is_read)
{
    make_journal(12, 3);
    for (int64_t from = 1; from <= 12; from++) {
        for (int64_t to = from; to <= 12; to++) {
            read_again(from, to);
            must_be(from, to);
        }
    }
    read_again(11, 90); /* as far as there are any */
    must_be(11, 12);
    read_again(13, 90);
    ck_assert_int_eq(shown_count, 0);
}
END_TEST

START_TEST(the_bytes_are_those_on_disk)
{
    make_journal(1, 1);
    static char file[RECORD_LINE_MAX];
    const size_t length = read_file("journal-2031-04-02.jsonl", file, sizeof file);
    read_again(1, 1);
    ck_assert_uint_eq(strlen(shown[0]) + 1, length);
    ck_assert_int_eq(memcmp(shown[0], file, length - 1), 0);
}
END_TEST

START_TEST(whoever_has_enough_gets_no_more)
{
    int most = 2;
    make_journal(6, 2);
    shown_count = 0;
    ck_assert_int_eq(journal_read(dir, 2, 6, keep, &most, &problem), ERR_NONE);
    must_be(2, 3);
}
END_TEST

/* A pruned beginning, a missing segment, a torn end, a line that is none, one that is too long. */
START_TEST(what_isnt_there_is_passed_over)
{
    static char long_line[2 * RECORD_LINE_MAX];
    make_journal(12, 3);
    unlink(at("journal-2031-04-02.jsonl"));
    read_again(1, 12);
    must_be(5, 12);
    unlink(at("journal-2031-04-03.jsonl"));
    read_again(3, 12);
    must_be(9, 12);
    memset(long_line, 'x', sizeof long_line - 1);
    FILE *f = fopen(at("journal-2031-04-04.jsonl"), "a");
    fprintf(f,
        "not a record\n\n{\"text\":\"a \\\",\\\"seq\\\":10\"}\n%s\n{\"boot\":\"b\",\"seq\":13}\n"
        "{\"boot\":\"b\",\"seq\":14}",
        long_line);
    fclose(f);
    read_again(1, 20);
    must_be(9, 13);
    unlink(at("journal-2031-04-04.jsonl"));
    read_again(1, 20);
    ck_assert_int_eq(shown_count, 0);
    ck_assert_int_eq(journal_read(at("none"), 1, 2, keep, NULL, &problem), ERR_IO);
}
END_TEST

START_TEST(a_replay_shows_all_and_ends)
{
    make_journal(12, 3);
    begin(3, 11);
    show_all();
    must_be(3, 11);
}
END_TEST

START_TEST(nothing_to_show_is_over_at_once)
{
    make_journal(3, 1);
    begin(4, 9);
    show_all();
    ck_assert_int_eq(shown_count, 0);
    replay_close(replay);
    replay = NULL;
    ck_assert_int_eq(replay_open(&replay, at("none"), 1, 9, &problem), ERR_NONE);
    show_all();
    ck_assert_int_eq(shown_count, 0);
}
END_TEST

START_TEST(it_is_paced)
{
    make_journal(40, 1);
    begin(1, 40);
    poll(NULL, 0, 200); /* the thread has read by now */
    for (int burst = 0; burst < 4; burst++) {
        for (int n = 0; n < 100; n++) {
            const char *line = replay_line(replay, clock_ms);
            if (!line) break;
            ck_assert_ptr_eq(replay_line(replay, clock_ms), line); /* until it was shown */
            shown_count++;
            replay_shown(replay);
        }
        ck_assert_int_eq(shown_count, (burst + 1) * REPLAY_LINES);
        ck_assert_int_eq(replay_due(replay).ms, clock_ms.ms + REPLAY_EVERY_MS);
        clock_ms.ms += REPLAY_EVERY_MS - 1;
        ck_assert_ptr_null(replay_line(replay, clock_ms));
        clock_ms.ms++;
    }
}
END_TEST

/* More than a socket holds: the thread waits, and goes when nobody listens any more. */
START_TEST(it_can_be_broken_off)
{
    make_journal(400, 1);
    begin(1, 400);
    for (int n = 0; n < 2000 && !replay_line(replay, clock_ms); n++) {
        clock_ms.ms += REPLAY_EVERY_MS;
        poll(NULL, 0, 1);
    }
    ck_assert_ptr_nonnull(replay_line(replay, clock_ms));
    replay_close(replay);
    replay = NULL;
    poll(NULL, 0, 100); /* the sanitizer looks whether it went with all it had */
}
END_TEST

START_TEST(a_journal_that_grows_is_read_beside_it)
{
    make_journal(4, 1);
    must_open();
    const int64_t seq = must_append(5);
    ck_assert(wait_synced(seq));
    read_again(4, seq);
    must_be(4, seq);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("replay");
    tcase_add_checked_fixture(t, make_dir, tear_down);
    tcase_add_test(t, any_stretch_of_it_is_read);
    tcase_add_test(t, the_bytes_are_those_on_disk);
    tcase_add_test(t, whoever_has_enough_gets_no_more);
    tcase_add_test(t, what_isnt_there_is_passed_over);
    tcase_add_test(t, a_replay_shows_all_and_ends);
    tcase_add_test(t, nothing_to_show_is_over_at_once);
    tcase_add_test(t, it_is_paced);
    tcase_add_test(t, it_can_be_broken_off);
    tcase_add_test(t, a_journal_that_grows_is_read_beside_it);
    return run_case(t, "replay");
}
