/* The one loop: wait, sample the clocks, drain what is readable, let time pass, show, arm. */
#include <errno.h>
#include <inttypes.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/signalfd.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/base/log.h"
#include "daemon/base/notify.h"
#include "daemon/config/config_zone.h"
#include "daemon/run/daemon.h"
#include "lib/base/text.h"

enum {
    MESSAGES_MOST = 256, /* taken from the broker in one pass */
    CALLS_MOST = 16,
    ZONES_EVERY_MS = 60000,
    SLEEP_MOST_MS = 60000,
};

/* --- what came in ----------------------------------------------------------------------------- */

static void on_signals(struct daemon *d, int signals)
{
    struct signalfd_siginfo info;
    while (read(signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo == SIGHUP)
            daemon_reload(d, 0);
        else
            d->stopping = true;
    }
}

/* The devices listen to something else now. */
static void refilter(struct daemon *d)
{
    struct problem problem;
    if (!d->active || !homie_refilter(d->homie)) return;
    if (daemon_subscribe(d, &problem) != ERR_NONE)
        log_format(LOG_FAILED, "%s: %s", problem.where, problem.text);
}

static void check_link(struct daemon *d)
{
    struct mqtt_status status;
    mqtt_status(d->mqtt, &status);
    if (status.connected == d->link_up) return;
    d->link_up = status.connected;
    log_format(LOG_NOTED, "broker %s: %s", status.uri ? status.uri : "?",
        status.connected ? "connected"
        : status.why[0]  ? status.why
                         : "connection lost");
    if (d->link_up)
        daemon_greet(d);
    else
        homie_lost(d->homie);
    refilter(d);
    daemon_tell_link(d);
}

static void take_messages(struct daemon *d)
{
    struct mqtt_message message;
    for (int n = 0; n < MESSAGES_MOST && mqtt_take(d->mqtt, &message); n++) {
        daemon_message(d, &message);
    }
}

/* The values of readings that were taken, before anything that may take longer. */
static void show_readings(struct daemon *d)
{
    if (d->active && d->link_up) homie_prompt(d->homie, d->mqtt, d->core, daemon_core_now(d));
}

static void take_calls(struct daemon *d)
{
    struct door_call call;
    for (int n = 0; n < CALLS_MOST; n++) {
        if (!door_take(d->door, &d->config->site, d->now, &call)) return;
        daemon_call(d, &call);
    }
}

/* --- time passes ------------------------------------------------------------------------------ */

static void check_zones(struct daemon *d)
{
    if (d->zones_at.ms > 0 && mono_since(d->now.mono, d->zones_at) < ZONES_EVERY_MS) return;
    d->zones_at = d->now.mono;
    const struct site *site = &d->config->site;
    const char *former = NULL; /* tanks of a site mostly share a zone: one look-up serves them */
    int64_t offset_ms = 0;
    bool known = false;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        struct event e;
        memset(&e, 0, sizeof e);
        e.kind = EVENT_ZONES;
        e.zone.tank = i;
        const char *zone = site->tank[i].schedule.zone;
        if (!former || strcmp(zone, former) != 0)
            known = config_zone_offset(&offset_ms, d->config, zone, d->now.civil);
        former = zone;
        e.zone.offset_ms = offset_ms;
        if (known) daemon_step(d, &e);
    }
}

/* One line for the service manager: what a glance should tell. */
static void show_status(struct daemon *d)
{
    struct site_view view;
    core_view_site(d->core, daemon_core_now(d), &view);
    char line[256];
    struct text t = text_over(line, sizeof line);
    text_add(&t, view.halted ? "halted; " : view.standby ? "standing by; " : "");
    text_add(&t, view.link_up ? "broker connected" : "broker doesn't answer");
    if (view.alerts > 0) {
        text_add(&t, "; alerts: ");
        text_add_int(&t, view.alerts);
    }
    notify_status(line);
}

/* From one look at what is to be shown to the next. */
static int64_t view_ms(const struct daemon *d)
{
    if (d->view_deeds) return VIEW_EVERY_MS;
    return d->view_dirty ? VIEW_CALM_MS : VIEW_IDLE_MS;
}

static void show(struct daemon *d)
{
    if (mono_since(d->now.mono, d->view_at) < view_ms(d)) return;
    d->view_deeds = false;
    d->view_dirty = false;
    d->view_at = d->now.mono;
    show_status(d);
    refilter(d);
    if (!d->active || !d->link_up) return;
    if (homie_publish(d->homie, d->mqtt, d->core, daemon_core_now(d)))
        d->view_dirty = d->view_deeds = true;
    homie_beat(d->homie, d->mqtt, d->identity.by, d->now.mono);
    daemon_note_announced(d);
}

/* What didn't fit into the connection at the last look goes out as there is room, not at the next:
 * a thousand tanks that come up have tens of thousands of values to say. */
static void show_rest(struct daemon *d)
{
    if (!d->active || !d->link_up || !homie_waits(d->homie) || !mqtt_has_room(d->mqtt)) return;
    (void)homie_publish(d->homie, d->mqtt, d->core, daemon_core_now(d));
}

static void show_metrics(struct daemon *d)
{
    const struct now now = daemon_core_now(d);
    if (!d->metrics || mono_since(metrics_due(d->metrics, now.mono), now.mono) > 0) return;
    struct metrics_daemon of = { .loop = d->passes, .clock = now.clock };
    const struct link_tip tip = journal_tip(d->journal);
    mqtt_status(d->mqtt, &of.mqtt);
    of.journal_seq = tip.seq;
    core_view_site(d->core, now, &of.site);
    const struct door_shell shell = daemon_shell(d, &of.mqtt, &tip);
    const struct status_source source = status_of_core(d->core, &d->config->site, &shell, now);
    if (metrics_turn(d->metrics, &source, &of)) d->passes.most_us = 0;
}

static void note_pass(struct daemon *d, int64_t began_us)
{
    const int64_t took_us = clock_boot_us() - began_us;
    d->passes.passes++;
    d->passes.sum_us += took_us;
    if (took_us > d->passes.most_us) d->passes.most_us = took_us;
}

/* --- the pass --------------------------------------------------------------------------------- */

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* Milliseconds until something is due, whatever comes in before. */
static int sleep_ms(const struct daemon *d, struct mono mqtt_due)
{
    int64_t ms = SLEEP_MOST_MS;
    ms = sooner(ms, mono_since(mqtt_due, d->now.mono));
    ms = sooner(ms, view_ms(d) - mono_since(d->now.mono, d->view_at));
    ms = sooner(ms, mono_since(daemon_due(d), d->now.mono));
    if (d->reread) ms = sooner(ms, REREAD_LOOK_MS);
    if (d->replay) ms = sooner(ms, mono_since(replay_due(d->replay), d->now.mono));
    if (d->metrics) {
        const struct mono now = daemon_core_now(d).mono;
        ms = sooner(ms, mono_since(metrics_due(d->metrics, now), now));
    }
    const int64_t watchdog = notify_watchdog_every_ms();
    if (watchdog > 0) ms = sooner(ms, watchdog);
    return ms < 0 ? 0 : (int)ms;
}

static struct mono pass(struct daemon *d, int signals)
{
    d->now = clock_now();
    on_signals(d, signals);
    struct mono due = mqtt_turn(d->mqtt, d->now.mono);
    check_link(d);
    take_messages(d);
    show_readings(d);
    take_calls(d);
    check_zones(d);
    daemon_tick(d);
    daemon_check_journal(d);
    daemon_release(d);
    daemon_turn_relays(d);
    daemon_replay(d);
    daemon_renew(d);
    check_link(d);
    show(d);
    show_rest(d);
    show_metrics(d);
    notify_watchdog();
    return due;
}

static bool watch(int poll, int descriptor)
{
    struct epoll_event event = { .events = EPOLLIN, .data.fd = descriptor };
    return epoll_ctl(poll, EPOLL_CTL_ADD, descriptor, &event) == 0;
}

int daemon_loop(struct daemon *d, int signals)
{
    int code = EX_OK;
    const int poll = epoll_create1(EPOLL_CLOEXEC);
    int mqtt = mqtt_descriptor(d->mqtt);
    if (poll < 0 || !watch(poll, signals) || !watch(poll, mqtt) ||
        !watch(poll, journal_descriptor(d->journal)) || !watch(poll, door_descriptor(d->door))) {
        log_format(LOG_FAILED, "the loop can't be set up: %s", strerror(errno));
        code = EX_OSERR;
        d->stopping = true;
    }
    bool ready = false;
    while (!d->stopping) {
        const int64_t began_us = clock_boot_us();
        const struct mono due = pass(d, signals);
        note_pass(d, began_us);
        if (!ready) notify_ready();
        ready = true;
        if (mqtt != mqtt_descriptor(d->mqtt)) { /* a reload made another connection */
            mqtt = mqtt_descriptor(d->mqtt);
            (void)watch(poll, mqtt);
        }
        if (d->stopping) break;
        struct epoll_event events[8];
        (void)epoll_wait(poll, events, 8, sleep_ms(d, due));
    }
    notify_stopping();
    if (poll >= 0) close(poll);
    return code;
}
