#include "lib/chem/formula.h"

#include <string.h>

#include "tests/unit/support.h"

static struct formula read_good(const char *text)
{
    struct formula f;
    struct problem problem = { 0 };
    const enum err err = formula_read(&f, text, &problem);
    ck_assert_msg(err == ERR_NONE, "%s: %s", text, problem.text);
    return f;
}

START_TEST(atoms_are_counted_through_brackets_and_hydrates)
{
    const struct formula f = read_good("5Ca(NO3)2.NH4NO3.10H2O");
    ck_assert_int_eq(f.atoms[ELEMENT_CA], 5);
    ck_assert_int_eq(f.atoms[ELEMENT_N], 12);
    ck_assert_int_eq(f.atoms[ELEMENT_O], 43);
    ck_assert_int_eq(f.atoms[ELEMENT_H], 24);
    ck_assert_int_eq(f.ammonium, 1);
    ck_assert_int_eq(f.water, 10);

    const struct formula m = read_good("(NH4)6Mo7O24.4H2O");
    ck_assert_int_eq(m.ammonium, 6);
    ck_assert_int_eq(m.atoms[ELEMENT_N], 6);
    ck_assert_int_eq(m.atoms[ELEMENT_H], 32);
    ck_assert_int_eq(m.atoms[ELEMENT_MO], 7);
    ck_assert_int_eq(m.water, 4);

    const struct formula k = read_good("K4[Fe((CN)2)3]");
    ck_assert_int_eq(k.atoms[ELEMENT_K], 4);
    ck_assert_int_eq(k.atoms[ELEMENT_C], 6);
    ck_assert_int_eq(k.atoms[ELEMENT_FE], 1);
    ck_assert_int_eq(k.water, 0);
}
END_TEST

START_TEST(a_middle_dot_is_a_point_and_water_is_water)
{
    const struct formula a = read_good("MgSO4.7H2O"), b = read_good("MgSO4\xc2\xb7"
                                                                    "7H2O");
    ck_assert_mem_eq(&a, &b, sizeof a);
    ck_assert_int_eq(read_good("Mg(NO3)2.(H2O)6").water, 6);
    ck_assert_int_eq(read_good("H2O").water, 1);
    ck_assert_int_eq(read_good("KH2PO4").water, 0);
    ck_assert_int_eq(read_good("H2O2").water, 0);
}
END_TEST

START_TEST(ammonium_is_nitrogen_with_four_hydrogens)
{
    ck_assert_int_eq(read_good("NH4NO3").ammonium, 1);
    ck_assert_int_eq(read_good("NH4H2PO4").ammonium, 1);
    ck_assert_int_eq(read_good("NH40").ammonium, 0);
    ck_assert_int_eq(read_good("N2H4").ammonium, 0);
    ck_assert_int_eq(read_good("CO(NH2)2").ammonium, 0);
    ck_assert_int_eq(read_good("NaNH4HPO4").ammonium, 1);
    ck_assert_int_eq(read_good("NaNH4HPO4").atoms[ELEMENT_NA], 1);
}
END_TEST

START_TEST(cations_have_their_charges)
{
    static const struct {
        const char *text;
        double equivalents;
    } table[] = { { "KNO3", 1 }, { "K2SO4", 2 }, { "Ca(NO3)2.4H2O", 2 }, { "KH2PO4", 1 },
        { "NH4NO3", 1 }, { "(NH4)2SO4", 2 }, { "MgSO4.7H2O", 2 }, { "NaNO3", 1 },
        { "MnSO4.H2O", 2 }, { "ZnSO4.7H2O", 2 }, { "CuSO4.5H2O", 2 }, { "FeSO4.7H2O", 2 },
        { "H3BO3", 0 }, { "5Ca(NO3)2.NH4NO3.10H2O", 11 }, { "CaCl2.2H2O", 2 }, { "HNO3", 0 },
        /* the chelate holds the iron; its sodium is free */
        { "C10H12FeN2NaO8.3H2O", 1 }, { "C10H12N2O8CaNa2", 4 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        const struct formula f = read_good(table[i].text);
        ck_assert_msg(formula_cation_equivalents(&f) == table[i].equivalents, "%s: %g",
            table[i].text, formula_cation_equivalents(&f));
    }
}
END_TEST

START_TEST(what_is_no_formula_is_refused_at_its_byte)
{
    static const struct {
        const char *text;
        enum err err;
        const char *byte;
    } table[] = {
        { "", ERR_SYNTAX, "byte 1:" },
        { "KXe", ERR_UNKNOWN, "byte 2:" },
        { "Kn", ERR_UNKNOWN, "byte 1:" }, /* not K and something */
        { "KNO3 ", ERR_SYNTAX, "byte 5:" },
        { " KNO3", ERR_SYNTAX, "byte 1:" },
        { "kno3", ERR_SYNTAX, "byte 1:" },
        { "K-NO3", ERR_SYNTAX, "byte 2:" },
        { "K0", ERR_SYNTAX, "byte 2:" },
        { "K01", ERR_SYNTAX, "byte 2:" },
        { "K10000", ERR_SYNTAX, "byte 2:" },
        { "5", ERR_SYNTAX, "byte 2:" },
        { "KNO3.", ERR_SYNTAX, "byte 6:" },
        { "KNO3..H2O", ERR_SYNTAX, "byte 6:" },
        { ".H2O", ERR_SYNTAX, "byte 1:" },
        { "Ca(NO3", ERR_SYNTAX, "byte 3:" },
        { "Ca(NO3]2", ERR_SYNTAX, "byte 7:" },
        { "CaNO3)2", ERR_SYNTAX, "byte 6:" },
        { "Ca()2", ERR_SYNTAX, "byte 4:" },
        { "((((()))))", ERR_SYNTAX, "byte 5:" },
        { "(K9999)9999", ERR_SYNTAX, "too many" },
        { "9999(K9999)", ERR_SYNTAX, "too many" },
        { "K9999K9999K9999K9999K9999K9999K9999K9999K9999K9999K9999", ERR_SYNTAX, "too many" },
        { "\xff\xfe", ERR_SYNTAX, "byte 1:" },
        { "K\xc2", ERR_SYNTAX, "byte 2:" },
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct formula f;
        memset(&f, 0x5a, sizeof f);
        const struct formula before = f;
        struct problem problem = { 0 };
        const enum err err = formula_read(&f, table[i].text, &problem);
        ck_assert_msg(err == table[i].err && problem.err == err, "%s: %d", table[i].text, err);
        ck_assert_msg(strstr(problem.text, table[i].byte), "%s: %s", table[i].text, problem.text);
        ck_assert_mem_eq(&f, &before, sizeof f);
        ck_assert_int_eq(formula_read(&f, table[i].text, NULL), err);
    }
}
END_TEST

START_TEST(the_deepest_brackets_and_the_largest_count_are_read)
{
    ck_assert_int_eq(read_good("((((K))))").atoms[ELEMENT_K], 1);
    ck_assert_int_eq(read_good("K9999").atoms[ELEMENT_K], 9999);
    ck_assert_int_eq(read_good("(K9999)10").atoms[ELEMENT_K], 99990);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("formula");
    tcase_add_test(tc, atoms_are_counted_through_brackets_and_hydrates);
    tcase_add_test(tc, a_middle_dot_is_a_point_and_water_is_water);
    tcase_add_test(tc, ammonium_is_nitrogen_with_four_hydrogens);
    tcase_add_test(tc, cations_have_their_charges);
    tcase_add_test(tc, what_is_no_formula_is_refused_at_its_byte);
    tcase_add_test(tc, the_deepest_brackets_and_the_largest_count_are_read);
    return run_case(tc, "formula");
}
