/* Without a daemon: listens for a while to probes and chain heads, and looks at the dates of
 * calibrations in the files. What was calibrated or adopted with the daemon is in its journal: that
 * is for the daemon to say. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/doctor/doctor.h"
#include "daemon/hear/route.h"
#include "daemon/payload/payload.h"

enum { UNHEARD, HEARD_KEPT, HEARD_ODD, HEARD_GOOD };

struct chain_heard {
    char state[16];
    bool listed; /* a roll-call came and could be read */
    struct chain_roll roll;
};

struct ear {
    struct doctor *d;
    struct routes routes;
    uint8_t *probe; /* by tank * PROBE_QUANTITY_COUNT + quantity */
    struct chain_heard *chain;
};

/* --- listening ---------------------------------------------------------------------------------
 */

static void hear_probe(struct ear *e, const struct route *r, const struct mqtt_message *m)
{
    const struct payload p = { .bytes = m->payload, .length = m->length };
    const struct probe_config *config = &e->d->config->site.tank[r->tank].probe[r->quantity];
    uint8_t *heard = &e->probe[r->tank * PROBE_QUANTITY_COUNT + r->quantity];
    double value;
    uint8_t now = HEARD_KEPT;
    if (!m->retained)
        now = payload_read_probe(&value, config, p) == PROBE_OK ? HEARD_GOOD : HEARD_ODD;
    if (now > *heard) *heard = now;
}

static void hear(struct ear *e, const struct mqtt_message *m)
{
    uint32_t count = 0;
    struct problem problem;
    const struct route *r = routes_find(&e->routes, m->topic, &count);
    for (uint32_t i = 0; r && i < count; i++, r++) {
        const struct payload p = { .bytes = m->payload, .length = m->length };
        if (r->kind == ROUTE_PROBE) hear_probe(e, r, m);
        if (r->kind == ROUTE_HEAD_STATE && m->length > 0) {
            struct chain_heard *c = &e->chain[r->chain];
            struct text t = text_over(c->state, sizeof c->state);
            text_add_bytes(&t, m->payload, m->length);
        }
        if (r->kind == ROUTE_ROLL && m->length > 0) {
            struct chain_heard *c = &e->chain[r->chain];
            c->listed = payload_read_roll(&c->roll, p, &problem) == ERR_NONE;
        }
    }
}

static bool all_heard(const struct ear *e)
{
    const struct site *site = &e->d->config->site;
    for (uint32_t i = 0; i < site->tank_count * PROBE_QUANTITY_COUNT; i++) {
        const uint32_t q = i % PROBE_QUANTITY_COUNT;
        if (site->tank[i / PROBE_QUANTITY_COUNT].probe[q].present && e->probe[i] != HEARD_GOOD)
            return false;
    }
    for (uint32_t i = 0; i < site->chain_count; i++) {
        if (site->chain[i].plain) continue;
        if (!e->chain[i].listed || !e->chain[i].state[0]) return false;
    }
    return true;
}

/* The topics of probes, chain heads' states and roll-calls, each once: the routes are sorted. */
static uint32_t make_filters(const struct ear *e, struct mqtt_subscription *ret)
{
    uint32_t count = 0;
    for (uint32_t i = 0; i < e->routes.count; i++) {
        const struct route *r = &e->routes.route[i];
        if (r->kind != ROUTE_PROBE && r->kind != ROUTE_HEAD_STATE && r->kind != ROUTE_ROLL)
            continue;
        if (count > 0 && strcmp(ret[count - 1].filter, r->topic) == 0) continue;
        ret[count++] = (struct mqtt_subscription){ .filter = r->topic, .qos = 1 };
    }
    return count;
}

static bool listen(struct ear *e, const char *uri)
{
    struct doctor *d = e->d;
    char why[DOCTOR_WHY_MAX] = "there is no memory left";
    struct mqtt_subscription *filter = calloc(e->routes.count, sizeof *filter);
    struct doctor_wish wish = {
        .uri = uri, .version = d->config->broker.version, .filter = filter
    };
    if (filter) wish.filters = make_filters(e, filter);
    struct mqtt *m = filter ? doctor_connect(d, &wish, why) : NULL;
    free(filter);
    if (!m) {
        doctor_see(d, "inputs", "they can't be listened to: %s", why);
        doctor_judge(d, DOCTOR_FAIL,
            "let the daemon's account read the probes' topics and its chain heads' devices "
            "(config/mosquitto.acl)");
        return false;
    }
    struct mqtt_message message;
    const struct mono until = mono_after(clock_now().mono, d->wait_ms);
    while (mono_since(until, clock_now().mono) > 0 && !all_heard(e)) {
        doctor_turn(m, until);
        while (mqtt_take(m, &message)) {
            hear(e, &message);
        }
    }
    mqtt_close(m);
    return true;
}

/* --- verdicts ----------------------------------------------------------------------------------
 */

static void judge_probe(struct ear *e, uint32_t tank, uint32_t quantity, uint32_t *good)
{
    struct doctor *d = e->d;
    const struct site_tank *t = &d->config->site.tank[tank];
    const struct probe_config *p = &t->probe[quantity];
    const uint8_t heard = e->probe[tank * PROBE_QUANTITY_COUNT + quantity];
    if (heard == HEARD_GOOD) {
        ++*good;
        return;
    }
    if (heard == HEARD_ODD) {
        doctor_see(d, "input", "%s: what comes on %s can't be read as a value within its range",
            t->key, p->topic);
        doctor_judge(d, DOCTOR_FAIL,
            "compare pointer, unit and range with what the broker has (mosquitto_sub -v -t TOPIC)");
        return;
    }
    doctor_see(d, "input", "%s: nothing%s came on %s within %lld s (max_age_s is %lld)", t->key,
        heard == HEARD_KEPT ? " but what the broker kept" : "", p->topic,
        (long long)(d->wait_ms / 1000), (long long)(p->max_age_ms / 1000));
    doctor_judge(d, p->max_age_ms <= d->wait_ms ? DOCTOR_FAIL : DOCTOR_WARN,
        "does the probe's sender run, and publish there? Look for longer with --wait SECONDS");
}

static void judge_tank(struct ear *e, uint32_t tank)
{
    struct doctor *d = e->d;
    const struct site_tank *t = &d->config->site.tank[tank];
    uint32_t good = 0;
    for (uint32_t q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        if (t->probe[q].present) judge_probe(e, tank, q, &good);
    }
    if (good == 0) return;
    doctor_see(
        d, "inputs", "%s: %u probes told something that can be believed", t->key, (unsigned)good);
    doctor_judge(d, DOCTOR_OK, NULL);
}

static void judge_chain(struct ear *e, uint32_t chain)
{
    struct doctor *d = e->d;
    const struct chain_config *config = &d->config->site.chain[chain];
    const struct chain_heard *heard = &e->chain[chain];
    char why[256];
    struct text t = text_over(why, sizeof why);
    if (config->plain) {
        doctor_see(d, "chain", "%s: plain outputs, for which nobody answers", config->key);
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    }
    if (strcmp(heard->state, "ready") != 0 || !heard->listed) {
        doctor_see(d, "chain", "%s: %s", config->key,
            !heard->state[0]                     ? "no chain head shows itself"
            : strcmp(heard->state, "ready") != 0 ? heard->state
                                                 : "no roll-call that can be read");
        doctor_judge(d, DOCTOR_FAIL,
            "has the chain head power and the broker, and is chains.<chain>.device its name "
            "there?");
    } else if (!chain_roll_matches(config, &heard->roll, &t)) {
        doctor_see(d, "chain", "%s: %s", config->key, why);
        doctor_judge(d, DOCTOR_WARN,
            "unless that order was adopted: put the modules back, change the file, or 'dosewright "
            "ask adopt CHAIN' once the daemon runs");
    } else {
        doctor_see(
            d, "chain", "%s: its head is ready, its modules are those of the file", config->key);
        doctor_judge(d, DOCTOR_OK, NULL);
    }
}

/* By the files alone. */
static void add_due(struct text *t, const char *name, struct civil at, bool due)
{
    char date[DOCTOR_DATE_MAX];
    if (!due) return;
    text_add(t, t->length > 0 ? ", " : "");
    text_add(t, name);
    text_add(t, " (");
    text_add(t, doctor_date(date, at));
    text_add_char(t, ')');
}

static void judge_calibrations(struct doctor *d, const struct site_tank *tank)
{
    static const char *const names[] = { "ec", "ph" };
    char due[DOCTOR_FOUND_MAX / 2];
    struct text t = text_over(due, sizeof due);
    for (uint32_t q = PROBE_EC; q <= PROBE_PH; q++) {
        const struct probe_config *p = &tank->probe[q];
        const int64_t age_ms = d->now.civil.ms - p->calibrated_at.ms;
        add_due(&t, names[q], p->calibrated_at,
            p->present && p->calibrated && p->calibrate_every_ms > 0 &&
                age_ms >= p->calibrate_every_ms);
    }
    for (uint32_t i = 0; i < tank->pump_count; i++) {
        const struct site_pump *p = &tank->pump[i];
        const int64_t age_ms = d->now.civil.ms - p->calibrated_at.ms;
        add_due(&t, d->config->site.stock[p->stock].key, p->calibrated_at,
            p->calibrated && p->calibrate_every_ms > 0 && age_ms >= p->calibrate_every_ms);
    }
    const struct site_circulation *c = &tank->circulation;
    add_due(&t, "circulation", c->measured_at,
        c->measured && c->measure_every_ms > 0 &&
            d->now.civil.ms - c->measured_at.ms >= c->measure_every_ms);
    doctor_see(d, "calibration", "%s: none is due, by the file", tank->key);
    if (t.length == 0) {
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(d, "calibration", "%s: due, by the file: %s", tank->key, due);
    doctor_judge(d, DOCTOR_WARN,
        "'dosewright commission TANK' walks through it; one that was made since is in the journal, "
        "and the running daemon knows it");
}

static void judge_all(struct ear *e)
{
    const struct site *site = &e->d->config->site;
    for (uint32_t i = 0; i < site->chain_count; i++) {
        judge_chain(e, i);
    }
    for (uint32_t i = 0; i < site->tank_count; i++) {
        judge_tank(e, i);
    }
}

void doctor_idle(struct doctor *d, const char *uri)
{
    const struct site *site = &d->config->site;
    struct ear e = { .d = d };
    e.probe = calloc((size_t)site->tank_count * PROBE_QUANTITY_COUNT, sizeof *e.probe);
    e.chain = calloc(site->chain_count, sizeof *e.chain);
    if (uri && e.probe && e.chain && routes_make(&e.routes, d->config) == ERR_NONE) {
        if (listen(&e, uri)) judge_all(&e);
    } else {
        doctor_see(d, "inputs", "without broker or daemon they can't be looked at");
        doctor_judge(d, DOCTOR_WARN, "mend what stands above, then look again");
    }
    routes_free(&e.routes);
    free(e.probe);
    free(e.chain);
    for (uint32_t i = 0; i < site->tank_count; i++) {
        judge_calibrations(d, &site->tank[i]);
    }
}
