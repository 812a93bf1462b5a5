/* The parts of the connection that need no broker: subscriptions, waits, the password's file. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/mqtt/mqtt_pace.h"
#include "daemon/mqtt/mqtt_paho.h"
#include "daemon/mqtt/mqtt_secret.h"
#include "daemon/mqtt/mqtt_wishes.h"
#include "tests/unit/support.h"

/* --- subscriptions ---------------------------------------------------------------------------- */

static struct wishes wishes;

static void want(const char *const *filters, uint32_t count)
{
    struct mqtt_subscription list[16] = { { .filter = NULL } };
    struct problem problem;
    for (uint32_t i = 0; i < count; i++) {
        list[i] = (struct mqtt_subscription){ .filter = filters[i], .qos = 1 };
    }
    ck_assert_int_eq(wishes_replace(&wishes, list, count, &problem), ERR_NONE);
}

static const char *filter_at(const struct wish_batch *b, uint32_t index)
{
    return wishes.item[b->index[index]].filter;
}

static int64_t grant(const struct wish_batch *b, uint8_t code)
{
    uint8_t codes[INBOX_CODES_MAX];
    memset(codes, code, sizeof codes);
    return wishes_settle(&wishes, b, codes, b->count);
}

START_TEST(subscriptions_are_asked_for_in_batches_until_all_are_granted)
{
    const char *const filters[] = { "c", "a", "b", "a" };
    struct wish_batch b;
    want(filters, 4);
    ck_assert(!wishes_granted(&wishes));
    ck_assert(wishes_next(&wishes, 2, &b));
    ck_assert(!b.leaving);
    ck_assert_uint_eq(b.count, 2);
    ck_assert_str_eq(filter_at(&b, 0), "a");
    ck_assert_str_eq(filter_at(&b, 1), "b");
    ck_assert_int_eq(grant(&b, 1), -1);
    ck_assert(!wishes_granted(&wishes));
    ck_assert(wishes_next(&wishes, 2, &b));
    ck_assert_uint_eq(b.count, 1); /* 'a' is asked for once */
    ck_assert_int_eq(grant(&b, 2), -1);
    ck_assert(wishes_granted(&wishes));
    ck_assert(!wishes_next(&wishes, 2, &b));
    wishes_free(&wishes);
}
END_TEST

START_TEST(a_refusal_names_the_filter)
{
    const char *const filters[] = { "a", "b", "c" };
    struct wish_batch b;
    want(filters, 3);
    ck_assert(wishes_next(&wishes, 3, &b));
    const uint8_t codes[] = { 1, 0x87, 1 };
    const int64_t refused = wishes_settle(&wishes, &b, codes, 3);
    ck_assert_str_eq(wishes.item[refused].filter, "b");
    ck_assert(!wishes_granted(&wishes));
    ck_assert(wishes_next(&wishes, 3, &b)); /* it alone is asked for again */
    ck_assert_uint_eq(b.count, 1);
    ck_assert_int_eq(grant(&b, 0), b.index[0]); /* less than asked */
    ck_assert(wishes_next(&wishes, 3, &b));
    ck_assert_int_eq(grant(&b, 0x80), b.index[0]);
    ck_assert(wishes_next(&wishes, 3, &b));
    ck_assert_int_eq(wishes_settle(&wishes, &b, codes, 0), b.index[0]); /* a list too short */
    wishes_free(&wishes);
}
END_TEST

START_TEST(a_new_list_keeps_what_is_the_same_and_undoes_what_is_gone)
{
    const char *const old[] = { "a", "b", "c" }, *const fresh[] = { "b", "d" };
    struct wish_batch b;
    want(old, 3);
    ck_assert(wishes_next(&wishes, 8, &b));
    ck_assert_int_eq(grant(&b, 1), -1);
    want(fresh, 2);
    ck_assert(!wishes_granted(&wishes));
    ck_assert(wishes_next(&wishes, 8, &b));
    ck_assert(b.leaving);
    ck_assert_uint_eq(b.count, 2);
    ck_assert_str_eq(filter_at(&b, 0), "a");
    ck_assert_str_eq(filter_at(&b, 1), "c");
    ck_assert_int_eq(wishes_settle(&wishes, &b, NULL, 0), -1);
    ck_assert(wishes_next(&wishes, 8, &b));
    ck_assert(!b.leaving);
    ck_assert_uint_eq(b.count, 1);
    ck_assert_str_eq(filter_at(&b, 0), "d");
    ck_assert_int_eq(grant(&b, 1), -1);
    ck_assert(wishes_granted(&wishes));
    ck_assert(!wishes_next(&wishes, 8, &b));
    ck_assert_uint_eq(wishes.count, 2);
    wishes_free(&wishes);
}
END_TEST

START_TEST(a_filter_that_is_wanted_otherwise_is_asked_for_again)
{
    struct mqtt_subscription s = { .filter = "a", .qos = 1 };
    struct problem problem;
    struct wish_batch b;
    for (int i = 0; i < 4; i++) {
        if (i == 1) s.settable = true;
        if (i == 2) s.kept = true;
        if (i == 3) s.qos = 0;
        ck_assert_int_eq(wishes_replace(&wishes, &s, 1, &problem), ERR_NONE);
        ck_assert(wishes_next(&wishes, 8, &b));
        ck_assert(!b.leaving);
        ck_assert_int_eq(grant(&b, (uint8_t)s.qos), -1);
        ck_assert_int_eq(wishes_replace(&wishes, &s, 1, &problem), ERR_NONE);
        ck_assert(!wishes_next(&wishes, 8, &b));
    }
    wishes_free(&wishes);
}
END_TEST

START_TEST(what_was_under_way_when_the_list_changed_is_asked_for_again)
{
    const char *const old[] = { "a", "b" }, *const fresh[] = { "a" };
    struct wish_batch b;
    want(old, 2);
    ck_assert(wishes_next(&wishes, 8, &b));
    want(fresh, 1);
    ck_assert(wishes_next(&wishes, 8, &b));
    ck_assert(b.leaving); /* the broker may have 'b' */
    ck_assert_str_eq(filter_at(&b, 0), "b");
    want(fresh, 1); /* ... and the UNSUBSCRIBE may be lost, too */
    ck_assert(wishes_next(&wishes, 8, &b));
    ck_assert(b.leaving);
    ck_assert_int_eq(wishes_settle(&wishes, &b, NULL, 0), -1);
    ck_assert(wishes_next(&wishes, 8, &b));
    ck_assert_str_eq(filter_at(&b, 0), "a");
    wishes_free(&wishes);
}
END_TEST

START_TEST(a_new_connection_has_nothing)
{
    const char *const old[] = { "a", "b" }, *const fresh[] = { "a" };
    struct wish_batch b;
    want(old, 2);
    ck_assert(wishes_next(&wishes, 8, &b));
    ck_assert_int_eq(grant(&b, 1), -1);
    want(fresh, 1);
    wishes_reset(&wishes);
    ck_assert_uint_eq(wishes.count, 1);
    ck_assert(!wishes_granted(&wishes));
    ck_assert(wishes_next(&wishes, 8, &b));
    ck_assert(!b.leaving);
    ck_assert_str_eq(filter_at(&b, 0), "a");
    wishes_free(&wishes);
}
END_TEST

/* --- waits ------------------------------------------------------------------------------------ */

static void waits_about(struct pace *p, int64_t ms)
{
    const int64_t wait = pace_wait_ms(p);
    ck_assert_int_ge(wait, ms * 3 / 4);
    ck_assert_int_le(wait, ms * 5 / 4);
}

START_TEST(the_wait_doubles_to_half_a_minute) /* _i is the seed */
{
    struct pace p = pace_start((uint64_t)_i);
    for (int64_t ms = 1000; ms <= 16000; ms *= 2) {
        waits_about(&p, ms);
    }
    for (int i = 0; i < 100; i++) {
        waits_about(&p, 30000);
    }
    pace_lost(&p, PACE_BRIEF_MS);
    waits_about(&p, 1000);
}
END_TEST

START_TEST(two_seeds_do_not_wait_alike)
{
    int same = 0;
    for (uint64_t i = 0; i < 100; i++) {
        struct pace a = pace_start(2 * i), b = pace_start(2 * i + 1);
        same += pace_wait_ms(&a) == pace_wait_ms(&b);
    }
    ck_assert_int_lt(same, 10);
}
END_TEST

START_TEST(three_short_connections_in_a_row_are_a_quarrel)
{
    struct pace p = pace_start(1);
    pace_lost(&p, PACE_BRIEF_MS - 1);
    pace_lost(&p, 0);
    ck_assert(!pace_quarrel(&p));
    pace_lost(&p, PACE_BRIEF_MS); /* this one held */
    pace_lost(&p, 0);
    pace_lost(&p, 0);
    ck_assert(!pace_quarrel(&p));
    waits_about(&p, 1000);
    pace_lost(&p, 0);
    ck_assert(pace_quarrel(&p));
    ck_assert_int_ge(pace_wait_ms(&p), 60000);
}
END_TEST

/* --- the password's file ---------------------------------------------------------------------- */

static char path[64];

static void setup_file(void)
{
    test_place(path, sizeof path, "secret-XXXXXX");
    const int fd = mkstemp(path);
    ck_assert_int_ge(fd, 0);
    close(fd);
}

static void teardown_file(void)
{
    unlink(path);
}

static enum err read_back(const char *bytes, size_t length, mode_t mode, struct secret *ret)
{
    struct problem problem;
    FILE *file = fopen(path, "w");
    ck_assert_uint_eq(fwrite(bytes, 1, length, file), length);
    fclose(file);
    ck_assert_int_eq(chmod(path, mode), 0);
    const enum err err = secret_read(ret, path, &problem);
    if (err != ERR_NONE) {
        ck_assert_str_eq(problem.where, path);
        ck_assert_uint_gt(strlen(problem.text), 0);
        ck_assert_int_eq(ret->length, 0);
        ck_assert_int_eq(ret->bytes[0], 0);
    }
    return err;
}

START_TEST(one_line_feed_at_the_end_is_not_part_of_the_password)
{
    const struct {
        const char *bytes;
        size_t length;
        int kept;
    } cases[] = { { "green", 5, 5 }, { "green\n", 6, 5 }, { "green\r\n", 7, 5 },
        { "green\n\n", 7, 6 }, { " green ", 7, 7 }, { "gr\0en", 5, 5 } };
    struct secret s;
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        ck_assert_int_eq(read_back(cases[i].bytes, cases[i].length, 0600, &s), ERR_NONE);
        ck_assert_int_eq(s.length, cases[i].kept);
        ck_assert_mem_eq(s.bytes, cases[i].bytes, (size_t)s.length);
        secret_forget(&s);
        for (size_t k = 0; k < sizeof s.bytes; k++) {
            ck_assert_int_eq(s.bytes[k], 0);
        }
    }
}
END_TEST

START_TEST(a_password_file_that_cannot_be_trusted_is_refused)
{
    static char long_text[SECRET_MAX + 3];
    struct secret s;
    struct problem problem;
    memset(long_text, 'x', sizeof long_text);
    ck_assert_int_eq(read_back("green", 5, 0640, &s), ERR_NONE);
    ck_assert_int_eq(read_back("green", 5, 0604, &s), ERR_IO);
    ck_assert_int_eq(read_back("green", 5, 0602, &s), ERR_IO);
    ck_assert_int_eq(read_back("", 0, 0600, &s), ERR_IO);
    ck_assert_int_eq(read_back("\n", 1, 0600, &s), ERR_IO);
    ck_assert_int_eq(read_back(long_text, SECRET_MAX, 0600, &s), ERR_NONE);
    ck_assert_int_eq(read_back(long_text, SECRET_MAX + 1, 0600, &s), ERR_IO);
    ck_assert_int_eq(read_back(long_text, SECRET_MAX + 3, 0600, &s), ERR_IO);
    ck_assert_int_eq(secret_read(&s, "/tmp", &problem), ERR_IO);
    ck_assert_int_eq(secret_read(&s, "/dev/zero", &problem), ERR_IO);
    ck_assert_int_eq(secret_read(&s, "/tmp/no-such-file-here", &problem), ERR_IO);
}
END_TEST

/* --- addresses -------------------------------------------------------------------------------- */

START_TEST(addresses_get_the_librarys_spelling_and_the_usual_port)
{
    const struct {
        const char *uri, *spelled;
    } cases[] = { { "mqtt://broker.example", "tcp://broker.example:1883" },
        { "mqtts://broker.example", "ssl://broker.example:8883" },
        { "mqtt://192.0.2.7:1884", "tcp://192.0.2.7:1884" },
        { "mqtts://[::1]", "ssl://[::1]:8883" },
        { "mqtts://[2001:db8::7]:9", "ssl://[2001:db8::7]:9" }, { "http://x", NULL },
        { "broker.example", NULL }, { "mqtt://", NULL }, { "mqtt://:1883", NULL },
        { "mqtt://[::1", NULL } };
    char spelled[PAHO_URI_MAX];
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        ck_assert_int_eq(paho_uri(spelled, cases[i].uri), cases[i].spelled != NULL);
        if (cases[i].spelled) ck_assert_str_eq(spelled, cases[i].spelled);
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("mqtt parts");
    tcase_add_checked_fixture(t, setup_file, teardown_file);
    tcase_add_test(t, subscriptions_are_asked_for_in_batches_until_all_are_granted);
    tcase_add_test(t, a_refusal_names_the_filter);
    tcase_add_test(t, a_new_list_keeps_what_is_the_same_and_undoes_what_is_gone);
    tcase_add_test(t, a_filter_that_is_wanted_otherwise_is_asked_for_again);
    tcase_add_test(t, what_was_under_way_when_the_list_changed_is_asked_for_again);
    tcase_add_test(t, a_new_connection_has_nothing);
    tcase_add_loop_test(t, the_wait_doubles_to_half_a_minute, 0, 50);
    tcase_add_test(t, two_seeds_do_not_wait_alike);
    tcase_add_test(t, three_short_connections_in_a_row_are_a_quarrel);
    tcase_add_test(t, one_line_feed_at_the_end_is_not_part_of_the_password);
    tcase_add_test(t, a_password_file_that_cannot_be_trusted_is_refused);
    tcase_add_test(t, addresses_get_the_librarys_spelling_and_the_usual_port);
    return run_case(t, "mqtt parts");
}
