/* Start and stop of the daemon. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/base/log.h"
#include "daemon/config/config_bind.h"
#include "daemon/run/daemon.h"
#include "lib/base/text.h"

enum { BY_BYTES = 4, METRICS_END_MS = 500 };

/* --- the journal ------------------------------------------------------------------------------ */

static enum err open_journal(struct daemon *d, struct problem *problem)
{
    struct journal_report report;
    const enum err err = daemon_open_journal(d, &report, problem);
    if (err != ERR_NONE) return err;
    if (report.torn)
        log_format(LOG_WARNED,
            "the journal's last line was cut short by %lld bytes; it was set aside",
            (long long)report.torn_bytes);
    if (report.damaged)
        log_format(LOG_FAILED, "the journal is damaged: %s: %s", report.problem.where,
            report.problem.text);
    config_adopt(d->config, d->core, &d->config->site);
    core_restored(d->core, report.records == 0, daemon_core_now(d), d->actions);
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
        daemon_withdraw_announced(d);
        return;
    }
    char standby[ROUTE_TOPIC_MAX];
    standby_topic(d, standby);
    /* Homie's word for a device that is there and not complete */
    const struct mqtt_publish here = {
        .topic = standby, .payload = "init", .length = 4, .qos = 1, .retained = true
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
    const size_t most = (size_t)d->routes.count + 1 + FOLLOW_FILTERS + homie_filters_most(d->homie);
    struct mqtt_subscription *wanted = calloc(most, sizeof *wanted);
    if (!wanted) return problem_set(problem, ERR_IO, "subscriptions", "there is no memory left");
    char beats[ROUTE_TOPIC_MAX];
    route_beats(beats, d->config);
    uint32_t count = route_filters(&d->routes, wanted);
    wanted[count++] = (struct mqtt_subscription){ .filter = beats, .qos = 1, .urgent = true };
    count += d->active ? homie_filters(d->homie, wanted + count)
                       : daemon_follow_filters(d, wanted + count);
    const enum err err = mqtt_subscribe(d->mqtt, wanted, count, problem);
    free(wanted);
    return err;
}

/* --- all of it -------------------------------------------------------------------------------- */

enum err daemon_open_relays(
    const struct daemon *d, struct relays **ret, const struct site *site, struct problem *problem)
{
    char boot[CHAIN_WORD_MAX];
    clock_random_hex(boot, BY_BYTES);
    const struct relays_start start = { .site = site, .boot = boot, .now = d->now.mono };
    return relays_open(ret, &start, problem);
}

enum err daemon_open(struct daemon *d, struct config *config, const struct request_keys *keys,
    struct problem *problem)
{
    memset(d, 0, sizeof *d);
    d->config = config;
    d->keys = *keys;
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
    if (err == ERR_NONE) err = daemon_open_relays(d, &d->relays, &config->site, problem);
    if (err == ERR_NONE) err = open_journal(d, problem);
    if (err == ERR_NONE) relays_recall(d->relays, d->core);
    if (err == ERR_NONE) err = door_open(&d->door, config->socket_path, problem);
    if (err == ERR_NONE) err = daemon_connect(d, problem);
    if (err == ERR_NONE) homie_config(d->homie, config->site.digest, d->config_loaded, "");
    if (err == ERR_NONE) daemon_open_metrics(d);
    return err;
}

void daemon_open_metrics(struct daemon *d)
{
    const struct config *c = d->config;
    d->metrics = NULL;
    if (c->metrics_file)
        d->metrics = metrics_open(c->metrics_file, c->metrics_every_ms, c->site.tank_count);
}

void daemon_say_goodbye(struct daemon *d)
{
    if (!d->mqtt || !d->link_up) return;
    if (d->active) {
        relays_off(d->relays, d->mqtt);
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
    daemon_say_goodbye(d);
    metrics_close(d->metrics, false, METRICS_END_MS);
    replay_close(d->replay);
    reread_close(d->reread);
    mqtt_close(d->mqtt);
    door_close(d->door);
    journal_close(d->journal);
    homie_close(d->homie);
    relays_close(d->relays);
    routes_free(&d->routes);
    free(d->lines);
    free(d->actions);
    free(d->block);
    request_keys_forget(&d->next_keys);
    request_keys_forget(&d->keys);
    config_free(d->next_config);
    config_free(d->config);
}
