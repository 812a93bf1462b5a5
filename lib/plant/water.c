#include "lib/plant/water.h"

#include <math.h>

#include "lib/base/real.h"
#include "lib/chem/quick_exp.h"

enum { PH_STEPS_MAX = 80 };

static const double kelvin = 273.15, ln_10 = 2.30258509299404568402;
static const double ph_least = 0.0, ph_most = 14.0;
static const double ph_step_most = 0.6;
static const double ph_close = 3e-5; /* a step so small leaves an error of less than 1e-8 */
static const double milli = 1000.0;  /* mol to mmol */

static double quick_pow10(double x)
{
    return quick_exp(ln_10 * x);
}

/* mS/cm of the ions that balance 'n' meq/L of cations: Kohlrausch's square root, fitted so that 20
 * meq/L give 1.9 mS/cm and the slope falls from 0.10 at 4 to 0.085 at 20: an assumption of this
 * model. Above 200 meq/L the curve would bend down: it goes on straight. */
static double salts_ms_cm(double n)
{
    const double most = 200.0;
    const double at = n < 0.0 ? 0.0 : n < most ? n : most;
    const double curve = at * (0.115 - 0.0045 * sqrt(at));
    return n > most ? curve + (n - most) * (0.115 - 0.00675 * sqrt(most)) : curve;
}

/* pK as functions of kelvin: carbonic acid, Harned and Davis 1943; bicarbonate, Harned and Scholes
 * 1941; water, Harned and Owen, "The Physical Chemistry of Electrolytic Solutions"; phosphoric
 * acid, Bates 1951; H2PO4-, Bates and Acree 1943; HPO4-- 12.35 at any temperature; ammonium, Bates
 * and Pinching 1949. The formulas are from memory and agree with published values at 25 degC
 * (tests/reference/equilibrium_test.c).
 *
 * Activities: Davies, log g = -0.509 z^2 (root I / (1 + root I) - 0.3 I). Ionic strength: 0.013
 * mol/L for each mS/cm (Griffin and Jurinak 1973, from memory). */
struct plant_pure water_pure(double degc)
{
    const double t = degc + kelvin;
    return (struct plant_pure){
        .degc = degc,
        .k1 = quick_pow10(-(3404.71 / t + 0.032786 * t - 14.8435)),
        .k2 = quick_pow10(-(2902.39 / t + 0.02379 * t - 6.4980)),
        .p1 = quick_pow10(-(799.31 / t - 4.5535 + 0.013486 * t)),
        .p2 = quick_pow10(-(1979.5 / t - 5.3541 + 0.01984 * t)),
        .p3 = quick_pow10(-12.35),
        .kn = quick_pow10(-(0.09018 + 2729.92 / t)),
        .kw = quick_pow10(-(4470.99 / t + 0.017060 * t - 6.0875)),
        .co2 = water_co2_balance(degc, 1e6),
    };
}

struct water_constants water_constants_of(const struct plant_pure *pure, double cations)
{
    const double strength = 0.013 * salts_ms_cm(cations), root = sqrt(strength);
    const double g1 = quick_pow10(-0.509 * (root / (1.0 + root) - 0.3 * strength));
    const double cube = g1 * g1 * g1; /* ions of two and three charges have g1^4 and g1^9 */
    return (struct water_constants){
        .k1 = pure->k1 / g1,
        .k2 = pure->k2 / cube,
        .p1 = pure->p1 / g1,
        .p2 = pure->p2 / cube,
        .p3 = pure->p3 / (cube * g1 * g1),
        .kn = pure->kn * g1,
        .kw = pure->kw / g1,
        .g1 = g1,
    };
}

struct water_constants water_constants_at(double degc, double cations)
{
    const struct plant_pure pure = water_pure(degc);
    return water_constants_of(&pure, cations);
}

/* --- species ---------------------------------------------------------------------------------- */

/* An acid's mean charge, counted from the form at alkalinity's zero level, and its variance. */
struct charge {
    double mean, variance;
};

static struct charge carbon_charge(const struct water_constants *k, double h)
{
    const double one = k->k1 * h, two = k->k1 * k->k2, sum = h * h + one + two;
    const double mean = (one + 2.0 * two) / sum;
    return (struct charge){ mean, (one + 4.0 * two) / sum - mean * mean };
}

static struct charge phosphate_charge(const struct water_constants *k, double h)
{
    const double acid = h * h * h, zero = k->p1 * h * h; /* H3PO4 is at -1, H2PO4- at 0 */
    const double one = k->p1 * k->p2 * h, two = k->p1 * k->p2 * k->p3;
    const double sum = acid + zero + one + two, mean = (one + 2.0 * two - acid) / sum;
    return (struct charge){ mean, (acid + one + 4.0 * two) / sum - mean * mean };
}

struct balance {
    double alkalinity, buffer;
};

static struct balance balance_at(
    const struct plant_water *w, const struct water_constants *k, double ph)
{
    const double h = quick_pow10(-ph), free = k->kn / (k->kn + h);
    const struct charge carbon = carbon_charge(k, h), phosphate = phosphate_charge(k, h);
    const double hydroxide = milli * k->kw / h, proton = milli * h / k->g1;
    return (struct balance){
        .alkalinity = w->carbon * carbon.mean + w->phosphate * phosphate.mean + w->ammonium * free +
                      hydroxide - proton,
        .buffer = ln_10 * (w->carbon * carbon.variance + w->phosphate * phosphate.variance +
                              w->ammonium * free * (1.0 - free) + hydroxide + proton),
    };
}

double water_alkalinity_at(const struct plant_water *w, const struct water_constants *k, double ph)
{
    return balance_at(w, k, ph).alkalinity;
}

double water_buffer_at(const struct plant_water *w, const struct water_constants *k, double ph)
{
    return balance_at(w, k, ph).buffer;
}

double water_co2_share(const struct water_constants *k, double ph)
{
    const double h = quick_pow10(-ph);
    return h * h / (h * h + k->k1 * h + k->k1 * k->k2);
}

double water_bicarbonate_share(const struct water_constants *k, double ph)
{
    const double h = quick_pow10(-ph);
    return k->k1 * h / (h * h + k->k1 * h + k->k1 * k->k2);
}

/* --- pH --------------------------------------------------------------------------------------- */

/* Newton's steps, cut to what a curve this bent allows, inside a bracket that only shrinks. Near
 * the end each step leaves the square of the last one's error. */
double water_ph(const struct plant_water *w, const struct water_constants *k, double guess)
{
    double low = ph_least, high = ph_most;
    double ph = guess > low && guess < high ? guess : 7.0;
    for (int i = 0; i < PH_STEPS_MAX; i++) {
        const struct balance b = balance_at(w, k, ph);
        const double missing = w->alkalinity - b.alkalinity;
        if (missing > 0.0)
            low = ph;
        else
            high = ph;
        double step = missing / b.buffer;
        if (step > ph_step_most) step = ph_step_most;
        if (step < -ph_step_most) step = -ph_step_most;
        double next = ph + step;
        if (!(next > low && next < high)) next = 0.5 * (low + high);
        if (fabs(next - ph) < ph_close) return next;
        ph = next;
    }
    return ph;
}

double plant_water_ph(const struct plant_water *w, double degc)
{
    const struct water_constants k = water_constants_at(degc, w->cations);
    return water_ph(w, &k, 7.0);
}

/* --- conductivity ----------------------------------------------------------------------------- */

/* Bicarbonate carries less than the nitrate that the curve was fitted for. */
double water_rough_ec_us_cm(const struct plant_water *w, const struct water_constants *k, double ph)
{
    const double bicarbonate = w->carbon * water_bicarbonate_share(k, ph);
    const double ms_cm = salts_ms_cm(w->cations) - 0.025 * bicarbonate;
    return ms_cm > 0.0 ? 1000.0 * ms_cm : 0.0;
}

double plant_water_ec_us_cm(const struct plant_water *w)
{
    const struct water_constants k = water_constants_at(25.0, w->cations);
    return water_rough_ec_us_cm(w, &k, water_ph(w, &k, 7.0));
}

/* --- air -------------------------------------------------------------------------------------- */

/* Solubility of CO2 in fresh water, mol/(L atm): R. F. Weiss, Marine Chemistry 2, 1974. */
double water_co2_balance(double degc, double ppm)
{
    const double t = degc + kelvin;
    const double ln = -60.2409 + 9345.17 / t + 23.3585 * real_log(t / 100.0);
    return quick_exp(ln) * ppm * 1e-6 * milli;
}

/* The carbon at which its CO2 share is in balance, for given other contents. */
static double balanced_carbon(struct plant_water w, double degc, double co2)
{
    enum { HALVINGS = 100 };
    const struct water_constants k = water_constants_at(degc, w.cations);
    /* every negative charge of carbon stands for alkalinity: there is no more carbon than this */
    double low = 0.0, high = 2.0 * fabs(w.alkalinity) + co2 + 1.0, ph = 8.0;
    for (int i = 0; i < HALVINGS; i++) {
        w.carbon = 0.5 * (low + high);
        ph = water_ph(&w, &k, ph);
        if (w.carbon * water_co2_share(&k, ph) < co2)
            low = w.carbon;
        else
            high = w.carbon;
    }
    return 0.5 * (low + high);
}

/* The cations that give an EC, all else being as in 'w'. */
static double matching_cations(struct plant_water w, double ec_us_cm, double degc)
{
    enum { HALVINGS = 60 };
    double low = 0.0, high = 1000.0;
    for (int i = 0; i < HALVINGS; i++) {
        w.cations = 0.5 * (low + high);
        const struct water_constants k = water_constants_at(degc, w.cations);
        if (water_rough_ec_us_cm(&w, &k, water_ph(&w, &k, 8.0)) < ec_us_cm)
            low = w.cations;
        else
            high = w.cations;
    }
    return 0.5 * (low + high);
}

struct plant_water plant_source(
    double ec_us_cm, double alkalinity_meq_l, double degc, double co2_ppm)
{
    enum { ROUNDS = 4 }; /* each of the two barely moves the other */
    const double co2 = water_co2_balance(degc, co2_ppm);
    struct plant_water w = { .alkalinity = alkalinity_meq_l, .carbon = fabs(alkalinity_meq_l) };
    for (int i = 0; i < ROUNDS; i++) {
        w.cations = matching_cations(w, ec_us_cm, degc);
        w.carbon = balanced_carbon(w, degc, co2);
    }
    return w;
}
