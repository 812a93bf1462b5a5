/* dosewright worksheet: a page for whoever builds, wires and labels what a configuration says. */
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/base/clock.h"
#include "daemon/base/misuse.h"
#include "daemon/base/problems.h"
#include "daemon/base/save_file.h"
#include "daemon/tool/cmd.h"
#include "daemon/worksheet/worksheet.h"

static const char usage[] =
    "usage: dosewright worksheet [--text | --html FILE [--force]] SITE.yaml\n"
    "\n"
    "Makes a page to print from a configuration alone: the chain with its cable, which tube goes\n"
    "from which bottle into which tank's line, labels for the bottles, the load on the supply,\n"
    "limits, and the list of what to do before the first dose, with boxes to tick.\n"
    "\n"
    "  --text       plain words for a terminal (when nothing else is said)\n"
    "  --html FILE  a page with drawings that needs no other file; - is standard output. A file\n"
    "               that isn't a worksheet is left alone, unless --force is given\n"
    "\n"
    "exit codes: 0 done, 64 a wrong argument, 73 there is another file, 74 it can't be written,\n"
    "78 the configuration has mistakes, which are listed as 'dosewright check' lists them\n";

enum { GO_ON = -1 };

struct arguments {
    const char *file, *html;
    bool text, force;
};

static int misused(const char *what, const char *word)
{
    misuse_say("worksheet", usage, what, word);
    return EX_USAGE;
}

static int read_arguments(struct arguments *ret, int argc, char **argv)
{
    *ret = (struct arguments){ 0 };
    for (int i = 1; i < argc; i++) {
        if (misuse_asks_help(argv[i])) {
            fputs(usage, stdout);
            return EX_OK;
        }
        if (strcmp(argv[i], "--text") == 0) {
            ret->text = true;
        } else if (strcmp(argv[i], "--force") == 0) {
            ret->force = true;
        } else if (strcmp(argv[i], "--html") == 0) {
            if (i + 1 == argc || !argv[i + 1][0])
                return misused("a file's name is missing after", argv[i]);
            ret->html = argv[++i];
        } else if (argv[i][0] == '-') {
            return misused("there is no option", argv[i]);
        } else if (ret->file) {
            return misused("one configuration only, so not also", argv[i]);
        } else {
            ret->file = argv[i];
        }
    }
    if (!ret->file) return misused("which configuration?", NULL);
    if (ret->text && ret->html) return misused("either --text or --html", NULL);
    return GO_ON;
}

static void put_page(FILE *out, const void *context)
{
    worksheet_write_html(context, out);
}

static int save(const struct worksheet *w, const struct arguments *a)
{
    static const char *const beginnings[] = { WORKSHEET_HTML_START, NULL };
    const struct save_file what = { .path = a->html,
        .over = a->force,
        .kind = "worksheet",
        .beginnings = beginnings,
        .write = put_page,
        .context = w };
    struct problem problem = { .err = ERR_NONE };
    const enum err err = save_file(&what, &problem);
    if (err == ERR_NONE) return EX_OK;
    fprintf(stderr, "dosewright worksheet: %s: %s\n", problem.where, problem.text);
    return err == ERR_BUSY ? EX_CANTCREAT : EX_IOERR;
}

static int write_out(const struct worksheet *w, const struct arguments *a)
{
    if (a->html && strcmp(a->html, "-") != 0) return save(w, a);
    if (a->html)
        worksheet_write_html(w, stdout);
    else
        worksheet_write_text(w, stdout);
    if (fflush(stdout) == 0 && !ferror(stdout)) return EX_OK;
    fputs("dosewright worksheet: standard output can't be written\n", stderr);
    return EX_IOERR;
}

int cmd_worksheet(int argc, char **argv)
{
    struct arguments a;
    int code = read_arguments(&a, argc, argv);
    if (code != GO_ON) return code;
    struct problem_list *errors = calloc(1, sizeof *errors);
    struct config *config = NULL;
    if (!errors) return EX_OSERR;
    if (config_load(&config, a.file, true, errors) == ERR_NONE) {
        struct worksheet *w = worksheet_new(config, clock_now());
        problems_warn(&config->unwise);
        code = w ? write_out(w, &a) : EX_OSERR;
        worksheet_free(w);
    } else {
        problems_say(errors);
        code = EX_CONFIG;
    }
    config_free(config);
    free(errors);
    return code;
}
