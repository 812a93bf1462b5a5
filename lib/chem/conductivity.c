#include "lib/chem/conductivity.h"

#include <math.h>

#include "lib/base/invariant.h"
#include "lib/base/real.h"
#include "lib/chem/activity.h"

/* Limiting conductance at 25 degC, S cm2 per equivalent; its law
 * lambda(T) = lambda(25) eta(25)/eta(T) exp(b u + c u^2), u = 1/T - 1/298.15; size in angstrom. */
struct carrier {
    double lambda, b, c, size;
};

#define SIZE_OTHER 3.5

/* lambda: CRC Handbook, "Ionic conductivity and diffusion at infinite dilution". b and size:
 * phreeqc.dat of PHREEQC 3.8.9 (C. A. J. Appelo's fits), and its diffusion coefficients for pairs
 * and rare ions. b and c of K+, Na+, Cl-: through Robinson and Stokes's limiting conductances at 5,
 * 25 and 35 degC (appendix 6.2, from memory), which the standards of KCl need in the cold. H2PO4-:
 * between that file's 31.8 and A. Mason and J. Culvern's 33 (J. Am. Chem. Soc. 71, 1949, from
 * memory); CRC's 36 is 4 % too high for KH2PO4 by both. Sizes of SO4-2 and NH4+ are fitted here.
 * Citrate, chelate and molybdate: estimates and CRC, from memory. */
static const struct carrier carriers[SPECIES_COUNT] = {
    [ION_K] = { 73.48, 300.5, 1.588e5, 3.48 },
    [ION_NA] = { 50.08, 75.0, 0.0, 3.63 },
    [ION_NH4] = { 73.5, 203.0, 0.0, 4.9 },
    [ION_CA] = { 59.47, 34.0, 0.0, 5.41 },
    [ION_MG] = { 53.0, -28.0, 0.0, 5.54 },
    [ION_MN] = { 53.5, 0.0, 0.0, 5.5 },
    [ION_ZN] = { 52.8, 0.0, 0.0, 5.5 },
    [ION_CU] = { 53.6, 0.0, 0.0, 5.5 },
    [ION_FE] = { 54.0, 0.0, 0.0, 5.5 },
    [ION_NO3] = { 71.42, 104.0, 0.0, 1.11 },
    [ION_CL] = { 76.31, 216.0, 0.0, 3.16 },
    [ION_SO4] = { 80.0, -64.6, 0.0, 16.0 },
    [ION_PO4] = { 92.8, 0.0, 0.0, SIZE_OTHER },
    [ION_CO3] = { 69.3, -91.0, 0.0, 1.99 },
    [ION_CIT] = { 70.2, 0.0, 0.0, SIZE_OTHER },
    [ION_MOO4] = { 74.5, 0.0, 0.0, SIZE_OTHER },
    [ION_FEEDTA] = { 20.7, 0.0, 0.0, SIZE_OTHER },
    [SP_H] = { 349.65, 838.0, 0.0, 6.96 },
    [SP_OH] = { 198.0, 478.0, 0.0, 0.87 },
    [SP_HCO3] = { 44.5, -250.0, 0.0, 6.0 },
    [SP_NH4SO4] = { 50.7, 500.0, 0.0, SIZE_OTHER },
    [SP_HSO4] = { 52.0, 1000.0, 0.0, SIZE_OTHER },
    [SP_H2BO3] = { 35.0, 0.0, 0.0, SIZE_OTHER },
    [SP_H3SIO4] = { 35.0, 0.0, 0.0, SIZE_OTHER },
    [SP_HMOO4] = { 35.0, 0.0, 0.0, SIZE_OTHER },
    [SP_HPO4] = { 57.0, 0.0, 0.0, SIZE_OTHER },
    [SP_H2PO4] = { 32.4, 0.0, 0.0, SIZE_OTHER },
    [SP_HCIT] = { 51.1, 0.0, 0.0, SIZE_OTHER },
    [SP_H2CIT] = { 30.0, 0.0, 0.0, SIZE_OTHER },
    [SP_CAHCO3] = { 19.0, 0.0, 0.0, SIZE_OTHER },
    [SP_MGHCO3] = { 18.0, 0.0, 0.0, SIZE_OTHER },
    [SP_CACIT] = { 22.5, 0.0, 0.0, SIZE_OTHER },
    [SP_CAH2CIT] = { 22.5, 0.0, 0.0, SIZE_OTHER },
    [SP_MGCIT] = { 22.5, 0.0, 0.0, SIZE_OTHER },
    [SP_MGH2CIT] = { 22.5, 0.0, 0.0, SIZE_OTHER },
    [SP_NACIT] = { 45.0, 0.0, 0.0, SIZE_OTHER },
    [SP_KCIT] = { 45.0, 0.0, 0.0, SIZE_OTHER },
    [SP_MG_SO4_2] = { 112.7, -400.0, 0.0, SIZE_OTHER },
    [SP_NASO4] = { 19.1, -412.0, 0.0, SIZE_OTHER },
    [SP_KSO4] = { 57.8, 322.0, 0.0, SIZE_OTHER },
};

static const double viscosity_25_mpa_s = 0.890196; /* of solvent_at(25) */
static const double kg_per_l_25 = 0.997045;

static double limiting(const struct carrier *carrier, const struct solvent *solvent)
{
    const double u = 1.0 / (solvent->degc + 273.15) - 1.0 / 298.15;
    return carrier->lambda * viscosity_25_mpa_s / solvent->viscosity_mpa_s *
           real_exp(u * (carrier->b + carrier->c * u));
}

double conductivity_limiting(enum species s, double degc)
{
    INVARIANT(s < SPECIES_COUNT);
    const struct solvent solvent = solvent_at(degc);
    return limiting(&carriers[s], &solvent);
}

/* The solution as one salt: charges and conductances of its mean cation and anion. */
struct mean_salt {
    double mol[2], equivalents[2], lambda[2]; /* 0: cations, 1: anions; sums */
};

static double onsager_q(const struct mean_salt *m)
{
    const double z0 = m->equivalents[0] / m->mol[0], z1 = m->equivalents[1] / m->mol[1];
    const double l0 = m->lambda[0] / m->equivalents[0], l1 = m->lambda[1] / m->equivalents[1];
    return z0 * z1 * (l0 + l1) / ((z0 + z1) * (z1 * l0 + z0 * l1));
}

static double product_of_charges(const struct mean_salt *m)
{
    return m->equivalents[0] / m->mol[0] * (m->equivalents[1] / m->mol[1]);
}

/* The law's next term: the drag grows less than by the root. Fitted to published KCl (1 mol/kg),
 * and to PHREEQC's salts and solutions for the charges. */
static double beyond_the_root(double zz, double i)
{
    return 0.27 * zz * sqrt(zz * sqrt(zz)) * i;
}

/* Some ions make cold water thinner, and move the faster: fitted to published KCl of 1 mol/kg. */
static double thinning(const struct equilibrium *e)
{
    const double per_mol_kg_k = 0.00078;
    const double mol_kg =
        e->mol_kg[ION_K] + e->mol_kg[ION_NH4] + e->mol_kg[ION_NO3] + e->mol_kg[ION_CL];
    return 1.0 + per_mol_kg_k * mol_kg * (e->degc - 25.0);
}

double equilibrium_ec_us_cm(const struct equilibrium *e)
{
    const struct solvent solvent = solvent_at(e->degc);
    double lambda[SPECIES_COUNT];
    struct mean_salt mean = { { 0.0, 0.0 }, { 0.0, 0.0 }, { 0.0, 0.0 } };
    for (int s = 0; s < SPECIES_COUNT; s++) {
        lambda[s] = 0.0;
        if (!(carriers[s].lambda > 0.0 && e->mol_kg[s] > 0.0)) continue;
        lambda[s] = limiting(&carriers[s], &solvent);
        const double z = species_row((enum species)s)->charge;
        const int side = z < 0.0;
        mean.mol[side] += e->mol_kg[s];
        mean.equivalents[side] += e->mol_kg[s] * fabs(z);
        mean.lambda[side] += e->mol_kg[s] * fabs(z) * lambda[s];
    }
    if (!(mean.mol[0] > 0.0 && mean.mol[1] > 0.0)) return 0.0;
    const double q = onsager_q(&mean), zz = product_of_charges(&mean);
    const double i = e->ionic_strength, root = sqrt(i), far = beyond_the_root(zz, i);
    const double eps_t = solvent.permittivity * (e->degc + 273.15);
    const double relaxation = 2.801e6 * zz * q / (eps_t * sqrt(eps_t) * (1.0 + sqrt(q)));
    const double drag = 41.25 / (solvent.viscosity_mpa_s / 100.0 * sqrt(eps_t));
    double sum = 0.0;
    for (int s = 0; s < SPECIES_COUNT; s++) {
        if (!(lambda[s] > 0.0)) continue;
        const double z = fabs((double)species_row((enum species)s)->charge);
        const double x = root / (1.0 + solvent.debye_b * carriers[s].size * root + far);
        sum += e->mol_kg[s] * z * (lambda[s] - drag * z * x) * (1.0 - relaxation * x);
    }
    return 1000.0 * e->kg_water_l * solvent.kg_per_l / kg_per_l_25 * sum / thinning(e);
}

enum err water_ec_us_cm(double *ret, const struct water *water, double degc, const struct air *air,
    struct problem *problem)
{
    struct equilibrium e;
    const enum err err = equilibrium_solve(&e, water, degc, air, problem);
    if (err == ERR_NONE) *ret = equilibrium_ec_us_cm(&e);
    return err;
}
