#include <string.h>

#include "daemon/base/log.h"
#include "daemon/config/config_bind.h"
#include "daemon/payload/payload.h"
#include "daemon/run/daemon.h"
#include "lib/base/invariant.h"
#include "lib/base/text.h"

struct now daemon_core_now(const struct daemon *d)
{
    struct now now = d->now;
    now.mono.ms += d->line_ms;
    return now;
}

/* --- records ---------------------------------------------------------------------------------- */

static void keep_line(struct daemon *d, int64_t seq, const char *text)
{
    if (d->line_count == LINES_MAX) { /* a listener sees the gap and can ask for it */
        d->line_first = (d->line_first + 1) % LINES_MAX;
        d->line_count--;
    }
    struct line *line = &d->lines[(d->line_first + d->line_count++) % LINES_MAX];
    line->seq = seq;
    text_copy(line->text, sizeof line->text, text);
    text_copy(line->hash, sizeof line->hash, journal_tip(d->journal).hash);
}

/* A day's summary, for whoever listens to the site's log. */
static void inform(struct daemon *d, const struct record *record)
{
    char line[RECORD_TEXT_MOST + ANNOUNCED_MAX];
    struct text t = text_over(line, sizeof line);
    if (!d->active || !d->link_up) return;
    text_add(&t, record_text_or_empty(record, "tank"));
    text_add(&t, ": ");
    text_add(&t, record_text_or_empty(record, "text"));
    homie_inform(d->homie, d->mqtt, line);
}

void daemon_record(struct daemon *d, struct record *record)
{
    char buffer[RECORD_LINE_MAX];
    struct text text = text_over(buffer, sizeof buffer);
    struct problem problem;
    int64_t seq;
    if (journal_append(d->journal, record, d->now, &seq, &text, &problem) != ERR_NONE) {
        log_format(LOG_FAILED, "the journal can't be written: %s", problem.text);
        d->record_lost = true; /* what waits for it is never sent; the loop tells the core */
        return;
    }
    d->last_seq = seq;
    keep_line(d, seq, buffer);
    told_record(record);
    if (record_is(record, "summary")) inform(d, record);
}

/* --- sending ---------------------------------------------------------------------------------- */

static enum mqtt_result publish_to_chain(
    struct daemon *d, uint32_t chain, const char *property, const char *payload)
{
    char topic[ROUTE_TOPIC_MAX];
    route_topic(topic, d->config, d->config->site.chain[chain].device, property);
    const struct mqtt_publish p = {
        .topic = topic, .payload = payload, .length = strlen(payload), .qos = 1, .expiry_s = 8
    };
    return mqtt_publish(d->mqtt, &p);
}

static enum mqtt_result send_command(
    struct daemon *d, uint32_t chain, const struct chain_command *command)
{
    if (relays_serve(d->relays, chain))
        return relays_command(d->relays, d->mqtt, chain, command, d->now.mono);
    char payload[PAYLOAD_MAX];
    struct text text = text_over(payload, sizeof payload);
    payload_add_command(&text, command);
    INVARIANT(!text.cut);
    return publish_to_chain(d, chain, "dose/command/set", payload);
}

static void unsent(struct daemon *d, const struct held *held)
{
    if (held->kind != ACTION_SEND) return;
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_UNSENT;
    e.chain = held->chain;
    text_copy(e.unsent, sizeof e.unsent, held->command.id);
    core_step(d->core, &e, daemon_core_now(d), d->actions);
    daemon_perform(d);
}

static struct held take_held(struct daemon *d)
{
    const struct held h = d->held[d->held_first];
    d->held_first = (d->held_first + 1) % HELD_MAX;
    d->held_count--;
    return h;
}

/* A disk that hangs, or more asked for within one pass than it can sync: one step has room. */
static void make_room(struct daemon *d)
{
    while (d->held_count > HELD_KEPT) {
        const struct held h = take_held(d);
        unsent(d, &h);
    }
}

void daemon_step(struct daemon *d, const struct event *event)
{
    make_room(d);
    core_step(d->core, event, daemon_core_now(d), d->actions);
    daemon_perform(d);
}

static void hold(struct daemon *d, const struct action *a)
{
    INVARIANT(d->held_count < HELD_MAX);
    struct held *h = &d->held[(d->held_first + d->held_count++) % HELD_MAX];
    *h = (struct held){
        .seq = d->last_seq, .since = d->now.mono, .kind = a->kind, .chain = a->chain
    };
    struct problem problem;
    if (d->record_lost || journal_failed(d->journal, &problem)) h->seq = INT64_MAX;
    if (a->kind == ACTION_SEND)
        h->command = a->command;
    else
        h->claim = a->claim;
}

static void release_one(struct daemon *d, const struct held *h)
{
    if (h->kind == ACTION_SEND) {
        if (send_command(d, h->chain, &h->command) == MQTT_UNSENT) unsent(d, h);
        return;
    }
    if (relays_serve(d->relays, h->chain)) {
        relays_claim(d->relays, h->chain, &h->claim, d->now.mono);
        return;
    }
    char payload[PAYLOAD_MAX];
    struct text text = text_over(payload, sizeof payload);
    payload_add_claim(&text, &h->claim);
    (void)publish_to_chain(d, h->chain, "chain/claim/set", payload);
}

static bool stops(const struct chain_command *stop, const struct chain_command *command)
{
    if (stop->action == CHAIN_HALT || stop->serial[0] == '\0') return true;
    if (!text_same(stop->serial, command->serial)) return false;
    return stop->channel == 0 || stop->channel == command->channel;
}

/* A stop leaves at once; what still waits for the disk must not start after it. */
static void overtake(struct daemon *d, const struct action *stop)
{
    for (uint32_t n = 0; n < d->held_count; n++) {
        struct held *h = &d->held[(d->held_first + n) % HELD_MAX];
        if (h->kind == ACTION_SEND && h->chain == stop->chain && stops(&stop->command, &h->command))
            h->overtaken = true;
    }
}

static void release_held(struct daemon *d, int64_t synced)
{
    for (uint32_t n = d->held_count; n > 0; n--) {
        const struct held *first = &d->held[d->held_first];
        const bool late = first->overtaken || mono_since(d->now.mono, first->since) >= HELD_LATE_MS;
        if (first->seq > synced && !late) return;
        const struct held h = take_held(d);
        if (late)
            unsent(d, &h);
        else
            release_one(d, &h);
    }
}

void daemon_release(struct daemon *d)
{
    const int64_t synced = journal_synced(d->journal);
    while (d->line_count > 0 && d->lines[d->line_first].seq <= synced) {
        const struct line *line = &d->lines[d->line_first];
        struct link_tip tip = { .seq = line->seq };
        text_copy(tip.hash, sizeof tip.hash, line->hash);
        if (d->active && d->link_up) homie_entry(d->homie, d->mqtt, line->text, &tip);
        d->line_first = (d->line_first + 1) % LINES_MAX;
        d->line_count--;
    }
    release_held(d, synced); /* a board that stands by hears of a dose before it begins */
}

/* --- the rest --------------------------------------------------------------------------------- */

static void reconnect_as(struct daemon *d, bool active)
{
    struct problem problem;
    if (!active && d->link_up) relays_off(d->relays, d->mqtt);
    d->active = active;
    if (daemon_connect(d, &problem) != ERR_NONE)
        log_format(LOG_FAILED, "%s: %s", problem.where, problem.text);
}

/* On request/answer, and where MQTT 5 says. */
static void answer_caller(
    struct daemon *d, const struct request_caller *caller, const struct action *a)
{
    char answer[REQUEST_ANSWER_MAX + 1];
    struct text t = text_over(answer, sizeof answer);
    request_add_answer(&t, caller->id, a->answer.ok, a->answer.reason, a->answer.text);
    INVARIANT(!t.cut);
    if (!d->active) return;
    homie_answer(d->homie, d->mqtt, answer);
    const struct mqtt_publish p = { .topic = caller->topic,
        .payload = answer,
        .length = t.length,
        .correlation = caller->correlation_length > 0 ? caller->correlation : NULL,
        .correlation_length = caller->correlation_length };
    if (caller->topic[0]) (void)mqtt_publish(d->mqtt, &p);
}

static void answer(struct daemon *d, const struct action *a)
{
    struct request_caller caller;
    if (a->answer.ticket & REQUEST_CALLER) {
        if (request_caller_take(&d->callers, a->answer.ticket, &caller))
            answer_caller(d, &caller, a);
        return;
    }
    if (a->answer.ticket) {
        door_answer(d->door, a->answer.ticket, a->answer.ok, a->answer.reason, a->answer.text);
        return;
    }
    if (!a->answer.ok && d->active) homie_warn(d->homie, d->mqtt, a->answer.text);
}

static void begin_replay(struct daemon *d, int64_t from, int64_t to)
{
    struct problem problem;
    const int64_t synced = journal_synced(d->journal);
    replay_close(d->replay);
    d->replay = NULL;
    if (replay_open(&d->replay, d->config->journal_dir, from, to < synced ? to : synced,
            &problem) != ERR_NONE)
        log_format(LOG_WARNED, "records can't be shown again: %s", problem.text);
}

void daemon_replay(struct daemon *d)
{
    const char *line;
    if (!d->replay) return;
    while (d->link_up && (line = replay_line(d->replay, d->now.mono)) != NULL) {
        if (!homie_again(d->homie, d->mqtt, line)) return;
        replay_shown(d->replay);
    }
    if (d->link_up && d->active && !replay_over(d->replay)) return;
    replay_close(d->replay);
    d->replay = NULL;
}

/* With the actions of the step that asked for it done. */
static void rebind_chains(struct daemon *d, uint64_t chains)
{
    for (uint32_t c = 0; c < d->config->site.chain_count; c++) {
        if (!(chains >> c & 1)) continue;
        struct chain_config *chain = &d->config->site.chain[c];
        const struct chain_binding *binding = core_adopted(d->core, c, chain->file_tag);
        if (!binding || !config_rebind(d->config, c, binding)) continue;
        core_rebound(d->core, c, daemon_core_now(d), d->actions);
        daemon_perform(d);
    }
}

/* Whatever a step made; unsent commands come back as events, so the actions are copied first. */
void daemon_perform(struct daemon *d)
{
    d->view_dirty = true;
    if (d->actions->count > 0) d->view_deeds = true;
    d->record_lost = false;
    uint64_t rebind = 0; /* bit c: chain c */
    for (uint32_t i = 0; i < d->actions->count; i++) {
        struct action *a = &d->actions->item[i];
        switch (a->kind) {
        case ACTION_RECORD:
            daemon_record(d, &a->record);
            break;
        case ACTION_SEND:
        case ACTION_CLAIM:
            hold(d, a);
            break;
        case ACTION_STOP:
            overtake(d, a);
            if (send_command(d, a->chain, &a->command) == MQTT_UNSENT)
                log_format(LOG_WARNED, "a stop for chain %s couldn't be sent: the broker is away",
                    d->config->site.chain[a->chain].key);
            break;
        case ACTION_ACTIVATE:
            reconnect_as(d, true);
            break;
        case ACTION_STAND_BY:
            reconnect_as(d, false);
            break;
        case ACTION_REBIND:
            rebind |= UINT64_C(1) << a->chain;
            break;
        case ACTION_AMEND:
            core_amend(d->core, &d->config->site, a->tank);
            core_amended(d->core, a->tank);
            break;
        case ACTION_ANSWER:
            answer(d, a);
            break;
        case ACTION_REPLAY:
            begin_replay(d, a->replay.from, a->replay.to);
            break;
        case ACTION_ASK:
            daemon_ask_records(d, a->replay.from, a->replay.to);
            break;
        case ACTION_LOG:
            log_line(a->log.level, a->log.text);
            break;
        }
    }
    d->actions->count = 0;
    if (rebind) rebind_chains(d, rebind);
}
