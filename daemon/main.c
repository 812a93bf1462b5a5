/* dosewright: one program, a table of subcommands. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/base/misuse.h"
#include "daemon/tool/cmd.h"
#include "lib/base/invariant.h"

_Noreturn void invariant_broken(const char *file, int line, const char *what)
{
    fprintf(stderr, "<2>%s:%d: broken invariant, stopping: %s\n", file, line, what);
    abort();
}

struct command {
    const char *name;
    int (*run)(int argc, char **argv);
    const char *help;
};

static const struct command commands[] = {
    { "run", cmd_run, "the daemon: run SITE.yaml" },
    { "check", cmd_check, "read a configuration, say what is wrong and what was derived" },
    { "doctor", cmd_doctor, "one look at all that a site needs, and what to do where it isn't so" },
    { "worksheet", cmd_worksheet, "a page to print: wiring, tubes, labels, limits, what to do" },
    { "status", cmd_status, "each tank at a glance" },
    { "halt", cmd_halt, "stop every pump and keep them stopped" },
    { "release", cmd_halt, "end a halt" },
    { "pause", cmd_pause, "stop dosing one tank" },
    { "unpause", cmd_pause, "let it dose again" },
    { "reload", cmd_reload, "read the configuration again and wait for the verdict" },
    { "commission", cmd_commission, "a walk through a new site, tank or part, step by step" },
    { "ask", cmd_ask,
        "other requests: setpoint, dose, prime, calibrate, acknowledge, refilled, service, adopt" },
    { "call", cmd_call, "the same requests over MQTT, from any machine" },
    { "journal", cmd_journal, "verify, show or draw the journal" },
    { "backup", cmd_backup, "configuration and journal in one file" },
    { "restore", cmd_restore, "put such a file back" },
    { "reckon", cmd_reckon, "stock arithmetic: mixes, stock tanks, acid, dilution, probes" },
    { "forecast", cmd_forecast, "weeks of a site in seconds, against a model of its water" },
    { "drive", cmd_drive, "the core driven from outside: events in, actions out, as JSON lines" },
    { "rig", cmd_rig, "a virtual chain, probes and tanks, for trials" },
};

static int help(FILE *out, int code)
{
    fprintf(out, "usage: dosewright COMMAND [...]\n\n");
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++) {
        fprintf(out, "  %-10s %s\n", commands[i].name, commands[i].help);
    }
    fprintf(
        out, "\n'dosewright COMMAND --help' tells more; 'dosewright --version' which one it is.\n");
    return code;
}

/* A command with its arguments: argv[0] is its name. */
static int run(int argc, char **argv)
{
    for (size_t i = 0; i < sizeof commands / sizeof *commands; i++) {
        if (strcmp(argv[0], commands[i].name) == 0) return commands[i].run(argc, argv);
    }
    fprintf(stderr,
        "dosewright: there is no command '%s'; 'dosewright --help' lists those there are\n",
        argv[0]);
    return EX_USAGE;
}

int main(int argc, char **argv)
{
    static char help_option[] = "--help";
    if (argc < 2) return help(stderr, EX_USAGE);
    if (strcmp(argv[1], "help") == 0 && argc == 3) { /* "help check" */
        char *words[] = { argv[2], help_option, NULL };
        return run(2, words);
    }
    if (misuse_asks_help(argv[1]) || strcmp(argv[1], "help") == 0) return help(stdout, 0);
    if (strcmp(argv[1], "--version") == 0) {
        printf("dosewright " DOSEWRIGHT_VERSION "\n");
        return 0;
    }
    return run(argc - 1, argv + 1);
}
