#include "daemon/hear/request_read.h"

#include <string.h>

#include "daemon/hear/request_member.h"

enum { PARTS_MAX = 5, ML_MOST = 1000000, CIRCULATE_MOST_S = 3600 };

static const int64_t span_most_ms = 366 * DAY_MS;

/* --- one member each -------------------------------------------------------------------------- */

static bool take_on(const struct reading *r)
{
    return request_truth(r, "on", &r->request->on);
}

static bool take_on_if(const struct reading *r)
{
    struct json_view v;
    r->request->on = false;
    return !request_has(r, "on", &v) || take_on(r);
}

/* What a program pauses for: it is read by people, and shown on terminals. */
static bool take_what_for(const struct reading *r)
{
    static const char form[] = "1 to 63 printable ASCII characters";
    char word[REQUEST_WORD_MAX];
    struct json_view v;
    if (!request_has(r, "for", &v)) return true;
    if (!request_word(r, "for", word, sizeof word)) return false;
    for (const char *c = word; *c; c++) {
        if (*c < ' ' || *c > '~') return request_refuse_member(r, "for", form);
    }
    const size_t length = strlen(word);
    if (length == 0 || length >= PAUSE_FOR_MAX) return request_refuse_member(r, "for", form);
    return text_copy(r->request->word, sizeof r->request->word, word);
}

static bool take_tank(const struct reading *r)
{
    const struct known tanks = request_tanks(r->site);
    return request_name(r, &tanks, &r->request->tank);
}

static bool take_chain(const struct reading *r)
{
    const struct known chains = request_chains(r->site);
    return request_name(r, &chains, &r->request->chain);
}

static bool take_stock(const struct reading *r)
{
    const struct known stocks = request_stocks(r->site);
    return request_name(r, &stocks, &r->request->stock);
}

/* Of the stock that was read before; without it the bottle is full. */
static bool take_content(const struct reading *r)
{
    static const struct bounds bottle = { 0, ML_MOST, "\"ml\" is below 0 or over 1000 L" };
    struct json_view v;
    double ml = 0;
    r->request->ul = r->site->stock[r->request->stock].bottle_ul;
    if (!request_has(r, "ml", &v)) return true;
    if (!request_number(r, "ml", &bottle, &ml)) return false;
    r->request->ul = ul_from_ml(ml);
    return true;
}

/* New water; without it all of it was changed. */
static bool take_litres(const struct reading *r)
{
    static const struct bounds tank = { 0, 100000, "\"litres\" is below 0 or over 100000" };
    struct json_view v;
    double litres = 0;
    r->request->ul = 0;
    if (!request_has(r, "litres", &v)) return true;
    if (!request_number(r, "litres", &tank, &litres)) return false;
    r->request->ul = nearest(litres * 1e6);
    return true;
}

static bool take_alert(const struct reading *r)
{
    char word[REQUEST_WORD_MAX];
    if (!request_word(r, "alert", word, sizeof word)) return false;
    if (word[0] && text_copy(r->request->word, sizeof r->request->word, word)) return true;
    return request_refuse(r->no, "no-such-alert", "no alert has a name like that");
}

static bool take_duration(const struct reading *r, const char *name)
{
    struct json_view v;
    char duration[REQUEST_WORD_MAX];
    if (request_has(r, name, &v) && json_string(v, duration, sizeof duration) &&
        request_read_duration(&r->request->span_ms, duration))
        return true;
    return request_refuse_member(
        r, name, "a duration such as \"PT8H\" or \"PT1H30M\" of at most a year");
}

static bool take_span(const struct reading *r)
{
    static const struct bounds year = { 0, 366 * 24 * 60, "\"minutes\" is below 0 or over a year" };
    struct json_view v;
    double minutes = 0;
    if (request_has(r, "for", &v)) return take_duration(r, "for");
    if (!request_number(r, "minutes", &year, &minutes)) return false;
    r->request->span_ms = nearest(minutes * (double)MINUTE_MS);
    return true;
}

static bool take_records(const struct reading *r)
{
    return request_count(r, "from", &r->request->from) && request_count(r, "to", &r->request->to);
}

/* --- set: a property of Homie's, and its value as JSON has it --------------------------------- */

static bool set_number(const struct reading *r, double *ret)
{
    static const struct bounds range = { 0, 1000, "\"value\" is no EC in mS/cm and no pH" };
    return request_number(r, "value", &range, ret);
}

static bool set_ec(const struct reading *r)
{
    double ms_cm = 0;
    if (!take_tank(r) || !set_number(r, &ms_cm)) return false;
    r->request->value = (double)nearest(ms_cm * 1e6) / 1e3; /* to uS/cm */
    return true;
}

static bool set_ph(const struct reading *r)
{
    return take_tank(r) && set_number(r, &r->request->value);
}

static bool set_span(const struct reading *r)
{
    return take_tank(r) && take_duration(r, "value");
}

static bool set_paused(const struct reading *r)
{
    return take_tank(r) && request_truth(r, "value", &r->request->on);
}

static bool set_halt(const struct reading *r)
{
    return request_truth(r, "value", &r->request->on);
}

static const struct {
    const char *property;
    enum request_kind kind;
    bool (*take)(const struct reading *r);
} properties[] = {
    { "setpoint/ec", REQUEST_SET_EC, set_ec },
    { "setpoint/ph", REQUEST_SET_PH, set_ph },
    { "setpoint/override-for", REQUEST_OVERRIDE_FOR, set_span },
    { "dosing/paused", REQUEST_PAUSE, set_paused },
    { "site/halt", REQUEST_HALT, set_halt },
};

enum { PROPERTIES = sizeof properties / sizeof *properties };

static const char *property_key(const struct site *site, uint32_t i)
{
    (void)site;
    return properties[i].property;
}

/* The request is of one kind or another by its property. */
static bool take_property(const struct reading *r)
{
    static const struct known known = { "no-such-property", "property", PROPERTIES, property_key };
    uint32_t which;
    if (!request_name(r, &known, &which)) return false;
    r->request->kind = properties[which].kind;
    return properties[which].take(r);
}

/* --- the rest --------------------------------------------------------------------------------- */

/* What a tank grows from when is said in its configuration alone. */
static bool refuse_schedule(const struct reading *r)
{
    return request_refuse(r->no, "by-configuration",
        "a schedule begins with 'planted' in the tank's configuration: write the day there and "
        "reload");
}

static bool find_position(
    const struct reading *r, uint32_t chain, const struct chain_address_text *a)
{
    const struct chain_config *config = &r->site->chain[chain];
    for (uint32_t i = 0; i < config->count; i++) {
        if (config->module[i].position != a->position) continue;
        r->request->chain = chain;
        r->request->address = (struct chain_address){ chain, a->position, a->channel };
        return true;
    }
    return request_refuse(
        r->no, "no-such-module", "the configuration has no module at that position");
}

static bool take_address(const struct reading *r)
{
    const struct known chains = request_chains(r->site);
    char written[REQUEST_WORD_MAX];
    struct chain_address_text a;
    if (!request_word(r, "address", written, sizeof written)) return false;
    if (!chain_address_read(&a, written))
        return request_refuse_member(
            r, "address", "an address of the form west/2.3 or west/1.circulation");
    for (uint32_t i = 0; i < chains.count; i++) {
        if (strcmp(chains.key(r->site, i), a.chain) == 0) return find_position(r, i, &a);
    }
    return request_refuse_name(r, &chains, a.chain);
}

/* --- liquid and baths that somebody asks for -------------------------------------------------- */

/* A stock that serves one tank only says which. */
static bool take_tank_of_stock(const struct reading *r)
{
    struct json_view v;
    uint32_t tanks = 0;
    if (request_has(r, "tank", &v)) return take_tank(r);
    for (uint32_t i = 0; i < r->site->tank_count; i++) {
        for (uint32_t p = 0; p < r->site->tank[i].pump_count; p++) {
            if (r->site->tank[i].pump[p].stock != r->request->stock) continue;
            r->request->tank = i;
            tanks++;
        }
    }
    return tanks == 1 || take_tank(r);
}

static bool take_volume(const struct reading *r, const char *name)
{
    static const struct bounds dose = { 0.001, 10000, "a volume is 0.001 to 10000 mL" };
    double ml = 0;
    if (!request_number(r, name, &dose, &ml)) return false;
    r->request->ul = ul_from_ml(ml);
    return true;
}

static bool take_ml(const struct reading *r)
{
    return take_volume(r, "ml");
}

static bool take_into(const struct reading *r)
{
    char into[REQUEST_WORD_MAX];
    if (!request_word(r, "into", into, sizeof into)) return false;
    r->request->cup = strcmp(into, "cup") == 0;
    if (r->request->cup || strcmp(into, "tank") == 0) return true;
    return request_refuse(r->no, "malformed", "\"into\" is \"cup\" or \"tank\"");
}

/* A run, or what the last one gave. */
static bool take_run(const struct reading *r)
{
    struct json_view v;
    if (!request_has(r, "measured_ml", &v)) return take_ml(r) && take_into(r);
    r->request->kind = REQUEST_MEASURED;
    return take_volume(r, "measured_ml");
}

static bool take_for_s(const struct reading *r)
{
    static const struct bounds hour = { 1, CIRCULATE_MOST_S, "\"for_s\" is 1 to 3600 s" };
    double s = 0;
    if (!request_number(r, "for_s", &hour, &s)) return false;
    r->request->span_ms = nearest(s * (double)SECOND_MS);
    return true;
}

/* A run of the circulation, or the litres that came in the last one: in all of it, or in the first
 * seconds of it. */
static bool take_flow(const struct reading *r)
{
    static const struct bounds run = { 5, 600, "\"for_s\" is 5 to 600 s" };
    static const struct bounds watch = { 1, 600, "\"seconds\" is 1 to 600" };
    static const struct bounds bucket = { 0.05, 1000, "\"measured_l\" is 0.05 to 1000 L" };
    struct json_view v;
    double s = 0, litres = 0;
    if (!request_has(r, "measured_l", &v)) {
        if (!request_number(r, "for_s", &run, &s)) return false;
        r->request->span_ms = nearest(s * (double)SECOND_MS);
        return true;
    }
    r->request->kind = REQUEST_FLOW_MEASURED;
    if (!request_number(r, "measured_l", &bucket, &litres)) return false;
    r->request->ul = nearest(litres * 1e6);
    if (!request_has(r, "seconds", &v)) return true;
    if (!request_number(r, "seconds", &watch, &s)) return false;
    r->request->span_ms = nearest(s * (double)SECOND_MS);
    return true;
}

static bool take_probe(const struct reading *r)
{
    char probe[REQUEST_WORD_MAX];
    if (!request_word(r, "probe", probe, sizeof probe)) return false;
    r->request->quantity = strcmp(probe, "ec") == 0 ? PROBE_EC : PROBE_PH;
    if (r->request->quantity == PROBE_EC || strcmp(probe, "ph") == 0) return true;
    return request_refuse(
        r->no, "no-such-probe", "EC and pH are calibrated here: \"ec\" or \"ph\"");
}

/* "technical-7", "7.02", 7.02 */
static bool take_point(const struct reading *r)
{
    struct json_view v;
    struct text word = text_over(r->request->word, sizeof r->request->word);
    if (!request_has(r, "point", &v))
        return request_refuse_member(r, "point", "a buffer, a standard or a pH");
    if (json_kind(v) == JSON_NUMBER) {
        text_add_bytes(&word, v.at, v.length);
        if (!word.cut) return true;
    }
    return request_word(r, "point", r->request->word, sizeof r->request->word);
}

/* Of the bath; without it the tank's own probe hangs in it. */
static bool take_degc(const struct reading *r)
{
    static const struct bounds bath = { 0, 50, "\"degc\" is 0 to 50, the bath's temperature" };
    struct json_view v;
    r->request->degc = __builtin_nan("");
    return !request_has(r, "degc", &v) || request_number(r, "degc", &bath, &r->request->degc);
}

/* --- requests --------------------------------------------------------------------------------- */

static const struct {
    const char *word;
    enum request_kind kind;
    bool (*take[PARTS_MAX])(const struct reading *r); /* in this order, up to NULL */
} requests[] = {
    { "halt", REQUEST_HALT, { take_on } },
    { "pause", REQUEST_PAUSE, { take_tank, take_on, take_what_for } },
    { "service", REQUEST_SERVICE, { take_tank, take_on } },
    { "set", REQUEST_SET_EC, { take_property } },
    { "override-for", REQUEST_OVERRIDE_FOR, { take_tank, take_span } },
    { "acknowledge", REQUEST_ACKNOWLEDGE, { take_alert } },
    { "claim", REQUEST_CLAIM, { take_chain } },
    { "refilled", REQUEST_REFILLED, { take_stock, take_content } },
    { "identify", REQUEST_IDENTIFY, { take_address } },
    { "adopt", REQUEST_ADOPT, { take_chain, take_on_if } },
    { "bench", REQUEST_BENCH, { take_tank, take_on } },
    { "cancel", REQUEST_CANCEL, { take_tank } },
    { "dose", REQUEST_DOSE, { take_stock, take_tank_of_stock, take_ml } },
    { "prime", REQUEST_PRIME, { take_stock, take_tank_of_stock, take_ml, take_into } },
    { "circulate", REQUEST_CIRCULATE, { take_tank, take_for_s } },
    { "calibrate-pump", REQUEST_CALIBRATE_PUMP, { take_stock, take_tank_of_stock, take_run } },
    { "calibrate-flow", REQUEST_CALIBRATE_FLOW, { take_tank, take_flow } },
    { "calibrate-probe", REQUEST_CALIBRATE_PROBE,
        { take_tank, take_probe, take_point, take_degc } },
    { "tube-changed", REQUEST_TUBE_CHANGED, { take_tank, take_stock } },
    { "strainer-cleaned", REQUEST_STRAINER_CLEANED, { take_tank } },
    { "water-changed", REQUEST_WATER_CHANGED, { take_tank, take_litres } },
    { "journal", REQUEST_JOURNAL, { take_records } },
    { "start-schedule", REQUEST_UNREAD, { refuse_schedule } },
};

enum { REQUESTS = sizeof requests / sizeof *requests };

static const char *request_key(const struct site *site, uint32_t i)
{
    (void)site;
    return requests[i].word;
}

bool request_read(struct event_request *ret, struct json_view object, const struct site *site,
    struct request_refusal *no)
{
    static const struct known known = { "no-such-request", "request", REQUESTS, request_key };
    struct event_request q = { .origin = ret->origin, .ticket = ret->ticket };
    const struct reading r = { object, site, &q, no };
    uint32_t which;
    text_copy(q.id, sizeof q.id, ret->id);
    if (!request_name(&r, &known, &which)) return false;
    q.kind = requests[which].kind;
    for (uint32_t i = 0; i < PARTS_MAX && requests[which].take[i]; i++) {
        if (!requests[which].take[i](&r)) return false;
    }
    *ret = q;
    return true;
}

bool request_read_duration(int64_t *ret_ms, const char *text)
{
    static const struct {
        char letter;
        int64_t ms;
    } parts[] = { { 'H', HOUR_MS }, { 'M', MINUTE_MS }, { 'S', SECOND_MS } };
    if (strncmp(text, "PT", 2) != 0 || text[2] == '\0') return false;
    const char *p = text + 2;
    int64_t total_ms = 0;
    for (size_t i = 0; i < sizeof parts / sizeof *parts && *p; i++) {
        const size_t digits = strspn(p, "0123456789");
        if (digits == 0 || digits > 9) return false;
        if (p[digits] != parts[i].letter) continue;
        int64_t value = 0;
        for (; *p != parts[i].letter; p++) {
            value = value * 10 + (*p - '0');
        }
        p++;
        total_ms += value * parts[i].ms;
    }
    if (*p || total_ms > span_most_ms) return false;
    *ret_ms = total_ms;
    return true;
}
