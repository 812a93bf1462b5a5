/* Tanks, tubes and bottles. A pump's stock goes into the line and reaches the tank when the water
 * in the line has flowed for as long as the way takes; without circulation it stays in the line. */
#include <math.h>
#include <stdlib.h>

#include "daemon/rig/rig.h"
#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/forecast/twin.h"

/* Assumptions of the rig about every tank; docs/rig.md lists them. */
static const double near_share = 0.3, mixing_factor = 0.6;
static const double water_degc = 21.0, co2_per_hour = 0.1, co2_ppm = 420.0;
static const double drink_share_per_day = 0.015, uptake_meq_per_l = 15.0;
static const double begins_s = 10.0 * 3600.0; /* in the morning, whenever the rig begins */

static const double parcel_ms = 100.0;
static const double step_most_s = 86400.0; /* one call of the reservoir */

/* --- opening ---------------------------------------------------------------------------------- */

static void make_tank(struct rig *rig, uint32_t i)
{
    const struct site_tank *config = &rig->site->tank[i];
    struct rig_tank *tank = &rig->tank[i];
    struct reservoir_truth truth;
    reservoir_typical(&truth);
    truth.tank.volume_l = config->volume_l;
    truth.tank.near_share = near_share;
    truth.tank.flow_l_min = config->circulation.flow_l_min;
    truth.tank.mixing_factor = mixing_factor;
    truth.tank.degc = water_degc;
    truth.tank.co2_per_hour = co2_per_hour;
    truth.tank.co2_ppm = co2_ppm;
    truth.tank.drink_share_per_day = drink_share_per_day;
    truth.tank.uptake_meq_per_l = uptake_meq_per_l;
    truth.tank.float_valve = false;
    truth.tank.source =
        plant_source(config->source_ec_us_cm, config->source_alkalinity_meq_l, water_degc, co2_ppm);
    truth.starts_s = begins_s;
    truth.refill_days = 0.0;
    reservoir_init(&tank->water, &truth, 1);
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const double error = rig->options->exact ? 1.0 : 0.95 + 0.1 * prng_unit(&rig->chance);
        tank->pump[p].ml_per_s = config->pump[p].ml_per_s * error;
        tank->pump[p].factor = 1.0;
        tank->pump[p].line_until_ms = -(double)INFINITY;
    }
}

bool rig_world_open(struct rig *rig)
{
    const struct site *site = rig->site;
    rig->tank = calloc(site->tank_count + 1, sizeof *rig->tank);
    rig->bottle = calloc(site->stock_count + 1, sizeof *rig->bottle);
    if (!rig->tank || !rig->bottle) return false;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        make_tank(rig, i);
    }
    for (uint32_t i = 0; i < site->stock_count; i++) {
        rig->bottle[i].stands = i;
        rig->bottle[i].left_ul = (double)site->stock[i].bottle_ul;
    }
    return true;
}

/* --- tubes ------------------------------------------------------------------------------------ */

static bool hangs_on(const struct rig *rig, const struct chain_address *address,
    const struct rig_chain *chain, uint32_t module)
{
    return &rig->chain[address->chain] == chain && address->position == module + 1;
}

/* Tubes stay with the module that the configuration has at that place. */
bool rig_tube_of(const struct rig *rig, const struct rig_chain *chain, uint32_t module,
    uint32_t channel, struct rig_tube *ret)
{
    for (uint32_t t = 0; t < rig->site->tank_count; t++) {
        const struct site_tank *tank = &rig->site->tank[t];
        *ret = (struct rig_tube){ t, TANK_PUMPS_MAX };
        if (channel == CHAIN_CIRCULATION_CHANNEL) {
            if (hangs_on(rig, &tank->circulation.address, chain, module)) return true;
            continue;
        }
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            const struct chain_address *address = &tank->pump[p].address;
            ret->pump = p;
            if (address->channel == channel && hangs_on(rig, address, chain, module)) return true;
        }
    }
    return false;
}

/* Which stock a pump really draws. */
static uint32_t drawn(const struct rig *rig, uint32_t tank, uint32_t pump)
{
    return rig->bottle[rig->site->tank[tank].pump[pump].stock].stands;
}

/* --- stock on its way ------------------------------------------------------------------------- */

/* How long water takes through the line. */
static double way_ms(const struct site_circulation *c)
{
    return c->line_ml / 1000.0 / c->flow_l_min * 60000.0;
}

static void send_on(struct rig_pump *pump, double ml, double due_ms, double bundle_ms)
{
    struct rig_parcel *last = pump->parcel_count ? &pump->parcel[pump->parcel_count - 1] : NULL;
    if (last && (due_ms - last->due_ms < bundle_ms || pump->parcel_count == RIG_PARCELS_MAX)) {
        last->ml += ml;
        return;
    }
    pump->parcel[pump->parcel_count++] = (struct rig_parcel){ ml, due_ms };
}

static void arrive(struct rig *rig, uint32_t t, uint32_t p)
{
    struct rig_tank *tank = &rig->tank[t];
    struct rig_pump *pump = &tank->pump[p];
    const struct site_stock *stock = &rig->site->stock[drawn(rig, t, p)];
    uint32_t gone = 0;
    while (gone < pump->parcel_count && pump->parcel[gone].due_ms <= tank->flow_ms) {
        const struct plant_dose dose = twin_dose_of(stock);
        plant_tank_dose(&tank->water.tank, &dose, pump->parcel[gone].ml);
        gone++;
    }
    if (gone == 0) return;
    pump->parcel_count -= gone;
    for (uint32_t i = 0; i < pump->parcel_count; i++) {
        pump->parcel[i] = pump->parcel[i + gone];
    }
}

/* Two that must not meet are in the line together: the ledger says so, once for each start. What is
 * poured now began to flow 'ms' ago. */
static void look_for_meetings(struct rig *rig, struct rig_tube tube, double ms)
{
    const struct site_tank *config = &rig->site->tank[tube.tank];
    struct rig_tank *tank = &rig->tank[tube.tank];
    struct rig_pump *pump = &tank->pump[tube.pump];
    const uint32_t stock = drawn(rig, tube.tank, tube.pump);
    const double since_ms = tank->flow_ms - (tank->circulates ? ms : 0.0);
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const uint32_t other = drawn(rig, tube.tank, p);
        if (p == tube.pump || (pump->met >> p & 1)) continue;
        if (!(tank->pump[p].line_until_ms > since_ms)) continue;
        if (!(rig->site->stock[stock].keep_apart >> other & 1)) continue;
        pump->met |= UINT32_C(1) << p;
        rig_tell_met(rig, tube.tank, stock, other);
    }
}

/* What comes out of the tube's end of what has left the bottle: air before it comes first. */
static double behind_air(struct rig_pump *pump, double ul)
{
    const double air_ul = ul < pump->air_ul ? ul : pump->air_ul;
    pump->air_ul -= air_ul;
    return ul - air_ul;
}

struct rig_moved rig_pour(
    struct rig *rig, struct rig_tube tube, int64_t by_command_ms, int64_t by_hand_ms)
{
    INVARIANT(tube.pump < TANK_PUMPS_MAX && by_command_ms >= 0 && by_hand_ms >= 0);
    struct rig_tank *tank = &rig->tank[tube.tank];
    struct rig_pump *pump = &tank->pump[tube.pump];
    struct rig_bottle *bottle = &rig->bottle[drawn(rig, tube.tank, tube.pump)];
    const double factor = pump->unplugged ? 0.0 : pump->factor;
    const double ul =
        (double)(by_command_ms + by_hand_ms) * pump->ml_per_s * factor; /* mL/s is uL/ms */
    const double there = bottle->empty ? 0.0 : bottle->left_ul;
    const double out = ul < there ? ul : there;
    const double arrived = behind_air(pump, out);
    pump->command_ms += by_command_ms;
    pump->hand_ms += by_hand_ms;
    pump->moved_ul += ul;
    pump->arrived_ul += arrived;
    bottle->left_ul -= out;
    if (pump->cup) {
        pump->cup_ul += arrived;
    } else if (arrived > 0.0) {
        const double way = way_ms(&rig->site->tank[tube.tank].circulation);
        look_for_meetings(rig, tube, (double)(by_command_ms + by_hand_ms));
        pump->line_until_ms = tank->flow_ms + way;
        send_on(
            pump, arrived / 1000.0, pump->line_until_ms, parcel_ms + way / (RIG_PARCELS_MAX / 2.0));
    }
    return (struct rig_moved){ ul, arrived };
}

/* --- time ------------------------------------------------------------------------------------- */

static void step_tank(struct rig *rig, uint32_t t, double seconds)
{
    struct rig_tank *tank = &rig->tank[t];
    if (tank->circulates) tank->flow_ms += seconds * 1000.0;
    for (uint32_t p = 0; p < rig->site->tank[t].pump_count; p++) {
        arrive(rig, t, p);
    }
    while (seconds > 0.0) { /* many rounds only after the machine slept */
        const double part = seconds < step_most_s ? seconds : step_most_s;
        reservoir_advance(&tank->water, part, tank->circulates);
        seconds -= part;
    }
}

void rig_world_step(struct rig *rig)
{
    const int64_t ms = mono_since(rig->now, rig->stepped_at);
    if (ms <= 0) return;
    rig->stepped_at = rig->now;
    for (uint32_t t = 0; t < rig->site->tank_count; t++) {
        step_tank(rig, t, (double)ms / 1000.0);
    }
}

void rig_world_start(struct rig *rig, struct rig_tube tube)
{
    struct rig_tank *tank = &rig->tank[tube.tank];
    if (tube.pump == TANK_PUMPS_MAX) {
        tank->circulates = !tank->unplugged;
        for (uint32_t p = 0; p < rig->site->tank[tube.tank].pump_count; p++) {
            if (tank->pump[p].cup) rig_tell_spray(rig, tube.tank);
        }
        return;
    }
    tank->pump[tube.pump].starts++;
    tank->pump[tube.pump].met = 0;
}

void rig_world_end(struct rig *rig, struct rig_tube tube)
{
    if (tube.pump == TANK_PUMPS_MAX) rig->tank[tube.tank].circulates = false;
}

void rig_world_unplug(struct rig *rig, struct rig_tube tube, bool on)
{
    rig->tank[tube.tank].unplugged = on;
    if (on) rig->tank[tube.tank].circulates = false; /* mended: with its next start */
}

bool rig_anything_runs(const struct rig *rig)
{
    for (uint32_t c = 0; c < rig->chain_count; c++) {
        if (head_next_end(&rig->chain[c].head) < INT64_MAX) return true;
    }
    return false;
}
