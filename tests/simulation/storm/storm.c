/* simulation.storm: seeded worlds with faults. What a world is and how to replay one:
 * docs/simulation.md. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tests/simulation/storm/campaign.h"

enum { DEFAULT_SEEDS = 300, DEFAULT_DAYS = 7, DEFAULT_SECONDS = 40 };

static const char usage[] =
    "usage: simulation.storm [--seeds N] [--from K] [--days D] [--fault NAME] [--only-fault NAME]\n"
    "                        [--list-faults] [--kinds N] [--trace] [--seconds S] [--jobs J]\n"
    "                        [--no-shrink]\n"
    "One seed is one world. --fault forces a kind of fault in every world; --only-fault leaves "
    "out\n"
    "all others ('none': no faults at all). Both may be given more than once. --kinds: only the\n"
    "first N of the list are drawn, as before the others came. --trace tells what happens.\n"
    "Exit: 0 no invariant was broken, 1 one was, 64 usage.\n";

static int bad_usage(const char *what)
{
    (void)fprintf(stderr, "simulation.storm: %s\n%s", what, usage);
    return EX_USAGE;
}

static void list_faults(void)
{
    for (int f = 0; f < FAULT_COUNT; f++) {
        printf("%s %s\n", fault_kinds[f].row, fault_kinds[f].name);
    }
}

/* --- the command line ------------------------------------------------------------------------- */

static bool read_number(const char *text, double least, double most, double *ret)
{
    char *end = NULL;
    const double value = text ? strtod(text, &end) : 0.0;
    if (!text || end == text || *end != '\0' || !(value >= least && value <= most)) return false;
    *ret = value;
    return true;
}

static bool wish_for(struct campaign *c, const char *name, bool only)
{
    if (!name) return false;
    if (only) c->wish.only = true;
    if (only && strcmp(name, "none") == 0) return true;
    const enum fault f = fault_named(name);
    if (f == FAULT_COUNT) return false;
    c->wish.forced[f] = true;
    return true;
}

static bool take_flag(struct campaign *c, const char *flag)
{
    if (strcmp(flag, "--trace") == 0)
        c->talks = true;
    else if (strcmp(flag, "--no-shrink") == 0)
        c->shrinks = false;
    else
        return false;
    return true;
}

static bool take_value(struct campaign *c, const char *flag, const char *value)
{
    double number = 0.0;
    if (strcmp(flag, "--fault") == 0) return wish_for(c, value, false);
    if (strcmp(flag, "--only-fault") == 0) return wish_for(c, value, true);
    if (!read_number(value, 0.0, 1e15, &number)) return false;
    if (strcmp(flag, "--seeds") == 0)
        c->seeds = (uint64_t)number;
    else if (strcmp(flag, "--from") == 0)
        c->from = (uint64_t)number;
    else if (strcmp(flag, "--days") == 0 && number > 0.0 && number <= 400.0)
        c->span_ms = nearest(number * (double)DAY_MS);
    else if (strcmp(flag, "--kinds") == 0 && number >= 1.0 && number <= FAULT_COUNT)
        c->wish.kinds = (uint32_t)number;
    else if (strcmp(flag, "--seconds") == 0)
        c->seconds = number;
    else if (strcmp(flag, "--jobs") == 0 && number >= 1.0 && number <= JOBS_MOST)
        c->jobs = (uint32_t)number;
    else
        return false;
    return true;
}

/* Without a word on the command line it is a test among others, with a budget. */
static bool take_environment(struct campaign *c)
{
    static const char *const names[3] = { "STORM_SEEDS", "STORM_SECONDS", "STORM_JOBS" };
    static const char *const flags[3] = { "--seeds", "--seconds", "--jobs" };
    bool any = false;
    for (int i = 0; i < 3; i++) {
        const char *value = getenv(names[i]);
        if (!value || !*value) continue;
        if (!take_value(c, flags[i], value)) return false;
        any = any || i < 2;
    }
    if (!any) c->seconds = DEFAULT_SECONDS;
    return true;
}

/* --- what it says at the end ------------------------------------------------------------------ */

static void print_tally(const struct tally *t)
{
    printf("%-4s %-22s %12s %12s\n", "row", "fault", "fires", "worlds");
    for (int f = 0; f < FAULT_COUNT; f++) {
        printf("%-4s %-22s %12" PRIu64 " %12" PRIu64 "\n", fault_kinds[f].row, fault_kinds[f].name,
            t->fires[f], t->worlds_with[f]);
    }
    const double simulated_s = (double)t->simulated_ms / 1000.0;
    printf("%" PRIu64 " seeds, %.1f simulated days, %" PRIu64 " doses, %" PRIu64
           " replayed, %" PRIu64 " violations, trace %016" PRIx64 "\n",
        t->seeds, simulated_s / 86400.0, t->doses, t->replayed, t->breaches, t->trace);
    printf("%" PRIu64 " pumps calibrated, %" PRIu64 " measured volumes not believed\n", t->found,
        t->refused);
    printf("%.1f s of processor time: %.0f times real time on one core\n", t->cpu_s,
        t->cpu_s > 0.0 ? simulated_s / t->cpu_s : 0.0);
}

int main(int argc, char **argv)
{
    struct campaign c = {
        .seeds = DEFAULT_SEEDS, .span_ms = DEFAULT_DAYS * DAY_MS, .jobs = 1, .shrinks = true
    };
    if (argc == 1 && !take_environment(&c))
        return bad_usage("STORM_SEEDS, STORM_SECONDS or STORM_JOBS isn't a number");
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--list-faults") == 0) {
            list_faults();
            return EX_OK;
        }
        if (take_flag(&c, argv[i])) continue;
        if (!take_value(&c, argv[i], i + 1 < argc ? argv[i + 1] : NULL)) return bad_usage(argv[i]);
        i++;
    }
    struct tally tally;
    campaign_run(&c, &tally);
    print_tally(&tally);
    return tally.breaches > 0 ? 1 : 0;
}
