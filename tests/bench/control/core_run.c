/* The whole core, as the daemon runs it, in a twin (lib/forecast/twin.h) with the world of a seed:
 * a site of one tank, one module, and a configuration that says what the other contenders are told.
 * Limits stand for the caps; they slide instead of leaking. Its chance differs from that of the
 * other contenders (noise, repeatability), its world doesn't. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/forecast/twin.h"
#include "tests/bench/control/tank_run.h"

enum { ALERTS_MAX = 8 };

static const double minute_s = 60.0, lock_s = 36.0 * 3600.0;
static const char *const stock_key[STOCKS] = { "feed", "acid", "base" };

struct core_run {
    const struct tank_run *run;
    struct score *score;
    struct site site;
    struct site_tank tank;
    struct reservoir_truth truth;
    struct twin *twin;
    const struct reservoir *water;
    double per_ml[STOCKS];
    struct {
        char id[ALERT_ID_MAX];
        double at_s;
    } alert[ALERTS_MAX];
    uint32_t alert_count;
    double given_ml[STOCKS]; /* in this minute, for the trace */
};

/* --- the site --------------------------------------------------------------------------------- */

static void add_probe(
    struct probe_config *p, enum probe_quantity q, enum probe_unit unit, const double range[2])
{
    *p = (struct probe_config){ .present = true,
        .quantity = q,
        .unit = unit,
        .topic = "",
        .pointer = "",
        .least = range[0],
        .most = range[1],
        .max_age_ms = 5 * MINUTE_MS,
        .compensated = true,
        .calibrated = true };
}

static void add_probes(struct site_tank *t)
{
    static const double ec[] = { 10, 10000 }, ph[] = { 2, 12 }, degc[] = { 0, 45 };
    add_probe(&t->probe[PROBE_EC], PROBE_EC, UNIT_US_CM, ec);
    add_probe(&t->probe[PROBE_PH], PROBE_PH, UNIT_PH, ph);
    add_probe(&t->probe[PROBE_TEMPERATURE], PROBE_TEMPERATURE, UNIT_DEGC, degc);
    t->probe[PROBE_EC].jump_most = 1000;
    t->probe[PROBE_PH].jump_most = 1;
    t->probe[PROBE_EC].stuck_after_ms = t->probe[PROBE_PH].stuck_after_ms = 45 * MINUTE_MS;
}

static void add_stocks(struct core_run *c)
{
    const struct reservoir_truth *t = &c->truth;
    const struct plant_dose *feed = &t->pump[FEED].per_ml;
    const struct plant_dose *acid = &t->pump[ACID].per_ml;
    static const enum stock_kind kind[STOCKS] = { STOCK_NUTRIENT, STOCK_ACID, STOCK_BASE };
    c->site.stock_count = t->pump_count;
    for (uint32_t i = 0; i < t->pump_count; i++) {
        c->site.stock[i].key = stock_key[i];
        c->site.stock[i].solution.kind = kind[i];
    }
    c->site.stock[FEED].strength = (struct stock_strength){ .cations_meq_ml = feed->cations_meq,
        .phosphate_mmol_ml = feed->phosphate_mmol,
        .ammonium_mmol_ml = feed->ammonium_mmol };
    c->site.stock[ACID].strength = (struct stock_strength){ .acid_meq_ml = t->tells.acid_meq_ml,
        .phosphate_mmol_ml = acid->phosphate_mmol };
    c->site.stock[BASE].strength = (struct stock_strength){ .cations_meq_ml = t->tells.base_meq_ml,
        .acid_meq_ml = -t->tells.base_meq_ml };
}

static int64_t ul_of(const struct core_run *c, int stock, double nominal)
{
    return (int64_t)(1000.0 * nominal / c->per_ml[stock]);
}

static void add_pumps(struct core_run *c)
{
    const double alk = c->truth.tells.alkalinity_meq_l, volume_l = c->truth.tank.volume_l;
    const double dose[STOCKS] = { 800.0, 0.5 * alk + 0.25, 0.3 };
    const double hour[STOCKS] = { 1600.0, alk + 0.5, 0.75 * alk + 0.25 };
    const double day[STOCKS] = { 2200.0, 1.5 * alk + 0.5, 0.75 * alk + 0.25 };
    c->tank.pump_count = c->truth.pump_count;
    for (uint32_t i = 0; i < c->tank.pump_count; i++) {
        c->tank.pump[i] = (struct site_pump){ .stock = i,
            .address = { 0, 1, i + 1 },
            .serial = "a1f3",
            .ml_per_s = volume_l / PUMP_LITRES,
            .ec_us_cm_per_ml_l = i == FEED ? c->truth.tells.feed_us_cm_per_ml_l : 0.0,
            .calibrated = true,
            .limits = { .smallest_ul = 500,
                .dose_ul = ul_of(c, (int)i, dose[i]),
                .hour_ul = ul_of(c, (int)i, hour[i]),
                .day_ul = ul_of(c, (int)i, day[i]) } };
    }
}

static void add_tank(struct core_run *c, struct civil start)
{
    const struct reservoir_truth *t = &c->truth;
    struct site_tank *tank = &c->tank;
    tank->key = tank->name = "tank";
    tank->volume_l = t->tank.volume_l;
    tank->source_ec_us_cm = t->tells.source_ec_us_cm;
    tank->source_alkalinity_meq_l = t->tells.alkalinity_meq_l;
    tank->circulation = (struct site_circulation){ .address = { 0, 1, CHAIN_CIRCULATION_CHANNEL },
        .serial = "a1f3",
        .flow_l_min = t->tank.flow_l_min,
        .flush_lines = 1,
        .when = CIRCULATE_ALWAYS };
    add_probes(tank);
    add_pumps(c);
    tank->recipe_count = 1;
    tank->recipe[0] = (struct site_part){ FEED, 1.0 };
    tank->lowers_ph = ACID;
    tank->raises_ph = t->pump_count > BASE ? BASE : -1;
    const struct crop_target target = { t->target.ec_us_cm, t->target.ph };
    tank->schedule = (struct crop_schedule){ .crop = "leaf", .count = 1, .zone = "UTC" };
    tank->schedule.stage[0] = (struct crop_stage){ .name = "leaf", .from = target, .to = target };
    tank->planted = (struct civil){ start.ms - DAY_MS };
    tank->band_ec_us_cm = band_ec_us_cm(t->target.ec_us_cm);
    tank->band_ph = BAND_PH;
    tank->envelope = (struct crop_envelope){ 200, 3000, 5.0, 7.0, 5, 40 };
    tank->move = (struct move_limits){ 1600000, 4000000, 120 * MINUTE_MS };
    tank->override_most_ms = 400 * DAY_MS;
}

static void make_site(struct core_run *c, struct civil start)
{
    c->site.key = "bench";
    c->site.name = "bench";
    c->site.digest = "";
    add_stocks(c);
    add_tank(c, start);
    c->site.tank = &c->tank;
    c->site.tank_count = 1;
    c->site.chain_count = 1;
    c->site.chain[0] = (struct chain_config){ .key = "west",
        .device = "west",
        .supply = { .volts = 12.0, .amps = 9.0, .usable_share = 0.8 },
        .count = 1 };
    struct chain_module_config *m = &c->site.chain[0].module[0];
    (void)text_copy(m->serial, sizeof m->serial, "a1f3");
    m->position = 1;
    m->channels = 4;
    m->circulation = true;
    m->power = (struct supply_module){ .cable_ohm = 0.1,
        .min_volts = 9.0,
        .idle_amps = 0.05,
        .pump_amps = 0.3,
        .circulation_amps = 0.8 };
}

/* --- what it does ----------------------------------------------------------------------------- */

static int stock_of(const struct record *r)
{
    for (int i = 0; i < STOCKS; i++) {
        if (text_same(record_text_or_empty(r, "stock"), stock_key[i])) return i;
    }
    return -1;
}

/* "no-effect-tank-feed": somebody looks after it 36 h later. */
static void hear_alert(struct core_run *c, const struct record *r)
{
    static const char begin[] = "no-effect-tank-";
    const char *id = record_text_or_empty(r, "alert");
    bool on = false;
    if (!record_truth(r, "on", &on) || !on || strncmp(id, begin, sizeof begin - 1) != 0) return;
    for (int i = 0; i < STOCKS; i++) {
        if (text_same(id + sizeof begin - 1, stock_key[i])) score_alarm(c->score, c->water, i);
    }
    if (c->alert_count == ALERTS_MAX) return;
    (void)text_copy(c->alert[c->alert_count].id, ALERT_ID_MAX, id);
    c->alert[c->alert_count++].at_s = c->water->now_s;
}

static void hear(void *context, const struct record *r, struct now at)
{
    (void)at;
    struct core_run *c = context;
    if (!c->water) return;
    int64_t ul = 0;
    const int stock = stock_of(r);
    if (record_is(r, "alert")) hear_alert(c, r);
    if (stock < 0 || !record_int(r, "ul", &ul)) return;
    if (record_is(r, "dose")) {
        const double ml = (double)ul / 1000.0;
        score_dose(c->score, c->water, stock, ml * c->per_ml[stock], (double)INFINITY);
        c->given_ml[stock] += ml;
    }
    if (record_is(r, "outcome")) score_ended(c->score, c->water, stock);
}

static void ask(struct core_run *c, struct event_request request)
{
    (void)twin_ask(c->twin, &request);
}

static void look_after(struct core_run *c)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < c->alert_count; i++) {
        if (c->water->now_s >= c->alert[i].at_s + lock_s) {
            struct event_request request = { .kind = REQUEST_ACKNOWLEDGE };
            (void)text_copy(request.word, sizeof request.word, c->alert[i].id);
            ask(c, request);
        } else {
            c->alert[kept++] = c->alert[i];
        }
    }
    c->alert_count = kept;
}

static void step_setpoint(struct core_run *c)
{
    const struct reservoir_target *t = &c->truth.target;
    const double past_s = c->water->now_s - t->step_s;
    if (!(t->step_s > 0.0) || past_s < 0.0 || past_s >= minute_s) return;
    ask(c, (struct event_request){ .kind = REQUEST_OVERRIDE_FOR, .span_ms = 399 * DAY_MS });
    ask(c, (struct event_request){ .kind = REQUEST_SET_EC, .value = t->step_ec_us_cm });
}

static void trace(struct core_run *c)
{
    struct tank_view v;
    core_view_tank(twin_core(c->twin), 0, twin_now(c->twin), &v);
    const struct plant_sight mixed = reservoir_mixed(c->water);
    fprintf(c->run->trace, "%.0f,%.2f,%.2f,%.4f,%.2f,%.4f,%.5f,%.0f,%.3f",
        c->water->now_s / minute_s, reservoir_volume(c->water), mixed.ec_us_cm, mixed.ph,
        reservoir_shown_ec(c->water, mixed.ec_us_cm), reservoir_shown_ph(c->water, mixed.ph),
        reservoir_alkalinity(c->water), v.probe[PROBE_EC].value, v.probe[PROBE_PH].value);
    for (int i = 0; i < STOCKS; i++) {
        fprintf(c->run->trace, ",%.2f,%.5g", c->given_ml[i], c->given_ml[i] * c->per_ml[i]);
        c->given_ml[i] = 0.0;
    }
    fprintf(c->run->trace, ",%s,\"%s\"\n", tank_state_word(v.state), v.why);
}

static void live(struct core_run *c)
{
    enum { MINUTES_A_DAY = 1440 };
    for (int m = 0; m < c->run->days * MINUTES_A_DAY; m++) {
        twin_run(c->twin, MINUTE_MS);
        c->water = twin_water(c->twin, 0);
        score_minute(c->score, c->water);
        look_after(c);
        step_setpoint(c);
        if (c->run->trace) trace(c);
    }
}

static void core_run(const struct tank_run *run, struct score *ret)
{
    struct core_run *c = calloc(1, sizeof *c);
    if (!c) abort();
    c->run = run;
    c->score = ret;
    reservoir_draw(&c->truth, run->seed, run->faults);
    const struct reservoir_tells *tells = &c->truth.tells;
    const double volume_l = c->truth.tank.volume_l;
    c->per_ml[FEED] = tells->feed_us_cm_per_ml_l / volume_l;
    c->per_ml[ACID] = tells->acid_meq_ml / volume_l;
    c->per_ml[BASE] = tells->base_meq_ml / volume_l;
    const struct civil start = { INT64_C(1930000000000) / DAY_MS * DAY_MS };
    make_site(c, start);
    const struct twin_setup setup = { .site = &c->site,
        .truth = &c->truth,
        .seed = run->seed,
        .start = { { 1000000 }, start, CLOCK_SYNCED },
        .probe_every_ms = MINUTE_MS,
        .beat_ms = 30 * SECOND_MS,
        .ears = { .context = c, .record = hear } };
    void *block = malloc(twin_size(&c->site));
    if (!block) abort();
    score_begin(ret);
    c->twin = twin_init(block, &setup);
    c->water = twin_water(c->twin, 0);
    if (run->trace)
        fputs("minute,volume_l,ec,ph,shown_ec,shown_ph,alkalinity,seen_ec,seen_ph,feed_ml,feed,"
              "acid_ml,acid,base_ml,base,state,why\n",
            run->trace);
    live(c);
    score_end(ret, c->water);
    free(block);
    free(c);
}

const struct contender contender_core = {
    .name = "core",
    .what = "ours: the daemon's whole core, with a virtual chain head",
    .run = core_run,
};
