/* One chain head on the broker: lib/plant/head.h decides, this carries messages to and fro. */
#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/payload/payload.h"
#include "daemon/rig/rig.h"
#include "lib/base/invariant.h"
#include "lib/base/text.h"

enum {
    MESSAGES_MOST = 64, /* in one turn */
    CUT_LATE_MS = 3000, /* the usurper isn't let in: the broker is away, too */
    ROLL_AGAIN_MS = 10000,
    AGAIN_MS = 20, /* something couldn't be sent */
    TOPIC_MAX = RIG_DEVICE_MAX + 64,
    MODULES = CHAIN_MODULES_MAX,
};

/* --- topics ----------------------------------------------------------------------------------- */

static const char *topic_of(char ret[TOPIC_MAX], const struct rig_chain *chain, const char *rest)
{
    struct text t = text_over(ret, TOPIC_MAX);
    text_add(&t, chain->device);
    text_add(&t, "/");
    text_add(&t, rest);
    return ret;
}

/* A retained property at QoS 1, or one that passes at QoS 0. */
static bool send(
    struct rig_chain *chain, const char *rest, const char *payload, size_t length, bool retained)
{
    char topic[TOPIC_MAX];
    const struct mqtt_publish p = { .topic = topic_of(topic, chain, rest),
        .payload = payload,
        .length = length,
        .qos = retained ? 1 : 0,
        .retained = retained };
    return mqtt_publish(chain->mqtt, &p) == MQTT_SENT;
}

static bool send_text(struct rig_chain *chain, const char *rest, const struct text *t)
{
    INVARIANT(!t->cut);
    return send(chain, rest, t->at, t->length, true);
}

static bool send_state(struct rig_chain *chain, const char *state)
{
    return send(chain, "$state", state, strlen(state), true);
}

/* --- what a head shows ------------------------------------------------------------------------ */

struct rig_power {
    struct supply supply;
    struct supply_module module[MODULES];
    struct supply_load load[MODULES];
    double amps;
};

static void add_load(
    const struct rig_chain *chain, uint32_t m, uint32_t channel, struct supply_load *load)
{
    if (!head_runs(&chain->head, m, channel)) return;
    if (chain->module[chain->seen[m]].unplugged[channel]) return;
    if (channel == CHAIN_CIRCULATION_CHANNEL)
        load->circulation = true;
    else
        load->pumps++;
}

static void list_power(const struct rig_chain *chain, struct rig_power *ret)
{
    ret->supply = chain->config->supply;
    for (uint32_t m = 0; m < chain->seen_count; m++) {
        ret->module[m] = chain->config->module[chain->seen[m]].power;
        ret->module[m].cable_ohm += chain->module[chain->seen[m]].thin_ohm;
        ret->load[m] = (struct supply_load){ .pumps = 0 };
        for (uint32_t c = 0; c <= chain->head.module[m].info.channels; c++) {
            add_load(chain, m, c, &ret->load[m]);
        }
    }
    ret->amps = supply_amps(ret->module, ret->load, chain->seen_count);
    ret->supply.volts -= chain->weak_ohm * ret->amps;
}

static double volts_at(const struct rig_chain *chain, const struct rig_power *power, uint32_t m)
{
    const double volts =
        supply_volts_at(&power->supply, power->module, power->load, chain->seen_count, m);
    return volts > 0.0 ? volts : 0.0;
}

static double lowest_volts(const struct rig_chain *chain)
{
    struct rig_power power;
    list_power(chain, &power);
    return chain->seen_count > 0 ? volts_at(chain, &power, chain->seen_count - 1) : 0.0;
}

static bool send_roll(struct rig_chain *chain)
{
    static struct chain_roll roll;
    struct rig_power power;
    head_roll(&chain->head, &roll);
    list_power(chain, &power);
    for (uint32_t m = 0; m < roll.count; m++) {
        roll.module[m].has_volts = true;
        roll.module[m].volts = volts_at(chain, &power, m);
    }
    chain->told_volts = lowest_volts(chain);
    char bytes[PAYLOAD_MAX];
    struct text t = text_over(bytes, sizeof bytes);
    payload_add_roll(&t, &roll);
    return send_text(chain, "chain/roll", &t);
}

static bool send_claim(struct rig_chain *chain)
{
    char bytes[512];
    struct text t = text_over(bytes, sizeof bytes);
    payload_add_claim(&t, &chain->head.claim);
    return send_text(chain, "chain/claim", &t);
}

static bool send_ledger(struct rig_chain *chain)
{
    if (chain->mute) return true;
    char bytes[PAYLOAD_MAX];
    struct text t = text_over(bytes, sizeof bytes);
    payload_add_ledger(&t, &chain->head.ledger);
    return send_text(chain, "dose/ledger", &t);
}

static bool send_report(struct rig_chain *chain)
{
    if (chain->mute) return true;
    return send(chain, "dose/report", chain->last_report, strlen(chain->last_report), true);
}

static bool send_manual(struct rig_chain *chain)
{
    char bytes[PAYLOAD_MAX];
    struct text t = text_over(bytes, sizeof bytes);
    if (chain->head.manual.n == 0)
        text_add(&t, "{}"); /* nobody has touched a switch yet */
    else
        payload_add_manual(&t, &chain->head.manual);
    return send_text(chain, "dose/manual", &t);
}

static bool send_command(struct rig_chain *chain)
{
    char bytes[1024];
    struct text t = text_over(bytes, sizeof bytes);
    if (chain->head.accepted.id[0] == '\0')
        text_add(&t, "{}");
    else
        payload_add_command(&t, &chain->head.accepted);
    return send_text(chain, "dose/command", &t);
}

static bool send_init(struct rig_chain *chain)
{
    return send_state(chain, "init");
}

static bool send_ready(struct rig_chain *chain)
{
    return send_state(chain, "ready");
}

static bool send_description(struct rig_chain *chain)
{
    char bytes[PAYLOAD_MAX];
    struct text t = text_over(bytes, sizeof bytes);
    rig_describe(&t, chain->config->key);
    return send_text(chain, "$description", &t);
}

static void send_beat(struct rig_chain *chain)
{
    struct rig_power power;
    list_power(chain, &power);
    struct chain_beat beat = { .up_ms = chain->head.up_ms,
        .halted = chain->head.halted || chain->head.switch_halted,
        .dropped = chain->head.dropped,
        .has_amps = true,
        .has_volts = true,
        .amps = power.amps,
        .volts = power.supply.volts > 0.0 ? power.supply.volts : 0.0 };
    text_copy(beat.boot, sizeof beat.boot, chain->head.boot);
    char bytes[512];
    struct text t = text_over(bytes, sizeof bytes);
    payload_add_beat(&t, &beat);
    if (!t.cut) (void)send(chain, "chain/beat", t.at, t.length, false);
}

/* --- publishing ------------------------------------------------------------------------------- */

/* In the contract's order. */
static bool (*const greetings[])(struct rig_chain *chain) = { send_init, send_description,
    send_roll, send_claim, send_ledger, send_report, send_manual, send_command, send_ready };
enum { GREETINGS = sizeof greetings / sizeof greetings[0] };

static bool greet(struct rig *rig, struct rig_chain *chain)
{
    struct head *h = &chain->head;
    if (chain->greeted == GREETINGS) return true;
    if (chain->greeted == 0) { /* what changes from now on is sent again after the greeting */
        h->roll_changed = h->claim_changed = h->ledger_changed = false;
        h->manual_changed = h->command_changed = false;
    }
    while (chain->greeted < GREETINGS && greetings[chain->greeted](chain)) {
        chain->greeted++;
    }
    if (chain->greeted < GREETINGS) return false;
    chain->beat_at = rig->now;
    rig_say(rig, "%-20s ready on the broker (boot %s)", chain->config->key, h->boot);
    return true;
}

/* Sends what a flag asks for; false when that couldn't be sent. */
static bool send_if(struct rig_chain *chain, bool *changed, bool (*send_it)(struct rig_chain *))
{
    if (!*changed) return true;
    if (!send_it(chain)) return false;
    *changed = false;
    return true;
}

/* The roll-call is said again when volts have changed by much, at most as often as the contract
 * allows. */
static void look_at_volts(struct rig *rig, struct rig_chain *chain)
{
    static const double much = 0.5;
    if (mono_since(rig->now, chain->told_at) < ROLL_AGAIN_MS) return;
    const double apart = lowest_volts(chain) - chain->told_volts;
    if (apart < much && apart > -much) return;
    chain->told_at = rig->now;
    chain->head.roll_changed = true;
}

static bool take_report(struct rig *rig, struct rig_chain *chain)
{
    if (!chain->has_report) {
        chain->has_report = head_take_report(&chain->head, &chain->report);
        if (!chain->has_report) return false;
        rig_tell_refusal(rig, chain, &chain->report);
        struct text t = text_over(chain->last_report, sizeof chain->last_report);
        payload_add_report(&t, &chain->report);
        INVARIANT(!t.cut);
    }
    return true;
}

/* False: something is left, for want of room on the connection. */
static bool publish(struct rig *rig, struct rig_chain *chain)
{
    struct head *h = &chain->head;
    if (!chain->connected) { /* nobody hears it; the ledger and the newest report remain */
        while (take_report(rig, chain)) {
            chain->has_report = false;
        }
        return true;
    }
    if (chain->config->plain) return rig_board_publish(rig, chain);
    if (!greet(rig, chain)) return false;
    look_at_volts(rig, chain);
    if (!send_if(chain, &h->roll_changed, send_roll)) return false;
    if (!send_if(chain, &h->claim_changed, send_claim)) return false;
    if (!send_if(chain, &h->ledger_changed, send_ledger)) return false;
    while (take_report(rig, chain)) {
        if (!send_report(chain)) return false;
        chain->has_report = false;
    }
    if (!send_if(chain, &h->manual_changed, send_manual)) return false;
    if (!send_if(chain, &h->command_changed, send_command)) return false;
    if (mono_since(rig->now, chain->beat_at) >= 0) {
        send_beat(chain);
        chain->beat_at = mono_after(rig->now, RIG_BEAT_MS);
    }
    return true;
}

/* --- hearing ---------------------------------------------------------------------------------- */

/* A stop or halt that the broker had kept: acted on like any other, and the copy is taken away. */
static void clear_kept(struct rig_chain *chain, const char *topic)
{
    const struct mqtt_publish p = { .topic = topic, .payload = "", .qos = 1, .retained = true };
    (void)mqtt_publish(chain->mqtt, &p);
}

static void hear_command(
    struct rig *rig, struct rig_chain *chain, const struct mqtt_message *message)
{
    struct chain_command command;
    struct problem problem = { 0 };
    const struct payload p = { message->payload, message->length };
    const enum err err = payload_read_command(&command, p, &problem);
    const bool stops =
        err == ERR_NONE && (command.action == CHAIN_STOP || command.action == CHAIN_HALT);
    if (message->retained && !stops) {
        rig_tell_ignored(rig, chain, err == ERR_NONE ? command.id : "", "retained");
        return;
    }
    if (message->retained) clear_kept(chain, message->topic);
    if (err != ERR_NONE) rig_say(rig, "%-20s %s", chain->config->key, problem.text);
    head_command(&chain->head, &command, err != ERR_NONE);
}

static void hear_claim(struct rig *rig, struct rig_chain *chain, const struct mqtt_message *message)
{
    struct chain_claim claim;
    struct problem problem = { 0 };
    const struct payload p = { message->payload, message->length };
    if (message->retained) {
        rig_tell_ignored(rig, chain, "", "retained");
        return;
    }
    if (payload_read_claim(&claim, p, &problem) != ERR_NONE) {
        rig_say(rig, "%-20s %s", chain->config->key, problem.text);
        head_drop(&chain->head);
        return;
    }
    const int64_t before = chain->head.claim.reign;
    head_claim(&chain->head, &claim);
    rig_say(rig, "%-20s claim of %s for %s, reign %lld: %s", chain->config->key, claim.by,
        claim.site, (long long)claim.reign,
        chain->head.claim.reign != before ? "taken" : "not taken");
}

static void hear(struct rig *rig, struct rig_chain *chain)
{
    struct mqtt_message message;
    char command[TOPIC_MAX], claim[TOPIC_MAX];
    (void)topic_of(command, chain, "dose/command/set");
    (void)topic_of(claim, chain, "chain/claim/set");
    for (int n = 0; n < MESSAGES_MOST && mqtt_take(chain->mqtt, &message); n++) {
        if (chain->deaf || message.length == 0) continue;
        if (chain->config->plain)
            rig_board_hear(rig, chain, &message);
        else if (text_same(message.topic, command))
            hear_command(rig, chain, &message);
        else if (text_same(message.topic, claim))
            hear_claim(rig, chain, &message);
        rig_head_look(rig, chain);
    }
}

/* --- connection ------------------------------------------------------------------------------- */

static enum err connect_as(
    struct rig *rig, struct rig_chain *chain, bool with_will, struct mqtt **ret)
{
    char will[TOPIC_MAX];
    const struct mqtt_options options = { .broker = &rig->broker,
        .client_id = chain->client,
        .will_topic = with_will ? topic_of(will, chain, "$state") : NULL,
        .will_payload = with_will ? "lost" : NULL,
        .will_retained = with_will };
    struct problem problem = { 0 };
    enum err err = mqtt_open(ret, &options, &problem);
    if (err != ERR_NONE) {
        fprintf(stderr, "dosewright rig: %s: %s\n", problem.where, problem.text);
        *ret = NULL;
        return err;
    }
    return rig_watch(rig, mqtt_descriptor(*ret)) ? ERR_NONE : ERR_IO;
}

static enum err connect_board(struct rig *rig, struct rig_chain *chain)
{
    struct mqtt_subscription wanted[CHAIN_MODULES_MAX];
    struct problem problem = { 0 };
    const uint32_t count = rig_board_topics(chain, wanted);
    enum err err = connect_as(rig, chain, false, &chain->mqtt);
    if (err == ERR_NONE) err = mqtt_subscribe(chain->mqtt, wanted, count, &problem);
    return err;
}

static enum err connect(struct rig *rig, struct rig_chain *chain)
{
    char command[TOPIC_MAX], claim[TOPIC_MAX];
    const struct mqtt_subscription wanted[] = {
        { .filter = topic_of(command, chain, "dose/command/set"),
            .kept = true,
            .qos = 1,
            .settable = true,
            .urgent = true },
        { .filter = topic_of(claim, chain, "chain/claim/set"),
            .qos = 1,
            .settable = true,
            .urgent = true },
    };
    chain->connected = false;
    if (chain->config->plain) return connect_board(rig, chain);
    enum err err = connect_as(rig, chain, true, &chain->mqtt);
    struct problem problem = { 0 };
    if (err == ERR_NONE) err = mqtt_subscribe(chain->mqtt, wanted, 2, &problem);
    return err;
}

enum err rig_chain_open(struct rig *rig, uint32_t index, struct problem *problem)
{
    struct rig_chain *chain = &rig->chain[index];
    chain->config = &rig->site->chain[index];
    struct text t = text_over(chain->device, sizeof chain->device);
    text_add(&t, rig->config->homie_domain);
    text_add(&t, "/5/");
    text_add(&t, chain->config->device);
    char chance[9];
    clock_random_hex(chance, 4);
    struct text id = text_over(chain->client, sizeof chain->client);
    text_add(&id, "dosewright-rig-");
    text_add(&id, rig->site->key);
    text_add(&id, "-");
    text_add(&id, chance);
    if (t.cut || id.cut)
        return problem_set(problem, ERR_FULL, chain->config->key, "its names are too long");
    text_copy(chain->last_report, sizeof chain->last_report, "{}");
    rig_head_make(rig, chain);
    const enum err err = connect(rig, chain);
    if (err == ERR_NONE) return ERR_NONE;
    return problem_set(problem, err, chain->config->key, "its connection can't be set up");
}

void rig_chain_close(struct rig_chain *chain)
{
    mqtt_close(chain->usurper);
    mqtt_close(chain->mqtt);
    chain->usurper = chain->mqtt = NULL;
}

void rig_chain_goodbye(struct rig_chain *chain)
{
    if (chain->config->plain) return; /* a board says no goodbye */
    if (chain->mqtt && chain->connected && !chain->usurper) (void)send_state(chain, "disconnected");
}

/* --- breaking it ------------------------------------------------------------------------------ */

/* A second client takes the first one's name: the broker drops the first as if its cable had been
 * cut, and publishes its will. The second leaves again at once. */
void rig_chain_cut(struct rig *rig, struct rig_chain *chain)
{
    if (chain->link != RIG_UP) return;
    chain->link = RIG_LEAVING;
    chain->connected = false;
    chain->back_at = mono_after(rig->now, CUT_LATE_MS);
    if (connect_as(rig, chain, false, &chain->usurper) != ERR_NONE) chain->back_at = rig->now;
}

static void finish_cut(struct rig *rig, struct rig_chain *chain)
{
    rig_chain_close(chain);
    chain->link = RIG_GONE;
    chain->back_at = mono_after(rig->now, RIG_AWAY_MS);
    rig_say(rig, "%-20s connection cut", chain->config->key);
}

void rig_chain_mend(struct rig *rig, struct rig_chain *chain)
{
    chain->keep_away = false;
    chain->back_at = rig->now;
}

/* --- a turn ----------------------------------------------------------------------------------- */

static void see_link(struct rig *rig, struct rig_chain *chain)
{
    struct mqtt_status status;
    mqtt_status(chain->mqtt, &status);
    const bool lost = chain->connected && !status.connected;
    if (status.connected != chain->connected) chain->greeted = 0;
    chain->connected = status.connected;
    if (status.connected) {
        chain->told_away = false;
    } else if (lost || (!chain->told_away && strcmp(status.why, MQTT_NOT_YET) != 0)) {
        rig_say(rig, "%-20s %s: %s", chain->config->key,
            lost ? "connection lost" : "no connection yet", status.why);
        chain->told_away = true;
    }
}

static struct mono leave(struct rig *rig, struct rig_chain *chain)
{
    struct mono due = chain->back_at;
    struct mqtt_status status = { 0 };
    if (chain->usurper) {
        const struct mono turn = mqtt_turn(chain->usurper, rig->now);
        if (turn.ms < due.ms) due = turn;
        mqtt_status(chain->usurper, &status);
    }
    if (!status.connected && mono_since(chain->back_at, rig->now) > 0) return due;
    finish_cut(rig, chain);
    return rig->now;
}

static struct mono wait_away(struct rig *rig, struct rig_chain *chain)
{
    if (chain->keep_away) return mono_after(rig->now, RIG_IDLE_MS);
    if (mono_since(chain->back_at, rig->now) > 0) return chain->back_at;
    if (connect(rig, chain) == ERR_NONE) {
        chain->link = RIG_UP;
        return rig->now;
    }
    rig_chain_close(chain);
    chain->back_at = mono_after(rig->now, RIG_AWAY_MS);
    return chain->back_at;
}

/* When the head itself wants to be looked at. */
static struct mono head_due(const struct rig *rig, const struct rig_chain *chain)
{
    const int64_t end_ms = head_next_end(&chain->head);
    if (end_ms == INT64_MAX) return mono_after(rig->now, RIG_IDLE_MS);
    return (struct mono){ chain->zero_ms + end_ms };
}

struct mono rig_chain_turn(struct rig *rig, struct rig_chain *chain)
{
    rig_head_advance(rig, chain);
    struct mono due = head_due(rig, chain);
    switch (chain->link) {
    case RIG_UP:
        due = mono_sooner(due, mqtt_turn(chain->mqtt, rig->now));
        see_link(rig, chain);
        hear(rig, chain);
        if (!publish(rig, chain)) due = mono_sooner(due, mono_after(rig->now, AGAIN_MS));
        if (chain->connected) due = mono_sooner(due, chain->beat_at);
        return mono_sooner(due, head_due(rig, chain));
    case RIG_LEAVING:
        due = mono_sooner(due, leave(rig, chain));
        break;
    case RIG_GONE:
        due = mono_sooner(due, wait_away(rig, chain));
        break;
    }
    (void)publish(rig, chain);
    return due;
}
