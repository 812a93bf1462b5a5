/* From the number that a probe sent, in its own unit, to the unit used inside. Private to sense. */
#ifndef DOSEWRIGHT_SENSE_CONVERT_H
#define DOSEWRIGHT_SENSE_CONVERT_H

#include "lib/sense/probe.h"

/* What an ideal glass electrode gives for one pH, mV: ln 10 * R * T / F. 59.16 at 25 degC. R and F
 * are CODATA's exact values (R = 8.31446261815324 J/mol/K, F = 96485.33212 C/mol, 2018). */
double convert_nernst_mv(double degc);

/* Temperature from 'degc' (NaN: unknown). PROBE_OK, PROBE_NEEDS_TEMPERATURE, or PROBE_OUT_OF_RANGE
 * when the calibration makes no finite number of it.
 *
 * pH from mV: a glass electrode gives more millivolts in acid, fewer in alkali, and zero_mv at
 * pH 7:
 *
 *     pH = 7 - (mV - zero_mv) / (slope_percent / 100 * convert_nernst_mv(degc))
 *
 * EC is brought to 25 degC by the configuration's curve (lib/chem/tempco.h); a temperature outside
 * that curve's range is as good as none. */
enum probe_verdict convert_number(
    double *ret, const struct probe_config *config, double number, double degc);

#endif
