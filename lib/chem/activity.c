#include "lib/chem/activity.h"

#include <math.h>

#include "lib/base/real.h"

static double permittivity_at(double t)
{
    return 87.740 + t * (-0.40008 + t * (9.398e-4 - 1.410e-6 * t));
}

static double density_at(double t) /* kg/L */
{
    const double over =
        999.83952 +
        t * (16.945176 +
                t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - t * 280.54253e-12))));
    return over / (1.0 + 16.879850e-3 * t) / 1000.0;
}

static double viscosity_at(double t)
{
    const double d = 20.0 - t;
    return 1.002 * real_pow10(d / (t + 96.0) * (1.2364 + d * (-1.37e-3 + 5.7e-6 * d)));
}

struct solvent solvent_at(double degc)
{
    const double kelvin = degc + 273.15;
    const double eps = permittivity_at(degc), rho = density_at(degc);
    const double eps_t = eps * kelvin, root = sqrt(rho / eps_t);
    return (struct solvent){ degc, eps, rho, viscosity_at(degc), 1.824829e6 * root / eps_t,
        50.29159 * root };
}

struct activity activity_at(const struct solvent *solvent, double ionic_strength)
{
    struct activity at;
    const bool beyond = ionic_strength > ACTIVITY_I_MAX;
    at.i = beyond ? ACTIVITY_I_MAX : ionic_strength;
    at.slope_i = beyond ? 0.0 : 1.0;
    const double root = sqrt(at.i), half_slope = 0.5 * at.slope_i / root;
    for (int s = 0; s < SIZE_COUNT; s++) {
        const double ba =
            s == SIZE_DAVIES ? 1.0 : solvent->debye_b * ion_size_angstrom((enum ion_size)s);
        const double per = 1.0 / (1.0 + ba * root);
        at.root[s] = root * per;
        at.root_slope[s] = half_slope * per * per;
    }
    return at;
}

/* b, with Davies' own term where that is the equation. */
static double linear(const struct species_row *row, double a_z2)
{
    return row->size == SIZE_DAVIES ? row->b + 0.3 * a_z2 : row->b;
}

double activity_log_gamma(
    const struct species_row *row, const struct solvent *solvent, const struct activity *activity)
{
    const double a_z2 = solvent->debye_a * row->charge * row->charge;
    return linear(row, a_z2) * activity->i - a_z2 * activity->root[row->size];
}

double activity_log_gamma_slope(
    const struct species_row *row, const struct solvent *solvent, const struct activity *activity)
{
    const double a_z2 = solvent->debye_a * row->charge * row->charge;
    return linear(row, a_z2) * activity->slope_i - a_z2 * activity->root_slope[row->size];
}

double activity_of_water(double solutes_mol_kg)
{
    const double a = 1.0 - 0.017 * solutes_mol_kg;
    return a > 0.3 ? a : 0.3;
}
