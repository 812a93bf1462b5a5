/* What the files of the reservoir share with each other, and with nobody else. */
#ifndef DOSEWRIGHT_PLANT_RESERVOIR_INSIDE_H
#define DOSEWRIGHT_PLANT_RESERVOIR_INSIDE_H

#include "lib/plant/reservoir.h"

/* sin(2 pi x): within 1e-12. */
double reservoir_wave(double x);

/* What the sun makes of transpiration and uptake at a time, and the water's temperature. */
double reservoir_light(const struct reservoir *r, double at_s);
double reservoir_degc_at(const struct reservoir *r, double at_s);

/* Doses whose time has come go into the tank; the next one after that (INFINITY: none). */
void reservoir_land(struct reservoir *r);
double reservoir_next_landing(const struct reservoir *r);

/* Refills and water changes: what is due begins; the next beginning or end (INFINITY: none); and
 * water comes in for so many seconds. */
void reservoir_begin_filling(struct reservoir *r);
double reservoir_next_filling(const struct reservoir *r);
void reservoir_fill(struct reservoir *r, double seconds);

#endif
