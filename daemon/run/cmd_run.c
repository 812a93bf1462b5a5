#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/base/log.h"
#include "daemon/base/misuse.h"
#include "daemon/run/daemon.h"
#include "daemon/tool/cmd.h"

static const char usage[] =
    "usage: dosewright run [--quiet] SITE.yaml\n"
    "\n"
    "Runs the daemon in the foreground until SIGTERM or SIGINT. SIGHUP reads the configuration\n"
    "again. Its log goes to standard error; --quiet leaves out what isn't a warning.\n";

static int misused(const char *what, const char *word)
{
    misuse_say("run", usage, what, word);
    return EX_USAGE;
}

/* Blocked before the client library starts its threads, which inherit the mask. */
static int open_signals(void)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGHUP);
    if (sigprocmask(SIG_BLOCK, &set, NULL) != 0) return -1;
    if (signal(SIGPIPE, SIG_IGN) == SIG_ERR) return -1;
    return signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
}

static int exit_code(enum err err)
{
    if (err == ERR_RANGE) return EX_DATAERR; /* of a newer program: trying again doesn't help */
    return err == ERR_BUSY ? EX_TEMPFAIL : EX_IOERR;
}

static int run(const char *path)
{
    static struct problem_list errors;
    static struct daemon daemon;
    static struct request_keys keys;
    struct config *config;
    const int signals = open_signals(); /* first: a SIGHUP would end it, which counts as clean */
    if (signals < 0) {
        log_format(LOG_FAILED, "signals can't be watched: %s", strerror(errno));
        return EX_OSERR;
    }
    if (config_load(&config, path, false, &errors) != ERR_NONE ||
        request_keys_read(&keys, config, &errors) != ERR_NONE) {
        log_problems(LOG_FAILED, &errors);
        config_free(config);
        close(signals);
        return EX_CONFIG;
    }
    log_problems(LOG_WARNED, &config->unwise);
    struct problem problem;
    int code;
    const enum err err = daemon_open(&daemon, config, &keys, &problem);
    request_keys_forget(&keys);
    if (err == ERR_NONE) {
        log_format(LOG_NOTED, "%s: tanks %u, chains %u; this daemon is %s", config->site.name,
            config->site.tank_count, config->site.chain_count, daemon.identity.by);
        code = daemon_loop(&daemon, signals);
    } else {
        log_format(LOG_FAILED, "%s: %s", problem.where, problem.text);
        code = exit_code(err);
    }
    daemon_close(&daemon);
    close(signals);
    return code;
}

int cmd_run(int argc, char **argv)
{
    const char *path = NULL;
    for (int i = 1; i < argc; i++) {
        if (misuse_asks_help(argv[i])) {
            fputs(usage, stdout);
            return EX_OK;
        }
        if (strcmp(argv[i], "--quiet") == 0) {
            log_quieter_than(LOG_WARNED);
        } else if (argv[i][0] == '-') {
            return misused("there is no option", argv[i]);
        } else if (path) {
            return misused("one site only, so not also", argv[i]);
        } else {
            path = argv[i];
        }
    }
    return path ? run(path) : misused("which site?", NULL);
}
