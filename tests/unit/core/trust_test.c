/* Where the site has keys: who is acted on, and that a signature counts once, over restarts,
 * reloads and segments. That signatures are right is the shell's to say (request_verify_test.c). */
#include <stdio.h>

#include "tests/unit/core/core_fixture.h"

static const char phone[] = "phone", hub[] = "hub";
static struct event_origin from; /* of the next request */

static struct core_tank *tank(void)
{
    return &b.core->tank[BASIL];
}

/* With two keys, and a stranger that asks. */
static void keyed(void)
{
    bench_ready();
    b.site.signer_count = 2;
    b.site.signer[0] = phone;
    b.site.signer[1] = hub;
    from = (struct event_origin){ .by = "mqtt" };
    b.record_count = 0;
}

static bool call(const char *id, struct event_request q)
{
    struct event e = { .kind = EVENT_REQUEST, .request = q };
    e.request.origin = from;
    if (id) text_copy(e.request.id, sizeof e.request.id, id);
    step(&e);
    const struct action *answer = wants(ACTION_ANSWER);
    return answer && answer->answer.ok;
}

static bool signed_call(const char *id, const char *signer, int64_t n, struct event_request q)
{
    from.signer = signer;
    from.n = n;
    const bool ok = call(id, q);
    from.signer = NULL;
    from.n = 0;
    return ok;
}

static struct event_request pause(bool on)
{
    return (struct event_request){ .kind = REQUEST_PAUSE, .tank = BASIL, .on = on };
}

static struct event_request halt(bool on)
{
    return (struct event_request){ .kind = REQUEST_HALT, .on = on };
}

static const char *name(int i)
{
    static char id[CHAIN_WORD_MAX];
    snprintf(id, sizeof id, "ask-%d", i);
    return id;
}

/* Only what carry says again stands in the journal. */
static void lose_segments(void)
{
    static struct actions carried;
    uint32_t cursor = 0;
    b.record_count = 0;
    while (core_carry(b.core, &cursor, b.now, &carried)) {
        for (uint32_t i = 0; i < carried.count; i++) {
            *put_record("x") = carried.item[i].record;
        }
    }
}

/* --- signatures ------------------------------------------------------------------------------- */

START_TEST(without_keys_nothing_must_be_signed)
{
    keyed();
    b.site.signer_count = 0;
    ck_assert(call("p1", pause(true)) && tank()->paused);
    bool is_signed = false;
    ck_assert(!record_truth(recorded("request"), "signed", &is_signed));
}
END_TEST

START_TEST(with_keys_only_what_is_signed_is_acted_on)
{
    keyed();
    ck_assert(!call("p1", pause(true)) && !tank()->paused);
    ck_assert_str_eq(answered(), "unsigned");
    ck_assert(!call(NULL, pause(true)) && !tank()->paused); /* a plain set */
    bool is_signed = true;
    ck_assert(record_truth(recorded("request"), "signed", &is_signed) && !is_signed);
    ck_assert(signed_call("p1", phone, 1, pause(true)) && tank()->paused);
    const struct record *r = recorded("request");
    int64_t n = 0;
    ck_assert_str_eq(record_text_or_empty(r, "key"), "phone");
    ck_assert(record_int(r, "n", &n) && n == 1);
    ck_assert_uint_eq(b.core->refused_messages, 2);
}
END_TEST

/* Every kind but an order to halt. */
START_TEST(no_unsigned_request_does_anything) /* _i is the kind */
{
    keyed();
    const struct event_request q = { .kind = (enum request_kind)_i,
        .refusal = { _i == REQUEST_UNREAD ? "malformed" : NULL, "no" },
        .value = _i == REQUEST_SET_EC ? 1300 : 5.9,
        .span_ms = HOUR_MS,
        .ul = 1000,
        .from = 1,
        .to = 2,
        .word = "x" };
    b.core->halted = true; /* ending that is the first kind */
    ck_assert(!call("u", q));
    ck_assert_str_eq(answered(), _i == REQUEST_UNREAD ? "malformed" : "unsigned");
    ck_assert(b.core->halted);
    ck_assert_ptr_null(wants(ACTION_SEND));
    ck_assert_ptr_null(wants(ACTION_STOP));
    ck_assert_ptr_null(wants(ACTION_CLAIM));
    ck_assert_ptr_null(wants(ACTION_REPLAY));
    ck_assert(!tank()->override.has_ec && !tank()->override.has_ph);
}
END_TEST

START_TEST(the_local_socket_is_as_before)
{
    keyed();
    ck_assert(ask_for(pause(true)) && tank()->paused);
    ck_assert(ask_for(halt(true)) && b.core->halted);
    ck_assert(ask_for(halt(false)) && !b.core->halted);
}
END_TEST

START_TEST(stopping_is_open_to_all_and_ending_it_is_not)
{
    keyed();
    ck_assert(call(NULL, halt(true)) && b.core->halted);
    ck_assert(!call("h1", halt(false)) && b.core->halted);
    ck_assert_str_eq(answered(), "unsigned");
    ck_assert(signed_call("h2", phone, 5, halt(false)) && !b.core->halted);
    ck_assert(call("h2", halt(true)) && b.core->halted); /* its id is nobody's, and in no way */
    ck_assert(!signed_call("h3", phone, 5, halt(false)) && b.core->halted);
    ck_assert_str_eq(answered(), "old-n");
    ck_assert(signed_call("h4", phone, 4, halt(true)) && b.core->halted); /* however old */
}
END_TEST

START_TEST(a_signature_counts_once)
{
    keyed();
    ck_assert(signed_call("p1", phone, 10, pause(true)));
    ck_assert(signed_call("p2", phone, 11, pause(false)) && !tank()->paused);
    ck_assert(signed_call("p1", phone, 10, pause(true)) && !tank()->paused); /* word for word */
    ck_assert_str_eq(answered(), "duplicate");
    ck_assert(!signed_call("p3", phone, 11, pause(true)) && !tank()->paused);
    ck_assert_str_eq(answered(), "old-n");
    ck_assert_ptr_nonnull(strstr(wanted(ACTION_ANSWER)->answer.text, "above 11"));
    ck_assert(!signed_call("p4", phone, 3, pause(true)) && !tank()->paused);
    ck_assert(signed_call("p5", hub, 3, pause(true)) && tank()->paused); /* each key for itself */
    ck_assert(signed_call("p6", phone, 12, pause(false)) && !tank()->paused);
}
END_TEST

/* What was seen was seen, whatever came of it. */
START_TEST(a_refused_signature_is_used_up_too)
{
    keyed();
    const struct event_request wild = { .kind = REQUEST_SET_PH, .tank = BASIL, .value = 9 };
    const struct event_request unread = { .kind = REQUEST_UNREAD, .refusal = { "no-id", "no" } };
    ck_assert(!signed_call("s1", phone, 10, wild));
    ck_assert(!signed_call("s2", phone, 10, pause(true)) && !tank()->paused);
    ck_assert(!signed_call(NULL, phone, 20, unread));
    ck_assert(!signed_call("s3", phone, 20, pause(true)) && !tank()->paused);
    from.retained = true;
    ck_assert(!signed_call("s4", phone, 30, pause(true)));
    ck_assert_str_eq(answered(), "retained");
    from.retained = false;
    ck_assert(!signed_call("s5", phone, 30, pause(true)) && !tank()->paused);
    ck_assert_str_eq(answered(), "old-n");
}
END_TEST

/* Who has no key can't make the real sender's id a used one, now or after a restart. */
START_TEST(a_strangers_id_is_in_nobodys_way)
{
    keyed();
    ck_assert(!call("hall-8", pause(true)));
    ck_assert(call("hall-9", halt(true)));
    bench_start();
    ck_assert(b.core->halted);
    ck_assert(signed_call("hall-8", phone, 1, pause(true)) && tank()->paused);
    ck_assert_str_eq(answered(), "done");
    ck_assert(signed_call("hall-9", phone, 2, pause(false)) && !tank()->paused);
    ck_assert_str_eq(answered(), "done");
}
END_TEST

START_TEST(it_outlives_a_restart_a_reload_and_the_oldest_segment)
{
    keyed();
    ck_assert(signed_call("p1", phone, 10, pause(true)));
    ck_assert(!signed_call("p2", hub, 7, (struct event_request){ .kind = REQUEST_SET_PH }));
    ck_assert(signed_call("p3", phone, 11, pause(false)));
    bench_start();
    ck_assert(!signed_call("q1", phone, 11, pause(true)) && !tank()->paused);
    ck_assert(!signed_call("q2", hub, 7, pause(true)) && !tank()->paused);

    static struct actions actions;
    void *block = aligned_alloc(_Alignof(max_align_t), core_size(&b.site));
    struct core *fresh = core_init(block, &b.site, &b.core->identity, b.now);
    core_reload(fresh, b.core, b.now, &actions);
    ck_assert_int_eq(signer_seen(&fresh->signers, phone), 11);
    ck_assert_int_eq(signer_seen(&fresh->signers, hub), 7);
    free(block);

    lose_segments();
    bench_start();
    ck_assert(!signed_call("r1", phone, 11, pause(true)) && !tank()->paused);
    ck_assert_str_eq(answered(), "old-n");
    ck_assert(!signed_call("r2", hub, 7, pause(true)) && !tank()->paused);
    ck_assert(signed_call("r3", phone, 12, pause(true)) && tank()->paused);
}
END_TEST

/* A key that was taken out and comes back doesn't make old requests new. */
START_TEST(it_outlives_its_key)
{
    keyed();
    ck_assert(signed_call("p1", hub, 10, pause(true)));
    b.site.signer_count = 1;
    bench_start();
    lose_segments();
    bench_start();
    b.site.signer_count = 2;
    ck_assert(!signed_call("p2", hub, 10, pause(false)) && tank()->paused);
    ck_assert_str_eq(answered(), "old-n");
}
END_TEST

/* --- floods and muting ------------------------------------------------------------------------ */

START_TEST(a_flood_without_a_key_takes_nothing_from_who_has_one)
{
    keyed();
    for (int i = 0; i < 1000; i++) {
        (void)call(name(i), pause(true));
    }
    ck_assert_uint_le(count_records("request"), ASKED_RECORD_BURST);
    b.record_count = 0;
    ck_assert(signed_call("p1", phone, 1, pause(true)) && tank()->paused);
    ck_assert_uint_eq(count_records("request"), 1);
    ck_assert_uint_eq(mute_count(&b.core->mutes), 0); /* nobody gave a name */
}
END_TEST

/* The flood of a key's owner is put off, then muted; what was seen of it is in the journal soon. */
START_TEST(who_floods_with_a_key_is_muted_and_may_halt)
{
    keyed();
    int64_t n = 0;
    for (; n < ASKED_DO_BURST + MUTE_STRIKES; n++) {
        (void)signed_call(name((int)n), phone, n + 1, pause(n % 2 == 0));
    }
    ck_assert_uint_eq(mute_count(&b.core->mutes), 1);
    ck_assert(alert_stands(b.core, "muted-sender-1"));
    ck_assert(!signed_call("m1", phone, 1000, pause(true)));
    ck_assert_uint_eq(b.actions.count, 0); /* neither answered nor recorded */
    ck_assert(signed_call("m2", hub, 1, halt(true)) && b.core->halted);
    b.core->halted = false;
    ck_assert(signed_call("m4", phone, 1001, halt(true)) && b.core->halted);
    b.core->halted = false;
    pass(SIGNER_RECORD_MS);
    ticks();
    bench_start();
    ck_assert(!signed_call("m5", phone, 1000, pause(true)));
    ck_assert_str_eq(answered(), "old-n");
}
END_TEST

/* Halts in any number mute nobody. */
START_TEST(halting_mutes_nobody)
{
    keyed();
    from.reply = "reply/phone";
    for (int i = 0; i < 10 * MUTE_STRIKES; i++) {
        ck_assert(call(NULL, halt(true)));
    }
    ck_assert_uint_eq(mute_count(&b.core->mutes), 0);
}
END_TEST

/* Replayed or forged, it is nobody's fault but the replayer's. */
START_TEST(nobody_without_the_key_can_mute_it)
{
    keyed();
    ck_assert(signed_call("p1", phone, 10, pause(true)));
    for (int i = 0; i < 10 * MUTE_STRIKES; i++) {
        (void)signed_call(name(i), phone, 9, pause(true));
    }
    ck_assert_uint_eq(mute_count(&b.core->mutes), 0);
    from.reply = "reply/phone"; /* now it has a name, which isn't the key's */
    for (int i = 0; i < 10 * MUTE_STRIKES; i++) {
        (void)signed_call(NULL, phone, 9, pause(true));
    }
    ck_assert_uint_eq(mute_count(&b.core->mutes), 1);
    ck_assert(signed_call("p2", phone, 11, pause(false)) && !tank()->paused);
}
END_TEST

static void fail_often(const char *reply)
{
    const struct event_request q = { .kind = REQUEST_UNREAD, .refusal = { "malformed", "no" } };
    from.reply = reply;
    for (int i = 0; i < MUTE_STRIKES; i++) {
        (void)call(NULL, q);
    }
}

START_TEST(a_topic_is_muted_for_a_while_and_its_name_is_quoted)
{
    keyed();
    b.site.signer_count = 0;
    fail_often("reply/\x1b[2J\n\"bad\"");
    ck_assert(alert_stands(b.core, "muted-sender-1"));
    const char *text = record_text_or_empty(recorded("alert"), "text");
    ck_assert_ptr_nonnull(strstr(text, "\"reply/\\x1b[2J\\x0a\\x22bad\\x22\""));
    ck_assert(!call("p1", pause(true)) && !tank()->paused);
    ck_assert_ptr_null(wants(ACTION_ANSWER));
    from.reply = "reply/other";
    ck_assert(call("p2", pause(true)) && tank()->paused);
    pass(MUTE_MS);
    ticks();
    ck_assert(!alert_stands(b.core, "muted-sender-1"));
    from.reply = "reply/\x1b[2J\n\"bad\"";
    ck_assert(call("p1", pause(false)) && !tank()->paused);
}
END_TEST

START_TEST(acknowledging_listens_again_at_once)
{
    keyed();
    b.site.signer_count = 0;
    fail_often("reply/a");
    fail_often("reply/b");
    ck_assert_uint_eq(mute_count(&b.core->mutes), 2);
    struct event_request q = { .kind = REQUEST_ACKNOWLEDGE };
    text_copy(q.word, sizeof q.word, "muted-sender-2");
    ck_assert(ask_for(q));
    ck_assert(call("p1", pause(true)) && tank()->paused);
    from.reply = "reply/a";
    ck_assert(!call("p2", pause(false)) && tank()->paused);
}
END_TEST

START_TEST(a_reload_keeps_them_muted)
{
    static struct actions actions;
    keyed();
    b.site.signer_count = 0;
    fail_often("reply/a");
    void *block = aligned_alloc(_Alignof(max_align_t), core_size(&b.site));
    struct core *fresh = core_init(block, &b.site, &b.core->identity, b.now);
    core_reload(fresh, b.core, b.now, &actions);
    ck_assert_uint_eq(mute_count(&fresh->mutes), 1);
    free(block);
}
END_TEST

/* Refusals of the domain are answers, not failures: "it is busy" mutes nobody. */
START_TEST(what_was_looked_at_is_no_failure)
{
    keyed();
    b.site.signer_count = 0;
    from.reply = "reply/a";
    const struct event_request q = { .kind = REQUEST_SET_PH, .tank = BASIL, .value = 9 };
    for (int i = 0; i < ASKED_DO_BURST; i++) {
        ck_assert(!call(name(i), q));
        ck_assert_str_eq(answered(), "out-of-envelope");
    }
    ck_assert_uint_eq(mute_count(&b.core->mutes), 0);
    struct site_view view;
    core_view_site(b.core, b.now, &view);
    ck_assert_uint_eq(view.muted, 0);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("trust");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, without_keys_nothing_must_be_signed);
    tcase_add_test(t, with_keys_only_what_is_signed_is_acted_on);
    tcase_add_loop_test(t, no_unsigned_request_does_anything, 0, REQUEST_COUNT);
    tcase_add_test(t, the_local_socket_is_as_before);
    tcase_add_test(t, stopping_is_open_to_all_and_ending_it_is_not);
    tcase_add_test(t, a_signature_counts_once);
    tcase_add_test(t, a_refused_signature_is_used_up_too);
    tcase_add_test(t, a_strangers_id_is_in_nobodys_way);
    tcase_add_test(t, it_outlives_a_restart_a_reload_and_the_oldest_segment);
    tcase_add_test(t, it_outlives_its_key);
    tcase_add_test(t, a_flood_without_a_key_takes_nothing_from_who_has_one);
    tcase_add_test(t, who_floods_with_a_key_is_muted_and_may_halt);
    tcase_add_test(t, halting_mutes_nobody);
    tcase_add_test(t, nobody_without_the_key_can_mute_it);
    tcase_add_test(t, a_topic_is_muted_for_a_while_and_its_name_is_quoted);
    tcase_add_test(t, acknowledging_listens_again_at_once);
    tcase_add_test(t, a_reload_keeps_them_muted);
    tcase_add_test(t, what_was_looked_at_is_no_failure);
    return run_case(t, "trust");
}
