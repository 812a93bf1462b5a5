/* A journal in a folder of its own, for the journal's tests. */
#ifndef DOSEWRIGHT_TESTS_JOURNAL_FIXTURE_H
#define DOSEWRIGHT_TESTS_JOURNAL_FIXTURE_H

#include <dirent.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/journal/journal_inside.h"
#include "tests/unit/support.h"

#define DAY_ONE_MS INT64_C(1932854400000) /* 2031-04-02T00:00:00Z */

static char dir[64], path[400];
static struct journal *journal;
static struct journal_report report;
static struct problem problem;
static struct now now;
static int64_t keep_days, visited, visited_ul;
static char last_line[RECORD_LINE_MAX];

static inline void clear_dir(void)
{
    DIR *d = opendir(dir);
    for (const struct dirent *e = d ? readdir(d) : NULL; e; e = readdir(d)) {
        snprintf(path, sizeof path, "%s/%s", dir, e->d_name);
        if (e->d_name[0] != '.') unlink(path);
    }
    if (d) closedir(d);
}

static inline void make_dir(void)
{
    test_place(dir, sizeof dir, "journal-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
    journal = NULL;
    keep_days = 400;
    now =
        (struct now){ .mono = { 5000 }, .civil = { DAY_ONE_MS + 3600000 }, .clock = CLOCK_SYNCED };
}

static inline void remove_dir(void)
{
    journal_close(journal);
    clear_dir();
    rmdir(dir);
}

static inline const char *at(const char *name)
{
    snprintf(path, sizeof path, "%s/%s", dir, name);
    return path;
}

static inline void visit(void *context, const struct record *r, const char *line)
{
    int64_t ul = 0;
    (void)context;
    if (record_int(r, "ul", &ul)) visited_ul += ul;
    visited++;
    ck_assert_uint_lt(strlen(line), sizeof last_line);
    strcpy(last_line, line);
}

static inline enum err open_journal(void)
{
    const struct journal_options options = {
        .dir = dir, .keep_days = keep_days, .boot = "boot-1", .now = now
    };
    visited = visited_ul = 0;
    journal = NULL;
    return journal_open(&journal, &options, visit, NULL, &report, &problem);
}

static inline void must_open(void)
{
    const enum err err = open_journal();
    ck_assert_msg(err == ERR_NONE, "%s: %s", problem.where, problem.text);
}

static inline void close_journal(void)
{
    journal_close(journal);
    journal = NULL;
}

static inline enum err append(int64_t ul, int64_t *ret_seq)
{
    struct record r;
    record_start(&r, "dose");
    record_add_text(&r, "tank", "lettuce-wall");
    record_add_int(&r, "ul", ul);
    return journal_append(journal, &r, now, ret_seq, NULL, &problem);
}

static inline int64_t must_append(int64_t ul)
{
    int64_t seq = 0;
    const enum err err = append(ul, &seq);
    ck_assert_msg(err == ERR_NONE, "%s: %s", problem.where, problem.text);
    return seq;
}

/* Until the disk has come so far, or 5 s. */
static inline bool wait_synced(int64_t seq)
{
    for (int n = 0; n < 500; n++) {
        struct pollfd p = { .fd = journal_descriptor(journal), .events = POLLIN };
        if (journal_synced(journal) >= seq) return true;
        poll(&p, 1, 10);
    }
    return false;
}

/* ... and until nothing is being removed any more. */
static inline void must_settle(void)
{
    ck_assert(wait_synced(journal_tip(journal).seq));
    for (int n = 0; n < 5000 && !journal_sync_can_remove(journal->sync); n++) {
        poll(NULL, 0, 1);
    }
}

static inline void scan(void)
{
    visited = visited_ul = 0;
    ck_assert_int_eq(journal_scan(dir, visit, NULL, &report, &problem), ERR_NONE);
}

static inline size_t read_file(const char *name, char *ret, size_t room)
{
    const int fd = open(at(name), O_RDONLY);
    ck_assert_msg(fd >= 0, "%s is missing", path);
    const ssize_t n = read(fd, ret, room);
    close(fd);
    ck_assert_int_ge(n, 0);
    return (size_t)n;
}

static inline void write_file(const char *name, const char *bytes, size_t count)
{
    const int fd = open(at(name), O_WRONLY | O_CREAT | O_TRUNC, 0640);
    ck_assert_int_eq(write(fd, bytes, count), (ssize_t)count);
    close(fd);
}

static inline bool exists(const char *name)
{
    return access(at(name), F_OK) == 0;
}

/* 'count' records, a whole number of them on each of 'days' days; closed again. */
static inline void make_journal(int count, int days)
{
    must_open();
    for (int i = 0; i < count; i++) {
        now.civil.ms = DAY_ONE_MS + i * days / count * DAY_MS + i;
        now.mono.ms += 100;
        const int64_t seq = must_append(i);
        if ((i + 1) * days % count < days) ck_assert(wait_synced(seq)); /* a day ends */
    }
    close_journal();
}

#endif
