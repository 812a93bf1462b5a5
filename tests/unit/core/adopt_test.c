/* INV-4: a new order of modules is in force once somebody has adopted it, and not before. */
#include <stdio.h>

#include "tests/unit/core/core_fixture.h"

static const char *told(void)
{
    return wanted(ACTION_ANSWER)->answer.text;
}

static bool adopt(bool yes)
{
    return ask_for((struct event_request){ .kind = REQUEST_ADOPT, .chain = WEST, .on = yes });
}

static void expect(const char *words)
{
    ck_assert_msg(strstr(told(), words) != NULL, "'%s' isn't in: %s", words, told());
}

/* The modules of west as they answer now. */
static void tell_order(const char *first, const char *second, const char *third)
{
    struct event e = roll_of(WEST, "boot-w");
    e.roll.epoch = 2;
    e.roll.count = third ? 3 : second ? 2 : 1;
    const char *const serial[] = { first, second, third };
    for (uint32_t m = 0; m < e.roll.count; m++) {
        e.roll.module[m] =
            (struct chain_module){ .position = m + 1, .channels = 4, .circulation = true };
        text_copy(e.roll.module[m].serial, CHAIN_WORD_MAX, serial[m]);
    }
    step(&e);
}

static void move(struct chain_address *a, const char **serial, const uint32_t *position)
{
    if (a->chain != WEST) return;
    a->position = position[a->position];
    *serial = b.site.chain[WEST].module[a->position - 1].serial;
}

/* As the shell does. */
static void rearrange(void)
{
    const struct chain_binding *binding = core_adopted(b.core, WEST, b.site.chain[WEST].file_tag);
    uint32_t position[CHAIN_MODULES_MAX + 1];
    ck_assert_ptr_nonnull(binding);
    ck_assert(chain_binding_fits(binding, &b.site.chain[WEST]));
    chain_rebind(&b.site.chain[WEST], binding, position);
    for (uint32_t i = 0; i < TANKS; i++) {
        struct site_tank *t = &b.tank[i];
        move(&t->circulation.address, &t->circulation.serial, position);
        for (uint32_t p = 0; p < t->pump_count; p++) {
            move(&t->pump[p].address, &t->pump[p].serial, position);
        }
    }
}

static bool west_ready(void)
{
    return core_chain_ready(b.core, WEST, b.now, NULL);
}

START_TEST(it_is_shown_before_it_is_done)
{
    bench_ready();
    tell_order("b77c", "a1f3", NULL);
    ck_assert(!west_ready());
    ck_assert(adopt(false));
    expect("This would be adopted:\n"
           "position 1: b77c, draws leaf-a with pump 1, acid with pump 2\n"
           "position 2: a1f3, draws leaf-a with pump 1, leaf-b with pump 2, acid with pump 3\n"
           "Look at the tubes and bottles; then say it again with yes.");
    ck_assert_ptr_null(wants(ACTION_REBIND));
    ck_assert_ptr_null(recorded("adopt"));
    bool yes = true, on;
    ck_assert(record_truth(recorded("request"), "yes", &yes) && !yes);
    ck_assert(!record_truth(recorded("request"), "on", &on)); /* nothing was switched off */
    ck_assert_ptr_null(core_adopted(b.core, WEST, b.site.chain[WEST].file_tag));
    ck_assert(!west_ready());
}
END_TEST

START_TEST(modules_that_changed_places_take_their_pumps_along)
{
    bench_ready();
    tell_order("b77c", "a1f3", NULL);
    ck_assert(adopt(true));
    expect("Adopted:\nposition 1: b77c, draws");
    expect("Write it into the file, too.");
    ck_assert_uint_eq(wanted(ACTION_REBIND)->chain, WEST);
    const struct record *r = recorded("adopt");
    ck_assert_str_eq(record_text_or_empty(r, "chain"), "west");
    ck_assert_str_eq(record_text_or_empty(r, "p1"), "2 b77c");
    ck_assert_str_eq(record_text_or_empty(r, "p2"), "1 a1f3");
    rearrange();
    core_rebound(b.core, WEST, b.now, &b.actions);
    ck_assert(west_ready());
    ck_assert_uint_eq(b.tank[BASIL].pump[2].address.position, 2);
    ck_assert_str_eq(b.tank[BASIL].pump[2].serial, "a1f3");
    ck_assert_uint_eq(b.tank[BASIL].pump[2].address.channel, 3);
    ck_assert_uint_eq(b.tank[BASIL].pump[3].address.chain, EAST); /* not of this chain */
    ck_assert_str_eq(b.tank[LETTUCE].circulation.serial, "b77c");
    ck_assert(!adopt(true));
    ck_assert_str_eq(answered(), "not-adopted");
    expect("there is nothing to adopt");
}
END_TEST

START_TEST(a_new_module_takes_the_place_of_the_one_that_is_gone)
{
    bench_ready();
    tell_order("a1f3", "eeee", "ffff");
    ck_assert(adopt(true));
    expect("position 2: eeee in place of b77c (calibrate its pumps), draws leaf-a with pump 1");
    expect("position 3: ffff, new and without pumps\n");
    rearrange();
    core_rebound(b.core, WEST, b.now, &b.actions);
    ck_assert(west_ready());
    ck_assert_str_eq(b.tank[LETTUCE].pump[1].serial, "eeee");
}
END_TEST

START_TEST(what_can_not_be_is_refused_in_words)
{
    bench_ready();
    ck_assert(!adopt(true));
    expect("the modules answer as they are bound: there is nothing to adopt");
    tell_order("a1f3", NULL, NULL);
    ck_assert(!adopt(true));
    expect("module b77c doesn't answer and no new one stands in its place");
    tell_order("b77c", "a1f3", NULL);
    struct core_chain *c = &b.core->chain[WEST];
    c->head_ready = false;
    ck_assert(!adopt(true));
    expect("the chain's head isn't there");
    c->head_ready = true;
    c->has_roll = false;
    ck_assert(!adopt(true));
    c->has_roll = true;
    b.core->link_up = false;
    ck_assert(!adopt(true));
    b.core->link_up = true;
    b.core->tank[BASIL].dose = (struct core_command){ .used = true, .pump = 0 };
    ck_assert(!adopt(true));
    expect("what became of a dose on this chain isn't known yet");
    b.core->tank[BASIL].dose.pump = 3; /* of another chain */
    ck_assert(adopt(true));
    b.core->tank[BASIL].dose.used = false;
}
END_TEST

/* Kept over a restart, and over the end of the segment that tells of it. */
START_TEST(it_holds_over_a_restart) /* _i == 1: with the newest segment alone */
{
    bench_ready();
    tell_order("b77c", "a1f3", NULL);
    ck_assert(adopt(true));
    const int64_t tag = b.site.chain[WEST].file_tag;
    if (_i == 1) {
        b.record_count = 0;
        uint32_t cursor = 0;
        while (core_carry(b.core, &cursor, b.now, &b.actions)) {
            keep_records();
        }
    }
    bench_start();
    const struct chain_binding *binding = core_adopted(b.core, WEST, tag);
    ck_assert_ptr_nonnull(binding);
    ck_assert_uint_eq(binding->count, 2);
    ck_assert_str_eq(binding->module[0].serial, "b77c");
    ck_assert_uint_eq(binding->module[0].filed, 2);
    ck_assert_ptr_null(core_adopted(b.core, EAST, tag));
    rearrange();
    come_up();
    ck_assert_str_eq(b.tank[BASIL].pump[0].serial, "a1f3");
    ck_assert_uint_eq(b.tank[BASIL].pump[0].address.position, 2);
    ck_assert(west_ready());
}
END_TEST

START_TEST(each_load_says_where_file_and_adoption_differ)
{
    bench_ready();
    tell_order("b77c", "eeee", "a1f3");
    ck_assert(adopt(true));
    bench_start();
    rearrange();
    bench_start();
    uint32_t lines = 0;
    for (uint32_t i = 0; i < b.actions.count; i++) {
        const struct action *a = &b.actions.item[i];
        if (a->kind != ACTION_LOG) continue;
        lines += strstr(a->log.text, "by adoption; the file has its pumps at position") != NULL;
        lines +=
            strstr(a->log.text, "position 2 is eeee by adoption; the file doesn't know") != NULL;
    }
    ck_assert_uint_eq(lines, 3);
}
END_TEST

/* Defect: each position was told, also those that are as the file has them. */
START_TEST(what_is_as_in_the_file_is_not_told)
{
    bench_ready();
    tell_order("a1f3", "eeee", NULL); /* b77c was exchanged */
    ck_assert(adopt(true));
    bench_start();
    rearrange();
    bench_start();
    uint32_t lines = 0;
    for (uint32_t i = 0; i < b.actions.count; i++) {
        const struct action *a = &b.actions.item[i];
        if (a->kind != ACTION_LOG || !strstr(a->log.text, "by adoption")) continue;
        ck_assert_str_eq(a->log.text,
            "chain west: position 2 is eeee by adoption; the file has its pumps at position 2 "
            "under serial number b77c: write it into the file");
        lines++;
    }
    ck_assert_uint_eq(lines, 1);
}
END_TEST

/* With more to tell than a step holds the rest is left out: none of it is lost, each load says it.
 */
START_TEST(what_finds_no_room_in_a_step_is_left_out)
{
    bench_ready();
    tell_order("b77c", "a1f3", NULL);
    ck_assert(adopt(true));
    rearrange();
    b.actions.count = ACTIONS_MAX / 2 - 1;
    core_tell_adopted(b.core, WEST, &b.actions);
    ck_assert_uint_eq(b.actions.count, ACTIONS_MAX / 2);
    ck_assert_ptr_nonnull(
        strstr(b.actions.item[ACTIONS_MAX / 2 - 1].log.text, "position 1 is b77c by adoption"));
    ck_assert_ptr_nonnull(core_adopted(b.core, WEST, b.site.chain[WEST].file_tag));
}
END_TEST

/* Somebody has written another order into the file: that is the newer word. */
START_TEST(a_file_of_another_order_is_newer)
{
    bench_ready();
    tell_order("b77c", "a1f3", NULL);
    ck_assert(adopt(true));
    const int64_t tag = b.site.chain[WEST].file_tag;
    text_copy(b.site.chain[WEST].module[1].serial, CHAIN_WORD_MAX, "dddd");
    b.site.chain[WEST].file_tag = chain_file_tag(&b.site.chain[WEST]);
    ck_assert_ptr_null(core_adopted(b.core, WEST, b.site.chain[WEST].file_tag));
    bench_start();
    ck_assert(record_is(recorded("adopt"), "adopt"));
    ck_assert_str_eq(record_text_or_empty(recorded("adopt"), "p1"), "");
    bench_start(); /* it stays so */
    ck_assert_ptr_null(core_adopted(b.core, WEST, tag));
    ck_assert_uint_eq(count_records("adopt"), 2);
}
END_TEST

/* A journal is a file: what can't be read of it is nobody's word. */
START_TEST(a_record_that_makes_no_sense_adopts_nothing) /* _i: of bad */
{
    static const char *const bad[] = { "a1f3", "17 a1f3", "x a1f3", "1 A1F3", "1a1f3",
        "99999999999999999999 a1f3", "1 ", "1  a1f3", NULL };
    bench_init();
    struct record *r = put_record("adopt");
    record_add_text(r, "chain", _i == 9 ? "south" : "west");
    if (_i != 10) record_add_int(r, "file_tag", b.site.chain[WEST].file_tag);
    if (_i < 9 && bad[_i]) record_add_text(r, "p1", bad[_i]);
    if (_i >= 9) record_add_text(r, "p1", "1 a1f3");
    bench_start();
    ck_assert_ptr_null(core_adopted(b.core, WEST, b.site.chain[WEST].file_tag));
}
END_TEST

/* Sixteen modules, the most there may be. */
START_TEST(a_long_chain_is_kept_whole)
{
    bench_init();
    struct record *r = put_record("adopt");
    record_add_text(r, "chain", "west");
    record_add_int(r, "file_tag", b.site.chain[WEST].file_tag);
    for (uint32_t i = 1; i <= CHAIN_MODULES_MAX; i++) {
        char key[8], value[CHAIN_WORD_MAX + 8];
        snprintf(key, sizeof key, "p%u", i);
        snprintf(value, sizeof value, "%u a%u-bcdefghijklmnopqrstuvwxyz01", i, i);
        record_add_text(r, key, value);
    }
    ck_assert(!r->cut);
    bench_start();
    const struct chain_binding *binding = core_adopted(b.core, WEST, b.site.chain[WEST].file_tag);
    ck_assert_ptr_nonnull(binding);
    ck_assert_uint_eq(binding->count, CHAIN_MODULES_MAX);
    ck_assert_uint_eq(binding->module[15].filed, 16);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("adopt");
    tcase_add_checked_fixture(t, NULL, bench_done);
    tcase_add_test(t, it_is_shown_before_it_is_done);
    tcase_add_test(t, modules_that_changed_places_take_their_pumps_along);
    tcase_add_test(t, a_new_module_takes_the_place_of_the_one_that_is_gone);
    tcase_add_test(t, what_can_not_be_is_refused_in_words);
    tcase_add_loop_test(t, it_holds_over_a_restart, 0, 2);
    tcase_add_test(t, what_is_as_in_the_file_is_not_told);
    tcase_add_test(t, each_load_says_where_file_and_adoption_differ);
    tcase_add_test(t, what_finds_no_room_in_a_step_is_left_out);
    tcase_add_test(t, a_file_of_another_order_is_newer);
    tcase_add_loop_test(t, a_record_that_makes_no_sense_adopts_nothing, 0, 11);
    tcase_add_test(t, a_long_chain_is_kept_whole);
    return run_case(t, "adopt");
}
