/* I7: the bytes on a daemon's disk. Each line is a JSON object in RFC 8785's form with a member
 * "hash", the SHA-256 of the line without that member, and "prev", the hash of the line before. */
#include <openssl/evp.h>
#include <stdio.h>
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

enum { LINE_MOST = 4096 };

/* The value of "name":" in a line; NULL when it isn't there. */
static const char *member_of(const char *line, size_t length, const char *name)
{
    const size_t n = strlen(name);
    for (size_t i = 0; i + n <= length; i++) {
        if (line[i] == name[0] && memcmp(line + i, name, n) == 0) return line + i + n;
    }
    return NULL;
}

static bool hash_agrees(const char *line, size_t length, char ret[72])
{
    static const char key[] = "\"hash\":\"";
    const char *at = member_of(line, length, key);
    if (!at || length > LINE_MOST || (size_t)(line + length - at) < 66) return false;
    const size_t from = (size_t)(at - line) - (sizeof key - 1), to = (size_t)(at - line) + 65;
    char bare[LINE_MOST];
    memcpy(bare, line, from);
    size_t bare_length = from;
    const size_t skip = line[to] == ',' ? to + 1 : to; /* with the comma after it */
    memcpy(bare + bare_length, line + skip, length - skip);
    bare_length += length - skip;
    unsigned char raw[32];
    unsigned count = 0;
    if (EVP_Digest(bare, bare_length, raw, &count, EVP_sha256(), NULL) != 1) return false;
    for (unsigned i = 0; i < count; i++) {
        (void)snprintf(ret + 2 * i, 3, "%02x", raw[i]);
    }
    return memcmp(ret, at, 64) == 0;
}

static void take_id(struct observer *o, uint32_t side, const char *line, size_t length)
{
    const char *at = member_of(line, length, "\"id\":\"");
    if (!at) return;
    char id[OBSERVE_WORD];
    size_t n = 0;
    while (at + n < line + length && at[n] != '"' && n + 1 < sizeof id) {
        id[n] = at[n];
        n++;
    }
    id[n] = '\0';
    observe_command_of(o, id)->disk_round = o->disk[side].round;
}

static void take_line(
    struct observer *o, uint32_t side, const char *line, size_t length, int64_t at_ms)
{
    struct disk_watch *d = &o->disk[side];
    char hash[72] = "";
    const char *prev = member_of(line, length, "\"prev\":\"");
    const bool first = d->lines++ == 0; /* older ones may have been pruned */
    if (!hash_agrees(line, length, hash) && !d->holes)
        observe_say(o, "I7", at_ms, "line %lld of daemon %u's journal doesn't have its hash",
            (long long)d->lines, side);
    const bool follows =
        prev && (size_t)(line + length - prev) >= 64 && (first || memcmp(prev, d->hash, 64) == 0);
    if (!follows && !d->holes)
        observe_say(o, "I7", at_ms,
            "line %lld of daemon %u's journal doesn't follow the one before", (long long)d->lines,
            side);
    memcpy(d->hash, hash, sizeof d->hash);
    take_id(o, side, line, length);
}

void observe_disk_anew(struct observer *o, uint32_t side)
{
    struct disk_watch *d = &o->disk[side];
    *d = (struct disk_watch){
        .round = d->round + 1, .hurt = d->hurt, .holes = d->holes, .anew = true
    };
}

void observe_disk_hurt(struct observer *o, uint32_t side)
{
    o->disk[side].hurt = o->disk[side].holes = true;
}

void observe_disk_holes(struct observer *o, uint32_t side)
{
    o->disk[side].holes = true;
}

void observe_disk_file(
    struct observer *o, uint32_t side, const char *name, struct disk_bytes bytes, int64_t at_ms)
{
    struct disk_watch *d = &o->disk[side];
    if (strcmp(d->name, name) != 0) {
        (void)snprintf(d->name, sizeof d->name, "%s", name);
        d->seen = 0;
    }
    while (d->seen < bytes.count) {
        const char *line = bytes.bytes + d->seen;
        const char *end = memchr(line, '\n', bytes.count - d->seen);
        if (!end) return; /* torn, or on its way */
        take_line(o, side, line, (size_t)(end - line), at_ms);
        d->seen += (size_t)(end - line) + 1;
    }
}

/* No record of a movement is lost. */
void observe_disk_done(struct observer *o, uint32_t side, int64_t at_ms)
{
    static const int64_t day_ms = 24 * 3600000;
    if (!o->disk[side].anew) return;
    o->disk[side].anew = false;
    for (size_t i = o->commands; i-- > 0 && !o->disk[side].hurt;) {
        const struct known_command *c = &o->command[i];
        if (!c->left || c->side != side || c->sort == SORT_OTHER) continue;
        if (c->left_ms < at_ms - day_ms) return;
        if (c->disk_round == o->disk[side].round) continue;
        observe_say(
            o, "I7", at_ms, "the record of command %s is lost from daemon %u's disk", c->id, side);
    }
}
