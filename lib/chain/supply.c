#include "lib/chain/supply.h"

#include <string.h>

#include "lib/base/invariant.h"
#include "lib/chain/message.h"

enum { GAUGE_LEAST = 10, GAUGE_MOST = 30, GAUGE_THINNEST = 36 };

/* The 39th root of 92: from one gauge to the next thicker one, the diameter grows by this. Computed
 * with 40 digits outside this program. */
static const double gauge_step = 1.1229321965322814;
static const double thinnest_mm = 0.127; /* gauge 36: 5 thousandths of an inch */
static const double pi = 3.14159265358979323846;
static const double copper_ohm_mm2_m = 0.017241; /* annealed copper at 20 degC */

double supply_cable_ohm(int gauge, double length_m)
{
    INVARIANT(gauge >= GAUGE_LEAST && gauge <= GAUGE_MOST);
    double diameter_mm = thinnest_mm;
    for (int g = GAUGE_THINNEST; g > gauge; g--) {
        diameter_mm *= gauge_step;
    }
    const double area_mm2 = pi / 4.0 * diameter_mm * diameter_mm;
    return 2.0 * length_m * copper_ohm_mm2_m / area_mm2;
}

/* What is written in the configuration is a decimal: whole microamperes add up exactly, whatever
 * the order, and 3.2 A of 80 % of 4 A is allowed everywhere or nowhere. */
static int64_t micro(double value)
{
    return nearest(value * 1e6);
}

static int64_t module_ua(const struct supply_module *m, const struct supply_load *load)
{
    return micro(m->idle_amps) + (int64_t)load->pumps * micro(m->pump_amps) +
           (load->circulation ? micro(m->circulation_amps) : 0) + micro(load->surge_amps);
}

/* Drawn by the modules from 'first' on: what the link in front of 'first' carries. */
static int64_t link_ua(const struct supply_module *module, const struct supply_load *load,
    uint32_t count, uint32_t first)
{
    INVARIANT(count <= CHAIN_MODULES_MAX);
    int64_t sum_ua = 0;
    for (uint32_t m = first; m < count; m++) {
        sum_ua += module_ua(&module[m], &load[m]);
    }
    return sum_ua;
}

double supply_amps(
    const struct supply_module *module, const struct supply_load *load, uint32_t count)
{
    return (double)link_ua(module, load, count, 0) / 1e6;
}

double supply_volts_at(const struct supply *supply, const struct supply_module *module,
    const struct supply_load *load, uint32_t count, uint32_t which)
{
    INVARIANT(which < count);
    double volts = supply->volts;
    for (uint32_t m = 0; m <= which; m++) {
        volts -= module[m].cable_ohm * ((double)link_ua(module, load, count, m) / 1e6);
    }
    return volts;
}

bool supply_allows(const struct supply *supply, const struct supply_module *module,
    const struct supply_load *load, uint32_t count)
{
    if (link_ua(module, load, count, 0) > micro(supply->amps * supply->usable_share)) return false;
    for (uint32_t m = 0; m < count; m++) {
        const double volts = supply_volts_at(supply, module, load, count, m);
        if (micro(volts) < micro(module[m].min_volts)) return false;
    }
    return true;
}

uint32_t supply_pumps_most(const struct supply *supply, const struct supply_module *module,
    const struct supply_load *load, uint32_t count, uint32_t which)
{
    INVARIANT(which < count && count <= CHAIN_MODULES_MAX);
    struct supply_load more[CHAIN_MODULES_MAX];
    memcpy(more, load, count * sizeof *more);
    for (uint32_t pumps = 0; pumps < SUPPLY_PUMPS_MOST; pumps++) {
        more[which].pumps++;
        if (!supply_allows(supply, module, more, count)) return pumps;
    }
    return SUPPLY_PUMPS_MOST;
}

/* A longer link takes the same volts from every module behind it: the one with least to spare
 * decides. */
double supply_spare_m(const struct supply *supply, const struct supply_module *module,
    const struct supply_load *load, uint32_t count, uint32_t which)
{
    INVARIANT(which < count);
    const double per_m =
        module[which].cable_ohm_per_m * ((double)link_ua(module, load, count, which) / 1e6);
    if (!(per_m > 0.0)) return SUPPLY_METRES_MOST;
    double spare_m = SUPPLY_METRES_MOST;
    for (uint32_t m = which; m < count; m++) {
        const double volts = supply_volts_at(supply, module, load, count, m) - module[m].min_volts;
        if (volts / per_m < spare_m) spare_m = volts / per_m;
    }
    return spare_m;
}
