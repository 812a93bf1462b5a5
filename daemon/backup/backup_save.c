/* Makes a backup, beside a daemon that may be writing. Segments only grow, and only the newest
 * does: so the copy takes them in their order, the newest up to its last whole record. It is then
 * read back and verified as a restore would. */
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/backup/backup.h"
#include "daemon/base/clock.h"
#include "daemon/base/save_file.h"
#include "daemon/config/config.h"
#include "daemon/journal/journal_inside.h"

enum {
    TRIES_MAX = 3, /* segments may be pruned while they are copied */
    CHUNK = 4096,
    LEFT_OUT_MAX = 256,
    MODE = 0600,
};

struct saving {
    const struct backup_saving *how;
    struct backup *ret;
    struct problem *problem;
    enum err err;
    bool failed; /* err isn't ERR_NONE; for save_file */
    FILE *out;   /* NULL: nothing is written */
    int64_t at;
    const char *left_out[LEFT_OUT_MAX + 1];
    size_t left_count;
    int journal_fd;
    char boot[40]; /* of clock_boot */
};

static enum err fail(struct saving *s, const char *path, const char *what, int error)
{
    return journal_errno(s->problem, path, "", what, error);
}

/* --- one member ------------------------------------------------------------------------------- */

static bool put(struct saving *s, const void *bytes, size_t count)
{
    s->at += (int64_t)count;
    return !s->out || fwrite(bytes, 1, count, s->out) == count;
}

static bool put_header(struct saving *s, const char *name, int64_t bytes, unsigned mode)
{
    uint8_t block[USTAR_BLOCK];
    struct ustar_member header = {
        .bytes = bytes, .mode = mode, .mtime_s = s->how->now.civil.ms / 1000
    };
    (void)text_copy(header.name, sizeof header.name, name);
    ustar_write(block, &header);
    return put(s, block, sizeof block);
}

static bool put_filling(struct saving *s, int64_t bytes)
{
    const uint8_t zeros[USTAR_BLOCK] = { 0 };
    return put(s, zeros, (size_t)ustar_filling(bytes));
}

/* 0, or an errno; ESTALE: the file became shorter. */
static int put_bytes(struct saving *s, int fd, int64_t bytes, struct load_digest *digest)
{
    char chunk[CHUNK];
    for (int64_t done = 0; done < bytes;) {
        const int64_t left = bytes - done;
        const ssize_t n = pread(fd, chunk, left < CHUNK ? (size_t)left : CHUNK, (off_t)done);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) return errno;
        if (n == 0) return ESTALE;
        digest_add(digest, chunk, (size_t)n);
        if (!put(s, chunk, (size_t)n)) return errno;
        done += n;
    }
    return 0;
}

/* 'm' has kind, name, mode and size. */
static enum err put_member(struct saving *s, int fd, const char *path, struct backup_member *m)
{
    char name[USTAR_NAME_MAX];
    if (!backup_full_name(name, m))
        return problem_set(s->problem, ERR_RANGE, path,
            "its name is too long for a backup, which takes 75 bytes below the site file's folder");
    if (m->bytes > USTAR_BYTES_MOST)
        return problem_set(s->problem, ERR_RANGE, path, "a file of 8 GiB is too long for a backup");
    struct load_digest *digest = digest_open();
    if (!digest) return fail(s, path, "can't be copied", ENOMEM);
    int error = put_header(s, name, m->bytes, m->mode) ? 0 : errno;
    m->at = s->at;
    if (error == 0) error = put_bytes(s, fd, m->bytes, digest);
    (void)digest_close(digest, m->sha256);
    if (error == 0 && !put_filling(s, m->bytes)) error = errno;
    if (error == 0 && !backup_add(s->ret, m)) error = ENOMEM;
    return error == 0 ? ERR_NONE : fail(s, path, "can't be copied", error);
}

/* --- the configuration ------------------------------------------------------------------------ */

/* Its name below the site file's folder; NULL when it lies elsewhere. */
static const char *below_site(const struct config *config, const char *path)
{
    const char *slash = strrchr(config->path, '/');
    const size_t folder = slash ? (size_t)(slash - config->path) + 1 : 0;
    if (strncmp(path, config->path, folder) != 0) return NULL;
    return backup_below(path + folder) ? path + folder : NULL;
}

static enum err put_config_file(struct saving *s, const char *path)
{
    const char *name = below_site(s->how->config, path);
    struct backup_member m = { .kind = BACKUP_CONFIG };
    struct stat st;
    if (!name) {
        if (s->left_count == LEFT_OUT_MAX) return fail(s, path, "too many files elsewhere", ERANGE);
        s->left_out[s->left_count++] = path;
        return ERR_NONE;
    }
    if (!text_copy(m.name, sizeof m.name, name)) m.name[0] = '\0'; /* put_member says so */
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    if (fd < 0) return fail(s, path, "can't be read", errno);
    enum err err;
    if (fstat(fd, &st) == 0) {
        m.mode = st.st_mode & 0777U;
        m.bytes = (int64_t)st.st_size;
        err = put_member(s, fd, path, &m);
    } else {
        err = fail(s, path, "can't be read", errno);
    }
    close(fd);
    return err;
}

static enum err put_config(struct saving *s)
{
    enum err err = ERR_NONE;
    for (const struct config_file *f = s->how->config->files; f && err == ERR_NONE; f = f->next) {
        err = put_config_file(s, f->path);
    }
    return err;
}

/* --- the journal ------------------------------------------------------------------------------ */

/* How long it is up to its last line feed; -1 with errno. */
static int64_t whole_length(int fd, int64_t size)
{
    char chunk[CHUNK];
    while (size > 0) {
        const size_t count = size < CHUNK ? (size_t)size : CHUNK;
        const ssize_t n = pread(fd, chunk, count, (off_t)(size - (int64_t)count));
        if (n < 0 && errno == EINTR) continue;
        if (n != (ssize_t)count) return n < 0 ? -1 : 0;
        for (size_t i = count; i > 0; i--) {
            if (chunk[i - 1] == '\n') return size - (int64_t)(count - i);
        }
        size -= (int64_t)count;
    }
    return 0;
}

/* A file of the journal's directory; ENOENT is an answer. */
static enum err put_journal_file(struct saving *s, const char *name, bool newest, int *ret_error)
{
    struct backup_member m = { .kind = BACKUP_JOURNAL };
    struct stat st;
    const int fd = openat(s->journal_fd, name, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    *ret_error = fd < 0 ? errno : 0;
    if (*ret_error == ENOENT) return ERR_NONE;
    const char *dir = s->how->config->journal_dir;
    if (fd < 0) return journal_errno(s->problem, dir, name, "can't be read", errno);
    (void)text_copy(m.name, sizeof m.name, name);
    m.bytes = -1;
    if (fstat(fd, &st) == 0) {
        m.mode = st.st_mode & 0777U;
        m.bytes = newest ? whole_length(fd, (int64_t)st.st_size) : (int64_t)st.st_size;
    }
    const enum err err = m.bytes < 0 ? journal_errno(s->problem, dir, name, "can't be read", errno)
                                     : put_member(s, fd, name, &m);
    close(fd);
    return err;
}

/* The torn ends that were cut off a segment and kept. */
static enum err put_torn(struct saving *s, const char *segment)
{
    enum err err = ERR_NONE;
    int error = 0;
    for (int n = 1; err == ERR_NONE && error == 0; n++) {
        char name[USTAR_NAME_MAX];
        struct text t = text_over(name, sizeof name);
        text_add(&t, segment);
        text_add(&t, ".torn-");
        text_add_int(&t, n);
        err = put_journal_file(s, name, false, &error);
    }
    return err;
}

/* One that isn't there any more was pruned since they were listed: they are listed anew. */
static enum err put_segments(struct saving *s, const struct segments *list, bool *ret_again)
{
    enum err err = ERR_NONE;
    int error = 0;
    for (size_t i = 0; i < list->count && err == ERR_NONE && !*ret_again; i++) {
        char name[SEGMENT_NAME_MAX];
        segment_name(name, &list->item[i]);
        err = put_journal_file(s, name, i + 1 == list->count, &error);
        *ret_again = error == ENOENT;
        if (err == ERR_NONE && !*ret_again) err = put_torn(s, name);
    }
    return err;
}

static enum err put_journal(struct saving *s, bool *ret_again)
{
    const char *dir = s->how->config->journal_dir;
    struct segments list = { 0 };
    enum err err = segments_list(&list, s->journal_fd, s->problem);
    if (err == ERR_NONE && list.count == 0)
        err = problem_set(s->problem, ERR_MISSING, dir, "there is no journal here");
    if (err == ERR_NONE) err = put_segments(s, &list, ret_again);
    segments_free(&list);
    return err;
}

/* --- the whole -------------------------------------------------------------------------------- */

struct growing {
    char *text;
    size_t length, room;
};

static bool keep_line(void *context, const char *line, size_t length)
{
    struct growing *g = context;
    if (g->length + length > g->room) {
        const size_t room = (g->room + length) * 2;
        char *more = realloc(g->text, room);
        if (!more) return false;
        g->text = more;
        g->room = room;
    }
    memcpy(g->text + g->length, line, length);
    g->length += length;
    return true;
}

static enum err put_manifest(struct saving *s)
{
    const uint8_t zeros[2 * USTAR_BLOCK] = { 0 };
    const struct link_stamp stamp = { .now = s->how->now, .boot = s->boot };
    struct growing g = { .length = 0 };
    s->left_out[s->left_count] = NULL;
    bool good = backup_tell(s->ret, s->left_out, &stamp, keep_line, &g);
    if (!good) errno = ENOMEM;
    good = good && put_header(s, backup_manifest_name, (int64_t)g.length, MODE) &&
           put(s, g.text, g.length) && put_filling(s, (int64_t)g.length) &&
           put(s, zeros, sizeof zeros) && fflush(s->out) == 0;
    const int error = errno;
    free(g.text);
    s->ret->left_out = (uint32_t)s->left_count;
    return good ? ERR_NONE : fail(s, s->how->path, "can't be written", error);
}

/* Once more through the eyes of a restore: what is on disk, from the beginning. */
static enum err verify_copy(struct saving *s)
{
    struct backup again = { .fd = fileno(s->out) };
    const enum err err = backup_open(&again, s->how->path, s->problem);
    backup_free(&again);
    return err;
}

static bool start_anew(struct saving *s)
{
    s->ret->count = 0;
    s->left_count = 0;
    s->at = 0;
    return !s->out || (fflush(s->out) == 0 && ftruncate(fileno(s->out), 0) == 0 &&
                          fseek(s->out, 0, SEEK_SET) == 0);
}

/* The journal as it was copied; without a copy, as it is. */
static enum err look_at_journal(struct saving *s)
{
    struct journal_report found;
    if (s->out) {
        if (fflush(s->out) != 0) return fail(s, s->how->path, "can't be written", errno);
        s->ret->fd = fileno(s->out);
        const enum err err = backup_verify_journal(&s->ret->head, s->ret, s->problem);
        if (fseek(s->out, 0, SEEK_END) != 0)
            return fail(s, s->how->path, "can't be written", errno);
        return err;
    }
    const enum err err = journal_scan(s->how->config->journal_dir, NULL, NULL, &found, s->problem);
    if (err != ERR_NONE) return err;
    s->ret->head.tip = found.tip;
    s->ret->head.records = found.records;
    s->ret->head.whole = !found.damaged;
    return ERR_NONE;
}

/* A broken place may be one that came from pruning meanwhile: then it isn't there the next time. */
static enum err copy_all(struct saving *s)
{
    enum err err = ERR_NONE;
    for (int tries = 1; tries <= TRIES_MAX && err == ERR_NONE; tries++) {
        bool again = false;
        if (!start_anew(s)) return fail(s, s->how->path, "can't be written", errno);
        err = put_config(s);
        if (err == ERR_NONE) err = put_journal(s, &again);
        if (err == ERR_NONE && again && tries < TRIES_MAX) continue;
        if (err == ERR_NONE && again)
            return fail(s, s->how->config->journal_dir, "changes all the time", EAGAIN);
        if (err == ERR_NONE) err = look_at_journal(s);
        if (err == ERR_NONE && s->ret->head.whole) break;
    }
    if (err == ERR_NONE && s->out) err = put_manifest(s);
    return err == ERR_NONE && s->out ? verify_copy(s) : err;
}

static void write_copy(FILE *out, const void *context)
{
    struct saving *s = *(struct saving *const *)context;
    s->out = out;
    s->err = copy_all(s);
    s->failed = s->err != ERR_NONE;
}

static enum err make_file(struct saving *s)
{
    static const char *const beginnings[] = { NULL };
    const struct save_file what = { .path = s->how->path,
        .over = s->how->over,
        .kind = "backup that may be lost",
        .beginnings = beginnings,
        .write = write_copy,
        .context = &s,
        .failed = &s->failed,
        .mode = MODE };
    struct problem of_file = { .err = ERR_NONE };
    const enum err err = save_file(&what, &of_file);
    if (s->failed) return s->err;
    if (err != ERR_NONE) *s->problem = of_file;
    return err;
}

/* Absolute, without links, so that it says the same wherever it is read. */
static enum err fill_path(struct saving *s, char ret[BACKUP_PATH_MAX], const char *path)
{
    char *whole = realpath(path, NULL);
    if (!whole) return fail(s, path, "can't be found", errno);
    const bool fits = text_copy(ret, BACKUP_PATH_MAX, whole);
    free(whole);
    return fits ? ERR_NONE : fail(s, path, "can't be named", ENAMETOOLONG);
}

static enum err fill_head(struct saving *s)
{
    struct backup_head *head = &s->ret->head;
    const struct config *config = s->how->config;
    struct text made = text_over(head->made, sizeof head->made);
    (void)text_copy(head->site, sizeof head->site, config->site.key);
    text_add_civil(&made, s->how->now.civil);
    (void)text_copy(head->clock, sizeof head->clock, clock_trust_word(s->how->now.clock));
    const enum err err = fill_path(s, head->site_file, config->path);
    return err == ERR_NONE ? fill_path(s, head->journal_dir, config->journal_dir) : err;
}

enum err backup_save(struct backup *ret, const struct backup_saving *how, struct problem *problem)
{
    struct saving *s = calloc(1, sizeof *s);
    *ret = (struct backup){ .fd = -1 };
    if (!s) return problem_set(problem, ERR_FULL, "backup", "no memory left");
    *s = (struct saving){ .how = how, .ret = ret, .problem = problem };
    clock_boot(s->boot);
    enum err err = fill_head(s);
    const int flags = O_RDONLY | O_DIRECTORY | O_CLOEXEC;
    s->journal_fd = err == ERR_NONE ? open(how->config->journal_dir, flags) : -1;
    if (err == ERR_NONE && s->journal_fd < 0)
        err = fail(s, how->config->journal_dir, "can't be opened as a directory", errno);
    if (err == ERR_NONE) err = how->path ? make_file(s) : copy_all(s);
    if (s->journal_fd >= 0) close(s->journal_fd);
    ret->fd = -1;
    free(s);
    return err;
}
