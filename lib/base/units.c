#include "lib/base/units.h"

#include <math.h>

static const double SATURATED = 9e18;

int64_t nearest(double value)
{
    if (!(value > -SATURATED)) return value <= -SATURATED ? -INT64_C(9000000000000000000) : 0;
    if (value >= SATURATED) return INT64_C(9000000000000000000);
    /* Adding a half first would itself round: up from just below a half, and beyond 2^52. */
    const double size = fabs(value), whole = floor(size);
    const int64_t rounded = (int64_t)whole + (size - whole >= 0.5 ? 1 : 0);
    return value < 0.0 ? -rounded : rounded;
}

int64_t ul_from_ml(double ml)
{
    return nearest(ml * 1000.0);
}

int64_t ul_from_ml_down(double ml)
{
    /* A millionth of a microlitre forgives 2.3 * 1000 being 2299.9999999999995. */
    return nearest(floor(ml * 1000.0 + 1e-6));
}
