/* The machine: its clock, the room for the journal, and the journal itself. */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "daemon/doctor/doctor.h"
#include "daemon/journal/journal_scan.h"

enum { TRIES_MAX = 3, TRY_AGAIN_MS = 200, ROOM_DAYS = 30, NODES_LOW = 16 };

static const uint64_t room_least = 1024 * 1024, room_low = 32 * 1024 * 1024;
static const double mega = 1024.0 * 1024.0, day_ms = 86400000.0;

void doctor_clock(struct doctor *d)
{
    switch (d->now.clock) {
    case CLOCK_SYNCED:
        doctor_see(d, "clock", "kept in step");
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    case CLOCK_FREE:
        doctor_see(d, "clock", "it runs free: nothing keeps it in step, as far as can be seen");
        doctor_judge(d, DOCTOR_WARN,
            "schedules and records go by it: install a time service (systemd-timesyncd, chrony) "
            "and look at 'timedatectl'");
        return;
    case CLOCK_UNSET:
        doctor_see(d, "clock", "it was never set");
        doctor_judge(d, DOCTOR_FAIL,
            "the day of the schedule isn't known: give the board a time service, or a clock with "
            "a battery");
        return;
    }
}

/* --- room --------------------------------------------------------------------------------------
 */

struct used { /* by the journal's segments */
    uint64_t bytes;
    int64_t first_day;
    bool known;
};

static struct used journal_used(const char *dir)
{
    struct used used = { .known = false };
    struct segment s;
    struct stat st;
    DIR *list = opendir(dir);
    if (!list) return used;
    for (const struct dirent *e = readdir(list); e; e = readdir(list)) {
        if (!segment_read_name(&s, e->d_name)) continue;
        if (fstatat(dirfd(list), e->d_name, &st, AT_SYMLINK_NOFOLLOW) != 0) continue;
        if (!used.known || s.day < used.first_day) used.first_day = s.day;
        used.bytes += st.st_size > 0 ? (uint64_t)st.st_size : 0;
        used.known = true;
    }
    closedir(list);
    return used;
}

/* The folder, or the nearest one above it that is there. */
static bool look_at_room(const char *dir, struct statvfs *ret)
{
    char path[CONFIG_PATH_MAX];
    if (!text_copy(path, sizeof path, dir)) return false;
    while (statvfs(path, ret) != 0) {
        char *slash = strrchr(path, '/');
        if (errno != ENOENT) return false;
        if (!slash)
            (void)text_copy(path, sizeof path, ".");
        else
            slash[slash == path ? 1 : 0] = '\0';
    }
    return true;
}

/* Days until it is full at the journal's own pace; a huge number when that isn't known. */
static double days_left(const struct doctor *d, uint64_t room, const struct used *used)
{
    const double days = (double)d->now.civil.ms / day_ms - (double)used->first_day;
    if (!used->known || used->bytes == 0 || days <= 0) return 1e9;
    return (double)room / ((double)used->bytes / (days < 1 ? 1 : days));
}

static void judge_room(struct doctor *d, const struct statvfs *fs)
{
    const uint64_t room = (uint64_t)fs->f_bavail * fs->f_frsize;
    const struct used used = journal_used(d->config->journal_dir);
    const double days = days_left(d, room, &used);
    const bool nodes_low = fs->f_files > 0 && fs->f_favail < NODES_LOW;
    const char *dir = d->config->journal_dir;
    doctor_see(d, "disk", "%.0f MB are free for %s%s", (double)room / mega, dir,
        nodes_low ? ", but hardly a file can be made there" : "");
    if ((fs->f_flag & ST_RDONLY) != 0) {
        doctor_see(d, "disk", "the file system of %s is mounted read-only", dir);
        doctor_judge(d, DOCTOR_FAIL,
            "nothing is dosed that can't be recorded: look at 'dmesg' for why, then mount it for "
            "writing");
    } else if (room < room_least || (nodes_low && fs->f_favail == 0)) {
        doctor_judge(d, DOCTOR_FAIL,
            "nothing is dosed that can't be recorded: make room, or lower journal.keep_days");
    } else if (room < room_low || days < ROOM_DAYS || nodes_low) {
        if (days < ROOM_DAYS)
            doctor_see(d, "disk", "%.0f MB are free for %s: %.0f days at its pace",
                (double)room / mega, dir, days);
        doctor_judge(
            d, DOCTOR_WARN, "a full disk stops dosing: make room, or lower journal.keep_days");
    } else {
        doctor_judge(d, DOCTOR_OK, NULL);
    }
}

void doctor_disk(struct doctor *d)
{
    struct statvfs fs;
    if (look_at_room(d->config->journal_dir, &fs)) {
        judge_room(d, &fs);
        return;
    }
    doctor_see(d, "disk", "%s: %s", d->config->journal_dir, strerror(errno));
    doctor_judge(d, DOCTOR_WARN, "look again as root, or as the daemon's account");
}

/* --- the journal -------------------------------------------------------------------------------
 */

static void judge_scan(struct doctor *d, const struct journal_scan *s)
{
    const struct scan_place *first = NULL;
    const uint32_t unnoted = journal_scan_unnoted(s, &first);
    doctor_see(d, "journal", "%lld records in %lld file%s, whole, up to number %lld",
        (long long)s->records, (long long)s->segments.count, s->segments.count == 1 ? "" : "s",
        (long long)s->tip.seq);
    if (unnoted > 0 && first) {
        doctor_see(d, "journal", "damaged at %u places, first %s: %s", (unsigned)unnoted,
            first->problem.where, first->problem.text);
        doctor_judge(d, DOCTOR_FAIL,
            "'dosewright journal verify' tells all places; docs/journal.md what the daemon makes "
            "of them. Look after the disk");
    } else if (s->torn.bytes > 0) {
        doctor_see(d, "journal", "its last line was cut short: %s", s->torn.problem.text);
        doctor_judge(d, DOCTOR_WARN,
            "a crash or a power cut leaves this; the daemon sets it aside at its next start");
    } else if (s->places > 0) {
        doctor_see(
            d, "journal", "damaged at %u places that it tells of itself", (unsigned)s->places);
        doctor_judge(d, DOCTOR_WARN,
            "that happened earlier, and is on record: 'dosewright journal verify' shows it");
    } else {
        doctor_judge(d, DOCTOR_OK, NULL);
    }
}

/* False when it was judged; true when it is to be looked at again: a daemon may be writing the last
 * line just now. */
static bool scan_once(struct doctor *d, struct journal_scan *s, bool last)
{
    struct problem problem = { .err = ERR_NONE };
    if (journal_scan_run(s, &problem) != ERR_NONE) {
        doctor_see(d, "journal", "%s/%s: %s", d->config->journal_dir, problem.where, problem.text);
        doctor_judge(d, DOCTOR_WARN, "look again as root, or as the daemon's account");
    } else if (s->segments.count == 0) {
        doctor_see(d, "journal", "there is none yet in %s", d->config->journal_dir);
        doctor_judge(d, DOCTOR_OK, NULL);
    } else if (s->torn.bytes > 0 && !last) {
        return true;
    } else {
        judge_scan(d, s);
    }
    return false;
}

static void scan(struct doctor *d, int dir_fd)
{
    bool again = true;
    for (int tries = 1; again && tries <= TRIES_MAX; tries++) {
        struct journal_scan *s = journal_scan_new(dir_fd, NULL, NULL);
        if (!s) {
            doctor_see(d, "journal", "there is no memory left to read it");
            doctor_judge(d, DOCTOR_FAIL, "try again");
            return;
        }
        again = scan_once(d, s, tries == TRIES_MAX);
        journal_scan_free(s);
        if (again) poll(NULL, 0, TRY_AGAIN_MS);
    }
}

void doctor_journal(struct doctor *d)
{
    const char *dir = d->config->journal_dir;
    const int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        scan(d, fd);
        close(fd);
    } else if (errno == ENOENT) {
        doctor_see(d, "journal", "there is no folder %s yet: 'run' makes it", dir);
        doctor_judge(d, DOCTOR_OK, NULL);
    } else {
        const bool kept_out = errno == EACCES;
        doctor_see(d, "journal", "%s: %s", dir, strerror(errno));
        doctor_judge(d, kept_out ? DOCTOR_WARN : DOCTOR_FAIL,
            kept_out ? "this account may not look: try again as root, or as the daemon's"
                     : "journal.dir must be a folder that the daemon's account may write");
    }
}
