/* How alkalinity and pH of a nutrient solution hang together: the curve on which acid and base are
 * reckoned, as they add up in alkalinity and never in pH (R. A. Wright, C. Kravaris, "Nonlinear
 * control of pH processes using the strong acid equivalent", Industrial & Engineering Chemistry
 * Research 30, 1991). Carbonate and phosphate, at the ionic strength of a nutrient solution and
 * 25 degC; what the curve is wrong by, the learned gain makes up for. */
#ifndef DOSEWRIGHT_CONTROL_BUFFER_H
#define DOSEWRIGHT_CONTROL_BUFFER_H

struct buffer {
    double carbon;    /* dissolved inorganic carbon, mmol/L, >= 0 */
    double phosphate; /* mmol/L, >= 0 */
};

/* The same, taken apart: alkalinity = carbon * 'share' + 'rest'. */
struct buffer_parts {
    double share; /* of the carbon that is bicarbonate, 0 to 1; the rest of it is CO2 */
    double rest;  /* of phosphate and water itself, meq/L */
};
struct buffer_parts buffer_parts_at(double phosphate, double ph);

/* Alkalinity (meq/L) at a pH of 0 to 14, and its slope there (meq/L for each pH, > 0). */
double buffer_alkalinity(const struct buffer *b, double ph);
double buffer_slope(const struct buffer *b, double ph);

/* The pH at which the alkalinity is so much; 2 or 12 where that lies outside of them; sought from
 * 'guess'. */
double buffer_ph(const struct buffer *b, double alkalinity_meq_l, double guess);

#endif
