/* What daemon/run/perform.c calls of the rest of the shell: the connection leads into the simulated
 * broker, the log and the views lead nowhere. */
#include <stdio.h>
#include <string.h>

#include "daemon/base/log.h"
#include "daemon/payload/payload.h"
#include "lib/base/text.h"
#include "tests/simulation/silent.h"
#include "tests/simulation/storm/world.h"

static enum command_sort sort_of(enum chain_action action)
{
    switch (action) {
    case CHAIN_DOSE:
        return SORT_DOSE;
    case CHAIN_CIRCULATE:
        return SORT_CIRCULATE;
    case CHAIN_IDENTIFY:
        return SORT_TICK;
    case CHAIN_STOP:
    case CHAIN_HALT:
    case CHAIN_RESUME:
        break;
    }
    return SORT_OTHER;
}

/* "homie/5/<device>/dose/command/set" */
static int32_t chain_of(const struct world *w, const char *topic)
{
    const struct site *site = world_site(w);
    for (uint32_t c = 0; c < site->chain_count; c++) {
        const char *at = strstr(topic, site->chain[c].device);
        if (at && at[strlen(site->chain[c].device)] == '/') return (int32_t)c;
    }
    return -1;
}

static void send_command(struct mqtt *m, uint32_t chain, struct payload payload)
{
    struct chain_command command;
    struct problem problem;
    if (payload_read_command(&command, payload, &problem) != ERR_NONE) {
        observe_breach(m->world->observer, "I14", m->world->t_ms, problem.text);
        return;
    }
    const struct fact_command fact = { .sort = sort_of(command.action),
        .stops = command.action == CHAIN_STOP || command.action == CHAIN_HALT,
        .id = command.id,
        .by = command.by,
        .reign = command.reign,
        .chain = chain,
        .serial = command.serial,
        .channel = command.channel,
        .run_ms = command.run_ms };
    observe_command(m->world->observer, m->board, &fact, m->world->t_ms);
    world_mark_text(m->world, command.id);
    stranger_hears(m->world, chain, &command);
    net_command(m->world, chain, &command);
    weather_pounce(&m->world->weather, m->world->t_ms);
}

static void send_claim(struct mqtt *m, uint32_t chain, const struct chain_claim *claim)
{
    const struct fact_claim fact = { chain, claim->by, claim->reign };
    observe_claim_asked(m->world->observer, m->board, &fact, m->world->t_ms);
    net_claim(m->world, chain, claim);
}

enum mqtt_result mqtt_publish(struct mqtt *m, const struct mqtt_publish *p)
{
    const int32_t chain = chain_of(m->world, p->topic);
    const struct payload payload = { p->payload, p->length };
    struct chain_claim claim;
    struct problem problem;
    if (!m->up || !net_broker_up(m->world)) return MQTT_UNSENT;
    if (relay_send(m, p)) return MQTT_SENT;
    if (chain < 0) return MQTT_SENT;
    if (strstr(p->topic, "/dose/command/set"))
        send_command(m, (uint32_t)chain, payload);
    else if (payload_read_claim(&claim, payload, &problem) == ERR_NONE)
        send_claim(m, (uint32_t)chain, &claim);
    return MQTT_SENT;
}

/* As the site, or as one that stands by: the connection is made anew. */
enum err daemon_connect(struct daemon *d, struct problem *problem)
{
    (void)problem;
    d->link_up = false;
    observe_link(d->mqtt->world->observer, d->mqtt->board, d->mqtt->world->t_ms);
    d->mqtt->up = false;
    d->mqtt->number++;
    d->mqtt->try_ms = d->mqtt->world->t_ms + 200;
    return ERR_NONE;
}

static struct world *talking;

void shell_talks_in(struct world *w)
{
    talking = w;
}

void door_answer(struct door *d, uint64_t ticket, bool ok, const char *reason, const char *text)
{
    (void)d;
    (void)ticket;
    (void)reason;
    calibrator_hears(talking, ok, text);
}

void log_line(enum log_level level, const char *text)
{
    (void)level;
    if (talking) world_say(talking, "%s", text);
}
