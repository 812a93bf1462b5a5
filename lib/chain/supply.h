/* Can the supply and the cable carry it? Worst-case currents and voltages along a daisy chain.
 *
 * Copper: resistance per metre of a round wire of an AWG gauge at 20 degC from the gauge's defining
 * formula (ASTM B258: diameter_mm = 0.127 * 92^((36 - gauge) / 39)) and the resistivity of annealed
 * copper 1.7241e-8 ohm m (IACS, IEC 60028). Current flows out and back: two conductors a link. */
#ifndef DOSEWRIGHT_CHAIN_SUPPLY_H
#define DOSEWRIGHT_CHAIN_SUPPLY_H

#include "lib/base/units.h"

enum { SUPPLY_PUMPS_MOST = 64, SUPPLY_METRES_MOST = 1000 };

struct supply {
    double volts;        /* nominal, > 0 */
    double amps;         /* rating, > 0 */
    double usable_share; /* 0 to 1: what of the rating may be planned */
    double start_factor; /* how many times its running current a motor draws as it starts, >= 1 */
};

struct supply_module {
    double cable_ohm; /* both conductors of the link from the module before it, or the supply */
    double cable_ohm_per_m;  /* of that cable; 0: not known */
    double min_volts;        /* below this it must not be planned */
    double idle_amps;        /* >= 0 */
    double pump_amps;        /* each running pump */
    double circulation_amps; /* its circulation output */
};

/* What is to run at once on one module. */
struct supply_load {
    uint32_t pumps;
    bool circulation;
    double surge_amps; /* beside that, for the moment in which a motor starts; >= 0 */
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

/* How many pumps may run on module 'which' beside 'load', all others as they are: 0 to
 * SUPPLY_PUMPS_MOST. */
uint32_t supply_pumps_most(const struct supply *supply, const struct supply_module *module,
    const struct supply_load *load, uint32_t count, uint32_t which);

/* By how many metres the link in front of module 'which' may still grow, with the same cable and
 * all else as it is, before a module falls below its volts; < 0: it is too long by so much already.
 * SUPPLY_METRES_MOST when it carries nothing or its cable isn't known. */
double supply_spare_m(const struct supply *supply, const struct supply_module *module,
    const struct supply_load *load, uint32_t count, uint32_t which);

#endif
