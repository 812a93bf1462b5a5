#include <math.h>
#include <string.h>

#include "daemon/tool_show.h"
#include "lib/base/calendar.h"

enum { LINE_MAX_BYTES = 2048, LABEL_COLUMNS = 14 };

/* --- pieces ------------------------------------------------------------------------------------
 */

struct line {
    char bytes[LINE_MAX_BYTES];
    struct text t;
};

static struct text *begin(struct line *line)
{
    line->t = text_over(line->bytes, sizeof line->bytes);
    return &line->t;
}

static void end(FILE *out, const struct line *line, const char *label)
{
    char indented[64];
    struct text t = text_over(indented, sizeof indented);
    text_add(&t, "  ");
    text_add(&t, label);
    show_folded(out, LABEL_COLUMNS, indented, line->bytes);
}

/* Millilitres without needless zeros: 3.5, 120, 0.25. */
static void add_ml(struct text *t, double ml)
{
    if (!(fabs(ml) < 1e9)) {
        text_add(t, "?");
        return;
    }
    const int64_t hundredths = nearest(ml * 100);
    if (hundredths % 100 == 0)
        text_add_int(t, hundredths / 100);
    else if (hundredths % 10 == 0)
        text_add_scaled(t, hundredths / 10, 1);
    else
        text_add_scaled(t, hundredths, 2);
}

/* "2031-04-02 05:06:07 UTC" of "2031-04-02T05:06:07.089Z". */
static void add_instant(struct text *t, const char *time)
{
    if (strlen(time) != 24) {
        text_add(t, "?");
        return;
    }
    text_add_bytes(t, time, 10);
    text_add_char(t, ' ');
    text_add_bytes(t, time + 11, 8);
    text_add(t, " UTC");
}

static void add_ago(struct text *t, const char *then, const char *now)
{
    struct civil from, to;
    if (!calendar_read_civil(&from, then) || !calendar_read_civil(&to, now)) return;
    if (to.ms < from.ms) return; /* the clock was set back since */
    text_add(t, ", ");
    text_add_span(t, to.ms - from.ms);
    text_add(t, " ago");
}

static bool is_known(double value)
{
    return isfinite(value);
}

/* --- a tank ------------------------------------------------------------------------------------
 */

struct measure {
    const char *member, *label, *unit;
    unsigned decimals;
};

/* What the quality says of the value, if it isn't good. */
static bool add_doubt(struct text *t, const cJSON *reading)
{
    const char *quality = show_string(reading, "quality");
    if (strcmp(quality, "good") == 0) return false;
    if (strcmp(quality, "none") == 0 || !is_known(show_number(reading, "value"))) {
        text_add(t, "no reading");
    } else {
        const double age_s = show_number(reading, "age_s");
        text_add(t, "the last trusted reading");
        if (is_known(age_s)) {
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
    if (add_doubt(t, reading) || !is_known(off) || !is_known(band)) return;
    if (fabs(off) <= band + 1e-6) {
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
    struct text *t = begin(&line);
    const cJSON *reading = show_member(tank, m->member);
    const double value = show_number(reading, "value"), set = show_number(reading, "setpoint");
    if (is_known(value))
        text_add_real(t, value, m->decimals);
    else
        text_add_char(t, '-');
    if (is_known(set)) {
        text_add(t, " of ");
        text_add_real(t, set, m->decimals);
    }
    text_add(t, m->unit);
    const size_t before = t->length;
    text_add(t, ", ");
    add_against_band(t, reading, m);
    if (t->length == before + 2) t->at[t->length = before] = '\0';
    end(out, &line, m->label);
}

static void show_temperature(FILE *out, const cJSON *tank)
{
    struct line line;
    struct text *t = begin(&line);
    const cJSON *reading = show_member(tank, "temperature");
    const double value = show_number(reading, "value");
    const double least = show_number(reading, "least"), most = show_number(reading, "most");
    if (is_known(value)) {
        text_add_real(t, value, 1);
        text_add(t, " degC, ");
    }
    if (!add_doubt(t, reading)) {
        text_add(t, value < least || value > most ? "OUTSIDE " : "within ");
        text_add_real(t, least, 1);
        text_add(t, " to ");
        text_add_real(t, most, 1);
    }
    end(out, &line, "temperature");
}

static void show_other_probes(FILE *out, const cJSON *tank)
{
    const cJSON *probe;
    cJSON_ArrayForEach(probe, show_member(tank, "probes"))
    {
        struct line line;
        struct text *t = begin(&line);
        const double value = show_number(probe, "value");
        if (is_known(value)) {
            text_add_real(t, value, 1);
            text_add_char(t, ' ');
            text_add(t, show_string(probe, "unit"));
        }
        const size_t before = t->length;
        if (before > 0) text_add(t, ", ");
        if (!add_doubt(t, probe)) t->at[t->length = before] = '\0';
        end(out, &line, show_string(probe, "what"));
    }
}

static void show_setpoint(FILE *out, const cJSON *tank)
{
    struct line line;
    struct text *t = begin(&line);
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
    end(out, &line, "setpoints");
}

static void show_last(FILE *out, const cJSON *tank, const char *time)
{
    const cJSON *last = show_member(tank, "last");
    struct line line;
    struct text *t = begin(&line);
    if (cJSON_IsObject(last)) {
        add_ml(t, show_number(last, "ml"));
        text_add(t, " mL of ");
        text_add(t, show_string(last, "stock"));
        add_ago(t, show_string(last, "at"), time);
        text_add(t, " (");
        add_instant(t, show_string(last, "at"));
        text_add_char(t, ')');
    } else {
        text_add(t, "none on record");
    }
    end(out, &line, "last dose");
}

static void add_use(struct text *t, const cJSON *pump, const char *used, const char *limit)
{
    add_ml(t, show_number(pump, used));
    text_add(t, " of ");
    add_ml(t, show_number(pump, limit));
    text_add(t, " mL in ");
}

static void show_pumps(FILE *out, const cJSON *tank)
{
    const cJSON *pump;
    cJSON_ArrayForEach(pump, show_member(tank, "pumps"))
    {
        struct line line;
        struct text *t = begin(&line);
        add_use(t, pump, "day_ml", "day_limit_ml");
        text_add(t, "24 h, ");
        add_use(t, pump, "hour_ml", "hour_limit_ml");
        text_add(t, "1 h");
        if (show_true(pump, "locked")) text_add(t, "; STOPPED: no effect was seen");
        end(out, &line, show_string(pump, "stock"));
    }
}

void show_tank(FILE *out, const cJSON *tank, const char *time)
{
    static const struct measure ec = { "ec", "EC", " mS/cm", 2 }, ph = { "ph", "pH", "", 2 };
    struct line line;
    struct text *t = begin(&line);
    const char *key = show_string(tank, "key"), *name = show_string(tank, "name");
    text_add(t, show_string(tank, "state"));
    if (show_true(tank, "service")) text_add(t, ", SERVICE LOCK");
    if (show_true(tank, "paused")) text_add(t, ", paused");
    if (strcmp(key, name) != 0) {
        text_add(t, " - ");
        text_add(t, name);
    }
    show_folded(out, LABEL_COLUMNS, key, line.bytes);
    t = begin(&line);
    text_add(t, show_string(tank, "why"));
    if (t->length > 0) end(out, &line, "why");
    show_controlled(out, tank, &ec);
    show_controlled(out, tank, &ph);
    show_temperature(out, tank);
    show_other_probes(out, tank);
    show_setpoint(out, tank);
    show_last(out, tank, time);
    show_pumps(out, tank);
    fputc('\n', out);
}

/* --- the site ----------------------------------------------------------------------------------
 */

static void show_heading(FILE *out, const cJSON *answer)
{
    const cJSON *site = show_member(answer, "site");
    struct line line;
    struct text *t = begin(&line);
    text_add(t, show_string(site, "name"));
    text_add(t, " (");
    text_add(t, show_string(site, "key"));
    text_add(t, "), ");
    add_instant(t, show_string(answer, "time"));
    show_folded(out, 0, "", line.bytes);
    if (show_true(site, "halted")) {
        show_folded(
            out, 0, "", "HALTED: every pump is stopped and stays so until 'dosewright release'.");
    }
    if (show_true(site, "standby")) {
        show_folded(out, 0, "",
            "STANDBY: another daemon commands these chains; this one only watches. To take a chain "
            "over: 'dosewright ask claim CHAIN'.");
    }
    fputc('\n', out);
}

static void show_alerts(FILE *out, const cJSON *answer)
{
    const cJSON *alerts = show_member(answer, "alerts"), *alert;
    const int count = cJSON_GetArraySize(alerts);
    if (count == 0) {
        fputs("No alerts.\n\n", out);
        return;
    }
    fprintf(out, "%d alert%s:\n", count, count == 1 ? "" : "s");
    cJSON_ArrayForEach(alert, alerts)
    {
        struct line line;
        struct text *t = begin(&line);
        text_add(t, show_string(alert, "id"));
        text_add(t, ": ");
        text_add(t, show_string(alert, "text"));
        show_folded(out, 4, "  !", line.bytes);
    }
    fputc('\n', out);
}

static void show_broker(FILE *out, const cJSON *answer)
{
    const cJSON *broker = show_member(answer, "broker");
    struct line line;
    struct text *t = begin(&line);
    const char *why = show_string(broker, "why");
    text_add(t, show_true(broker, "up") ? "up, " : "DOWN, ");
    text_add(t, show_string(broker, "uri"));
    if (!show_true(broker, "up") && why[0]) {
        text_add(t, ": ");
        text_add(t, why);
    }
    if (show_true(broker, "plain_remote")) {
        text_add(t, "; NOT ENCRYPTED, and the broker is another host");
    }
    end(out, &line, "broker");
}

static void show_journal(FILE *out, const cJSON *answer)
{
    const cJSON *journal = show_member(answer, "journal");
    struct line line;
    struct text *t = begin(&line);
    const char *hash = show_string(journal, "hash");
    if (!show_true(journal, "ok")) text_add(t, "CAN'T BE WRITTEN: no dosing; ");
    text_add(t, "record ");
    text_add_real(t, show_number(journal, "seq"), 0);
    if (hash[0]) {
        text_add(t, ", hash ");
        text_add_bytes(t, hash, strnlen(hash, 12));
    }
    end(out, &line, "journal");
}

static void show_config(FILE *out, const cJSON *answer)
{
    const cJSON *config = show_member(answer, "config");
    struct line line;
    struct text *t = begin(&line);
    const char *error = show_string(config, "error");
    text_add(t, show_string(config, "path"));
    text_add(t, ", taken ");
    add_instant(t, show_string(config, "loaded"));
    end(out, &line, "config");
    if (!error[0]) return;
    t = begin(&line);
    text_add(t, "A NEWER FILE WAS REFUSED, the former one stays in force:");
    end(out, &line, "");
    while (*error) {
        const size_t length = strcspn(error, "\n");
        t = begin(&line);
        text_add_bytes(t, error, length);
        end(out, &line, "");
        error += length;
        if (*error) error++;
    }
}

static void show_clock(FILE *out, const cJSON *answer)
{
    const char *clock = show_string(answer, "clock");
    struct line line;
    struct text *t = begin(&line);
    if (strcmp(clock, "synced") == 0) return;
    text_add(t, strcmp(clock, "unset") == 0 ? "NOT SET; dates and days are unknown"
                                            : "set, but nothing keeps it in step (no NTP)");
    end(out, &line, "clock");
}

static void show_refused(FILE *out, const cJSON *answer)
{
    const double refused = show_number(show_member(answer, "site"), "refused_messages");
    struct line line;
    struct text *t = begin(&line);
    if (!(refused > 0)) return;
    text_add_real(t, refused, 0);
    text_add(t, " refused since the start");
    end(out, &line, "messages");
}

static void add_power(struct text *t, const cJSON *chain)
{
    const double volts = show_number(chain, "volts"), amps = show_number(chain, "amps");
    if (is_known(volts)) {
        text_add(t, ", ");
        text_add_real(t, volts, 1);
        text_add(t, " V");
    }
    if (is_known(amps)) {
        text_add(t, ", ");
        text_add_real(t, amps, 2);
        text_add(t, " A");
    }
}

static void show_chain(FILE *out, const cJSON *chain)
{
    struct line line;
    struct text *t = begin(&line);
    const char *why = show_string(chain, "why"), *by = show_string(chain, "by");
    const bool ours = show_true(chain, "ours");
    text_add(t, show_true(chain, "ready") ? "head ready" : "HEAD NOT READY");
    text_add(t, show_true(chain, "bound") ? ", modules as configured" : ", MODULES DON'T MATCH");
    if (ours) {
        text_add(t, ", commanded from here");
    } else if (by[0]) {
        text_add(t, ", commanded by ");
        text_add(t, by);
        text_add(t, " of site ");
        text_add(t, show_string(chain, "site"));
    } else {
        text_add(t, ", commanded by nobody");
    }
    if (show_true(chain, "halted")) text_add(t, ", HALTED");
    add_power(t, chain);
    if (why[0]) {
        text_add(t, ": ");
        text_add(t, why);
    }
    end(out, &line, show_string(chain, "key"));
}

static void show_stock(FILE *out, const cJSON *stock)
{
    struct line line;
    struct text *t = begin(&line);
    const double days = show_number(stock, "days_left");
    add_ml(t, show_number(stock, "remaining_ml"));
    text_add(t, " of ");
    add_ml(t, show_number(stock, "bottle_ml"));
    text_add(t, " mL left");
    if (is_known(days)) {
        text_add(t, ", for about ");
        text_add_real(t, days, 0);
        text_add(t, " days");
    }
    end(out, &line, show_string(stock, "key"));
}

void show_status(FILE *out, const cJSON *answer)
{
    const cJSON *item;
    show_heading(out, answer);
    show_alerts(out, answer);
    cJSON_ArrayForEach(item, show_member(answer, "tanks"))
    {
        show_tank(out, item, show_string(answer, "time"));
    }
    fputs("Bottles\n", out);
    cJSON_ArrayForEach(item, show_member(answer, "stocks"))
    {
        show_stock(out, item);
    }
    fputs("\nChains\n", out);
    cJSON_ArrayForEach(item, show_member(answer, "chains"))
    {
        show_chain(out, item);
    }
    fputs("\nDaemon\n", out);
    show_broker(out, answer);
    show_journal(out, answer);
    show_config(out, answer);
    show_clock(out, answer);
    show_refused(out, answer);
}
