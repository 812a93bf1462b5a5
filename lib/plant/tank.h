/* A simulated reservoir: two mixing zones (D, where doses arrive, and R, the rest), five conserved
 * species in each, chemistry by charge balance, CO2 exchange, transpiration and uptake. What is
 * modelled and what isn't: docs/plant.md.
 *
 * Concentrations meq/L or mmol/L, EC uS/cm at 25 degC, volumes L, time s. */
#ifndef DOSEWRIGHT_PLANT_TANK_H
#define DOSEWRIGHT_PLANT_TANK_H

#include "lib/base/prng.h"
#include "lib/base/units.h"

struct plant_water {   /* a composition */
    double cations;    /* strong cations, meq/L */
    double alkalinity; /* meq/L; zero level H2CO3*, H2PO4-, NH4+ */
    double carbon;     /* dissolved inorganic carbon, mmol/L */
    double phosphate;  /* mmol/L */
    double ammonium;   /* mmol/L */
};

struct plant_tank_config {
    double volume_l;      /* nominal */
    double near_share;    /* zone D, 0.05 to 0.95 of the volume */
    double flow_l_min;    /* circulation; mixing time constant = mixing_factor * volume / flow */
    double mixing_factor; /* 0.3 to 1.0 */
    double degc;
    double co2_per_hour;        /* kLa, 0 to 5 */
    double co2_ppm;             /* partial pressure outside */
    double drink_share_per_day; /* transpiration, 0 to 0.2 of the volume */
    double uptake_meq_per_l;    /* cations taken per litre transpired */
    double alkali_meq_l_day;    /* what nitrate taken beyond cations leaves behind; either sign */
    bool float_valve;           /* source water restores the nominal volume */
    struct plant_water source;
};

struct plant_pure { /* private: equilibrium constants at a temperature */
    double degc;
    double k1, k2, p1, p2, p3, kn, kw, co2;
};

struct plant_tank {
    struct plant_tank_config config;
    double volume_l;
    struct plant_water near_water, far_water;
    double near_ph, far_ph; /* private: where to look for the pH */
    struct plant_pure pure;
};

/* Source water of an EC (uS/cm) and alkalinity (meq/L) in balance with air that holds co2_ppm. */
struct plant_water plant_source(
    double ec_us_cm, double alkalinity_meq_l, double degc, double co2_ppm);

/* Full of source water. */
void plant_tank_init(struct plant_tank *t, const struct plant_tank_config *config);

/* What a millilitre of a stock brings, in meq or mmol. */
struct plant_dose {
    double cations_meq, alkalinity_meq, carbon_mmol, phosphate_mmol, ammonium_mmol;
};

/* 'ml' of it arrive in zone D. Its own water isn't added to the volume. */
void plant_tank_dose(struct plant_tank *t, const struct plant_dose *per_ml, double ml);

/* Source water comes in (litres >= 0); or a share (0 to 1) of the tank is drained and refilled with
 * it. */
void plant_tank_add_source(struct plant_tank *t, double litres);
void plant_tank_change_water(struct plant_tank *t, double share);

/* 'seconds' (0 to 60 a call) pass; mixing only while water circulates; 'light' 0 to 2 scales
 * transpiration and uptake (1: as configured). Plants leave a twentieth of the nominal volume. */
void plant_tank_step(struct plant_tank *t, double seconds, bool circulating, double light);

/* What a probe would see, EC at 25 degC: in zone D (near) or R. */
double plant_ec_us_cm(const struct plant_tank *t, bool near);
double plant_ph(const struct plant_tank *t, bool near);

/* Both at once, at half the cost; and of the whole tank as if it were mixed. */
struct plant_sight {
    double ec_us_cm, ph;
};
struct plant_sight plant_look(const struct plant_tank *t, bool near);
struct plant_sight plant_look_mixed(const struct plant_tank *t);
struct plant_water plant_mixed(const struct plant_tank *t);

/* Of a composition; its EC with the pH that it has at 25 degC. */
double plant_water_ec_us_cm(const struct plant_water *w);
double plant_water_ph(const struct plant_water *w, double degc);

#endif
