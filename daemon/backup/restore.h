/* Puts a backup back (docs/backup.md). Everything is written beside what it will replace first,
 * verified and synced; then two directories change places and files are renamed, which needs no
 * room. Until that is done a mark in the journal's directory keeps the daemon from starting, so
 * that it never sees a half of it. What was there stays beside it under another name. */
#ifndef DOSEWRIGHT_DAEMON_RESTORE_H
#define DOSEWRIGHT_DAEMON_RESTORE_H

#include "daemon/backup/backup.h"

struct restore {
    const struct backup *from;
    char site_file[BACKUP_PATH_MAX]; /* absolute: other files go below its folder */
    char journal_dir[BACKUP_PATH_MAX];
};

enum restore_journal {
    RESTORE_NO_JOURNAL,    /* there is none */
    RESTORE_SAME_JOURNAL,  /* it ends where the copy does */
    RESTORE_LATER_JOURNAL, /* it goes on after the copy's end */
    RESTORE_OTHER_JOURNAL, /* the copy's end isn't in it */
};

struct restore_found {
    enum restore_journal journal;
    int64_t seq;                 /* its newest record's */
    uint32_t files, changes;     /* of the configuration; there with another content */
    char first[BACKUP_PATH_MAX]; /* of those that change; "" for none */
    struct problem held;         /* ERR_BUSY: a daemon writes that journal; else ERR_NONE */
};

/* What it would replace. Changes nothing, and doesn't mind a daemon. ERR_IO. */
enum err restore_look(struct restore_found *ret, const struct restore *r, struct problem *problem)
    __attribute__((warn_unused_result));

/* Does it, whatever it replaces. ERR_BUSY; anything else that can't be done before the places
 * change leaves all as it was. */
enum err restore_do(const struct restore *r, struct now now, struct problem *problem)
    __attribute__((warn_unused_result));

/* --- restore_stage.c: what is written beside. Private to the restore ---------------------------
 */

extern const char restore_ending[]; /* ".restoring": of what is written beside */

/* Where a member of the configuration goes; with an ending, what is written beside it. */
enum err restore_place(char ret[BACKUP_PATH_MAX], const struct restore *r,
    const struct backup_member *member, const char *ending, struct problem *problem)
    __attribute__((warn_unused_result));

/* Is the file there with that content? *ret_there: it is there. */
bool restore_is_same(const char *path, const struct backup_member *member, bool *ret_there);

/* Writes every file of the configuration that isn't there as it is, and the whole journal with its
 * 'restored' record, and syncs it. On failure nothing is left of it. */
enum err restore_stage(const struct restore *r, struct now now, struct problem *problem)
    __attribute__((warn_unused_result));
void restore_unstage(const struct restore *r);

/* What was just made at this path becomes its folder's owner's. False with errno. */
bool restore_own_new(int fd, const char *path);

/* Removes a directory of a journal with the files in it. False with errno. */
bool restore_remove_dir(const char *path);

/* "<path>.replaced-<n>": a name that is free; false when there is none. */
bool restore_spare_name(char ret[BACKUP_PATH_MAX], const char *path);

#endif
