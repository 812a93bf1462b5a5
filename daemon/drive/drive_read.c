#include <string.h>

#include "daemon/drive/drive.h"
#include "lib/base/calendar.h"

enum { FOUND_SHOWN_MAX = 48 };

static const int64_t CIVIL_MOST_MS = INT64_C(253402300799999); /* the end of the year 9999 */

static const char *const names[DRIVE_KIND_COUNT] = {
    [DRIVE_BEGIN] = "begin",
    [DRIVE_JOURNAL] = "journal",
    [DRIVE_START] = "start",
    [DRIVE_TICK] = "tick",
    [DRIVE_LINK] = "link",
    [DRIVE_TOPIC] = "topic",
    [DRIVE_REQUEST] = "request",
    [DRIVE_SENT] = "sent",
    [DRIVE_UNSENT] = "unsent",
    [DRIVE_DISK] = "disk",
    [DRIVE_ZONE] = "zone",
    [DRIVE_VIEW] = "view",
};

bool drive_refuse(
    struct problem *problem, const char *where, struct json_view found, const char *allowed)
{
    char line[PROBLEM_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "found ");
    if (found.at)
        text_add_quoted(&t, found.at, found.length, FOUND_SHOWN_MAX);
    else
        text_add(&t, "nothing");
    text_add(&t, "; allowed: ");
    text_add(&t, allowed);
    (void)problem_set(problem, ERR_RANGE, where, line);
    return false;
}

static const struct json_view nothing;

/* --- the instant ------------------------------------------------------------------------------ */

static bool read_civil(struct json_view root, struct civil *ret, bool *given, struct problem *p)
{
    struct json_view time, ms;
    const bool has_time = json_member(root, "time", &time);
    const bool has_ms = json_member(root, "civil_ms", &ms);
    *given = has_time || has_ms;
    if (has_time && has_ms) return drive_refuse(p, "time", time, "only one of time and civil_ms");
    char word[32];
    if (has_time && (!json_string(time, word, sizeof word) || !calendar_read_civil(ret, word)))
        return drive_refuse(
            p, "time", time, "UTC to the millisecond, \"2031-04-02T05:06:07.089Z\"");
    if (has_ms && (!json_count(ms, &ret->ms) || ret->ms > CIVIL_MOST_MS))
        return drive_refuse(p, "civil_ms", ms, "whole milliseconds since 1970, to the year 9999");
    return true;
}

static bool read_clock(struct json_view root, enum clock_trust *ret, struct problem *problem)
{
    struct json_view value;
    if (!json_member(root, "clock", &value)) return true;
    for (int i = CLOCK_UNSET; i <= CLOCK_SYNCED; i++) {
        const char *word = clock_trust_word((enum clock_trust)i);
        if (!json_is(value, word, strlen(word))) continue;
        *ret = (enum clock_trust)i;
        return true;
    }
    return drive_refuse(problem, "clock", value, "\"synced\", \"free\" or \"unset\"");
}

/* Time of day goes on with the monotonic clock where a line doesn't tell it. */
static bool read_now(struct drive_line *l, const struct drive *d, struct problem *problem)
{
    struct json_view mono;
    const bool fresh = l->kind == DRIVE_BEGIN || d->phase == DRIVE_BEGUN;
    bool has_civil;
    l->now = d->now;
    if (!d->has_now) l->now.clock = CLOCK_SYNCED;
    const bool has_mono = json_member(l->root, "mono_ms", &mono);
    if (has_mono && !json_count(mono, &l->now.mono.ms))
        return drive_refuse(problem, "mono_ms", mono, "whole milliseconds, 0 to 2^53 - 1");
    if (!fresh && l->now.mono.ms < d->now.mono.ms)
        return drive_refuse(problem, "mono_ms", mono, "no instant before that of an earlier line");
    if (!read_clock(l->root, &l->now.clock, problem)) return false;
    if (!fresh) l->now.civil.ms += l->now.mono.ms - d->now.mono.ms;
    if (!read_civil(l->root, &l->now.civil, &has_civil, problem)) return false;
    if (l->now.civil.ms > CIVIL_MOST_MS) l->now.civil.ms = CIVIL_MOST_MS;
    if (l->kind == DRIVE_START && !d->has_now && !(has_mono && has_civil))
        return drive_refuse(problem, "start", nothing,
            "\"mono_ms\", and \"time\" or \"civil_ms\", the first time that the core starts");
    return true;
}

/* --- the line --------------------------------------------------------------------------------- */

static bool refuse_kind(struct problem *problem, struct json_view found)
{
    return drive_refuse(problem, "line", found,
        "one object with exactly one of begin, journal, start, tick, link, topic, request, sent, "
        "unsent, disk, zone, view");
}

static bool find_kind(struct drive_line *l, struct problem *problem)
{
    uint32_t kinds = 0;
    if (json_kind(l->root) != JSON_OBJECT) return refuse_kind(problem, l->root);
    for (int i = 0; i < DRIVE_KIND_COUNT; i++) {
        struct json_view value;
        if (!json_member(l->root, names[i], &value)) continue;
        l->kind = (enum drive_kind)i;
        l->value = value;
        kinds++;
    }
    return kinds == 1 || refuse_kind(problem, l->root);
}

static bool fits_phase(const struct drive_line *l, const struct drive *d, struct problem *problem)
{
    const bool before = l->kind == DRIVE_JOURNAL || l->kind == DRIVE_START;
    if (l->kind == DRIVE_BEGIN || before == (d->phase == DRIVE_BEGUN)) return true;
    return drive_refuse(problem, names[l->kind], l->root,
        before ? "journal and start only after begin, before the core has started"
               : "only begin, journal and start before the core has started");
}

/* Members that say nothing beside their name. */
static bool is_plain_true(const struct drive_line *l, struct problem *problem)
{
    if (l->kind != DRIVE_START && l->kind != DRIVE_TICK) return true;
    return json_kind(l->value) == JSON_TRUE ||
           drive_refuse(problem, names[l->kind], l->value, "true");
}

bool drive_read(struct drive_line *ret, const struct drive *d, const char *bytes, size_t length,
    struct problem *problem)
{
    memset(ret, 0, sizeof *ret);
    if (json_guard_line(&ret->root, bytes, length, problem) != ERR_NONE) return false;
    return find_kind(ret, problem) && fits_phase(ret, d, problem) && is_plain_true(ret, problem) &&
           read_now(ret, d, problem) && drive_read_body(ret, d, problem);
}
