#include <string.h>

#include "daemon/door/door_status.h"
#include "daemon/drive/drive.h"
#include "daemon/journal/journal_scan.h"
#include "lib/base/invariant.h"

enum { FLUSH_AT = DRIVE_TEXT_MAX / 8 }; /* an action, and a view, fit beyond it */

/* Beyond it a wake-up is none. */
static const int64_t MONO_MOST_MS = RECORD_INTEGER_MOST;

/* What stands so far goes out. */
static void flush(struct drive *d)
{
    INVARIANT(!d->out.cut);
    d->put(d->out.at);
    d->out = text_over(d->out.at, d->out.size);
}

static void add_member(struct text *t, const char *name, const char *value)
{
    text_add(t, ",\"");
    text_add(t, name);
    text_add(t, "\":");
    payload_add_string(t, value);
}

/* --- actions ---------------------------------------------------------------------------------- */

/* The line that the journal would hold, sealed in its chain. */
static void tell_record(struct drive *d, struct record *record)
{
    char buffer[RECORD_LINE_MAX];
    struct text line = text_over(buffer, sizeof buffer);
    const struct link_stamp stamp = { d->now, d->boot };
    const enum err err = link_seal(&d->tip, record, &stamp, journal_sha256, &line);
    INVARIANT(err == ERR_NONE);
    text_add(&d->out, ",\"record\":");
    text_add_bytes(&d->out, buffer, line.length - 1); /* without its line feed */
}

static void tell_message(struct drive *d, const struct action *a)
{
    const bool claim = a->kind == ACTION_CLAIM;
    const struct chain_config *chain = &d->config->site.chain[a->chain];
    char topic[ROUTE_TOPIC_MAX], payload[PAYLOAD_MAX];
    struct text t = text_over(payload, sizeof payload);
    route_topic(topic, d->config, chain->device, claim ? "chain/claim/set" : "dose/command/set");
    if (claim)
        payload_add_claim(&t, &a->claim);
    else
        payload_add_command(&t, &a->command);
    INVARIANT(!t.cut);
    add_member(&d->out, "chain", chain->key);
    add_member(&d->out, "topic", topic);
    add_member(&d->out, "payload", payload);
}

static void tell_answer(struct text *t, const struct action *a)
{
    if (a->answer.ticket) {
        text_add(t, ",\"line\":");
        text_add_int(t, (int64_t)a->answer.ticket);
    }
    text_add(t, a->answer.ok ? ",\"ok\":true" : ",\"ok\":false");
    add_member(t, "reason", a->answer.reason);
    add_member(t, "text", a->answer.text);
}

static const char *level_word(enum log_level level)
{
    switch (level) {
    case LOG_FAILED:
        return "failed";
    case LOG_WARNED:
        return "warned";
    case LOG_NOTED:
        return "noted";
    case LOG_TOLD:
        return "told";
    }
    return "told";
}

static const char *action_word(enum action_kind kind)
{
    switch (kind) {
    case ACTION_RECORD:
        return "record";
    case ACTION_SEND:
        return "send";
    case ACTION_STOP:
        return "stop";
    case ACTION_CLAIM:
        return "claim";
    case ACTION_ACTIVATE:
        return "activate";
    case ACTION_STAND_BY:
        return "stand-by";
    case ACTION_REBIND:
        return "rebind";
    case ACTION_AMEND:
        return "amend";
    case ACTION_ANSWER:
        return "answer";
    case ACTION_REPLAY:
        return "replay";
    case ACTION_ASK:
        return "ask";
    case ACTION_LOG:
        return "log";
    }
    return "log";
}

static void tell_action(struct drive *d, struct action *a)
{
    if (d->out.length > FLUSH_AT) flush(d);
    text_add(&d->out, d->told++ > 0 ? ",{\"do\":\"" : "{\"do\":\"");
    text_add(&d->out, action_word(a->kind));
    text_add_char(&d->out, '"');
    switch (a->kind) {
    case ACTION_RECORD:
        tell_record(d, &a->record);
        break;
    case ACTION_SEND:
    case ACTION_STOP:
    case ACTION_CLAIM:
        tell_message(d, a);
        break;
    case ACTION_ACTIVATE:
    case ACTION_STAND_BY:
        d->active = a->kind == ACTION_ACTIVATE;
        break;
    case ACTION_REBIND:
        d->rebind |= UINT64_C(1) << a->chain;
        add_member(&d->out, "chain", d->config->site.chain[a->chain].key);
        break;
    case ACTION_AMEND:
        core_amend(d->core, &d->config->site, a->tank);
        core_amended(d->core, a->tank);
        add_member(&d->out, "tank", d->config->site.tank[a->tank].key);
        break;
    case ACTION_ANSWER:
        tell_answer(&d->out, a);
        break;
    case ACTION_REPLAY:
    case ACTION_ASK:
        text_add(&d->out, ",\"from\":");
        text_add_int(&d->out, a->replay.from);
        text_add(&d->out, ",\"to\":");
        text_add_int(&d->out, a->replay.to);
        break;
    case ACTION_LOG:
        add_member(&d->out, "level", level_word(a->log.level));
        add_member(&d->out, "text", a->log.text);
        break;
    }
    text_add_char(&d->out, '}');
}

void drive_tell_actions(struct drive *d)
{
    for (uint32_t i = 0; i < d->actions->count; i++) {
        tell_action(d, &d->actions->item[i]);
    }
    d->actions->count = 0;
}

/* --- the answer ------------------------------------------------------------------------------- */

void drive_open_answer(struct drive *d, bool tick)
{
    d->told = 0;
    text_add(&d->out, "{\"line\":");
    text_add_int(&d->out, d->line);
    if (tick) text_add(&d->out, ",\"tick\":true");
    text_add(&d->out, ",\"mono_ms\":");
    text_add_int(&d->out, d->now.mono.ms);
    text_add(&d->out, ",\"time\":\"");
    text_add_civil(&d->out, d->now.civil);
    text_add(&d->out, "\",\"actions\":[");
}

void drive_end_actions(struct drive *d)
{
    text_add_char(&d->out, ']');
}

void drive_tell_view(struct drive *d, int32_t tank)
{
    struct site site = d->config->site;
    flush(d);
    if (tank >= 0) site.tank_count = (uint32_t)tank + 1;
    const struct door_shell shell = { .config_path = d->config->path,
        .config_error = "",
        .config_loaded = d->now.civil,
        .journal_seq = d->tip.seq,
        .journal_hash = d->tip.hash };
    const struct status_source source = status_of_core(d->core, &site, &shell, drive_core_now(d));
    text_add(&d->out, ",\"view\":");
    status_add(&d->out, &source, tank >= 0 ? (uint32_t)tank : 0);
}

void drive_tell_ignored(struct drive *d, const char *why)
{
    add_member(&d->out, "ignored", why);
}

void drive_close_answer(struct drive *d)
{
    text_add(&d->out, ",\"wakes_at_ms\":");
    const int64_t wakes_ms = d->phase == DRIVE_STARTED ? core_wakes_at(d->core).ms : INT64_MAX;
    if (wakes_ms <= MONO_MOST_MS)
        text_add_int(&d->out, wakes_ms - d->line_ms);
    else
        text_add(&d->out, "null");
    text_add(&d->out, "}\n");
    flush(d);
}

void drive_drop_answer(struct drive *d)
{
    d->out = text_over(d->out.at, d->out.size);
}

void drive_tell_problem(struct drive *d, const struct problem *problem)
{
    d->any_bad = true;
    text_add(&d->out, "{\"line\":");
    text_add_int(&d->out, d->line);
    add_member(&d->out, "error", problem->text);
    add_member(&d->out, "where", problem->where);
    text_add(&d->out, "}\n");
    flush(d);
}
