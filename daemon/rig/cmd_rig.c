/* dosewright rig: a site's chains, probes and tanks, played on a broker. */
#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/signalfd.h>
#include <sys/timerfd.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/base/misuse.h"
#include "daemon/base/problems.h"
#include "daemon/config/broker_uri.h"
#include "daemon/rig/rig.h"
#include "daemon/tool/cmd.h"
#include "lib/base/decimal.h"
#include "lib/base/text.h"

enum {
    STDIN_LINE_MAX = 1024,
    EVENTS_MAX = 8,
    EVERY_LEAST_MS = 100,
    EVERY_MOST_MS = 3600000,
    GO_ON = -1
};

/* --- arguments -------------------------------------------------------------------------------- */

static const char usage[] =
    "usage: dosewright rig [--broker URI] [--seed N] [--every SECONDS] [--ledger FILE]\n"
    "                      [--fault WORDS]... [--exact] [--quiet] SITE.yaml\n"
    "\n"
    "Plays the site's chain heads, modules, relay boards, bottles, tanks and probes on its "
    "broker,\n"
    "until SIGTERM or SIGINT, and says what its pumps really move. Never on a broker that real\n"
    "modules or probes are on.\n"
    "\n"
    "  --broker URI     another broker, without the configuration's user name and certificates\n"
    "  --seed N         of noise and pump errors; 1 if left out\n"
    "  --every SECONDS  how often probes publish, 0.1 to 3600; 1 if left out\n"
    "  --ledger FILE    what moves, as lines of JSON, at the end of this file\n"
    "  --fault WORDS    breaks something; may be said again\n"
    "  --exact          pumps give what the configuration says; else 5 % more or less, by the "
    "seed\n"
    "  --quiet          nothing on standard output\n"
    "\n"
    "WORDS break things, at the start or after @SECONDS, and a '-' in front mends them; the same\n"
    "words may come as lines on standard input, and 'totals'. docs/rig.md says what each does:\n"
    "\n";

static int help(void)
{
    char faults[2048];
    struct text t = text_over(faults, sizeof faults);
    rig_fault_list(&t, "\n  ");
    printf("%s  %s\n", usage, faults);
    return EX_OK;
}

static int misused(const char *what, const char *word)
{
    misuse_say("rig", usage, what, word);
    return EX_USAGE;
}

static bool read_count(const char *text, unsigned places, int64_t *ret)
{
    struct decimal d;
    return decimal_read_plain(&d, text, strlen(text)) && decimal_scaled(ret, d, places) &&
           *ret >= 0;
}

/* One option with its value; false when there is none such, or the value makes no sense. */
static bool read_option(struct rig_options *o, const char *name, const char *value)
{
    int64_t number = 0;
    if (strcmp(name, "--broker") == 0) {
        struct broker_uri uri;
        o->broker = value;
        return broker_uri_read(&uri, value);
    } else if (strcmp(name, "--ledger") == 0) {
        o->ledger_path = value;
    } else if (strcmp(name, "--fault") == 0) {
        if (o->fault_count == RIG_FAULTS_MAX) return false;
        o->fault[o->fault_count++] = value;
    } else if (strcmp(name, "--seed") == 0) {
        if (!read_count(value, 0, &number)) return false;
        o->seed = (uint64_t)number;
    } else if (strcmp(name, "--every") == 0) {
        if (!read_count(value, 3, &number)) return false;
        o->every_ms = number;
        return number >= EVERY_LEAST_MS && number <= EVERY_MOST_MS;
    } else {
        return false;
    }
    return true;
}

static bool takes_value(const char *name)
{
    static const char *const names[] = { "--broker", "--ledger", "--fault", "--seed", "--every" };
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        if (strcmp(names[i], name) == 0) return true;
    }
    return false;
}

static const char *what_goes_with(const char *name)
{
    if (strcmp(name, "--broker") == 0)
        return "--broker takes mqtt://host:port or mqtts://host:port, not";
    if (strcmp(name, "--fault") == 0) return "--fault was said too often, at";
    return strcmp(name, "--seed") == 0 ? "--seed takes a whole number, not"
                                       : "--every takes 0.1 to 3600 seconds, not";
}

static int read_options(struct rig_options *o, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        if (misuse_asks_help(argv[i])) return help();
        if (strcmp(argv[i], "--exact") == 0) {
            o->exact = true;
        } else if (strcmp(argv[i], "--quiet") == 0) {
            o->quiet = true;
        } else if (takes_value(argv[i])) {
            if (i + 1 == argc) return misused("a value is missing after", argv[i]);
            if (!read_option(o, argv[i], argv[i + 1]))
                return misused(what_goes_with(argv[i]), argv[i + 1]);
            i++;
        } else if (argv[i][0] == '-') {
            return misused("there is no option", argv[i]);
        } else if (o->site_path) {
            return misused("one site only, so not also", argv[i]);
        } else {
            o->site_path = argv[i];
        }
    }
    return o->site_path ? GO_ON : misused("which site?", NULL);
}

/* --- opening ---------------------------------------------------------------------------------- */

static int open_config(struct rig *rig)
{
    const struct rig_options *o = rig->options;
    struct problem_list *errors = calloc(1, sizeof *errors);
    if (!errors) return EX_OSERR;
    const enum err err = config_load(&rig->config, o->site_path, o->broker != NULL, errors);
    if (err != ERR_NONE) problems_say(errors);
    free(errors);
    if (err != ERR_NONE) return EX_CONFIG;
    rig->site = &rig->config->site;
    rig->broker = rig->config->broker;
    if (!o->broker) return EX_OK;
    rig->broker = (struct broker_config){ .uri_count = 1,
        .uri = { o->broker },
        .version = rig->config->broker.version,
        .plain_allowed = true,
        .keepalive_s = rig->config->broker.keepalive_s };
    return EX_OK;
}

bool rig_watch(const struct rig *rig, int descriptor)
{
    struct epoll_event event = { .events = EPOLLIN, .data.fd = descriptor };
    return epoll_ctl(rig->poll, EPOLL_CTL_ADD, descriptor, &event) == 0;
}

static int refuse(const struct problem *problem, int code)
{
    fprintf(stderr, "dosewright rig: %s%s%s\n", problem->where, problem->where[0] ? ": " : "",
        problem->text);
    return code;
}

static int open_chains(struct rig *rig)
{
    struct problem problem = { 0 };
    rig->chain_count = rig->site->chain_count;
    rig->chain = calloc((size_t)rig->chain_count + 1, sizeof *rig->chain);
    if (!rig->chain) return EX_OSERR;
    for (uint32_t c = 0; c < rig->chain_count; c++) {
        if (rig_chain_open(rig, c, &problem) != ERR_NONE) return refuse(&problem, EX_UNAVAILABLE);
    }
    return EX_OK;
}

/* Words are tried before anything begins: a typing error must not show up an hour later. */
static int check_words(struct rig *rig)
{
    struct problem problem = { 0 };
    for (uint32_t i = 0; i < rig->options->fault_count; i++) {
        if (!rig_take_words(rig, rig->options->fault[i], &problem))
            return refuse(&problem, EX_USAGE);
    }
    return EX_OK;
}

static int open_all(struct rig *rig)
{
    struct problem problem = { 0 };
    int code = open_config(rig);
    if (code != EX_OK) return code;
    rig->now = rig->begun = rig->stepped_at = clock_now().mono;
    rig->probes_at = rig->tanks_at = rig->now;
    rig->poll = epoll_create1(EPOLL_CLOEXEC);
    if (rig->poll < 0 || !rig_world_open(rig)) return EX_OSERR;
    if (rig_tell_open(rig, &problem) != ERR_NONE) return refuse(&problem, EX_CANTCREAT);
    code = open_chains(rig);
    if (code != EX_OK) return code;
    if (!rig_probes_open(rig, &problem)) return refuse(&problem, EX_UNAVAILABLE);
    return check_words(rig);
}

static void close_all(struct rig *rig)
{
    for (uint32_t c = 0; rig->chain && c < rig->chain_count; c++) {
        rig_chain_close(&rig->chain[c]);
    }
    mqtt_close(rig->probe_mqtt);
    rig_tell_close(rig);
    free(rig->chain);
    free(rig->probe);
    free(rig->tank);
    free(rig->bottle);
    config_free(rig->config);
    if (rig->poll >= 0) close(rig->poll);
}

/* --- standard input --------------------------------------------------------------------------- */

struct input {
    int descriptor; /* -1: closed */
    size_t length;
    bool too_long; /* the line that is being read */
    char line[STDIN_LINE_MAX];
};

static void take_line(struct rig *rig, struct input *in)
{
    struct problem problem = { 0 };
    in->line[in->length] = '\0';
    if (in->too_long)
        fprintf(stderr, "dosewright rig: a line on standard input is too long\n");
    else if (!rig_take_words(rig, in->line, &problem))
        (void)refuse(&problem, 0);
    in->length = 0;
    in->too_long = false;
}

static void take_byte(struct rig *rig, struct input *in, char c)
{
    if (c == '\n')
        take_line(rig, in);
    else if (in->length + 1 < sizeof in->line)
        in->line[in->length++] = c != '\0' ? c : '?';
    else
        in->too_long = true;
}

/* What has come in; false at its end. */
static bool read_input(struct rig *rig, struct input *in)
{
    char bytes[256];
    const ssize_t n = read(in->descriptor, bytes, sizeof bytes);
    if (n < 0 && (errno == EINTR || errno == EAGAIN)) return true;
    for (ssize_t i = 0; i < n; i++) {
        take_byte(rig, in, bytes[i]);
    }
    return n > 0;
}

/* A file can't be waited for: it is read at once. */
static void open_input(struct rig *rig, struct input *in)
{
    if (rig_watch(rig, STDIN_FILENO)) return;
    if (errno == EPERM) {
        while (read_input(rig, in)) {
        }
    }
    in->descriptor = -1;
}

static void close_input(struct rig *rig, struct input *in)
{
    if (in->length > 0) take_line(rig, in); /* a last line without its end */
    (void)epoll_ctl(rig->poll, EPOLL_CTL_DEL, STDIN_FILENO, NULL);
    in->descriptor = -1;
}

/* --- the loop --------------------------------------------------------------------------------- */

/* Something that comes back every 'every_ms'; true when it is time. */
static bool is_due(const struct rig *rig, struct mono *at, int64_t every_ms)
{
    if (mono_since(*at, rig->now) > 0) return false;
    *at = mono_after(*at, every_ms);
    if (mono_since(*at, rig->now) <= 0) *at = mono_after(rig->now, every_ms); /* it was late */
    return true;
}

/* One pass; when the next is due at the latest. */
static struct mono pass(struct rig *rig)
{
    rig->now = clock_now().mono;
    struct mono due = mono_sooner(rig->probes_at, rig->tanks_at);
    for (uint32_t c = 0; c < rig->chain_count; c++) {
        rig_head_advance(rig, &rig->chain[c]);
    }
    due = mono_sooner(due, rig_apply_due(rig));
    for (uint32_t c = 0; c < rig->chain_count; c++) {
        due = mono_sooner(due, rig_chain_turn(rig, &rig->chain[c]));
    }
    due = mono_sooner(due, mqtt_turn(rig->probe_mqtt, rig->now));
    rig_probes_go_on(rig);
    if (is_due(rig, &rig->probes_at, rig->options->every_ms))
        rig_probes_publish(rig, (double)rig->options->every_ms / 1000.0);
    if (is_due(rig, &rig->tanks_at, RIG_TANK_EVERY_MS)) rig_tell_tanks(rig);
    struct mqtt_message ignored;
    while (mqtt_take(rig->probe_mqtt, &ignored)) {
    }
    return rig_anything_runs(rig) ? mono_sooner(due, mono_after(rig->now, RIG_STEP_MS)) : due;
}

static void arm(int timer, struct mono due)
{
    const int64_t ms = due.ms > 0 ? due.ms : 1;
    struct itimerspec spec = { .it_value = { ms / 1000, (long)(ms % 1000 * 1000000) } };
    (void)timerfd_settime(timer, TFD_TIMER_ABSTIME, &spec, NULL);
}

static void loop(struct rig *rig, int signals, int timer)
{
    struct input in = { .descriptor = STDIN_FILENO };
    open_input(rig, &in);
    for (;;) {
        struct epoll_event event[EVENTS_MAX];
        arm(timer, pass(rig));
        const int n = epoll_wait(rig->poll, event, EVENTS_MAX, -1);
        rig->now = clock_now().mono;
        for (int i = 0; i < n; i++) {
            uint64_t ticks;
            if (event[i].data.fd == signals) return;
            if (event[i].data.fd == timer) (void)!read(timer, &ticks, sizeof ticks);
            if (event[i].data.fd == in.descriptor && !read_input(rig, &in)) close_input(rig, &in);
        }
    }
}

/* Blocked before the MQTT library starts its threads. */
static int open_signals(void)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    if (sigprocmask(SIG_BLOCK, &set, NULL) != 0) return -1;
    if (signal(SIGPIPE, SIG_IGN) == SIG_ERR) return -1;
    return signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
}

static void say_goodbye(struct rig *rig)
{
    rig->now = clock_now().mono;
    for (uint32_t c = 0; c < rig->chain_count; c++) {
        rig_head_advance(rig, &rig->chain[c]);
        rig_chain_goodbye(&rig->chain[c]);
    }
    rig_tell_totals(rig);
}

int cmd_rig(int argc, char **argv)
{
    static struct rig rig;
    struct rig_options options = { .every_ms = 1000, .seed = 1 };
    const int said = read_options(&options, argc, argv);
    if (said != GO_ON) return said;
    rig = (struct rig){ .options = &options, .poll = -1, .chance = prng_seed(options.seed) };
    const int signals = open_signals();
    const int timer = timerfd_create(CLOCK_BOOTTIME, TFD_NONBLOCK | TFD_CLOEXEC);
    int code = signals < 0 || timer < 0 ? EX_OSERR : open_all(&rig);
    if (code == EX_OK && (!rig_watch(&rig, signals) || !rig_watch(&rig, timer))) code = EX_OSERR;
    if (code == EX_OK) {
        loop(&rig, signals, timer);
        say_goodbye(&rig);
    }
    close_all(&rig);
    if (code == EX_OK && rig.ledger_failed) code = EX_IOERR;
    if (timer >= 0) close(timer);
    if (signals >= 0) close(signals);
    return code;
}
