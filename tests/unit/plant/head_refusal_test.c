/* Why a chain head says no: the contract's order, duplicates, and the bounded memory of ids. */
#include "tests/unit/plant/heads.h"

/* A head on which the dose "x" (channel 3 of b77c, needing a1f3's circulation) would run. */
struct scene {
    struct head head;
    struct chain_command command;
    bool malformed;
};

static struct scene ready(void)
{
    struct scene s = { .head = claimed_head() };
    give(&s.head, circulate(&s.head, "c", 0, 60000));
    s.command = needing(dose(&s.head, "x", 1, 3, 4200), &s.head.module[0]);
    while (said(&s.head)[0]) {
    }
    return s;
}

/* Breaks one thing, so that the reason applies; the head's own struct is bent where a message would
 * change more than one thing. */
static void break_it(struct scene *s, enum chain_reason reason)
{
    struct chain_command *c = &s->command;
    struct head *h = &s->head;
    switch (reason) {
    case CHAIN_NO_REASON:
    case CHAIN_REASON_COUNT:
        break;
    case CHAIN_MALFORMED:
        s->malformed = true;
        break;
    case CHAIN_DUPLICATE:
        put(h->seen[h->seen_count].id, c->id);
        h->seen[h->seen_count].until_ms = 99999;
        put(h->seen[h->seen_count].outcome.id, c->id);
        h->seen[h->seen_count].outcome.state = CHAIN_DONE;
        h->seen_count++;
        break;
    case CHAIN_OTHER_REIGN:
        c->reign--;
        break;
    case CHAIN_OTHER_BOOT:
        put(c->boot, "boot-0");
        break;
    case CHAIN_OTHER_EPOCH:
        c->epoch--;
        break;
    case CHAIN_EXPIRED:
        c->until_ms = h->up_ms - 1;
        break;
    case CHAIN_NO_MODULE:
        c->position = 9;
        break;
    case CHAIN_OTHER_SERIAL:
        put(c->serial, "ffff");
        break;
    case CHAIN_NO_CHANNEL:
        c->channel = 9;
        break;
    case CHAIN_HALTED:
        h->halted = true;
        break;
    case CHAIN_TOO_LONG:
        c->run_ms = MAX_RUN_MS + 1;
        break;
    case CHAIN_NO_CIRCULATION:
        h->module[0].output[0].running = false;
        break;
    case CHAIN_FAULT:
        for (uint32_t m = 0; m < h->count; m++) {
            h->module[m].fault = true;
        }
        break;
    case CHAIN_BUSY:
        for (uint32_t channel = 1; channel <= 4; channel++) {
            h->module[1].output[channel].running = true;
        }
        break;
    }
}

static const char *answer(struct scene *s)
{
    head_command(&s->head, &s->command, s->malformed);
    return said(&s->head);
}

static const char *wanted(enum chain_reason reason)
{
    static char line[80];
    snprintf(line, sizeof line, "x %s 0 %s", reason == CHAIN_DUPLICATE ? "done" : "refused",
        chain_reason_word(reason));
    return line;
}

START_TEST(unbroken_it_runs)
{
    struct scene s = ready();
    ck_assert_str_eq(answer(&s), "x running 0");
}
END_TEST

/* _i is the first fault: alone, and with each later one beside it. 14 + 91 answers. */
START_TEST(the_first_reason_that_applies_is_the_answer)
{
    const enum chain_reason first = (enum chain_reason)_i;
    struct scene s = ready();
    break_it(&s, first);
    const uint32_t entries = s.head.ledger.count;
    ck_assert_str_eq(answer(&s), wanted(first));
    ck_assert_uint_eq(s.head.ledger.count, entries);
    ck_assert_str_eq(said(&s.head), "");
    for (int later = _i + 1; later < CHAIN_REASON_COUNT; later++) {
        s = ready();
        break_it(&s, (enum chain_reason)later);
        break_it(&s, first);
        const int on = outputs_on(&s.head);
        ck_assert_str_eq(answer(&s), wanted(first));
        ck_assert_int_eq(outputs_on(&s.head), on);
    }
}
END_TEST

START_TEST(all_at_once_the_order_is_walked_from_the_front)
{
    for (int from = CHAIN_MALFORMED; from < CHAIN_REASON_COUNT; from++) {
        struct scene s = ready();
        for (int reason = CHAIN_REASON_COUNT - 1; reason >= from; reason--) {
            break_it(&s, (enum chain_reason)reason);
        }
        ck_assert_str_eq(answer(&s), wanted((enum chain_reason)from));
    }
}
END_TEST

START_TEST(a_command_may_start_until_its_last_millisecond_and_60_s_ahead)
{
    static const struct {
        int64_t ahead_ms;
        const char *answer;
    } table[] = { { -1, "x refused 0 expired" }, { 0, "x running 0" }, { 1, "x running 0" },
        { 60000, "x running 0" }, { 60001, "x refused 0 expired" },
        { INT64_C(1) << 52, "x refused 0 expired" } };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct scene s = ready();
        s.command.until_ms = s.head.up_ms + table[i].ahead_ms;
        ck_assert_str_eq(answer(&s), table[i].answer);
    }
    struct scene s = ready(); /* the first millisecond of a head's life is a time, too */
    head_reboot(&s.head, "boot-2");
    s.command = dose(&s.head, "x", 1, 3, 100);
    s.command.until_ms = 0;
    ck_assert_str_eq(answer(&s), "x running 0");
    const struct head_config config = chain_of_three();
    head_init(&s.head, &config);
    head_claim(&s.head, &(struct chain_claim){ .by = "a", .reign = 1 });
    s.command = dose(&s.head, "x", 1, 3, 100);
    s.command.until_ms = 0;
    s.head.max_run_ms = 100;
    ck_assert_str_eq(answer(&s), "x running 0");
}
END_TEST

START_TEST(the_longest_runs_are_allowed_and_nothing_longer)
{
    struct scene s = ready();
    s.command.run_ms = MAX_RUN_MS;
    ck_assert_str_eq(answer(&s), "x running 0");
    give(&s.head, circulate(&s.head, "c-1", 2, MAX_CIRCULATE_MS));
    ck_assert_str_eq(said(&s.head), "c-1 running 0");
    give(&s.head, circulate(&s.head, "c-2", 2, MAX_CIRCULATE_MS + 1));
    ck_assert_str_eq(said(&s.head), "c-2 refused 0 too-long");
    ck_assert(head_runs(&s.head, 2, 0)); /* the refused one replaced nothing */
}
END_TEST

START_TEST(what_an_action_needs_must_be_there)
{
    struct head h = claimed_head();
    struct chain_command c = dose(&h, "x", 1, 3, 0);
    give(&h, c);
    c = dose(&h, "x", 1, 0, 100);
    give(&h, c);
    c = dose(&h, "x", 1, 3, 100);
    c.position = 0;
    give(&h, c);
    c = dose(&h, "x", 1, 3, 100);
    c.serial[0] = '\0';
    give(&h, c);
    c = dose(&h, "x", 1, 3, 100);
    c.boot[0] = '\0';
    give(&h, c);
    c = circulate(&h, "x", 0, -5);
    give(&h, c);
    for (int i = 0; i < 6; i++) {
        ck_assert_str_eq(said(&h), "x refused 0 malformed");
    }
    ck_assert_str_eq(said(&h), "");
}
END_TEST

START_TEST(circulation_must_run_at_the_place_that_the_dose_names)
{
    struct head h = claimed_head();
    give(&h, circulate(&h, "c", 0, 60000));
    (void)said(&h);
    give(&h, needing(dose(&h, "a", 1, 3, 100), &h.module[2]));
    ck_assert_str_eq(said(&h), "a refused 0 no-circulation");
    give(&h, needing(dose(&h, "b", 1, 3, 100), &h.module[1])); /* has no such output */
    ck_assert_str_eq(said(&h), "b refused 0 no-circulation");
    struct chain_command c = needing(dose(&h, "d", 1, 3, 100), &h.module[0]);
    put(c.needs.serial, "c91d");
    give(&h, c);
    ck_assert_str_eq(said(&h), "d refused 0 no-circulation");
    c = needing(dose(&h, "e", 1, 3, 100), &h.module[0]);
    c.needs.position = 12;
    give(&h, c);
    ck_assert_str_eq(said(&h), "e refused 0 no-circulation");
    head_hand(&h, 2, 0, true); /* by hand it runs as well */
    give(&h, needing(dose(&h, "f", 1, 3, 100), &h.module[2]));
    ck_assert_str_eq(said(&h), "f running 0");
}
END_TEST

START_TEST(a_channel_that_runs_is_busy_and_its_neighbours_are_not)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "a", 1, 3, 4000));
    give(&h, dose(&h, "b", 1, 3, 100));
    give(&h, dose(&h, "c", 1, 2, 100));
    give(&h, dose(&h, "d", 0, 3, 100));
    head_hand(&h, 2, 0, true);
    give(&h, circulate(&h, "e", 2, 100));
    EXPECT(&h, "a running 0", "b refused 0 busy", "c running 0", "d running 0", "e refused 0 busy");
}
END_TEST

/* --- duplicates ------------------------------------------------------------------------------- */

/* INV-2 */
START_TEST(a_duplicate_gets_the_first_outcome_as_it_is_now)
{
    struct head h = claimed_head();
    const struct chain_command c = dose(&h, "d-1", 1, 3, 4000);
    give(&h, c);
    give(&h, c);
    EXPECT(&h, "d-1 running 0", "d-1 running 0 duplicate");
    head_advance(&h, 11500);
    give(&h, c);
    EXPECT(&h, "d-1 running 1500 duplicate");
    head_advance(&h, 14000);
    give(&h, c);
    EXPECT(&h, "d-1 done 4000", "d-1 done 4000 duplicate");
    head_advance(&h, 500000); /* its time is long over, and it is still known */
    give(&h, c);
    EXPECT(&h, "d-1 done 4000 duplicate");
    ck_assert_int_eq(h.module[1].output[3].total_ms, 4000);
}
END_TEST

START_TEST(an_id_counts_whatever_the_rest_says)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d-1", 1, 3, 4000));
    struct chain_command other = circulate(&h, "d-1", 0, 9000);
    other.reign = 1;
    give(&h, other);
    give(&h, (struct chain_command){ .id = "d-1", .action = CHAIN_STOP });
    EXPECT(&h, "d-1 running 0", "d-1 running 0 duplicate", "d-1 running 0 duplicate");
    ck_assert_int_eq(outputs_on(&h), 1);
}
END_TEST

/* A copy of a refused command must not run when the reason has gone: its sender counts it as
 * refused. */
START_TEST(a_refused_command_never_runs_later)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "a", 1, 3, 1000));
    const struct chain_command busy = dose(&h, "b", 1, 3, 1000);
    const struct chain_command dry = needing(dose(&h, "c", 1, 2, 1000), &h.module[0]);
    struct chain_command early = dose(&h, "d", 1, 1, 1000);
    early.until_ms = h.up_ms + 65000;
    struct chain_command unclaimed = dose(&h, "e", 1, 1, 1000);
    unclaimed.reign++;
    give(&h, busy);
    give(&h, dry);
    give(&h, early);
    give(&h, unclaimed);
    EXPECT(&h, "a running 0", "b refused 0 busy", "c refused 0 no-circulation",
        "d refused 0 expired", "e refused 0 other-reign");
    head_advance(&h, 16000);
    struct chain_claim claim = { .reign = h.claim.reign + 1, .by = "9f2c41d0" };
    give(&h, circulate(&h, "f", 0, 60000));
    (void)said(&h);
    head_claim(&h, &claim);
    while (said(&h)[0]) {
    }
    give(&h, busy);
    give(&h, dry);
    give(&h, early);
    give(&h, unclaimed);
    EXPECT(&h, "b refused 0 duplicate", "c refused 0 duplicate", "d refused 0 duplicate",
        "e refused 0 duplicate");
    ck_assert_int_eq(outputs_on(&h), 0);
}
END_TEST

/* --- the memory ------------------------------------------------------------------------------- */

static struct chain_command numbered(const struct head *h, int n)
{
    struct chain_command c = dose(h, "", 1, 1, 10);
    snprintf(c.id, sizeof c.id, "n-%d", n);
    return c;
}

static void fill_memory(struct head *h)
{
    for (int n = 0; n < HEAD_IDS_MAX; n++) {
        struct chain_command c = numbered(h, n);
        c.position = 9; /* refused, and remembered all the same */
        c.until_ms = h->up_ms + 5000;
        give(h, c);
        (void)said(h);
    }
    ck_assert_uint_eq(h->seen_count, HEAD_IDS_MAX);
}

START_TEST(a_full_memory_is_busy_until_a_time_has_passed)
{
    struct head h = claimed_head();
    fill_memory(&h);
    struct chain_command c = dose(&h, "late", 1, 2, 10);
    c.until_ms = h.up_ms + 20000;
    give(&h, c);
    give(&h, blank_command(&h, "r", CHAIN_RESUME));
    EXPECT(&h, "late refused 0 busy", "r refused 0 busy");
    head_advance(&h, h.up_ms + 5000); /* the last millisecond still counts */
    give(&h, dose(&h, "later", 1, 2, 10));
    EXPECT(&h, "later refused 0 busy");
    head_advance(&h, h.up_ms + 1);
    c = dose(&h, "fresh", 1, 2, 10);
    c.until_ms = h.up_ms + 30000;
    give(&h, c);
    EXPECT(&h, "fresh running 0");
}
END_TEST

START_TEST(an_id_is_known_up_to_its_last_millisecond)
{
    struct head h = claimed_head();
    fill_memory(&h);
    head_advance(&h, h.up_ms + 5000);
    struct chain_command c = dose(&h, "x", 1, 2, 10);
    c.until_ms = h.up_ms + 30000;
    give(&h, c);
    EXPECT(&h, "x refused 0 busy");
}
END_TEST

START_TEST(the_id_whose_time_passed_first_is_forgotten_first)
{
    struct head h = claimed_head();
    struct chain_command first = numbered(&h, 0);
    for (int n = 0; n < HEAD_IDS_MAX; n++) {
        struct chain_command c = numbered(&h, n);
        c.position = 9;
        c.until_ms = h.up_ms + 1000 + (n * 37 + 11) % HEAD_IDS_MAX;
        if (n == 0) first = c;
        give(&h, c);
        (void)said(&h);
    }
    head_advance(&h, h.up_ms + 2000);
    int forgotten = -1; /* n * 37 + 11 is 0 modulo 64 */
    for (int n = 0; n < HEAD_IDS_MAX; n++) {
        if ((n * 37 + 11) % HEAD_IDS_MAX == 0) forgotten = n;
    }
    give(&h, dose(&h, "new", 1, 2, 10));
    give(&h, first);
    EXPECT(&h, "new running 0", "n-0 refused 0 duplicate");
    give(&h, numbered(&h, forgotten)); /* a new one, for all the head knows */
    ck_assert_str_eq(said(&h) + 4, " running 0");
}
END_TEST

/* The sender of a command that found no place was told 'refused'. Its copy may come when there is
 * room again. */
START_TEST(what_found_no_place_never_runs_later)
{
    struct head h = claimed_head();
    fill_memory(&h);
    struct chain_command late = dose(&h, "late", 1, 2, 10);
    late.until_ms = h.up_ms + 20000;
    struct chain_command elsewhere = dose(&h, "elsewhere", 1, 3, 10);
    elsewhere.until_ms = h.up_ms + 20000;
    elsewhere.reign++;
    give(&h, late);
    give(&h, elsewhere);
    EXPECT(&h, "late refused 0 busy", "elsewhere refused 0 other-reign");
    head_advance(&h, h.up_ms + 6000);
    give(&h, late);
    EXPECT(&h, "late refused 0 busy");
    const struct chain_claim claim = { .reign = h.claim.reign + 1, .by = "9f2c41d0" };
    head_claim(&h, &claim);
    give(&h, elsewhere);
    EXPECT(&h, "elsewhere refused 0 busy");
    head_advance(&h, late.until_ms + 1);
    give(&h, dose(&h, "fresh", 1, 2, 10));
    EXPECT(&h, "fresh running 0");
}
END_TEST

START_TEST(stop_and_halt_need_no_place)
{
    struct head h = claimed_head();
    give(&h, dose(&h, "d", 1, 4, 60000));
    (void)said(&h);
    fill_memory(&h);
    give(&h, (struct chain_command){ .id = "s", .action = CHAIN_STOP });
    EXPECT(&h, "d stopped 0", "s done 0");
    give(&h, (struct chain_command){ .id = "h", .action = CHAIN_HALT });
    EXPECT(&h, "h done 0");
    ck_assert(h.halted);
}
END_TEST

START_TEST(a_command_for_another_boot_takes_no_place)
{
    struct head h = claimed_head();
    const uint32_t before = h.seen_count;
    struct chain_command c = dose(&h, "x", 1, 1, 10);
    put(c.boot, "boot-0");
    c.until_ms = INT64_C(1) << 52;
    give(&h, c);
    give(&h, c);
    EXPECT(&h, "x refused 0 other-boot", "x refused 0 other-boot");
    ck_assert_uint_eq(h.seen_count, before);
}
END_TEST

START_TEST(a_running_command_keeps_its_place)
{
    struct head h = claimed_head();
    const struct chain_command c = dose(&h, "long", 1, 4, 120000);
    give(&h, c);
    (void)said(&h);
    for (int n = 0; n < 200; n++) { /* pushes it out of the ledger, and the others out of memory */
        give(&h, numbered(&h, n));
        head_advance(&h, h.up_ms + 300);
        while (said(&h)[0]) {
        }
    }
    ck_assert(head_runs(&h, 1, 4));
    give(&h, c);
    EXPECT(&h, "long running 60000 duplicate");
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("head_refusal");
    tcase_add_test(tc, unbroken_it_runs);
    tcase_add_loop_test(
        tc, the_first_reason_that_applies_is_the_answer, CHAIN_MALFORMED, CHAIN_REASON_COUNT);
    tcase_add_test(tc, all_at_once_the_order_is_walked_from_the_front);
    tcase_add_test(tc, a_command_may_start_until_its_last_millisecond_and_60_s_ahead);
    tcase_add_test(tc, the_longest_runs_are_allowed_and_nothing_longer);
    tcase_add_test(tc, what_an_action_needs_must_be_there);
    tcase_add_test(tc, circulation_must_run_at_the_place_that_the_dose_names);
    tcase_add_test(tc, a_channel_that_runs_is_busy_and_its_neighbours_are_not);
    tcase_add_test(tc, a_duplicate_gets_the_first_outcome_as_it_is_now);
    tcase_add_test(tc, an_id_counts_whatever_the_rest_says);
    tcase_add_test(tc, a_refused_command_never_runs_later);
    tcase_add_test(tc, a_full_memory_is_busy_until_a_time_has_passed);
    tcase_add_test(tc, an_id_is_known_up_to_its_last_millisecond);
    tcase_add_test(tc, the_id_whose_time_passed_first_is_forgotten_first);
    tcase_add_test(tc, what_found_no_place_never_runs_later);
    tcase_add_test(tc, stop_and_halt_need_no_place);
    tcase_add_test(tc, a_command_for_another_boot_takes_no_place);
    tcase_add_test(tc, a_running_command_keeps_its_place);
    return run_case(tc, "head_refusal");
}
