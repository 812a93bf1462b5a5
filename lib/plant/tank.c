#include "lib/plant/tank.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/chem/quick_exp.h"
#include "lib/plant/water.h"

static const double day_s = 86400.0, hour_s = 3600.0;

/* Assumptions of this model about plants: phosphate and, first of all, ammonium go with the
 * cations, each ammonium leaving a proton behind. */
static const double phosphate_per_meq = 0.06;
static const double ammonium_most_per_meq = 0.08, ammonium_share_per_day = 0.7;

static const double volume_left = 0.05; /* of the nominal: below it plants get nothing */

void plant_tank_init(struct plant_tank *t, const struct plant_tank_config *config)
{
    INVARIANT(config->volume_l > 0.0);
    INVARIANT(config->near_share >= 0.05 && config->near_share <= 0.95);
    *t = (struct plant_tank){
        .config = *config,
        .volume_l = config->volume_l,
        .near_water = config->source,
        .far_water = config->source,
        .near_ph = 7.0,
        .far_ph = 7.0,
        .pure = water_pure(config->degc),
    };
}

/* --- what goes in ----------------------------------------------------------------------------- */

/* (1 - share) of 'a' and 'share' of 'b'. */
static struct plant_water blend(
    const struct plant_water *a, const struct plant_water *b, double share)
{
    const double rest = 1.0 - share;
    return (struct plant_water){
        .cations = rest * a->cations + share * b->cations,
        .alkalinity = rest * a->alkalinity + share * b->alkalinity,
        .carbon = rest * a->carbon + share * b->carbon,
        .phosphate = rest * a->phosphate + share * b->phosphate,
        .ammonium = rest * a->ammonium + share * b->ammonium,
    };
}

void plant_tank_dose(struct plant_tank *t, const struct plant_dose *per_ml, double ml)
{
    INVARIANT(ml >= 0.0);
    const double per_l = ml / (t->config.near_share * t->volume_l);
    struct plant_water *w = &t->near_water;
    w->cations += per_ml->cations_meq * per_l;
    w->alkalinity += per_ml->alkalinity_meq * per_l;
    w->carbon += per_ml->carbon_mmol * per_l;
    w->phosphate += per_ml->phosphate_mmol * per_l;
    w->ammonium += per_ml->ammonium_mmol * per_l;
}

/* The volume stays: a share of each zone is now source water. */
static void replace_share(struct plant_tank *t, double share)
{
    t->near_water = blend(&t->near_water, &t->config.source, share);
    t->far_water = blend(&t->far_water, &t->config.source, share);
}

void plant_tank_add_source(struct plant_tank *t, double litres)
{
    INVARIANT(litres >= 0.0);
    replace_share(t, litres / (t->volume_l + litres));
    t->volume_l += litres;
}

void plant_tank_change_water(struct plant_tank *t, double share)
{
    INVARIANT(share >= 0.0 && share <= 1.0);
    replace_share(t, share);
}

/* --- what time does --------------------------------------------------------------------------- */

/* The difference between the zones decays; what both hold together stays. */
static void mix(struct plant_tank *t, double seconds)
{
    const struct plant_tank_config *c = &t->config;
    if (!(c->flow_l_min > 0.0)) return;
    const double tau_s = c->mixing_factor * c->volume_l / c->flow_l_min * 60.0;
    const double mixed = tau_s > 0.0 ? 1.0 - quick_exp(-seconds / tau_s) : 1.0;
    const struct plant_water mean = plant_mixed(t);
    t->near_water = blend(&t->near_water, &mean, mixed);
    t->far_water = blend(&t->far_water, &mean, mixed);
}

/* CO2 comes and goes towards balance with the air; within one step its share is taken as fixed. */
static void breathe(const struct plant_tank *t, struct plant_water *w, double *ph, double seconds)
{
    const struct plant_tank_config *c = &t->config;
    if (!(c->co2_per_hour > 0.0)) return;
    const struct water_constants k = water_constants_of(&t->pure, w->cations);
    *ph = water_ph(w, &k, *ph);
    const double tiny = 1e-12; /* at pH 12 there is next to no CO2 */
    const double share = water_co2_share(&k, *ph) + tiny;
    const double in_balance = t->pure.co2 * c->co2_ppm * 1e-6 / share;
    const double kept = quick_exp(-c->co2_per_hour * share * seconds / hour_s);
    w->carbon = in_balance + (w->carbon - in_balance) * kept;
}

/* Salts stay behind when water leaves. */
static void concentrate(struct plant_water *w, double factor)
{
    w->cations *= factor;
    w->alkalinity *= factor;
    w->carbon *= factor;
    w->phosphate *= factor;
    w->ammonium *= factor;
}

static double at_most(double a, double b)
{
    return a < b ? a : b;
}

/* 'meq_l' of cations are taken out of a zone, and what goes with them. */
static void feed_plants(struct plant_water *w, double meq_l, double days)
{
    const double cations = at_most(meq_l, w->cations);
    const double ammonium =
        at_most(ammonium_most_per_meq * cations, ammonium_share_per_day * days * w->ammonium);
    w->cations -= cations;
    w->phosphate -= at_most(phosphate_per_meq * cations, w->phosphate);
    w->ammonium -= ammonium;
    w->alkalinity -= ammonium;
}

/* As long as there is any: strong anions are what cations leave beyond the alkalinity. */
static void take_nitrate(struct plant_water *w, double meq_l)
{
    if (w->cations > w->alkalinity) w->alkalinity += meq_l;
}

static void grow(struct plant_tank *t, double seconds, double light)
{
    const struct plant_tank_config *c = &t->config;
    const double days = seconds / day_s;
    const double wanted = c->drink_share_per_day * c->volume_l * light * days;
    const double there = t->volume_l - volume_left * c->volume_l;
    const double litres = there > 0.0 ? at_most(wanted, there) : 0.0;
    if (!(litres > 0.0)) return;
    const double before_l = t->volume_l;
    t->volume_l -= litres;
    concentrate(&t->near_water, before_l / t->volume_l);
    concentrate(&t->far_water, before_l / t->volume_l);
    take_nitrate(&t->near_water, c->alkali_meq_l_day * light * days);
    take_nitrate(&t->far_water, c->alkali_meq_l_day * light * days);
    const double meq_l = c->uptake_meq_per_l * litres / t->volume_l;
    if (!(meq_l > 0.0)) return;
    feed_plants(&t->near_water, meq_l, light * days);
    feed_plants(&t->far_water, meq_l, light * days);
}

void plant_tank_step(struct plant_tank *t, double seconds, bool circulating, double light)
{
    INVARIANT(seconds >= 0.0 && seconds <= 60.0);
    INVARIANT(light >= 0.0 && light <= 2.0);
    const struct plant_tank_config *c = &t->config;
    if (fabs(c->degc - t->pure.degc) > 0.0) t->pure = water_pure(c->degc);
    if (circulating) mix(t, seconds);
    grow(t, seconds, light);
    const double missing_l = c->volume_l - t->volume_l;
    if (c->float_valve && missing_l > 0.0) plant_tank_add_source(t, missing_l);
    breathe(t, &t->near_water, &t->near_ph, seconds);
    breathe(t, &t->far_water, &t->far_ph, seconds);
    INVARIANT(t->volume_l > 0.0);
}

/* --- what probes see -------------------------------------------------------------------------- */

static struct plant_sight look_at(
    const struct plant_tank *t, const struct plant_water *w, double ph)
{
    const struct water_constants k = water_constants_of(&t->pure, w->cations);
    const double found = water_ph(w, &k, ph);
    return (struct plant_sight){ water_rough_ec_us_cm(w, &k, found), found };
}

struct plant_sight plant_look(const struct plant_tank *t, bool near)
{
    return near ? look_at(t, &t->near_water, t->near_ph) : look_at(t, &t->far_water, t->far_ph);
}

double plant_ec_us_cm(const struct plant_tank *t, bool near)
{
    return plant_look(t, near).ec_us_cm;
}

double plant_ph(const struct plant_tank *t, bool near)
{
    return plant_look(t, near).ph;
}

struct plant_water plant_mixed(const struct plant_tank *t)
{
    return blend(&t->far_water, &t->near_water, t->config.near_share);
}

struct plant_sight plant_look_mixed(const struct plant_tank *t)
{
    const struct plant_water w = plant_mixed(t);
    return look_at(t, &w, t->far_ph);
}
