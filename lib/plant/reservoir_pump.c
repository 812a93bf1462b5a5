/* What becomes of a commanded dose: the pump's error and wear, an empty bottle, the tube. */
#include <math.h>

#include "lib/base/invariant.h"
#include "lib/plant/reservoir_inside.h"

static const double day_s = 86400.0;

static bool is_out(const struct reservoir *r, uint32_t pump, double at_s)
{
    const struct reservoir_truth *t = &r->truth;
    return t->outage.pump == pump && at_s >= t->outage.from_s && at_s < t->outage.to_s;
}

bool reservoir_delivers(const struct reservoir *r, uint32_t pump)
{
    INVARIANT(pump < r->truth.pump_count);
    const bool empty = r->truth.pump[pump].bottle_ml > 0.0 && !(r->left_ml[pump] > 0.0);
    return !empty && !is_out(r, pump, r->now_s);
}

void reservoir_new_bottle(struct reservoir *r, uint32_t pump)
{
    INVARIANT(pump < r->truth.pump_count);
    r->left_ml[pump] = r->truth.pump[pump].bottle_ml;
}

/* What leaves the tube. */
static double delivered(struct reservoir *r, uint32_t pump, double ml, double at_s)
{
    const struct reservoir_pump_truth *p = &r->truth.pump[pump];
    const double worn = p->wear * at_s / (RESERVOIR_DAYS * day_s);
    const double factor = p->error * (1.0 - worn) * (1.0 + p->repeat * prng_normal(&r->chance));
    if (is_out(r, pump, at_s) || !(factor > 0.0)) return 0.0;
    const double wanted = ml * factor;
    if (!(p->bottle_ml > 0.0)) return wanted;
    const double there = r->left_ml[pump] < wanted ? r->left_ml[pump] : wanted;
    r->left_ml[pump] -= there;
    return there;
}

static void arrive(struct reservoir *r, uint32_t pump, double ml)
{
    const struct reservoir_pump_truth *p = &r->truth.pump[pump];
    plant_tank_dose(&r->tank, &p->per_ml, ml * p->strength);
}

void reservoir_pump(struct reservoir *r, uint32_t pump, double ml_commanded, double at_s)
{
    INVARIANT(pump < r->truth.pump_count);
    INVARIANT(ml_commanded >= 0.0 && at_s >= r->now_s);
    const double ml = delivered(r, pump, ml_commanded, at_s);
    r->given_ml[pump] += ml;
    const double delay_s = r->truth.pump[pump].delay_s;
    if (r->parcel_count < RESERVOIR_PARCELS_MAX)
        r->parcel[r->parcel_count++] = (struct reservoir_parcel){ at_s + delay_s, ml, pump };
    else
        arrive(r, pump, ml);
}

void reservoir_land(struct reservoir *r)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < r->parcel_count; i++) {
        const struct reservoir_parcel p = r->parcel[i];
        if (p.at_s <= r->now_s)
            arrive(r, p.pump, p.ml);
        else
            r->parcel[kept++] = p;
    }
    r->parcel_count = kept;
}

double reservoir_next_landing(const struct reservoir *r)
{
    double next_s = (double)INFINITY;
    for (uint32_t i = 0; i < r->parcel_count; i++) {
        if (r->parcel[i].at_s < next_s) next_s = r->parcel[i].at_s;
    }
    return next_s;
}
