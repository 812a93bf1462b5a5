/* A general relay board for the plain outputs of one tank: it takes the payloads that the
 * configuration has for them, switches off by itself, and reports where it is said to. Its
 * clockwork is the head of a chain (lib/plant/head.h) that the board itself commands: nobody sees
 * that. */
#include <cjson/cJSON.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/rig/rig.h"
#include "daemon/rig/rig_order.h"
#include "lib/base/text.h"

enum { TOKEN_MAX = 64 };

static const char OWN[] = "board"; /* who commands the head */

static const struct plain_output *output_of(const struct rig_chain *chain, uint32_t m)
{
    return chain->config->module[m].plain;
}

static uint32_t channel_of(const struct plain_output *o)
{
    return o->circulation ? CHAIN_CIRCULATION_CHANNEL : 1;
}

static const struct head_run *run_of(const struct rig_chain *chain, uint32_t m)
{
    return &chain->head.module[m].output[channel_of(output_of(chain, m))];
}

void rig_board_make(struct rig_chain *chain)
{
    struct chain_claim claim = { .reign = chain->head.claim.reign + 1 };
    text_copy(claim.by, sizeof claim.by, OWN);
    head_claim(&chain->head, &claim);
}

/* --- orders ----------------------------------------------------------------------------------- */

static void command(struct rig_chain *chain, uint32_t m, enum chain_action action, int64_t run_ms)
{
    struct chain_command c = { .action = action,
        .reign = chain->head.claim.reign,
        .epoch = chain->head.epoch,
        .until_ms = chain->head.up_ms,
        .position = m + 1,
        .channel = channel_of(output_of(chain, m)),
        .run_ms = run_ms };
    struct text id = text_over(c.id, sizeof c.id);
    text_add(&id, "order-");
    text_add_int(&id, ++chain->orders);
    text_copy(c.by, sizeof c.by, OWN);
    text_copy(c.boot, sizeof c.boot, chain->head.boot);
    text_copy(c.serial, sizeof c.serial, chain->module[m].serial);
    head_command(&chain->head, &c, false);
}

/* An order while it runs sets its time anew; a circulation's head does that without a pause. */
static void obey(struct rig_chain *chain, uint32_t m, enum rig_order order, int64_t run_ms)
{
    const struct head_run *run = run_of(chain, m);
    const bool circulation = output_of(chain, m)->circulation;
    const bool renews = order == RIG_ORDER_ON && circulation && !run->by_hand;
    if (run->running && !renews) command(chain, m, CHAIN_STOP, 0);
    if (order == RIG_ORDER_ON)
        command(chain, m, circulation ? CHAIN_CIRCULATE : CHAIN_DOSE, run_ms);
}

static double ml_per_s_of(const struct rig *rig, const struct rig_chain *chain, uint32_t m)
{
    struct rig_tube tube;
    if (!rig_tube_of(rig, chain, m, channel_of(output_of(chain, m)), &tube)) return 1.0;
    if (tube.pump == TANK_PUMPS_MAX) return 1.0;
    return rig->site->tank[tube.tank].pump[tube.pump].ml_per_s;
}

void rig_board_hear(struct rig *rig, struct rig_chain *chain, const struct mqtt_message *message)
{
    if (message->retained) {
        rig_tell_ignored(rig, chain, "", "retained");
        return;
    }
    bool known = false;
    for (uint32_t m = 0; m < chain->config->count; m++) {
        int64_t run_ms = 0;
        if (!text_same(output_of(chain, m)->topic, message->topic)) continue;
        const enum rig_order order = rig_order_read(output_of(chain, m), ml_per_s_of(rig, chain, m),
            message->payload, message->length, &run_ms);
        if (order == RIG_ORDER_NONE) continue;
        known = true;
        obey(chain, m, order, run_ms);
    }
    if (!known)
        rig_say(
            rig, "%-20s no output here takes what came on %s", chain->config->key, message->topic);
}

/* --- reports ---------------------------------------------------------------------------------- */

/* The next token of a JSON Pointer (RFC 6901), which begins with '/'; what comes after it. */
static const char *next_token(const char *pointer, char ret[TOKEN_MAX])
{
    struct text t = text_over(ret, TOKEN_MAX);
    for (pointer++; *pointer && *pointer != '/'; pointer++) {
        const bool escaped = *pointer == '~' && (pointer[1] == '0' || pointer[1] == '1');
        text_add_char(&t, escaped ? (pointer[1] == '0' ? '~' : '/') : *pointer);
        if (escaped) pointer++;
    }
    return pointer;
}

static void put(cJSON *object, const char *pointer, bool on)
{
    char token[TOKEN_MAX];
    while (*pointer) {
        pointer = next_token(pointer, token);
        if (!*pointer) break;
        cJSON *inner = cJSON_GetObjectItemCaseSensitive(object, token);
        object = inner ? inner : cJSON_AddObjectToObject(object, token);
    }
    (void)cJSON_AddBoolToObject(object, token, on);
}

/* All outputs that report on one topic, also those of other tanks on the same board. */
static cJSON *object_of(const struct rig *rig, const char *topic)
{
    cJSON *object = cJSON_CreateObject();
    for (uint32_t c = 0; c < rig->chain_count; c++) {
        const struct rig_chain *chain = &rig->chain[c];
        for (uint32_t m = 0; chain->config->plain && m < chain->config->count; m++) {
            const struct plain_output *o = output_of(chain, m);
            if (o->state_topic && text_same(o->state_topic, topic))
                put(object, o->state_pointer, run_of(chain, m)->running);
        }
    }
    return object;
}

static bool say(struct rig_chain *chain, const char *topic, const char *payload)
{
    const struct mqtt_publish p = {
        .topic = topic, .payload = payload, .length = strlen(payload), .qos = 1, .retained = true
    };
    return mqtt_publish(chain->mqtt, &p) == MQTT_SENT;
}

static bool tell_state(struct rig *rig, struct rig_chain *chain, uint32_t m)
{
    const struct plain_output *o = output_of(chain, m);
    if (!o->state_pointer[0])
        return say(chain, o->state_topic, run_of(chain, m)->running ? "on" : "off");
    cJSON *object = object_of(rig, o->state_topic);
    char *payload = cJSON_PrintUnformatted(object);
    const bool sent = payload && say(chain, o->state_topic, payload);
    cJSON_free(payload);
    cJSON_Delete(object);
    return sent;
}

/* The words of faults go by these names. */
static void greet(struct rig *rig, struct rig_chain *chain)
{
    for (uint32_t m = 0; m < chain->config->count; m++) {
        char address[64];
        struct text t = text_over(address, sizeof address);
        chain_address_add(&t, chain->config->key, m + 1, channel_of(output_of(chain, m)));
        rig_say(rig, "%-20s ready as a plain output on %s", address, output_of(chain, m)->topic);
    }
    chain->greeted = 1;
}

bool rig_board_publish(struct rig *rig, struct rig_chain *chain)
{
    struct chain_report report;
    const bool anew = chain->greeted == 0;
    if (anew) greet(rig, chain);
    chain->beat_at = mono_after(rig->now, RIG_IDLE_MS); /* it has no beat */
    while (head_take_report(&chain->head, &report)) {
        rig_tell_refusal(rig, chain, &report);
    }
    for (uint32_t m = 0; !chain->mute && m < chain->config->count; m++) {
        const bool on = run_of(chain, m)->running;
        if (!output_of(chain, m)->state_topic || (!anew && on == chain->told_on[m])) continue;
        if (!tell_state(rig, chain, m)) {
            chain->greeted = 0;
            return false;
        }
        chain->told_on[m] = on;
    }
    return true;
}

/* --- topics ----------------------------------------------------------------------------------- */

uint32_t rig_board_topics(
    const struct rig_chain *chain, struct mqtt_subscription ret[CHAIN_MODULES_MAX])
{
    uint32_t count = 0;
    for (uint32_t m = 0; m < chain->config->count; m++) {
        const char *topic = output_of(chain, m)->topic;
        bool there = false;
        for (uint32_t i = 0; i < count; i++) {
            there = there || text_same(ret[i].filter, topic);
        }
        if (!there)
            ret[count++] = (struct mqtt_subscription){
                .filter = topic, .qos = 1, .settable = true, .urgent = true
            };
    }
    return count;
}
