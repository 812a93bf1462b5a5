/* dosewright drive: the core driven from outside, step by step. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/base/misuse.h"
#include "daemon/base/problems.h"
#include "daemon/drive/drive.h"
#include "daemon/tool/cmd.h"

static const char usage[] =
    "usage: dosewright drive [--ticks] SITE.yaml\n"
    "\n"
    "Drives the core of the daemon from outside: events as lines of JSON on standard input, what\n"
    "it wants done as lines of JSON on standard output. Time is what the lines say. It talks to "
    "no\n"
    "broker, starts no pump and writes no journal: docs/drive.md has every line.\n"
    "\n"
    "  --ticks  time passes by itself between lines: the core's own wake-ups happen when due,\n"
    "           so that a recorded session replays without tick lines\n"
    "\n"
    "exit codes: 0 every line could be read, 65 some couldn't (each has its answer), 64 a wrong\n"
    "argument, 78 the configuration is refused\n";

static void put(const char *text)
{
    fputs(text, stdout);
}

static int misused(const char *what, const char *word)
{
    misuse_say("drive", usage, what, word);
    return EX_USAGE;
}

/* Gives the length of the next line without its line feed, -1 at the end; a longer one is skipped
 * to its end and *ret_long set. */
static int64_t next_line(FILE *in, char *line, size_t size, bool *ret_long)
{
    size_t length = 0;
    int c = getc(in);
    *ret_long = false;
    if (c == EOF) return -1;
    for (; c != EOF && c != '\n'; c = getc(in)) {
        if (length < size)
            line[length++] = (char)c;
        else
            *ret_long = true;
    }
    return (int64_t)length;
}

static int run(struct drive *d)
{
    char *line = malloc(JSON_LINE_MAX);
    bool too_long;
    if (!line) return EX_OSERR;
    for (;;) {
        const int64_t length = next_line(stdin, line, JSON_LINE_MAX, &too_long);
        if (length < 0) break;
        drive_take(d, too_long ? NULL : line, (size_t)length);
        if (fflush(stdout) != 0) break;
    }
    free(line);
    if (ferror(stdin) || ferror(stdout)) {
        fprintf(stderr, "dosewright drive: %s: %s\n",
            ferror(stdin) ? "standard input" : "standard output", strerror(errno));
        return EX_IOERR;
    }
    return d->any_bad ? EX_DATAERR : EX_OK;
}

static int drive(const char *path, bool ticks)
{
    static struct problem_list errors;
    static struct drive d;
    struct config *config;
    struct problem problem;
    if (config_load(&config, path, true, &errors) != ERR_NONE) {
        problems_say(&errors);
        return EX_CONFIG;
    }
    if (site_has_plain(&config->site)) {
        fprintf(stderr,
            "dosewright drive: %s: plain outputs can't be driven: nothing answers for "
            "them\n",
            path);
        config_free(config);
        return EX_CONFIG;
    }
    int code = EX_OSERR;
    if (drive_open(&d, config, put, &problem) == ERR_NONE) {
        d.ticks_itself = ticks;
        code = run(&d);
    } else {
        fprintf(stderr, "dosewright drive: %s: %s\n", problem.where, problem.text);
    }
    drive_close(&d);
    return code;
}

int cmd_drive(int argc, char **argv)
{
    const char *path = NULL;
    bool ticks = false;
    for (int i = 1; i < argc; i++) {
        if (misuse_asks_help(argv[i])) {
            fputs(usage, stdout);
            return EX_OK;
        }
        if (strcmp(argv[i], "--ticks") == 0)
            ticks = true;
        else if (argv[i][0] == '-')
            return misused("there is no option", argv[i]);
        else if (path)
            return misused("one site only, so not also", argv[i]);
        else
            path = argv[i];
    }
    return path ? drive(path, ticks) : misused("which site?", NULL);
}
