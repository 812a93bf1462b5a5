/* What the broker keeps for the boards of plain outputs. A kept order is given to the board anew
 * each time it connects: after a power cut a pump would run that nobody asked for. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/doctor/doctor.h"
#include "lib/core/site.h"

enum { QUIET_MS = 1000, NAMED = 3, REMEDY_MAX = 640 };

struct boards {
    struct doctor *d;
    struct mqtt_subscription *filter; /* one a topic: several outputs may share it */
    uint32_t filters;
    uint32_t orders, offs; /* kept: what runs something, and what switches off */
    char first[256];       /* topic of the first that runs something, else of the first */
    char names[DOCTOR_FOUND_MAX / 2];
    struct text t;
};

static bool has_topic(const struct boards *b, const char *topic)
{
    for (uint32_t i = 0; i < b->filters; i++) {
        if (strcmp(b->filter[i].filter, topic) == 0) return true;
    }
    return false;
}

/* False without memory. */
static bool list_topics(struct boards *b, const struct site *site)
{
    b->filters = 0;
    b->filter = calloc((size_t)site->chain_count * CHAIN_MODULES_MAX, sizeof *b->filter);
    if (!b->filter) return false;
    for (uint32_t c = 0; c < site->chain_count; c++) {
        for (uint32_t m = 0; m < site->chain[c].count; m++) {
            const struct plain_output *o = site->chain[c].module[m].plain;
            if (o && !has_topic(b, o->topic)) b->filter[b->filters++].filter = o->topic;
        }
    }
    return true;
}

/* Is it the "off" of one of the outputs on that topic? */
static bool is_off(const struct site *site, const struct mqtt_message *m)
{
    for (uint32_t c = 0; c < site->chain_count; c++) {
        for (uint32_t i = 0; i < site->chain[c].count; i++) {
            const struct plain_output *o = site->chain[c].module[i].plain;
            if (!o || strcmp(o->topic, m->topic) != 0) continue;
            if (strlen(o->off_payload) == m->length &&
                memcmp(o->off_payload, m->payload, m->length) == 0)
                return true;
        }
    }
    return false;
}

static void hear(struct boards *b, const struct mqtt_message *m)
{
    if (!m->retained || m->length == 0) return;
    const bool off = is_off(&b->d->config->site, m);
    const uint32_t before = b->orders + b->offs;
    if (before == 0 || (!off && b->orders == 0))
        (void)text_copy(b->first, sizeof b->first, m->topic);
    *(off ? &b->offs : &b->orders) += 1;
    if (before >= NAMED) return;
    text_add(&b->t, before > 0 ? ", " : "");
    text_add(&b->t, m->topic);
    text_add(&b->t, off ? " (off)" : " (runs something)");
}

static void listen(struct boards *b, struct mqtt *m)
{
    struct mqtt_message message;
    const struct mono begun = clock_now().mono;
    struct mono quiet = mono_after(begun, QUIET_MS);
    while (mono_since(quiet, clock_now().mono) > 0 &&
           mono_since(clock_now().mono, begun) < QUIET_MS + b->d->wait_ms) {
        while (mqtt_take(m, &message)) {
            hear(b, &message);
            if (message.retained) quiet = mono_after(clock_now().mono, QUIET_MS);
        }
        doctor_turn(m, quiet);
    }
}

static void judge(struct boards *b)
{
    char remedy[REMEDY_MAX];
    struct text t = text_over(remedy, sizeof remedy);
    const uint32_t kept = b->orders + b->offs;
    doctor_see(b->d, "kept orders",
        "none on the %u topics of boards, as far as this account may read them",
        (unsigned)b->filters);
    if (kept == 0) {
        doctor_judge(b->d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(b->d, "kept orders", "the broker keeps %u for boards of plain outputs: %s%s",
        (unsigned)kept, b->names, kept > NAMED ? " and more" : "");
    if (b->orders > 0)
        text_add(&t, "a board that connects, as after a power cut, acts on it without anybody's "
                     "asking. Take the power of its pumps away, then clear it: ");
    else
        text_add(&t, "it switches off what runs, whenever the board connects. Clear it: ");
    text_add(&t, "mosquitto_pub -r -n -t '");
    text_add(&t, b->first);
    text_add(&t, "'; then find who publishes there with 'retain' (the daemon never does), and let "
                 "the access list allow the daemon alone");
    doctor_judge(b->d, b->orders > 0 ? DOCTOR_FAIL : DOCTOR_WARN, remedy);
}

void doctor_boards(struct doctor *d, const char *uri)
{
    struct boards b = { .d = d };
    char why[DOCTOR_WHY_MAX] = "no memory";
    if (!site_has_plain(&d->config->site)) return;
    b.t = text_over(b.names, sizeof b.names);
    struct mqtt *m = NULL;
    if (list_topics(&b, &d->config->site)) {
        const struct doctor_wish wish = { .uri = uri,
            .version = d->config->broker.version,
            .filter = b.filter,
            .filters = b.filters };
        m = doctor_connect(d, &wish, why);
    }
    if (m) {
        listen(&b, m);
        mqtt_close(m);
        judge(&b);
    } else {
        doctor_see(d, "kept orders", "the topics of boards can't be looked at: %s", why);
        doctor_judge(d, DOCTOR_WARN,
            "let the daemon's account read them, too: a kept order is dangerous there");
    }
    free(b.filter);
}
