/* What a chain head keeps and lets go: claims, its modules, restarts, and runs by hand. */
#include "tests/unit/plant/heads.h"

static void claim(struct head *h, const char *by, int64_t reign)
{
    struct chain_claim c = { .reign = reign, .site = "tern-hall" };
    put(c.by, by);
    head_claim(h, &c);
}

static void listen(struct head *h)
{
    while (said(h)[0]) {
    }
    h->claim_changed = h->ledger_changed = h->command_changed = h->manual_changed =
        h->roll_changed = false;
}

/* --- claims: INV-9 ---------------------------------------------------------------------------- */

START_TEST(a_higher_reign_is_taken_and_stops_what_was_commanded)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 60000));
    give(&h, needing(dose(&h, "d-1", 1, 1, 9000), &h.module[0]));
    head_hand(&h, 2, 1, true);
    listen(&h);
    head_advance(&h, 11000);
    const struct chain_command of_old = dose(&h, "d-2", 1, 1, 1000);
    claim(&h, "other", 8);
    ck_assert(h.claim_changed && h.ledger_changed);
    ck_assert_str_eq(h.claim.by, "other");
    ck_assert_int_eq(h.claim.reign, 8);
    EXPECT(&h, "d-1 stopped 1000", "c-1 stopped 1000");
    ck_assert_int_eq(outputs_on(&h), 1); /* a hand on a switch isn't anybody's command */
    give(&h, of_old);
    give(&h, dose(&h, "d-3", 1, 1, 1000));
    EXPECT(&h, "d-2 refused 0 other-reign", "d-3 running 0");
}
END_TEST

START_TEST(every_claim_is_answered_and_few_are_taken)
{
    static const struct {
        const char *by;
        int64_t reign;
        bool taken;
    } table[] = { { "a", 7, false }, { "a", 6, false }, { "a", 0, false }, { "a", 1008, false },
        { "a", INT64_C(9007199254740991), false }, { "", 8, false }, { "a b", 8, false },
        { "a", 8, true }, { "a", 1007, true }, { "9f2c41d0", 500, true } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct head h = claimed_head(); /* reign 7 */
        give(&h, dose(&h, "d", 1, 1, 5000));
        h.claim_changed = false;
        claim(&h, table[i].by, table[i].reign);
        ck_assert(h.claim_changed);
        ck_assert_int_eq(h.claim.reign, table[i].taken ? table[i].reign : 7);
        ck_assert_str_eq(h.claim.by, table[i].taken ? table[i].by : BY);
        ck_assert_int_eq(outputs_on(&h), table[i].taken ? 0 : 1);
    }
}
END_TEST

START_TEST(the_highest_reign_is_kept_over_restarts)
{
    struct head h = claimed_head();
    claim(&h, "other", 300);
    head_reboot(&h, "boot-2");
    ck_assert(h.claim_changed);
    ck_assert_int_eq(h.claim.reign, 300);
    ck_assert_str_eq(h.claim.by, "other");
    claim(&h, BY, 300);
    ck_assert_str_eq(h.claim.by, "other");
    claim(&h, BY, 301);
    ck_assert_str_eq(h.claim.by, BY);
}
END_TEST

/* --- modules: INV-4 --------------------------------------------------------------------------- */

START_TEST(exchanged_modules_stop_everything_and_count_an_epoch)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 60000));
    give(&h, dose(&h, "d-1", 1, 1, 9000));
    give(&h, dose(&h, "d-2", 2, 1, 9000));
    listen(&h);
    head_advance(&h, 11000);
    const struct chain_command of_old = dose(&h, "d-3", 1, 1, 1000);
    struct chain_roll roll;
    head_roll(&h, &roll);
    put(roll.module[1].serial, "c91d");
    put(roll.module[2].serial, "b77c");
    head_set_modules(&h, roll.module, roll.count);
    ck_assert(h.roll_changed && h.ledger_changed);
    ck_assert_int_eq(h.epoch, 2);
    EXPECT(&h, "d-1 stopped 1000 unsure", "d-2 stopped 1000 unsure", "c-1 stopped 1000");
    ck_assert_int_eq(outputs_on(&h), 0);
    give(&h, of_old);
    give(&h, dose(&h, "d-4", 1, 1, 1000));
    EXPECT(&h, "d-3 refused 0 other-epoch", "d-4 running 0");
    ck_assert_str_eq(h.module[1].info.serial, "c91d");
}
END_TEST

START_TEST(a_module_that_goes_takes_its_runs_with_it)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 2, 60000));
    give(&h, needing(dose(&h, "d-1", 0, 1, 9000), &h.module[2]));
    head_hand(&h, 2, 1, true);
    head_hand(&h, 0, 2, true);
    listen(&h);
    head_advance(&h, 11000);
    struct chain_roll roll;
    head_roll(&h, &roll);
    head_set_modules(&h, roll.module, 2);
    EXPECT(&h, "c-1 stopped 1000 unsure", "d-1 stopped 1000");
    ck_assert_str_eq(entry(&h, 1), "c-1@boot-1 stopped 1000 unsure");
    ck_assert_uint_eq(h.count, 2);
    ck_assert_int_eq(outputs_on(&h), 1); /* the hand on the first module */
    ck_assert(h.manual_changed && h.manual.running);
    ck_assert_str_eq(h.manual.serial, "a1f3");
    head_advance(&h, 12000);
    ck_assert_int_eq(h.module[0].output[2].hand_ms, 2000);

    head_set_modules(&h, roll.module, 3); /* it comes back: a new epoch, all off */
    ck_assert_int_eq(h.epoch, 3);
    ck_assert_int_eq(outputs_on(&h), 1);
    head_set_modules(&h, NULL, 0);
    ck_assert_uint_eq(h.count, 0);
    ck_assert_int_eq(outputs_on(&h), 0);
    ck_assert(!h.manual.running);
    head_advance(&h, 13000);
    give(&h, (struct chain_command){ .id = "s", .action = CHAIN_STOP });
    EXPECT(&h, "s done 0");
}
END_TEST

START_TEST(a_list_in_another_order_is_the_same_chain)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 2, 1, 9000));
    head_advance(&h, 12000);
    listen(&h);
    struct chain_roll roll;
    head_roll(&h, &roll);
    const struct chain_module moved[3] = { roll.module[2], roll.module[0], roll.module[1] };
    head_set_modules(&h, moved, 3);
    ck_assert_int_eq(h.epoch, 1);
    ck_assert(head_runs(&h, 0, 1)); /* goes on where its module is listed now */
    ck_assert_str_eq(h.module[0].info.serial, "c91d");
    ck_assert_int_eq(h.module[0].output[1].total_ms, 2000);
    EXPECT(&h, NULL);
    head_advance(&h, 20000);
    EXPECT(&h, "d-1 done 9000");

    give(&h, circulate(&h, "c-2", 0, 5000)); /* c91d, listed first now */
    give(&h, needing(dose(&h, "d-2", 2, 1, 9000), &h.module[0]));
    give(&h, dose(&h, "d-3", 1, 1, 1000));
    head_set_modules(&h, roll.module, 3);
    ck_assert(head_runs(&h, 2, 0) && head_runs(&h, 1, 1));
    head_advance(&h, 24000); /* d-3 has ended: whoever runs dry would have stopped with it */
    ck_assert(head_runs(&h, 1, 1));
    head_advance(&h, 25000);
    EXPECT(&h, "c-2 running 0", "d-2 running 0", "d-3 running 0", "d-3 done 1000", "c-2 done 5000",
        "d-2 stopped 5000");
}
END_TEST

START_TEST(firmware_and_volts_change_under_the_same_epoch)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 1, 1, 9000));
    listen(&h);
    struct chain_roll roll;
    head_roll(&h, &roll);
    roll.module[1].has_volts = true;
    roll.module[1].volts = 11.4;
    put(roll.module[0].firmware, "1.2.1");
    head_set_modules(&h, roll.module, roll.count);
    ck_assert(h.roll_changed);
    ck_assert_int_eq(h.epoch, 1);
    ck_assert(head_runs(&h, 1, 1));
    ck_assert_double_eq(h.module[1].info.volts, 11.4);
    EXPECT(&h, NULL);
    for (int change = 0; change < 4; change++) { /* each of these counts */
        head_roll(&h, &roll);
        if (change == 0) roll.module[1].channels = 3;
        if (change == 1) roll.module[1].circulation = true;
        if (change == 2) put(roll.module[1].serial, "b77d");
        if (change == 3) roll.module[1].position = 4;
        head_set_modules(&h, roll.module, roll.count);
        ck_assert_int_eq(h.epoch, 2 + change);
        ck_assert_int_eq(outputs_on(&h), 0);
    }
}
END_TEST

/* --- restarts: INV-2 -------------------------------------------------------------------------- */

START_TEST(a_restart_leaves_every_pump_off_and_says_what_it_cant_know)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 1, 1, 1000));
    head_advance(&h, 12000);
    give(&h, circulate(&h, "c-1", 0, 60000));
    const struct chain_command c = dose(&h, "d-2", 1, 1, 9000);
    give(&h, c);
    head_advance(&h, 13000);
    head_reboot(&h, "boot-2");
    ck_assert_int_eq(outputs_on(&h), 0);
    ck_assert_int_eq(h.up_ms, 0);
    ck_assert_int_eq(h.epoch, 1);
    ck_assert_str_eq(h.boot, "boot-2");
    ck_assert_str_eq(h.ledger.boot, "boot-2");
    ck_assert_str_eq(h.manual.boot, "boot-2");
    ck_assert(h.roll_changed && h.claim_changed && h.ledger_changed && h.manual_changed);
    ck_assert_str_eq(h.accepted.id, "");
    EXPECT(&h, NULL);
    ck_assert_uint_eq(h.ledger.count, 3);
    ck_assert_str_eq(entry(&h, 0), "d-2@boot-1 stopped 1000 unsure");
    ck_assert_str_eq(entry(&h, 1), "c-1@boot-1 stopped 1000 unsure");
    ck_assert_str_eq(entry(&h, 2), "d-1@boot-1 done 1000");

    give(&h, c); /* a copy from before: known by the ledger */
    EXPECT(&h, "d-2 stopped 1000 duplicate unsure");
    struct chain_command unknown = c;
    put(unknown.id, "d-3");
    give(&h, unknown);
    EXPECT(&h, "d-3 refused 0 other-boot");
    head_advance(&h, 90000);
    ck_assert_int_eq(outputs_on(&h), 0);
    ck_assert_int_eq(h.module[1].output[1].total_ms, 2000);
}
END_TEST

START_TEST(the_ledger_goes_back_one_boot)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 1, 1, 1000));
    head_advance(&h, 12000);
    head_reboot(&h, "boot-2");
    give(&h, dose(&h, "d-2", 1, 1, 1000));
    head_advance(&h, 12000);
    ck_assert_uint_eq(h.ledger.count, 2);
    head_reboot(&h, "boot-3");
    ck_assert_uint_eq(h.ledger.count, 1);
    ck_assert_str_eq(entry(&h, 0), "d-2@boot-2 done 1000");
    head_reboot(&h, "boot-4");
    ck_assert_uint_eq(h.ledger.count, 0);
}
END_TEST

/* --- runs by hand ----------------------------------------------------------------------------- */

START_TEST(a_run_by_hand_is_told_at_on_every_10_s_and_at_off)
{
    struct head h = claimed_head();
    listen(&h);
    head_hand(&h, 1, 3, true);
    ck_assert(h.manual_changed && h.manual.running && head_runs(&h, 1, 3));
    ck_assert_int_eq(h.manual.n, 1);
    ck_assert_str_eq(h.manual.serial, "b77c");
    ck_assert_uint_eq(h.manual.channel, 3);
    ck_assert_int_eq(h.manual.ran_ms, 0);
    ck_assert_uint_eq(h.manual.count, 1);
    h.manual_changed = false;
    ck_assert_int_eq(head_next_end(&h), 20000);
    head_advance(&h, 19999);
    ck_assert(!h.manual_changed);
    head_advance(&h, 20000);
    ck_assert(h.manual_changed);
    ck_assert_int_eq(h.manual.n, 2);
    ck_assert_int_eq(h.manual.ran_ms, 10000);
    ck_assert_int_eq(h.manual.total[0].ms, 10000);
    head_advance(&h, 55000); /* three more, by then */
    ck_assert_int_eq(h.manual.n, 5);
    ck_assert_int_eq(h.manual.ran_ms, 40000);
    h.manual_changed = false;
    head_hand(&h, 1, 3, false);
    ck_assert(h.manual_changed && !h.manual.running && !head_runs(&h, 1, 3));
    ck_assert_int_eq(h.manual.n, 6);
    ck_assert_int_eq(h.manual.ran_ms, 45000);
    ck_assert_int_eq(h.manual.total[0].ms, 45000);
    ck_assert_int_eq(h.module[1].output[3].hand_ms, 45000);
    ck_assert_int_eq(h.module[1].output[3].total_ms, 0);
    head_advance(&h, 90000);
    ck_assert_int_eq(h.manual.n, 6);
    EXPECT(&h, NULL); /* nobody commanded it: no reports */
}
END_TEST

START_TEST(totals_of_runs_by_hand_are_kept_over_restarts)
{
    struct head h = claimed_head();
    head_hand(&h, 1, 3, true);
    head_advance(&h, 15000);
    head_hand(&h, 1, 3, false);
    head_hand(&h, 0, 0, true);
    head_advance(&h, 17000);
    head_reboot(&h, "boot-2"); /* with the switch on: off it is */
    ck_assert_int_eq(outputs_on(&h), 0);
    ck_assert(!h.manual.running);
    ck_assert_int_eq(h.manual.n, 4);
    ck_assert_uint_eq(h.manual.count, 2);
    ck_assert_int_eq(h.manual.total[0].ms, 5000);
    ck_assert_str_eq(h.manual.total[1].serial, "a1f3");
    ck_assert_uint_eq(h.manual.total[1].channel, 0);
    ck_assert_int_eq(h.manual.total[1].ms, 2000);
    head_hand(&h, 1, 3, true);
    head_advance(&h, 1000);
    head_hand(&h, 1, 3, false);
    ck_assert_int_eq(h.manual.total[0].ms, 6000);
    ck_assert_int_eq(h.manual.n, 6);
}
END_TEST

START_TEST(while_any_switch_is_on_the_message_says_running)
{
    struct head h = claimed_head();
    head_hand(&h, 1, 3, true);
    head_advance(&h, 11000);
    head_hand(&h, 2, 0, true);
    ck_assert_str_eq(h.manual.serial, "c91d");
    head_advance(&h, 12000);
    head_hand(&h, 2, 0, false);
    ck_assert(h.manual.running);
    ck_assert_str_eq(h.manual.serial, "b77c");
    ck_assert_int_eq(h.manual.ran_ms, 2000);
    ck_assert_int_eq(h.manual.total[1].ms, 1000);
    head_hand(&h, 1, 3, false);
    ck_assert(!h.manual.running);
}
END_TEST

START_TEST(a_switch_takes_over_without_a_pause)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c-1", 0, 60000));
    give(&h, needing(dose(&h, "d-1", 1, 1, 50000), &h.module[0]));
    listen(&h);
    head_advance(&h, 11000);
    head_hand(&h, 0, 0, true);
    EXPECT(&h, "c-1 stopped 1000");
    ck_assert(head_runs(&h, 0, 0) && head_runs(&h, 1, 1));
    head_advance(&h, 13000);
    head_hand(&h, 0, 0, false); /* now the water stands */
    EXPECT(&h, "d-1 stopped 3000");
    ck_assert_int_eq(outputs_on(&h), 0);
    ck_assert_int_eq(h.module[0].output[0].total_ms, 1000);
    ck_assert_int_eq(h.module[0].output[0].hand_ms, 2000);
}
END_TEST

START_TEST(switches_that_lead_nowhere_do_nothing)
{
    struct head h = claimed_head();
    listen(&h);
    head_hand(&h, 1, 0, true);  /* no circulation there */
    head_hand(&h, 1, 5, true);  /* four channels */
    head_hand(&h, 3, 1, true);  /* three modules */
    head_hand(&h, 1, 1, false); /* is off */
    h.module[1].fault = true;
    head_hand(&h, 1, 1, true);
    give(&h, dose(&h, "d", 0, 1, 9000));
    head_hand(&h, 0, 1, false); /* runs, but by command */
    ck_assert_int_eq(outputs_on(&h), 1);
    ck_assert(!h.manual_changed);
}
END_TEST

START_TEST(what_cant_be_totalled_cant_be_switched_on)
{
    static struct head h;
    struct head_config config = { .boot = "boot-1", .count = 4 };
    for (uint32_t m = 0; m < 4; m++) {
        config.module[m] = (struct chain_module){ .position = m + 1, .channels = 16 };
        memset(config.module[m].serial, (int)('a' + m), CHAIN_WORD_MAX - 1);
    }
    head_init(&h, &config);
    for (uint32_t i = 0; i < 64; i++) {
        head_hand(&h, i / 16, i % 16 + 1, true);
        ck_assert_int_eq(head_runs(&h, i / 16, i % 16 + 1), i < HEAD_TOTALS_MAX);
        head_hand(&h, i / 16, i % 16 + 1, false);
    }
    head_hand(&h, 0, 1, true); /* has its total */
    ck_assert(head_runs(&h, 0, 1));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("head_keep");
    tcase_add_test(tc, a_higher_reign_is_taken_and_stops_what_was_commanded);
    tcase_add_test(tc, every_claim_is_answered_and_few_are_taken);
    tcase_add_test(tc, the_highest_reign_is_kept_over_restarts);
    tcase_add_test(tc, exchanged_modules_stop_everything_and_count_an_epoch);
    tcase_add_test(tc, a_module_that_goes_takes_its_runs_with_it);
    tcase_add_test(tc, a_list_in_another_order_is_the_same_chain);
    tcase_add_test(tc, firmware_and_volts_change_under_the_same_epoch);
    tcase_add_test(tc, a_restart_leaves_every_pump_off_and_says_what_it_cant_know);
    tcase_add_test(tc, the_ledger_goes_back_one_boot);
    tcase_add_test(tc, a_run_by_hand_is_told_at_on_every_10_s_and_at_off);
    tcase_add_test(tc, totals_of_runs_by_hand_are_kept_over_restarts);
    tcase_add_test(tc, while_any_switch_is_on_the_message_says_running);
    tcase_add_test(tc, a_switch_takes_over_without_a_pause);
    tcase_add_test(tc, switches_that_lead_nowhere_do_nothing);
    tcase_add_test(tc, what_cant_be_totalled_cant_be_switched_on);
    return run_case(tc, "head_keep");
}
