#include "lib/control/buffer.h"

#include <math.h>

#include "lib/chem/quick_exp.h"

/* pK 6.31 and 7.07, against 6.35 and 7.20 in pure water, for an ionic strength of 0.02 mol/L; so is
 * the factor on water's own ions (from memory). */
static const double carbonate_k = 4.9e-7, phosphate_k = 8.5e-8;
static const double water_kw = 1.1e-14, proton_factor = 1.1;
static const double milli = 1000.0, ln_10 = 2.302585092994046;
static const double ph_least = 2.0, ph_most = 12.0;

struct point {
    double alkalinity, slope;
};

static struct point point_at(const struct buffer *b, double ph)
{
    const double h = quick_exp(-ln_10 * ph);
    const double c = carbonate_k / (carbonate_k + h), p = phosphate_k / (phosphate_k + h);
    const double hydroxide = milli * water_kw / h, proton = milli * proton_factor * h;
    return (struct point){
        .alkalinity = b->carbon * c + b->phosphate * p + hydroxide - proton,
        .slope =
            ln_10 * (b->carbon * c * (1.0 - c) + b->phosphate * p * (1.0 - p) + hydroxide + proton),
    };
}

struct buffer_parts buffer_parts_at(double phosphate, double ph)
{
    const double h = quick_exp(-ln_10 * ph);
    return (struct buffer_parts){ carbonate_k / (carbonate_k + h),
        phosphate * phosphate_k / (phosphate_k + h) + milli * (water_kw / h - proton_factor * h) };
}

double buffer_alkalinity(const struct buffer *b, double ph)
{
    return point_at(b, ph).alkalinity;
}

double buffer_slope(const struct buffer *b, double ph)
{
    return point_at(b, ph).slope;
}

double buffer_ph(const struct buffer *b, double alkalinity_meq_l, double guess)
{
    enum { STEPS = 60 };
    double low = ph_least, high = ph_most, ph = guess > low && guess < high ? guess : 6.5;
    for (int i = 0; i < STEPS; i++) {
        const struct point at = point_at(b, ph);
        const double missing = alkalinity_meq_l - at.alkalinity;
        if (missing > 0.0)
            low = ph;
        else
            high = ph;
        double next = ph + missing / at.slope;
        if (!(next > low && next < high)) next = 0.5 * (low + high);
        if (fabs(next - ph) < 1e-5) return next;
        ph = next;
    }
    return ph;
}
