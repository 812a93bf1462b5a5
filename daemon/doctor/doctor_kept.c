/* What the broker keeps and shouldn't: devices of this site that are gone, and words that were to
 * be said once. The daemon clears the first of these itself as far as it can know of them. */
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/doctor/doctor.h"
#include "daemon/hear/route.h"

enum { QUIET_MS = 1000, NAMED = 3, FILTERS = 3, HEAD_OF_DESCRIPTION = 1024 };

struct kept { /* names of the first few, and how many there are */
    uint32_t count;
    char names[DOCTOR_FOUND_MAX / 2];
    struct text t;
};

struct look {
    struct doctor *d;
    struct kept ghosts, sets;
    char state[32]; /* of the site's own device */
};

static void note(struct kept *k, const char *name, size_t length)
{
    if (k->count++ >= NAMED) return;
    if (k->count > 1) text_add(&k->t, ", ");
    text_add_bytes(&k->t, name, length);
}

static bool is_tank(const struct site *site, const char *key, size_t length)
{
    for (uint32_t i = 0; i < site->tank_count; i++) {
        const char *tank = site->tank[i].key;
        if (strlen(tank) == length && memcmp(tank, key, length) == 0) return true;
    }
    return false;
}

/* The site's own, a chain head's, or of a device that is or was a tank's. */
static bool is_of_site(const struct site *site, const char *id, size_t length)
{
    const size_t own = strlen(site->key);
    if (length >= own && memcmp(id, site->key, own) == 0 && (length == own || id[own] == '-'))
        return true;
    for (uint32_t i = 0; i < site->chain_count; i++) {
        const char *device = site->chain[i].device;
        if (site->chain[i].plain) continue;
        if (strlen(device) == length && memcmp(device, id, length) == 0) return true;
    }
    return false;
}

/* Does the description say that its root is this site? Quotes within its texts are escaped, so that
 * only a member looks like this. */
static bool has_root(const struct site *site, const struct mqtt_message *m)
{
    char head[HEAD_OF_DESCRIPTION], member[64];
    struct text t = text_over(member, sizeof member);
    text_add(&t, "\"root\":\"");
    text_add(&t, site->key);
    text_add_char(&t, '"');
    const size_t length = m->length < sizeof head - 1 ? m->length : sizeof head - 1;
    memcpy(head, m->payload, length);
    head[length] = '\0';
    return strstr(head, member) != NULL;
}

static void hear(struct look *l, const struct mqtt_message *m)
{
    const struct site *site = &l->d->config->site;
    char start[ROUTE_TOPIC_MAX];
    route_topic(start, l->d->config, "", "");
    const size_t skip = strlen(start) - 1; /* "homie/5/" */
    if (!m->retained || m->length == 0 || strncmp(m->topic, start, skip) != 0) return;
    const char *id = m->topic + skip;
    const size_t length = strcspn(id, "/"), own = strlen(site->key);
    const char *rest = id + length;
    if (strcmp(rest, "/$state") == 0) {
        char *state = l->state;
        struct text t = text_over(state, sizeof l->state);
        text_add_bytes(&t, m->payload, m->length);
    } else if (strcmp(rest, "/$description") == 0) {
        if (length <= own + 1 || !is_of_site(site, id, length) || id[own] != '-') return;
        if (!is_tank(site, id + own + 1, length - own - 1) && has_root(site, m))
            note(&l->ghosts, id, length);
    } else if (is_of_site(site, id, length)) {
        note(&l->sets, m->topic, strlen(m->topic));
    }
}

/* Until nothing came for a while. */
static void listen(struct look *l, struct mqtt *m)
{
    struct mqtt_message message;
    const struct mono begun = clock_now().mono;
    struct mono quiet = mono_after(begun, QUIET_MS);
    while (mono_since(quiet, clock_now().mono) > 0 &&
           mono_since(clock_now().mono, begun) < QUIET_MS + l->d->wait_ms) {
        while (mqtt_take(m, &message)) {
            hear(l, &message);
            if (message.retained) quiet = mono_after(clock_now().mono, QUIET_MS);
        }
        doctor_turn(m, quiet);
    }
}

/* --- verdicts ----------------------------------------------------------------------------------
 */

static void judge_ghosts(struct look *l)
{
    const struct kept *k = &l->ghosts;
    doctor_see(l->d, "ghosts", "no device of a tank that is gone is left on the broker");
    if (k->count == 0) {
        doctor_judge(l->d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(l->d, "ghosts", "the broker keeps %u devices of tanks that aren't configured: %s%s",
        (unsigned)k->count, k->names, k->count > NAMED ? " and more" : "");
    doctor_judge(l->d, DOCTOR_WARN,
        "the daemon removes those that it knows of some seconds after it has connected; clear "
        "others with: mosquitto_sub -t '<domain>/5/<device>/#' --remove-retained -W 3");
}

static void judge_sets(struct look *l)
{
    const struct kept *k = &l->sets;
    doctor_see(l->d, "kept requests", "none: the broker keeps nothing on topics that are set");
    if (k->count == 0) {
        doctor_judge(l->d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(l->d, "kept requests", "the broker keeps %u: %s%s", (unsigned)k->count, k->names,
        k->count > NAMED ? " and more" : "");
    doctor_judge(l->d, DOCTOR_WARN,
        "whatever publishes there must not say 'retain'; each that stands is taken for a halt or "
        "left out again at every start. Clear it: mosquitto_pub -r -n -t TOPIC");
}

static void judge_state(struct look *l)
{
    if (l->d->status || strcmp(l->state, "ready") != 0) return;
    doctor_see(l->d, "second daemon",
        "no daemon answers here, but the broker says that %s is ready", l->d->config->site.key);
    doctor_judge(l->d, DOCTOR_WARN,
        "a daemon runs on another machine as this site, or this account may not ask the one here "
        "(--socket); what two of them command, only one gets");
}

void doctor_kept(struct doctor *d, const char *uri)
{
    char topics[FILTERS][ROUTE_TOPIC_MAX], why[DOCTOR_WHY_MAX];
    struct mqtt_subscription filter[FILTERS] = { { .filter = topics[0] }, { .filter = topics[1] },
        { .filter = topics[2] } };
    route_topic(topics[0], d->config, "+", "$description");
    route_topic(topics[1], d->config, "+", "+/+/set");
    route_topic(topics[2], d->config, d->config->site.key, "$state");
    const struct doctor_wish wish = {
        .uri = uri, .version = d->config->broker.version, .filter = filter, .filters = FILTERS
    };
    struct look l = { .d = d };
    l.ghosts.t = text_over(l.ghosts.names, sizeof l.ghosts.names);
    l.sets.t = text_over(l.sets.names, sizeof l.sets.names);
    struct mqtt *m = doctor_connect(d, &wish, why);
    if (!m) {
        doctor_see(d, "kept messages", "they can't be looked at: %s", why);
        doctor_judge(d, DOCTOR_WARN, "let the daemon's account read its own devices' topics");
        return;
    }
    listen(&l, m);
    mqtt_close(m);
    judge_ghosts(&l);
    judge_sets(&l);
    judge_state(&l);
}
