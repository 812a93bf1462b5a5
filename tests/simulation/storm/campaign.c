#include "tests/simulation/storm/campaign.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { REPLAY_EVERY = 50 };

struct board_of_jobs { /* shared by all processes */
    volatile bool stop;
    struct tally tally[JOBS_MOST];
};

static double seconds_of(clockid_t which)
{
    struct timespec t;
    if (clock_gettime(which, &t) != 0) abort();
    return (double)t.tv_sec + (double)t.tv_nsec / 1e9;
}

/* --- one world -------------------------------------------------------------------------------- */

static void print_breach(const struct world_options *options, const struct verdict *v)
{
    const int64_t s = v->first.at_ms / 1000;
    printf("violation: seed %" PRIu64 ": %s on day %" PRId64 " at %02d:%02d:%02d.%03d: %s\n",
        options->seed, v->first.law, s / 86400, (int)(s / 3600 % 24), (int)(s / 60 % 60),
        (int)(s % 60), (int)(v->first.at_ms % 1000), v->first.what);
    printf("  replay: ");
    print_replay(options);
}

static void note_breach(
    const struct campaign *c, const struct world_options *options, const struct verdict *v)
{
    print_breach(options, v);
    if (c->shrinks) {
        struct world_options least = *options;
        shrink_world(&least, v);
        printf("  shrunk: ");
        print_replay(&least);
    }
    (void)fflush(stdout);
}

/* The same seed, once more, gives the same world. */
static void replay(const struct world_options *options, struct verdict *v)
{
    struct verdict again;
    struct world_options quiet = *options;
    quiet.talks = false;
    world_live(&quiet, &again);
    if (again.trace == v->trace && again.breaches == v->breaches) return;
    v->breaches++;
    (void)snprintf(v->first.law, sizeof v->first.law, "R");
    (void)snprintf(v->first.what, sizeof v->first.what,
        "the same seed gave another world: %016" PRIx64 " and %016" PRIx64, v->trace, again.trace);
}

static void one_world(const struct campaign *c, uint64_t seed, struct tally *t)
{
    struct world_options options = {
        .seed = seed, .span_ms = c->span_ms, .wish = c->wish, .talks = c->talks
    };
    struct verdict v;
    world_live(&options, &v);
    t->simulated_ms += c->span_ms;
    if (v.breaches == 0 && seed % REPLAY_EVERY == 0) {
        replay(&options, &v);
        t->simulated_ms += c->span_ms;
        t->replayed++;
    }
    t->seeds++;
    t->doses += v.doses;
    t->found += v.found;
    t->refused += v.refused;
    t->trace += v.trace;
    for (int f = 0; f < FAULT_COUNT; f++) {
        t->fires[f] += v.fires[f];
        t->worlds_with[f] += v.fires[f] > 0;
    }
    if (v.breaches == 0) return;
    t->breaches++;
    note_breach(c, &options, &v);
}

/* --- many ------------------------------------------------------------------------------------- */

static void work(
    const struct campaign *c, struct board_of_jobs *shared, uint32_t job, double until_s)
{
    struct tally *t = &shared->tally[job];
    const double began_s = seconds_of(CLOCK_PROCESS_CPUTIME_ID);
    for (uint64_t n = job; n < c->seeds && !shared->stop; n += c->jobs) {
        if (c->seconds > 0.0 && seconds_of(CLOCK_MONOTONIC) >= until_s) break;
        one_world(c, c->from + n, t);
        t->cpu_s = seconds_of(CLOCK_PROCESS_CPUTIME_ID) - began_s;
        if (t->breaches > 0 && !c->shrinks) shared->stop = true;
    }
    (void)fflush(stdout);
}

static void add(struct tally *sum, const struct tally *t)
{
    sum->seeds += t->seeds;
    sum->breaches += t->breaches;
    sum->replayed += t->replayed;
    sum->doses += t->doses;
    sum->found += t->found;
    sum->refused += t->refused;
    sum->simulated_ms += t->simulated_ms;
    sum->cpu_s += t->cpu_s;
    sum->trace += t->trace;
    for (int f = 0; f < FAULT_COUNT; f++) {
        sum->fires[f] += t->fires[f];
        sum->worlds_with[f] += t->worlds_with[f];
    }
}

/* A process that dies has found something, too. */
static void await_all(uint32_t jobs, struct tally *ret)
{
    for (uint32_t j = 1; j < jobs; j++) {
        int status = 0;
        if (wait(&status) < 0 || !WIFEXITED(status) || WEXITSTATUS(status) != 0) {
            ret->breaches++;
            printf("violation: I14: a process of the simulation died (status %d)\n", status);
        }
    }
}

void campaign_run(const struct campaign *c, struct tally *ret)
{
    struct board_of_jobs *shared =
        mmap(NULL, sizeof *shared, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (shared == MAP_FAILED) abort();
    const double until_s = seconds_of(CLOCK_MONOTONIC) + c->seconds;
    (void)fflush(stdout);
    for (uint32_t j = 1; j < c->jobs; j++) {
        const pid_t child = fork();
        if (child < 0) abort();
        if (child > 0) continue;
        work(c, shared, j, until_s);
        _exit(0);
    }
    work(c, shared, 0, until_s);
    memset(ret, 0, sizeof *ret);
    await_all(c->jobs, ret);
    for (uint32_t j = 0; j < c->jobs; j++) {
        add(ret, &shared->tally[j]);
    }
    (void)munmap(shared, sizeof *shared);
}
