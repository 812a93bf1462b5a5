#include "lib/sense/convert.h"

#include <math.h>

#define LN_10 2.302585092994046
#define GAS_J_MOL_K 8.31446261815324
#define FARADAY_C_MOL 96485.33212
#define ZERO_DEGC_K 273.15
#define PH_AT_ZERO 7.0

double convert_nernst_mv(double degc)
{
    return 1000.0 * LN_10 * GAS_J_MOL_K * (degc + ZERO_DEGC_K) / FARADAY_C_MOL;
}

static double ph_of_mv(const struct probe_config *config, double mv, double degc)
{
    const double mv_per_ph = config->slope_percent / 100.0 * convert_nernst_mv(degc);
    return PH_AT_ZERO - (mv - config->zero_mv) / mv_per_ph;
}

/* As measured, before temperature is looked at. */
static double us_cm_of(const struct probe_config *config, double number)
{
    if (config->unit == UNIT_MS_CM) return number * 1000.0;
    if (config->unit == UNIT_US) return number * config->cell_constant;
    return number;
}

static enum probe_verdict convert_ec(
    double *ret, const struct probe_config *config, double number, double degc)
{
    const double us_cm = us_cm_of(config, number);
    if (config->compensated) {
        *ret = us_cm;
        return PROBE_OK;
    }
    const bool known =
        tempco_to_25(ret, config->compensation, config->compensation_percent, degc, us_cm);
    return known ? PROBE_OK : PROBE_NEEDS_TEMPERATURE;
}

enum probe_verdict convert_number(
    double *ret, const struct probe_config *config, double number, double degc)
{
    double value = number;
    if (config->quantity == PROBE_EC) {
        const enum probe_verdict verdict = convert_ec(&value, config, number, degc);
        if (verdict != PROBE_OK) return verdict;
    } else if (config->unit == UNIT_MV) {
        if (!(degc > -ZERO_DEGC_K)) return PROBE_NEEDS_TEMPERATURE;
        value = ph_of_mv(config, number, degc);
    } else if (config->unit == UNIT_DEGF) {
        value = (number - 32.0) / 1.8;
    }
    if (!isfinite(value)) return PROBE_OUT_OF_RANGE;
    *ret = value;
    return PROBE_OK;
}
