#include "lib/journal/link.h"

#include <string.h>

#include "lib/base/calendar.h"
#include "lib/journal/canon_inside.h"

/* 9999-12-31T23:59:59.999Z: a clock beyond it is wrong, and its record must still be readable. */
static const int64_t CIVIL_MOST_MS = INT64_C(253402300799999);

static const char *const trust_words[] = {
    [CLOCK_UNSET] = "unset", [CLOCK_FREE] = "free", [CLOCK_SYNCED] = "synced"
};

struct link_tip link_start(void)
{
    struct link_tip tip = { .seq = 0 };
    memset(tip.hash, '0', LINK_HASH_HEX - 1);
    return tip;
}

const char *clock_trust_word(enum clock_trust trust)
{
    return trust_words[trust];
}

static void hash_hex(char ret[LINK_HASH_HEX], const char *bytes, size_t count, link_hash hash)
{
    uint8_t raw[LINK_HASH_BYTES];
    hash(bytes, count, raw);
    struct text hex = text_over(ret, LINK_HASH_HEX);
    text_add_hex(&hex, raw, sizeof raw);
}

/* --- writing ---------------------------------------------------------------------------------- */

static void add_header(struct record *r, const struct link_tip *tip, const struct link_stamp *stamp)
{
    int64_t civil_ms = stamp->now.civil.ms < 0 ? 0 : stamp->now.civil.ms;
    if (civil_ms > CIVIL_MOST_MS) civil_ms = CIVIL_MOST_MS;
    char time[32];
    struct text t = text_over(time, sizeof time);
    text_add_civil(&t, (struct civil){ civil_ms });
    record_add_int(r, "seq", tip->seq + 1);
    record_add_text(r, "time", time);
    record_add_int(r, "mono_ms", stamp->now.mono.ms);
    record_add_text(r, "boot", stamp->boot);
    record_add_text(r, "clock", clock_trust_word(stamp->now.clock));
    record_add_text(r, "prev", tip->hash);
}

enum err link_seal(struct link_tip *tip, struct record *r, const struct link_stamp *stamp,
    link_hash hash, struct text *line)
{
    char bare[RECORD_LINE_MAX];
    struct link_tip next = { .seq = tip->seq + 1 };
    struct text t = text_over(bare, sizeof bare);
    add_header(r, tip, stamp);
    canon_add(&t, r, NULL);
    if (r->cut || t.cut) return ERR_FULL;
    hash_hex(next.hash, bare, t.length, hash);
    record_add_text(r, "hash", next.hash);
    t = text_over(bare, sizeof bare);
    canon_add(&t, r, NULL);
    text_add_char(&t, '\n');
    if (r->cut || t.cut) return ERR_FULL;
    text_add_bytes(line, bare, t.length);
    if (line->cut) return ERR_FULL;
    *tip = next;
    return ERR_NONE;
}

/* --- reading ---------------------------------------------------------------------------------- */

/* The members that every record has; the texts point into it. */
struct links {
    int64_t seq;
    const char *prev, *own;
};

static bool read_links(const struct record *r, struct links *ret)
{
    struct now at;
    const char *boot, *kind;
    if (!link_header(r, &ret->seq, &at, &boot) || ret->seq < 1) return false;
    if (!record_text(r, "kind", &kind)) return false;
    return record_text(r, "prev", &ret->prev) && record_text(r, "hash", &ret->own);
}

/* The hash of the line without its hash member, as hex. */
static void hash_line(char ret[LINK_HASH_HEX], const char *line, size_t length,
    const struct canon_span *member, link_hash hash)
{
    char bare[RECORD_LINE_MAX];
    const size_t rest = length - member->to;
    memcpy(bare, line, member->from);
    memcpy(bare + member->from, line + member->to, rest);
    hash_hex(ret, bare, member->from + rest, hash);
}

static enum err damaged(struct problem *problem, const char *text)
{
    return problem_set(problem, ERR_DAMAGED, "", text);
}

static enum err other_seq(struct problem *problem, int64_t seq, int64_t due)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "record ");
    text_add_int(&t, due);
    text_add(&t, " was due here and it is record ");
    text_add_int(&t, seq);
    return damaged(problem, text);
}

enum err link_follow(struct link_tip *tip, struct record *ret, const char *line, size_t length,
    link_hash hash, struct problem *problem)
{
    struct record read;
    struct canon_span member;
    struct links links;
    const enum err err = canon_read_hashed(&read, &member, line, length, problem);
    if (err != ERR_NONE) return err;
    if (!read_links(&read, &links))
        return problem_set(problem, ERR_SYNTAX, "byte 1",
            "one of the members that every record has is missing, or can't be read");
    struct link_tip next = { .seq = links.seq };
    hash_line(next.hash, line, length, &member, hash);
    if (strcmp(next.hash, links.own) != 0)
        return damaged(problem, "its hash isn't that of its content: the record was changed");
    if (next.seq != tip->seq + 1) return other_seq(problem, next.seq, tip->seq + 1);
    if (strcmp(links.prev, tip->hash) != 0)
        return damaged(problem, "its prev isn't the hash of the record before it");
    *tip = next;
    canon_copy(ret, &read);
    return ERR_NONE;
}

static bool is_hash(const char *s)
{
    for (size_t i = 0; i < LINK_HASH_HEX - 1; i++) {
        if (!((s[i] >= '0' && s[i] <= '9') || (s[i] >= 'a' && s[i] <= 'f'))) return false;
    }
    return s[LINK_HASH_HEX - 1] == '\0';
}

bool link_before(struct link_tip *ret, const char *line, size_t length)
{
    struct record read;
    struct canon_span member;
    struct links links;
    if (canon_read_hashed(&read, &member, line, length, NULL) != ERR_NONE) return false;
    if (!read_links(&read, &links) || !is_hash(links.prev)) return false;
    ret->seq = links.seq - 1;
    memcpy(ret->hash, links.prev, LINK_HASH_HEX);
    return true;
}

static bool read_trust(enum clock_trust *ret, const char *word)
{
    for (int i = CLOCK_UNSET; i <= CLOCK_SYNCED; i++) {
        if (strcmp(trust_words[i], word) != 0) continue;
        *ret = (enum clock_trust)i;
        return true;
    }
    return false;
}

bool link_header(
    const struct record *r, int64_t *ret_seq, struct now *ret_at, const char **ret_boot)
{
    int64_t seq;
    struct now at;
    const char *boot, *time, *clock;
    if (!record_int(r, "seq", &seq) || !record_int(r, "mono_ms", &at.mono.ms)) return false;
    if (!record_text(r, "time", &time) || !calendar_read_civil(&at.civil, time)) return false;
    if (!record_text(r, "clock", &clock) || !read_trust(&at.clock, clock)) return false;
    if (!record_text(r, "boot", &boot)) return false;
    *ret_seq = seq;
    *ret_at = at;
    *ret_boot = boot;
    return true;
}
