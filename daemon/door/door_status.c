#include "daemon/door/door_status.h"

#include <math.h>
#include <string.h>

#include "daemon/payload/payload.h"
#include "lib/base/invariant.h"

enum {
    NAME_MOST = 256,       /* bytes of a name or sentence that are shown */
    ERROR_MOST = 4096,     /* of what is wrong with a configuration; a reload tells all */
    ROOM_AFTER_TANKS = 64, /* for the closing brackets and "next" */
};

/* --- writing members ---------------------------------------------------------------------------
 */

/* A comma if one is due, and the member's name. */
static void add_name(struct text *t, const char *name)
{
    const char last = t->at[t->length - 1];
    if (last != '{' && last != '[') text_add_char(t, ',');
    if (!name) return;
    payload_add_string(t, name);
    text_add_char(t, ':');
}

static void open_with(struct text *t, const char *name, char bracket)
{
    add_name(t, name);
    text_add_char(t, bracket);
}

/* At most 'most' bytes of it, cut between characters. */
static void add_string_most(struct text *t, const char *name, const char *s, size_t most)
{
    char copy[ERROR_MOST + 1];
    size_t length = strlen(s);
    if (length > most) {
        length = most;
        while (length > 0 && ((unsigned char)s[length] & 0xC0) == 0x80) {
            length--;
        }
    }
    memcpy(copy, s, length);
    copy[length] = '\0';
    add_name(t, name);
    payload_add_string(t, copy);
}

static void add_string(struct text *t, const char *name, const char *s)
{
    if (s) {
        add_string_most(t, name, s, NAME_MOST);
        return;
    }
    add_name(t, name);
    text_add(t, "null");
}

static void add_bool(struct text *t, const char *name, bool value)
{
    add_name(t, name);
    text_add(t, value ? "true" : "false");
}

static void add_int(struct text *t, const char *name, int64_t value)
{
    add_name(t, name);
    text_add_int(t, value);
}

static void add_real(struct text *t, const char *name, double value, unsigned decimals)
{
    add_name(t, name);
    if (value > -9e9 && value < 9e9)
        text_add_real(t, value, decimals);
    else
        text_add(t, "null");
}

static void add_ml(struct text *t, const char *name, int64_t ul)
{
    add_name(t, name);
    text_add_scaled(t, ul, 3);
}

static void add_civil(struct text *t, const char *name, struct civil at)
{
    char text[32];
    struct text written = text_over(text, sizeof text);
    text_add_civil(&written, at);
    add_string(t, name, text);
}

/* --- the site ----------------------------------------------------------------------------------
 */

static const char *trust_word(enum clock_trust trust)
{
    switch (trust) {
    case CLOCK_UNSET:
        return "unset";
    case CLOCK_FREE:
        return "free";
    case CLOCK_SYNCED:
        return "synced";
    }
    return "unset";
}

static void add_shell(struct text *t, const struct door_shell *shell, const struct site_view *v)
{
    open_with(t, "broker", '{');
    add_bool(t, "up", v->link_up);
    add_string(t, "uri", shell->broker_uri);
    add_string(t, "why", shell->broker_why);
    add_bool(t, "plain_remote", shell->broker_plain_remote);
    add_int(t, "unread", (int64_t)(shell->broker_unread & INT64_MAX));
    add_int(t, "ignored", (int64_t)(shell->broker_ignored & INT64_MAX));
    text_add_char(t, '}');

    open_with(t, "journal", '{');
    add_bool(t, "ok", v->journal_ok);
    add_int(t, "seq", shell->journal_seq);
    add_string(t, "hash", shell->journal_hash);
    text_add_char(t, '}');

    open_with(t, "config", '{');
    add_string(t, "path", shell->config_path);
    add_civil(t, "loaded", shell->config_loaded);
    add_string_most(t, "error", shell->config_error ? shell->config_error : "", ERROR_MOST);
    text_add_char(t, '}');
}

static void add_site(struct text *t, const struct site_view *v)
{
    open_with(t, "site", '{');
    add_string(t, "key", v->key);
    add_string(t, "name", v->name);
    add_bool(t, "halted", v->halted);
    add_bool(t, "active", v->active);
    add_bool(t, "standby", v->standby);
    add_bool(t, "follows", v->follows);
    add_int(t, "refused_messages", (int64_t)(v->refused_messages & INT64_MAX));
    add_int(t, "signers", v->signers);
    add_int(t, "muted", v->muted);
    text_add_char(t, '}');
}

static void add_alert(struct text *t, const struct alert_view *v, const struct site *site)
{
    const bool of_tank = v->tank >= 0 && (uint32_t)v->tank < site->tank_count;
    open_with(t, NULL, '{');
    add_string(t, "id", v->id);
    add_string(t, "tank", of_tank ? site->tank[v->tank].key : NULL);
    add_string(t, "text", v->text);
    text_add_char(t, '}');
}

static void add_supply(struct text *t, const struct supply_view *s)
{
    add_real(t, "amps_due", s->amps_due, 3);
    add_real(t, "supply_volts", s->volts, 2);
    add_real(t, "supply_amps", s->amps, 2);
    add_real(t, "usable_amps", s->usable_amps, 3);
    open_with(t, "modules", '[');
    for (uint32_t m = 0; m < s->count; m++) {
        open_with(t, NULL, '{');
        add_string(t, "serial", s->module[m].serial);
        add_real(t, "volts", s->module[m].volts, 2);
        add_real(t, "due_volts", s->module[m].due_volts, 2);
        add_real(t, "least_volts", s->module[m].least_volts, 2);
        add_real(t, "pump_amps", s->module[m].pump_amps, 3);
        add_real(t, "circulation_amps", s->module[m].circulation_amps, 3);
        text_add_char(t, '}');
    }
    text_add_char(t, ']');
}

static void add_chain(struct text *t, const struct chain_view *v)
{
    open_with(t, NULL, '{');
    add_string(t, "key", v->key);
    if (v->plain > 0) add_int(t, "plain_outputs", v->plain);
    if (v->plain > 0) add_int(t, "reporting", v->reporting);
    add_bool(t, "ready", v->ready);
    add_bool(t, "roll_call", v->roll_heard);
    add_bool(t, "bound", v->bound);
    add_bool(t, "adopted", v->adopted);
    add_bool(t, "ours", v->ours);
    add_bool(t, "halted", v->halted);
    add_string(t, "why", v->why);
    add_string(t, "by", v->claim.by);
    add_int(t, "reign", v->claim.reign);
    add_string(t, "site", v->claim.site);
    add_real(t, "volts", v->has_volts ? v->volts : (double)NAN, 2);
    add_real(t, "amps", v->has_amps ? v->amps : (double)NAN, 3);
    if (v->plain == 0) add_supply(t, &v->supply);
    text_add_char(t, '}');
}

static void add_stock(struct text *t, const struct stock_view *v)
{
    open_with(t, NULL, '{');
    add_string(t, "key", v->key);
    add_ml(t, "bottle_ml", v->bottle_ul);
    add_ml(t, "remaining_ml", v->remaining_ul);
    add_real(t, "days_left", v->days_left, 1);
    add_bool(t, "low", v->low);
    text_add_char(t, '}');
}

/* --- tanks -------------------------------------------------------------------------------------
 */

struct shown { /* how a quantity is shown */
    enum probe_quantity quantity;
    const char *name, *unit;
    double times; /* from the unit used inside */
    unsigned decimals;
};

static const struct shown water[] = {
    { PROBE_EC, "ec", "mS/cm", 0.001, 3 },
    { PROBE_PH, "ph", "", 1, 2 },
    { PROBE_TEMPERATURE, "temperature", "degC", 1, 1 },
};

static const struct shown others[] = {
    { PROBE_LEVEL, "level", "%", 1, 1 },
    { PROBE_VOLUME, "volume", "L", 1, 1 },
    { PROBE_FLOW, "flow", "L/min", 1, 2 },
    { PROBE_LEAK, "leak", "", 1, 0 },
    { PROBE_AIR_TEMPERATURE, "air temperature", "degC", 1, 1 },
    { PROBE_HUMIDITY, "humidity", "%", 1, 0 },
    { PROBE_LIGHT, "light", "", 1, 0 },
    { PROBE_ENCLOSURE, "enclosure", "degC", 1, 1 },
};

/* "value" and "quality"; a value is shown with three places more than it has, for who calculates.
 */
static void add_reading(struct text *t, const struct shown *s, const struct probe_view *p)
{
    const bool known = p->present && p->has_value;
    add_real(t, "value", known ? p->value * s->times : (double)NAN, s->decimals);
    add_real(t, "age_s", known ? (double)p->age_ms / 1000 : (double)NAN, 0);
    add_string(t, "quality", probe_quality_word(p->present ? p->quality : PROBE_NONE));
}

/* Its date (null: never), where it comes from, and how far the next one has come. */
static void add_calibration(struct text *t, const struct calibration_view *c)
{
    if (c->calibrated)
        add_civil(t, "calibrated", c->at);
    else
        add_string(t, "calibrated", NULL);
    add_bool(t, "calibrated_here", c->here);
}

static void add_bath(struct text *t, const struct calibration_view *c)
{
    add_calibration(t, c);
    add_int(t, "baths", c->steps);
    add_bool(t, "listening", c->listening);
}

static void add_water(struct text *t, const struct site_tank *tank, const struct tank_view *v)
{
    const double none = (double)NAN;
    open_with(t, "ec", '{');
    add_reading(t, &water[0], &v->probe[PROBE_EC]);
    add_real(t, "setpoint", v->planted ? v->set_ec_us_cm / 1000 : none, 3);
    add_real(t, "band", tank->band_ec_us_cm / 1000, 3);
    add_bath(t, &v->care.probe[PROBE_EC]);
    text_add_char(t, '}');

    open_with(t, "ph", '{');
    add_reading(t, &water[1], &v->probe[PROBE_PH]);
    add_real(t, "setpoint", v->planted ? v->set_ph : none, 2);
    add_real(t, "band", tank->band_ph, 2);
    add_bath(t, &v->care.probe[PROBE_PH]);
    text_add_char(t, '}');

    open_with(t, "temperature", '{');
    add_reading(t, &water[2], &v->probe[PROBE_TEMPERATURE]);
    add_real(t, "least", tank->envelope.degc_least, 1);
    add_real(t, "most", tank->envelope.degc_most, 1);
    text_add_char(t, '}');
}

static void add_others(struct text *t, const struct tank_view *v)
{
    open_with(t, "probes", '[');
    for (size_t i = 0; i < sizeof others / sizeof *others; i++) {
        const struct probe_view *p = &v->probe[others[i].quantity];
        if (!p->present) continue;
        open_with(t, NULL, '{');
        add_string(t, "what", others[i].name);
        add_string(t, "unit", others[i].unit);
        add_reading(t, &others[i], p);
        text_add_char(t, '}');
    }
    text_add_char(t, ']');
}

static void add_last(struct text *t, const struct tank_view *v)
{
    if (!v->last.stock) {
        add_string(t, "last", NULL);
        return;
    }
    open_with(t, "last", '{');
    add_string(t, "stock", v->last.stock);
    add_ml(t, "ml", v->last.ul);
    add_civil(t, "at", v->last.at);
    add_string(t, "id", v->last.id);
    text_add_char(t, '}');
}

static void add_address(struct text *t, const struct site *site, const struct chain_address *a)
{
    char address[CHAIN_WORD_MAX + 32];
    struct text written = text_over(address, sizeof address);
    chain_address_add(&written, site->chain[a->chain].key, a->position, a->channel);
    add_string(t, "address", address);
}

static void add_pumps(struct text *t, const struct site *site, const struct site_tank *tank,
    const struct tank_view *v)
{
    open_with(t, "pumps", '[');
    for (uint32_t i = 0; i < v->pump_count && i < TANK_PUMPS_MAX; i++) {
        open_with(t, NULL, '{');
        add_string(t, "stock", v->pump[i].stock);
        add_address(t, site, &tank->pump[i].address);
        const struct plain_output *plain = site_plain(site, &tank->pump[i].address);
        if (plain) add_string(t, "topic", plain->topic);
        add_ml(t, "dose_limit_ml", v->pump[i].dose_limit_ul);
        add_ml(t, "hour_ml", v->pump[i].hour_ul);
        add_ml(t, "hour_limit_ml", v->pump[i].hour_limit_ul);
        add_ml(t, "day_ml", v->pump[i].day_ul);
        add_ml(t, "day_limit_ml", v->pump[i].day_limit_ul);
        add_string(t, "purpose", v->pump[i].purpose ? v->pump[i].purpose : "");
        add_real(t, "ec_ms_cm_per_ml", v->pump[i].ec_us_cm_per_ml / 1000, 5);
        add_bool(t, "locked", v->pump[i].locked);
        add_real(t, "ml_per_s", v->care.pump[i].ml_per_s, 4);
        add_real(t, "filed_ml_per_s", v->care.pump[i].filed_ml_per_s, 4);
        add_calibration(t, &v->care.pump[i]);
        add_int(t, "runs", v->care.pump[i].steps);
        add_int(t, "waits_ms", v->care.pump[i].waits_ms);
        text_add_char(t, '}');
    }
    text_add_char(t, ']');
}

static void add_flow(struct text *t, const struct site *site, const struct site_tank *tank,
    const struct flow_view *flow)
{
    open_with(t, "flow", '{');
    add_address(t, site, &tank->circulation.address);
    add_real(t, "l_min", flow->l_min, 3);
    add_real(t, "filed_l_min", flow->filed_l_min, 3);
    if (flow->measured)
        add_civil(t, "calibrated", flow->at);
    else
        add_string(t, "calibrated", NULL);
    add_bool(t, "calibrated_here", flow->here);
    add_bool(t, "calibration_due", flow->due);
    add_int(t, "waits_ms", flow->waits_ms);
    text_add_char(t, '}');
}

/* --- upkeep ------------------------------------------------------------------------------------
 */

/* A date; null while it isn't known. */
static void add_date(struct text *t, const char *name, struct civil at)
{
    if (at.ms > 0)
        add_civil(t, name, at);
    else
        add_string(t, name, NULL);
}

static void add_hours(struct text *t, const char *name, int64_t ms)
{
    add_real(t, name, (double)ms / (double)HOUR_MS, 3);
}

static const char *light_word(enum light_view light)
{
    static const char *const word[] = { NULL, "off", "on" };
    return word[light];
}

static void add_tubes(struct text *t, const struct tank_view *v)
{
    open_with(t, "pumps", '[');
    for (uint32_t i = 0; i < v->pump_count && i < TANK_PUMPS_MAX; i++) {
        open_with(t, NULL, '{');
        add_string(t, "stock", v->pump[i].stock);
        add_hours(t, "tube_h", v->pump[i].tube_ran_ms);
        add_ml(t, "tube_ml", v->pump[i].tube_ul);
        add_date(t, "tube_since", v->pump[i].tube_since);
        add_bool(t, "tube_changed", v->pump[i].tube_changed);
        add_bool(t, "calibration_due", v->pump[i].calibration_due);
        text_add_char(t, '}');
    }
    text_add_char(t, ']');
}

static void add_due(struct text *t, const struct shown *s, const struct probe_view *p)
{
    if (!p->present || (p->calibrated_at.ms == 0 && !p->calibration_due)) return;
    open_with(t, NULL, '{');
    add_string(t, "what", s->name);
    add_date(t, "calibrated", p->calibrated_at);
    add_bool(t, "calibration_due", p->calibration_due);
    text_add_char(t, '}');
}

static void add_upkeep(struct text *t, const struct tank_view *v)
{
    const struct upkeep_view *u = &v->upkeep;
    open_with(t, "upkeep", '{');
    add_hours(t, "circulated_h", u->circulated_ms);
    add_date(t, "strainer_since", u->strainer_since);
    add_date(t, "water_since", u->water_since);
    add_bool(t, "water_changed", u->water_changed);
    add_real(t, "topped_l", u->topped_l, 1);
    add_bool(t, "dry_probe", u->dry);
    add_real(t, "vpd_kpa", u->vpd_kpa, 2);
    add_string(t, "light", light_word(u->light));
    add_string(t, "light_due", light_word(u->light_due));
    add_tubes(t, v);
    open_with(t, "probes", '[');
    for (size_t i = 0; i < sizeof water / sizeof *water; i++) {
        add_due(t, &water[i], &v->probe[water[i].quantity]);
    }
    for (size_t i = 0; i < sizeof others / sizeof *others; i++) {
        add_due(t, &others[i], &v->probe[others[i].quantity]);
    }
    text_add(t, "]}");
}

static void add_tank(struct text *t, const struct site *site, const struct site_tank *tank,
    const struct tank_view *v)
{
    open_with(t, NULL, '{');
    add_string(t, "key", v->key);
    add_string(t, "name", v->name);
    add_string(t, "state", tank_state_word(v->state));
    add_string(t, "why", v->why);
    add_bool(t, "paused", v->paused);
    add_string(t, "paused_for", v->paused_for ? v->paused_for : "");
    add_bool(t, "service", v->service);
    add_bool(t, "bench", v->care.bench);
    add_bool(t, "mixes", v->mixes);
    add_string(t, "asked", v->care.asked ? v->care.asked : "");
    add_string(t, "said", v->care.said);
    add_bool(t, "planted", v->planted);
    add_string(t, "stage", v->stage);
    add_int(t, "day", v->day);
    add_bool(t, "override", v->override);
    add_int(t, "override_left_s", v->override ? v->override_left_ms / SECOND_MS : 0);
    add_water(t, tank, v);
    add_others(t, v);
    add_last(t, v);
    add_flow(t, site, tank, &v->care.flow);
    add_pumps(t, site, tank, v);
    add_upkeep(t, v);
    text_add_char(t, '}');
}

static void add_tanks(struct text *t, const struct status_source *source, uint32_t from)
{
    const struct site *site = source->site;
    uint32_t i = from;
    open_with(t, "tanks", '[');
    for (; i < site->tank_count; i++) {
        const size_t before = t->length;
        struct tank_view v;
        source->view_tank(source, i, &v);
        add_tank(t, site, &site->tank[i], &v);
        if (!t->cut && t->length + ROOM_AFTER_TANKS <= t->size) continue;
        t->length = before; /* it doesn't fit any more: take it back */
        t->at[before] = '\0';
        t->cut = false;
        break;
    }
    text_add_char(t, ']');
    if (i < site->tank_count) add_int(t, "next", i);
}

void status_add(struct text *t, const struct status_source *source, uint32_t from)
{
    INVARIANT(t->size - t->length >= STATUS_FRAME_MAX);
    const struct site *site = source->site;
    struct site_view v;
    source->view_site(source, &v);
    text_add(t, "{\"ok\":true");
    add_civil(t, "time", source->now.civil);
    add_string(t, "clock", trust_word(source->now.clock));
    add_site(t, &v);
    add_shell(t, source->shell, &v);

    open_with(t, "alerts", '[');
    struct alert_view alert;
    for (uint32_t i = 0; i < STATUS_ALERTS_MAX && source->alert(source, i, &alert); i++) {
        add_alert(t, &alert, site);
    }
    text_add_char(t, ']');
    open_with(t, "chains", '[');
    for (uint32_t i = 0; i < site->chain_count; i++) {
        struct chain_view chain;
        source->view_chain(source, i, &chain);
        add_chain(t, &chain);
    }
    text_add_char(t, ']');
    open_with(t, "stocks", '[');
    for (uint32_t i = 0; i < site->stock_count; i++) {
        struct stock_view stock;
        source->view_stock(source, i, &stock);
        add_stock(t, &stock);
    }
    text_add_char(t, ']');
    add_tanks(t, source, from);
    text_add_char(t, '}');
}

/* --- from the core -----------------------------------------------------------------------------
 */

static void core_site(const struct status_source *s, struct site_view *ret)
{
    core_view_site(s->context, s->now, ret);
}

static void core_chain_at(const struct status_source *s, uint32_t chain, struct chain_view *ret)
{
    core_view_chain(s->context, chain, s->now, ret);
}

static void core_stock_at(const struct status_source *s, uint32_t stock, struct stock_view *ret)
{
    core_view_stock(s->context, stock, s->now, ret);
}

static void core_tank_at(const struct status_source *s, uint32_t tank, struct tank_view *ret)
{
    core_view_tank(s->context, tank, s->now, ret);
}

static bool core_alert_at(const struct status_source *s, uint32_t index, struct alert_view *ret)
{
    return core_alert(s->context, index, ret);
}

struct status_source status_of_core(const struct core *core, const struct site *site,
    const struct door_shell *shell, struct now now)
{
    return (struct status_source){ .context = core,
        .site = site,
        .shell = shell,
        .now = now,
        .view_site = core_site,
        .view_chain = core_chain_at,
        .view_stock = core_stock_at,
        .view_tank = core_tank_at,
        .alert = core_alert_at };
}
