/* For renameat2, which lets two directories change places in one step. */
#define _GNU_SOURCE
#include "daemon/backup/restore.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/journal/journal_inside.h"

static enum err fail(struct problem *problem, const char *path, const char *what, int error)
{
    return journal_errno(problem, path, "", what, error);
}

/* --- the journal that is there ---------------------------------------------------------------- */

static void let_go(struct journal *j)
{
    if (j->lock_fd >= 0) close(j->lock_fd);
    if (j->dir_fd >= 0) close(j->dir_fd);
}

/* Holds it, so that no daemon begins to write; it is made if it is missing. */
static enum err hold(struct journal *ret, char *dir, struct problem *problem)
{
    *ret = (struct journal){ .dir = dir, .dir_fd = -1, .lock_fd = -1, .fd = -1 };
    const enum err err = journal_dir_open(ret, problem);
    if (err != ERR_NONE) let_go(ret);
    return err;
}

struct search {
    const struct link_tip *tip;
    bool found;
};

static void look_for_tip(void *context, const struct record *record, const char *line)
{
    struct search *search = context;
    (void)line;
    if (text_same(record_text_or_empty(record, "hash"), search->tip->hash)) search->found = true;
}

static enum err look_at_journal(
    struct restore_found *ret, const struct restore *r, struct problem *problem)
{
    struct search search = { .tip = &r->from->head.tip };
    struct journal_report report;
    struct stat st;
    if (stat(r->journal_dir, &st) != 0 && errno == ENOENT) return ERR_NONE;
    enum err err = journal_scan(r->journal_dir, look_for_tip, &search, &report, problem);
    if (err != ERR_NONE || report.segments == 0) return err;
    ret->seq = report.tip.seq;
    ret->journal = RESTORE_OTHER_JOURNAL;
    if (search.found) ret->journal = RESTORE_LATER_JOURNAL;
    if (text_same(report.tip.hash, search.tip->hash)) ret->journal = RESTORE_SAME_JOURNAL;
    return ERR_NONE;
}

/* Another journal below it would change places, too. */
static enum err look_for_folders(const char *path, struct problem *problem)
{
    char words[PROBLEM_TEXT_MAX];
    struct text t = text_over(words, sizeof words);
    struct stat st;
    enum err err = ERR_NONE;
    DIR *dir = opendir(path);
    if (!dir) return errno == ENOENT ? ERR_NONE : fail(problem, path, "can't be read", errno);
    for (const struct dirent *e = readdir(dir); e && err == ERR_NONE; e = readdir(dir)) {
        if (text_same(e->d_name, ".") || text_same(e->d_name, "..")) continue;
        if (fstatat(dirfd(dir), e->d_name, &st, AT_SYMLINK_NOFOLLOW) != 0 || !S_ISDIR(st.st_mode))
            continue;
        text_add(&t, "it holds a folder, ");
        text_add_quoted(&t, e->d_name, strlen(e->d_name), 60);
        text_add(&t, ", which would be moved away with it: move that elsewhere first");
        err = problem_set(problem, ERR_IO, path, words);
    }
    closedir(dir);
    return err;
}

/* Looking changes nothing: where no daemon has ever held it there is nothing to hold, and a lock of
 * root's would keep the service out. */
static bool was_ever_held(const struct restore *r)
{
    char path[BACKUP_PATH_MAX + sizeof "/lock"];
    struct stat st;
    struct text t = text_over(path, sizeof path);
    text_add(&t, r->journal_dir);
    text_add_char(&t, '/');
    text_add(&t, journal_lock_name);
    return lstat(path, &st) == 0 || errno != ENOENT;
}

static enum err look_whether_held(
    struct restore_found *ret, const struct restore *r, struct problem *problem)
{
    char dir[BACKUP_PATH_MAX];
    struct journal held;
    if (!was_ever_held(r)) return ERR_NONE;
    (void)text_copy(dir, sizeof dir, r->journal_dir);
    const enum err err = hold(&held, dir, problem);
    if (err == ERR_NONE) let_go(&held);
    if (err != ERR_BUSY) return err;
    ret->held = *problem;
    *problem = (struct problem){ .err = ERR_NONE };
    return ERR_NONE;
}

enum err restore_look(struct restore_found *ret, const struct restore *r, struct problem *problem)
{
    *ret = (struct restore_found){ .journal = RESTORE_NO_JOURNAL };
    enum err err = look_whether_held(ret, r, problem);
    if (err == ERR_NONE) err = look_for_folders(r->journal_dir, problem);
    if (err == ERR_NONE) err = look_at_journal(ret, r, problem);
    for (size_t i = 0; i < r->from->count && err == ERR_NONE; i++) {
        const struct backup_member *member = &r->from->member[i];
        char path[BACKUP_PATH_MAX];
        bool there;
        if (member->kind != BACKUP_CONFIG) continue;
        ret->files++;
        err = restore_place(path, r, member, "", problem);
        if (err != ERR_NONE || restore_is_same(path, member, &there) || !there) continue;
        if (ret->changes++ == 0) (void)text_copy(ret->first, sizeof ret->first, path);
    }
    return err;
}

/* --- changing places -------------------------------------------------------------------------- */

static bool sync_folder(const char *path)
{
    char folder[BACKUP_PATH_MAX];
    struct text t = text_over(folder, sizeof folder);
    const char *slash = strrchr(path, '/');
    text_add_bytes(&t, path, slash == path ? 1 : (size_t)(slash - path));
    const int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    const bool good = fd >= 0 && fsync(fd) == 0;
    if (fd >= 0) close(fd);
    return good;
}

static bool set_mark(const char *dir, bool on)
{
    const int dir_fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (dir_fd < 0) return false;
    bool good;
    if (on) {
        const int fd = openat(dir_fd, journal_mark_name, O_WRONLY | O_CREAT | O_CLOEXEC, 0640);
        good = fd >= 0;
        if (fd >= 0) close(fd);
    } else {
        good = unlinkat(dir_fd, journal_mark_name, 0) == 0 || errno == ENOENT;
    }
    good = good && fsync(dir_fd) == 0;
    close(dir_fd);
    return good;
}

static enum err swap_journals(const struct restore *r, const char *beside, struct problem *problem)
{
    const bool marked = set_mark(beside, true) && set_mark(r->journal_dir, true);
    if (marked && renameat2(AT_FDCWD, beside, AT_FDCWD, r->journal_dir, RENAME_EXCHANGE) == 0) {
        (void)sync_folder(beside);
        return ERR_NONE;
    }
    const int error = errno;
    (void)set_mark(r->journal_dir, false);
    if (error == EBUSY)
        return problem_set(problem, ERR_IO, r->journal_dir,
            "it is a mount point, which can't be replaced: name a folder below it in the "
            "configuration");
    return fail(problem, r->journal_dir, "can't change places with the copy", error);
}

/* The former file stays beside it. */
static enum err swap_file(
    const struct restore *r, const struct backup_member *member, struct problem *problem)
{
    char path[BACKUP_PATH_MAX], beside[BACKUP_PATH_MAX], spare[BACKUP_PATH_MAX];
    struct stat st;
    enum err err = restore_place(path, r, member, "", problem);
    if (err == ERR_NONE) err = restore_place(beside, r, member, restore_ending, problem);
    if (err != ERR_NONE || lstat(beside, &st) != 0) return err; /* it is there as it should be */
    const bool kept =
        lstat(path, &st) != 0 || (restore_spare_name(spare, path) && link(path, spare) == 0);
    if (kept && rename(beside, path) == 0 && sync_folder(path)) return ERR_NONE;
    return fail(problem, path, "can't be replaced; say the same again to finish", errno);
}

static enum err swap_files(const struct restore *r, struct problem *problem)
{
    enum err err = ERR_NONE;
    for (size_t i = 0; i < r->from->count && err == ERR_NONE; i++) {
        const struct backup_member *member = &r->from->member[i];
        if (member->kind == BACKUP_CONFIG) err = swap_file(r, member, problem);
    }
    return err;
}

/* The journal that was replaced gets a name of its own; one without a segment isn't worth it. Its
 * mark goes last: without it, what stands under the former name would be taken for half a copy. */
static enum err put_away(const char *beside, bool empty, struct problem *problem)
{
    char name[BACKUP_PATH_MAX], spare[BACKUP_PATH_MAX];
    struct text t = text_over(name, sizeof name);
    text_add_bytes(&t, beside, strlen(beside) - strlen(restore_ending));
    bool good;
    if (empty)
        good = restore_remove_dir(beside);
    else
        good = restore_spare_name(spare, name) && rename(beside, spare) == 0 &&
               sync_folder(beside) && set_mark(spare, false);
    return good ? ERR_NONE : fail(problem, beside, "can't be put away", errno);
}

/* Until the journals have changed places nothing is lost by going back. */
static enum err go_on(const struct restore *r, bool empty, struct problem *problem)
{
    char beside[BACKUP_PATH_MAX];
    struct text t = text_over(beside, sizeof beside);
    text_add(&t, r->journal_dir);
    text_add(&t, restore_ending);
    enum err err = swap_files(r, problem);
    if (err == ERR_NONE && !set_mark(r->journal_dir, false))
        err = fail(problem, r->journal_dir, "the mark can't be removed", errno);
    return err == ERR_NONE ? put_away(beside, empty, problem) : err;
}

static enum err swap_or_go_back(const struct restore *r, struct problem *problem)
{
    char beside[BACKUP_PATH_MAX];
    struct text t = text_over(beside, sizeof beside);
    text_add(&t, r->journal_dir);
    text_add(&t, restore_ending);
    const enum err err = swap_journals(r, beside, problem);
    if (err != ERR_NONE) restore_unstage(r);
    return err;
}

enum err restore_do(const struct restore *r, struct now now, struct problem *problem)
{
    char dir[BACKUP_PATH_MAX];
    struct restore_found found = { .journal = RESTORE_NO_JOURNAL };
    struct journal held;
    struct stat st;
    const bool made = stat(r->journal_dir, &st) != 0;
    (void)text_copy(dir, sizeof dir, r->journal_dir);
    enum err err = hold(&held, dir, problem);
    if (err != ERR_NONE) return err;
    if (made && !restore_own_new(held.dir_fd, dir))
        err = fail(problem, dir, "can't be given to its owner", errno);
    if (err == ERR_NONE) err = look_for_folders(dir, problem);
    if (err == ERR_NONE) err = look_at_journal(&found, r, problem);
    if (err == ERR_NONE) err = restore_stage(r, now, problem);
    if (err == ERR_NONE) err = swap_or_go_back(r, problem);
    if (err == ERR_NONE)
        err = go_on(r, found.journal == RESTORE_NO_JOURNAL, problem);
    else if (made)
        (void)restore_remove_dir(r->journal_dir);
    let_go(&held);
    return err;
}
