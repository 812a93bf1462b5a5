/* From the structs of the chain contract to JSON. Strings of the structs need no escapes: what came
 * from outside was checked at the door; the rest goes through payload_add_string. */
#include <string.h>

#include "daemon/payload/json_guard.h"
#include "daemon/payload/payload.h"

void payload_add_string(struct text *t, const char *s)
{
    static const char hex[] = "0123456789abcdef";
    size_t left = strlen(s);
    text_add_char(t, '"');
    while (left > 0) {
        const size_t n = json_utf8(s, left);
        const unsigned char c = (unsigned char)*s;
        if (n == 0) {
            text_add(t, "\\ufffd"); /* not UTF-8: the replacement character */
        } else if (c < 0x20) {
            text_add(t, "\\u00");
            text_add_char(t, hex[c >> 4]);
            text_add_char(t, hex[c & 15]);
        } else {
            if (c == '"' || c == '\\') text_add_char(t, '\\');
            text_add_bytes(t, s, n);
        }
        s += n ? n : 1;
        left -= n ? n : 1;
    }
    text_add_char(t, '"');
}

/* The first member of an object opens it. */
static void add_name(struct text *t, const char *name, char before)
{
    text_add_char(t, before);
    text_add_char(t, '"');
    text_add(t, name);
    text_add(t, "\":");
}

static void add_word(struct text *t, const char *name, const char *value)
{
    add_name(t, name, ',');
    payload_add_string(t, value);
}

static void add_first_word(struct text *t, const char *name, const char *value)
{
    add_name(t, name, '{');
    payload_add_string(t, value);
}

static void add_int(struct text *t, const char *name, int64_t value)
{
    add_name(t, name, ',');
    text_add_int(t, value);
}

static void add_truth(struct text *t, const char *name, bool value)
{
    add_name(t, name, ',');
    text_add(t, value ? "true" : "false");
}

static void add_real(struct text *t, const char *name, bool has, double value)
{
    if (!has || !(value >= -1000.0 && value <= 1000.0)) return;
    add_name(t, name, ',');
    text_add_real(t, value, 3);
}

/* --- the head's messages ---------------------------------------------------------------------- */

static void add_module(struct text *t, const struct chain_module *m)
{
    add_name(t, "position", '{');
    text_add_int(t, m->position);
    add_word(t, "serial", m->serial);
    add_int(t, "channels", m->channels);
    add_truth(t, "circulation", m->circulation);
    if (m->firmware[0]) add_word(t, "firmware", m->firmware);
    add_real(t, "volts", m->has_volts, m->volts);
    text_add_char(t, '}');
}

void payload_add_roll(struct text *t, const struct chain_roll *roll)
{
    add_name(t, "profile", '{');
    text_add_int(t, 1);
    add_word(t, "boot", roll->boot);
    add_int(t, "epoch", roll->epoch);
    add_name(t, "beat_s", ',');
    if (roll->beat_ms % 1000 == 0)
        text_add_int(t, roll->beat_ms / 1000);
    else
        text_add_scaled(t, roll->beat_ms, 3);
    add_int(t, "max_run_ms", roll->max_run_ms);
    add_int(t, "max_circulate_ms", roll->max_circulate_ms);
    text_add(t, ",\"modules\":[");
    for (uint32_t i = 0; i < roll->count; i++) {
        if (i > 0) text_add_char(t, ',');
        add_module(t, &roll->module[i]);
    }
    text_add(t, "]}");
}

void payload_add_beat(struct text *t, const struct chain_beat *beat)
{
    add_first_word(t, "boot", beat->boot);
    add_int(t, "up_ms", beat->up_ms);
    add_truth(t, "halted", beat->halted);
    add_int(t, "dropped", beat->dropped);
    add_real(t, "amps", beat->has_amps, beat->amps);
    add_real(t, "volts", beat->has_volts, beat->volts);
    text_add_char(t, '}');
}

void payload_add_claim(struct text *t, const struct chain_claim *claim)
{
    add_first_word(t, "by", claim->by);
    add_int(t, "reign", claim->reign);
    add_word(t, "site", claim->site);
    text_add_char(t, '}');
}

static void add_outcome(struct text *t, const struct chain_report *r)
{
    add_first_word(t, "id", r->id);
    add_word(t, "boot", r->boot);
    add_word(t, "state", chain_state_word(r->state));
    add_int(t, "ran_ms", r->ran_ms);
    if (r->unsure) add_truth(t, "unsure", true);
}

void payload_add_report(struct text *t, const struct chain_report *report)
{
    add_outcome(t, report);
    if (report->reason != CHAIN_NO_REASON) add_word(t, "reason", chain_reason_word(report->reason));
    add_int(t, "up_ms", report->up_ms);
    text_add_char(t, '}');
}

void payload_add_ledger(struct text *t, const struct chain_ledger *ledger)
{
    add_first_word(t, "boot", ledger->boot);
    text_add(t, ",\"entries\":[");
    for (uint32_t i = 0; i < ledger->count; i++) {
        if (i > 0) text_add_char(t, ',');
        add_outcome(t, &ledger->entry[i]);
        text_add_char(t, '}');
    }
    text_add(t, "]}");
}

void payload_add_manual(struct text *t, const struct chain_manual *manual)
{
    add_first_word(t, "boot", manual->boot);
    add_int(t, "n", manual->n);
    add_truth(t, "running", manual->running);
    add_word(t, "serial", manual->serial);
    add_int(t, "channel", manual->channel);
    add_int(t, "ran_ms", manual->ran_ms);
    text_add(t, ",\"totals\":[");
    for (uint32_t i = 0; i < manual->count; i++) {
        if (i > 0) text_add_char(t, ',');
        add_first_word(t, "serial", manual->total[i].serial);
        add_int(t, "channel", manual->total[i].channel);
        add_int(t, "ms", manual->total[i].ms);
        text_add_char(t, '}');
    }
    text_add(t, "]}");
}

/* --- commands --------------------------------------------------------------------------------- */

/* 3500 uL is 3.5 mL. */
static void add_ml(struct text *t, int64_t ul)
{
    add_name(t, "ml", ',');
    if (ul % 1000 == 0)
        text_add_int(t, ul / 1000);
    else if (ul % 100 == 0)
        text_add_scaled(t, ul / 100, 1);
    else
        text_add_scaled(t, ul, 3);
}

void payload_add_command(struct text *t, const struct chain_command *command)
{
    add_first_word(t, "id", command->id);
    if (command->by[0]) add_word(t, "by", command->by);
    add_int(t, "reign", command->reign);
    if (command->boot[0]) add_word(t, "boot", command->boot);
    add_int(t, "epoch", command->epoch);
    add_int(t, "until_ms", command->until_ms);
    add_word(t, "action", chain_action_word(command->action));
    if (command->position > 0) add_int(t, "position", command->position);
    if (command->serial[0]) add_word(t, "serial", command->serial);
    if (command->channel > 0) add_int(t, "channel", command->channel);
    if (command->run_ms > 0) add_int(t, "run_ms", command->run_ms);
    if (command->ul > 0) add_ml(t, command->ul);
    if (command->needs.position > 0) {
        add_name(t, "needs", ',');
        add_name(t, "position", '{');
        text_add_int(t, command->needs.position);
        add_word(t, "serial", command->needs.serial);
        text_add_char(t, '}');
    }
    text_add_char(t, '}');
}
