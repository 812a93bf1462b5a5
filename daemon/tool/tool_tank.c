/* One tank of a status. */
#include <math.h>
#include <string.h>

#include "daemon/tool/tool_lines.h"
#include "daemon/tool/tool_show.h"

struct measure {
    const char *member, *label, *unit;
    unsigned decimals;
};

/* What the quality says of the value, if it isn't good. */
static bool add_doubt(struct text *t, const cJSON *reading)
{
    const char *quality = show_string(reading, "quality");
    if (strcmp(quality, "good") == 0) return false;
    if (strcmp(quality, "none") == 0 || !line_is_known(show_number(reading, "value"))) {
        text_add(t, "no reading");
    } else {
        const double age_s = show_number(reading, "age_s");
        text_add(t, "the last trusted reading");
        if (line_is_known(age_s)) {
            text_add(t, ", ");
            text_add_span(t, nearest(age_s) * SECOND_MS);
            text_add(t, " old");
        }
    }
    if (strcmp(quality, "none") != 0) {
        text_add(t, "; the probe is ");
        text_add(t, quality);
    }
    return true;
}

static void add_against_band(struct text *t, const cJSON *reading, const struct measure *m)
{
    const double value = show_number(reading, "value"), band = show_number(reading, "band");
    const double off = value - show_number(reading, "setpoint");
    if (add_doubt(t, reading) || line_stand(reading) == STAND_UNKNOWN) return;
    if (line_stand(reading) == STAND_IN_BAND) {
        text_add(t, "in band");
        return;
    }
    const int64_t far = nearest(fabs(off) * 100), allowed = nearest(band * 100);
    text_add_real(t, fabs(off), far == allowed ? m->decimals + 1 : m->decimals);
    text_add(t, off > 0 ? " too high" : " too low");
    text_add(t, ", the band is ");
    text_add_real(t, band, m->decimals);
}

/* "1.18 of 1.20 mS/cm, in band" */
static void show_controlled(FILE *out, const cJSON *tank, const struct measure *m)
{
    struct line line;
    struct text *t = line_begin(&line);
    const cJSON *reading = show_member(tank, m->member);
    const double value = show_number(reading, "value"), set = show_number(reading, "setpoint");
    if (line_is_known(value))
        text_add_real(t, value, m->decimals);
    else
        text_add_char(t, '-');
    if (line_is_known(set)) {
        text_add(t, " of ");
        text_add_real(t, set, m->decimals);
    }
    text_add(t, m->unit);
    const size_t before = t->length;
    text_add(t, ", ");
    add_against_band(t, reading, m);
    if (t->length == before + 2) t->at[t->length = before] = '\0';
    line_end(out, &line, m->label);
}

static void show_temperature(FILE *out, const cJSON *tank)
{
    struct line line;
    struct text *t = line_begin(&line);
    const cJSON *reading = show_member(tank, "temperature");
    const double value = show_number(reading, "value");
    const double least = show_number(reading, "least"), most = show_number(reading, "most");
    if (line_is_known(value)) {
        text_add_real(t, value, 1);
        text_add(t, " degC, ");
    }
    if (!add_doubt(t, reading)) {
        text_add(t, value < least || value > most ? "OUTSIDE " : "within ");
        text_add_real(t, least, 1);
        text_add(t, " to ");
        text_add_real(t, most, 1);
    }
    line_end(out, &line, "temperature");
}

static void show_other_probes(FILE *out, const cJSON *tank)
{
    const cJSON *probe;
    cJSON_ArrayForEach(probe, show_member(tank, "probes"))
    {
        struct line line;
        struct text *t = line_begin(&line);
        const double value = show_number(probe, "value");
        if (line_is_known(value)) {
            text_add_real(t, value, 1);
            text_add_char(t, ' ');
            text_add(t, show_string(probe, "unit"));
        }
        const size_t before = t->length;
        if (before > 0) text_add(t, ", ");
        if (!add_doubt(t, probe)) t->at[t->length = before] = '\0';
        line_end(out, &line, show_string(probe, "what"));
    }
}

static void show_setpoint(FILE *out, const cJSON *tank)
{
    struct line line;
    struct text *t = line_begin(&line);
    const char *stage = show_string(tank, "stage");
    if (show_true(tank, "override")) {
        text_add(t, "set by hand for ");
        text_add_span(t, nearest(show_number(tank, "override_left_s")) * SECOND_MS);
        text_add(t, " more, then ");
    }
    if (!show_true(tank, "planted")) {
        text_add(t, "not planted yet: nothing is dosed");
    } else {
        text_add(t, "stage ");
        text_add(t, stage);
        text_add(t, ", day ");
        text_add_real(t, show_number(tank, "day"), 0);
    }
    line_end(out, &line, "setpoints");
}

static void show_last(FILE *out, const cJSON *tank, const char *time)
{
    const cJSON *last = show_member(tank, "last");
    struct line line;
    struct text *t = line_begin(&line);
    if (cJSON_IsObject(last)) {
        line_add_ml(t, show_number(last, "ml"));
        text_add(t, " mL of ");
        text_add(t, show_string(last, "stock"));
        text_add(t, ", ");
        const bool ago = line_add_since(t, show_string(last, "at"), time);
        if (ago) text_add(t, " ago (");
        line_add_instant(t, show_string(last, "at"));
        if (ago) text_add_char(t, ')');
    } else {
        text_add(t, "none on record");
    }
    line_end(out, &line, "last dose");
}

static void add_use(struct text *t, const cJSON *pump, const char *used, const char *limit)
{
    line_add_ml(t, show_number(pump, used));
    text_add(t, " of ");
    line_add_ml(t, show_number(pump, limit));
    text_add(t, " mL in ");
}

static void show_pumps(FILE *out, const cJSON *tank)
{
    const cJSON *pump;
    cJSON_ArrayForEach(pump, show_member(tank, "pumps"))
    {
        struct line line;
        struct text *t = line_begin(&line);
        add_use(t, pump, "day_ml", "day_limit_ml");
        text_add(t, "24 h, ");
        add_use(t, pump, "hour_ml", "hour_limit_ml");
        text_add(t, "1 h");
        if (show_true(pump, "locked")) text_add(t, "; STOPPED: no effect was seen");
        line_end(out, &line, show_string(pump, "stock"));
    }
}

void show_tank(FILE *out, const cJSON *tank, const char *time)
{
    static const struct measure ec = { "ec", "EC", " mS/cm", 2 }, ph = { "ph", "pH", "", 2 };
    struct line line;
    struct text *t = line_begin(&line);
    const char *key = show_string(tank, "key"), *name = show_string(tank, "name");
    text_add(t, show_string(tank, "state"));
    if (show_true(tank, "service")) text_add(t, ", SERVICE LOCK");
    const bool says_so = strcmp(show_string(tank, "state"), "paused") == 0;
    if (show_true(tank, "paused") && !says_so) text_add(t, ", paused");
    if (show_string(tank, "paused_for")[0]) text_add(t, " for ");
    text_add(t, show_string(tank, "paused_for"));
    if (show_true(tank, "bench")) text_add(t, ", ON THE BENCH");
    if (strcmp(key, name) != 0) {
        text_add(t, " - ");
        text_add(t, name);
    }
    show_folded(out, LABEL_COLUMNS, key, line.bytes);
    t = line_begin(&line);
    text_add(t, show_string(tank, "why"));
    if (t->length > 0) line_end(out, &line, "why");
    show_controlled(out, tank, &ec);
    show_controlled(out, tank, &ph);
    show_temperature(out, tank);
    show_other_probes(out, tank);
    show_setpoint(out, tank);
    show_last(out, tank, time);
    show_pumps(out, tank);
    show_care(out, tank, time);
    fputc('\n', out);
}
