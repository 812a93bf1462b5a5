/* dosewright backup and dosewright restore: their command lines and what they say. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/backup/restore.h"
#include "daemon/base/clock.h"
#include "daemon/base/misuse.h"
#include "daemon/base/problems.h"
#include "daemon/config/config.h"
#include "daemon/tool/cmd.h"
#include "lib/base/text.h"

enum { GO_ON = -1 };

static const char backup_usage[] =
    "usage: dosewright backup [--dry-run] [--force] SITE.yaml FILE\n"
    "\n"
    "Copies the configuration (SITE.yaml and every file below its folder that it names) and the\n"
    "journal into FILE, a tape archive. A daemon may be running. The copy is read back and\n"
    "verified before it gets its name. Secrets and certificates aren't in it.\n"
    "\n"
    "  --dry-run  read everything, say what would be copied, write nothing\n"
    "  --force    FILE may be replaced\n"
    "\n"
    "exit codes: 0 done, 1 FILE is there already, 66 there is no journal, 74 it can't be read or\n"
    "written, 78 the configuration isn't valid, 64 a wrong argument\n";

static const char restore_usage[] =
    "usage: dosewright restore [--dry-run] [--force] [--journal DIR] FILE [SITE.yaml]\n"
    "\n"
    "Verifies FILE, then puts configuration and journal back where they were, or the\n"
    "configuration to SITE.yaml. The daemon must be stopped, but for --dry-run. What is replaced\n"
    "stays beside it, as NAME.replaced-1. Afterwards every limit counts as used up for a day, or\n"
    "until the alerts limits-unknown are acknowledged: what was dosed since the copy was made\n"
    "isn't in it.\n"
    "\n"
    "  --dry-run      verify, say what would be replaced, change nothing\n"
    "  --force        replace a journal or files that aren't the same\n"
    "  --journal DIR  put the journal there\n"
    "\n"
    "exit codes: 0 done, 1 something would be lost without --force, 65 FILE is damaged or from a\n"
    "newer program, 66 there is no FILE, 74 it can't be read or written, 75 a daemon is running,\n"
    "64 a wrong argument\n";

struct arguments {
    bool dry, force;
    const char *journal_dir;
    int count;
    const char *word[2];
};

static int misused(const char *command, const char *what, const char *word)
{
    misuse_say(command, strcmp(command, "backup") == 0 ? backup_usage : restore_usage, what, word);
    return EX_USAGE;
}

static int read_arguments(struct arguments *ret, int argc, char **argv)
{
    const bool restores = strcmp(argv[0], "restore") == 0;
    *ret = (struct arguments){ .count = 0 };
    for (int i = 1; i < argc; i++) {
        if (misuse_asks_help(argv[i])) {
            fputs(restores ? restore_usage : backup_usage, stdout);
            return EX_OK;
        }
        if (strcmp(argv[i], "--dry-run") == 0) {
            ret->dry = true;
        } else if (strcmp(argv[i], "--force") == 0) {
            ret->force = true;
        } else if (restores && strcmp(argv[i], "--journal") == 0) {
            if (i + 1 == argc) return misused(argv[0], "a directory is missing after", argv[i]);
            ret->journal_dir = argv[++i];
        } else if (argv[i][0] == '-' || ret->count == 2) {
            return misused(argv[0], "unexpected", argv[i]);
        } else {
            ret->word[ret->count++] = argv[i];
        }
    }
    if (ret->count >= (restores ? 1 : 2)) return GO_ON;
    return misused(argv[0], restores ? "which FILE?" : "which SITE.yaml, and which FILE?", NULL);
}

static int exit_code(enum err err)
{
    switch (err) {
    case ERR_NONE:
        return EX_OK;
    case ERR_BUSY:
        return EX_TEMPFAIL;
    case ERR_MISSING:
        return EX_NOINPUT;
    case ERR_SYNTAX:
    case ERR_RANGE:
    case ERR_UNKNOWN:
    case ERR_DUPLICATE:
    case ERR_DAMAGED:
        return EX_DATAERR;
    case ERR_FULL:
    case ERR_IO:
        break;
    }
    return EX_IOERR;
}

static int say(const char *command, const struct problem *problem)
{
    fprintf(stderr, "dosewright %s: %s: %s\n", command, problem->where, problem->text);
    return exit_code(problem->err);
}

/* --- backup ----------------------------------------------------------------------------------- */

static void print_copied(const struct backup *b, const char *file)
{
    int64_t bytes[2] = { 0, 0 };
    int files[2] = { 0, 0 };
    for (size_t i = 0; i < b->count; i++) {
        bytes[b->member[i].kind] += b->member[i].bytes;
        files[b->member[i].kind]++;
    }
    printf("%s%s\n", file ? "written: " : "nothing was written; it would hold:", file ? file : "");
    printf("site %s: %d files of its configuration, %lld bytes\n", b->head.site,
        files[BACKUP_CONFIG], (long long)bytes[BACKUP_CONFIG]);
    printf("journal: %d files, %lld bytes, %lld records; tip %lld %s\n", files[BACKUP_JOURNAL],
        (long long)bytes[BACKUP_JOURNAL], (long long)b->head.records, (long long)b->head.tip.seq,
        b->head.tip.hash);
    if (!b->head.whole)
        fprintf(stderr,
            "warning: the journal isn't whole, as 'dosewright journal verify' says; it was copied "
            "as it is\n");
    if (b->left_out > 0)
        fprintf(stderr,
            "warning: %u files of the configuration lie outside of the site file's folder and "
            "aren't in it\n",
            (unsigned)b->left_out);
}

static int make_backup(const struct arguments *a, const struct config *config)
{
    struct problem problem = { .err = ERR_NONE };
    struct backup b;
    const struct backup_saving how = {
        .config = config, .path = a->dry ? NULL : a->word[1], .over = a->force, .now = clock_now()
    };
    const enum err err = backup_save(&b, &how, &problem);
    if (err == ERR_NONE) print_copied(&b, how.path);
    backup_free(&b);
    if (err == ERR_NONE) return fflush(stdout) == 0 ? EX_OK : EX_IOERR;
    (void)say("backup", &problem);
    return err == ERR_BUSY ? 1 : exit_code(err);
}

int cmd_backup(int argc, char **argv)
{
    struct arguments a;
    const int code = read_arguments(&a, argc, argv);
    if (code != GO_ON) return code;
    struct stat st;
    if (!a.dry && !a.force && lstat(a.word[1], &st) == 0) {
        fprintf(stderr,
            "dosewright backup: %s: there is such a file already: choose another name, with the "
            "date in it for instance, or say --force\n",
            a.word[1]);
        return 1;
    }
    struct problem_list *errors = calloc(1, sizeof *errors);
    struct config *config = NULL;
    if (!errors) return EX_OSERR;
    int ended = EX_CONFIG;
    if (config_load(&config, a.word[0], true, errors) == ERR_NONE) {
        ended = make_backup(&a, config);
    } else {
        problems_say(errors);
        fputs("dosewright backup: the configuration isn't valid, so where the journal is can't be "
              "told\n",
            stderr);
    }
    config_free(config);
    free(errors);
    return ended;
}

/* --- restore ---------------------------------------------------------------------------------- */

static void print_found(
    const struct restore *r, const struct restore_found *found, bool *ret_needs_force)
{
    const struct backup_head *head = &r->from->head;
    printf("a copy of site %s, made %s (clock %s); journal: %lld records, tip %lld%s\n", head->site,
        head->made, head->clock, (long long)head->records, (long long)head->tip.seq,
        head->whole ? "" : ", not whole");
    printf("%s: ", r->journal_dir);
    switch (found->journal) {
    case RESTORE_NO_JOURNAL:
        puts("there is no journal yet");
        break;
    case RESTORE_SAME_JOURNAL:
        puts("the journal there ends where the copy does");
        break;
    case RESTORE_LATER_JOURNAL:
        printf("the journal there is newer: it goes on to record %lld, the copy ends at %lld\n",
            (long long)found->seq, (long long)head->tip.seq);
        break;
    case RESTORE_OTHER_JOURNAL:
        printf("the journal there (to record %lld) is another one: the copy's end isn't in it\n",
            (long long)found->seq);
        break;
    }
    printf("%s: %u files, of which %u are there and different%s%s\n", r->site_file,
        (unsigned)found->files, (unsigned)found->changes, found->changes > 0 ? ", as is " : "",
        found->first);
    *ret_needs_force = found->changes > 0 || found->journal == RESTORE_LATER_JOURNAL ||
                       found->journal == RESTORE_OTHER_JOURNAL;
}

static bool is_from(const struct restore *r, const char *path)
{
    for (size_t i = 0; i < r->from->count; i++) {
        char place[BACKUP_PATH_MAX];
        const struct backup_member *member = &r->from->member[i];
        if (member->kind != BACKUP_CONFIG) continue;
        if (restore_place(place, r, member, "", NULL) == ERR_NONE && text_same(place, path))
            return true;
    }
    return false;
}

/* What 'run' will make of it. */
static void check_after(const struct restore *r)
{
    struct problem_list *errors = calloc(1, sizeof *errors);
    struct config *config = NULL;
    if (!errors) return;
    const bool taken = config_load(&config, r->site_file, true, errors) == ERR_NONE;
    problems_say(errors);
    if (!taken)
        fputs("warning: this program doesn't take the configuration as it is now\n", stderr);
    for (const struct config_file *f = config ? config->files : NULL; f; f = f->next) {
        if (!is_from(r, f->path))
            fprintf(stderr, "warning: %s is read too, and isn't from the backup\n", f->path);
    }
    char *dir = config ? realpath(config->journal_dir, NULL) : NULL;
    if (config && (!dir || !text_same(dir, r->journal_dir)))
        fprintf(stderr, "warning: the configuration says that the journal is in %s\n",
            config->journal_dir);
    free(dir);
    config_free(config);
    free(errors);
}

static int finish(const struct restore *r, const struct arguments *a)
{
    struct restore_found found;
    struct problem problem = { .err = ERR_NONE };
    bool needs_force = false;
    if (restore_look(&found, r, &problem) != ERR_NONE) return say("restore", &problem);
    if (found.held.err != ERR_NONE && !a->dry) return say("restore", &found.held);
    print_found(r, &found, &needs_force);
    if (found.held.err != ERR_NONE)
        printf("%s: %s. It goes on meanwhile; the restore itself is refused until that daemon is "
               "stopped\n",
            found.held.where, found.held.text);
    fflush(stdout);
    if (needs_force && !a->force) {
        fputs("nothing was changed: what is there would be replaced. If that is meant, say "
              "--force\n",
            stderr);
        return 1;
    }
    if (a->dry) {
        puts("nothing was changed");
        return fflush(stdout) == 0 ? EX_OK : EX_IOERR;
    }
    if (restore_do(r, clock_now(), &problem) != ERR_NONE) return say("restore", &problem);
    check_after(r);
    puts("put back. At the daemon's next start all limits count as used up: see the alerts "
         "journal-restored and limits-unknown");
    return fflush(stdout) == 0 ? EX_OK : EX_IOERR;
}

/* Absolute; a directory without its links, so that they aren't what changes places. */
static bool make_absolute(char ret[BACKUP_PATH_MAX], const char *path, bool follow)
{
    struct text t = text_over(ret, BACKUP_PATH_MAX);
    char *whole = follow ? realpath(path, NULL) : NULL;
    char *here = whole || path[0] == '/' ? NULL : getcwd(NULL, 0);
    if (here) {
        text_add(&t, here);
        text_add_char(&t, '/');
    }
    text_add(&t, whole ? whole : path);
    while (t.length > 1 && ret[t.length - 1] == '/') {
        ret[--t.length] = '\0';
    }
    free(whole);
    free(here);
    return !t.cut && ret[0] == '/' && t.length > 1;
}

static int run_restore(const struct arguments *a, int fd)
{
    struct problem problem = { .err = ERR_NONE };
    struct backup b = { .fd = fd };
    struct restore r = { .from = &b };
    int code;
    if (backup_open(&b, a->word[0], &problem) != ERR_NONE) {
        code = say("restore", &problem);
    } else if (!make_absolute(r.site_file, a->word[1] ? a->word[1] : b.head.site_file, false) ||
               !make_absolute(
                   r.journal_dir, a->journal_dir ? a->journal_dir : b.head.journal_dir, true)) {
        code = misused("restore", "that path is too long, or none", NULL);
    } else {
        code = finish(&r, a);
    }
    backup_free(&b);
    return code;
}

int cmd_restore(int argc, char **argv)
{
    struct arguments a;
    int code = read_arguments(&a, argc, argv);
    if (code != GO_ON) return code;
    const int fd = open(a.word[0], O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (fd < 0) {
        code = errno == ENOENT ? EX_NOINPUT : EX_IOERR;
        fprintf(stderr, "dosewright restore: %s: %s\n", a.word[0], strerror(errno));
        return code;
    }
    code = run_restore(&a, fd);
    close(fd);
    return code;
}
