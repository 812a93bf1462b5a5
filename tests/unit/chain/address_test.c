#include "lib/chain/address.h"

#include <string.h>

#include "tests/unit/support.h"

START_TEST(an_address_comes_back_as_it_was_written)
{
    static const struct {
        const char *text, *chain;
        uint32_t position, channel;
    } table[] = { { "west/2.3", "west", 2, 3 }, { "w/1.1", "w", 1, 1 },
        { "west-2/16.16", "west-2", 16, 16 }, { "west/1.circulation", "west", 1, 0 },
        { "01234567890123456789012345678901/10.9", "01234567890123456789012345678901", 10, 9 } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct chain_address_text a;
        char line[64];
        struct text t = text_over(line, sizeof line);
        ck_assert_msg(chain_address_read(&a, table[i].text), "%s", table[i].text);
        ck_assert_str_eq(a.chain, table[i].chain);
        ck_assert_uint_eq(a.position, table[i].position);
        ck_assert_uint_eq(a.channel, table[i].channel);
        chain_address_add(&t, a.chain, a.position, a.channel);
        ck_assert_str_eq(line, table[i].text);
    }
}
END_TEST

START_TEST(anything_else_is_no_address)
{
    static const char *const bad[] = { "", "/", "west", "west/", "west/2", "west/2.", "west/.3",
        "/2.3", "west/0.3", "west/2.0", "west/17.1", "west/1.17", "west/02.3", "west/2.03",
        "west/+2.3", "west/2.3 ", " west/2.3", "west/2.3.4", "west/2,3", "west/2.3x", "West/2.3",
        "we st/2.3", "west//2.3", "west/2.Circulation", "west/2.circulation ", "west/2.circ",
        "west/-1.3", "west/4294967298.3", "west/2.4294967299", "west/2.99999999999999999999",
        "012345678901234567890123456789012/1.1", "west/1.circulationx", "west/two.3",
        "west/2.3\n" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct chain_address_text a = { "kept", 7, 7 };
        ck_assert_msg(!chain_address_read(&a, bad[i]), "%s", bad[i]);
        ck_assert(strcmp(a.chain, "kept") == 0 && a.position == 7 && a.channel == 7);
    }
}
END_TEST

START_TEST(addresses_are_the_same_when_all_three_parts_are)
{
    const struct chain_address a = { 1, 2, 3 };
    ck_assert(chain_address_same(&a, &(struct chain_address){ 1, 2, 3 }));
    ck_assert(!chain_address_same(&a, &(struct chain_address){ 0, 2, 3 }));
    ck_assert(!chain_address_same(&a, &(struct chain_address){ 1, 1, 3 }));
    ck_assert(!chain_address_same(&a, &(struct chain_address){ 1, 2, 0 }));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("address");
    tcase_add_test(tc, an_address_comes_back_as_it_was_written);
    tcase_add_test(tc, anything_else_is_no_address);
    tcase_add_test(tc, addresses_are_the_same_when_all_three_parts_are);
    return run_case(tc, "address");
}
