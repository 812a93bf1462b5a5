/* Senders that fail again and again aren't listened to for a while, and then are again. */
#include "lib/core/mute.h"

#include <stdio.h>
#include <string.h>

#include "tests/unit/support.h"

static struct mutes m;
static struct mono now;
static uint32_t place;

static const char *sender(int i)
{
    static char name[MUTE_NAME_MAX];
    snprintf(name, sizeof name, "topic reply/%d", i);
    return name;
}

/* Strikes until it is muted; how many that took, or 'most'. */
static int strike(const char *name, int most)
{
    for (int i = 1; i <= most; i++) {
        if (mute_strike(&m, name, now, &place)) return i;
    }
    return most + 1;
}

START_TEST(so_many_failures_mute_and_time_ends_it)
{
    ck_assert_int_eq(strike("key phone", 1000), MUTE_STRIKES);
    ck_assert(mute_holds(&m, "key phone", now));
    ck_assert(!mute_holds(&m, "key hub", now));
    ck_assert(!mute_holds(&m, "key phon", now));
    ck_assert_int_eq(strike("key phone", 100), 101); /* it is already */
    ck_assert_uint_eq(mute_count(&m), 1);
    uint32_t over = 99;
    now.ms += MUTE_MS - 1;
    ck_assert(mute_holds(&m, "key phone", now) && !mute_over(&m, now, &over));
    now.ms += 1;
    ck_assert(!mute_holds(&m, "key phone", now) && mute_over(&m, now, &over));
    ck_assert_uint_eq(over, place);
    ck_assert_uint_eq(m.sender[over].unheard, 2);
    mute_end(&m, over);
    ck_assert(!mute_over(&m, now, &over));
    ck_assert_uint_eq(mute_count(&m), 0);
    ck_assert_int_eq(strike("key phone", 1000), MUTE_STRIKES); /* a clean slate */
}
END_TEST

START_TEST(one_failure_now_and_then_never_mutes)
{
    for (int i = 0; i < 10000; i++) {
        ck_assert_int_eq(strike("topic a", 1), 2);
        now.ms += MUTE_FORGIVE_MS;
    }
    ck_assert_int_eq(strike("topic a", 1000), MUTE_STRIKES);
}
END_TEST

START_TEST(time_forgives_one_by_one)
{
    ck_assert_int_eq(strike("topic a", MUTE_STRIKES - 1), MUTE_STRIKES);
    now.ms += 5 * MUTE_FORGIVE_MS;
    ck_assert_int_eq(strike("topic a", 1000), 6);
}
END_TEST

START_TEST(of_too_many_the_longest_silent_is_forgotten)
{
    for (int i = 0; i < MUTE_SENDERS_MAX; i++, now.ms += 1) {
        ck_assert_int_eq(strike(sender(i), MUTE_STRIKES - 1), MUTE_STRIKES);
    }
    ck_assert_int_eq(strike(sender(0), 1), 1); /* muted: it stays */
    ck_assert_int_eq(strike("topic new", 1), 2);
    ck_assert_int_eq(strike(sender(1), MUTE_STRIKES - 1), MUTE_STRIKES); /* it was forgotten */
    ck_assert(mute_holds(&m, sender(0), now));
}
END_TEST

START_TEST(while_all_are_muted_no_more_are)
{
    for (int i = 0; i < MUTE_SENDERS_MAX; i++) {
        ck_assert_int_eq(strike(sender(i), 1000), MUTE_STRIKES);
    }
    ck_assert_int_eq(strike("topic new", 1000), 1001);
    ck_assert(!mute_holds(&m, "topic new", now));
    ck_assert_uint_eq(mute_count(&m), MUTE_SENDERS_MAX);
}
END_TEST

START_TEST(a_long_name_is_cut)
{
    char name[400];
    memset(name, 'x', sizeof name);
    name[sizeof name - 1] = '\0';
    ck_assert_int_eq(strike(name, 1000), MUTE_STRIKES);
    ck_assert(mute_holds(&m, name, now));
    name[MUTE_NAME_MAX - 2] = 'y';
    ck_assert(!mute_holds(&m, name, now));
}
END_TEST

static void set_up(void)
{
    m = (struct mutes){ 0 };
    now = (struct mono){ 1000 };
}

int main(void)
{
    TCase *t = tcase_create("mute");
    tcase_add_checked_fixture(t, set_up, NULL);
    tcase_add_test(t, so_many_failures_mute_and_time_ends_it);
    tcase_add_test(t, one_failure_now_and_then_never_mutes);
    tcase_add_test(t, time_forgives_one_by_one);
    tcase_add_test(t, of_too_many_the_longest_silent_is_forgotten);
    tcase_add_test(t, while_all_are_muted_no_more_are);
    tcase_add_test(t, a_long_name_is_cut);
    return run_case(t, "mute");
}
