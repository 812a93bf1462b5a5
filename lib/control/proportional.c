#include "lib/control/proportional.h"

#include <math.h>

#include "lib/base/real.h"

/* The curve a(pH): acid that stands between a pH and one far below, meq/L. Carbonate and phosphate
 * each hold on to protons around their own constant. Both constants are for the ionic strength of a
 * nutrient solution at 25 degC: pK 6.31 and 7.07, against 6.35 and 7.20 in pure water (from
 * memory); so is the factor 1.1 on water's own ions. */
#define CARBONATE_K 4.9e-7
#define PHOSPHATE_K 8.5e-8
#define PHOSPHATE_MMOL_L 1.2
#define WATER_KW 1.1e-14
#define PROTON_FACTOR 1.1
#define CARBON_ABOVE_ALKALINITY 0.05 /* dissolved CO2 beside the bicarbonate, mmol/L */

#define PH_LEAST 0.0
#define PH_MOST 14.0

/* When to act, as parts of the band; below its setpoint pH may drift further, as it tends to rise
 * by itself while CO2 leaves and nitrate is taken up. */
#define TRIGGER_EC 0.5
#define TRIGGER_ACID 0.5
#define TRIGGER_BASE 0.75

#define NOISE_TELLING 3.0
#define PART_MISSING 0.25

enum { HALVINGS = 40 };

static double clip(double value, double least, double most)
{
    if (!(value >= least)) return least;
    return value > most ? most : value;
}

static double curve(double alkalinity_meq_l, double ph)
{
    const double h = real_pow10(-ph);
    const double carbon = clip(alkalinity_meq_l, 0.0, 1e6) + CARBON_ABOVE_ALKALINITY;
    return carbon * CARBONATE_K / (CARBONATE_K + h) +
           PHOSPHATE_MMOL_L * PHOSPHATE_K / (PHOSPHATE_K + h) +
           1000.0 * (WATER_KW / h - PROTON_FACTOR * h);
}

double control_acid_meq_l(double alkalinity_meq_l, double from_ph, double to_ph)
{
    if (!isfinite(alkalinity_meq_l) || !isfinite(from_ph) || !isfinite(to_ph)) return 0.0;
    const double from = clip(from_ph, PH_LEAST, PH_MOST), to = clip(to_ph, PH_LEAST, PH_MOST);
    if (to >= from) return 0.0;
    return curve(alkalinity_meq_l, from) - curve(alkalinity_meq_l, to);
}

/* The pH between 'low' and 'high' at which 'part' of the acid that lies between them is used up,
 * counted from 'from' (one of the two) towards the other. */
static double ph_part_way(const struct control_tank *tank, double from, double to, double part)
{
    const double a_from = curve(tank->alkalinity_meq_l, from);
    const double a_goal = a_from + part * (curve(tank->alkalinity_meq_l, to) - a_from);
    double low = from < to ? from : to, high = from < to ? to : from;
    for (int i = 0; i < HALVINGS; i++) {
        const double middle = (low + high) / 2.0;
        if (curve(tank->alkalinity_meq_l, middle) < a_goal)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2.0;
}

static struct control_answer feed(const struct control_tank *tank, const struct control_water *w)
{
    return (struct control_answer){ .need = NEED_FEED,
        .ec_us_cm = clip(tank->share, 0.0, 1.0) * (w->set_ec_us_cm - w->ec_us_cm) };
}

static struct control_answer move_ph(
    const struct control_tank *tank, const struct control_water *w, enum control_need need)
{
    const double share = clip(tank->share, 0.0, 1.0);
    const double high = need == NEED_LOWER_PH ? w->ph : w->set_ph;
    const double low = need == NEED_LOWER_PH ? w->set_ph : w->ph;
    return (struct control_answer){ .need = need,
        .meq_l = share * control_acid_meq_l(tank->alkalinity_meq_l, high, low),
        .ph_move = fabs(w->ph - ph_part_way(tank, w->ph, w->set_ph, share)) };
}

static bool is_ph(double ph)
{
    return ph >= PH_LEAST && ph <= PH_MOST;
}

struct control_answer control_decide(
    const struct control_tank *tank, const struct control_water *water)
{
    const double low_by = water->set_ec_us_cm - water->ec_us_cm;
    const double high_by = water->ph - water->set_ph;
    struct control_answer nothing = { .need = NEED_NOTHING };
    if (!isfinite(low_by) || !is_ph(water->ph) || !is_ph(water->set_ph)) return nothing;

    if (low_by > tank->band_ec_us_cm) return feed(tank, water);
    if (high_by > TRIGGER_ACID * tank->band_ph) return move_ph(tank, water, NEED_LOWER_PH);
    if (-high_by > TRIGGER_BASE * tank->band_ph) return move_ph(tank, water, NEED_RAISE_PH);
    if (low_by > TRIGGER_EC * tank->band_ec_us_cm) return feed(tank, water);
    if (-low_by > tank->band_ec_us_cm) return (struct control_answer){ .need = NEED_WATER };
    return nothing;
}

enum control_effect control_effect_of(double expected, double seen, double noise)
{
    if (!(fabs(expected) > NOISE_TELLING * fabs(noise)) || !isfinite(seen)) return EFFECT_UNTELLING;
    const double along = expected < 0.0 ? -seen : seen;
    const double size = fabs(expected);
    if (-along > PART_MISSING * size && -along > NOISE_TELLING * fabs(noise)) {
        return EFFECT_WRONG_WAY;
    }
    return along < PART_MISSING * size ? EFFECT_MISSING : EFFECT_SEEN;
}
