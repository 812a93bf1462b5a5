/* A new configuration: read whole and checked whole aside from the loop (reread.h), swapped in when
 * nothing is in flight. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/base/log.h"
#include "daemon/base/notify.h"
#include "daemon/config/config_bind.h"
#include "daemon/run/daemon.h"
#include "lib/base/text.h"

enum { ANSWER_MAX = 64 * 1024 };

static void answer(struct daemon *d, bool ok, const char *reason, const char *text)
{
    if (d->reload_ticket) door_answer(d->door, d->reload_ticket, ok, reason, text);
    d->reload_ticket = 0;
    notify_ready();
}

/* What can't change while the daemon runs. */
static bool needs_restart(const struct daemon *d, const struct config *next, struct problem *p)
{
    const struct config *old = d->config;
    const char *key = NULL;
    if (!text_same(old->site.key, next->site.key)) key = "site";
    if (!text_same(old->homie_domain, next->homie_domain)) key = "homie_domain";
    if (!text_same(old->journal_dir, next->journal_dir)) key = "journal.dir";
    if (!text_same(old->socket_path, next->socket_path)) key = "socket";
    if (!key) return false;
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "'");
    text_add(&t, key);
    text_add(&t, "' can't change while the daemon runs: restart it for that");
    (void)problem_set(p, ERR_BUSY, next->path, text);
    return true;
}

static void refuse(struct daemon *d, const struct problem_list *errors)
{
    static char all[ANSWER_MAX];
    struct text t = text_over(all, sizeof all);
    for (uint32_t i = 0; i < errors->count; i++) {
        if (i > 0) text_add_char(&t, '\n');
        text_add(&t, errors->item[i].where);
        text_add(&t, ": ");
        text_add(&t, errors->item[i].text);
        log_format(LOG_FAILED, "configuration refused: %s: %s", errors->item[i].where,
            errors->item[i].text);
    }
    if (errors->more > 0) {
        text_add(&t, "\n... and ");
        text_add_int(&t, errors->more);
        text_add(&t, " more");
    }
    text_copy(d->config_error, sizeof d->config_error, all);
    struct record r;
    record_start(&r, "config");
    record_add_truth(&r, "ok", false);
    record_add_text(&r, "error", d->config_error);
    daemon_record(d, &r);
    homie_config(d->homie, d->config->site.digest, d->config_loaded, d->config_error);
    d->view_dirty = true;
    answer(d, false, "refused", all);
}

static void refuse_one(struct daemon *d, const struct problem *problem)
{
    const struct problem_list errors = { .count = 1, .item = { *problem } };
    refuse(d, &errors);
}

static void drop_next(struct daemon *d)
{
    config_free(d->next_config);
    d->next_config = NULL;
    request_keys_forget(&d->next_keys);
}

static void begin_reading(struct daemon *d)
{
    struct problem problem;
    d->reread_again = false;
    if (reread_open(&d->reread, d->config->path, &problem) != ERR_NONE) refuse_one(d, &problem);
}

void daemon_reload(struct daemon *d, uint64_t ticket)
{
    if (d->reload_ticket) answer(d, false, "overtaken", "another reload came after this one");
    notify_reloading(d->now);
    d->reload_ticket = ticket;
    drop_next(d);
    if (d->reread)
        d->reread_again = true; /* what it has read already may have been changed since */
    else
        begin_reading(d);
}

/* What was read waits for a quiet moment from now on, or is refused. */
static void judge(struct daemon *d, struct reread_found *found)
{
    struct problem problem;
    if (!found->config) {
        refuse(d, &found->errors);
    } else if (needs_restart(d, found->config, &problem)) {
        refuse_one(d, &problem);
    } else {
        log_problems(LOG_WARNED, &found->config->unwise);
        d->next_config = found->config;
        d->next_keys = found->keys;
        found->config = NULL;
    }
}

static void take_read(struct daemon *d)
{
    struct reread_found *found = d->reread ? reread_found(d->reread) : NULL;
    if (!found) return;
    if (!d->reread_again) judge(d, found);
    reread_close(d->reread);
    d->reread = NULL;
    if (d->reread_again) begin_reading(d);
}

static bool same_text(const char *a, const char *b)
{
    return a == b || (a && b && text_same(a, b));
}

static bool same_broker(const struct broker_config *a, const struct broker_config *b)
{
    bool same = a->uri_count == b->uri_count && a->version == b->version &&
                a->keepalive_s == b->keepalive_s && same_text(a->username, b->username) &&
                same_text(a->password_file, b->password_file) &&
                same_text(a->ca_file, b->ca_file) && same_text(a->cert_file, b->cert_file) &&
                same_text(a->key_file, b->key_file);
    for (uint32_t i = 0; same && i < a->uri_count; i++) {
        same = text_same(a->uri[i], b->uri[i]);
    }
    return same;
}

/* Everything that the new configuration needs is made before anything old is let go. */
struct fresh {
    void *block;
    struct core *core;
    struct homie *homie;
    struct relays *relays;
    struct routes routes;
};

static enum err make_fresh(struct daemon *d, struct fresh *f, struct problem *problem)
{
    const struct config *next = d->next_config;
    config_adopt(d->next_config, d->core, &d->config->site);
    f->block = malloc(core_size(&next->site));
    if (!f->block || routes_make(&f->routes, next) != ERR_NONE)
        return problem_set(problem, ERR_IO, next->path, "there is no memory for a site this large");
    f->core = core_init(f->block, &next->site, &d->identity, daemon_core_now(d));
    const enum err err = daemon_open_relays(d, &f->relays, &next->site, problem);
    return err == ERR_NONE ? homie_open(&f->homie, next, problem) : err;
}

static void swap(struct daemon *d, struct fresh *f)
{
    daemon_exchange(d, f->core, f->relays);
    homie_reload(f->homie, d->homie);
    homie_close(d->homie);
    routes_free(&d->routes);
    free(d->block);
    d->homie = f->homie;
    d->routes = f->routes;
    d->block = f->block;
    d->zones_at = (struct mono){ 0 };
}

/* Another broker: the new connection is made before the old one is let go. Where that is still up
 * after all, check_link greets it again. */
static void reconnect(struct daemon *d)
{
    struct problem problem;
    struct mqtt *former = d->mqtt;
    d->mqtt = NULL;
    if (daemon_connect(d, &problem) != ERR_NONE) {
        log_format(LOG_FAILED, "still with the former broker: %s: %s", problem.where, problem.text);
        mqtt_close(d->mqtt);
        d->mqtt = former;
        return;
    }
    mqtt_close(former);
    homie_lost(d->homie); /* what this broker keeps of the site is looked at anew */
    daemon_tell_link(d);  /* and what the former one told of its heads is no news from these */
}

/* While the broker is away nobody will tell what became of a dose, and its address may be what is
 * to be changed: once it must have ended it is no longer waited for. */
static void settle_ended(struct daemon *d)
{
    while (core_settle_ended(d->core, daemon_core_now(d), d->actions)) {
        daemon_perform(d);
    }
}

void daemon_renew(struct daemon *d)
{
    take_read(d);
    core_hold_back(d->core, d->next_config != NULL);
    if (!d->next_config) return;
    settle_ended(d);
    if (!core_quiet(d->core) || d->held_count > 0) return;
    struct fresh fresh = { 0 };
    struct problem problem;
    if (make_fresh(d, &fresh, &problem) != ERR_NONE) {
        free(fresh.block);
        routes_free(&fresh.routes);
        homie_close(fresh.homie);
        relays_close(fresh.relays);
        drop_next(d);
        refuse_one(d, &problem);
        return;
    }
    struct config *old = d->config;
    const bool moves = !same_broker(&old->broker, &d->next_config->broker);
    if (moves) daemon_say_goodbye(d); /* of the devices as they were: nobody else would, there */
    swap(d, &fresh);
    d->config = d->next_config;
    d->next_config = NULL;
    d->keys = d->next_keys;
    request_keys_forget(&d->next_keys);
    d->config_loaded = d->now.civil;
    d->config_error[0] = '\0';
    journal_keep(d->journal, d->config->keep_days, d->now);
    metrics_close(d->metrics, same_text(old->metrics_file, d->config->metrics_file), 0);
    daemon_open_metrics(d);
    daemon_perform(d);
    homie_config(d->homie, d->config->site.digest, d->config_loaded, "");
    if (moves) {
        reconnect(d);
    } else if (daemon_subscribe(d, &problem) != ERR_NONE) {
        log_format(LOG_FAILED, "%s: %s", problem.where, problem.text);
    }
    config_free(old);
    log_line(LOG_NOTED, "the new configuration is in force");
    answer(d, true, "done", "the new configuration is in force");
}
