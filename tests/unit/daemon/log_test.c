/* Whatever foreign text gets into a log line, it stays one line and says nothing to a terminal. */
#include "daemon/base/log.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "lib/base/prng.h"
#include "lib/base/text.h"
#include "tests/unit/support.h"

static char said[16384];

/* What a line makes of standard error. */
static const char *hear(const char *text, bool formatted)
{
    FILE *file = tmpfile();
    ck_assert_ptr_nonnull(file);
    fflush(stderr);
    const int before = dup(STDERR_FILENO);
    ck_assert_int_ge(dup2(fileno(file), STDERR_FILENO), 0);
    if (formatted)
        log_format(LOG_WARNED, "heard %s", text);
    else
        log_line(LOG_WARNED, text);
    fflush(stderr);
    ck_assert_int_ge(dup2(before, STDERR_FILENO), 0);
    close(before);
    rewind(file);
    const size_t length = fread(said, 1, sizeof said - 1, file);
    said[length] = '\0';
    fclose(file);
    return said;
}

static void is_one_safe_line(void)
{
    const size_t length = strlen(said);
    ck_assert_uint_gt(length, 0);
    ck_assert_uint_le(length, 2048 + 8);
    ck_assert_int_eq(said[length - 1], '\n');
    for (size_t i = 0; i + 1 < length; i++) {
        const unsigned char c = (unsigned char)said[i];
        ck_assert_msg(c >= 0x20 && c != 0x7f, "byte 0x%02x at %zu", c, i);
        if (c == 0xc2)
            ck_assert((unsigned char)said[i + 1] < 0x80 || (unsigned char)said[i + 1] >= 0xa0);
    }
}

START_TEST(control_characters_are_shown_not_sent)
{
    ck_assert_str_eq(hear("plain \"words\" of 20 \xc2\xb0"
                          "C",
                         false),
        "plain \"words\" of 20 \xc2\xb0"
        "C\n");
    ck_assert_str_eq(hear("a\nb\r\n<3>forged\x1b[2J\x07\x7f\t.", false),
        "a\\x0ab\\x0d\\x0a<3>forged\\x1b[2J\\x07\\x7f\\x09.\n");
    ck_assert_str_eq(hear("\xc2\x9b"
                          "2J \xc2\x80\xc2\x9f\xc2\xa0",
                         false),
        "\\xc29b2J \\xc280\\xc29f\xc2\xa0\n");
    ck_assert_str_eq(hear("\n", true), "heard \\x0a\n");
    ck_assert_str_eq(hear("", false), "\n");
}
END_TEST

START_TEST(a_very_long_text_is_cut)
{
    static char text[8192];
    for (int c = 'x'; c >= 0; c -= 'x' - '\n') {
        memset(text, c, sizeof text - 1);
        (void)hear(text, false);
        is_one_safe_line();
        ck_assert_uint_gt(strlen(said), 2000);
        (void)hear(text, true);
        is_one_safe_line();
    }
}
END_TEST

START_TEST(the_journal_daemons_prefix_cannot_be_forged)
{
    ck_assert_int_eq(setenv("JOURNAL_STREAM", "8:1", 1), 0);
    ck_assert_str_eq(hear("a\n<0>b", false), "<4>a\\x0a<0>b\n");
}
END_TEST

START_TEST(no_bytes_get_through) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i);
    char text[512];
    for (int n = 0; n < 200; n++) {
        const int64_t length = prng_below(&prng, sizeof text);
        for (int64_t i = 0; i < length; i++) {
            text[i] = (char)(1 + prng_below(&prng, 255));
        }
        text[length] = '\0';
        (void)hear(text, n % 2 == 0);
        is_one_safe_line();
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("log");
    tcase_add_test(t, control_characters_are_shown_not_sent);
    tcase_add_test(t, a_very_long_text_is_cut);
    tcase_add_test(t, the_journal_daemons_prefix_cannot_be_forged);
    tcase_add_loop_test(t, no_bytes_get_through, 0, 4);
    return run_case(t, "log");
}
