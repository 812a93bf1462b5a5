#include "lib/chem/salt.h"

#include <math.h>
#include <string.h>

#include "lib/chem/element.h"
#include "tests/unit/support.h"

static struct salt read_good(const char *text)
{
    struct salt s;
    struct problem problem = { 0 };
    const enum err err = salt_read(&s, text, &problem);
    ck_assert_msg(err == ERR_NONE, "%s: %s", text, problem.text);
    return s;
}

/* Moles of each ion in a mole of salt. */
struct expected {
    const char *formula;
    struct {
        enum ion ion;
        double moles;
    } part[5];
};

START_TEST(a_mole_of_salt_is_its_ions)
{
    static const struct expected table[] = {
        { "KNO3", { { ION_K, 1 }, { ION_NO3, 1 } } },
        { "Ca(NO3)2.4H2O", { { ION_CA, 1 }, { ION_NO3, 2 } } },
        { "5Ca(NO3)2.NH4NO3.10H2O", { { ION_CA, 5 }, { ION_NH4, 1 }, { ION_NO3, 11 } } },
        { "NH4NO3", { { ION_NH4, 1 }, { ION_NO3, 1 } } },
        { "KH2PO4", { { ION_K, 1 }, { ION_PO4, 1 } } },
        { "K2HPO4", { { ION_K, 2 }, { ION_PO4, 1 } } },
        { "NH4H2PO4", { { ION_NH4, 1 }, { ION_PO4, 1 } } },
        { "(NH4)2SO4", { { ION_NH4, 2 }, { ION_SO4, 1 } } },
        { "K2SO4", { { ION_K, 2 }, { ION_SO4, 1 } } },
        { "MgSO4.7H2O", { { ION_MG, 1 }, { ION_SO4, 1 } } },
        { "Mg(NO3)2.6H2O", { { ION_MG, 1 }, { ION_NO3, 2 } } },
        { "CaCl2.2H2O", { { ION_CA, 1 }, { ION_CL, 2 } } },
        { "H3BO3", { { ION_BO3, 1 } } },
        { "Na2B4O7.10H2O", { { ION_NA, 2 }, { ION_BO3, 4 } } },
        { "MnSO4.H2O", { { ION_MN, 1 }, { ION_SO4, 1 } } },
        { "ZnSO4.7H2O", { { ION_ZN, 1 }, { ION_SO4, 1 } } },
        { "CuSO4.5H2O", { { ION_CU, 1 }, { ION_SO4, 1 } } },
        { "FeSO4.7H2O", { { ION_FE, 1 }, { ION_SO4, 1 } } },
        { "Na2MoO4.2H2O", { { ION_NA, 2 }, { ION_MOO4, 1 } } },
        { "(NH4)6Mo7O24.4H2O", { { ION_NH4, 6 }, { ION_MOO4, 7 } } },
        { "H2MoO4.H2O", { { ION_MOO4, 1 } } },
        { "K2SiO3", { { ION_K, 2 }, { ION_SIO3, 1 } } },
        { "HNO3", { { ION_NO3, 1 } } },
        { "H3PO4", { { ION_PO4, 1 } } },
        { "H2SO4", { { ION_SO4, 1 } } },
        { "C6H8O7", { { ION_CIT, 1 } } },
        { "C6H8O7.H2O", { { ION_CIT, 1 } } },
        { "K3C6H5O7.H2O", { { ION_K, 3 }, { ION_CIT, 1 } } },
        { "KOH", { { ION_K, 1 } } },
        { "K2CO3", { { ION_K, 2 }, { ION_CO3, 1 } } },
        { "KHCO3", { { ION_K, 1 }, { ION_CO3, 1 } } },
        { "P2O5", { { ION_PO4, 2 } } },
        { "C10H12FeN2NaO8.3H2O", { { ION_NA, 1 }, { ION_FEEDTA, 1 } } },
        { "C10H12MnN2Na2O8", { { ION_NA, 2 }, { ION_FEEDTA, 2 } } },
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const struct salt s = read_good(table[i].formula);
        double moles[ION_COUNT] = { 0 };
        for (size_t k = 0; k < 5; k++) {
            if (table[i].part[k].moles > 0) moles[table[i].part[k].ion] = table[i].part[k].moles;
        }
        for (int k = 0; k < ION_COUNT; k++) {
            const double got = s.per_g.mmol_l[k] * s.g_per_mol / 1000.0;
            ck_assert_msg(fabs(got - moles[k]) < 1e-12, "%s: %s is %g", table[i].formula,
                ion_word((enum ion)k), got);
        }
    }
}
END_TEST

START_TEST(a_chelate_keeps_its_metal_apart)
{
    const struct salt fe = read_good("iron-edta"), zn = read_good("C10H12ZnN2Na2O8.2H2O");
    ck_assert_double_eq_tol(fe.held_mmol_g[HELD_FE], 1000.0 / fe.g_per_mol, 1e-12);
    ck_assert_double_eq_tol(zn.held_mmol_g[HELD_ZN], 1000.0 / zn.g_per_mol, 1e-12);
    ck_assert(fe.per_g.mmol_l[ION_FE] == 0 && zn.per_g.mmol_l[ION_ZN] == 0);
    ck_assert(zn.held_mmol_g[HELD_FE] == 0 && fe.held_mmol_g[HELD_ZN] == 0);

    struct solution sum = { 0 };
    salt_dissolve(&sum, &fe, 1.0);
    ck_assert_double_eq_tol(nutrient_mg_l(&sum, NUTRIENT_FE), 132.6, 0.05);
}
END_TEST

START_TEST(what_is_no_salt_known_here_is_refused)
{
    static const char *const strangers[] = { "KNO2", "Na2SO3", "FeCl3.6H2O", "Fe2(SO4)3", "KClO3",
        "NaClO", "CO(NH2)2", "K2S2O8", "H2O2", "H2O", "C6H12O6", "C2H2O4", "K4Fe(CN)6", "K", "Cl2",
        "C10H16N2O8", "C10H12FeN2O8", "C10H12CaN2Na2O8", "NH3", "S", "KMnO4", "K2MnO4",
        "C10H12FeN2NaO8.KCl", "CaS", "NaH", "KNO4", "C7H8O7", "KFeC2N2O4" };
    for (size_t i = 0; i < sizeof strangers / sizeof strangers[0]; i++) {
        struct salt s;
        memset(&s, 0x5a, sizeof s);
        const struct salt before = s;
        struct problem problem = { 0 };
        ck_assert_msg(
            salt_read(&s, strangers[i], &problem) == ERR_RANGE, "%s passed", strangers[i]);
        ck_assert_mem_eq(&s, &before, sizeof s);
        ck_assert_msg(strstr(problem.text, strangers[i]) != NULL, "%s", problem.text);
    }
    struct salt s;
    struct problem problem = { 0 };
    ck_assert_int_eq(salt_read(&s, "KNO3)", &problem), ERR_SYNTAX);
    ck_assert_int_eq(salt_read(&s, "Xx", &problem), ERR_UNKNOWN);
    ck_assert_int_eq(salt_read(&s, "", NULL), ERR_SYNTAX);
}
END_TEST

START_TEST(every_name_stands_for_a_salt)
{
    const char *word, *formula;
    size_t count = 0;
    for (; (word = salt_name(count, &formula)); count++) {
        const struct salt a = read_good(word), b = read_good(formula);
        ck_assert_mem_eq(&a, &b, sizeof a);
        ck_assert_str_eq(salt_named(word), formula);
    }
    ck_assert_uint_ge(count, 20);
    ck_assert_ptr_null(salt_named("KNO3"));
}
END_TEST

START_TEST(hazards_are_told)
{
    static const struct {
        const char *formula;
        unsigned hazards;
    } table[] = { { "KNO3", SALT_OXIDISER }, { "Ca(NO3)2.4H2O", SALT_OXIDISER }, { "K2SO4", 0 },
        { "KH2PO4", 0 }, { "K2HPO4", 0 }, { "NH4H2PO4", 0 }, { "KHCO3", 0 },
        { "K2CO3", SALT_CAUSTIC }, { "KOH", SALT_CAUSTIC }, { "K2SiO3", SALT_CAUSTIC },
        { "K3PO4", SALT_CAUSTIC }, { "CaO", SALT_CAUSTIC }, { "HNO3", SALT_OXIDISER | SALT_ACID },
        { "H3PO4", SALT_ACID }, { "H2SO4", SALT_ACID }, { "C6H8O7", SALT_ACID },
        { "HCl", SALT_ACID }, { "K3C6H5O7", 0 }, { "(NH4)6Mo7O24.4H2O", 0 }, { "Na2MoO4.2H2O", 0 },
        { "H3BO3", SALT_BORON }, { "Na2B4O7.10H2O", SALT_BORON }, { "CuSO4.5H2O", SALT_METAL },
        { "MnSO4.H2O", SALT_METAL }, { "ZnSO4.7H2O", SALT_METAL }, { "FeSO4.7H2O", 0 },
        { "C10H12FeN2NaO8.3H2O", 0 }, { "C10H12ZnN2Na2O8", SALT_METAL },
        { "Zn(NO3)2", SALT_OXIDISER | SALT_METAL } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const struct salt s = read_good(table[i].formula);
        ck_assert_msg(salt_hazards(&s) == table[i].hazards, "%s: %u, not %u", table[i].formula,
            salt_hazards(&s), table[i].hazards);
    }
}
END_TEST

/* Charge that the ions leave over is H+ or OH-: none for a neutral salt, the acid's protons. */
START_TEST(charges_close_and_amounts_add_up)
{
    const struct salt salt = read_good("5Ca(NO3)2.NH4NO3.10H2O"), acid = read_good("H2SO4");
    double charge = 0, protons = 0;
    for (int i = 0; i < ION_COUNT; i++) {
        charge += salt.per_g.mmol_l[i] * ion_charge((enum ion)i);
        protons -= acid.per_g.mmol_l[i] * ion_charge((enum ion)i);
    }
    ck_assert_double_eq_tol(charge, 0, 1e-12);
    ck_assert_double_eq_tol(protons * acid.g_per_mol / 1000.0, 2, 1e-12);

    struct solution a = { 0 }, b = { 0 };
    salt_dissolve(&a, &salt, 1.5);
    salt_dissolve(&a, &salt, 0.5);
    solution_add(&b, &a, 0.25);
    ck_assert_double_eq_tol(b.water.mmol_l[ION_CA], 0.5 * salt.per_g.mmol_l[ION_CA], 1e-12);
    struct solution held = { 0 }, twice = { 0 };
    const struct salt fe = read_good("iron-edta");
    salt_dissolve(&held, &fe, 3.0);
    solution_add(&twice, &held, 2.0);
    ck_assert_double_eq_tol(twice.held_mmol_l[HELD_FE], 6.0 * fe.held_mmol_g[HELD_FE], 1e-12);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("salt");
    tcase_add_test(tc, a_mole_of_salt_is_its_ions);
    tcase_add_test(tc, a_chelate_keeps_its_metal_apart);
    tcase_add_test(tc, what_is_no_salt_known_here_is_refused);
    tcase_add_test(tc, every_name_stands_for_a_salt);
    tcase_add_test(tc, hazards_are_told);
    tcase_add_test(tc, charges_close_and_amounts_add_up);
    return run_case(tc, "salt");
}
