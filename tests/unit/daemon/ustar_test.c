/* The archive's headers against the standard's layout, and against what is no such header. */
#include <stdio.h>
#include <string.h>

#include "daemon/backup/ustar.h"
#include "tests/unit/support.h"

static void make(uint8_t ret[USTAR_BLOCK])
{
    const struct ustar_member member = {
        .name = "a/b", .bytes = 1234, .mtime_s = 1700000000, .mode = 0640
    };
    ustar_write(ret, &member);
}

/* Offsets and forms by POSIX.1-2017, pax, "ustar Interchange Format"; the octal numbers and the sum
 * computed by hand (Python's oct, and a sum over the standard's fields). */
START_TEST(a_header_has_the_standards_fields)
{
    uint8_t block[USTAR_BLOCK];
    int sum = 0;
    char told[16];
    make(block);
    ck_assert_str_eq((const char *)block, "a/b");
    ck_assert_str_eq((const char *)block + 100, "0000640");
    ck_assert_str_eq((const char *)block + 124, "00000002322");
    ck_assert_str_eq((const char *)block + 136, "14524770400");
    ck_assert_int_eq(block[156], '0');
    ck_assert_mem_eq(block + 257, "ustar\00000", 8);
    for (int i = 0; i < USTAR_BLOCK; i++) {
        sum += i >= 148 && i < 156 ? ' ' : block[i];
    }
    snprintf(told, sizeof told, "%06o", (unsigned)sum);
    ck_assert_mem_eq(block + 148, told, 7); /* its NUL too */
    ck_assert_int_eq(block[155], ' ');
}
END_TEST

START_TEST(what_was_written_is_read)
{
    uint8_t block[USTAR_BLOCK];
    struct ustar_member m;
    make(block);
    ck_assert_int_eq(ustar_read(&m, block), USTAR_MEMBER);
    ck_assert_str_eq(m.name, "a/b");
    ck_assert_int_eq(m.bytes, 1234);
    ck_assert_uint_eq(m.mode, 0640);
    memset(block, 0, sizeof block);
    ck_assert_int_eq(ustar_read(&m, block), USTAR_END);
}
END_TEST

START_TEST(the_longest_name_and_the_largest_size_fit)
{
    uint8_t block[USTAR_BLOCK];
    struct ustar_member m = { .bytes = USTAR_BYTES_MOST }, again;
    memset(m.name, 'n', sizeof m.name - 1);
    ustar_write(block, &m);
    ck_assert_int_eq(ustar_read(&again, block), USTAR_MEMBER);
    ck_assert_str_eq(again.name, m.name);
    ck_assert_int_eq(again.bytes, USTAR_BYTES_MOST);
}
END_TEST

START_TEST(no_bit_changes_unseen)
{
    uint8_t block[USTAR_BLOCK];
    struct ustar_member m;
    for (int i = 0; i < USTAR_BLOCK * 8; i++) {
        make(block);
        block[i / 8] ^= (uint8_t)(1 << i % 8);
        ck_assert_msg(ustar_read(&m, block) == USTAR_BROKEN, "bit %d of byte %d", i % 8, i / 8);
    }
}
END_TEST

/* Whole by their sum, and still nothing that a backup has. */
START_TEST(links_folders_and_long_names_are_refused)
{
    static const struct {
        int at;
        char byte;
    } other[] = { { 156, '5' }, { 156, '2' }, { 157, 'x' }, { 345, 'x' }, { 0, '\0' }, { 124, '9' },
        { 103, '1' } };
    uint8_t block[USTAR_BLOCK];
    struct ustar_member m;
    char told[16];
    int sum = 0;
    make(block);
    block[other[_i].at] = (uint8_t)other[_i].byte;
    for (int i = 0; i < USTAR_BLOCK; i++) {
        sum += i >= 148 && i < 156 ? ' ' : block[i];
    }
    snprintf(told, sizeof told, "%06o", (unsigned)sum);
    memcpy(block + 148, told, 7);
    ck_assert_int_eq(ustar_read(&m, block), USTAR_BROKEN);
}
END_TEST

START_TEST(members_are_filled_up_to_whole_blocks)
{
    ck_assert_int_eq(ustar_filling(0), 0);
    ck_assert_int_eq(ustar_filling(1), 511);
    ck_assert_int_eq(ustar_filling(511), 1);
    ck_assert_int_eq(ustar_filling(512), 0);
    ck_assert_int_eq(ustar_filling(513), 511);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("ustar");
    tcase_add_test(t, a_header_has_the_standards_fields);
    tcase_add_test(t, what_was_written_is_read);
    tcase_add_test(t, the_longest_name_and_the_largest_size_fit);
    tcase_add_test(t, no_bit_changes_unseen);
    tcase_add_loop_test(t, links_folders_and_long_names_are_refused, 0, 7);
    tcase_add_test(t, members_are_filled_up_to_whole_blocks);
    return run_case(t, "ustar");
}
