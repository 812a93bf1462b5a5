/* The air at the crop: how thirsty it is.
 *
 * Saturation vapour pressure over water by Tetens' formula, as R. G. Allen and others, "Crop
 * evapotranspiration", FAO Irrigation and Drainage Paper 56, 1998, equation 11, gives it:
 * e0(T) = 0.6108 exp(17.27 T / (T + 237.3)) kPa. */
#ifndef DOSEWRIGHT_CHEM_AIR_H
#define DOSEWRIGHT_CHEM_AIR_H

/* kPa at -30 to 60 degC; NaN elsewhere. */
double air_saturation_kpa(double degc);

/* Vapour pressure deficit, kPa: what is missing to saturation. NaN where the temperature is out of
 * range, or the relative humidity outside 0 to 100 %. */
double air_vpd_kpa(double degc, double humidity_percent);

#endif
