/* The members of a backup, their names, and the manifest that lists them. */
#include <stdlib.h>
#include <string.h>

#include "daemon/backup/backup.h"
#include "daemon/journal/journal_scan.h"
#include "daemon/journal/journal_segment.h"

const char backup_beginning[] = "dosewright-backup/";
const char backup_manifest_name[] = "dosewright-backup/manifest.jsonl";

static const char config_prefix[] = "dosewright-backup/config/";
static const char journal_prefix[] = "dosewright-backup/journal/";
static const char torn_mark[] = ".torn-";

enum { ROOM_STEP = 64 };

bool backup_add(struct backup *b, const struct backup_member *member)
{
    if (b->count == BACKUP_MEMBERS_MAX) return false;
    if (b->count == b->room) {
        struct backup_member *more = realloc(b->member, (b->room + ROOM_STEP) * sizeof *more);
        if (!more) return false;
        b->member = more;
        b->room += ROOM_STEP;
    }
    b->member[b->count++] = *member;
    return true;
}

void backup_free(struct backup *b)
{
    free(b->member);
    b->member = NULL;
    b->count = b->room = 0;
}

/* --- names ------------------------------------------------------------------------------------ */

/* Parts between slashes: none empty, none "." or "..", no control characters. */
bool backup_below(const char *path)
{
    const char *part = path;
    for (const char *c = path;; c++) {
        if (*c != '/' && *c != '\0') {
            if ((unsigned char)*c < ' ' || *c == 0x7f) return false;
            continue;
        }
        const size_t length = (size_t)(c - part);
        if (length == 0 || (length == 1 && part[0] == '.')) return false;
        if (length == 2 && part[0] == '.' && part[1] == '.') return false;
        if (*c == '\0') return true;
        part = c + 1;
    }
}

/* A segment, or a torn end that was cut off one. */
static bool is_journals(const char *name)
{
    struct segment unused;
    char head[SEGMENT_NAME_MAX];
    if (segment_read_name(&unused, name)) return true;
    const char *mark = strstr(name, torn_mark);
    if (!mark) return false;
    const size_t length = (size_t)(mark - name),
                 digits = strspn(mark + sizeof torn_mark - 1, "0123456789");
    if (length >= sizeof head || digits == 0 || mark[sizeof torn_mark - 1 + digits]) return false;
    memcpy(head, name, length);
    head[length] = '\0';
    return segment_read_name(&unused, head);
}

static bool is_name(enum backup_kind kind, const char *name)
{
    return kind == BACKUP_CONFIG ? backup_below(name) : is_journals(name);
}

bool backup_full_name(char ret[USTAR_NAME_MAX], const struct backup_member *member)
{
    struct text t = text_over(ret, USTAR_NAME_MAX);
    text_add(&t, member->kind == BACKUP_CONFIG ? config_prefix : journal_prefix);
    text_add(&t, member->name);
    return !t.cut && is_name(member->kind, member->name);
}

bool backup_read_name(struct backup_member *ret, const char *full_name)
{
    const size_t config = sizeof config_prefix - 1, journal = sizeof journal_prefix - 1;
    const char *name;
    if (strncmp(full_name, config_prefix, config) == 0) {
        ret->kind = BACKUP_CONFIG;
        name = full_name + config;
    } else if (strncmp(full_name, journal_prefix, journal) == 0) {
        ret->kind = BACKUP_JOURNAL;
        name = full_name + journal;
    } else {
        return false;
    }
    return text_copy(ret->name, sizeof ret->name, name) && is_name(ret->kind, name);
}

/* --- telling ---------------------------------------------------------------------------------- */

struct telling {
    struct link_tip tip;
    const struct link_stamp *stamp;
    backup_line put;
    void *context;
};

static bool tell(struct telling *to, struct record *r)
{
    char line[RECORD_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    return link_seal(&to->tip, r, to->stamp, journal_sha256, &t) == ERR_NONE &&
           to->put(to->context, line, t.length);
}

static bool tell_head(struct telling *to, const struct backup_head *head)
{
    struct record r;
    record_start(&r, "backup");
    record_add_int(&r, "format", BACKUP_FORMAT);
    record_add_text(&r, "site", head->site);
    record_add_text(&r, "site_file", head->site_file);
    record_add_text(&r, "journal_dir", head->journal_dir);
    record_add_truth(&r, "whole", head->whole);
    record_add_int(&r, "records", head->records);
    record_add_int(&r, "tip_seq", head->tip.seq);
    record_add_text(&r, "tip_hash", head->tip.hash);
    return tell(to, &r);
}

static bool tell_member(struct telling *to, const struct backup_member *member)
{
    struct record r;
    char name[USTAR_NAME_MAX];
    if (!backup_full_name(name, member)) return false;
    record_start(&r, "member");
    record_add_text(&r, "name", name);
    record_add_int(&r, "bytes", member->bytes);
    record_add_int(&r, "mode", (int64_t)member->mode);
    record_add_text(&r, "sha256", member->sha256);
    return tell(to, &r);
}

static bool tell_end(struct telling *to, size_t members)
{
    struct record r;
    record_start(&r, "end");
    record_add_int(&r, "members", (int64_t)members);
    return tell(to, &r);
}

bool backup_tell(const struct backup *b, const char *const *left_out,
    const struct link_stamp *stamp, backup_line put, void *context)
{
    struct telling to = { .tip = link_start(), .stamp = stamp, .put = put, .context = context };
    if (!tell_head(&to, &b->head)) return false;
    for (size_t i = 0; i < b->count; i++) {
        if (!tell_member(&to, &b->member[i])) return false;
    }
    for (; left_out && *left_out; left_out++) {
        struct record r;
        record_start(&r, "left-out");
        record_add_text(&r, "path", *left_out);
        if (!tell(&to, &r)) return false;
    }
    return tell_end(&to, b->count);
}

/* --- reading ---------------------------------------------------------------------------------- */

struct reading {
    struct backup *b;
    size_t members;
    bool has_head, ended;
};

static enum err damaged(struct problem *problem, const char *text)
{
    return problem_set(problem, ERR_DAMAGED, backup_manifest_name, text);
}

static bool take_text(const struct record *r, const char *key, char *ret, size_t size)
{
    const char *text;
    return record_text(r, key, &text) && text_copy(ret, size, text);
}

static enum err newer(struct problem *problem, int64_t format)
{
    char words[PROBLEM_TEXT_MAX];
    struct text t = text_over(words, sizeof words);
    text_add(&t, "a newer dosewright made this backup (format ");
    text_add_int(&t, format);
    text_add(&t, "; this one reads up to ");
    text_add_int(&t, BACKUP_FORMAT);
    text_add(&t, "): restore it with that version or a later one");
    return problem_set(problem, ERR_RANGE, backup_manifest_name, words);
}

static enum err read_head(struct backup_head *ret, const struct record *r, struct problem *problem)
{
    int64_t format = 0;
    if (!record_is(r, "backup") || !record_int(r, "format", &format) || format < 1)
        return damaged(problem, "it doesn't begin with a record that says of what it is a copy");
    if (format > BACKUP_FORMAT) return newer(problem, format);
    const bool good = take_text(r, "site", ret->site, sizeof ret->site) &&
                      take_text(r, "site_file", ret->site_file, sizeof ret->site_file) &&
                      take_text(r, "journal_dir", ret->journal_dir, sizeof ret->journal_dir) &&
                      take_text(r, "time", ret->made, sizeof ret->made) &&
                      take_text(r, "clock", ret->clock, sizeof ret->clock) &&
                      take_text(r, "tip_hash", ret->tip.hash, sizeof ret->tip.hash) &&
                      record_truth(r, "whole", &ret->whole) &&
                      record_int(r, "records", &ret->records) &&
                      record_int(r, "tip_seq", &ret->tip.seq);
    if (!good || ret->site_file[0] != '/' || ret->journal_dir[0] != '/')
        return damaged(problem, "its first record lacks something");
    return ERR_NONE;
}

static enum err read_member(struct reading *at, const struct record *r, struct problem *problem)
{
    char name[USTAR_NAME_MAX];
    int64_t bytes = 0, mode = 0;
    if (at->members == at->b->count)
        return damaged(problem, "it names more members than there are");
    struct backup_member *member = &at->b->member[at->members++];
    const bool good = backup_full_name(name, member) &&
                      text_same(name, record_text_or_empty(r, "name")) &&
                      record_int(r, "bytes", &bytes) && bytes == member->bytes &&
                      record_int(r, "mode", &mode) && mode == (int64_t)member->mode &&
                      take_text(r, "sha256", member->sha256, sizeof member->sha256);
    return good ? ERR_NONE : damaged(problem, "a member isn't the one that it names");
}

static enum err read_record(struct reading *at, const struct record *r, struct problem *problem)
{
    if (at->ended) return damaged(problem, "there is more after its last record");
    if (!at->has_head) {
        at->has_head = true;
        return read_head(&at->b->head, r, problem);
    }
    if (record_is(r, "member")) return read_member(at, r, problem);
    if (record_is(r, "left-out")) at->b->left_out++;
    if (record_is(r, "end")) at->ended = true;
    return ERR_NONE;
}

enum err backup_read_manifest(
    struct backup *b, const char *text, size_t length, struct problem *problem)
{
    struct reading at = { .b = b };
    struct link_tip tip = link_start();
    struct record r;
    while (length > 0) {
        const char *feed = memchr(text, '\n', length);
        if (!feed) return damaged(problem, "its last line isn't ended");
        const size_t line = (size_t)(feed - text);
        enum err err = link_follow(&tip, &r, text, line, journal_sha256, problem);
        if (err != ERR_NONE) return damaged(problem, "a record of it was changed");
        err = read_record(&at, &r, problem);
        if (err != ERR_NONE) return err;
        text += line + 1;
        length -= line + 1;
    }
    if (!at.ended || at.members != b->count)
        return damaged(problem, "its end is missing, or a member that it doesn't name is there");
    return ERR_NONE;
}
