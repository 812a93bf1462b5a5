/* Control laws side by side, each on the same tanks:
 *   bench.control [--tanks N] [--days D] [--seed S] [--faults no|yes|both] [--contender NAME]...
 *                 [--jobs J] [--json] [--worst N] [--trace SEED]
 * Tank i of a run is the world of seed S + i. See docs/control-bench.md. */
#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "lib/base/invariant.h"
#include "tests/bench/control/report.h"
#include "tests/bench/control/tank_run.h"

enum { CONTENDERS_MAX = 8, JOBS_MAX = 16 };

_Noreturn void invariant_broken(const char *file, int line, const char *what)
{
    fprintf(stderr, "%s:%d: invariant broken: %s\n", file, line, what);
    abort();
}

static const struct contender *const known[] = { &contender_idle, &contender_pulses,
    &contender_proportional, &contender_pi, &contender_law, &contender_core };
enum { KNOWN = sizeof known / sizeof known[0] };

struct options {
    int tanks, days, jobs, worst;
    uint64_t seed;
    bool with[2]; /* without, with faults */
    bool json, traces;
    uint64_t trace_seed;
    const struct contender *contender[CONTENDERS_MAX];
    int contender_count;
};

static _Noreturn void usage(const char *why)
{
    fprintf(stderr,
        "bench.control: %s\n"
        "  --tanks N          128\n"
        "  --days D           28\n"
        "  --seed S           of the first tank, 100000; tank i has seed S + i\n"
        "  --faults WHICH     no, yes or both (both)\n"
        "  --contender NAME   may be repeated; otherwise all but idle:\n",
        why);
    for (int i = 0; i < KNOWN; i++) {
        fprintf(stderr, "                     %-13s %s\n", known[i]->name, known[i]->what);
    }
    fprintf(stderr,
        "  --jobs J           threads, 1\n"
        "  --json             one JSON object instead of tables\n"
        "  --worst N          seeds of the N worst tanks for each figure\n"
        "  --trace SEED       one tank as CSV, with one --contender and --faults no or yes\n");
    exit(2);
}

static uint64_t number(const char *text, uint64_t least, uint64_t most)
{
    char *end = NULL;
    const uint64_t value = strtoull(text ? text : "", &end, 10);
    if (!text || end == text || *end || value < least || value > most)
        usage("a number is missing or out of range");
    return value;
}

static void add_contender(struct options *o, const char *name)
{
    for (int i = 0; i < KNOWN; i++) {
        if (!name || strcmp(known[i]->name, name) != 0) continue;
        if (o->contender_count == CONTENDERS_MAX) usage("too many contenders");
        o->contender[o->contender_count++] = known[i];
        return;
    }
    usage("there is no such contender");
}

static void choose_faults(struct options *o, const char *which)
{
    if (!which) usage("--faults no, yes or both");
    const bool both = strcmp(which, "both") == 0;
    o->with[0] = both || strcmp(which, "no") == 0;
    o->with[1] = both || strcmp(which, "yes") == 0;
    if (!o->with[0] && !o->with[1]) usage("--faults no, yes or both");
}

static void read_option(struct options *o, const char *name, const char *value)
{
    if (strcmp(name, "--tanks") == 0)
        o->tanks = (int)number(value, 1, 100000);
    else if (strcmp(name, "--days") == 0)
        o->days = (int)number(value, 1, 366);
    else if (strcmp(name, "--seed") == 0)
        o->seed = number(value, 0, UINT64_MAX / 2);
    else if (strcmp(name, "--jobs") == 0)
        o->jobs = (int)number(value, 1, JOBS_MAX);
    else if (strcmp(name, "--worst") == 0)
        o->worst = (int)number(value, 1, 1000);
    else if (strcmp(name, "--faults") == 0)
        choose_faults(o, value);
    else if (strcmp(name, "--contender") == 0)
        add_contender(o, value);
    else
        usage("there is no such option");
}

static struct options read_options(int count, char **word)
{
    struct options o = {
        .tanks = 128, .days = 28, .jobs = 1, .seed = 100000, .with = { true, true }
    };
    for (int i = 1; i < count; i++) {
        if (strcmp(word[i], "--json") == 0) {
            o.json = true;
            continue;
        }
        const char *value = i + 1 < count ? word[i + 1] : NULL;
        if (strcmp(word[i], "--trace") == 0) {
            o.traces = true;
            o.trace_seed = number(value, 0, UINT64_MAX / 2);
        } else {
            read_option(&o, word[i], value);
        }
        i++;
    }
    if (o.contender_count > 0) return o;
    for (int k = 1; k < KNOWN; k++) {
        o.contender[o.contender_count++] = known[k];
    }
    return o;
}

/* --- many tanks ------------------------------------------------------------------------------- */

struct job {
    const struct options *options;
    const struct contender *contender;
    bool faults;
    int first, step;
    struct score *score;
};

static void *work(void *context)
{
    const struct job *j = context;
    for (int i = j->first; i < j->options->tanks; i += j->step) {
        const struct tank_run run = { j->contender, j->options->seed + (uint64_t)i,
            j->options->days, j->faults, NULL };
        tank_run(&run, &j->score[i]);
    }
    return NULL;
}

static double cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static struct field run_field(
    const struct options *o, const struct contender *contender, bool faults)
{
    struct field field = { .contender = contender,
        .faults = faults,
        .count = (size_t)o->tanks,
        .days = o->days,
        .seed = o->seed };
    field.score = calloc(field.count, sizeof *field.score);
    if (!field.score) abort();
    struct job job[JOBS_MAX];
    pthread_t thread[JOBS_MAX];
    const double began_s = cpu_s();
    for (int i = 0; i < o->jobs; i++) {
        job[i] = (struct job){ o, contender, faults, i, o->jobs, field.score };
        if (i > 0 && pthread_create(&thread[i], NULL, work, &job[i]) != 0) abort();
    }
    work(&job[0]);
    for (int i = 1; i < o->jobs; i++) {
        pthread_join(thread[i], NULL);
    }
    field.cpu_s = cpu_s() - began_s;
    return field;
}

static int run_trace(const struct options *o)
{
    if (o->contender_count != 1) usage("--trace wants one --contender");
    const struct tank_run run = { o->contender[0], o->trace_seed, o->days,
        o->with[1] && !o->with[0], stdout };
    struct score score;
    tank_run(&run, &score);
    return EXIT_SUCCESS;
}

int main(int count, char **word)
{
    const struct options o = read_options(count, word);
    if (o.traces) return run_trace(&o);
    bool first = true;
    for (int faults = 0; faults < 2; faults++) {
        if (!o.with[faults]) continue;
        struct field field[CONTENDERS_MAX];
        for (int i = 0; i < o.contender_count; i++) {
            field[i] = run_field(&o, o.contender[i], faults == 1);
        }
        if (o.json)
            report_json(field, o.contender_count, first);
        else
            report_table(field, o.contender_count);
        if (o.worst > 0 && !o.json) report_worst(field, o.contender_count, o.worst);
        for (int i = 0; i < o.contender_count; i++) {
            free(field[i].score);
        }
        first = false;
    }
    if (o.json)
        puts("\n]}");
    else
        report_meanings();
    return EXIT_SUCCESS;
}
