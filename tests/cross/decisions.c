/* A scenario whose decisions must be the same microlitres on every processor: seeded worlds (core,
 * virtual head, simulated water; half of them with faults), every dose and every outcome by its
 * record. Prints one line a decision and, last, how many there were and a digest over the lines.
 *
 *     decisions [SEEDS]      4, two hours each
 *
 * tests/cross/run compares what it prints here and under qemu-user. */
#include <stdio.h>
#include <stdlib.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/journal/canon.h"
#include "tests/simulation/world.h"

enum { SEEDS = 4, HOURS = 2, LINE_MAX_BYTES = 256 };

_Noreturn void invariant_broken(const char *file, int line, const char *what)
{
    fprintf(stderr, "%s:%d: broken invariant: %s\n", file, line, what);
    abort();
}

/* FNV-1a of 64 bits: to see a difference, not to withstand anybody. */
static uint64_t digest(uint64_t so_far, const char *bytes)
{
    for (; *bytes; bytes++) {
        so_far = (so_far ^ (uint8_t)*bytes) * UINT64_C(1099511628211);
    }
    return so_far;
}

struct sum {
    uint64_t decisions, records; /* digests */
    int64_t doses, dosed_ul;
};

static void take(struct sum *sum, int seed, const struct record *r, struct now at)
{
    char line[LINE_MAX_BYTES], whole[RECORD_LINE_MAX];
    struct text t = text_over(whole, sizeof whole);
    int64_t ul = 0, run_ms = 0;
    canon_add(&t, r, NULL);
    sum->records = digest(sum->records, whole);
    if (!record_is(r, "dose") && !record_is(r, "outcome")) return;
    (void)record_int(r, "ul", &ul);
    (void)record_int(r, record_is(r, "dose") ? "run_ms" : "ran_ms", &run_ms);
    snprintf(line, sizeof line, "%d %lld %s %s %s %lld uL %lld ms", seed, (long long)at.mono.ms,
        record_text_or_empty(r, "kind"), record_text_or_empty(r, "tank"),
        record_text_or_empty(r, "stock"), (long long)ul, (long long)run_ms);
    puts(line);
    sum->decisions = digest(sum->decisions, line);
    if (!record_is(r, "dose")) return;
    sum->doses++;
    sum->dosed_ul += ul;
}

static void live(struct sum *sum, int seed)
{
    static const struct world_faults faults = { .lose_report = 12,
        .lose_command = 25,
        .double_command = 15,
        .crash = 40000,
        .reboot_head = 60000,
        .silence_probe = 20000,
        .hand = 30000 };
    struct world *w = calloc(1, sizeof *w);
    if (!w) abort();
    world_init(w, (uint64_t)seed, seed % 2 == 1 ? &faults : NULL);
    world_run(w, HOURS * HOUR_MS);
    for (uint32_t i = 0; i < w->record_count; i++) {
        take(sum, seed, &w->record[i], w->record_at[i]);
    }
    world_free(w);
    free(w);
}

int main(int argc, char **argv)
{
    const long wanted = argc > 1 ? strtol(argv[1], NULL, 10) : SEEDS;
    struct sum sum = { UINT64_C(14695981039346656037), UINT64_C(14695981039346656037), 0, 0 };
    for (int seed = 0; seed < wanted; seed++) {
        live(&sum, seed);
    }
    printf("doses %lld, microlitres %lld, decisions %016llx, all records %016llx\n",
        (long long)sum.doses, (long long)sum.dosed_ul, (unsigned long long)sum.decisions,
        (unsigned long long)sum.records);
    return fflush(stdout) == 0 && sum.doses > 0 ? 0 : 1;
}
