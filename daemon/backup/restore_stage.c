#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/backup/restore.h"
#include "daemon/base/clock.h"
#include "daemon/journal/journal_inside.h"

const char restore_ending[] = ".restoring";

enum {
    KEEP_DAYS = 1000000, /* nothing of the copy is pruned here */
    SYNC_MS = 60000,     /* a disk that takes longer for one record is given up */
    SPARE_MAX = 10000,
    DIR_MODE = 0750,
};

static enum err fail(struct problem *problem, const char *path, const char *what, int error)
{
    return journal_errno(problem, path, "", what, error);
}

/* --- names ------------------------------------------------------------------------------------ */

enum err restore_place(char ret[BACKUP_PATH_MAX], const struct restore *r,
    const struct backup_member *member, const char *ending, struct problem *problem)
{
    struct text t = text_over(ret, BACKUP_PATH_MAX);
    const char *slash = strrchr(r->site_file, '/'), *from = strrchr(r->from->head.site_file, '/');
    const bool is_site = text_same(member->name, from + 1); /* it may get another name */
    text_add_bytes(&t, r->site_file, (size_t)(slash - r->site_file) + 1);
    text_add(&t, is_site ? slash + 1 : member->name);
    text_add(&t, ending);
    return t.cut ? fail(problem, member->name, "can't be put there", ENAMETOOLONG) : ERR_NONE;
}

/* The journal's staging directory. */
static bool staging_dir(char ret[BACKUP_PATH_MAX], const struct restore *r)
{
    struct text t = text_over(ret, BACKUP_PATH_MAX);
    text_add(&t, r->journal_dir);
    text_add(&t, restore_ending);
    return !t.cut;
}

bool restore_spare_name(char ret[BACKUP_PATH_MAX], const char *path)
{
    struct stat st;
    for (int n = 1; n <= SPARE_MAX; n++) {
        struct text t = text_over(ret, BACKUP_PATH_MAX);
        text_add(&t, path);
        text_add(&t, ".replaced-");
        text_add_int(&t, n);
        if (!t.cut && lstat(ret, &st) != 0 && errno == ENOENT) return true;
    }
    return false;
}

/* --- files ------------------------------------------------------------------------------------ */

static bool digest_of(int fd, char ret[DIGEST_HEX_MAX])
{
    char chunk[4096];
    struct load_digest *digest = digest_open();
    ssize_t n = digest ? 1 : -1;
    while (n > 0) {
        n = read(fd, chunk, sizeof chunk);
        if (n < 0 && errno == EINTR)
            n = 1;
        else if (n > 0)
            digest_add(digest, chunk, (size_t)n);
    }
    return digest_close(digest, ret) && n == 0;
}

bool restore_is_same(const char *path, const struct backup_member *member, bool *ret_there)
{
    struct stat st;
    char sha256[DIGEST_HEX_MAX];
    *ret_there = lstat(path, &st) == 0;
    if (!*ret_there || !S_ISREG(st.st_mode) || (int64_t)st.st_size != member->bytes) return false;
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    if (fd < 0) return false;
    const bool good = digest_of(fd, sha256);
    close(fd);
    return good && text_same(sha256, member->sha256);
}

/* As the model's owner: what root puts back must stay readable to the service. Who isn't root has
 * made it as itself. */
static bool own_as(int fd, const struct stat *model)
{
    return geteuid() != 0 || fchown(fd, model->st_uid, model->st_gid) == 0;
}

static bool look_at_folder(struct stat *ret, const char *path)
{
    char folder[BACKUP_PATH_MAX];
    struct text t = text_over(folder, sizeof folder);
    const char *slash = strrchr(path, '/');
    text_add_bytes(&t, path, slash == path ? 1 : (size_t)(slash - path));
    return stat(folder, ret) == 0;
}

/* What is, or will be, around it: the file itself, or its folder. */
static bool find_model(struct stat *ret, const char *path)
{
    return stat(path, ret) == 0 || look_at_folder(ret, path);
}

bool restore_own_new(int fd, const char *path)
{
    struct stat model = { 0 };
    return look_at_folder(&model, path) && own_as(fd, &model);
}

/* Folders of the configuration that are missing; the first one above is there. */
static enum err make_folders(const char *path, struct problem *problem)
{
    char folder[BACKUP_PATH_MAX];
    struct stat model = { 0 };
    for (const char *slash = strchr(path + 1, '/'); slash; slash = strchr(slash + 1, '/')) {
        struct text t = text_over(folder, sizeof folder);
        text_add_bytes(&t, path, (size_t)(slash - path));
        if (stat(folder, &model) == 0) continue;
        if (!find_model(&model, folder) || mkdir(folder, model.st_mode & 0777U) != 0)
            return fail(problem, folder, "can't be made", errno);
        const int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
        const bool good = fd >= 0 && own_as(fd, &model);
        const int error = errno;
        if (fd >= 0) close(fd);
        if (!good) return fail(problem, folder, "can't be made", error);
    }
    return ERR_NONE;
}

/* A new file with a member's bytes, on disk. */
static enum err write_member(const struct restore *r, const struct backup_member *member, int fd,
    const struct stat *model, struct problem *problem)
{
    enum err err = backup_copy_out(r->from, member, fd, problem);
    if (err != ERR_NONE) return err;
    if (fchmod(fd, member->mode & 0775U) != 0 || !own_as(fd, model) || fsync(fd) != 0)
        return fail(problem, member->name, "can't be put on disk", errno);
    return ERR_NONE;
}

/* --- the configuration ------------------------------------------------------------------------ */

static enum err stage_file(
    const struct restore *r, const struct backup_member *member, struct problem *problem)
{
    char path[BACKUP_PATH_MAX], beside[BACKUP_PATH_MAX];
    struct stat model = { 0 };
    bool there;
    enum err err = restore_place(path, r, member, "", problem);
    if (err == ERR_NONE) err = restore_place(beside, r, member, restore_ending, problem);
    if (err == ERR_NONE) err = make_folders(path, problem);
    if (err != ERR_NONE || restore_is_same(path, member, &there)) return err;
    if (there && (lstat(path, &model) != 0 || !S_ISREG(model.st_mode)))
        return problem_set(
            problem, ERR_IO, path, "there is something that isn't a regular file: move it away");
    (void)unlink(beside); /* of a restore that was cut off */
    const int fd = open(beside, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (fd < 0 || !find_model(&model, path)) err = fail(problem, beside, "can't be made", errno);
    if (err == ERR_NONE) err = write_member(r, member, fd, &model, problem);
    if (fd >= 0) close(fd);
    return err;
}

static enum err stage_config(const struct restore *r, struct problem *problem)
{
    enum err err = ERR_NONE;
    for (size_t i = 0; i < r->from->count && err == ERR_NONE; i++) {
        const struct backup_member *member = &r->from->member[i];
        if (member->kind == BACKUP_CONFIG) err = stage_file(r, member, problem);
    }
    return err;
}

/* --- the journal ------------------------------------------------------------------------------ */

bool restore_remove_dir(const char *path)
{
    DIR *dir = opendir(path);
    if (!dir) return false;
    for (const struct dirent *e = readdir(dir); e; e = readdir(dir)) {
        if (!text_same(e->d_name, ".") && !text_same(e->d_name, ".."))
            (void)unlinkat(dirfd(dir), e->d_name, 0);
    }
    closedir(dir);
    return rmdir(path) == 0;
}

/* Of a restore that was cut off: with the mark it may be the journal that was to be replaced, which
 * is kept; without, it is a copy that wasn't finished. */
static enum err clear_staging(const char *dir, struct problem *problem)
{
    char mark[BACKUP_PATH_MAX + 16], spare[BACKUP_PATH_MAX];
    struct stat st;
    if (lstat(dir, &st) != 0 && errno == ENOENT) return ERR_NONE;
    struct text t = text_over(mark, sizeof mark);
    text_add(&t, dir);
    text_add_char(&t, '/');
    text_add(&t, journal_mark_name);
    const bool kept = lstat(mark, &st) == 0;
    const bool good =
        kept ? restore_spare_name(spare, dir) && rename(dir, spare) == 0 : restore_remove_dir(dir);
    return good ? ERR_NONE : fail(problem, dir, "is in the way", errno);
}

static enum err stage_segment(const struct restore *r, const struct backup_member *member,
    int dir_fd, struct problem *problem)
{
    struct stat model = { 0 };
    const int flags = O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW;
    const int fd = openat(dir_fd, member->name, flags, 0600);
    if (fd < 0 || fstat(dir_fd, &model) != 0) {
        if (fd >= 0) close(fd);
        return fail(problem, member->name, "can't be made", errno);
    }
    const enum err err = write_member(r, member, fd, &model, problem);
    close(fd);
    return err;
}

static enum err await_disk(struct journal *j, int64_t seq, struct problem *problem)
{
    const struct mono begun = clock_now().mono;
    struct pollfd p = { .fd = journal_descriptor(j), .events = POLLIN };
    while (journal_synced(j) < seq) {
        if (journal_failed(j, problem)) return ERR_IO;
        if (mono_since(clock_now().mono, begun) > SYNC_MS)
            return problem_set(problem, ERR_IO, "journal", "the disk doesn't take it");
        (void)poll(&p, 1, 1000);
    }
    return journal_failed(j, problem) ? ERR_IO : ERR_NONE;
}

/* The journal goes on with a record that says so: from it on nobody knows what was dosed. */
static enum err add_record(
    const struct restore *r, const char *dir, struct now now, struct problem *problem)
{
    char boot[40];
    struct record record;
    struct journal_report report;
    struct journal *j = NULL;
    int64_t seq = 0;
    clock_boot(boot);
    const struct journal_options options = {
        .dir = dir, .keep_days = KEEP_DAYS, .boot = boot, .now = now
    };
    enum err err = journal_open(&j, &options, NULL, NULL, &report, problem);
    if (err != ERR_NONE) return err;
    record_start(&record, "restored");
    record_add_text(&record, "made", r->from->head.made);
    record_add_int(&record, "tip_seq", r->from->head.tip.seq);
    record_add_text(&record, "tip_hash", r->from->head.tip.hash);
    err = journal_append(j, &record, now, &seq, NULL, problem);
    if (err == ERR_NONE) err = await_disk(j, seq, problem);
    journal_close(j);
    return err;
}

/* What opening made is the service's, as all else. */
static bool own_all(int dir_fd, const struct stat *model)
{
    const int copy = dup(dir_fd);
    DIR *dir = copy < 0 ? NULL : fdopendir(copy);
    if (!dir) {
        if (copy >= 0) close(copy);
        return false;
    }
    bool good = true;
    for (const struct dirent *e = readdir(dir); e && good; e = readdir(dir)) {
        if (text_same(e->d_name, ".") || text_same(e->d_name, "..")) continue;
        good = geteuid() != 0 ||
               fchownat(dir_fd, e->d_name, model->st_uid, model->st_gid, AT_SYMLINK_NOFOLLOW) == 0;
    }
    const int error = errno;
    closedir(dir);
    errno = error;
    return good && fchmod(dir_fd, model->st_mode & 0775U) == 0 && own_as(dir_fd, model) &&
           fsync(dir_fd) == 0;
}

static enum err fill_staging(
    const struct restore *r, const char *dir, struct now now, struct problem *problem)
{
    struct stat model = { 0 };
    const int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) return fail(problem, dir, "can't be opened", errno);
    enum err err = ERR_NONE;
    for (size_t i = 0; i < r->from->count && err == ERR_NONE; i++) {
        const struct backup_member *member = &r->from->member[i];
        if (member->kind == BACKUP_JOURNAL) err = stage_segment(r, member, fd, problem);
    }
    if (err == ERR_NONE) err = add_record(r, dir, now, problem);
    if (err == ERR_NONE && (stat(r->journal_dir, &model) != 0 || !own_all(fd, &model)))
        err = fail(problem, dir, "can't be put on disk", errno);
    close(fd);
    return err;
}

static enum err stage_journal(const struct restore *r, struct now now, struct problem *problem)
{
    char dir[BACKUP_PATH_MAX];
    if (!staging_dir(dir, r))
        return fail(problem, r->journal_dir, "can't be put beside", ENAMETOOLONG);
    enum err err = clear_staging(dir, problem);
    if (err != ERR_NONE) return err;
    if (mkdir(dir, DIR_MODE) != 0) return fail(problem, dir, "can't be made", errno);
    return fill_staging(r, dir, now, problem);
}

/* --- both ------------------------------------------------------------------------------------- */

void restore_unstage(const struct restore *r)
{
    char path[BACKUP_PATH_MAX];
    for (size_t i = 0; i < r->from->count; i++) {
        const struct backup_member *member = &r->from->member[i];
        if (member->kind == BACKUP_CONFIG &&
            restore_place(path, r, member, restore_ending, NULL) == ERR_NONE)
            (void)unlink(path);
    }
    if (staging_dir(path, r)) (void)restore_remove_dir(path);
}

enum err restore_stage(const struct restore *r, struct now now, struct problem *problem)
{
    enum err err = stage_config(r, problem);
    if (err == ERR_NONE) err = stage_journal(r, now, problem);
    if (err != ERR_NONE) restore_unstage(r);
    return err;
}
