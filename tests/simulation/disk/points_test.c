/* Each life, stopped at each of its calls: before, half way, after; killed, or the power cut in
 * some way; opened again and judged (points.h). Then the same with other lives: each script has
 * variants that begin at other records and sync at other moments.
 *
 * POINTS_SECONDS: once each call of each script has been stopped at, variants follow until so many
 * seconds are over (25). POINTS_ONLY="SCRIPT/VARIANT/CALL/HOW/SEED": that one (SEED 0: a kill). */
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "tests/simulation/disk/points.h"
#include "tests/unit/support.h"

enum { HOWS = 3, TABLE = 1 << 23, FAILURES_MOST = 10 };
static const char *const how_words[HOWS] = { "before", "half", "after" };
static const char *const call_words[DISK_CALLS] = { "open", "read", "write", "truncate", "allocate",
    "sync", "unlink", "mkdir", "list", "stat", "lock", "close", "other", "heap" };

struct point {
    int script, variant;
    int64_t call;
    int how;
    uint64_t seed; /* 0: killed */
};

static struct {
    uint64_t *seen, *seen_disks; /* hashes; 0: free */
    int64_t points, distinct, disks, kills, cuts, torn, damaged, beyond;
    int64_t calls[DISK_CALLS];
    int failures;
} tally;

static struct source source;
static struct script varied[32];
static struct life begun[32];

static double now_s(void)
{
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

static bool is_new(uint64_t *table, uint64_t hash)
{
    if (hash == 0) hash = 1;
    for (uint64_t at = hash % TABLE;; at = (at + 1) % TABLE) {
        if (table[at] == hash) return false;
        if (table[at] != 0) continue;
        table[at] = hash;
        return true;
    }
}

static void count_point(const struct point *p, const struct disk *left)
{
    const uint64_t disk = disk_hash(left);
    uint64_t hash = disk;
    const uint64_t word[4] = { (uint64_t)(p->script + 100 * p->variant), (uint64_t)p->call,
        (uint64_t)p->how, p->seed > 0 };
    for (int i = 0; i < 4; i++) {
        hash = (hash ^ word[i]) * UINT64_C(0x9e3779b97f4a7c15);
        hash ^= hash >> 29;
    }
    tally.points++;
    tally.kills += p->seed == 0;
    tally.cuts += p->seed > 0;
    if (tally.distinct < TABLE / 2) tally.distinct += is_new(tally.seen, hash);
    if (tally.disks < TABLE / 2) tally.disks += is_new(tally.seen_disks, disk);
}

static void tell_failure(const struct point *p, const struct life *l, const char *what)
{
    if (tally.failures++ >= FAILURES_MOST) return;
    const char *name = points_script[p->script].name;
    printf("FAILED: %s, variant %d, %s call %d (%s), seed %u: %s\n", name, p->variant,
        how_words[p->how], (int)p->call, call_words[disk_stopped_at(l->disk)], (unsigned)p->seed,
        what);
    printf("  POINTS_ONLY=\"%s/%d/%d/%s/%u\"\n", name, p->variant, (int)p->call, how_words[p->how],
        (unsigned)p->seed);
}

static void judge_one(const struct point *p, const struct life *l)
{
    struct verdict v;
    struct disk *left = disk_copy(l->disk);
    if (p->seed > 0) disk_power_cut(left, p->seed * 7919 + (uint64_t)p->call);
    count_point(p, left);
    points_judge(l, left, p->seed > 0, &v);
    const enum beginning begin = points_script[p->script].begin;
    tally.torn += v.torn;
    tally.damaged += v.damaged;
    if (v.what[0]) tell_failure(p, l, v.what);
    const bool was_hurt = begin == BEGIN_ROTTEN || begin == BEGIN_ROTTEN_END || begin == BEGIN_CUT;
    if (v.damaged && p->seed == 0 && !was_hurt) tell_failure(p, l, "damaged by a kill alone");
    disk_free(left);
}

/* One stop, and the ways from it: seeds 'from' up to before 'to'. False: the life has no such call.
 */
static bool stop_at(struct point *p, uint64_t from, uint64_t to)
{
    static struct life l;
    l = begun[p->script];
    l.disk = disk_copy(l.disk);
    disk_stop_at(l.disk, p->call, (enum disk_stop)p->how);
    const bool stopped = !disk_run(l.disk, life_run, &l);
    if (stopped) {
        tally.calls[disk_stopped_at(l.disk)]++;
        for (p->seed = from; p->seed < to; p->seed++) {
            judge_one(p, &l);
        }
    }
    disk_use(l.disk);
    disk_free(l.disk);
    return stopped;
}

static void shift_at(int *at, int shift)
{
    if (*at > 0) *at += shift;
}

/* The lives of this variant, as they begin; 0 is the script as it is written. */
static void begin_variant(int variant)
{
    for (int s = 0; s < points_scripts; s++) {
        struct script *v = &varied[s];
        *v = points_script[s];
        const int shift = v->to + variant % 13 <= source.count ? variant % 13 : 0;
        v->sync_every = 1 + (v->sync_every - 1 + variant / 2) % 5;
        v->from += v->begin == BEGIN_EMPTY ? 0 : shift;
        v->to += shift;
        shift_at(&v->day_at, shift);
        shift_at(&v->hold_at, shift);
        shift_at(&v->let_at, shift);
        shift_at(&v->full_at, shift);
        shift_at(&v->room_at, shift);
        shift_at(&v->fail_at, shift);
        disk_free(begun[s].disk);
        free(begun[s].torn);
        life_begin(&begun[s], v, &source);
    }
}

/* Every script, every call, every how: with so many seeds. False: time is over. */
static bool go_round(int variant, uint64_t seeds, double end_s)
{
    begin_variant(variant);
    for (int s = 0; s < points_scripts; s++) {
        bool more = true;
        for (int64_t call = 1; more; call += POINTS_STEP) {
            more = false;
            for (int how = 0; how < HOWS; how++) {
                struct point p = { s, variant, call, how, 0 };
                more = stop_at(&p, 0, seeds) || more;
            }
            if (variant > 0 && now_s() > end_s) return false;
        }
    }
    return true;
}

static int run_only(const char *words)
{
    struct point p = { .script = -1 };
    char name[64] = "", how[16] = "";
    long long call = 0;
    unsigned seed = 0;
    if (sscanf(words, "%63[^/]/%d/%lld/%15[^/]/%u", name, &p.variant, &call, how, &seed) != 5)
        return 64;
    for (int s = 0; s < points_scripts; s++) {
        if (strcmp(points_script[s].name, name) == 0) p.script = s;
    }
    for (int h = 0; h < HOWS; h++) {
        if (strcmp(how_words[h], how) == 0) p.how = h;
    }
    if (p.script < 0) return 64;
    p.call = call;
    begin_variant(p.variant);
    (void)stop_at(&p, seed, seed + 1);
    printf("%d points, %d failures\n", (int)tally.points, tally.failures);
    return tally.failures > 0;
}

static void print_tally(double took_s, int variants)
{
    printf("%d scripts, %d variants, %lld stops at calls:", points_scripts, variants,
        (long long)(tally.kills));
    for (int c = 0; c < DISK_CALLS; c++) {
        if (tally.calls[c] > 0) printf(" %s %lld", call_words[c], (long long)tally.calls[c]);
    }
    printf("\n%lld points in %.0f s: %lld distinct (%lld distinct disks), %lld kills, %lld power "
           "cuts; "
           "found torn %lld, damaged %lld\n%d failures\n",
        (long long)tally.points, took_s, (long long)tally.distinct, (long long)tally.disks,
        (long long)tally.kills, (long long)tally.cuts, (long long)tally.torn,
        (long long)tally.damaged, tally.failures);
}

int main(void)
{
    const char *seconds = getenv("POINTS_SECONDS"), *only = getenv("POINTS_ONLY");
    const double began_s = now_s(), end_s = began_s + (seconds ? strtod(seconds, NULL) : 25.0);
    (void)mallopt(M_MMAP_THRESHOLD, 1 << 26); /* thousands of disks come and go */
    (void)mallopt(M_TRIM_THRESHOLD, 1 << 27);
    tally.seen = calloc(TABLE, sizeof *tally.seen);
    tally.seen_disks = calloc(TABLE, sizeof *tally.seen_disks);
    if (!tally.seen || !tally.seen_disks) return 1;
    source_make(&source);
    if (only) return run_only(only);
    int variants = 1;
    (void)go_round(0, 2, 0); /* each call: a kill, and one power cut */
    while (tally.failures == 0 && go_round(variants, 4, end_s)) {
        variants++;
    }
    print_tally(now_s() - began_s, variants);
    const bool much = tally.distinct > 3000 / POINTS_STEP && tally.torn > 100 / POINTS_STEP &&
                      tally.damaged > 100 / POINTS_STEP;
    if (!much) puts("too little was tried to prove anything");
    source_free(&source);
    return tally.failures > 0 || !much;
}
