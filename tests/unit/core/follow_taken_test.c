/* What one that stands by takes over of the other's records, and what makes its limits unknown.
 * INV-1 over two boards. INV-n: safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/follow_fixture.h"

static void write_alert(const char *id, bool on)
{
    struct record *r = write_down("alert");
    record_add_text(r, "alert", id);
    record_add_text(r, "tank", "basil");
    record_add_truth(r, "on", on);
    hear(seal());
}

/* Of alerts only those that lock something; the others are found here, too. */
START_TEST(alerts_that_lock_come_along)
{
    static const struct {
        const char *id;
        bool taken;
    } alerts[] = {
        { "no-effect-basil-acid", true },
        { "ignores-basil-leaf-a", true },
        { "runs-on-west", true },
        { "probe-basil-ec", false },
        { "no-circulation-basil", false },
    };
    stand_by();
    write_alert(alerts[_i].id, true);
    ck_assert_uint_eq(count_records("alert"), alerts[_i].taken);
}
END_TEST

/* A request that was refused there did nothing; a claim is the other's; and what somebody knew of
 * limits there isn't known of those here. */
START_TEST(requests_that_did_something_come_along)
{
    static const struct {
        const char *request, *alert;
        bool told, ok, taken;
    } asked[] = {
        { "pause", NULL, true, true, true },
        { "pause", NULL, true, false, false },
        { "pause", NULL, false, false, false },
        { "claim", NULL, true, true, false },
        { "journal", NULL, true, true, false },
        { "acknowledge", "no-effect-basil-acid", true, true, true },
        { "acknowledge", "limits-unknown-west", true, true, false },
        { "acknowledge", "journal-restored", true, true, false },
    };
    stand_by();
    struct record *r = write_down("request");
    record_add_text(r, "request", asked[_i].request);
    record_add_text(r, "tank", "basil");
    if (asked[_i].alert) record_add_text(r, "alert", asked[_i].alert);
    if (asked[_i].told) record_add_truth(r, "ok", asked[_i].ok);
    hear(seal());
    ck_assert_uint_eq(count_records("request"), asked[_i].taken);
}
END_TEST

/* The other doesn't know what was dosed, or what it says is a third one's word. */
START_TEST(what_the_other_does_not_know_is_not_known_here)
{
    static const char *const kinds[] = { "limits-unknown", "damage", "restored", "outcome",
        "water" };
    stand_by();
    struct record *r = write_down(kinds[_i]);
    if (_i == 3) record_add_int(r, "of", 7);
    hear(seal());
    ck_assert_int_eq(west()->limits_unknown, _i < 4);
    ck_assert_int_eq(used_ul(BASIL, 0), _i < 4 ? 200000 : 0);
}
END_TEST

/* A fraction comes along as it was written. */
START_TEST(what_was_learned_comes_along_without_a_place)
{
    stand_by();
    struct record *r = write_down("learned");
    record_add_text(r, "tank", "basil");
    record_add_text(r, "stock", "leaf-a");
    record_add_real(r, "gain", 1.25, 2);
    hear(seal());
    const struct record *copy = recorded("learned");
    double gain = 0.0;
    int64_t of;
    ck_assert(record_real(copy, "gain", &gain) && gain == 1.25);
    ck_assert(!record_int(copy, "of", &of));
}
END_TEST

/* Of the numbers that led to a dose its own record is told; those of the other kinds come along. */
START_TEST(a_fraction_of_another_record_comes_along)
{
    stand_by();
    struct record *r = write_down("ran-on");
    record_add_text(r, "chain", "west");
    record_add_real(r, "amps", 0.75, 2);
    hear(seal());
    double amps = 0.0;
    ck_assert(record_real(recorded("ran-on"), "amps", &amps) && amps == 0.75);
}
END_TEST

/* Nothing tells what the head lists, so nothing says that all of it is known. */
START_TEST(without_the_heads_list_nothing_is_vouched_for)
{
    stand_by();
    hear(write_dose("o-1", 7000));
    hear(write_outcome("o-1", 7000));
    run_for(CLAIM_SILENCE_MS + 2000);
    tell_link(true);
    tell_owner("other", 40);
    run_for(CLAIM_SILENCE_MS + 3000);
    ck_assert_int_eq(west()->asked_reign, 41);
    tell_owner(b.core->identity.by, 41);
    ck_assert(west()->limits_unknown);
}
END_TEST

/* The owner serves another site: its journal isn't the one that was followed. */
START_TEST(an_owner_from_another_site_is_not_vouched_for)
{
    stand_by();
    text_copy(west()->claim.site, sizeof west()->claim.site, "elsewhere");
    ck_assert(!core_follow_vouches(b.core, WEST));
    ck_assert(core_follow_vouches(b.core, EAST));
}
END_TEST

/* So many at once are given, and no more: the rest is asked for when these are in. */
START_TEST(a_long_hole_is_asked_for_piece_by_piece)
{
    stand_by();
    for (int i = 0; i < FOLLOW_ASK_MOST + 5; i++) {
        (void)write_plain("water");
    }
    hear_tip();
    ck_assert_int_eq(wanted(ACTION_ASK)->replay.from, 2);
    ck_assert_int_eq(wanted(ACTION_ASK)->replay.to, FOLLOW_ASK_MOST + 1);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("follow_taken");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_loop_test(t, alerts_that_lock_come_along, 0, 5);
    tcase_add_loop_test(t, requests_that_did_something_come_along, 0, 8);
    tcase_add_loop_test(t, what_the_other_does_not_know_is_not_known_here, 0, 5);
    tcase_add_test(t, what_was_learned_comes_along_without_a_place);
    tcase_add_test(t, a_fraction_of_another_record_comes_along);
    tcase_add_test(t, without_the_heads_list_nothing_is_vouched_for);
    tcase_add_test(t, an_owner_from_another_site_is_not_vouched_for);
    tcase_add_test(t, a_long_hole_is_asked_for_piece_by_piece);
    return run_case(t, "follow_taken");
}
