/* Two daemons that serve one site at once: the one that commands nothing stands by. INV-9. INV-n:
 * safety invariants in DEVELOPERS.md. */
#include "tests/unit/core/claim_fixture.h"

/* Serves the site, as nobody commanded its chains when it looked. */
static void serve(void)
{
    prepare();
    listen_to("", 0);
    ticks();
    listen_to("", 0);
    run_for(2000);
    ck_assert(b.core->active);
}

/* Two that start together both serve the site; the heads obey one. The other stands by once it
 * hears that one's beat, and takes over when it falls silent, without anybody's word. */
START_TEST(the_loser_of_a_race_stands_by_and_takes_over_later)
{
    serve();
    tell_claim(WEST, "stranger", 1);
    tell_claim(EAST, "stranger", 1);
    ck_assert(b.core->active); /* as far as it knows that one has gone */
    tell_peer("stranger", true);
    ck_assert(!b.core->active && b.core->has_peer && !west()->deposed);
    ck_assert_ptr_nonnull(wants(ACTION_STAND_BY));
    ck_assert(!alert_stands(b.core, "taken-over-west"));
    listen_to("stranger", 1);
    run_for(CLAIM_SILENCE_MS - 2000);
    ck_assert(!b.core->active);
    run_for(4000);
    ck_assert(b.core->active && !west()->beaten);
    listen_to("stranger", 1);
    run_for(CLAIM_SILENCE_MS + 2000);
    ck_assert(b.core->active);
    ck_assert_int_eq(west()->asked_reign, 2);
}
END_TEST

/* Not a word of the owner: of somebody else, of the owner at another site, of one whose claim is
 * gone. */
START_TEST(who_doesnt_own_the_chains_makes_nobody_stand_by)
{
    serve();
    tell_claim(WEST, "stranger", 1);
    tell_claim(EAST, _i == 2 ? b.core->identity.by : "stranger", 1);
    if (_i == 2) tell_claim(WEST, b.core->identity.by, 1);
    tell_peer(_i == 0 ? "else" : "stranger", _i != 1);
    ck_assert(b.core->active);
    ck_assert_ptr_null(wants(ACTION_STAND_BY));
}
END_TEST

/* Each has got one: both go on with theirs, and somebody is told. */
START_TEST(a_race_won_by_halves_is_told)
{
    serve();
    const uint32_t lost = _i == 0 ? WEST : EAST, won = _i == 0 ? EAST : WEST;
    tell_claim(lost, "stranger", 1);
    tell_claim(won, b.core->identity.by, 1);
    ck_assert(b.core->chain[won].ours && !b.core->chain[lost].deposed);
    tell_peer("stranger", true);
    ck_assert(b.core->active && b.core->chain[lost].deposed);
    ck_assert(alert_stands(b.core, _i == 0 ? "taken-over-west" : "taken-over-east"));
    ck_assert_ptr_null(wants(ACTION_STAND_BY));
}
END_TEST

/* Somebody says 'claim', and the owner's beat comes before it is asked for. */
START_TEST(who_is_told_to_claim_doesnt_stand_by)
{
    serve();
    tell_claim(WEST, "stranger", 1);
    tell_claim(EAST, "stranger", 1);
    ck_assert(ask_for((struct event_request){ .kind = REQUEST_CLAIM, .chain = WEST }));
    tell_peer("stranger", true);
    ck_assert(b.core->active);
    run_for(CLAIM_RETRY_MS);
    ck_assert_int_eq(west()->asked_reign, 2);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("race");
    tcase_add_test(t, the_loser_of_a_race_stands_by_and_takes_over_later);
    tcase_add_loop_test(t, who_doesnt_own_the_chains_makes_nobody_stand_by, 0, 3);
    tcase_add_loop_test(t, a_race_won_by_halves_is_told, 0, 2);
    tcase_add_test(t, who_is_told_to_claim_doesnt_stand_by);
    return run_case(t, "race");
}
