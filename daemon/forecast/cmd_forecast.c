/* dosewright forecast: weeks of a site in seconds, by the daemon's own core against a model. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/base/misuse.h"
#include "daemon/base/problems.h"
#include "daemon/forecast/forecast.h"
#include "daemon/tool/cmd.h"
#include "lib/base/calendar.h"
#include "lib/base/text.h"

enum { DAYS_USUAL = 28, GO_ON = -1 };

static const char usage[] =
    "usage: dosewright forecast SITE.yaml [--days N] [--from DATE] [--tank KEY] [--seed N]\n"
    "                           [--no-what-if] [--html FILE | --json | --csv]\n"
    "\n"
    "Runs the site's control against a model of its water, from planting on, and tells what it\n"
    "comes to: EC and pH, doses, bottles and when each runs out, limits that bind, alerts, and "
    "what\n"
    "happens when a volume is wrong or a bottle empties. The same seed gives the same forecast.\n"
    "It is a model with assumptions: docs/forecast.md lists them.\n"
    "\n"
    "  --days N       1 to 366; 28 if left out\n"
    "  --from DATE    the first day, 2031-04-02; the earliest planting if left out\n"
    "  --tank KEY     this tank only\n"
    "  --seed N       0 to 999999999999999; 1 if left out\n"
    "  --no-what-if   without the runs that ask what if\n"
    "  --html FILE    one page with charts; a file that isn't a report is never replaced\n"
    "  --json, --csv  to standard output, instead of the summary\n"
    "\n"
    "exit codes: 0 done, 64 a wrong argument, 78 the configuration is refused, 71 no memory,\n"
    "73 the file can't be written, 74 standard output can't\n";

struct options {
    const char *path, *tank, *from, *html;
    int64_t days, seed;
    bool json, csv, no_what_if;
};

/* --- the command line ------------------------------------------------------------------------- */

static int misused(const char *what, const char *word)
{
    misuse_say("forecast", usage, what, word);
    return EX_USAGE;
}

static bool read_whole(int64_t *ret, const char *word, int64_t least, int64_t most)
{
    const size_t length = strlen(word);
    if (length == 0 || length > 15 || strspn(word, "0123456789") != length) return false;
    *ret = strtoll(word, NULL, 10);
    return *ret >= least && *ret <= most;
}

static bool takes_value(const char *name)
{
    static const char *const names[] = { "--days", "--from", "--tank", "--seed", "--html" };
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        if (strcmp(names[i], name) == 0) return true;
    }
    return false;
}

static int read_value(struct options *o, const char *name, const char *word)
{
    struct civil date;
    if (strcmp(name, "--days") == 0)
        return read_whole(&o->days, word, 1, FORECAST_DAYS_MOST)
                   ? GO_ON
                   : misused("--days takes a whole number from 1 to 366, not", word);
    if (strcmp(name, "--seed") == 0)
        return read_whole(&o->seed, word, 0, INT64_C(999999999999999))
                   ? GO_ON
                   : misused("--seed takes a whole number of at most 15 digits, not", word);
    if (strcmp(name, "--from") == 0) {
        o->from = word;
        return calendar_read_date(&date, word)
                   ? GO_ON
                   : misused("--from takes a date such as 2031-04-02, not", word);
    }
    if (strcmp(name, "--tank") == 0)
        o->tank = word;
    else
        o->html = word;
    return GO_ON;
}

static int read_flag(struct options *o, const char *word)
{
    if (strcmp(word, "--json") == 0)
        o->json = true;
    else if (strcmp(word, "--csv") == 0)
        o->csv = true;
    else if (strcmp(word, "--no-what-if") == 0)
        o->no_what_if = true;
    else if (word[0] == '-')
        return misused("there is no option", word);
    else if (o->path)
        return misused("one site only, so not also", word);
    else
        o->path = word;
    return GO_ON;
}

static int read_options(struct options *o, int argc, char **argv)
{
    *o = (struct options){ .days = DAYS_USUAL, .seed = 1 };
    for (int i = 1; i < argc; i++) {
        int code;
        if (misuse_asks_help(argv[i])) {
            fputs(usage, stdout);
            return EX_OK;
        }
        if (!takes_value(argv[i]))
            code = read_flag(o, argv[i]);
        else if (i + 1 == argc)
            code = misused("a value is missing after", argv[i]);
        else
            code = read_value(o, argv[i], argv[i + 1]);
        if (code != GO_ON) return code;
        if (takes_value(argv[i])) i++;
    }
    if (!o->path) return misused("which site?", NULL);
    if ((o->html != NULL) + o->json + o->csv > 1)
        return misused("only one of --html, --json and --csv", NULL);
    return GO_ON;
}

/* --- the site --------------------------------------------------------------------------------- */

static int no_such_tank(const struct site *site, const char *key)
{
    fprintf(stderr, "dosewright forecast: there is no tank '%s'; there are:", key);
    for (uint32_t i = 0; i < site->tank_count; i++) {
        fprintf(stderr, "%s %s", i > 0 ? "," : "", site->tank[i].key);
    }
    fputc('\n', stderr);
    return EX_USAGE;
}

/* Leaves the one tank that is wanted. */
static int choose_tank(struct site *site, const char *key)
{
    for (uint32_t i = 0; key && i < site->tank_count; i++) {
        if (strcmp(site->tank[i].key, key) != 0) continue;
        site->tank += i;
        site->tank_count = 1;
        return GO_ON;
    }
    return key ? no_such_tank(site, key) : GO_ON;
}

static struct civil first_day(const struct site *site, const char *from)
{
    struct civil date = site->tank[0].planted;
    for (uint32_t i = 1; i < site->tank_count; i++) {
        if (site->tank[i].planted.ms < date.ms) date = site->tank[i].planted;
    }
    if (from) (void)calendar_read_date(&date, from);
    return forecast_midnight(site, 0, date);
}

/* --- the forecast ----------------------------------------------------------------------------- */

static enum err run(struct report *r, const struct options *o, const struct forecast_plan *plan,
    struct problem *problem)
{
    struct forecast f;
    forecast_note(r, plan, o->tank != NULL);
    for (uint32_t i = 0; i < plan->site->tank_count; i++) {
        report_name_tank(r, plan->site->tank[i].key, plan->site->tank[i].name);
    }
    enum err err = forecast_open(&f, plan, r, true, problem);
    if (err == ERR_NONE) {
        forecast_pass(&f, plan->days * DAY_MS);
        forecast_tell_bottles(r, &f);
        forecast_tell_limits(r, &f);
    }
    forecast_close(&f);
    if (err == ERR_NONE && !o->no_what_if) err = forecast_what_if(r, plan, problem);
    return err == ERR_NONE ? report_finish(r, problem) : err;
}

static int write(const struct options *o, const struct report *r, struct problem *problem)
{
    if (o->html) {
        if (report_save(r, REPORT_HTML, o->html, false, problem) == ERR_NONE) return EX_OK;
        fprintf(stderr, "dosewright forecast: %s: %s\n", problem->where, problem->text);
        return EX_CANTCREAT;
    }
    const struct report_terminal terminal = report_terminal_here();
    report_write(r, o->json ? REPORT_JSON : o->csv ? REPORT_CSV : REPORT_TEXT, stdout, &terminal);
    return fflush(stdout) == 0 && !ferror(stdout) ? EX_OK : EX_IOERR;
}

static int forecast(const struct options *o, struct config *config)
{
    struct problem problem;
    struct site *site = &config->site;
    const int code = choose_tank(site, o->tank);
    if (code != GO_ON) return code;
    const struct forecast_plan plan = { .site = site,
        .from = first_day(site, o->from),
        .days = o->days,
        .seed = (uint64_t)o->seed,
        .volume = 1.0 };
    char title[REPORT_TEXT_MAX];
    struct text t = text_over(title, sizeof title);
    text_add(&t, "Forecast for ");
    text_add(&t, site->name);
    const struct report_want want = { .title = title, .truth = "simulated water" };
    struct report *r = report_new(&want);
    int result = EX_OSERR;
    if (r && run(r, o, &plan, &problem) == ERR_NONE)
        result = write(o, r, &problem);
    else
        fprintf(stderr, "dosewright forecast: %s\n", r ? problem.text : "no memory left");
    report_free(r);
    return result;
}

int cmd_forecast(int argc, char **argv)
{
    static struct problem_list errors;
    struct options o;
    struct config *config;
    const int code = read_options(&o, argc, argv);
    if (code != GO_ON) return code;
    if (config_load(&config, o.path, true, &errors) != ERR_NONE) {
        problems_say(&errors);
        return EX_CONFIG;
    }
    const int result = forecast(&o, config);
    config_free(config);
    return result;
}
