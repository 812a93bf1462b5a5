#include "lib/chain/plain.h"

#include <string.h>

#include "tests/unit/support.h"

static const struct plain_output timed = {
    .topic = "shed/a", .payload = "${ms}", .off_payload = "0", .unit = PLAIN_MS, .step_ms = 1
};

START_TEST(the_place_to_fill_in_is_found)
{
    static const struct {
        const char *payload;
        enum plain_fault fault;
        enum plain_unit unit;
    } table[] = { { "on", PLAIN_GOOD, PLAIN_SWITCHED }, { "${ms}", PLAIN_GOOD, PLAIN_MS },
        { "on,${seconds}!", PLAIN_GOOD, PLAIN_SECONDS }, { "{\"v\":${ml}}", PLAIN_GOOD, PLAIN_ML },
        { "$5 {ms}", PLAIN_GOOD, PLAIN_SWITCHED }, { "$${ms}", PLAIN_GOOD, PLAIN_MS },
        { "${ms", PLAIN_OPEN, PLAIN_SWITCHED }, { "${}", PLAIN_OTHER_NAME, PLAIN_SWITCHED },
        { "${MS}", PLAIN_OTHER_NAME, PLAIN_SWITCHED }, { "${m}", PLAIN_OTHER_NAME, PLAIN_SWITCHED },
        { "${msx}", PLAIN_OTHER_NAME, PLAIN_SWITCHED },
        { "${ms} ${ml}", PLAIN_SECOND_PLACE, PLAIN_SWITCHED },
        { "${ms}${", PLAIN_SECOND_PLACE, PLAIN_SWITCHED } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        enum plain_unit unit = PLAIN_SWITCHED;
        ck_assert_msg(
            plain_read(&unit, table[i].payload) == table[i].fault, "%s", table[i].payload);
        ck_assert_msg(unit == table[i].unit, "%s", table[i].payload);
    }
}
END_TEST

static void expect_filled(
    const struct plain_output *o, int64_t run_ms, int64_t ul, const char *expected)
{
    char payload[PLAIN_PAYLOAD_MAX];
    struct text t = text_over(payload, sizeof payload);
    const bool filled = plain_fill(&t, o, run_ms, ul);
    ck_assert_msg(filled == (expected != NULL), "%s", payload);
    if (expected) ck_assert_str_eq(payload, expected);
}

START_TEST(time_and_volume_are_filled_in)
{
    struct plain_output o = timed;
    expect_filled(&o, 4200, 0, "4200");
    o.payload = "{\"relay\":3,\"on_for\":${seconds}}";
    o.unit = PLAIN_SECONDS;
    expect_filled(&o, 4200, 0, "{\"relay\":3,\"on_for\":4.2}");
    expect_filled(&o, 4000, 0, "{\"relay\":3,\"on_for\":4}");
    expect_filled(&o, 10, 0, "{\"relay\":3,\"on_for\":0.01}");
    expect_filled(&o, 100000, 0, "{\"relay\":3,\"on_for\":100}");
    o.payload = "dose ${ml} now";
    o.unit = PLAIN_ML;
    expect_filled(&o, 4200, 3500, "dose 3.5 now");
    expect_filled(&o, 4200, 0, NULL); /* a volume must be known */
    o.payload = "on";
    o.unit = PLAIN_SWITCHED;
    o.auto_off_ms = 5000;
    expect_filled(&o, 4200, 0, "on");
}
END_TEST

START_TEST(runs_keep_to_the_steps_and_the_longest)
{
    struct plain_output o = timed;
    o.step_ms = 1000;
    expect_filled(&o, 4999, 0, "4000");
    expect_filled(&o, 999, 0, NULL);
    ck_assert_int_eq(plain_run_ms(&o, 4999), 4000);
    o.step_ms = 1;
    expect_filled(&o, 0, 0, NULL);
    expect_filled(&o, PLAIN_LONGEST_MS, 0, "120000");
    expect_filled(&o, PLAIN_LONGEST_MS + 1, 0, NULL);
    o.auto_off_ms = 30000;
    ck_assert_int_eq(plain_longest_ms(&o), 30000);
    expect_filled(&o, 30001, 0, NULL);
    o.auto_off_ms = 900000; /* a self-timed one never runs longer than a head would let it */
    ck_assert_int_eq(plain_longest_ms(&o), PLAIN_LONGEST_MS);
    o.circulation = true;
    ck_assert_int_eq(plain_longest_ms(&o), PLAIN_LONGEST_CIRCULATE_MS);
    o.unit = PLAIN_SWITCHED;
    ck_assert_int_eq(plain_longest_ms(&o), 900000);
}
END_TEST

START_TEST(what_doesnt_fit_isnt_sent)
{
    char small[4];
    struct text t = text_over(small, sizeof small);
    ck_assert(!plain_fill(&t, &timed, 12345, 0));
}
END_TEST

START_TEST(same_topic_and_payloads_have_one_name)
{
    char a[CHAIN_WORD_MAX], other[CHAIN_WORD_MAX];
    struct plain_output o = timed;
    plain_serial(a, &o);
    ck_assert(chain_key_valid(a));
    o.auto_off_ms = 5000; /* a setting, not another output */
    plain_serial(other, &o);
    ck_assert_str_eq(a, other);
    o.off_payload = "1";
    plain_serial(other, &o);
    ck_assert_str_ne(a, other);
    o = timed;
    o.topic = "shed/a$";
    o.payload = "{ms}";
    plain_serial(other, &o);
    ck_assert_str_ne(a, other); /* the texts don't run into each other */
}
END_TEST

START_TEST(it_says_what_is_known_of_it)
{
    char words[160];
    struct text t = text_over(words, sizeof words);
    plain_tell(&t, &timed);
    ck_assert_str_eq(words, "at most 2 min a run; told how long in ms; reports nothing");
    struct plain_output other = timed;
    other.unit = PLAIN_SECONDS;
    t = text_over(words, sizeof words);
    plain_tell(&t, &other);
    ck_assert_str_eq(words, "at most 2 min a run; told how long in s; reports nothing");
    other.unit = PLAIN_ML;
    t = text_over(words, sizeof words);
    plain_tell(&t, &other);
    ck_assert_str_eq(words, "at most 2 min a run; told how much in mL; reports nothing");
    const struct plain_output switched = {
        .unit = PLAIN_SWITCHED, .auto_off_ms = 20000, .state_topic = "shed/state"
    };
    t = text_over(words, sizeof words);
    plain_tell(&t, &switched);
    ck_assert_str_eq(words, "at most 20 s a run, its own limit; switched on and off; "
                            "reports on and off");
}
END_TEST

int main(void)
{
    TCase *tcase = tcase_create("plain");
    tcase_add_test(tcase, the_place_to_fill_in_is_found);
    tcase_add_test(tcase, time_and_volume_are_filled_in);
    tcase_add_test(tcase, runs_keep_to_the_steps_and_the_longest);
    tcase_add_test(tcase, what_doesnt_fit_isnt_sent);
    tcase_add_test(tcase, same_topic_and_payloads_have_one_name);
    tcase_add_test(tcase, it_says_what_is_known_of_it);
    return run_case(tcase, "plain");
}
