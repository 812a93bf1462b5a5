/* What the tests of payload.* share: one good message of each kind, and a way to read, write and
 * edit any of them. */
#ifndef DOSEWRIGHT_TESTS_MESSAGES_H
#define DOSEWRIGHT_TESTS_MESSAGES_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/payload/payload.h"
#include "tests/unit/support.h"

enum message { ROLL, BEAT, CLAIM, REPORT, LEDGER, MANUAL, COMMAND, MESSAGES };

static union any {
    struct chain_roll roll;
    struct chain_beat beat;
    struct chain_claim claim;
    struct chain_report report;
    struct chain_ledger ledger;
    struct chain_manual manual;
    struct chain_command command;
} value, again;

static struct problem problem;

static inline enum err read_payload(enum message m, union any *ret, struct payload p)
{
    memset(ret, 0x5A, sizeof *ret); /* readers start from scratch */
    problem.text[0] = '\0';
    switch (m) {
    case ROLL:
        return payload_read_roll(&ret->roll, p, &problem);
    case BEAT:
        return payload_read_beat(&ret->beat, p, &problem);
    case CLAIM:
        return payload_read_claim(&ret->claim, p, &problem);
    case REPORT:
        return payload_read_report(&ret->report, p, &problem);
    case LEDGER:
        return payload_read_ledger(&ret->ledger, p, &problem);
    case MANUAL:
        return payload_read_manual(&ret->manual, p, &problem);
    case COMMAND:
        return payload_read_command(&ret->command, p, &problem);
    case MESSAGES:
        break;
    }
    abort();
}

static inline void add_payload(enum message m, struct text *t, const union any *v)
{
    switch (m) {
    case ROLL:
        payload_add_roll(t, &v->roll);
        break;
    case BEAT:
        payload_add_beat(t, &v->beat);
        break;
    case CLAIM:
        payload_add_claim(t, &v->claim);
        break;
    case REPORT:
        payload_add_report(t, &v->report);
        break;
    case LEDGER:
        payload_add_ledger(t, &v->ledger);
        break;
    case MANUAL:
        payload_add_manual(t, &v->manual);
        break;
    case COMMAND:
        payload_add_command(t, &v->command);
        break;
    case MESSAGES:
        abort();
    }
}

static inline size_t size_of(enum message m)
{
    static const size_t sizes[MESSAGES] = { sizeof value.roll, sizeof value.beat,
        sizeof value.claim, sizeof value.report, sizeof value.ledger, sizeof value.manual,
        sizeof value.command };
    return sizes[m];
}

static inline enum err read_text(enum message m, const char *text)
{
    return read_payload(m, &value, (struct payload){ text, strlen(text) });
}

/* Whatever was accepted is written and read back as the same struct. */
static inline void round_trip(enum message m)
{
    static char line[PAYLOAD_MAX * 2];
    struct text t = text_over(line, sizeof line);
    add_payload(m, &t, &value);
    ck_assert(!t.cut);
    ck_assert_msg(t.length <= PAYLOAD_MAX || m == MANUAL, "%zu bytes: %s", t.length, line);
    if (t.length > PAYLOAD_MAX) return;
    ck_assert_msg(read_payload(m, &again, (struct payload){ line, t.length }) == ERR_NONE, "%s: %s",
        line, problem.text);
    ck_assert_msg(memcmp(&value, &again, size_of(m)) == 0, "came back different: %s", line);
}

static const char good_roll[] =
    "{\"profile\":1,\"boot\":\"9c1f4a7e\",\"epoch\":4,\"beat_s\":2,\"max_run_ms\":120000,"
    "\"max_circulate_ms\":600000,\"modules\":["
    "{\"position\":1,\"serial\":\"a1f3\",\"channels\":4,\"circulation\":true,\"firmware\":\"1.2."
    "0\","
    "\"volts\":11.8},"
    "{\"position\":2,\"serial\":\"b77c\",\"channels\":3,\"circulation\":false}]}";
static const char good_beat[] = "{\"boot\":\"9c1f4a7e\",\"up_ms\":123456,\"halted\":false,"
                                "\"dropped\":7,\"amps\":0.42,\"volts\":11.9}";
static const char good_claim[] = "{\"by\":\"9f2c41d0\",\"reign\":7,\"site\":\"tern-hall\"}";
static const char good_report[] = "{\"id\":\"9f2c41d0-17\",\"boot\":\"9c1f4a7e\",\"state\":"
                                  "\"refused\",\"reason\":\"no-circulation\",\"ran_ms\":0,"
                                  "\"up_ms\":123999}";
static const char good_ledger[] =
    "{\"boot\":\"9c1f4a7e\",\"entries\":[{\"id\":\"d-2\",\"boot\":\"9c1f4a7e\",\"state\":"
    "\"running\","
    "\"ran_ms\":0},{\"id\":\"d-1\",\"boot\":\"7d00aa01\",\"state\":\"stopped\",\"ran_ms\":4100,"
    "\"unsure\":true}]}";
static const char good_manual[] =
    "{\"boot\":\"9c1f4a7e\",\"n\":17,\"running\":true,\"serial\":\"b77c\",\"channel\":3,\"ran_ms\":"
    "1500,\"totals\":[{\"serial\":\"b77c\",\"channel\":3,\"ms\":84000},{\"serial\":\"b77c\","
    "\"channel\":0,\"ms\":1}]}";
static const char good_command[] =
    "{\"id\":\"9f2c41d0-18\",\"by\":\"9f2c41d0\",\"reign\":7,\"boot\":\"9c1f4a7e\",\"epoch\":4,"
    "\"until_ms\":131456,\"action\":\"dose\",\"position\":2,\"serial\":\"b77c\",\"channel\":3,"
    "\"run_ms\":4200,\"ml\":3.5,\"needs\":{\"position\":1,\"serial\":\"a1f3\"}}";
static const char *const good[MESSAGES] = { good_roll, good_beat, good_claim, good_report,
    good_ledger, good_manual, good_command };

/* 'text' with the first "name":value replaced by 'with' (all of it); "" takes it out. */
static inline const char *edited(const char *text, const char *name, const char *with)
{
    static char line[PAYLOAD_MAX];
    char key[64];
    snprintf(key, sizeof key, "\"%s\":", name);
    const char *from = strstr(text, key);
    ck_assert_msg(from, "%s in %s", name, text);
    const char *to = from + strlen(key);
    int depth = 0;
    bool string = false;
    for (; depth > 0 || string || (*to != ',' && *to != '}'); to++) {
        if (*to == '"') string = !string;
        if (!string && (*to == '{' || *to == '[')) depth++;
        if (!string && (*to == '}' || *to == ']')) depth--;
    }
    if (with[0] == '\0' && *to == ',')
        to++;
    else if (with[0] == '\0')
        from--; /* the comma in front */
    snprintf(line, sizeof line, "%.*s%s%s", (int)(from - text), text, with, to);
    return line;
}

static inline const char *with_value(const char *text, const char *name, const char *json)
{
    char member[2200];
    snprintf(member, sizeof member, "\"%s\":%s", name, json);
    return edited(text, name, member);
}

#endif
