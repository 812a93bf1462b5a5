/* Who may say what on the broker, tried with words that nothing acts on.
 *
 * The site's own account says a line on its devices' $log/debug, and an object without an id on the
 * settable topics of its chain heads: a head leaves out what has no id (docs/contract.md). What the
 * broker lets through comes back to the same account. Then a client without an account tries to say
 * the same. Nothing of it is retained. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/doctor/doctor.h"
#include "daemon/hear/route.h"

enum {
    TOKEN_BYTES = 8,
    BACK_MS = 3000,
    OF_CHAIN = 2,
    OF_ALL = 2,
    WORD_MAX = 128,
    MISSING_SHOWN = 3
};

struct tried {
    char topic[ROUTE_TOPIC_MAX];
    bool mine;           /* the daemon needs it; others are only for who has no account */
    bool foreign;        /* worth trying without an account */
    bool back, stranger; /* came back from the site's account, from a client without one */
};

struct trial {
    struct doctor *d;
    struct tried *item;
    struct mqtt_subscription *filter;
    uint32_t count;
    char token[2 * TOKEN_BYTES + 1];
};

static void add(struct trial *t, const char *device, const char *property, bool mine, bool foreign)
{
    struct tried *item = &t->item[t->count];
    route_topic(item->topic, t->d->config, device, property);
    item->mine = mine;
    item->foreign = foreign;
    t->filter[t->count++] =
        (struct mqtt_subscription){ .filter = item->topic, .qos = 1, .urgent = true };
}

static bool list_topics(struct trial *t)
{
    const struct config *config = t->d->config;
    const struct site *site = &config->site;
    const size_t most = OF_ALL + site->tank_count + (size_t)site->chain_count * OF_CHAIN;
    t->item = calloc(most, sizeof *t->item);
    t->filter = calloc(most, sizeof *t->filter);
    if (!t->item || !t->filter) return false;
    add(t, site->key, "$log/debug", true, true);
    add(t, site->key, "request/call/set", false, true);
    for (uint32_t i = 0; i < site->chain_count; i++) {
        if (site->chain[i].plain) continue; /* nobody knows what a board makes of such words */
        add(t, site->chain[i].device, "chain/claim/set", true, true);
        add(t, site->chain[i].device, "dose/command/set", true, true);
    }
    for (uint32_t i = 0; i < site->tank_count; i++) {
        char device[ROUTE_TOPIC_MAX];
        struct text name = text_over(device, sizeof device);
        text_add(&name, site->key);
        text_add_char(&name, '-');
        text_add(&name, site->tank[i].key);
        add(t, device, "$log/debug", true, false);
    }
    return true;
}

/* --- saying and hearing ------------------------------------------------------------------------
 */

static bool is_log(const char *topic)
{
    const char *end = strrchr(topic, '/');
    return end && strcmp(end, "/debug") == 0;
}

static void word_for(char ret[WORD_MAX], const struct trial *t, const char *topic, const char *who)
{
    struct text line = text_over(ret, WORD_MAX);
    text_add(&line, is_log(topic) ? "dosewright doctor tries the access list (" : "{\"doctor\":\"");
    text_add(&line, who);
    text_add(&line, t->token);
    text_add(&line, is_log(topic) ? ")" : "\"}");
}

static void take(struct trial *t, struct mqtt *m)
{
    struct mqtt_message message;
    while (mqtt_take(m, &message)) {
        for (uint32_t i = 0; i < t->count; i++) {
            struct tried *item = &t->item[i];
            char word[WORD_MAX];
            if (strcmp(item->topic, message.topic) != 0) continue;
            word_for(word, t, item->topic, "s");
            if (strlen(word) == message.length &&
                memcmp(word, message.payload, message.length) == 0)
                item->back = true;
            word_for(word, t, item->topic, "n");
            if (strlen(word) == message.length &&
                memcmp(word, message.payload, message.length) == 0)
                item->stranger = true;
        }
    }
}

static bool all_back(const struct trial *t)
{
    for (uint32_t i = 0; i < t->count; i++) {
        if (t->item[i].mine && !t->item[i].back) return false;
    }
    return true;
}

/* What the site says itself. */
static void say_own(struct trial *t, struct mqtt *site)
{
    for (uint32_t i = 0; i < t->count; i++) {
        char word[WORD_MAX];
        word_for(word, t, t->item[i].topic, "s");
        if (!t->item[i].mine) continue;
        if (!doctor_publish(site, t->item[i].topic, word)) break;
        take(t, site);
    }
    const struct mono until = mono_after(clock_now().mono, BACK_MS);
    while (mono_since(until, clock_now().mono) > 0 && !all_back(t)) {
        doctor_turn(site, until);
        take(t, site);
    }
}

/* What a stranger says; true when it was let in. */
static bool say_foreign(struct trial *t, struct mqtt *site, const char *uri)
{
    bool let_in = false;
    for (uint32_t i = 0; i < t->count; i++) {
        char word[WORD_MAX];
        word_for(word, t, t->item[i].topic, "n");
        if (!t->item[i].foreign) continue;
        if (!doctor_stranger_says(t->d, uri, t->item[i].topic, word)) break;
        let_in = true;
    }
    const struct mono until = mono_after(clock_now().mono, BACK_MS / 2);
    while (let_in && mono_since(until, clock_now().mono) > 0) {
        doctor_turn(site, until);
        take(t, site);
    }
    return let_in;
}

/* --- verdicts ----------------------------------------------------------------------------------
 */

/* Names the first few for which 'wanted' holds; how many there are. */
static uint32_t name_some(const struct trial *t, struct text *names, bool strangers)
{
    uint32_t n = 0;
    for (uint32_t i = 0; i < t->count; i++) {
        const struct tried *item = &t->item[i];
        if (strangers ? !item->stranger : (!item->mine || item->back)) continue;
        if (n < MISSING_SHOWN) text_add(names, n > 0 ? ", " : "");
        if (n++ < MISSING_SHOWN) text_add(names, item->topic);
    }
    if (n > MISSING_SHOWN) {
        text_add(names, " and ");
        text_add_int(names, n - MISSING_SHOWN);
        text_add(names, " more");
    }
    return n;
}

static void judge_own(struct trial *t)
{
    struct doctor *d = t->d;
    char topics[4 * ROUTE_TOPIC_MAX];
    struct text names = text_over(topics, sizeof topics);
    const uint32_t missing = name_some(t, &names, false);
    if (missing == 0) {
        doctor_see(d, "access list", "the daemon's account may say and hear what it must");
        doctor_judge(d, DOCTOR_OK, NULL);
        return;
    }
    doctor_see(d, "access list", "what this account says doesn't come back from %s", topics);
    doctor_judge(d, DOCTOR_FAIL,
        "let it write and read there in the broker's access list (config/mosquitto.acl shows how): "
        "the daemon's devices, each tank's too, and the settable topics of each chain head");
}

static void judge_strangers(struct trial *t, bool let_in)
{
    struct doctor *d = t->d;
    char topics[4 * ROUTE_TOPIC_MAX];
    struct text names = text_over(topics, sizeof topics);
    const uint32_t open = name_some(t, &names, true);
    if (open > 0) {
        doctor_see(d, "strangers", "a client without an account may publish to %s", topics);
        doctor_judge(d, DOCTOR_WARN,
            "whoever reaches the broker can move pumps: set 'allow_anonymous false', give each "
            "client an account, and use an access list (docs/security.md)");
        return;
    }
    doctor_see(d, "strangers",
        let_in ? "a client without an account is let in, but may not publish "
                 "where it would matter"
               : "a client without an account isn't let in");
    doctor_judge(d, DOCTOR_OK, NULL);
}

static void try_both(struct trial *t, const char *uri)
{
    struct doctor *d = t->d;
    char why[DOCTOR_WHY_MAX];
    const struct doctor_wish wish = {
        .uri = uri, .version = d->config->broker.version, .filter = t->filter, .filters = t->count
    };
    struct mqtt *site = doctor_connect(d, &wish, why);
    if (!site) {
        doctor_see(d, "access list", "%s", why);
        doctor_judge(d, DOCTOR_FAIL,
            "let the daemon's account read its own devices and those of its chain heads "
            "(config/mosquitto.acl)");
        return;
    }
    say_own(t, site);
    judge_own(t);
    judge_strangers(t, say_foreign(t, site, uri));
    mqtt_close(site);
}

void doctor_acl(struct doctor *d, const char *uri)
{
    struct trial t = { .d = d };
    if (d->silent) return;
    clock_random_hex(t.token, TOKEN_BYTES);
    if (list_topics(&t)) {
        try_both(&t, uri);
    } else {
        doctor_see(d, "access list", "there is no memory left");
        doctor_judge(d, DOCTOR_FAIL, "try again");
    }
    free(t.item);
    free(t.filter);
}
