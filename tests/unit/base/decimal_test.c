#include "lib/base/decimal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

static void plain(const char *text, int64_t scaled, unsigned decimals)
{
    struct decimal d;
    ck_assert_msg(decimal_read_plain(&d, text, strlen(text)), "%s is refused", text);
    ck_assert_int_eq(d.scaled, scaled);
    ck_assert_uint_eq(d.decimals, decimals);
}

START_TEST(plain_decimals_are_read_exactly)
{
    plain("0", 0, 0);
    plain("12", 12, 0);
    plain("0.35", 35, 2);
    plain("-420", -420, 0);
    plain("-0.5", -5, 1);
    plain("1.20", 120, 2);
    plain("999999999999999", 999999999999999, 0);
    plain("0.000000001", 1, 9);
}
END_TEST

START_TEST(what_is_not_a_plain_decimal_is_refused)
{
    static const char *const bad[] = { "", "-", "+1", ".5", "12.", "010", "00", "-01", "1e3", "1E3",
        "0x10", " 1", "1 ", "1,5", "1.2.3", "1_000", ".inf", "nan", "1:30", "--1", "1-",
        "0.0000000001", "1234567890123456", "1.000000000000000" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct decimal d = { -7, 7 };
        ck_assert_msg(!decimal_read_plain(&d, bad[i], strlen(bad[i])), "%s is taken", bad[i]);
        ck_assert_int_eq(d.scaled, -7);
    }
    struct decimal d;
    ck_assert(!decimal_read_plain(&d, "1\0002", 3));
    ck_assert(decimal_read_plain(&d, "12", 1)); /* the length rules, not a NUL */
    ck_assert_int_eq(d.scaled, 1);
}
END_TEST

START_TEST(scaling_is_whole_or_refused)
{
    int64_t value = -1;
    ck_assert(decimal_scaled(&value, (struct decimal){ 35, 2 }, 3));
    ck_assert_int_eq(value, 350);
    ck_assert(!decimal_scaled(&value, (struct decimal){ 3505, 4 }, 3));
    ck_assert_int_eq(value, 350);
    ck_assert(decimal_scaled(&value, (struct decimal){ -3500, 4 }, 2));
    ck_assert_int_eq(value, -35);
    ck_assert(decimal_scaled(&value, (struct decimal){ 999999999999999, 0 }, 3));
    ck_assert(!decimal_scaled(&value, (struct decimal){ 999999999999999, 0 }, 9));
    ck_assert_double_eq(decimal_real((struct decimal){ 35, 2 }), 0.35);
}
END_TEST

START_TEST(json_numbers_are_read_in_full)
{
    static const char *const good[] = { "0", "-0", "6.2", "-6.2", "1e3", "1E+3", "1e-3", "0.001",
        "123456789", "6.02e2", "0e99", "0.0e-5", "1e15", "3.141592653589793", "1e-30" };
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        double value;
        ck_assert_msg(decimal_read_json(&value, good[i], strlen(good[i])), "%s refused", good[i]);
        ck_assert_double_eq(value, strtod(good[i], NULL));
    }
    double value;
    ck_assert(
        decimal_read_json(&value, "6.200000000000000000000000000000000000000000000000000", 53));
    ck_assert_double_eq_tol(value, 6.2, 1e-15);
}
END_TEST

START_TEST(what_is_not_a_json_number_is_refused)
{
    static const char *const bad[] = { "", "-", "+1", ".5", "5.", "05", "-05", "1e", "1e+", "e5",
        "1.e5", "0x1", "1e400", "-1e400", "1e16", "1000000000000001", "NaN", "Infinity", "1 ", " 1",
        "1,2", "1e5.5", "1e999999999999999999999",
        "11111111111111111111111111111111111111111111111111111111111111111" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        double value = -7.0;
        ck_assert_msg(!decimal_read_json(&value, bad[i], strlen(bad[i])), "%s is taken", bad[i]);
        ck_assert_double_eq(value, -7.0);
    }
    double value;
    ck_assert(decimal_read_json(&value, "1e-999999999999", 15));
    ck_assert_double_eq(value, 0.0);
}
END_TEST

START_TEST(json_numbers_as_probes_send_them_equal_the_c_librarys) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < 5000; n++) {
        char text[40];
        const int places = (int)prng_below(&prng, 9);
        const double x = (prng_unit(&prng) - 0.5) * 20000.0;
        snprintf(text, sizeof text, "%.*f", places, x);
        double value;
        ck_assert(decimal_read_json(&value, text, strlen(text)));
        ck_assert_double_eq(value, strtod(text, NULL));
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("decimal");
    tcase_add_test(tc, plain_decimals_are_read_exactly);
    tcase_add_test(tc, what_is_not_a_plain_decimal_is_refused);
    tcase_add_test(tc, scaling_is_whole_or_refused);
    tcase_add_test(tc, json_numbers_are_read_in_full);
    tcase_add_test(tc, what_is_not_a_json_number_is_refused);
    tcase_add_loop_test(tc, json_numbers_as_probes_send_them_equal_the_c_librarys, 0, 10);
    return run_case(tc, "decimal");
}
