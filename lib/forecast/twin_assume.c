/* What a forecast takes for granted where the configuration says nothing. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/forecast/twin.h"

static const double source_degc = 20.0, source_co2_ppm = 2000.0;
static const double flow_least_l_min = 0.1;

struct plant_dose twin_dose_of(const struct site_stock *stock)
{
    const struct stock_strength *s = &stock->strength;
    struct plant_dose dose = {
        .cations_meq = s->cations_meq_ml,
        .alkalinity_meq = -s->acid_meq_ml,
        .phosphate_mmol = s->phosphate_mmol_ml,
        .ammonium_mmol = s->ammonium_mmol_ml,
    };
    if (stock->solution.kind != STOCK_BASE) return dose;
    if (stock->solution.reagent == REAGENT_POTASSIUM_CARBONATE)
        dose.carbon_mmol = dose.alkalinity_meq / 2.0;
    if (stock->solution.reagent == REAGENT_POTASSIUM_BICARBONATE)
        dose.carbon_mmol = dose.alkalinity_meq;
    return dose;
}

static double draw(struct prng *p, double least, double most)
{
    return least + (most - least) * prng_unit(p);
}

static void assume_pumps(
    struct reservoir_truth *ret, const struct site *site, uint32_t i, struct prng *p)
{
    const struct site_tank *tank = &site->tank[i];
    const double flow_l_s = ret->tank.flow_l_min / 60.0;
    ret->pump_count = tank->pump_count;
    for (uint32_t n = 0; n < tank->pump_count; n++) {
        ret->pump[n] = (struct reservoir_pump_truth){
            .per_ml = twin_dose_of(&site->stock[tank->pump[n].stock]),
            .strength = 1.0,
            .error = draw(p, 0.97, 1.03),
            .wear = draw(p, 0.0, 0.03),
            .repeat = 0.01,
            .delay_s = tank->circulation.line_ml / 1000.0 / flow_l_s,
        };
    }
}

void twin_assume(struct reservoir_truth *ret, const struct site *site, uint32_t tank, uint64_t seed,
    double volume, int64_t starts_ms)
{
    INVARIANT(tank < site->tank_count && volume > 0.0);
    const struct site_tank *config = &site->tank[tank];
    struct prng p = prng_seed(seed ^ (UINT64_C(0x9e3779b97f4a7c15) * (tank + 1)));
    reservoir_typical(ret);
    ret->tank.volume_l = config->volume_l * volume;
    ret->tank.flow_l_min = config->circulation.flow_l_min > flow_least_l_min
                               ? config->circulation.flow_l_min
                               : flow_least_l_min;
    ret->tank.mixing_factor = draw(&p, 0.4, 0.9);
    ret->tank.source = plant_source(
        config->source_ec_us_cm, config->source_alkalinity_meq_l, source_degc, source_co2_ppm);
    ret->starts_s = (double)starts_ms / 1000.0;
    ret->probe[RESERVOIR_EC].drift_per_week = draw(&p, -0.002, 0.002);
    ret->probe[RESERVOIR_PH].drift_per_week = draw(&p, -0.01, 0.01);
    assume_pumps(ret, site, tank, &p);
    ret->tells.alkalinity_meq_l = config->source_alkalinity_meq_l;
    ret->tells.source_ec_us_cm = config->source_ec_us_cm;
    ret->target.ec_us_cm = config->schedule.stage[0].from.ec_us_cm;
    ret->target.ph = config->schedule.stage[0].from.ph;
}
