/* journal report: charts and sums of a journal. It only reads, and needs no daemon. */
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/base/misuse.h"
#include "daemon/report/report.h"
#include "daemon/tool/cmd_journal.h"
#include "lib/base/calendar.h"

enum { GO_ON = JOURNAL_GO_ON };

static const char usage[] =
    "usage: dosewright journal report DIR [--tank KEY] [--from DATE] [--to DATE]\n"
    "                                 [--html FILE | --json | --csv] [--ascii]\n"
    "                                 [--title TEXT] [--force]\n"
    "\n"
    "Draws EC, pH and temperature of each tank over time, with setpoints, gaps, doses and\n"
    "alerts, and sums up what was dosed. Exit code 1 when there is nothing to show, or some of\n"
    "the journal is damaged and was left out.\n"
    "\n"
    "  --tank KEY    only this tank\n"
    "  --from DATE, --to DATE\n"
    "                only these days, both included: 2031-04-02; or instants, UTC:\n"
    "                2031-04-02T05:06:07.000Z, the second not included\n"
    "  --html FILE   a page with charts that needs no other file; - is standard output.\n"
    "                A file that isn't a report is left alone, unless --force is given\n"
    "  --json        everything as one object\n"
    "  --csv         everything as lines for a spreadsheet\n"
    "  --ascii       no characters beyond ASCII in the summary for the terminal\n"
    "  --title TEXT  a heading\n";

struct options {
    const char *dir, *html;
    bool json, csv, ascii, force;
    struct report_want want;
};

/* --- the command line ------------------------------------------------------------------------- */

static int misused(const char *what, const char *word)
{
    misuse_say("journal report", usage, what, word);
    return EX_USAGE;
}

/* A day, of which the end is meant when 'last' is true; or an instant. */
static bool read_date(struct civil *ret, const char *word, bool last)
{
    if (calendar_read_civil(ret, word)) return true;
    if (!calendar_read_date(ret, word)) return false;
    if (last) ret->ms += DAY_MS;
    return true;
}

static bool read_value(struct options *o, const char *name, const char *word)
{
    if (strcmp(name, "--from") == 0) {
        o->want.has_from = true;
        return read_date(&o->want.from, word, false);
    }
    if (strcmp(name, "--to") == 0) {
        o->want.has_to = true;
        return read_date(&o->want.to, word, true);
    }
    if (strcmp(name, "--tank") == 0) o->want.tank = word;
    if (strcmp(name, "--html") == 0) o->html = word;
    if (strcmp(name, "--title") == 0) o->want.title = word;
    return word[0] != '\0';
}

static bool takes_value(const char *name)
{
    static const char *const names[] = { "--from", "--to", "--tank", "--html", "--title" };
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        if (strcmp(names[i], name) == 0) return true;
    }
    return false;
}

static bool read_switch(struct options *o, const char *name)
{
    struct {
        const char *name;
        bool *value;
    } const row[] = { { "--json", &o->json }, { "--csv", &o->csv }, { "--ascii", &o->ascii },
        { "--force", &o->force } };
    for (size_t i = 0; i < sizeof row / sizeof *row; i++) {
        if (strcmp(row[i].name, name) != 0) continue;
        *row[i].value = true;
        return true;
    }
    return false;
}

static int read_words(struct options *o, int argc, char **argv)
{
    for (int i = 2; i < argc; i++) {
        if (read_switch(o, argv[i])) continue;
        if (takes_value(argv[i])) {
            if (i + 1 == argc) return misused("a value is missing after", argv[i]);
            if (!read_value(o, argv[i], argv[i + 1]))
                return misused(
                    "a date such as 2031-04-02 goes with --from and --to, but not", argv[i + 1]);
            i++;
        } else if (argv[i][0] == '-') {
            return misused("there is no option", argv[i]);
        } else if (o->dir) {
            return misused("one directory only, so not also", argv[i]);
        } else {
            o->dir = argv[i];
        }
    }
    return GO_ON;
}

static int read_command(struct options *o, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        if (!misuse_asks_help(argv[i])) continue;
        fputs(usage, stdout);
        return EX_OK;
    }
    const int code = read_words(o, argc, argv);
    if (code != GO_ON) return code;
    if (!o->dir) return misused("which directory?", NULL);
    if (o->json + o->csv + (o->html != NULL) > 1)
        return misused("one of --html, --json and --csv only", NULL);
    if (o->want.has_from && o->want.has_to && o->want.from.ms >= o->want.to.ms)
        return misused("--to is before --from", NULL);
    return GO_ON;
}

/* --- from the journal to the report ----------------------------------------------------------- */

static void take_record(void *context, const struct record *record, const char *line)
{
    struct now at;
    int64_t seq = 0;
    const char *boot = NULL;
    (void)line;
    if (!link_header(record, &seq, &at, &boot)) return;
    if (at.clock == CLOCK_UNSET) at.civil.ms = 0; /* an hour that nobody knows */
    report_take(context, record, at.civil);
}

static void note_damage(struct report *r, const struct journal_scan *s)
{
    char note[REPORT_TEXT_MAX];
    struct text t = text_over(note, sizeof note);
    if (s->places == 0) return;
    text_add(&t, "The journal is damaged in ");
    text_add_int(&t, s->places);
    text_add(&t, s->places == 1 ? " place" : " places");
    text_add(&t, ", so some of it is missing here: see `dosewright journal verify`.");
    report_note(r, note);
}

static int write_out(const struct options *o, const struct report *r)
{
    struct report_terminal terminal = report_terminal_here();
    struct problem problem = { .err = ERR_NONE };
    terminal.ascii = terminal.ascii || o->ascii;
    if (o->html && strcmp(o->html, "-") != 0) {
        const enum err err = report_save(r, REPORT_HTML, o->html, o->force, &problem);
        if (err == ERR_NONE) return EX_OK;
        fprintf(stderr, "dosewright journal report: %s: %s\n", problem.where, problem.text);
        return err == ERR_BUSY ? EX_CANTCREAT : EX_IOERR;
    }
    const enum report_form form = o->html   ? REPORT_HTML
                                  : o->json ? REPORT_JSON
                                  : o->csv  ? REPORT_CSV
                                            : REPORT_TEXT;
    report_write(r, form, stdout, &terminal);
    if (fflush(stdout) == 0 && !ferror(stdout)) return EX_OK;
    fputs("dosewright journal report: standard output can't be written\n", stderr);
    return EX_IOERR;
}

static int finish(const struct options *o, struct report *r)
{
    struct problem problem = { .err = ERR_NONE };
    if (report_finish(r, &problem) != ERR_NONE) {
        fprintf(stderr, "dosewright journal report: %s\n", problem.text);
        return EX_SOFTWARE;
    }
    const struct report_counts count = report_count(r);
    if (count.tanks > 0 && count.records > 0) return write_out(o, r);
    fprintf(stderr, "dosewright journal report: %s: there is nothing of %s%s in %s\n", o->dir,
        o->want.tank ? "tank " : "a tank", o->want.tank ? o->want.tank : "",
        o->want.has_from || o->want.has_to ? "that time" : "this journal");
    return 1;
}

int journal_report_command(int argc, char **argv)
{
    struct options o = { .want = { .title = "Dosing report" } };
    int code = read_command(&o, argc, argv);
    if (code != GO_ON) return code;
    const int dir_fd = journal_open_dir(o.dir, &code);
    if (dir_fd < 0) return code;
    struct report *r = report_new(&o.want);
    struct journal_scan *s = r ? journal_scan_new(dir_fd, take_record, r) : NULL;
    code = journal_run_scan(o.dir, s);
    if (code == GO_ON && s) {
        note_damage(r, s);
        code = finish(&o, r);
        journal_print_broken(stderr, s);
        if (code == EX_OK && s->places > 0) code = 1;
    }
    journal_scan_free(s);
    report_free(r);
    close(dir_fd);
    return code;
}
