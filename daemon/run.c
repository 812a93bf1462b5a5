/* Start and stop of the daemon. */
#include <stdlib.h>
#include <string.h>

#include "daemon/clock.h"
#include "daemon/config_bind.h"
#include "daemon/daemon.h"
#include "daemon/log.h"
#include "lib/base/text.h"
#include "lib/journal/recover.h"

enum { BY_BYTES = 4, HOMIE_FILTERS_OF_SITE = 8, HOMIE_FILTERS_OF_TANK = 8 };

/* --- the journal brings back what must not be forgotten -----------------------------------------
 */

struct recovery {
    struct daemon *daemon;
    struct recover_line line;
    int64_t records;
};

static void restore_record(void *context, const struct record *record, const char *line)
{
    (void)line;
    struct recovery *recovery = context;
    struct now at;
    const char *boot;
    int64_t seq;
    if (!link_header(record, &seq, &at, &boot)) return;
    at.mono.ms = recover_place(&recovery->line, boot, at);
    recovery->records++;
    core_restore(recovery->daemon->core, record, at);
}

static enum err open_journal(struct daemon *d, struct problem *problem)
{
    struct recovery recovery = { .daemon = d };
    recover_init(&recovery.line);
    const struct journal_options options = { .dir = d->config->journal_dir,
        .keep_days = d->config->keep_days,
        .boot = d->boot,
        .now = d->now };
    struct journal_report report;
    const enum err err =
        journal_open(&d->journal, &options, restore_record, &recovery, &report, problem);
    if (err != ERR_NONE) return err;
    d->line_ms = recovery.records > 0 ? -recover_shift(&recovery.line, d->boot, d->now) : 0;
    if (report.torn)
        log_format(LOG_WARNED,
            "the journal's last line was cut short by %lld bytes; it was set aside",
            (long long)report.torn_bytes);
    if (report.damaged) {
        struct record damage;
        record_start(&damage, "damage");
        core_restore(d->core, &damage, daemon_core_now(d));
        log_format(LOG_FAILED, "the journal is damaged: %s: %s", report.problem.where,
            report.problem.text);
    }
    config_adopt(d->config, d->core, &d->config->site);
    core_restored(d->core, recovery.records == 0, daemon_core_now(d), d->actions);
    daemon_perform(d);
    return ERR_NONE;
}

/* --- the connection --------------------------------------------------------------------------- */

static void standby_topic(const struct daemon *d, char ret[ROUTE_TOPIC_MAX])
{
    char device[128];
    struct text t = text_over(device, sizeof device);
    text_add(&t, d->config->site.key);
    text_add(&t, "-standby-");
    text_add(&t, d->identity.by);
    route_topic(ret, d->config, device, "$state");
}

static enum err connect_anew(
    struct daemon *d, const char *will, const char *payload, struct problem *problem)
{
    char client_id[128];
    struct text id = text_over(client_id, sizeof client_id);
    text_add(&id, "dosewright-");
    text_add(&id, d->config->site.key);
    text_add_char(&id, '-');
    text_add(&id, d->identity.by);
    const struct mqtt_options options = { .broker = &d->config->broker,
        .client_id = client_id,
        .will_topic = will,
        .will_payload = payload,
        .will_retained = true };
    return mqtt_open(&d->mqtt, &options, problem);
}

enum err daemon_connect(struct daemon *d, struct problem *problem)
{
    char standby[ROUTE_TOPIC_MAX], state[ROUTE_TOPIC_MAX];
    standby_topic(d, standby);
    route_topic(state, d->config, d->config->site.key, "$state");
    const char *will = d->active ? state : standby;
    const char *payload = d->active ? "lost" : "";
    enum err err;
    if (!d->mqtt) {
        err = connect_anew(d, will, payload, problem);
    } else {
        const struct mqtt_publish gone = {
            .topic = standby, .payload = "", .qos = 1, .retained = true
        };
        (void)mqtt_publish(d->mqtt, &gone);
        err = mqtt_rewill(d->mqtt, will, payload, true, problem);
    }
    d->link_up = false;
    return err == ERR_NONE ? daemon_subscribe(d, problem) : err;
}

void daemon_greet(struct daemon *d)
{
    if (d->active) {
        homie_connected(d->homie);
        return;
    }
    char standby[ROUTE_TOPIC_MAX];
    standby_topic(d, standby);
    const struct mqtt_publish here = {
        .topic = standby, .payload = "ready", .length = 5, .qos = 1, .retained = true
    };
    (void)mqtt_publish(d->mqtt, &here);
}

/* Several probes may share a topic: it is subscribed once. */
static uint32_t route_filters(const struct routes *routes, struct mqtt_subscription *ret)
{
    uint32_t n = 0;
    for (uint32_t i = 0; i < routes->count; i++) {
        if (routes->route[i].kind == ROUTE_PEER) continue; /* every site's: route_beats */
        if (i > 0 && strcmp(routes->route[i].topic, routes->route[i - 1].topic) == 0) continue;
        const bool probe = routes->route[i].kind == ROUTE_PROBE;
        ret[n++] = (struct mqtt_subscription){
            .filter = routes->route[i].topic, .qos = 1, .urgent = !probe
        };
    }
    return n;
}

enum err daemon_subscribe(struct daemon *d, struct problem *problem)
{
    const uint32_t own = HOMIE_FILTERS_OF_SITE + HOMIE_FILTERS_OF_TANK * d->config->site.tank_count;
    struct mqtt_subscription *wanted = calloc((size_t)d->routes.count + own, sizeof *wanted);
    if (!wanted) return problem_set(problem, ERR_IO, "subscriptions", "there is no memory left");
    char beats[ROUTE_TOPIC_MAX];
    route_beats(beats, d->config);
    uint32_t count = route_filters(&d->routes, wanted);
    wanted[count++] = (struct mqtt_subscription){ .filter = beats, .qos = 1, .urgent = true };
    if (d->active) count += homie_filters(d->homie, wanted + count, own);
    const enum err err = mqtt_subscribe(d->mqtt, wanted, count, problem);
    free(wanted);
    return err;
}

/* --- all of it -------------------------------------------------------------------------------- */

enum err daemon_open(struct daemon *d, struct config *config, struct problem *problem)
{
    memset(d, 0, sizeof *d);
    d->config = config;
    d->now = clock_now();
    d->config_loaded = d->now.civil;
    clock_boot(d->boot);
    clock_random_hex(d->identity.by, BY_BYTES);
    d->identity.boot = d->boot;
    d->block = malloc(core_size(&config->site));
    d->actions = calloc(1, sizeof *d->actions);
    d->lines = calloc(LINES_MAX, sizeof *d->lines);
    if (!d->block || !d->actions || !d->lines || routes_make(&d->routes, config) != ERR_NONE)
        return problem_set(
            problem, ERR_IO, config->path, "there is no memory for a site this large");
    const struct now zero = { .civil = d->now.civil, .clock = d->now.clock };
    d->core = core_init(d->block, &config->site, &d->identity, zero);

    enum err err = homie_open(&d->homie, config, problem);
    if (err == ERR_NONE) err = open_journal(d, problem);
    if (err == ERR_NONE) err = door_open(&d->door, config->socket_path, problem);
    if (err == ERR_NONE) err = daemon_connect(d, problem);
    if (err == ERR_NONE) homie_config(d->homie, config->site.digest, d->config_loaded, "");
    return err;
}

/* A standing-by daemon leaves no ghost, an active one says goodbye. */
static void say_goodbye(struct daemon *d)
{
    if (!d->mqtt || !d->link_up) return;
    if (d->active) {
        homie_goodbye(d->homie, d->mqtt);
        return;
    }
    char standby[ROUTE_TOPIC_MAX];
    standby_topic(d, standby);
    const struct mqtt_publish gone = {
        .topic = standby, .payload = "", .qos = 1, .retained = true
    };
    (void)mqtt_publish(d->mqtt, &gone);
}

void daemon_close(struct daemon *d)
{
    say_goodbye(d);
    replay_close(d->replay);
    mqtt_close(d->mqtt);
    door_close(d->door);
    journal_close(d->journal);
    homie_close(d->homie);
    routes_free(&d->routes);
    free(d->lines);
    free(d->actions);
    free(d->block);
    config_free(d->next_config);
    config_free(d->config);
}
