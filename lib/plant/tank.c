#include "lib/plant/tank.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"

enum { SOLVE_STEPS_MAX = 60 };

static const double KELVIN = 273.15;
static const double DAY_S = 86400.0, HOUR_S = 3600.0;

/* Equilibrium constants at a temperature and ionic strength, conditional on activity of H+. */
struct constants {
    double k1, k2, kw, p1, p2, p3, kn, g1;
};

/* pK: H2CO3* Harned & Davis 1943; HCO3- Harned & Scholes 1941; water Harned & Owen; H3PO4 Bates
 * 1951; H2PO4- Bates & Acree 1943; NH4+ Bates & Pinching 1949; HPO4-- 12.35. Activities: Davies.
 * Ionic strength from EC: Griffin & Jurinak 1973, I = 0.013 EC in mS/cm. */
static struct constants constants_at(double degc, double ec_ms_cm)
{
    const double t = degc + KELVIN;
    const double root = sqrt(0.013 * (ec_ms_cm > 0.0 ? ec_ms_cm : 0.0));
    const double lg = -0.509 * (root / (1.0 + root) - 0.3 * root * root);
    const double g1 = real_pow10(lg), g2 = real_pow10(4.0 * lg), g3 = real_pow10(9.0 * lg);
    return (struct constants){
        .k1 = real_pow10(-(3404.71 / t + 0.032786 * t - 14.8435)) / g1,
        .k2 = real_pow10(-(2902.39 / t + 0.02379 * t - 6.4980)) * g1 / g2,
        .kw = real_pow10(-(4470.99 / t + 0.017060 * t - 6.0875)) / g1,
        .p1 = real_pow10(-(799.31 / t - 4.5535 + 0.013486 * t)) / g1,
        .p2 = real_pow10(-(1979.5 / t - 5.3541 + 0.01984 * t)) * g1 / g2,
        .p3 = real_pow10(-12.35) * g2 / g3,
        .kn = real_pow10(-(0.09018 + 2729.92 / t)) * g1,
        .g1 = g1,
    };
}

/* Alkalinity in meq/L that this composition has at an activity of H+. Falls as h rises. */
static double alkalinity_at(const struct plant_water *w, const struct constants *k, double h)
{
    const double nc = (k->k1 * h + 2.0 * k->k1 * k->k2) / (h * h + k->k1 * h + k->k1 * k->k2);
    const double a = k->p1 * h * h, b = k->p1 * k->p2 * h, c = k->p1 * k->p2 * k->p3;
    const double np = (b + 2.0 * c - h * h * h) / (h * h * h + a + b + c);
    return w->carbon * nc + w->phosphate * np + w->ammonium * k->kn / (k->kn + h) +
           1000.0 * k->kw / h - 1000.0 * h / k->g1;
}

/* pH by halving: sixty halvings of 14 units leave less than a double can tell. */
static double solve_ph(const struct plant_water *w, const struct constants *k)
{
    double low = 0.0, high = 14.0;
    for (int i = 0; i < SOLVE_STEPS_MAX; i++) {
        const double middle = 0.5 * (low + high);
        if (alkalinity_at(w, k, real_pow10(-middle)) < w->alkalinity)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high);
}

/* Kohlrausch form fitted to nutrient solutions (an assumption of this model): 20 meq/L give 1.9
 * mS/cm. */
double plant_water_ec_us_cm(const struct plant_water *w)
{
    const double n = w->cations > 0.0 ? w->cations : 0.0;
    const double bicarbonate = w->alkalinity > 0.0 ? w->alkalinity : 0.0;
    const double ec = n * (0.115 - 0.0045 * sqrt(n)) - 0.025 * bicarbonate;
    return 1000.0 * (ec > 0.0 ? ec : 0.0);
}

double plant_water_ph(const struct plant_water *w, double degc)
{
    const struct constants k = constants_at(degc, plant_water_ec_us_cm(w) / 1000.0);
    return solve_ph(w, &k);
}

/* mmol/L of CO2 in balance with air (Weiss 1974, mol/(L atm)). */
static double co2_balance(double degc, double ppm)
{
    const double t = degc + KELVIN;
    const double ln = -60.2409 + 9345.17 / t + 23.3585 * real_log(t / 100.0);
    return real_exp(ln) * ppm * 1e-6 * 1000.0;
}

/* The share of inorganic carbon that is CO2. */
static double co2_share(const struct plant_water *w, double degc)
{
    const struct constants k = constants_at(degc, plant_water_ec_us_cm(w) / 1000.0);
    const double h = real_pow10(-solve_ph(w, &k));
    return h * h / (h * h + k.k1 * h + k.k1 * k.k2);
}

struct plant_water plant_source(
    double ec_us_cm, double alkalinity_meq_l, double degc, double co2_ppm)
{
    struct plant_water w = { .alkalinity = alkalinity_meq_l, .carbon = alkalinity_meq_l };
    double low = 0.0, high = 100.0;
    for (int i = 0; i < SOLVE_STEPS_MAX; i++) {
        w.cations = 0.5 * (low + high);
        if (plant_water_ec_us_cm(&w) < ec_us_cm)
            low = w.cations;
        else
            high = w.cations;
    }
    const double balance = co2_balance(degc, co2_ppm);
    low = 0.5 * alkalinity_meq_l;
    high = alkalinity_meq_l + 5.0;
    for (int i = 0; i < SOLVE_STEPS_MAX; i++) {
        w.carbon = 0.5 * (low + high);
        if (w.carbon * co2_share(&w, degc) < balance)
            low = w.carbon;
        else
            high = w.carbon;
    }
    return w;
}

void plant_tank_init(struct plant_tank *t, const struct plant_tank_config *config)
{
    INVARIANT(config->volume_l > 0.0 && config->near_share > 0.0 && config->near_share < 1.0);
    *t = (struct plant_tank){ .config = *config,
        .volume_l = config->volume_l,
        .near_water = config->source,
        .far_water = config->source };
}

/* --- operators on compositions ---------------------------------------------------------------- */

static struct plant_water mix(
    const struct plant_water *a, const struct plant_water *b, double share_b)
{
    const double s = 1.0 - share_b;
    return (struct plant_water){ .cations = s * a->cations + share_b * b->cations,
        .alkalinity = s * a->alkalinity + share_b * b->alkalinity,
        .carbon = s * a->carbon + share_b * b->carbon,
        .phosphate = s * a->phosphate + share_b * b->phosphate,
        .ammonium = s * a->ammonium + share_b * b->ammonium };
}

static void scale(struct plant_water *w, double factor)
{
    w->cations *= factor;
    w->alkalinity *= factor;
    w->carbon *= factor;
    w->phosphate *= factor;
    w->ammonium *= factor;
}

void plant_tank_dose(struct plant_tank *t, const struct plant_dose *per_ml, double ml)
{
    const double per_l = ml / (t->config.near_share * t->volume_l);
    struct plant_water *w = &t->near_water;
    w->cations += per_ml->cations_meq * per_l;
    w->alkalinity += per_ml->alkalinity_meq * per_l;
    w->carbon += per_ml->carbon_mmol * per_l;
    w->phosphate += per_ml->phosphate_mmol * per_l;
    w->ammonium += per_ml->ammonium_mmol * per_l;
}

void plant_tank_add_source(struct plant_tank *t, double litres)
{
    const double share = litres / (t->volume_l + litres);
    t->near_water = mix(&t->near_water, &t->config.source, share);
    t->far_water = mix(&t->far_water, &t->config.source, share);
    t->volume_l += litres;
}

void plant_tank_change_water(struct plant_tank *t, double share)
{
    t->near_water = mix(&t->near_water, &t->config.source, share);
    t->far_water = mix(&t->far_water, &t->config.source, share);
}

/* --- time ------------------------------------------------------------------------------------- */

static void stir(struct plant_tank *t, double seconds)
{
    const double tau_s = t->config.volume_l / t->config.flow_l_min * 60.0 * t->config.mixing_factor;
    const double kept = real_exp(-seconds / tau_s);
    const struct plant_water mean = mix(&t->far_water, &t->near_water, t->config.near_share);
    t->near_water = mix(&mean, &t->near_water, kept);
    t->far_water = mix(&mean, &t->far_water, kept);
}

static void breathe(struct plant_water *w, const struct plant_tank_config *c, double seconds)
{
    if (!(c->co2_per_hour > 0.0)) return;
    const double surplus = w->carbon * co2_share(w, c->degc) - co2_balance(c->degc, c->co2_ppm);
    w->carbon -= c->co2_per_hour * seconds / HOUR_S * surplus;
    if (w->carbon < 0.0) w->carbon = 0.0;
}

/* Plants take water and, with it, cations; salts that stay are concentrated. */
static void drink(struct plant_tank *t, double seconds, double light)
{
    const double litres =
        t->config.drink_share_per_day * t->config.volume_l * light * seconds / DAY_S;
    if (!(litres > 0.0) || litres >= t->volume_l) return;
    const double factor = t->volume_l / (t->volume_l - litres);
    scale(&t->near_water, factor);
    scale(&t->far_water, factor);
    t->volume_l -= litres;
    const double taken = t->config.uptake_meq_per_l * litres / t->volume_l;
    t->near_water.cations -= taken < t->near_water.cations ? taken : t->near_water.cations;
    t->far_water.cations -= taken < t->far_water.cations ? taken : t->far_water.cations;
}

void plant_tank_step(struct plant_tank *t, double seconds, bool circulating, double light)
{
    INVARIANT(seconds >= 0.0 && seconds <= 60.0);
    if (circulating) stir(t, seconds);
    breathe(&t->near_water, &t->config, seconds);
    breathe(&t->far_water, &t->config, seconds);
    drink(t, seconds, light);
    const double missing = t->config.volume_l - t->volume_l;
    if (t->config.float_valve && missing > 0.0) plant_tank_add_source(t, missing);
}

double plant_ec_us_cm(const struct plant_tank *t, bool near)
{
    return plant_water_ec_us_cm(near ? &t->near_water : &t->far_water);
}

double plant_ph(const struct plant_tank *t, bool near)
{
    return plant_water_ph(near ? &t->near_water : &t->far_water, t->config.degc);
}
