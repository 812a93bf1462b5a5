#include "lib/journal/link.h"

#include <string.h>

#include "lib/base/calendar.h"
#include "lib/base/invariant.h"
#include "lib/journal/canon.h"

static const char *const trust_words[] = { "unset", "free", "synced" };

const char *clock_trust_word(enum clock_trust trust)
{
    return trust_words[trust];
}

struct link_tip link_start(void)
{
    struct link_tip tip = { .seq = 0 };
    memset(tip.hash, '0', LINK_HASH_HEX - 1);
    return tip;
}

static void hash_hex(char ret[LINK_HASH_HEX], const char *bytes, size_t count, link_hash hash)
{
    uint8_t raw[LINK_HASH_BYTES];
    hash(bytes, count, raw);
    struct text t = text_over(ret, LINK_HASH_HEX);
    text_add_hex(&t, raw, sizeof raw);
}

enum err link_seal(struct link_tip *tip, struct record *r, const struct link_stamp *stamp,
    link_hash hash, struct text *line)
{
    char time[32], hex[LINK_HASH_HEX], body[RECORD_LINE_MAX];
    struct text t = text_over(time, sizeof time);
    text_add_civil(&t, stamp->now.civil);
    record_add_int(r, "seq", tip->seq + 1);
    record_add_text(r, "time", time);
    record_add_int(r, "mono_ms", stamp->now.mono.ms);
    record_add_text(r, "boot", stamp->boot);
    record_add_text(r, "clock", clock_trust_word(stamp->now.clock));
    record_add_text(r, "prev", tip->hash);
    if (r->cut) return ERR_FULL;
    struct text canonical = text_over(body, sizeof body);
    canon_add(&canonical, r, NULL);
    if (canonical.cut) return ERR_FULL;
    hash_hex(hex, body, canonical.length, hash);
    record_add_text(r, "hash", hex);
    if (r->cut) return ERR_FULL;
    canon_add(line, r, NULL);
    text_add_char(line, '\n');
    if (line->cut) return ERR_FULL;
    tip->seq++;
    memcpy(tip->hash, hex, sizeof tip->hash);
    return ERR_NONE;
}

/* The canonical line without its "hash" member: what was hashed. Cut out of the line itself, which
 * canon_read has found canonical. */
static bool hashed_part(struct text *ret, const char *line, size_t length)
{
    static const char key[] = "\"hash\":\"";
    const size_t member = sizeof key - 1 + LINK_HASH_HEX; /* key, 64 digits, closing quote */
    for (size_t i = 1; i + member < length; i++) {
        if (line[i] != '"' || memcmp(line + i, key, sizeof key - 1) != 0) continue;
        if (line[i - 1] != ',' && line[i - 1] != '{') continue;
        size_t end = i + member;
        if (line[end] == ',')
            end++; /* what follows keeps the comma before */
        else if (line[i - 1] == ',')
            i--;
        text_add_bytes(ret, line, i);
        text_add_bytes(ret, line + end, length - end);
        return !ret->cut;
    }
    return false;
}

static enum err wrong(struct problem *problem, const char *what)
{
    return problem_set(problem, ERR_DAMAGED, "", what);
}

enum err link_follow(struct link_tip *tip, struct record *ret, const char *line, size_t length,
    link_hash hash, struct problem *problem)
{
    char body[RECORD_LINE_MAX], hex[LINK_HASH_HEX];
    const enum err err = canon_read(ret, line, length, problem);
    if (err != ERR_NONE) return err;
    int64_t seq = 0;
    const char *prev = record_text_or_empty(ret, "prev"), *own = record_text_or_empty(ret, "hash");
    if (!record_int(ret, "seq", &seq) || strlen(own) != LINK_HASH_HEX - 1)
        return wrong(problem, "a record without seq or hash");
    struct text canonical = text_over(body, sizeof body);
    if (!hashed_part(&canonical, line, length)) return wrong(problem, "a record without its hash");
    hash_hex(hex, body, canonical.length, hash);
    if (strcmp(hex, own) != 0)
        return wrong(problem, "its hash doesn't fit: the record was changed");
    const bool begins = tip->seq == 0 && record_is(ret, "pruned") && seq > 0;
    if (!begins && seq != tip->seq + 1)
        return wrong(problem, "its seq doesn't follow: records are missing or were moved");
    if (!begins && strcmp(prev, tip->hash) != 0)
        return wrong(problem, "its prev isn't the former record's hash: records were replaced");
    tip->seq = seq;
    memcpy(tip->hash, hex, sizeof tip->hash);
    return ERR_NONE;
}

bool link_header(
    const struct record *r, int64_t *ret_seq, struct now *ret_at, const char **ret_boot)
{
    const char *time, *clock, *boot;
    int64_t seq, mono_ms;
    struct now at = { .clock = CLOCK_UNSET };
    if (!record_int(r, "seq", &seq) || !record_int(r, "mono_ms", &mono_ms)) return false;
    if (!record_text(r, "time", &time) || !record_text(r, "clock", &clock)) return false;
    if (!record_text(r, "boot", &boot)) return false;
    if (!calendar_read_civil(&at.civil, time)) return false;
    for (int i = 0; i <= CLOCK_SYNCED; i++) {
        if (strcmp(trust_words[i], clock) == 0) at.clock = (enum clock_trust)i;
    }
    at.mono.ms = mono_ms;
    *ret_seq = seq;
    *ret_at = at;
    *ret_boot = boot;
    return true;
}
