/* One record of the journal, both ways. The first byte: S makes a record of the bytes that follow
 * and seals it; with any other the rest is a line as it may stand in a file.
 *
 * Held: a line that is read is the canonical form of what was read, byte for byte, and without its
 * hash member as well; a sealed record is JSON by the other reader, follows its tip and comes back
 * the same; it follows no other tip. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/journal/journal_scan.h"
#include "daemon/payload/json_guard.h"
#include "lib/journal/canon_inside.h"
#include "tests/fuzz/fuzz.h"

static struct record record, again;

static bool same(const struct record *a, const struct record *b)
{
    char first[RECORD_LINE_MAX], second[RECORD_LINE_MAX];
    struct text t = text_over(first, sizeof first), u = text_over(second, sizeof second);
    canon_add(&t, a, NULL);
    canon_add(&u, b, NULL);
    return !t.cut && !u.cut && text_same(first, second);
}

static void check_follow(const char *line, size_t length)
{
    struct link_tip before, tip, other;
    struct problem problem;
    if (!link_before(&before, line, length)) return;
    tip = other = before;
    other.seq++;
    if (link_follow(&tip, &again, line, length, journal_sha256, &problem) != ERR_NONE) return;
    HOLDS(tip.seq == before.seq + 1);
    HOLDS(link_follow(&other, &again, line, length, journal_sha256, &problem) == ERR_DAMAGED);
    other = before;
    other.hash[0] = other.hash[0] == '0' ? '1' : '0';
    HOLDS(link_follow(&other, &again, line, length, journal_sha256, &problem) == ERR_DAMAGED);
}

static void read_line(const char *line, size_t length)
{
    static char written[RECORD_LINE_MAX + 1], bare[RECORD_LINE_MAX + 1];
    struct problem problem = { 0 };
    struct canon_span span;
    const enum err err = canon_read_hashed(&record, &span, line, length, &problem);
    HOLDS((err == ERR_NONE) == (canon_read(&again, line, length, &problem) == ERR_NONE));
    HOLDS(err == ERR_NONE || problem.text[0] != '\0');
    check_follow(line, length);
    if (err != ERR_NONE) return;
    struct text t = text_over(written, sizeof written), b = text_over(bare, sizeof bare);
    canon_add(&t, &record, NULL);
    HOLDS(!t.cut && t.length == length && memcmp(written, line, length) == 0);
    canon_add(&b, &record, "hash");
    HOLDS(span.from <= span.to && span.to <= length && b.length == length - (span.to - span.from));
    HOLDS(memcmp(bare, line, span.from) == 0);
    HOLDS(memcmp(bare + span.from, line + span.to, length - span.to) == 0);
    if (length <= JSON_LINE_MAX) {
        struct json_view view;
        HOLDS(json_guard_line(&view, line, length, &problem) == ERR_NONE);
    }
}

static double take_real(struct bites *b)
{
    uint64_t bits = 0;
    double value;
    for (int i = 0; i < 8; i++) {
        bits = bits << 8 | bites_byte(b);
    }
    memcpy(&value, &bits, sizeof value);
    return value;
}

static void add_field(struct bites *b, unsigned n)
{
    char key[RECORD_KEY_MAX];
    const uint8_t kind = bites_byte(b);
    snprintf(key, sizeof key, "%c%u", 'A' + kind % 57 == '\\' ? 'z' : 'A' + kind % 57, n);
    switch (kind % 4) {
    case 0:
        record_add_int(&record, key, (int64_t)(take_real(b) < 0 ? -1 : 1) * (int64_t)bites_byte(b));
        break;
    case 1:
        record_add_real(&record, key, take_real(b), bites_byte(b) % 7);
        break;
    case 2: {
        size_t length;
        char *bytes = bites_until(b, '\n', &length);
        char *string = fuzz_string(bytes, length);
        record_add_text(&record, key, string);
        free(string);
        free(bytes);
        break;
    }
    default:
        record_add_truth(&record, key, bites_byte(b) & 1);
    }
}

static void seal(struct bites *b)
{
    static char line[RECORD_LINE_MAX + 1];
    struct link_tip tip = link_start();
    const struct now now = { { bites_byte(b) * 1000 }, { bites_byte(b) }, CLOCK_FREE };
    const struct link_stamp stamp = { .now = now, .boot = "boot-1" };
    struct text t = text_over(line, sizeof line);
    record_start(&record, "dose");
    for (unsigned n = 0; b->at < b->end && n < RECORD_FIELDS_MAX; n++) {
        add_field(b, n);
    }
    if (link_seal(&tip, &record, &stamp, journal_sha256, &t) != ERR_NONE) {
        HOLDS(tip.seq == 0);
        return;
    }
    HOLDS(tip.seq == 1 && t.length > 0 && line[t.length - 1] == '\n');
    char *exact = fuzz_exact(line, t.length - 1);
    struct problem problem;
    struct link_tip start = link_start();
    HOLDS(link_follow(&start, &again, exact, t.length - 1, journal_sha256, &problem) == ERR_NONE);
    HOLDS(same(&record, &again) && text_same(start.hash, tip.hash));
    read_line(exact, t.length - 1);
    free(exact);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bites b = { data, data + size };
    if (bites_byte(&b) == 'S') {
        seal(&b);
        return 0;
    }
    const size_t length = (size_t)(b.end - b.at);
    char *line = fuzz_exact(b.at, length);
    read_line(line, length);
    free(line);
    return 0;
}
