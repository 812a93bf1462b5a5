#include "tests/simulation/storm/store.h"

#include <stdlib.h>
#include <string.h>

#include "daemon/journal_scan.h"
#include "lib/base/prng.h"
#include "lib/base/text.h"

struct store {
    char *bytes;
    size_t count, room, durable;
    struct journal *open;
};

struct journal {
    struct store *store;
    char boot[64];
    struct link_tip tip;
    int64_t synced;
};

static struct store *in_use;

struct store *store_new(void)
{
    struct store *s = calloc(1, sizeof *s);
    if (!s) abort();
    return s;
}

void store_free(struct store *s)
{
    if (!s) return;
    free(s->open);
    free(s->bytes);
    free(s);
}

void store_use(struct store *s)
{
    in_use = s;
}

void store_kill(struct store *s)
{
    free(s->open);
    s->open = NULL;
}

void store_power_cut(struct store *s, uint64_t seed)
{
    store_kill(s);
    struct prng chance = prng_seed(seed);
    const size_t loose = s->count - s->durable;
    s->count = s->durable + (size_t)prng_below(&chance, (int64_t)loose + 1);
    s->durable = s->count;
}

void store_sync(struct store *s)
{
    s->durable = s->count;
    if (s->open) s->open->synced = s->open->tip.seq;
}

bool store_wants_sync(const struct store *s)
{
    return s->open && s->durable < s->count;
}

const char *store_durable(const struct store *s, size_t *ret_count)
{
    *ret_count = s->durable;
    return s->bytes;
}

static void add_bytes(struct store *s, const char *bytes, size_t count)
{
    if (s->count + count > s->room) {
        s->room = 2 * (s->room + count);
        s->bytes = realloc(s->bytes, s->room);
        if (!s->bytes) abort();
    }
    memcpy(s->bytes + s->count, bytes, count);
    s->count += count;
}

/* --- the journal's own interface -------------------------------------------------------------- */

/* Every whole line; what follows the last one is torn. */
static enum err read_all(struct journal *j, journal_visit visit, void *context,
    struct journal_report *report, struct problem *problem)
{
    struct store *s = j->store;
    size_t at = 0;
    while (at < s->count) {
        const char *end = memchr(s->bytes + at, '\n', s->count - at);
        if (!end) break;
        const size_t length = (size_t)(end - (s->bytes + at));
        struct record r;
        if (link_follow(&j->tip, &r, s->bytes + at, length, journal_sha256, problem) != ERR_NONE)
            return ERR_DAMAGED;
        report->records++;
        visit(context, &r, NULL);
        at += length + 1;
    }
    report->torn_bytes = (int64_t)(s->count - at);
    report->torn = s->count > at;
    s->count = at;
    if (s->durable > at) s->durable = at;
    return ERR_NONE;
}

enum err journal_open(struct journal **ret, const struct journal_options *options,
    journal_visit visit, void *context, struct journal_report *report, struct problem *problem)
{
    *report = (struct journal_report){ .records = 0 };
    struct journal *j = calloc(1, sizeof *j);
    if (!j) abort();
    j->store = in_use;
    j->tip = link_start();
    (void)text_copy(j->boot, sizeof j->boot, options->boot);
    in_use->open = j;
    const enum err err = read_all(j, visit, context, report, problem);
    report->tip = j->tip;
    *ret = j;
    return err;
}

enum err journal_append(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem)
{
    char buffer[RECORD_LINE_MAX];
    struct text t = text_over(buffer, sizeof buffer);
    const struct link_stamp stamp = { .now = now, .boot = j->boot };
    if (link_seal(&j->tip, r, &stamp, journal_sha256, &t) != ERR_NONE)
        return problem_set(problem, ERR_FULL, "", "a record is too long");
    add_bytes(j->store, buffer, t.length);
    if (line) text_add_bytes(line, buffer, t.length - 1);
    *ret_seq = j->tip.seq;
    return ERR_NONE;
}

int64_t journal_synced(struct journal *j)
{
    return j->synced;
}

bool journal_failed(struct journal *j, struct problem *problem)
{
    (void)j;
    (void)problem;
    return false;
}

bool journal_recovered(struct journal *j, struct now now)
{
    (void)j;
    (void)now;
    return false;
}

struct link_tip journal_tip(const struct journal *j)
{
    return j->tip;
}

bool journal_turned(struct journal *j)
{
    (void)j;
    return false;
}
