/* The virtual chain head: what it does with a command that is in order, and what it keeps. */
#include "tests/unit/plant/heads.h"

START_TEST(a_dose_runs_exactly_as_long_as_it_should)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 1, 3, 4200));
    ck_assert(head_runs(&h, 1, 3));
    ck_assert_int_eq(outputs_on(&h), 1);
    ck_assert(h.ledger_changed && h.command_changed);
    ck_assert_str_eq(h.accepted.id, "d-1");
    ck_assert_str_eq(entry(&h, 0), "d-1@boot-1 running 0");
    EXPECT(&h, "d-1 running 0");
    ck_assert_int_eq(head_next_end(&h), 14200);
    head_advance(&h, 14199);
    ck_assert(head_runs(&h, 1, 3));
    EXPECT(&h, NULL);
    h.ledger_changed = false;
    head_advance(&h, 14200);
    ck_assert(!head_runs(&h, 1, 3));
    ck_assert(h.ledger_changed);
    EXPECT(&h, "d-1 done 4200");
    ck_assert_str_eq(entry(&h, 0), "d-1@boot-1 done 4200");
    ck_assert_int_eq(h.module[1].output[3].total_ms, 4200);
    ck_assert_int_eq(head_next_end(&h), INT64_MAX);
}
END_TEST

START_TEST(a_leap_in_time_doesnt_make_a_run_longer)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 9000));
    give(&h, dose(&h, "d-1", 1, 1, 5000));
    give(&h, dose(&h, "d-2", 1, 2, 3000));
    head_advance(&h, 1000000);
    EXPECT(&h, "c-1 running 0", "d-1 running 0", "d-2 running 0", "d-2 done 3000", "d-1 done 5000",
        "c-1 done 9000");
    ck_assert_int_eq(h.module[1].output[1].total_ms, 5000);
    ck_assert_int_eq(h.module[0].output[0].total_ms, 9000);
}
END_TEST

START_TEST(a_report_has_the_time_of_what_it_tells)
{
    struct head h = claimed_head();
    struct chain_report r;
    give(&h, dose(&h, "d-1", 1, 1, 5000));
    head_advance(&h, 99000);
    ck_assert(head_take_report(&h, &r) && r.up_ms == 10000);
    ck_assert(head_take_report(&h, &r) && r.up_ms == 15000);
}
END_TEST

START_TEST(circulation_is_replaced_without_a_pause_and_ends_by_the_newer)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 60000));
    give(&h, needing(dose(&h, "d-1", 1, 1, 20000), &h.module[0]));
    head_advance(&h, 15000);
    give(&h, circulate(&h, "c-2", 0, 25000)); /* ends sooner than the old one would */
    ck_assert(head_runs(&h, 0, 0) && head_runs(&h, 1, 1));
    ck_assert_str_eq(entry(&h, 0), "c-2@boot-1 running 0");
    ck_assert_str_eq(entry(&h, 2), "c-1@boot-1 done 5000");
    head_advance(&h, 39999);
    ck_assert(head_runs(&h, 0, 0));
    head_advance(&h, 40000);
    ck_assert(!head_runs(&h, 0, 0));
    EXPECT(&h, "c-1 running 0", "d-1 running 0", "c-1 done 5000", "c-2 running 0", "d-1 done 20000",
        "c-2 done 25000");
}
END_TEST

START_TEST(a_dose_stops_with_the_circulation_that_it_needs)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 3000));
    give(&h, circulate(&h, "c-2", 2, 60000));
    give(&h, needing(dose(&h, "d-1", 1, 1, 9000), &h.module[0]));
    give(&h, needing(dose(&h, "d-2", 1, 2, 9000), &h.module[2]));
    give(&h, dose(&h, "d-3", 1, 3, 9000));
    head_advance(&h, 13000);
    EXPECT(&h, "c-1 running 0", "c-2 running 0", "d-1 running 0", "d-2 running 0", "d-3 running 0",
        "c-1 done 3000", "d-1 stopped 3000");
    ck_assert(!head_runs(&h, 1, 1) && head_runs(&h, 1, 2) && head_runs(&h, 1, 3));
    ck_assert_str_eq(entry(&h, 2), "d-1@boot-1 stopped 3000");
}
END_TEST

START_TEST(a_dose_that_ends_with_its_circulation_is_done)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 3000));
    give(&h, needing(dose(&h, "d-1", 1, 1, 3000), &h.module[0]));
    head_advance(&h, 20000);
    EXPECT(&h, "c-1 running 0", "d-1 running 0", "d-1 done 3000", "c-1 done 3000");
}
END_TEST

START_TEST(a_stop_with_a_serial_stops_that_module_only)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 60000));
    give(&h, dose(&h, "d-1", 0, 1, 9000));
    give(&h, dose(&h, "d-2", 0, 2, 9000));
    give(&h, dose(&h, "d-3", 1, 1, 9000));
    give(&h, needing(dose(&h, "d-4", 1, 2, 9000), &h.module[0]));
    while (said(&h)[0]) {
    }
    head_advance(&h, 11000);
    struct chain_command stop = { .id = "s-1", .action = CHAIN_STOP, .serial = "a1f3" };
    stop.channel = 2;
    give(&h, stop);
    EXPECT(&h, "d-2 stopped 1000", "s-1 done 0");
    ck_assert(head_runs(&h, 0, 0) && head_runs(&h, 0, 1) && head_runs(&h, 1, 1));
    put(stop.id, "s-2");
    stop.channel = 0;
    give(&h, stop);
    EXPECT(&h, "d-1 stopped 1000", "c-1 stopped 1000", "d-4 stopped 1000", "s-2 done 0");
    ck_assert_int_eq(outputs_on(&h), 1);
    ck_assert_str_eq(entry(&h, 0), "s-2@boot-1 done 0");
}
END_TEST

START_TEST(a_stop_without_a_serial_stops_the_chain)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 60000));
    give(&h, dose(&h, "d-1", 0, 1, 9000));
    give(&h, dose(&h, "d-3", 2, 1, 9000));
    head_hand(&h, 1, 4, true);
    while (said(&h)[0]) {
    }
    head_advance(&h, 11000);
    give(&h, (struct chain_command){ .id = "s-1", .action = CHAIN_STOP, .channel = 2 });
    EXPECT(&h, "d-1 stopped 1000", "c-1 stopped 1000", "d-3 stopped 1000", "s-1 done 0");
    ck_assert_int_eq(outputs_on(&h), 0);
    ck_assert(!h.manual.running && h.manual.ran_ms == 1000);
    ck_assert(!h.halted);
}
END_TEST

START_TEST(a_stop_is_refused_for_nothing_but_its_form_and_its_id)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 1, 1, 9000));
    (void)said(&h);
    struct chain_command stop = { .id = "s-1", .action = CHAIN_STOP, .serial = "b77c" };
    put(stop.by, "stranger");
    put(stop.boot, "elsewhere");
    stop.reign = 99;
    stop.epoch = 99;
    stop.until_ms = 1;
    stop.position = 9;
    head_command(&h, &stop, true);
    EXPECT(&h, "s-1 refused 0 malformed");
    ck_assert(head_runs(&h, 1, 1));
    give(&h, stop);
    EXPECT(&h, "d-1 stopped 0", "s-1 done 0");
    give(&h, dose(&h, "d-2", 1, 1, 9000));
    (void)said(&h);
    give(&h, stop);
    EXPECT(&h, "s-1 done 0 duplicate");
    ck_assert(head_runs(&h, 1, 1));
    put(stop.id, "s-2");
    put(stop.serial, "ffff"); /* nobody has it: nothing to stop */
    give(&h, stop);
    EXPECT(&h, "s-2 done 0");
    h.halted = true;
    put(stop.id, "s-3");
    put(stop.serial, "b77c");
    give(&h, stop);
    EXPECT(&h, "d-2 stopped 0", "s-3 done 0");
}
END_TEST

/* INV-8 */
START_TEST(a_halt_stops_everything_and_holds)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 60000));
    give(&h, needing(dose(&h, "d-1", 1, 1, 9000), &h.module[0]));
    head_hand(&h, 2, 1, true);
    while (said(&h)[0]) {
    }
    head_advance(&h, 12000);
    struct chain_command halt = { .id = "h-1", .action = CHAIN_HALT };
    put(halt.by, "anybody");
    give(&h, halt);
    EXPECT(&h, "d-1 stopped 2000", "c-1 stopped 2000", "h-1 done 0");
    ck_assert(h.halted);
    ck_assert_int_eq(outputs_on(&h), 0);

    give(&h, dose(&h, "d-2", 1, 1, 1000));
    give(&h, circulate(&h, "c-2", 0, 1000));
    struct chain_command tick = dose(&h, "i-1", 1, 1, 100);
    tick.action = CHAIN_IDENTIFY;
    give(&h, tick);
    EXPECT(&h, "d-2 refused 0 halted", "c-2 refused 0 halted", "i-1 refused 0 halted");
    head_hand(&h, 0, 1, true);
    ck_assert_int_eq(outputs_on(&h), 0);

    head_reboot(&h, "boot-2");
    ck_assert(h.halted);
    give(&h, dose(&h, "d-3", 1, 1, 1000));
    EXPECT(&h, "d-3 refused 0 halted");
}
END_TEST

START_TEST(a_resume_needs_its_sender_and_starts_nothing)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 1, 1, 60000));
    head_hand(&h, 1, 2, true);
    give(&h, (struct chain_command){ .id = "h-1", .action = CHAIN_HALT });
    while (said(&h)[0]) {
    }
    struct chain_command resume = blank_command(&h, "r-1", CHAIN_RESUME);
    put(resume.by, "stranger");
    give(&h, resume);
    EXPECT(&h, "r-1 refused 0 other-reign");
    resume = blank_command(&h, "r-2", CHAIN_RESUME);
    resume.reign++;
    give(&h, resume);
    EXPECT(&h, "r-2 refused 0 other-reign");
    resume = blank_command(&h, "r-3", CHAIN_RESUME);
    put(resume.boot, "boot-0");
    give(&h, resume);
    EXPECT(&h, "r-3 refused 0 other-boot");
    resume = blank_command(&h, "r-4", CHAIN_RESUME);
    resume.epoch++;
    give(&h, resume);
    EXPECT(&h, "r-4 refused 0 other-epoch");
    resume = blank_command(&h, "r-5", CHAIN_RESUME);
    resume.until_ms = h.up_ms - 1;
    give(&h, resume);
    EXPECT(&h, "r-5 refused 0 expired");
    ck_assert(h.halted);
    give(&h, blank_command(&h, "r-6", CHAIN_RESUME));
    EXPECT(&h, "r-6 done 0");
    ck_assert(!h.halted);
    head_advance(&h, 20000);
    ck_assert_int_eq(outputs_on(&h), 0);
}
END_TEST

START_TEST(only_the_stop_switch_ends_its_own_halt)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 1, 1, 60000));
    (void)said(&h);
    head_stop_switch(&h, true);
    EXPECT(&h, "d-1 stopped 0");
    ck_assert(h.switch_halted && !h.halted);
    give(&h, blank_command(&h, "r-1", CHAIN_RESUME));
    give(&h, dose(&h, "d-2", 1, 1, 1000));
    EXPECT(&h, "r-1 done 0", "d-2 refused 0 halted");
    head_hand(&h, 1, 1, true);
    ck_assert_int_eq(outputs_on(&h), 0);
    head_reboot(&h, "boot-2");
    ck_assert(h.switch_halted);
    head_stop_switch(&h, false);
    give(&h, dose(&h, "d-3", 1, 1, 1000));
    EXPECT(&h, "d-3 running 0");

    give(&h, (struct chain_command){ .id = "h-1", .action = CHAIN_HALT });
    while (said(&h)[0]) {
    }
    head_stop_switch(&h, true);
    head_stop_switch(&h, false); /* ends its own, not the message's */
    give(&h, dose(&h, "d-4", 1, 1, 1000));
    EXPECT(&h, "d-4 refused 0 halted");
}
END_TEST

START_TEST(identify_ticks_one_pump_for_a_moment)
{
    struct head h = claimed_head();
    struct chain_command c = dose(&h, "i-1", 1, 2, 0);
    c.action = CHAIN_IDENTIFY;
    give(&h, c);
    ck_assert(head_runs(&h, 1, 2));
    ck_assert_int_eq(outputs_on(&h), 1);
    head_advance(&h, 10000 + HEAD_IDENTIFY_MS);
    EXPECT(&h, "i-1 running 0", "i-1 done 100");
    c = dose(&h, "i-2", 1, 2, 5000); /* never longer, whatever it says */
    c.action = CHAIN_IDENTIFY;
    give(&h, c);
    c = dose(&h, "i-3", 1, 3, 40);
    c.action = CHAIN_IDENTIFY;
    give(&h, c);
    c = dose(&h, "i-4", 0, 0, 0); /* no channel: the circulation pump */
    c.action = CHAIN_IDENTIFY;
    give(&h, c);
    ck_assert(head_runs(&h, 0, 0));
    c = dose(&h, "i-5", 1, 0, 0); /* has none */
    c.action = CHAIN_IDENTIFY;
    give(&h, c);
    head_advance(&h, 20000);
    EXPECT(&h, "i-2 running 0", "i-3 running 0", "i-4 running 0", "i-5 refused 0 no-channel",
        "i-3 done 40", "i-2 done 100", "i-4 done 100");
}
END_TEST

START_TEST(a_head_publishes_everything_at_its_start)
{
    static struct head h;
    const struct head_config config = chain_of_three();
    head_init(&h, &config);
    ck_assert(h.roll_changed && h.claim_changed && h.ledger_changed && h.manual_changed &&
              h.command_changed);
    ck_assert_str_eq(h.claim.by, "");
    ck_assert_int_eq(h.claim.reign, 0);
    struct chain_roll roll;
    head_roll(&h, &roll);
    ck_assert_str_eq(roll.boot, "boot-1");
    ck_assert_int_eq(roll.epoch, 1);
    ck_assert_int_eq(roll.beat_ms, 2000);
    ck_assert_int_eq(roll.max_run_ms, MAX_RUN_MS);
    ck_assert_int_eq(roll.max_circulate_ms, MAX_CIRCULATE_MS);
    ck_assert_uint_eq(roll.count, 3);
    ck_assert_str_eq(roll.module[1].serial, "b77c");
    /* nobody commands it yet: not even somebody without a name */
    struct chain_command c = dose(&h, "d-1", 1, 1, 1000);
    give(&h, c);
    EXPECT(&h, "d-1 refused 0 malformed");
    put(c.by, "x");
    give(&h, c);
    EXPECT(&h, "d-1 refused 0 other-reign");
}
END_TEST

START_TEST(the_ledger_keeps_the_newest_24)
{
    struct head h = claimed_head();
    for (int i = 0; i < 30; i++) {
        char id[16];
        snprintf(id, sizeof id, "d-%d", i);
        give(&h, dose(&h, id, 1, 1, 10));
        head_advance(&h, h.up_ms + 1000);
    }
    ck_assert_uint_eq(h.ledger.count, CHAIN_LEDGER_MAX);
    ck_assert_str_eq(entry(&h, 0), "d-29@boot-1 done 10");
    ck_assert_str_eq(entry(&h, 23), "d-6@boot-1 done 10");
}
END_TEST

START_TEST(what_nobody_took_makes_room_for_what_is_newer)
{
    struct head h = claimed_head();
    for (int i = 0; i < HEAD_REPORTS_MAX + 5; i++) {
        char id[16];
        snprintf(id, sizeof id, "m-%d", i);
        const struct chain_command c = blank_command(&h, id, CHAIN_DOSE);
        head_command(&h, &c, true);
    }
    ck_assert_str_eq(said(&h), "m-5 refused 0 malformed");
}
END_TEST

START_TEST(messages_without_an_id_are_only_counted)
{
    struct head h = claimed_head();
    struct chain_command c = dose(&h, "x", 1, 1, 100);
    c.id[0] = '\0';
    head_command(&h, &c, true);
    head_command(&h, &c, false);
    put(c.id, "a b");
    head_command(&h, &c, false);
    head_drop(&h);
    ck_assert_int_eq(h.dropped, 4);
    EXPECT(&h, NULL);
    ck_assert_int_eq(outputs_on(&h), 0);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("head");
    tcase_add_test(tc, a_dose_runs_exactly_as_long_as_it_should);
    tcase_add_test(tc, a_leap_in_time_doesnt_make_a_run_longer);
    tcase_add_test(tc, a_report_has_the_time_of_what_it_tells);
    tcase_add_test(tc, circulation_is_replaced_without_a_pause_and_ends_by_the_newer);
    tcase_add_test(tc, a_dose_stops_with_the_circulation_that_it_needs);
    tcase_add_test(tc, a_dose_that_ends_with_its_circulation_is_done);
    tcase_add_test(tc, a_stop_with_a_serial_stops_that_module_only);
    tcase_add_test(tc, a_stop_without_a_serial_stops_the_chain);
    tcase_add_test(tc, a_stop_is_refused_for_nothing_but_its_form_and_its_id);
    tcase_add_test(tc, a_halt_stops_everything_and_holds);
    tcase_add_test(tc, a_resume_needs_its_sender_and_starts_nothing);
    tcase_add_test(tc, only_the_stop_switch_ends_its_own_halt);
    tcase_add_test(tc, identify_ticks_one_pump_for_a_moment);
    tcase_add_test(tc, a_head_publishes_everything_at_its_start);
    tcase_add_test(tc, the_ledger_keeps_the_newest_24);
    tcase_add_test(tc, what_nobody_took_makes_room_for_what_is_newer);
    tcase_add_test(tc, messages_without_an_id_are_only_counted);
    return run_case(tc, "head");
}
