/* Requests over the broker: no id is acted on twice, over restarts and segments; and a flood is
 * answered, recorded and acted on only so fast. */
#include <stdio.h>

#include "tests/unit/core/core_fixture.h"

static struct asked a;
static const struct mono zero;

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

static const char *name(int i)
{
    static char id[CHAIN_WORD_MAX];
    snprintf(id, sizeof id, "ask-%d", i);
    return id;
}

static const char *reason_of(const char *id, bool wanted_ok)
{
    bool ok = !wanted_ok;
    const struct asked_answer *first = asked_find(&a, id, &ok);
    if (!first) return "unknown";
    ck_assert_int_eq(ok, wanted_ok);
    return first->reason;
}

/* --- the memory itself ------------------------------------------------------------------------ */

START_TEST(the_first_answer_stays)
{
    asked_init(&a, zero);
    asked_note(&a, "", true, "done");
    asked_note(&a, "x", true, "done");
    asked_note(&a, "x", false, "busy");
    asked_note(&a, "y", false, "busy");
    asked_note(&a, "y", true, "done");
    ck_assert_str_eq(reason_of("x", true), "done");
    ck_assert_str_eq(reason_of("y", false), "busy");
    ck_assert_str_eq(reason_of("", true), "unknown");
    ck_assert_str_eq(reason_of("X", true), "unknown");
    asked_note(&a, "z", false, ASKED_PUT_OFF);
    ck_assert_str_eq(reason_of("z", true), "unknown"); /* it may be tried again */
}
END_TEST

/* The contract: the last 256. */
START_TEST(the_oldest_of_257_makes_room)
{
    asked_init(&a, zero);
    for (int i = 0; i <= ASKED_MAX; i++) {
        asked_note(&a, name(i), true, "done");
    }
    ck_assert_str_eq(reason_of(name(0), true), "unknown");
    ck_assert_str_eq(reason_of(name(1), true), "done");
    ck_assert_str_eq(reason_of(name(ASKED_MAX), true), "done");
}
END_TEST

START_TEST(refusals_push_nothing_out_that_was_done)
{
    asked_init(&a, zero);
    asked_note(&a, "kept", true, "done");
    for (int i = 0; i < 10 * ASKED_MAX; i++) {
        asked_note(&a, name(i), false, "malformed");
    }
    ck_assert_str_eq(reason_of("kept", true), "done");
    ck_assert_str_eq(reason_of(name(10 * ASKED_MAX - 1), false), "malformed");
}
END_TEST

/* _i ids, the longest there are, in the order in which they would be pushed out. */
START_TEST(records_bring_it_back_in_order)
{
    static struct asked again;
    char id[CHAIN_WORD_MAX], long_reason[CHAIN_WORD_MAX];
    memset(long_reason, 'r', sizeof long_reason);
    long_reason[sizeof long_reason - 1] = '\0';
    asked_init(&a, zero);
    asked_init(&again, zero);
    for (int i = 0; i < _i; i++) {
        snprintf(id, sizeof id, "%032d", i);
        asked_note(&a, id, true, i == 5 ? "done" : long_reason);
    }
    uint32_t parts = 0;
    struct record r;
    while (asked_carry(&a, parts, &r)) {
        ck_assert(!r.cut);
        ck_assert(record_is(&r, "asked"));
        asked_restore(&again, &r);
        asked_restore(&again, &r); /* said twice changes nothing */
        parts++;
    }
    ck_assert_uint_eq(parts, asked_parts(&a));
    ck_assert_uint_eq(again.done.count, a.done.count);
    for (uint32_t i = 0; i < a.done.count; i++) {
        const uint32_t from = a.done.count < ASKED_MAX ? i : (a.done.next + i) % ASKED_MAX;
        const uint32_t to = again.done.count < ASKED_MAX ? i : (again.done.next + i) % ASKED_MAX;
        ck_assert_str_eq(a.done.item[from].id, again.done.item[to].id);
        ck_assert_str_eq(a.done.item[from].reason, again.done.item[to].reason);
    }
}
END_TEST

START_TEST(what_a_record_says_wrong_is_passed_over)
{
    struct record r;
    asked_init(&a, zero);
    record_start(&r, "asked");
    record_add_text(&r, "i1", "no-blank");
    record_add_text(&r, "i2", " nothing before it");
    record_add_text(&r, "i3", "012345678901234567890123456789012 done"); /* 33 */
    record_add_text(&r, "i4",
        "b\xc3\xa4"
        "d done");
    record_add_int(&r, "i5", 7);
    record_add_text(&r, "i6", "good done");
    asked_restore(&a, &r);
    ck_assert_uint_eq(a.done.count, 1);
    ck_assert_str_eq(reason_of("good", true), "done");
}
END_TEST

START_TEST(a_pace_has_a_burst_and_then_a_rate)
{
    asked_init(&a, zero);
    struct mono at = zero;
    int yes = 0;
    for (int i = 0; i < 1000; i++) {
        yes += asked_may_do(&a, at);
    }
    ck_assert_int_eq(yes, ASKED_DO_BURST);
    for (at.ms = 1; at.ms <= 60000; at.ms++) {
        yes += asked_may_do(&a, at);
    }
    ck_assert_int_eq(yes, ASKED_DO_BURST + 60000 / ASKED_DO_MS);
    at.ms = INT64_MAX / 4; /* however long it was quiet, no more than the burst */
    for (yes = 0; asked_may_do(&a, at); yes++) {
    }
    ck_assert_int_eq(yes, ASKED_DO_BURST);
    ck_assert(!asked_may_do(&a, zero)); /* a clock that goes back gives nothing */
}
END_TEST

/* --- in the core ------------------------------------------------------------------------------ */

static bool call(const char *id, struct event_request q)
{
    struct event e = { .kind = EVENT_REQUEST, .request = q };
    e.request.origin.by = "mqtt";
    if (id) text_copy(e.request.id, sizeof e.request.id, id);
    step(&e);
    const struct action *answer = wants(ACTION_ANSWER);
    return answer && answer->answer.ok;
}

static struct event_request pause(bool on)
{
    return (struct event_request){ .kind = REQUEST_PAUSE, .tank = BASIL, .on = on };
}

static int64_t unrecorded(void)
{
    int64_t sum = 0;
    for (uint32_t i = 0; i < b.record_count; i++) {
        int64_t n = 0;
        if (record_int(&b.record[i], "unrecorded", &n)) sum += n;
    }
    return sum;
}

START_TEST(an_id_is_acted_on_once_and_answered_each_time)
{
    bench_ready();
    ck_assert(call("p1", pause(true)));
    ck_assert_str_eq(answered(), "done");
    ck_assert_str_eq(record_text_or_empty(recorded("request"), "id"), "p1");
    ck_assert(call("p2", pause(false)) && !tank()->paused);
    ck_assert(call("p1", pause(true)) && !tank()->paused);
    ck_assert_str_eq(answered(), "duplicate");
    ck_assert_ptr_nonnull(strstr(wanted(ACTION_ANSWER)->answer.text, "done"));
    ck_assert_uint_eq(b.core->refused_messages, 1);
    bool ok = true;
    ck_assert(record_truth(recorded("request"), "ok", &ok) && !ok);
    /* whatever it asks for the second time */
    ck_assert(call("p1", (struct event_request){ .kind = REQUEST_HALT, .on = true }));
    ck_assert(!b.core->halted);
}
END_TEST

START_TEST(a_refusal_is_answered_again_too)
{
    bench_ready();
    struct event_request q = { .kind = REQUEST_SET_PH, .tank = BASIL, .value = 9 };
    ck_assert(!call("s1", q));
    ck_assert_str_eq(answered(), "out-of-envelope");
    q.value = 5.9;
    ck_assert(!call("s1", q));
    ck_assert_str_eq(answered(), "duplicate");
    ck_assert(!tank()->override.has_ph);
    ck_assert(call("s2", q) && tank()->override.has_ph);
}
END_TEST

START_TEST(without_an_id_nothing_is_a_duplicate)
{
    bench_ready();
    ck_assert(call(NULL, pause(true)) && call(NULL, pause(false)) && call(NULL, pause(true)));
    ck_assert(tank()->paused);
    ck_assert_ptr_null(strstr(record_text_or_empty(recorded("request"), "id"), "-"));
}
END_TEST

START_TEST(ids_outlive_a_restart_a_reload_and_the_oldest_segment)
{
    static struct actions carried;
    bench_ready();
    ck_assert(call("p1", pause(true)) && call("p2", pause(false)));
    ck_assert(!call("s1", (struct event_request){ .kind = REQUEST_SET_PH, .value = 99 }));
    bench_start(); /* from the records */
    ck_assert(call("p1", pause(true)) && !tank()->paused);
    ck_assert_str_eq(answered(), "duplicate");
    ck_assert(!call("s1", (struct event_request){ .kind = REQUEST_SET_PH, .value = 5.9 }));
    ck_assert_str_eq(answered(), "duplicate");

    void *block = aligned_alloc(_Alignof(max_align_t), core_size(&b.site));
    struct core *fresh = core_init(block, &b.site, &b.core->identity, b.now);
    core_reload(fresh, b.core, b.now, &carried);
    bool ok = false;
    ck_assert_ptr_nonnull(asked_find(&fresh->asked, "p2", &ok));
    ck_assert(ok);
    free(block);

    b.record_count = 0; /* all segments are gone but what is said again */
    uint32_t cursor = 0;
    while (core_carry(b.core, &cursor, b.now, &carried)) {
        for (uint32_t i = 0; i < carried.count; i++) {
            *put_record("x") = carried.item[i].record;
        }
    }
    bench_start();
    ck_assert(call("p1", pause(true)) && !tank()->paused);
    ck_assert_str_eq(answered(), "duplicate");
}
END_TEST

/* What the shell couldn't read is counted, answered and remembered like any other refusal. */
START_TEST(what_the_shell_refused_is_a_refusal)
{
    bench_ready();
    const struct event_request q = { .kind = REQUEST_UNREAD,
        .refusal = { "no-such-tank", "there is no tank \"x\"; there are: basil" } };
    ck_assert(!call("u1", q));
    ck_assert_str_eq(answered(), "no-such-tank");
    const struct record *r = recorded("request");
    ck_assert_str_eq(record_text_or_empty(r, "request"), "unread");
    ck_assert_str_eq(record_text_or_empty(r, "reason"), "no-such-tank");
    ck_assert_str_eq(record_text_or_empty(r, "text"), q.refusal.text);
    ck_assert(!call("u1", pause(true)) && !tank()->paused);
    ck_assert_str_eq(answered(), "duplicate");
}
END_TEST

START_TEST(records_are_shown_again_within_bounds)
{
    bench_ready();
    struct event_request q = { .kind = REQUEST_JOURNAL, .from = 5, .to = 5 };
    ck_assert(call("j1", q));
    ck_assert_int_eq(wanted(ACTION_REPLAY)->replay.from, 5);
    ck_assert_int_eq(wanted(ACTION_REPLAY)->replay.to, 5);
    q.to = 1004;
    ck_assert(call("j2", q));
    static const int64_t bad[][2] = { { 5, 1005 }, { 0, 5 }, { 6, 5 }, { -1, 1 },
        { 1, INT64_C(9007199254740991) } };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        q.from = bad[i][0];
        q.to = bad[i][1];
        ck_assert(!call(name((int)i), q));
        ck_assert_str_eq(answered(), "out-of-range");
        ck_assert_ptr_null(wants(ACTION_REPLAY));
    }
}
END_TEST

/* --- floods ----------------------------------------------------------------------------------- */

START_TEST(a_flood_is_put_off_and_what_was_put_off_can_be_tried_again)
{
    bench_ready();
    for (int i = 0; i < ASKED_DO_BURST; i++) {
        ck_assert(call(name(i), pause(i % 2 == 0)));
    }
    ck_assert(!call("late", pause(true)));
    ck_assert_str_eq(answered(), ASKED_PUT_OFF);
    ck_assert(!tank()->paused);
    ck_assert(call(name(1), pause(true))); /* what was done is still known */
    ck_assert_str_eq(answered(), "duplicate");
    b.now.mono.ms += ASKED_DO_MS;
    ck_assert(call("late", pause(true)) && tank()->paused);
    bench_start();
    b.now.mono.ms += ASKED_DO_MS;
    ck_assert(call("late", pause(false)) && tank()->paused);
    ck_assert_str_eq(answered(), "duplicate");
}
END_TEST

/* Bounded in the journal and in answers; the next record says how many had none. */
START_TEST(a_flood_of_refusals_is_counted)
{
    enum { FLOOD = 1000 };
    bench_ready();
    const struct event_request q = { .kind = REQUEST_UNREAD, .refusal = { "malformed", "no" } };
    uint32_t answers = 0;
    b.record_count = 0;
    for (int i = 0; i < FLOOD; i++) {
        (void)call(name(i), q);
        answers += wants(ACTION_ANSWER) != NULL;
    }
    ck_assert_uint_eq(count_records("request"), ASKED_RECORD_BURST);
    ck_assert_uint_eq(answers, ASKED_ANSWER_BURST);
    ck_assert_uint_eq(b.core->refused_messages, FLOOD);
    b.now.mono.ms += ASKED_RECORD_MS;
    (void)call("one-more", q);
    ck_assert_uint_eq(count_records("request"), ASKED_RECORD_BURST + 1);
    ck_assert_int_eq(unrecorded(), FLOOD - ASKED_RECORD_BURST);
    ck_assert(
        call("good", pause(true)) && tank()->paused); /* a flood of nonsense uses up nothing */
    ck_assert_int_eq(unrecorded(), FLOOD - ASKED_RECORD_BURST);
}
END_TEST

/* Rulings: stopping is never refused. It isn't put off either, only not recorded a thousand times.
 */
START_TEST(a_flood_of_halts_halts)
{
    bench_ready();
    for (int i = 0; i < 2 * ASKED_DO_BURST; i++) {
        (void)call(name(i), pause(true));
    }
    b.record_count = 0;
    for (int i = 0; i < 1000; i++) {
        (void)call(NULL, (struct event_request){ .kind = REQUEST_HALT, .on = true });
        ck_assert(b.core->halted);
        ck_assert_int_eq(b.actions.item[WEST].kind, ACTION_STOP);
    }
    ck_assert_uint_ge(count_records("request"), 1);
    ck_assert_uint_le(count_records("request"), ASKED_RECORD_BURST);
    ck_assert(!call(NULL, (struct event_request){ .kind = REQUEST_HALT, .on = false }));
    ck_assert(b.core->halted);
}
END_TEST

/* People at the machine aren't held up by it. */
START_TEST(a_flood_leaves_the_local_socket_alone)
{
    bench_ready();
    for (int i = 0; i < 2 * ASKED_DO_BURST; i++) {
        (void)call(name(i), pause(false));
    }
    b.record_count = 0;
    for (int i = 0; i < 2 * ASKED_DO_BURST; i++) {
        ck_assert(ask_for(pause(true)) && tank()->paused);
    }
    ck_assert_uint_eq(count_records("request"), 2 * ASKED_DO_BURST);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("asked");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, the_first_answer_stays);
    tcase_add_test(t, the_oldest_of_257_makes_room);
    tcase_add_test(t, refusals_push_nothing_out_that_was_done);
    static const int counts[] = { 0, 1, 8, 9, ASKED_MAX - 1, ASKED_MAX, ASKED_MAX + 3 };
    for (size_t i = 0; i < sizeof counts / sizeof *counts; i++) {
        tcase_add_loop_test(t, records_bring_it_back_in_order, counts[i], counts[i] + 1);
    }
    tcase_add_test(t, what_a_record_says_wrong_is_passed_over);
    tcase_add_test(t, a_pace_has_a_burst_and_then_a_rate);
    tcase_add_test(t, an_id_is_acted_on_once_and_answered_each_time);
    tcase_add_test(t, a_refusal_is_answered_again_too);
    tcase_add_test(t, without_an_id_nothing_is_a_duplicate);
    tcase_add_test(t, ids_outlive_a_restart_a_reload_and_the_oldest_segment);
    tcase_add_test(t, what_the_shell_refused_is_a_refusal);
    tcase_add_test(t, records_are_shown_again_within_bounds);
    tcase_add_test(t, a_flood_is_put_off_and_what_was_put_off_can_be_tried_again);
    tcase_add_test(t, a_flood_of_refusals_is_counted);
    tcase_add_test(t, a_flood_of_halts_halts);
    tcase_add_test(t, a_flood_leaves_the_local_socket_alone);
    return run_case(t, "asked");
}
