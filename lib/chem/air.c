#include "lib/chem/air.h"

#include <math.h>

#include "lib/base/real.h"

static const double LEAST_DEGC = -30.0, MOST_DEGC = 60.0;

double air_saturation_kpa(double degc)
{
    if (!(degc >= LEAST_DEGC && degc <= MOST_DEGC)) return (double)NAN;
    return 0.6108 * real_exp(17.27 * degc / (degc + 237.3));
}

double air_vpd_kpa(double degc, double humidity_percent)
{
    if (!(humidity_percent >= 0.0 && humidity_percent <= 100.0)) return (double)NAN;
    return air_saturation_kpa(degc) * (1.0 - humidity_percent / 100.0);
}
