#include "daemon/door_call.h"

#include <cjson/cJSON.h>
#include <math.h>
#include <string.h>

enum { NAME_SHOWN_MAX = 40, NAMES_SHOWN_MAX = 12, MEMBERS_MAX = 64, ML_MOST = 1000000 };

static const int64_t span_most_ms = 366 * DAY_MS;

/* What a reader of one call works with. */
struct reading {
    const cJSON *json;
    const struct site *site;
    struct event_request *request;
    struct door_refusal *no;
};

static bool refuse(struct door_refusal *no, const char *reason, const char *text)
{
    text_copy(no->reason, sizeof no->reason, reason);
    text_copy(no->text, sizeof no->text, text);
    return false;
}

/* "there is no tank "x"; there are: a, b" */
struct known {
    const char *reason, *what;
    uint32_t count;
    const char *(*key)(const struct site *site, uint32_t i);
};

static bool refuse_name(const struct reading *r, const struct known *known, const char *name)
{
    text_copy(r->no->reason, sizeof r->no->reason, known->reason);
    struct text t = text_over(r->no->text, sizeof r->no->text);
    text_add(&t, "there is no ");
    text_add(&t, known->what);
    text_add_char(&t, ' ');
    text_add_quoted(&t, name, strlen(name), NAME_SHOWN_MAX);
    text_add(&t, known->count > 0 ? "; there are: " : "; there are none");
    for (uint32_t i = 0; i < known->count; i++) {
        const char *key = known->key(r->site, i);
        if (i == NAMES_SHOWN_MAX || t.length + strlen(key) + 24 > t.size) {
            text_add(&t, " and ");
            text_add_int(&t, known->count - i);
            text_add(&t, " more");
            break;
        }
        if (i > 0) text_add(&t, ", ");
        text_add(&t, key);
    }
    return false;
}

static const char *tank_key(const struct site *site, uint32_t i)
{
    return site->tank[i].key;
}

static const char *chain_key(const struct site *site, uint32_t i)
{
    return site->chain[i].key;
}

static const char *stock_key(const struct site *site, uint32_t i)
{
    return site->stock[i].key;
}

/* --- the bytes ---------------------------------------------------------------------------------
 */

static bool is_nul_escape(const char *p, const char *end)
{
    return end - p >= 6 && memcmp(p, "\\u0000", 6) == 0;
}

/* Before the parser sees it: no control bytes, not too deep, no escaped NUL that would cut a
 * string. */
static bool is_harmless(const char *line, size_t length)
{
    const char *end = line + length;
    int depth = 0;
    bool in_string = false;
    for (const char *p = line; p < end; p++) {
        const unsigned char c = (unsigned char)*p;
        if (c < 0x20 && c != '\t' && c != '\r') return false;
        if (in_string && *p == '\\') {
            if (is_nul_escape(p, end)) return false;
            p++;
        } else if (*p == '"') {
            in_string = !in_string;
        } else if (!in_string && (*p == '{' || *p == '[')) {
            if (++depth > DOOR_DEPTH_MAX) return false;
        } else if (!in_string && (*p == '}' || *p == ']')) {
            depth--;
        }
    }
    return !in_string && depth == 0;
}

static bool has_duplicates(const cJSON *object)
{
    int members = 0;
    for (const cJSON *a = object->child; a; a = a->next) {
        if (++members > MEMBERS_MAX) return true;
        for (const cJSON *b = a->next; b; b = b->next) {
            if (strcmp(a->string, b->string) == 0) return true;
        }
    }
    return false;
}

/* The whole line as an object, or NULL. */
static cJSON *parse_line(const char *line, size_t length)
{
    if (length > DOOR_CALL_MAX || !is_harmless(line, length)) return NULL;
    const char *end = NULL;
    cJSON *json = cJSON_ParseWithLengthOpts(line, length, &end, 0);
    if (!json) return NULL;
    const size_t used = (size_t)(end - line);
    bool whole = used <= length && cJSON_IsObject(json) && !has_duplicates(json);
    for (size_t i = used; whole && i < length; i++) {
        whole = line[i] == ' ' || line[i] == '\t' || line[i] == '\r';
    }
    if (whole) return json;
    cJSON_Delete(json);
    return NULL;
}

/* --- members -----------------------------------------------------------------------------------
 */

static bool refuse_member(const struct reading *r, const char *name, const char *form)
{
    char text[ACTION_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add_quoted(&t, name, strlen(name), NAME_SHOWN_MAX);
    text_add(&t, " is missing, or isn't ");
    text_add(&t, form);
    return refuse(r->no, "malformed", text);
}

static const char *word_of(const struct reading *r, const char *name)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(r->json, name);
    return cJSON_IsString(item) ? item->valuestring : NULL;
}

static bool read_word(const struct reading *r, const char *name, const char **ret)
{
    *ret = word_of(r, name);
    return *ret || refuse_member(r, name, "a string");
}

static bool read_number(const struct reading *r, const char *name, double *ret)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(r->json, name);
    if (!cJSON_IsNumber(item) || !isfinite(item->valuedouble)) {
        return refuse_member(r, name, "a number");
    }
    *ret = item->valuedouble;
    return true;
}

static bool read_switch(const struct reading *r)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(r->json, "on");
    if (!cJSON_IsBool(item)) return refuse_member(r, "on", "true or false");
    r->request->on = cJSON_IsTrue(item);
    return true;
}

static bool read_name(const struct reading *r, const struct known *known, uint32_t *ret)
{
    const char *name;
    if (!read_word(r, known->what, &name)) return false;
    for (uint32_t i = 0; i < known->count; i++) {
        if (strcmp(known->key(r->site, i), name) == 0) {
            *ret = i;
            return true;
        }
    }
    return refuse_name(r, known, name);
}

static bool read_tank(const struct reading *r)
{
    const struct known tanks = { "no-such-tank", "tank", r->site->tank_count, tank_key };
    return read_name(r, &tanks, &r->request->tank);
}

/* --- requests ----------------------------------------------------------------------------------
 */

static bool read_halt(const struct reading *r)
{
    r->request->kind = REQUEST_HALT;
    return read_switch(r);
}

static bool read_pause(const struct reading *r)
{
    r->request->kind = REQUEST_PAUSE;
    return read_tank(r) && read_switch(r);
}

static bool read_service(const struct reading *r)
{
    r->request->kind = REQUEST_SERVICE;
    return read_tank(r) && read_switch(r);
}

static bool read_set(const struct reading *r)
{
    const char *property;
    double value = 0;
    if (!read_tank(r) || !read_word(r, "property", &property)) return false;
    if (!read_number(r, "value", &value)) return false;
    if (!(value >= 0 && value <= 1000)) {
        return refuse(r->no, "out-of-range", "\"value\" is no EC in mS/cm and no pH");
    }
    if (strcmp(property, "setpoint/ec") == 0) {
        r->request->kind = REQUEST_SET_EC;
        r->request->value = (double)nearest(value * 1e6) / 1e3; /* mS/cm, to uS/cm */
    } else if (strcmp(property, "setpoint/ph") == 0) {
        r->request->kind = REQUEST_SET_PH;
        r->request->value = value;
    } else {
        return refuse(r->no, "no-such-property",
            "there is no such property to set; there are: setpoint/ec, setpoint/ph");
    }
    return true;
}

static bool read_override_for(const struct reading *r)
{
    r->request->kind = REQUEST_OVERRIDE_FOR;
    if (!read_tank(r)) return false;
    const char *duration = word_of(r, "for");
    if (duration) {
        if (door_read_duration(&r->request->span_ms, duration)) return true;
        return refuse(r->no, "malformed",
            "\"for\" isn't a duration such as \"PT8H\" or \"PT1H30M\" of at most a year");
    }
    double minutes = 0;
    if (!read_number(r, "minutes", &minutes)) return false;
    if (!(minutes >= 0 && minutes <= (double)span_most_ms / MINUTE_MS)) {
        return refuse(r->no, "out-of-range", "\"minutes\" is below 0 or over a year");
    }
    r->request->span_ms = nearest(minutes * (double)MINUTE_MS);
    return true;
}

static bool read_acknowledge(const struct reading *r)
{
    r->request->kind = REQUEST_ACKNOWLEDGE;
    const char *alert;
    if (!read_word(r, "alert", &alert)) return false;
    if (alert[0] && text_copy(r->request->word, sizeof r->request->word, alert)) return true;
    return refuse(r->no, "no-such-alert", "no alert has a name like that");
}

static bool read_claim(const struct reading *r)
{
    r->request->kind = REQUEST_CLAIM;
    const struct known chains = { "no-such-chain", "chain", r->site->chain_count, chain_key };
    return read_name(r, &chains, &r->request->chain);
}

static bool read_adopt(const struct reading *r)
{
    if (!read_claim(r)) return false;
    r->request->kind = REQUEST_ADOPT;
    r->request->on = false;
    return !cJSON_GetObjectItemCaseSensitive(r->json, "on") || read_switch(r);
}

static bool read_refilled(const struct reading *r)
{
    r->request->kind = REQUEST_REFILLED;
    const struct known stocks = { "no-such-stock", "stock", r->site->stock_count, stock_key };
    if (!read_name(r, &stocks, &r->request->stock)) return false;
    if (!cJSON_GetObjectItemCaseSensitive(r->json, "ml")) {
        r->request->ul = r->site->stock[r->request->stock].bottle_ul;
        return true;
    }
    double ml = 0;
    if (!read_number(r, "ml", &ml)) return false;
    if (!(ml >= 0 && ml <= ML_MOST)) {
        return refuse(r->no, "out-of-range", "\"ml\" is below 0 or over 1000 L");
    }
    r->request->ul = ul_from_ml(ml);
    return true;
}

static bool read_position(
    const struct reading *r, uint32_t chain, const struct chain_address_text *a)
{
    const struct chain_config *config = &r->site->chain[chain];
    for (uint32_t i = 0; i < config->count; i++) {
        const struct chain_module_config *m = &config->module[i];
        if (m->position != a->position) continue;
        r->request->chain = chain;
        r->request->address = (struct chain_address){ chain, a->position, a->channel };
        return true;
    }
    return refuse(r->no, "no-such-module", "the configuration has no module at that position");
}

static bool read_identify(const struct reading *r)
{
    r->request->kind = REQUEST_IDENTIFY;
    const struct known chains = { "no-such-chain", "chain", r->site->chain_count, chain_key };
    const char *written;
    struct chain_address_text a;
    if (!read_word(r, "address", &written)) return false;
    if (!chain_address_read(&a, written)) {
        return refuse(
            r->no, "malformed", "\"address\" isn't of the form west/2.3 or west/1.circulation");
    }
    for (uint32_t i = 0; i < chains.count; i++) {
        if (strcmp(chain_key(r->site, i), a.chain) == 0) return read_position(r, i, &a);
    }
    return refuse_name(r, &chains, a.chain);
}

static const struct {
    const char *word;
    bool (*read)(const struct reading *r);
} requests[] = {
    { "halt", read_halt },
    { "pause", read_pause },
    { "service", read_service },
    { "set", read_set },
    { "override-for", read_override_for },
    { "acknowledge", read_acknowledge },
    { "claim", read_claim },
    { "refilled", read_refilled },
    { "identify", read_identify },
    { "adopt", read_adopt },
};

enum { REQUESTS = sizeof requests / sizeof *requests };

static const char *request_key(const struct site *site, uint32_t i)
{
    (void)site;
    return requests[i].word;
}

static bool read_request(const struct reading *r)
{
    const struct known known = { "no-such-request", "request", REQUESTS, request_key };
    uint32_t which;
    return read_name(r, &known, &which) && requests[which].read(r);
}

static bool read_from(const struct reading *r, uint32_t *ret)
{
    double from = 0;
    if (!cJSON_GetObjectItemCaseSensitive(r->json, "from")) return true;
    if (!read_number(r, "from", &from)) return false;
    if (!(from >= 0 && from <= SITE_TANKS_MAX)) {
        return refuse(r->no, "out-of-range", "\"from\" is not the index of a tank");
    }
    *ret = (uint32_t)from;
    return true;
}

static bool read_object(struct door_call *call, uint32_t *ret_from, const struct reading *r)
{
    const char *kind;
    if (!read_word(r, "call", &kind)) return false;
    if (strcmp(kind, "status") == 0) {
        call->kind = DOOR_STATUS;
        return read_from(r, ret_from);
    }
    if (strcmp(kind, "reload") == 0) {
        call->kind = DOOR_RELOAD;
        return true;
    }
    if (strcmp(kind, "request") == 0) {
        call->kind = DOOR_REQUEST;
        return read_request(r);
    }
    return refuse(
        r->no, "no-such-call", "there is no such call; there are: status, reload, request");
}

bool door_read_call(struct door_call *ret, uint32_t *ret_from, const char *line, size_t length,
    const struct site *site, struct door_refusal *no)
{
    cJSON *json = parse_line(line, length);
    if (!json) {
        return refuse(no, "malformed",
            "the call isn't one JSON object of at most 4096 bytes and 8 levels, each member once");
    }
    struct door_call call = { .request = { .origin = { .by = "socket" } } };
    uint32_t from = 0;
    const struct reading reading = { json, site, &call.request, no };
    const bool read = read_object(&call, &from, &reading);
    cJSON_Delete(json);
    if (!read) return false;
    *ret = call;
    *ret_from = from;
    return true;
}

bool door_read_duration(int64_t *ret_ms, const char *text)
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
