/* Tanks, bottles and probes of the twin. */
#include <math.h>
#include <string.h>

#include "lib/base/invariant.h"
#include "lib/chem/tempco.h"
#include "lib/forecast/twin_inside.h"
#include "lib/sense/convert.h"

/* What is assumed of the air around; nothing is decided by it. */
static const double air_degc = 22.0, humidity_percent = 60.0, light_lx = 12000.0;
static const double enclosure_degc = 28.0;
static const double degc_noise = 0.06, degc_grain = 0.1;

void twin_waters_init(struct twin *t, const struct twin_setup *setup)
{
    const struct site *site = t->site;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        struct twin_tank *tank = &t->tank[i];
        memset(tank, 0, sizeof *tank);
        INVARIANT(setup->truth[i].pump_count == site->tank[i].pump_count);
        reservoir_init(&tank->water, &setup->truth[i], prng_next(&t->chance));
        tank->at = t->now.mono;
    }
    for (uint32_t s = 0; s < site->stock_count; s++) {
        t->bottle[s].left_ml = (double)site->stock[s].bottle_ul / 1000.0;
        t->bottle[s].endless = site->stock[s].bottle_ul <= 0;
    }
}

/* --- time ------------------------------------------------------------------------------------- */

void twin_catch_up(struct twin *t, uint32_t i)
{
    struct twin_tank *tank = &t->tank[i];
    int64_t left_ms = mono_since(t->now.mono, tank->at);
    tank->at = t->now.mono;
    while (left_ms > 0) {
        const int64_t part_ms = left_ms < DAY_MS ? left_ms : DAY_MS;
        reservoir_advance(&tank->water, (double)part_ms / 1000.0, tank->flows);
        left_ms -= part_ms;
    }
}

struct reservoir *twin_water(struct twin *t, uint32_t tank)
{
    INVARIANT(tank < t->site->tank_count);
    twin_catch_up(t, tank);
    return &t->tank[tank].water;
}

/* --- bottles ---------------------------------------------------------------------------------- */

static void empty(struct twin *t, uint32_t stock)
{
    struct twin_bottle *b = &t->bottle[stock];
    b->left_ml = 0.0;
    if (b->empty) return;
    b->empty = true;
    if (t->ears.emptied) t->ears.emptied(t->ears.context, stock, t->now);
    if (!t->refills) return;
    b->refill_waits = true;
    b->refill_at = mono_after(t->now.mono, t->refill_after_ms);
}

static void refill(struct twin *t, uint32_t stock)
{
    const int64_t ul = t->site->stock[stock].bottle_ul;
    twin_set_bottle(t, stock, (double)ul / 1000.0);
    struct event_request request;
    memset(&request, 0, sizeof request);
    request.kind = REQUEST_REFILLED;
    request.stock = stock;
    request.ul = ul;
    (void)twin_ask(t, &request);
    if (t->ears.refilled) t->ears.refilled(t->ears.context, stock, t->now);
}

void twin_refill(struct twin *t)
{
    for (uint32_t s = 0; s < t->site->stock_count; s++) {
        const struct twin_bottle *b = &t->bottle[s];
        if (b->refill_waits && mono_since(b->refill_at, t->now.mono) <= 0) refill(t, s);
    }
}

struct mono twin_refill_due(const struct twin *t)
{
    struct mono due = { INT64_MAX };
    for (uint32_t s = 0; s < t->site->stock_count; s++) {
        const struct twin_bottle *b = &t->bottle[s];
        if (b->refill_waits && mono_since(b->refill_at, due) < 0) due = b->refill_at;
    }
    return due;
}

double twin_bottle_ml(const struct twin *t, uint32_t stock)
{
    return t->bottle[stock].endless ? (double)INFINITY : t->bottle[stock].left_ml;
}

void twin_set_bottle(struct twin *t, uint32_t stock, double ml)
{
    INVARIANT(stock < t->site->stock_count && ml >= 0.0);
    struct twin_bottle *b = &t->bottle[stock];
    b->left_ml = ml;
    b->endless = false;
    b->empty = !(ml > 0.0);
    b->refill_waits = false;
}

/* --- pumps ------------------------------------------------------------------------------------ */

/* So much was commanded, and has just been pumped. The bottle gives what it has. */
static void pour(struct twin *t, uint32_t i, uint32_t p, double ml)
{
    struct twin_tank *tank = &t->tank[i];
    const uint32_t stock = t->site->tank[i].pump[p].stock;
    struct twin_bottle *b = &t->bottle[stock];
    const double before_ml = tank->water.given_ml[p];
    const double left_ml = b->left_ml / tank->water.truth.pump[p].error;
    const double there_ml = b->endless || ml < left_ml ? ml : left_ml;
    tank->given[p].commanded_ml += ml;
    tank->given[p].doses++;
    if (there_ml > 0.0) reservoir_pump(&tank->water, p, there_ml, tank->water.now_s);
    tank->given[p].delivered_ml = tank->water.given_ml[p];
    if (b->endless) return;
    b->left_ml -= tank->water.given_ml[p] - before_ml;
    if (there_ml < ml || !(b->left_ml > 0.0)) empty(t, stock);
}

static void look_at_pumps(struct twin *t, uint32_t i, uint32_t chain)
{
    struct twin_tank *tank = &t->tank[i];
    const struct site_tank *config = &t->site->tank[i];
    for (uint32_t p = 0; p < config->pump_count; p++) {
        const struct chain_address *a = &config->pump[p].address;
        if (a->chain != chain) continue;
        const struct head_run *run = &t->head[chain].module[a->position - 1].output[a->channel];
        if (run->running || run->total_ms == tank->poured_ms[p]) continue;
        const int64_t ms = run->total_ms - tank->poured_ms[p];
        tank->poured_ms[p] = run->total_ms;
        pour(t, i, p, (double)ms / 1000.0 * config->pump[p].ml_per_s);
    }
}

void twin_runs_changed(struct twin *t, uint32_t chain)
{
    for (uint32_t i = 0; i < t->site->tank_count; i++) {
        const struct chain_address *a = &t->site->tank[i].circulation.address;
        if (a->chain != chain) continue;
        twin_catch_up(t, i);
        look_at_pumps(t, i, chain);
        t->tank[i].flows = head_runs(&t->head[chain], a->position - 1, CHAIN_CIRCULATION_CHANNEL);
    }
}

struct twin_given twin_given(const struct twin *t, uint32_t tank, uint32_t pump)
{
    INVARIANT(tank < t->site->tank_count && pump < TANK_PUMPS_MAX);
    return t->tank[tank].given[pump];
}

/* --- probes ----------------------------------------------------------------------------------- */

void twin_silence(struct twin *t, uint32_t tank, enum probe_quantity quantity, bool silent)
{
    INVARIANT(tank < t->site->tank_count);
    t->tank[tank].silent[quantity] = silent;
}

static double value_of(
    struct twin *t, uint32_t i, enum probe_quantity quantity, const struct reservoir_look *look)
{
    const struct twin_tank *tank = &t->tank[i];
    const double full_l = tank->water.truth.tank.volume_l;
    switch (quantity) {
    case PROBE_EC:
        return look->ec_us_cm;
    case PROBE_PH:
        return look->ph;
    case PROBE_TEMPERATURE:
        return degc_grain *
               floor((look->degc + degc_noise * prng_normal(&t->chance)) / degc_grain + 0.5);
    case PROBE_LEVEL:
        return 100.0 * reservoir_volume(&tank->water) / full_l;
    case PROBE_VOLUME:
        return reservoir_volume(&tank->water);
    case PROBE_FLOW:
        return tank->flows ? tank->water.truth.tank.flow_l_min : 0.0;
    case PROBE_LEAK:
        return t->site->tank[i].probe[PROBE_LEAK].safe ? 1.0 : 0.0;
    case PROBE_AIR_TEMPERATURE:
        return air_degc;
    case PROBE_HUMIDITY:
        return humidity_percent;
    case PROBE_LIGHT:
        return light_lx;
    case PROBE_ENCLOSURE:
        return enclosure_degc;
    case PROBE_QUANTITY_COUNT:
        break;
    }
    return 0.0;
}

/* What the probe sends, in its own unit. */
static double in_unit(const struct probe_config *config, double value, double degc)
{
    double ratio = 1.0;
    if (config->quantity == PROBE_EC && !config->compensated &&
        !tempco_ratio(&ratio, config->compensation, config->compensation_percent, degc))
        ratio = 1.0;
    switch (config->unit) {
    case UNIT_MV:
        return config->zero_mv -
               (value - 7.0) * config->slope_percent / 100.0 * convert_nernst_mv(degc);
    case UNIT_MS_CM:
        return value * ratio / 1000.0;
    case UNIT_US:
        return value * ratio / config->cell_constant;
    case UNIT_DEGF:
        return value * 1.8 + 32.0;
    case UNIT_US_CM:
        return value * ratio;
    case UNIT_PH:
    case UNIT_DEGC:
    case UNIT_L:
    case UNIT_L_MIN:
    case UNIT_PERCENT:
    case UNIT_MM:
    case UNIT_KPA:
    case UNIT_LX:
    case UNIT_BOOL:
    case UNIT_COUNT:
        break;
    }
    return value;
}

static void tell_reading(
    struct twin *t, uint32_t i, enum probe_quantity quantity, const struct reservoir_look *look)
{
    const struct probe_config *config = &t->site->tank[i].probe[quantity];
    if (!config->present || t->tank[i].silent[quantity]) return;
    struct event e = { .kind = EVENT_READING };
    e.reading = (struct event_reading){ .tank = i, .quantity = quantity };
    e.reading.number = in_unit(config, value_of(t, i, quantity, look), look->degc);
    twin_tell(t, &e);
}

/* Temperature first: the others may need it. */
void twin_probes(struct twin *t)
{
    for (uint32_t i = 0; i < t->site->tank_count; i++) {
        twin_catch_up(t, i);
        const struct reservoir_look look = reservoir_read(&t->tank[i].water);
        tell_reading(t, i, PROBE_TEMPERATURE, &look);
        for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
            if (q != PROBE_TEMPERATURE) tell_reading(t, i, (enum probe_quantity)q, &look);
        }
    }
}
