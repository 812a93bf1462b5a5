#include <math.h>
#include <string.h>

#include "daemon/base/log.h"
#include "daemon/run/daemon.h"
#include "lib/base/text.h"

static void add_volume(struct text *t, const struct record *r)
{
    int64_t ul = 0;
    (void)record_int(r, "ul", &ul);
    text_add_real(t, (double)ul / 1000.0, 2);
    text_add(t, " mL ");
    text_add(t, record_text_or_empty(r, "stock"));
}

static void add_number(
    struct text *t, const struct record *r, const char *key, double scale, unsigned decimals)
{
    double value;
    if (record_real(r, key, &value))
        text_add_real(t, value * scale, decimals);
    else
        text_add(t, "?");
}

static void tell_dose(struct text *t, const struct record *r)
{
    text_add(t, "dose ");
    add_volume(t, r);
    text_add(t, " from ");
    text_add(t, record_text_or_empty(r, "chain"));
    text_add_char(t, '/');
    add_number(t, r, "position", 1.0, 0);
    text_add_char(t, '.');
    add_number(t, r, "channel", 1.0, 0);
    const char *asked = record_text_or_empty(r, "asked");
    if (asked[0]) {
        text_add(t, "; somebody asked for it (");
        text_add(t, asked);
        text_add(t, ", into the ");
        text_add(t, record_text_or_empty(r, "into"));
        text_add_char(t, ')');
        return;
    }
    text_add(t, "; EC ");
    add_number(t, r, "ec_us_cm", 0.001, 2);
    text_add(t, " of ");
    add_number(t, r, "set_ec_us_cm", 0.001, 2);
    text_add(t, ", pH ");
    add_number(t, r, "ph", 1.0, 2);
    text_add(t, " of ");
    add_number(t, r, "set_ph", 1.0, 2);
}

static void tell_outcome(struct text *t, const struct record *r)
{
    bool unsure = false;
    (void)record_truth(r, "unsure", &unsure);
    add_volume(t, r);
    text_add_char(t, ' ');
    text_add(t, record_text_or_empty(r, "state"));
    if (unsure) text_add(t, ", counted in full");
}

/* What was wanted, as far as the record has it. */
static void add_wanted(struct text *t, const struct record *r)
{
    static const char *const names[] = { "chain", "alert", "probe", "bath" };
    const char *request = record_text_or_empty(r, "request");
    const bool ec = text_same(request, "set-ec");
    int64_t ul = 0, span_ms = 0;
    (void)record_int(r, "ul", &ul);
    (void)record_int(r, "span_ms", &span_ms);
    if (ec || text_same(request, "set-ph")) {
        text_add_char(t, ' ');
        add_number(t, r, "value", ec ? 0.001 : 1.0, 2);
    }
    const char *stock = record_text_or_empty(r, "stock");
    if (stock[0] || ul > 0) text_add_char(t, ' ');
    if (stock[0] && ul > 0) {
        add_volume(t, r);
    } else if (stock[0]) {
        text_add(t, stock);
    } else if (ul > 0) { /* of water */
        add_number(t, r, "ul", 1e-6, 1);
        text_add(t, " L");
    }
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        const char *word = record_text_or_empty(r, names[i]);
        if (!word[0]) continue;
        text_add_char(t, ' ');
        text_add_quoted(t, word, strlen(word), ALERT_ID_MAX);
    }
    if (span_ms > 0) {
        text_add(t, " (");
        text_add_span(t, span_ms);
        text_add_char(t, ')');
    }
}

static void tell_request(struct text *t, const struct record *r)
{
    bool ok = false, on = false, yes = true;
    (void)record_truth(r, "ok", &ok);
    text_add(t, "request ");
    text_add(t, record_text_or_empty(r, "request"));
    add_wanted(t, r);
    if (record_truth(r, "on", &on)) text_add(t, on ? " on" : " off");
    if (record_truth(r, "yes", &yes) && !yes) text_add(t, " (only shown)");
    text_add(t, " from ");
    text_add(t, record_text_or_empty(r, "by"));
    if (record_text_or_empty(r, "key")[0]) {
        text_add(t, ", signed by ");
        text_add(t, record_text_or_empty(r, "key"));
    }
    if (!ok) {
        text_add(t, " refused: ");
        text_add(t, record_text_or_empty(r, "reason"));
    }
}

void told_record(const struct record *record)
{
    char line[ACTION_TEXT_MAX];
    int64_t of;
    if (record_int(record, "of", &of)) return; /* another daemon's, and told there */
    struct text t = text_over(line, sizeof line);
    const char *tank = record_text_or_empty(record, "tank");
    if (tank[0]) {
        text_add(&t, tank);
        text_add(&t, ": ");
    }
    if (record_is(record, "dose"))
        tell_dose(&t, record);
    else if (record_is(record, "outcome"))
        tell_outcome(&t, record);
    else if (record_is(record, "summary"))
        text_add(&t, record_text_or_empty(record, "text"));
    else if (record_is(record, "flushed"))
        text_add(&t, "line flushed");
    else if (record_is(record, "request"))
        tell_request(&t, record);
    else if (record_is(record, "reign")) {
        text_add(&t, "commands chain ");
        text_add(&t, record_text_or_empty(record, "chain"));
    } else
        return;
    log_line(LOG_TOLD, line);
}
