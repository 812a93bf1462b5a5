/* Can the supply and the cable carry it? Worst-case currents and voltages along a daisy chain.
 *
 * Copper: resistance per metre of a round wire of an AWG gauge at 20 degC from the gauge's defining
 * formula (ASTM B258: diameter_mm = 0.127 * 92^((36 - gauge) / 39)) and the resistivity of annealed
 * copper 1.7241e-8 ohm m (IACS, IEC 60028). Current flows out and back: two conductors a link. */
#ifndef DOSEWRIGHT_CHAIN_SUPPLY_H
#define DOSEWRIGHT_CHAIN_SUPPLY_H

#include "lib/base/units.h"

struct supply {
    double volts;        /* nominal, > 0 */
    double amps;         /* rating, > 0 */
    double usable_share; /* 0 to 1: what of the rating may be planned */
};

struct supply_module {
    double cable_ohm;        /* both conductors of the link from the former module or the supply */
    double min_volts;        /* below this it must not be planned */
    double idle_amps;        /* >= 0 */
    double pump_amps;        /* each running pump */
    double circulation_amps; /* its circulation output */
};

/* What is to run at once on one module. */
struct supply_load {
    uint32_t pumps;
    bool circulation;
};

/* Ohms of both conductors of a link. gauge 10 to 30, length 0 to 100 m. */
double supply_cable_ohm(int gauge, double length_m);

/* Amps drawn from the supply. */
double supply_amps(
    const struct supply_module *module, const struct supply_load *load, uint32_t count);

/* Volts at module 'which' (0 = next to the head) with every load drawing its constant current. */
double supply_volts_at(const struct supply *supply, const struct supply_module *module,
    const struct supply_load *load, uint32_t count, uint32_t which);

/* Within the usable share, and every module at or above its minimum? */
bool supply_allows(const struct supply *supply, const struct supply_module *module,
    const struct supply_load *load, uint32_t count);

#endif
