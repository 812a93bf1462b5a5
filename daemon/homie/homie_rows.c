#include "daemon/homie/homie_rows.h"

#include <string.h>

#include "daemon/payload/payload.h"

#define ROW(w, n, p, label) .what = (w), .node = (n), .property = (p), .name = (label)

/* "PT1H30M" as 90: what the hub's templates can do with what regex_findall gives. */
#define SPAN_TO_MINUTES                                                                            \
    "{% set n = namespace(m=0) %}"                                                                 \
    "{% for v, u in value | regex_findall('([0-9]+)([HMS])') %}"                                   \
    "{% set n.m = n.m + (v | int) * {'H': 60, 'M': 1, 'S': 1 / 60}[u] %}"                          \
    "{% endfor %}{{ n.m }}"

static const struct homie_row site_rows[] = {
    { ROW(WHAT_HALT, "site", "halt", "Everything stopped"), .type = HOMIE_BOOLEAN,
        .settable = true },
    { ROW(WHAT_BEAT, "site", "beat", "Sign of life"), .type = HOMIE_JSON, .momentary = true },
    { ROW(WHAT_CONFIG, "site", "config", "Configuration in force"), .type = HOMIE_JSON,
        .hub_class = "problem", .hub_value = "{{ 'ON' if value_json.error else 'OFF' }}",
        .hub_aside = true },
    { ROW(WHAT_ENTRY, "journal", "entry", "New record"), .type = HOMIE_JSON, .momentary = true },
    { ROW(WHAT_TIP, "journal", "tip", "Newest record"), .type = HOMIE_JSON },
    { ROW(WHAT_CALL, "request", "call", "A request"), .type = HOMIE_JSON, .settable = true,
        .momentary = true },
    { ROW(WHAT_ANSWER, "request", "answer", "What became of it"), .type = HOMIE_JSON,
        .momentary = true },
};

static const struct homie_row tank_rows[] = {
    { ROW(WHAT_EC, "water", "ec", "EC at 25 °C"), .type = HOMIE_FLOAT, .unit = "mS/cm",
        .refresh = true, .measured = true, .quantity = PROBE_EC, .decimals = 3, .resolution = 10,
        .hub_class = "conductivity" },
    { ROW(WHAT_PH, "water", "ph", "pH"), .type = HOMIE_FLOAT, .refresh = true, .measured = true,
        .quantity = PROBE_PH, .decimals = 2, .resolution = 1, .hub_class = "ph" },
    { ROW(WHAT_TEMPERATURE, "water", "temperature", "Water temperature"), .type = HOMIE_FLOAT,
        .unit = "°C", .refresh = true, .measured = true, .quantity = PROBE_TEMPERATURE,
        .decimals = 1, .resolution = 1, .hub_class = "temperature" },
    { ROW(WHAT_VOLUME, "water", "volume", "Water in the tank"), .type = HOMIE_FLOAT, .unit = "L",
        .refresh = true, .measured = true, .quantity = PROBE_VOLUME, .decimals = 1, .resolution = 1,
        .hub_class = "volume_storage" },
    { ROW(WHAT_EC_QUALITY, "water", "ec-quality", "Trust in the EC"), .type = HOMIE_ENUM,
        .format = HOMIE_QUALITIES, .quantity = PROBE_EC, .refresh = true, .hub_aside = true },
    { ROW(WHAT_PH_QUALITY, "water", "ph-quality", "Trust in the pH"), .type = HOMIE_ENUM,
        .format = HOMIE_QUALITIES, .quantity = PROBE_PH, .refresh = true, .hub_aside = true },
    { ROW(WHAT_TEMPERATURE_QUALITY, "water", "temperature-quality", "Trust in the temperature"),
        .type = HOMIE_ENUM, .format = HOMIE_QUALITIES, .quantity = PROBE_TEMPERATURE,
        .refresh = true, .hub_aside = true },
    { ROW(WHAT_AIR_TEMPERATURE, "air", "temperature", "Air temperature at the crop"),
        .type = HOMIE_FLOAT, .unit = "°C", .refresh = true, .measured = true,
        .quantity = PROBE_AIR_TEMPERATURE, .decimals = 1, .resolution = 1,
        .hub_class = "temperature" },
    { ROW(WHAT_HUMIDITY, "air", "humidity", "Relative humidity at the crop"), .type = HOMIE_FLOAT,
        .unit = "%", .refresh = true, .measured = true, .quantity = PROBE_HUMIDITY, .decimals = 0,
        .resolution = 1, .hub_class = "humidity" },
    { ROW(WHAT_VPD, "air", "vpd", "Vapour pressure deficit"), .type = HOMIE_FLOAT, .unit = "kPa",
        .refresh = true, .measured = true, .quantity = PROBE_HUMIDITY, .decimals = 2,
        .resolution = 2, .hub_class = "pressure" },
    { ROW(WHAT_LIGHT, "light", "on", "The light probe sees light"), .type = HOMIE_BOOLEAN,
        .hub_class = "light" },
    { ROW(WHAT_SET_EC, "setpoint", "ec", "EC setpoint"), .type = HOMIE_FLOAT, .format = HOMIE_EC,
        .unit = "mS/cm", .settable = true, .decimals = 3, .hub_class = "conductivity" },
    { ROW(WHAT_SET_PH, "setpoint", "ph", "pH setpoint"), .type = HOMIE_FLOAT, .format = HOMIE_PH,
        .settable = true, .decimals = 2, .hub_class = "ph" },
    { ROW(WHAT_OVERRIDE_FOR, "setpoint", "override-for", "The next override lasts"),
        .type = HOMIE_DURATION, .settable = true, .hub_class = "duration", .hub_unit = "min",
        .hub_value = SPAN_TO_MINUTES, .hub_command = "PT{{ value | int }}M" },
    { ROW(WHAT_SOURCE, "setpoint", "source", "Where the setpoint comes from"), .type = HOMIE_ENUM,
        .format = HOMIE_SOURCES, .hub_aside = true },
    { ROW(WHAT_STAGE, "schedule", "stage", "Stage of growth"), .type = HOMIE_STRING },
    { ROW(WHAT_DAY, "schedule", "day", "Day since planting"), .type = HOMIE_INTEGER },
    { ROW(WHAT_STATE, "dosing", "state", "What it does"), .type = HOMIE_ENUM,
        .format = HOMIE_STATES },
    { ROW(WHAT_WHY, "dosing", "why", "Why"), .type = HOMIE_STRING },
    { ROW(WHAT_PAUSED, "dosing", "paused", "Paused by a person"), .type = HOMIE_BOOLEAN,
        .settable = true },
    { ROW(WHAT_LAST, "dosing", "last", "Last dose"), .type = HOMIE_JSON, .hub_unit = "mL",
        .hub_value = "{{ value_json.ml | default('None') }}" },
    { ROW(WHAT_DAY_ML, "dosing", "day-ml", "Dosed in the last 24 h"), .type = HOMIE_JSON,
        .hub_unit = "mL",
        .hub_value = "{{ value_json.values() | sum(attribute='ml') | round(3) }}" },
};

static const struct homie_row stock_rows[] = {
    { ROW(WHAT_REMAINING, "stock-", "remaining", "Left in the bottle"), .type = HOMIE_FLOAT,
        .unit = "L", .decimals = 3, .hub_class = "volume_storage" },
    { ROW(WHAT_DAYS_LEFT, "stock-", "days-left", "Days until it is empty"), .type = HOMIE_FLOAT,
        .decimals = 1, .resolution = 2, .unit = "d", .hub_class = "duration" },
};

uint32_t homie_site_count(void)
{
    return sizeof site_rows / sizeof *site_rows;
}

uint32_t homie_tank_count(void)
{
    return sizeof tank_rows / sizeof *tank_rows;
}

uint32_t homie_stock_count(void)
{
    return sizeof stock_rows / sizeof *stock_rows;
}

const struct homie_row *homie_site_row(uint32_t index)
{
    return &site_rows[index];
}

const struct homie_row *homie_tank_row(uint32_t index)
{
    return &tank_rows[index];
}

const struct homie_row *homie_stock_row(uint32_t index)
{
    return &stock_rows[index];
}

const char *homie_type_word(enum homie_type type)
{
    static const char *const word[HOMIE_TYPE_COUNT] = { "boolean", "float", "integer", "string",
        "enum", "duration", "json" };
    return word[type];
}

/* --- spans and formats ------------------------------------------------------------------------ */

static void add_part(struct text *t, int64_t value, char unit)
{
    if (value == 0) return;
    text_add_int(t, value);
    text_add_char(t, unit);
}

void homie_add_duration(struct text *t, int64_t span_ms)
{
    const int64_t seconds = span_ms <= 0 ? 0 : span_ms / SECOND_MS + (span_ms % SECOND_MS >= 500);
    text_add(t, seconds == 0 ? "PT0S" : "PT");
    add_part(t, seconds / 3600, 'H');
    add_part(t, seconds / 60 % 60, 'M');
    add_part(t, seconds % 60, 'S');
}

static void add_qualities(struct text *t)
{
    static const enum probe_quality order[] = { PROBE_GOOD, PROBE_STALE, PROBE_SUSPECT,
        PROBE_FAULTY, PROBE_NONE };
    for (size_t i = 0; i < sizeof order / sizeof *order; i++) {
        if (i > 0) text_add_char(t, ',');
        text_add(t, probe_quality_word(order[i]));
    }
}

static void add_states(struct text *t)
{
    for (int i = 0; i < TANK_STATE_COUNT; i++) {
        if (i > 0) text_add_char(t, ',');
        text_add(t, tank_state_word((enum tank_state)i));
    }
}

static void add_range(struct text *t, double least, double most, unsigned decimals)
{
    text_add_real(t, least, decimals);
    text_add_char(t, ':');
    text_add_real(t, most, decimals);
}

void homie_add_format(struct text *t, const struct homie_row *row, const struct site_tank *tank)
{
    switch (row->format) {
    case HOMIE_ANY:
        break;
    case HOMIE_QUALITIES:
        add_qualities(t);
        break;
    case HOMIE_STATES:
        add_states(t);
        break;
    case HOMIE_SOURCES:
        text_add(t, "schedule,override");
        break;
    case HOMIE_EC:
        add_range(t, tank->envelope.ec_least_us_cm / 1000, tank->envelope.ec_most_us_cm / 1000,
            row->decimals);
        break;
    case HOMIE_PH:
        add_range(t, tank->envelope.ph_least, tank->envelope.ph_most, row->decimals);
        break;
    }
}

/* --- values ----------------------------------------------------------------------------------- */

static bool say_text(struct homie_value *ret, const char *text)
{
    struct text t = text_over(ret->text, sizeof ret->text);
    text_add(&t, text);
    ret->length = t.length > 0 ? t.length : 1;
    return true;
}

static bool say_truth(struct homie_value *ret, bool value)
{
    return say_text(ret, value ? "true" : "false");
}

/* 'value' with as many decimals as the row has. */
static bool say_real(struct homie_value *ret, const struct homie_row *row, double value)
{
    if (!(value > -1e9 && value < 1e9)) return false;
    for (unsigned i = 0; i < row->decimals; i++) {
        value *= 10;
    }
    struct text t = text_over(ret->text, sizeof ret->text);
    ret->scaled = nearest(value);
    text_add_scaled(&t, ret->scaled, row->decimals);
    ret->length = t.length;
    return true;
}

static bool say_probe(struct homie_value *ret, const struct homie_row *row,
    const struct probe_view *probe, double divisor)
{
    return probe->present && probe->has_value && say_real(ret, row, probe->value / divisor);
}

static bool say_quality(struct homie_value *ret, const struct probe_view *probe)
{
    return say_text(ret, probe_quality_word(probe->present ? probe->quality : PROBE_NONE));
}

static bool say_vpd(
    struct homie_value *ret, const struct homie_row *row, const struct tank_view *tank)
{
    return tank->probe[PROBE_AIR_TEMPERATURE].present && tank->probe[PROBE_HUMIDITY].present &&
           say_real(ret, row, tank->upkeep.vpd_kpa);
}

/* A boolean can't be unknown: it stays as it was. */
static bool say_light(struct homie_value *ret, enum light_view light)
{
    return light != LIGHT_UNKNOWN && say_truth(ret, light == LIGHT_ON);
}

static bool say_integer(struct homie_value *ret, int64_t value)
{
    struct text t = text_over(ret->text, sizeof ret->text);
    text_add_int(&t, value);
    ret->length = t.length;
    return true;
}

static bool say_duration(struct homie_value *ret, int64_t span_ms)
{
    struct text t = text_over(ret->text, sizeof ret->text);
    homie_add_duration(&t, span_ms);
    ret->length = t.length;
    return true;
}

static bool say_last(struct homie_value *ret, const struct tank_view *tank)
{
    if (!tank->last.stock) return say_text(ret, "{}");
    struct text t = text_over(ret->text, sizeof ret->text);
    text_add(&t, "{\"id\":");
    payload_add_string(&t, tank->last.id);
    text_add(&t, ",\"stock\":");
    payload_add_string(&t, tank->last.stock);
    text_add(&t, ",\"ml\":");
    text_add_scaled(&t, tank->last.ul, 3);
    text_add(&t, ",\"at\":\"");
    text_add_civil(&t, tank->last.at);
    text_add(&t, "\"}");
    ret->length = t.length;
    return !t.cut;
}

static bool say_day(struct homie_value *ret, const struct tank_view *tank)
{
    struct text t = text_over(ret->text, sizeof ret->text);
    text_add_char(&t, '{');
    for (uint32_t i = 0; i < tank->pump_count; i++) {
        if (i > 0) text_add_char(&t, ',');
        payload_add_string(&t, tank->pump[i].stock);
        text_add(&t, ":{\"ml\":");
        text_add_scaled(&t, tank->pump[i].day_ul, 3);
        text_add(&t, ",\"limit_ml\":");
        text_add_scaled(&t, tank->pump[i].day_limit_ul, 3);
        text_add_char(&t, '}');
    }
    text_add_char(&t, '}');
    ret->length = t.length;
    return !t.cut;
}

static bool say_tip(struct homie_value *ret, const struct link_tip *tip)
{
    if (tip->seq == 0) return say_text(ret, "{}");
    struct text t = text_over(ret->text, sizeof ret->text);
    text_add(&t, "{\"seq\":");
    text_add_int(&t, tip->seq);
    text_add(&t, ",\"hash\":");
    payload_add_string(&t, tip->hash);
    text_add_char(&t, '}');
    ret->length = t.length;
    return true;
}

bool homie_value(struct homie_value *ret, const struct homie_row *row, const struct homie_source *s)
{
    ret->scaled = 0;
    switch (row->what) {
    case WHAT_HALT:
        return say_truth(ret, s->site->halted);
    case WHAT_BEAT:
    case WHAT_ENTRY:
    case WHAT_CALL:
    case WHAT_ANSWER:
        return false;
    case WHAT_CONFIG:
        return say_text(ret, s->config);
    case WHAT_TIP:
        return say_tip(ret, s->tip);
    case WHAT_EC:
        return say_probe(ret, row, &s->tank->probe[PROBE_EC], 1000);
    case WHAT_PH:
    case WHAT_TEMPERATURE:
    case WHAT_VOLUME:
    case WHAT_AIR_TEMPERATURE:
    case WHAT_HUMIDITY:
        return say_probe(ret, row, &s->tank->probe[row->quantity], 1);
    case WHAT_EC_QUALITY:
    case WHAT_PH_QUALITY:
    case WHAT_TEMPERATURE_QUALITY:
        return say_quality(ret, &s->tank->probe[row->quantity]);
    case WHAT_VPD:
        return say_vpd(ret, row, s->tank);
    case WHAT_LIGHT:
        return say_light(ret, s->tank->upkeep.light);
    case WHAT_SET_EC:
        return s->tank->planted && say_real(ret, row, s->tank->set_ec_us_cm / 1000);
    case WHAT_SET_PH:
        return s->tank->planted && say_real(ret, row, s->tank->set_ph);
    case WHAT_OVERRIDE_FOR:
        return say_duration(ret, s->tank->override_for_ms);
    case WHAT_SOURCE:
        return say_text(ret, s->tank->override ? "override" : "schedule");
    case WHAT_STAGE:
        return s->tank->planted && say_text(ret, s->tank->stage);
    case WHAT_DAY:
        return s->tank->planted && say_integer(ret, s->tank->day);
    case WHAT_STATE:
        return say_text(ret, tank_state_word(s->tank->state));
    case WHAT_WHY:
        return say_text(ret, s->tank->why);
    case WHAT_PAUSED:
        return say_truth(ret, s->tank->paused);
    case WHAT_LAST:
        return say_last(ret, s->tank);
    case WHAT_DAY_ML:
        return say_day(ret, s->tank);
    case WHAT_REMAINING:
        return say_real(ret, row, (double)s->stock->remaining_ul / 1e6);
    case WHAT_DAYS_LEFT:
        return say_real(ret, row, s->stock->days_left);
    }
    return false;
}
