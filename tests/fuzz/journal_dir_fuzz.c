/* A folder of journal files, after whatever happened to them: read, opened, written on, opened
 * again, and told to a core. The input is text: a line "=NAME" begins a file; "#{...}" is a record
 * that gets header and hash as the next of the chain; "+" leaves a number of the chain out; "<"
 * begins the chain anew; "/NAME" is a folder of that name; everything else stands in the file as it
 * is. The first byte: days after the first file's date, and in its highest bit, that old segments
 * are pruned.
 *
 * Held: what can be read is read again after opening, in the same order; opening changes no byte
 * but a torn tail, which is kept aside; after it nothing is torn and no damage is without a note;
 * what is appended is there the next time, whatever was pruned; limits that a core restores are
 * within their bounds (its own INVARIANTs).
 */
#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/journal/journal_file.h"
#include "lib/core/core.h"
#include "lib/journal/recover.h"
#include "tests/fuzz/fuzz.h"

enum { FILES_MAX = 8, NAME_ROOM = 48, SEEN_MAX = 4096 };

struct file {
    char name[NAME_ROOM];
    char *bytes;
    size_t length;
};

static struct file file[FILES_MAX];
static uint32_t files;
static uint32_t seen_count, again_count;
static char seen[SEEN_MAX][LINK_HASH_HEX];
static char dir[300];
static bool prunes;

/* --- the files -------------------------------------------------------------------------------- */

static bool may_be_named(const char *name, size_t length)
{
    static const char allowed[] = "abcdefghijklmnopqrstuvwxyz0123456789.-";
    if (length == 0 || length >= NAME_ROOM || name[0] == '.') return false;
    for (size_t i = 0; i < length; i++) {
        if (!name[i] || !strchr(allowed, name[i])) return false;
    }
    return true;
}

static void put_line(FILE *out, struct link_tip *tip, const char *line, size_t length, bool ended)
{
    char sealed[RECORD_LINE_MAX];
    struct text t = text_over(sealed, sizeof sealed);
    if (length > 1 && line[0] == '#' && fuzz_seal(tip, line + 1, length - 1, &t)) {
        fwrite(sealed, 1, t.length - (ended ? 0 : 1), out);
    } else if (length == 1 && line[0] == '+') {
        tip->seq++;
    } else if (length == 1 && line[0] == '<') {
        *tip = link_start();
    } else {
        fwrite(line, 1, length, out);
        if (ended) putc('\n', out);
    }
}

/* "journal/<name>"; the next call uses the buffer again. */
static const char *in_journal(const char *name)
{
    static char path[NAME_ROOM + 16];
    struct text t = text_over(path, sizeof path);
    text_add(&t, "journal/");
    text_add(&t, name);
    return path;
}

static bool names_one(const char *line, size_t length, char kind)
{
    return length > 1 && line[0] == kind && may_be_named(line + 1, length - 1);
}

static void make_folder(const char *line, size_t length)
{
    char *name = fuzz_string(line + 1, length - 1);
    (void)mkdir(fuzz_path(in_journal(name)), 0755);
    free(name);
}

static void make_files(struct bites *b)
{
    struct link_tip tip = link_start();
    FILE *out = NULL;
    files = 0;
    while (b->at < b->end) {
        size_t length;
        const uint8_t *from = b->at;
        char *line = bites_until(b, '\n', &length);
        if (names_one(line, length, '=') && files < FILES_MAX) {
            struct file *f = &file[files++];
            if (out) fclose(out);
            memcpy(f->name, line + 1, length - 1);
            f->name[length - 1] = '\0';
            out = open_memstream(&f->bytes, &f->length);
            HOLDS(out != NULL);
        } else if (names_one(line, length, '/')) {
            make_folder(line, length);
        } else if (out) {
            put_line(out, &tip, line, length, from + length < b->end);
        }
        free(line);
    }
    if (out) fclose(out);
}

static void write_files(void)
{
    for (uint32_t i = 0; i < files; i++) {
        (void)rmdir(fuzz_path(in_journal(file[i].name))); /* a folder that has its name */
        fuzz_write(in_journal(file[i].name), file[i].bytes, file[i].length);
    }
}

static void empty_folder(void)
{
    DIR *d = opendir(dir);
    HOLDS(d != NULL);
    for (const struct dirent *e = readdir(d); e; e = readdir(d)) {
        if (e->d_name[0] == '.') continue;
        if (unlinkat(dirfd(d), e->d_name, 0) != 0)
            (void)unlinkat(dirfd(d), e->d_name, AT_REMOVEDIR);
    }
    closedir(d);
}

/* --- what is held ----------------------------------------------------------------------------- */

struct reader {
    struct core *core; /* NULL: nobody wants to know */
    struct recover_line line;
    bool first; /* else it is compared with the first time */
};

static void visit(void *context, const struct record *record, const char *line)
{
    struct reader *reader = context;
    const char *hash = record_text_or_empty(record, "hash");
    int64_t seq;
    struct now at;
    const char *boot;
    HOLDS(link_header(record, &seq, &at, &boot) && strlen(line) < RECORD_LINE_MAX);
    HOLDS(strlen(hash) == LINK_HASH_HEX - 1);
    if (reader->first && seen_count < SEEN_MAX)
        memcpy(seen[seen_count++], hash, LINK_HASH_HEX);
    else if (!reader->first && again_count < seen_count && text_same(seen[again_count], hash))
        again_count++;
    if (!reader->core) return;
    at.mono.ms = recover_place(&reader->line, boot, at);
    core_restore(reader->core, record, at);
}

/* Nothing but a torn tail is missing from what was there; what follows is ours. */
static void check_bytes(const struct journal_report *report)
{
    size_t missing = 0;
    for (uint32_t i = 0; i < files; i++) {
        bool later = strncmp(file[i].name, "journal-", 8) != 0; /* the lock, say */
        for (uint32_t k = i + 1; k < files; k++) {
            later = later || text_same(file[k].name, file[i].name);
        }
        if (later) continue; /* ... or written over by ourselves */
        char *bytes = malloc(file[i].length + 1);
        const int fd = open(fuzz_path(in_journal(file[i].name)), O_RDONLY);
        HOLDS(fd >= 0 && bytes);
        const ssize_t n = read(fd, bytes, file[i].length);
        close(fd);
        size_t common = 0;
        while (n > 0 && common < (size_t)n && bytes[common] == file[i].bytes[common]) {
            common++;
        }
        missing += file[i].length - common;
        free(bytes);
    }
    HOLDS(missing == 0 || report->torn);
    HOLDS(missing <= (size_t)report->torn_bytes);
}

static enum err open_journal(
    struct journal **ret, struct reader *reader, struct now now, struct journal_report *report)
{
    struct problem problem = { 0 };
    const struct journal_options options = {
        .dir = dir, .keep_days = prunes ? 2 : 3660, .boot = "boot-2", .now = now
    };
    const enum err err = journal_open(ret, &options, visit, reader, report, &problem);
    HOLDS((err == ERR_NONE) == (*ret != NULL) && (err == ERR_NONE || problem.text[0]));
    return err;
}

static void write_on(struct journal *j, struct now now, struct journal_report *report)
{
    struct record r;
    struct problem problem;
    int64_t seq;
    record_start(&r, "flushed");
    record_add_text(&r, "tank", "bench");
    HOLDS(journal_append(j, &r, now, &seq, NULL, &problem) == ERR_NONE);
    const struct link_tip tip = journal_tip(j);
    journal_close(j);
    HOLDS(journal_scan(dir, NULL, NULL, report, &problem) == ERR_NONE);
    HOLDS(!report->torn && report->tip.seq == seq);
    HOLDS(text_same(report->tip.hash, tip.hash));
}

static void check_core(const struct reader *reader, struct now now, bool any)
{
    static struct actions actions;
    const struct event tick = { .kind = EVENT_TICK };
    if (any) now.mono.ms -= recover_shift(&reader->line, "boot-2", now);
    core_restored(reader->core, !any, now, &actions);
    for (int i = 0; i < 32; i++) {
        core_step(reader->core, &tick, now, &actions);
    }
}

static void open_again(struct now now, int64_t records)
{
    struct journal_report report = { 0 };
    struct journal *j;
    again_count = 0;
    HOLDS(open_journal(&j, &(struct reader){ 0 }, now, &report) == ERR_NONE);
    HOLDS(!report.torn && !report.damaged); /* a record tells of it by now */
    HOLDS(prunes || (again_count == seen_count && report.records == records));
    journal_close(j);
}

static void live(struct now now)
{
    const struct core_identity identity = { .by = "fuzz", .boot = "boot-2" };
    struct journal_report found = { 0 }, report = { 0 }, last = { 0 };
    struct problem problem = { 0 };
    struct journal *j;
    struct reader reader = { .first = true };
    if (journal_scan(dir, visit, &reader, &found, &problem) != ERR_NONE) return;
    void *block = malloc(core_size(&fuzz_site()->site));
    HOLDS(block != NULL);
    reader = (struct reader){ .core = core_init(block, &fuzz_site()->site, &identity, now) };
    recover_init(&reader.line);
    if (open_journal(&j, &reader, now, &report) == ERR_NONE) {
        HOLDS(again_count == seen_count && report.records == found.records);
        if (!prunes) check_bytes(&report);
        check_core(&reader, now, report.records > 0);
        write_on(j, now, &last);
        HOLDS(prunes || last.records > report.records);
        open_again(now, last.records);
    }
    free(block);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bites b = { data, data + size };
    const uint8_t how = bites_byte(&b);
    const int64_t days = how & 0x7F;
    prunes = how & 0x80;
    const struct now now = { { 100000000 }, { INT64_C(1932890400000) + days * DAY_MS },
        CLOCK_SYNCED };
    if (!dir[0]) {
        snprintf(dir, sizeof dir, "%s", fuzz_path("journal"));
        if (mkdir(dir, 0750) != 0) exit(2);
    }
    empty_folder();
    make_files(&b);
    write_files();
    seen_count = again_count = 0;
    live(now);
    for (uint32_t i = 0; i < files; i++) {
        free(file[i].bytes);
    }
    return 0;
}
