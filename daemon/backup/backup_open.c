/* Reads a backup and verifies all of it, before anything is done with it. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/backup/backup.h"
#include "daemon/journal/journal_inside.h"

enum { MANIFEST_MOST = 16 * 1024 * 1024, CHUNK = 4096 };

/* Where the manifest lies. */
struct manifest {
    int64_t at, bytes;
};

/* Exactly so many bytes; 0, or the errno (EIO when the file ends too soon). */
static int read_at(int fd, void *ret, size_t count, int64_t at)
{
    char *to = ret;
    while (count > 0) {
        const ssize_t n = pread(fd, to, count, (off_t)at);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) return errno;
        if (n == 0) return EIO;
        to += n;
        count -= (size_t)n;
        at += n;
    }
    return 0;
}

static enum err no_backup(const char *path, struct problem *problem, const char *text)
{
    return problem_set(problem, ERR_DAMAGED, path, text);
}

/* One member that isn't the manifest: noted. */
static enum err take_member(struct backup *b, const struct ustar_member *found, int64_t at,
    const char *path, struct problem *problem)
{
    struct backup_member member = { .at = at, .bytes = found->bytes, .mode = found->mode };
    if (!backup_read_name(&member, found->name))
        return no_backup(
            path, problem, "it has a member that no backup has: it isn't one, or damaged");
    if (backup_add(b, &member)) return ERR_NONE;
    return problem_set(problem, ERR_FULL, path, "too many members, or no memory left");
}

/* From the first header to the manifest's, which must be the last. */
static enum err list_members(
    struct backup *b, struct manifest *ret, int64_t size, const char *path, struct problem *problem)
{
    uint8_t block[USTAR_BLOCK];
    struct ustar_member found;
    int64_t at = 0;
    *ret = (struct manifest){ .bytes = 0 };
    while (at + USTAR_BLOCK <= size) {
        const int error = read_at(b->fd, block, sizeof block, at);
        if (error != 0) return journal_errno(problem, path, "", "can't be read", error);
        const enum ustar_found what = ustar_read(&found, block);
        at += USTAR_BLOCK;
        if (what == USTAR_END) break;
        if (what == USTAR_BROKEN || found.bytes > size - at || ret->bytes > 0)
            return no_backup(path, problem, "it isn't a backup of dosewright, or it is damaged");
        enum err err = ERR_NONE;
        if (text_same(found.name, backup_manifest_name))
            *ret = (struct manifest){ at, found.bytes };
        else
            err = take_member(b, &found, at, path, problem);
        if (err != ERR_NONE) return err;
        at += found.bytes + ustar_filling(found.bytes);
    }
    if (ret->bytes > 0 && ret->bytes <= MANIFEST_MOST) return ERR_NONE;
    return no_backup(path, problem, "its manifest is missing: it isn't a backup, or was cut short");
}

static enum err read_manifest(
    struct backup *b, const struct manifest *m, const char *path, struct problem *problem)
{
    char *text = malloc((size_t)m->bytes + 1);
    if (!text) return problem_set(problem, ERR_FULL, path, "no memory left");
    const int error = read_at(b->fd, text, (size_t)m->bytes, m->at);
    const enum err err = error == 0 ? backup_read_manifest(b, text, (size_t)m->bytes, problem)
                                    : journal_errno(problem, path, "", "can't be read", error);
    free(text);
    return err;
}

/* --- what the members hold -------------------------------------------------------------------- */

static int write_all(int fd, const char *bytes, size_t count)
{
    while (count > 0) {
        const ssize_t n = write(fd, bytes, count);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) return errno;
        bytes += n;
        count -= (size_t)n;
    }
    return 0;
}

/* 0, or the errno. */
static int copy_bytes(
    const struct backup *b, const struct backup_member *m, int to, struct load_digest *digest)
{
    char chunk[CHUNK];
    for (int64_t done = 0; done < m->bytes;) {
        const int64_t left = m->bytes - done;
        const size_t count = left < CHUNK ? (size_t)left : CHUNK;
        int error = read_at(b->fd, chunk, count, m->at + done);
        if (error == 0 && to >= 0) error = write_all(to, chunk, count);
        if (error != 0) return error;
        digest_add(digest, chunk, count);
        done += (int64_t)count;
    }
    return 0;
}

enum err backup_copy_out(
    const struct backup *b, const struct backup_member *member, int to, struct problem *problem)
{
    char name[USTAR_NAME_MAX], sha256[DIGEST_HEX_MAX];
    struct load_digest *digest = digest_open();
    (void)backup_full_name(name, member);
    if (!digest) return problem_set(problem, ERR_FULL, name, "no memory left");
    const int error = copy_bytes(b, member, to, digest);
    (void)digest_close(digest, sha256);
    if (error != 0) return journal_errno(problem, name, "", "can't be copied", error);
    if (text_same(sha256, member->sha256)) return ERR_NONE;
    return problem_set(problem, ERR_DAMAGED, name, "it isn't what was written: its digest differs");
}

/* --- the journal within ----------------------------------------------------------------------- */

/* Its segments, in order, and where each lies. */
static bool find_segments(struct journal_scan *s, struct scan_piece *ret, const struct backup *b)
{
    for (size_t i = 0; i < b->count; i++) {
        const struct backup_member *m = &b->member[i];
        struct segment segment;
        if (m->kind != BACKUP_JOURNAL || !segment_read_name(&segment, m->name)) continue;
        ret[s->segments.count] = (struct scan_piece){ m->at, m->bytes };
        if (!segments_add(&s->segments, &segment)) return false;
    }
    return true;
}

enum err backup_verify_journal(
    struct backup_head *ret, const struct backup *b, struct problem *problem)
{
    struct scan_piece *piece = calloc(b->count + 1, sizeof *piece);
    struct journal_scan *s = piece ? journal_scan_new(b->fd, NULL, NULL) : NULL;
    if (!s) {
        free(piece);
        return problem_set(problem, ERR_FULL, "journal", "no memory left");
    }
    enum err err = problem_set(problem, ERR_FULL, "journal", "no memory left");
    if (find_segments(s, piece, b)) {
        journal_scan_within(s, piece);
        err = journal_scan_run(s, problem);
    }
    if (err == ERR_NONE) {
        ret->records = s->records;
        ret->tip = s->tip;
        ret->whole = s->places == 0;
    }
    journal_scan_free(s);
    free(piece);
    return err;
}

static enum err verify(const struct backup *b, struct problem *problem)
{
    struct backup_head found = b->head;
    for (size_t i = 0; i < b->count; i++) {
        const enum err err = backup_copy_out(b, &b->member[i], -1, problem);
        if (err != ERR_NONE) return err;
    }
    const enum err err = backup_verify_journal(&found, b, problem);
    if (err != ERR_NONE) return err;
    if (found.tip.seq == b->head.tip.seq && text_same(found.tip.hash, b->head.tip.hash) &&
        found.records == b->head.records && found.whole == b->head.whole)
        return ERR_NONE;
    return problem_set(problem, ERR_DAMAGED, backup_manifest_name,
        "the journal in this backup doesn't end with the record that it names");
}

enum err backup_open(struct backup *b, const char *path, struct problem *problem)
{
    struct stat st;
    struct manifest manifest;
    if (fstat(b->fd, &st) != 0) return journal_errno(problem, path, "", "can't be read", errno);
    if (!S_ISREG(st.st_mode))
        return problem_set(problem, ERR_IO, path, "there is something that isn't a regular file");
    enum err err = list_members(b, &manifest, (int64_t)st.st_size, path, problem);
    if (err == ERR_NONE) err = read_manifest(b, &manifest, path, problem);
    return err == ERR_NONE ? verify(b, problem) : err;
}
