/* dosewright doctor: one look at everything that a site needs, and what to do where it isn't so. */
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/base/log.h"
#include "daemon/doctor/doctor.h"
#include "daemon/hear/request_keys.h"
#include "daemon/tool/cmd.h"
#include "daemon/tool/tool.h"
#include "daemon/tool/tool_show.h"
#include "lib/base/decimal.h"

enum { WAIT_S = 5, WAIT_MOST_S = 120 };

static const char usage[] =
    "usage: dosewright doctor SITE.yaml [--wait SECONDS] [--no-publish] [--json] ...\n"
    "       dosewright doctor --drop-in SITE.yaml\n"
    "\n"
    "Looks at everything that a site needs, and says of each 'ok', 'warn' or 'fail', and what to\n"
    "do: configuration, clock, disk, journal, the service's exposure, certificates, the broker "
    "and\n"
    "its access list, what it keeps and shouldn't, chains, probes, calibrations. Changes nothing,\n"
    "moves nothing; works beside a running daemon and without one.\n"
    "\n"
    "  --wait SECONDS     how long to wait for the broker, and without a daemon for probes: 1 to\n"
    "                     120; 5 if left out\n"
    "  --no-publish       only listens: the access list isn't tried\n"
    "  --credentials DIR  what CREDENTIALS_DIRECTORY stands for; else the environment's, else the\n"
    "                     running service's, where it may be read\n"
    "  --units DIR        where the service's drop-ins lie; else /etc/systemd/system\n"
    "  --socket PATH      the daemon's socket; else the one that the configuration names\n"
    "  --json             everything as one JSON object\n"
    "  --drop-in          prints the drop-in that lets the service reach its broker only\n"
    "\n"
    "The exit code: 0 all is ok, 1 something is a warning, 2 something fails, 64 written wrong.\n";

/* The service's own secrets can be read by root while it runs. */
static void find_credentials(const char *given)
{
    static const char of_service[] = "/run/credentials/dosewright.service";
    if (given)
        (void)setenv("CREDENTIALS_DIRECTORY", given, 1);
    else if (!getenv("CREDENTIALS_DIRECTORY") && access(of_service, R_OK | X_OK) == 0)
        (void)setenv("CREDENTIALS_DIRECTORY", of_service, 1);
}

static int read_wait(struct doctor *d, const struct tool *tool, const char *word)
{
    struct decimal decimal;
    int64_t wait_s = WAIT_S;
    if (word && !(decimal_read_plain(&decimal, word, strlen(word)) &&
                    decimal_scaled(&wait_s, decimal, 0) && wait_s >= 1 && wait_s <= WAIT_MOST_S))
        return tool_misused(tool, "--wait is 1 to 120 whole seconds");
    d->wait_ms = wait_s * SECOND_MS;
    return TOOL_GO_ON;
}

/* --- the configuration -------------------------------------------------------------------------
 */

static void judge_config(struct doctor *d, const char *path, const struct problem_list *errors)
{
    static const char check[] = "'dosewright check' with that file lists everything";
    if (!d->config || errors->count > 0) {
        const bool told = errors->count > 0;
        doctor_see(d, "configuration", "%s: %s", told ? errors->item[0].where : path,
            told ? errors->item[0].text : "it can't be read");
        doctor_judge(d, DOCTOR_FAIL, check);
        return;
    }
    const struct problem_list *unwise = &d->config->unwise;
    const unsigned tanks = d->config->site.tank_count, chains = d->config->site.chain_count;
    doctor_see(d, "configuration", "%s is valid: %u tank%s, %u chain%s", path, tanks,
        tanks == 1 ? "" : "s", chains, chains == 1 ? "" : "s");
    if (unwise->count == 0) {
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(d, "configuration", "%s is valid, but %s: %s%s", path, unwise->item[0].where,
        unwise->item[0].text, unwise->count > 1 ? " (and more)" : "");
    doctor_judge(d, DOCTOR_WARN, check);
}

/* --- all of it ---------------------------------------------------------------------------------
 */

/* What the daemon answers; NULL, with a line on why, when none does. */
static cJSON *ask_daemon(struct doctor *d, const char *socket)
{
    struct tool tool = { .usage = usage, .quiet = true };
    int code = EX_OK;
    tool.socket = socket ? socket : d->config->socket_path;
    cJSON *answer = tool_status(&tool, &code);
    if (answer && show_true(answer, "ok")) return answer;
    cJSON_Delete(answer);
    doctor_see(d, "daemon", "none answers: %s: %s", tool.problem.where, tool.problem.text);
    doctor_judge(d, DOCTOR_WARN,
        "is it meant to run? 'systemctl status dosewright' tells; the socket is for members of its "
        "group only");
    return NULL;
}

static void look_at_all(struct doctor *d, const char *socket)
{
    doctor_clock(d);
    doctor_disk(d);
    doctor_journal(d);
    doctor_unit(d);
    doctor_tls_files(d);
    const char *uri = doctor_broker(d);
    cJSON *status = ask_daemon(d, socket);
    d->status = status;
    if (uri) doctor_acl(d, uri);
    if (uri) doctor_kept(d, uri);
    if (uri) doctor_boards(d, uri);
    if (status)
        doctor_live(d);
    else
        doctor_idle(d, uri);
    d->status = NULL;
    cJSON_Delete(status);
}

static int run_all(struct doctor *d, const char *path, const char *socket)
{
    struct problem_list *errors = calloc(1, sizeof *errors);
    struct config *config = NULL;
    if (!errors) return EX_OSERR;
    if (config_load(&config, path, true, errors) != ERR_NONE) config = NULL;
    if (config) request_keys_check(config, errors, &config->unwise);
    d->config = config;
    doctor_begin(d);
    judge_config(d, path, errors);
    free(errors);
    if (config) look_at_all(d, socket);
    config_free(config);
    const int code = doctor_end(d);
    return fflush(d->out) == 0 && !ferror(d->out) ? code : EX_IOERR;
}

static int print_drop_in(const char *path)
{
    struct problem_list *errors = calloc(1, sizeof *errors);
    struct config *config = NULL;
    if (!errors) return EX_OSERR;
    int code = EX_CONFIG;
    if (config_load(&config, path, true, errors) == ERR_NONE)
        code = doctor_drop_in(stdout, config) ? EX_OK : EX_NOHOST;
    else if (errors->count > 0)
        fprintf(stderr, "dosewright: %s: %s\n'dosewright check' shows all that is wrong\n",
            errors->item[0].where, errors->item[0].text);
    free(errors);
    config_free(config);
    return code;
}

int cmd_doctor(int argc, char **argv)
{
    const char *wait = NULL, *credentials = NULL;
    bool drop_in = false;
    struct doctor d = { .out = stdout, .unit_dir = "/etc/systemd/system" };
    const struct tool_option options[] = { { "--wait", &wait, NULL },
        { "--no-publish", NULL, &d.silent }, { "--credentials", &credentials, NULL },
        { "--units", &d.unit_dir, NULL }, { "--drop-in", NULL, &drop_in }, { NULL, NULL, NULL } };
    struct tool tool = { .usage = usage, .option = options };
    int code = tool_read(&tool, argc, argv);
    if (code == TOOL_GO_ON) code = read_wait(&d, &tool, wait);
    if (code == TOOL_GO_ON && tool.count != 1)
        code = tool_misused(&tool, "which site? One file is wanted");
    if (code != TOOL_GO_ON) return code;
    d.json = tool.json;
    d.now = clock_now();
    log_quieter_than(LOG_FAILED); /* what goes wrong has a line of its own */
    (void)setenv(
        "RES_OPTIONS", "timeout:2 attempts:1", 0); /* a dead name server is no reason to hang */
    find_credentials(credentials);
    show_set_terminal_here();
    return drop_in ? print_drop_in(tool.word[0]) : run_all(&d, tool.word[0], tool.socket);
}
