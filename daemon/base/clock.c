#include "daemon/base/clock.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#include "daemon/base/zone.h"
#include "lib/base/invariant.h"
#include "lib/base/text.h"

static const char zones_dir[] = "/usr/share/zoneinfo/";

/* 2026-01-01T00:00:00Z: this program was written then. A clock that says less was never set. */
static const int64_t written_ms = INT64_C(1767225600) * 1000;

static int64_t clock_ms(clockid_t which)
{
    struct timespec t;
    INVARIANT(clock_gettime(which, &t) == 0);
    return (int64_t)t.tv_sec * 1000 + t.tv_nsec / 1000000;
}

int64_t clock_boot_us(void)
{
    struct timespec t;
    INVARIANT(clock_gettime(CLOCK_BOOTTIME, &t) == 0);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

/* Asks the kernel and changes nothing. A sandbox that guards the clock refuses even the question;
 * then the mark that systemd-timesyncd leaves answers it, and without one the clock counts as free,
 * which is the careful side. */
static bool kernel_keeps_it(void)
{
    struct timex t = { .modes = 0 };
    const int state = adjtimex(&t);
    if (state < 0) return access("/run/systemd/timesync/synchronized", F_OK) == 0;
    return state != TIME_ERROR && (t.status & STA_UNSYNC) == 0;
}

struct now clock_now(void)
{
    struct now now = { .mono = { clock_ms(CLOCK_BOOTTIME) },
        .civil = { clock_ms(CLOCK_REALTIME) } };
    if (now.civil.ms < written_ms)
        now.clock = CLOCK_UNSET;
    else
        now.clock = kernel_keeps_it() ? CLOCK_SYNCED : CLOCK_FREE;
    return now;
}

/* Reads at most 'room' bytes of a plain file; -1 when it can't be read or is longer. */
static ssize_t read_file(const char *path, uint8_t *ret, size_t room)
{
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (fd < 0) return -1;
    struct stat st;
    size_t length = 0;
    ssize_t got = fstat(fd, &st) == 0 && S_ISREG(st.st_mode) ? 1 : -1;
    while (got > 0 && length < room) {
        got = read(fd, ret + length, room - length);
        if (got < 0 && errno == EINTR)
            got = 1;
        else if (got > 0)
            length += (size_t)got;
    }
    close(fd);
    return got == 0 ? (ssize_t)length : -1;
}

void clock_boot(char ret[40])
{
    uint8_t bytes[64];
    const ssize_t length = read_file("/proc/sys/kernel/random/boot_id", bytes, sizeof bytes);
    if (length == 37 && bytes[36] == '\n' && !memchr(bytes, '\0', 36)) {
        memcpy(ret, bytes, 36);
        ret[36] = '\0';
    } else {
        text_copy(ret, 40, "unknown");
    }
}

ssize_t clock_zone_file(uint8_t *ret, size_t room, const char *zone)
{
    if (!zone_name_valid(zone)) return -1;
    char path[sizeof zones_dir + ZONE_NAME_MAX];
    struct text t = text_over(path, sizeof path);
    text_add(&t, zones_dir);
    text_add(&t, zone);
    return read_file(path, ret, room);
}

bool clock_zone_offset(int64_t *ret_ms, const char *zone, struct civil at)
{
    if (zone_is_utc(zone)) {
        *ret_ms = 0;
        return true;
    }
    uint8_t *bytes = malloc(ZONE_FILE_MAX);
    if (!bytes) return false;
    const ssize_t length = clock_zone_file(bytes, ZONE_FILE_MAX, zone);
    const bool known = length >= 0 && zone_offset_ms(ret_ms, bytes, (size_t)length, at);
    free(bytes);
    return known;
}

void clock_random_hex(char *ret, size_t count)
{
    struct text t = text_over(ret, 2 * count + 1);
    uint8_t bytes[64];
    while (count > 0) {
        const size_t wanted = count < sizeof bytes ? count : sizeof bytes;
        const ssize_t got = getrandom(bytes, wanted, 0);
        INVARIANT(got > 0 || errno == EINTR);
        if (got <= 0) continue;
        text_add_hex(&t, bytes, (size_t)got);
        count -= (size_t)got;
    }
    INVARIANT(!t.cut);
}
