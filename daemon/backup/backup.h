/* A copy of a site in one file: its configuration and its journal (docs/backup.md). The file is a
 * tape archive that any tar can read. Its last member, the manifest, is a chain of records as the
 * journal's: each names a member with its size and SHA-256, so that nothing can be changed, left
 * out or cut off unseen. Without a key that shows damage, not a forgery. */
#ifndef DOSEWRIGHT_DAEMON_BACKUP_H
#define DOSEWRIGHT_DAEMON_BACKUP_H

#include "daemon/backup/ustar.h"
#include "daemon/base/digest.h"
#include "lib/base/problem.h"
#include "lib/journal/link.h"

enum {
    BACKUP_FORMAT = 1,          /* of the manifest */
    BACKUP_MEMBERS_MAX = 16384, /* forty years of segments and a few hundred files */
    BACKUP_PATH_MAX = 512,
    BACKUP_TIME_MAX = 32,
};

enum backup_kind { BACKUP_CONFIG, BACKUP_JOURNAL };

struct backup_member {
    enum backup_kind kind;
    char
        name[USTAR_NAME_MAX]; /* below the folder of the site file, or in the journal's directory */
    int64_t at, bytes;        /* within the backup */
    unsigned mode;
    char sha256[DIGEST_HEX_MAX];
};

/* What it is a copy of. */
struct backup_head {
    char site[40];                     /* its key */
    char site_file[BACKUP_PATH_MAX];   /* absolute */
    char journal_dir[BACKUP_PATH_MAX]; /* absolute */
    char made[BACKUP_TIME_MAX];        /* by that board's clock */
    char clock[16];                    /* how far that could be believed */
    bool whole;                        /* the journal verified when it was copied */
    int64_t records;                   /* of it */
    struct link_tip tip;               /* of its newest good record */
};

struct backup {
    int fd;
    struct backup_head head;
    uint32_t left_out; /* files of the configuration that lie elsewhere */
    size_t count, room;
    struct backup_member *member; /* in the order of the file; on the heap */
};

/* --- backup_list.c: members and the manifest ---------------------------------------------------
 */

/* Appends; false when there is no memory or are BACKUP_MEMBERS_MAX already. */
bool backup_add(struct backup *b, const struct backup_member *member);
void backup_free(struct backup *b); /* the members alone: 'fd' is the caller's */

/* A member's whole name in the archive, and back: false when no member can be called that (so no
 * name leads out of its folder). */
bool backup_full_name(char ret[USTAR_NAME_MAX], const struct backup_member *member);
bool backup_read_name(struct backup_member *ret, const char *full_name);

/* Does the path lead down from where it starts, and nowhere else? */
bool backup_below(const char *path);

extern const char backup_manifest_name[]; /* the last member's whole name */
extern const char backup_beginning[];     /* every backup begins with it */

/* The manifest's lines, one call each. 'left_out' (may be NULL) ends with a NULL. */
typedef bool (*backup_line)(void *context, const char *line, size_t length);
bool backup_tell(const struct backup *b, const char *const *left_out,
    const struct link_stamp *stamp, backup_line put, void *context);

/* Reads one; the members must be the ones that 'b' has already, and their digests are filled in.
 * ERR_DAMAGED; ERR_RANGE when a newer program made it. */
enum err backup_read_manifest(struct backup *b, const char *text, size_t length,
    struct problem *problem) __attribute__((warn_unused_result));

/* --- backup_save.c -----------------------------------------------------------------------------
 */

struct config;

struct backup_saving {
    const struct config *config;
    const char *path; /* of the backup; NULL: look at everything, write nothing */
    bool over;        /* a file of that name may be replaced */
    struct now now;
};

/* Copies, reads the copy back and verifies it before it gets its name. Beside a running daemon:
 * the copy ends with a whole record. What was copied is told in *ret (to be freed). */
enum err backup_save(struct backup *ret, const struct backup_saving *how, struct problem *problem)
    __attribute__((warn_unused_result));

/* --- backup_open.c -----------------------------------------------------------------------------
 */

/* Reads the archive in 'b->fd' and verifies everything: its form, its manifest, each member's
 * digest, the journal's chain and its tip. ERR_DAMAGED, ERR_RANGE (made by a newer program),
 * ERR_IO.
 */
enum err backup_open(struct backup *b, const char *path, struct problem *problem)
    __attribute__((warn_unused_result));

/* Verifies the journal's members by their chain: what it is in *ret (records, whole, tip). */
enum err backup_verify_journal(struct backup_head *ret, const struct backup *b,
    struct problem *problem) __attribute__((warn_unused_result));

/* Copies a member's bytes into 'to' (-1: nowhere) and compares its digest. */
enum err backup_copy_out(const struct backup *b, const struct backup_member *member, int to,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
