/* Source water that comes in: by hand after some days or when a quarter is gone, and after a part
 * was let out. The float valve is the tank's own; it waits while water is let in by hand. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/plant/reservoir_inside.h"

static const double day_s = 86400.0, drawn_down = 0.25;

static void begin(struct reservoir *r, double to_l)
{
    if (!(to_l > r->tank.volume_l)) return;
    r->fill_to_l = to_l;
    r->fill_l_s = (to_l - r->tank.volume_l) / r->truth.refill_s;
    r->tank.config.float_valve = false;
}

void reservoir_change_water(struct reservoir *r, double share)
{
    INVARIANT(share >= 0.0 && share <= 1.0);
    INVARIANT(r->truth.refill_s > 0.0);
    const double least_l = 0.05 * r->truth.tank.volume_l; /* of which the tank is never emptied */
    const double to_l = r->fill_l_s > 0.0 ? r->fill_to_l : r->tank.volume_l;
    const double left_l = (1.0 - share) * r->tank.volume_l;
    r->tank.volume_l = left_l > least_l ? left_l : least_l;
    begin(r, to_l);
}

void reservoir_begin_filling(struct reservoir *r)
{
    const struct reservoir_truth *truth = &r->truth;
    if (truth->change.share > 0.0 && !r->changed && r->now_s >= truth->change.at_s) {
        r->changed = true;
        reservoir_change_water(r, truth->change.share);
    }
    if (truth->tank.float_valve || r->fill_l_s > 0.0 || !(truth->refill_days > 0.0)) return;
    const double nominal_l = truth->tank.volume_l;
    const bool low = r->tank.volume_l <= (1.0 - drawn_down) * nominal_l;
    if (!low && r->now_s < r->refill_due_s) return;
    begin(r, nominal_l);
    r->refill_due_s = r->now_s + truth->refill_days * day_s;
}

double reservoir_next_filling(const struct reservoir *r)
{
    double next_s = (double)INFINITY;
    if (r->truth.change.share > 0.0 && !r->changed) next_s = r->truth.change.at_s;
    return next_s > r->now_s ? next_s : (double)INFINITY;
}

void reservoir_fill(struct reservoir *r, double seconds)
{
    if (!(r->fill_l_s > 0.0)) return;
    const double missing_l = r->fill_to_l - r->tank.volume_l;
    const double litres = r->fill_l_s * seconds;
    if (litres < missing_l) {
        plant_tank_add_source(&r->tank, litres);
        return;
    }
    if (missing_l > 0.0) plant_tank_add_source(&r->tank, missing_l);
    r->fill_l_s = 0.0;
    r->tank.config.float_valve = r->truth.tank.float_valve;
}
