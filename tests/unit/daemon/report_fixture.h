/* Records made to order, and what a report makes of them. */
#ifndef DOSEWRIGHT_TESTS_REPORT_FIXTURE_H
#define DOSEWRIGHT_TESTS_REPORT_FIXTURE_H

#include <cjson/cJSON.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/report/report.h"
#include "tests/unit/support.h"

/* 2031-04-02T00:00:00Z */
#define BEGAN_MS INT64_C(1932854400000)

static inline struct civil at_minute(double minutes)
{
    return (struct civil){ BEGAN_MS + (int64_t)(minutes * 60000) };
}

static inline struct report *new_report(void)
{
    struct report *r = report_new(&(struct report_want){ .title = "A report" });
    ck_assert_ptr_nonnull(r);
    return r;
}

static inline void take_water(
    struct report *r, const char *tank, double minutes, double ec, double ph)
{
    struct record record;
    record_start(&record, "water");
    record_add_text(&record, "tank", tank);
    record_add_real(&record, "ec_us_cm", ec, 1);
    record_add_real(&record, "ph", ph, 3);
    record_add_real(&record, "degc", 21, 1);
    record_add_real(&record, "set_ec_us_cm", 1200, 1);
    record_add_real(&record, "set_ph", 5.8, 3);
    record_add_real(&record, "band_ec_us_cm", 100, 1);
    record_add_real(&record, "band_ph", 0.2, 3);
    record_add_text(&record, "state", "holding");
    report_take(r, &record, at_minute(minutes));
}

static inline void take_dose(
    struct report *r, const char *id, const char *stock, double minutes, int64_t ul)
{
    struct record record;
    record_start(&record, "dose");
    record_add_text(&record, "id", id);
    record_add_text(&record, "tank", "bench");
    record_add_text(&record, "stock", stock);
    record_add_text(&record, "purpose", "feed");
    record_add_int(&record, "ul", ul);
    report_take(r, &record, at_minute(minutes));
}

static inline void take_outcome(
    struct report *r, const char *id, double minutes, int64_t ul, bool unsure)
{
    struct record record;
    record_start(&record, "outcome");
    record_add_text(&record, "id", id);
    record_add_int(&record, "ul", ul);
    record_add_truth(&record, "unsure", unsure);
    report_take(r, &record, at_minute(minutes));
}

static inline void take_alert(
    struct report *r, const char *id, double minutes, bool on, const char *tank)
{
    struct record record;
    record_start(&record, "alert");
    record_add_text(&record, "alert", id);
    record_add_truth(&record, "on", on);
    record_add_text(&record, "text", "something is wrong");
    if (tank) record_add_text(&record, "tank", tank);
    report_take(r, &record, at_minute(minutes));
}

static inline void take_plain(struct report *r, const char *kind, double minutes)
{
    struct record record;
    record_start(&record, kind);
    report_take(r, &record, at_minute(minutes));
}

/* 'stock' holds so much, by a carry record. */
static inline void take_carry(struct report *r, const char *stock, double minutes, int64_t ul)
{
    struct record record;
    record_start(&record, "carry");
    record_add_text(&record, "stock", stock);
    record_add_int(&record, "remaining_ul", ul);
    report_take(r, &record, at_minute(minutes));
}

static inline void finish(struct report *r)
{
    struct problem problem = { 0 };
    ck_assert_msg(report_finish(r, &problem) == ERR_NONE, "%s", problem.text);
}

/* The form as a text that the caller frees. */
static inline char *written(
    const struct report *r, enum report_form form, const struct report_terminal *terminal)
{
    static char *text; /* the stream writes to both at its end */
    static size_t length;
    FILE *out = open_memstream(&text, &length);
    ck_assert_ptr_nonnull(out);
    report_write(r, form, out, terminal);
    ck_assert_int_eq(fclose(out), 0);
    ck_assert_uint_eq(strlen(text), length);
    return text;
}

/* Finishes, writes JSON, frees the report. */
static inline cJSON *as_json(struct report *r)
{
    finish(r);
    char *text = written(r, REPORT_JSON, NULL);
    const char *end = NULL;
    cJSON *json = cJSON_ParseWithOpts(text, &end, 0);
    ck_assert_msg(json != NULL, "no JSON: %.60s", end);
    ck_assert_str_eq(end, "\n");
    free(text);
    report_free(r);
    return json;
}

static inline const cJSON *member(const cJSON *object, const char *name)
{
    const cJSON *m = cJSON_GetObjectItemCaseSensitive(object, name);
    ck_assert_msg(m != NULL, "there is no member %s", name);
    return m;
}

static inline double number(const cJSON *object, const char *name)
{
    const cJSON *m = member(object, name);
    ck_assert_msg(cJSON_IsNumber(m), "%s is no number", name);
    return m->valuedouble;
}

static inline const char *word(const cJSON *object, const char *name)
{
    const cJSON *m = member(object, name);
    ck_assert_msg(cJSON_IsString(m), "%s is no string", name);
    return m->valuestring;
}

static inline const cJSON *first_tank(const cJSON *json)
{
    const cJSON *tank = cJSON_GetArrayItem(member(json, "tanks"), 0);
    ck_assert_ptr_nonnull(tank);
    return tank;
}

static inline const cJSON *channel(const cJSON *json, const char *name)
{
    return member(member(first_tank(json), "channels"), name);
}

static inline int count_of(const char *text, const char *part)
{
    int count = 0;
    for (const char *at = strstr(text, part); at; at = strstr(at + strlen(part), part)) {
        count++;
    }
    return count;
}

#endif
