/* Writes a journal of everything that a record can hold, over several days, with a crash and a
 * pruning in it. Without an argument it checks that the program verifies what it wrote; with a
 * folder it leaves the journal there for tests/reference/journal/run.sh, which verifies it by other
 * means. */
#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "daemon/journal/journal_file.h"
#include "lib/base/prng.h"
#include "tests/unit/support.h"

enum { DAYS = 8, RECORDS_A_DAY = 250, KEEP_DAYS = 5 };

static const int64_t first_day_ms = INT64_C(1932854400000); /* 2031-04-02T00:00:00Z */

static struct journal *journal;
static struct problem problem;

/* Within a test and without one. */
static void must(bool good, const char *what)
{
    if (good) return;
    fprintf(stderr, "the journal can't be written: %s\n", what);
    exit(EXIT_FAILURE);
}

static void add_text(struct record *r, struct prng *prng)
{
    static const char *const pieces[] = { "a", "Z", "/", " ", "\"", "\\", "\n", "\t", "\x01",
        "\x1f", "\x7f", "\xc2\x80", "\xc3\xa4", "\xdf\xbf", "\xe0\xa0\x80", "\xe2\x82\xac",
        "\xe2\x80\xa8", "\xed\x9f\xbf", "\xee\x80\x80", "\xef\xbf\xbf", "\xf0\x90\x80\x80",
        "\xf0\x9f\x98\x80", "\xf4\x8f\xbf\xbf", "\xff", "\xc0\xaf", "<script>", "\\u0041" };
    char text[256] = "";
    for (int64_t n = prng_below(prng, 12); n > 0; n--) {
        strcat(text, pieces[prng_below(prng, sizeof pieces / sizeof *pieces)]);
    }
    record_add_text(r, "text", text);
}

static void add_number(struct record *r, const char *key, struct prng *prng)
{
    static const int64_t edges[] = { 0, 1, -1, 10, 100, RECORD_INTEGER_MOST, -RECORD_INTEGER_MOST,
        1000000, 999999999999999 };
    double scale = 1e-6;
    for (int64_t n = prng_below(prng, 20); n > 0; n--) {
        scale *= 10;
    }
    if (prng_below(prng, 3) == 0)
        record_add_int(r, key, edges[prng_below(prng, 9)]);
    else
        record_add_real(r, key, prng_normal(prng) * scale, (unsigned)prng_below(prng, 7));
}

static int64_t add_record(struct prng *prng, struct now now)
{
    static const char *const kinds[] = { "dose", "outcome", "request", "alert", "carry" };
    static const char *const keys[] = { "a", "B", "aa", "a_b", "a-b", "9", "z", "~" };
    struct record r;
    int64_t seq = 0;
    record_start(&r, kinds[prng_below(prng, 5)]);
    add_text(&r, prng);
    for (int i = 0; i < 8; i++) {
        if (prng_below(prng, 2) == 0) add_number(&r, keys[i], prng);
    }
    record_add_truth(&r, "ok", prng_below(prng, 2) == 0);
    must(journal_append(journal, &r, now, &seq, NULL, &problem) == ERR_NONE, problem.text);
    return seq;
}

static void open_it(const char *dir, struct now now, const char *boot)
{
    struct journal_report report;
    const struct journal_options options = {
        .dir = dir, .keep_days = KEEP_DAYS, .boot = boot, .now = now
    };
    const enum err err = journal_open(&journal, &options, NULL, NULL, &report, &problem);
    must(err == ERR_NONE, problem.text);
    must(!report.damaged, "damaged");
}

static void wait_synced(int64_t seq)
{
    while (journal_synced(journal) < seq) {
        struct pollfd p = { .fd = journal_descriptor(journal), .events = POLLIN };
        poll(&p, 1, 1000);
    }
}

/* A power cut in the middle of a line. */
static void tear(const char *dir, const char *name)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", dir, name);
    const int fd = open(path, O_WRONLY | O_APPEND);
    must(fd >= 0, path);
    must(write(fd, "{\"boot\":\"boot-1\",\"clo", 21) == 21, path);
    close(fd);
}

static void write_journal(const char *dir)
{
    struct prng prng = prng_seed(2031);
    struct now now = { .mono = { 1000 }, .civil = { first_day_ms }, .clock = CLOCK_UNSET };
    open_it(dir, now, "boot-1");
    for (int day = 0; day < DAYS; day++) {
        int64_t seq = 0;
        now.clock = (enum clock_trust)(day < 2 ? day : 2);
        for (int n = 0; n < RECORDS_A_DAY; n++) {
            now.civil.ms = first_day_ms + day * DAY_MS + n * 1000;
            now.mono.ms += 1000;
            seq = add_record(&prng, now);
        }
        wait_synced(seq);
        now.mono.ms += DAY_MS - RECORDS_A_DAY * 1000;
    }
    journal_close(journal);
    tear(dir, "journal-2031-04-09.jsonl");
    now.mono.ms = 20;
    open_it(dir, now, "boot-2");
    now.civil.ms -= 3 * DAY_MS; /* a clock that steps back */
    now.mono.ms += DAY_MS;
    add_record(&prng, now);
    journal_close(journal);
}

START_TEST(what_is_written_is_whole)
{
    char dir[] = "/tmp/dosewright-journal-XXXXXX", path[512];
    struct journal_report report;
    ck_assert_ptr_nonnull(mkdtemp(dir));
    write_journal(dir);
    ck_assert_int_eq(journal_scan(dir, NULL, NULL, &report, &problem), ERR_NONE);
    ck_assert(!report.damaged && !report.torn);
    ck_assert_int_gt(report.records, KEEP_DAYS * RECORDS_A_DAY);
    ck_assert_int_lt(report.records, DAYS * RECORDS_A_DAY);
    DIR *d = opendir(dir);
    for (const struct dirent *e = readdir(d); e; e = readdir(d)) {
        snprintf(path, sizeof path, "%s/%s", dir, e->d_name);
        if (e->d_name[0] != '.') unlink(path);
    }
    closedir(d);
    rmdir(dir);
}
END_TEST

int main(int argc, char **argv)
{
    if (argc > 1) {
        write_journal(argv[1]);
        return EXIT_SUCCESS;
    }
    TCase *t = tcase_create("journal");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, what_is_written_is_whole);
    return run_case(t, "journal");
}
