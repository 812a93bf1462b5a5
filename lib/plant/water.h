/* The chemistry of simulated water: what pH and EC a composition has. Private to plant and its
 * tests. Sources of the constants: water.c; what is left out: docs/plant.md. */
#ifndef DOSEWRIGHT_PLANT_WATER_H
#define DOSEWRIGHT_PLANT_WATER_H

#include "lib/plant/tank.h"

/* Constants at a temperature and an ionic strength, with H+ as an activity: mol/L. */
struct water_constants {
    double k1, k2;     /* carbonic acid */
    double p1, p2, p3; /* phosphoric acid */
    double kn;         /* ammonium */
    double kw;
    double g1; /* activity coefficient of an ion with one charge */
};

/* What depends on the temperature alone (0 to 50 degC): constants in pure water, and mmol/L of CO2
 * in balance with air of one atmosphere of it. */
struct plant_pure water_pure(double degc);

/* 'cations' in meq/L stand for the ionic strength. */
struct water_constants water_constants_of(const struct plant_pure *pure, double cations);
struct water_constants water_constants_at(double degc, double cations);

/* Alkalinity (meq/L) that a composition would have at a pH, whatever its 'alkalinity' says; and how
 * much more it has for each unit of pH there (> 0). */
double water_alkalinity_at(const struct plant_water *w, const struct water_constants *k, double ph);
double water_buffer_at(const struct plant_water *w, const struct water_constants *k, double ph);

/* The pH (0 to 14) at which the charges balance, sought from 'guess'. */
double water_ph(const struct plant_water *w, const struct water_constants *k, double guess);

/* The share of its inorganic carbon that is CO2, and that is bicarbonate, at a pH. */
double water_co2_share(const struct water_constants *k, double ph);
double water_bicarbonate_share(const struct water_constants *k, double ph);

/* EC of a composition that is at that pH. */
double water_rough_ec_us_cm(
    const struct plant_water *w, const struct water_constants *k, double ph);

/* mmol/L of CO2 in balance with air. */
double water_co2_balance(double degc, double ppm);

#endif
