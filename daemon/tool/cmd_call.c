#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/base/log.h"
#include "daemon/config/broker_uri.h"
#include "daemon/hear/request_sign.h"
#include "daemon/tool/ask.h"
#include "daemon/tool/call_mqtt.h"
#include "daemon/tool/cmd.h"
#include "lib/base/decimal.h"

enum { WAIT_S = 15, WAIT_MOST_S = 3600, KEEPALIVE_S = 5, MQTT_5 = 5, MQTT_3_1_1 = 4 };

static const char usage[] =
    "usage: dosewright call [WHERE] [WHO] REQUEST [...]\n"
    "\n"
    "Sends a request over MQTT, waits for the daemon's answer and prints it.\n"
    "\n"
    "WHERE  --site SITE.yaml       the broker, its certificates and the site, from the site's "
    "file\n"
    "       --broker URI --at KEY  or by hand: mqtts://host:port and the site's key; besides\n"
    "                              --domain WORD (homie) and --mqtt 5|3.1.1\n"
    "       --ca FILE              certificates that the broker's must lead to\n"
    "       --insecure-plain       allows mqtt:// to another machine\n"
    "WHO    --user NAME --password-file FILE    your own account at the broker, or\n"
    "       --cert FILE --cert-key FILE         your own certificate\n"
    "       --by NAME --key FILE [--n N]        signs the request; N must grow, without it it's\n"
    "                                           the clock's milliseconds\n"
    "       --id ID                the same id again is acted on once; without it one is drawn\n"
    "       --reply TOPIC          where MQTT 5 shall bring the answer; else request/answer\n"
    "       --wait SECONDS         15\n"
    "       --json                 the answer as it came\n"
    "\n"
    "  halt, release                    stop every pump and keep them stopped; end that\n"
    "  pause TANK, unpause TANK         the scheduler leaves the tank alone; or not\n" ASK_REQUESTS
    "\n"
    "The exit code says how it went: 0 done, 1 refused, 64 written wrong, 66 a file can't be "
    "used,\n"
    "69 the broker can't be reached, 74 no answer came, 78 the site's file is wrong.\n";

struct wishes_said { /* the words of the options, NULL where not given */
    const char *site, *broker, *at, *domain, *version, *ca;
    const char *user, *password, *cert, *cert_key, *by, *key, *n;
    const char *id, *reply, *wait, *span;
    bool plain;
};

/* --- where ------------------------------------------------------------------------------------ */

static int load_site_file(struct config **ret, const char *path)
{
    struct problem_list *errors = calloc(1, sizeof *errors);
    if (!errors) return EX_OSERR;
    const enum err err = config_load(ret, path, true, errors);
    if (err != ERR_NONE && errors->count > 0)
        fprintf(stderr, "dosewright: %s: %s\n'dosewright check' shows all that is wrong\n",
            errors->item[0].where, errors->item[0].text);
    free(errors);
    return err == ERR_NONE ? TOOL_GO_ON : EX_CONFIG;
}

static int place_by_hand(
    struct config **ret, const struct tool *tool, const struct wishes_said *said)
{
    struct broker_uri uri;
    if (!said->broker || !said->at)
        return tool_misused(tool, "--site SITE.yaml is wanted, or --broker URI and --at KEY");
    if (!broker_uri_read(&uri, said->broker))
        return tool_misused(tool, "--broker wants mqtts://host:port or mqtt://host:port");
    if (!chain_key_valid(said->at) || (said->domain && !chain_key_valid(said->domain)))
        return tool_misused(tool, "--at and --domain have 1 to 32 of a to z, 0 to 9 and -");
    if (broker_uri_is_open(&uri) && !said->plain)
        return tool_misused(tool,
            "that is a plain connection to another machine: anybody on the way reads along; use "
            "mqtts://, or say --insecure-plain");
    struct config *config = *ret = calloc(1, sizeof *config);
    if (!config) return EX_OSERR;
    config->homie_domain = said->domain ? said->domain : "homie";
    config->site.key = said->at;
    config->broker = (struct broker_config){ .uri_count = 1,
        .uri = { said->broker },
        .version = MQTT_5,
        .plain_allowed = said->plain,
        .keepalive_s = KEEPALIVE_S };
    return TOOL_GO_ON;
}

/* The daemon's own account and certificate in the site's file are never used. */
static int find_place(struct config **ret, const struct tool *tool, const struct wishes_said *said)
{
    if (said->site && (said->broker || said->at || said->domain || said->version))
        return tool_misused(tool, "--site says it all: --broker, --at, --domain and --mqtt don't "
                                  "go with it");
    const int code = said->site ? load_site_file(ret, said->site) : place_by_hand(ret, tool, said);
    if (code != TOOL_GO_ON) return code;
    if (!*ret) return EX_OSERR; /* there is one by now: this is for the analyser */
    struct broker_config *broker = &(*ret)->broker;
    if (said->version && strcmp(said->version, "3.1.1") == 0)
        broker->version = MQTT_3_1_1;
    else if (said->version && strcmp(said->version, "5") != 0)
        return tool_misused(tool, "--mqtt is 5 or 3.1.1");
    if (said->ca) broker->ca_file = said->ca;
    broker->username = said->user;
    broker->password_file = said->password;
    broker->cert_file = said->cert;
    broker->key_file = said->cert_key;
    return TOOL_GO_ON;
}

/* --- who -------------------------------------------------------------------------------------- */

static bool read_whole(int64_t *ret, const char *word, int64_t most)
{
    struct decimal d;
    return decimal_read_plain(&d, word, strlen(word)) && decimal_scaled(ret, d, 0) && *ret >= 1 &&
           *ret <= most;
}

static int check_words(const struct tool *tool, const struct wishes_said *said)
{
    if (tool->socket) return tool_misused(tool, "call goes over the broker: --socket is for ask");
    if (said->password && !said->user) return tool_misused(tool, "a password wants --user, too");
    if (!said->cert != !said->cert_key)
        return tool_misused(tool, "--cert and --cert-key go together");
    if (!said->by != !said->key) return tool_misused(tool, "--by and --key go together");
    if (said->by && !chain_key_valid(said->by))
        return tool_misused(tool, "--by has 1 to 32 of a to z, 0 to 9 and -");
    return TOOL_GO_ON;
}

static int read_numbers(
    struct call_options *o, const struct tool *tool, const struct wishes_said *said)
{
    static const int64_t n_most = INT64_C(999999999999999); /* 15 digits */
    int64_t wait_s = WAIT_S;
    if (said->n && !read_whole(&o->n, said->n, n_most))
        return tool_misused(tool, "--n is a whole number of at most 15 digits");
    if (said->wait && !read_whole(&wait_s, said->wait, WAIT_MOST_S))
        return tool_misused(tool, "--wait is 1 to 3600 seconds");
    o->wait_ms = wait_s * SECOND_MS;
    return TOOL_GO_ON;
}

/* A password that can't be used is said now: the connection would only try again. */
static int try_files(const struct wishes_said *said, struct secret *key)
{
    struct problem problem;
    struct secret password = { .length = 0 };
    enum err err = ERR_NONE;
    if (said->password) err = secret_read(&password, said->password, &problem);
    secret_forget(&password);
    if (err == ERR_NONE && said->key) err = sign_read_key(key, said->key, &problem);
    if (err == ERR_NONE) return TOOL_GO_ON;
    fprintf(stderr, "dosewright: %s: %s\n", problem.where, problem.text);
    return EX_NOINPUT;
}

/* --- the request ------------------------------------------------------------------------------ */

/* What has a command of its own at the local door. */
static int ask_as_command(struct tool *tool, const char *request, bool on)
{
    char line[TOOL_LINE_MAX], tank[TOOL_PATH_MAX * 2];
    const bool one = strcmp(request, "pause") == 0;
    if (tool->count != (one ? 2 : 1))
        return tool_misused_word(
            tool, one ? "one tank goes with" : "no name goes with", tool->word[0]);
    const char *const members[] = { "on", on ? "true" : "false", one ? "tank" : NULL,
        one ? tool_quote(tank, tool->word[1]) : NULL, NULL };
    if (!tool_request(line, request, members)) return tool_misused(tool, "the name is too long");
    return tool_ask(tool, line, TOOL_WAIT_MS, "Done.");
}

static int say_words(struct tool *tool, const char *span)
{
    static const struct {
        const char *word, *request;
        bool on;
    } commands[] = { { "halt", "halt", true }, { "release", "halt", false },
        { "pause", "pause", true }, { "unpause", "pause", false } };
    for (size_t i = 0; tool->count > 0 && i < sizeof commands / sizeof *commands; i++) {
        if (strcmp(tool->word[0], commands[i].word) != 0) continue;
        const int code = ask_as_command(tool, commands[i].request, commands[i].on);
        if (code != EX_OK && i == 0)
            fputs("dosewright: THE HALT IS NOT CONFIRMED. To stop the pumps now, cut the chains' "
                  "supply.\n",
                stderr);
        return code;
    }
    return ask_words(tool, span);
}

static int call_as(struct tool *tool, const struct wishes_said *said, struct call_options *options)
{
    struct problem problem;
    struct call *call;
    if (call_open(&call, options, &problem) != ERR_NONE) {
        fprintf(stderr, "dosewright: %s: %s\n", problem.where, problem.text);
        return problem.err == ERR_RANGE ? EX_USAGE : EX_OSERR;
    }
    const struct tool_way way = { call_carry, call };
    tool->way = &way;
    const int code = say_words(tool, said->span);
    tool->way = NULL;
    call_close(call);
    return code;
}

int cmd_call(int argc, char **argv)
{
    struct wishes_said said = { 0 };
    const struct tool_option list[] = { { "--site", &said.site, NULL },
        { "--broker", &said.broker, NULL }, { "--at", &said.at, NULL },
        { "--domain", &said.domain, NULL }, { "--mqtt", &said.version, NULL },
        { "--ca", &said.ca, NULL }, { "--insecure-plain", NULL, &said.plain },
        { "--user", &said.user, NULL }, { "--password-file", &said.password, NULL },
        { "--cert", &said.cert, NULL }, { "--cert-key", &said.cert_key, NULL },
        { "--by", &said.by, NULL }, { "--key", &said.key, NULL }, { "--n", &said.n, NULL },
        { "--id", &said.id, NULL }, { "--reply", &said.reply, NULL },
        { "--wait", &said.wait, NULL }, { "--for", &said.span, NULL }, { NULL, NULL, NULL } };
    struct tool tool = { .usage = usage, .option = list };
    struct config *config = NULL;
    struct secret key = { .length = 0 };
    log_quieter_than(LOG_FAILED); /* what goes wrong is said at the end */
    int code = tool_read(&tool, argc, argv);
    struct call_options options = {
        .id = said.id, .reply = said.reply, .by = said.by, .key = &key
    };
    if (code == TOOL_GO_ON) code = check_words(&tool, &said);
    if (code == TOOL_GO_ON) code = read_numbers(&options, &tool, &said);
    if (code == TOOL_GO_ON) code = find_place(&config, &tool, &said);
    if (code == TOOL_GO_ON) code = try_files(&said, &key);
    options.config = config;
    if (code == TOOL_GO_ON) code = call_as(&tool, &said, &options);
    secret_forget(&key);
    config_free(config);
    return code;
}
