/* INV-4: a new order of modules, adopted, leaves every tube with its module. */
#include "lib/chain/bind.h"

#include <string.h>

#include "lib/base/prng.h"
#include "tests/unit/support.h"

static char why[300];

static struct chain_config config(void)
{
    struct chain_config c = { .key = "west",
        .device = "west",
        .count = 3,
        .module = { { .serial = "a1f3", .channels = 4, .circulation = true },
            { .serial = "b77c", .channels = 3 }, { .serial = "c91d", .channels = 1 } } };
    for (uint32_t i = 0; i < c.count; i++) {
        c.module[i].position = c.module[i].filed = i + 1;
        c.module[i].power = (struct supply_module){ .cable_ohm = 0.1 * (i + 1),
            .cable_ohm_per_m = 0.01 * (i + 1),
            .min_volts = 9.0 + i,
            .idle_amps = 0.05,
            .pump_amps = 0.3 + 0.1 * i,
            .circulation_amps = i == 0 ? 1.1 : 0.0 };
    }
    return c;
}

/* Modules with four pumps and circulation, by position; "" leaves a gap. */
static struct chain_roll roll_of(const char *const *serials)
{
    struct chain_roll r = { .boot = "b" };
    for (uint32_t p = 1; serials[p - 1]; p++) {
        struct chain_module *m = &r.module[r.count];
        if (!serials[p - 1][0]) continue;
        *m = (struct chain_module){ .position = p, .channels = 4, .circulation = true };
        text_copy(m->serial, sizeof m->serial, serials[p - 1]);
        r.count++;
    }
    return r;
}

static bool binds(
    struct chain_binding *ret, const struct chain_config *c, const struct chain_roll *r)
{
    struct text t = text_over(why, sizeof why);
    const bool bound = chain_bind(ret, c, r, &t);
    ck_assert_int_eq(bound, why[0] == '\0');
    return bound;
}

static const struct {
    const char *serials[6];
    uint32_t filed[5];
} orders[] = {
    { { "a1f3", "b77c", "c91d", NULL }, { 1, 2, 3 } },
    { { "c91d", "a1f3", "b77c", NULL }, { 3, 1, 2 } },            /* re-plugged */
    { { "a1f3", "eeee", "c91d", NULL }, { 1, 2, 3 } },            /* exchanged */
    { { "eeee", "a1f3", "b77c", "c91d", NULL }, { 0, 1, 2, 3 } }, /* added in front */
    { { "a1f3", "b77c", "c91d", "eeee", NULL }, { 1, 2, 3, 0 } }, /* added behind */
    { { "eeee", "b77c", "ffff", NULL }, { 1, 2, 3 } },            /* two exchanged */
    { { "b77c", "eeee", "c91d", "a1f3", NULL }, { 2, 0, 3, 1 } }, /* moved and added */
};

START_TEST(modules_keep_their_pumps_wherever_they_answer) /* _i: of orders */
{
    struct chain_config c = config();
    const struct chain_config before = c;
    const struct chain_roll r = roll_of(orders[_i].serials);
    struct chain_binding b;
    uint32_t position[CHAIN_MODULES_MAX + 1];
    ck_assert_msg(binds(&b, &c, &r), "%s", why);
    ck_assert_uint_eq(b.count, r.count);
    for (uint32_t i = 0; i < b.count; i++) {
        ck_assert_str_eq(b.module[i].serial, orders[_i].serials[i]);
        ck_assert_uint_eq(b.module[i].filed, orders[_i].filed[i]);
    }
    ck_assert(chain_binding_fits(&b, &c));
    chain_rebind(&c, &b, position);
    struct text t = text_over(why, sizeof why);
    ck_assert_msg(chain_roll_matches(&c, &r, &t), "%s", why);
    for (uint32_t p = 1; p <= before.count; p++) {
        const struct chain_module_config *was = &before.module[p - 1];
        const struct chain_module_config *is = &c.module[position[p] - 1];
        ck_assert_uint_eq(is->filed, was->filed);
        ck_assert_uint_eq(is->channels, was->channels);
        ck_assert_double_eq(is->power.pump_amps, was->power.pump_amps);
        ck_assert_uint_eq(is->position, position[p]);
    }
    for (uint32_t p = before.count + 1; p <= CHAIN_MODULES_MAX; p++) {
        ck_assert_uint_eq(position[p], 0);
    }
    for (uint32_t i = 0; i < c.count; i++) { /* a cable stays where it lies */
        const uint32_t lies = i < 3 ? i : 2;
        ck_assert_double_eq(c.module[i].power.cable_ohm, before.module[lies].power.cable_ohm);
        ck_assert_double_eq(
            c.module[i].power.cable_ohm_per_m, before.module[lies].power.cable_ohm_per_m);
        if (c.module[i].filed) continue; /* one without pumps counts as the hungriest */
        ck_assert_double_eq(c.module[i].power.pump_amps, 0.5);
        ck_assert_double_eq(c.module[i].power.circulation_amps, 1.1);
        ck_assert_double_eq(c.module[i].power.min_volts, 11.0);
        ck_assert_double_eq(c.module[i].power.idle_amps, 0.05);
    }
}
END_TEST

static const struct {
    const char *serials[6];
    const char *because;
} refusals[] = {
    { { "a1f3", "b77c", NULL }, "module c91d doesn't answer and no new one stands in its place: "
                                "plug it in again, or take its pumps "
                                "out of the configuration" },
    { { "b77c", "c91d", "eeee", NULL },
        "module a1f3 doesn't answer and no new one stands in its place" },
    { { "a1f3", "", "b77c", "c91d", NULL }, "position 2 doesn't answer: look at the cable there" },
    { { "a1f3", "b77c", "b77c", "c91d", NULL },
        "two modules answer as b77c: one of them has to go" },
};

START_TEST(what_leaves_a_place_empty_is_refused_in_words) /* _i: of refusals */
{
    const struct chain_config c = config();
    const struct chain_roll r = roll_of(refusals[_i].serials);
    struct chain_binding b;
    ck_assert(!binds(&b, &c, &r));
    ck_assert_msg(strstr(why, refusals[_i].because) != NULL, "%s", why);
}
END_TEST

START_TEST(a_module_with_too_few_outputs_takes_no_place)
{
    const struct chain_config c = config();
    const char *const serials[] = { "eeee", "b77c", "c91d", NULL };
    struct chain_roll r = roll_of(serials);
    struct chain_binding b;
    r.module[0].channels = 3;
    ck_assert(!binds(&b, &c, &r));
    ck_assert_str_eq(why, "eeee has fewer pumps than its place needs");
    r.module[0].channels = 4;
    r.module[0].circulation = false;
    ck_assert(!binds(&b, &c, &r));
    ck_assert_str_eq(why, "eeee has no circulation output, and its place needs one");
    r.module[0].circulation = true;
    r.module[1].circulation = false; /* nobody needs it there */
    ck_assert(binds(&b, &c, &r));
}
END_TEST

/* One that was adopted without pumps may be exchanged, and may go. */
START_TEST(an_order_can_be_adopted_over_another_one)
{
    struct chain_config c = config();
    const char *const first[] = { "b77c", "eeee", "a1f3", "c91d", NULL };
    const char *const second[] = { "ffff", "a1f3", "c91d", "abcd", NULL };
    struct chain_binding b;
    uint32_t position[CHAIN_MODULES_MAX + 1];
    struct chain_roll r = roll_of(first);
    ck_assert(binds(&b, &c, &r));
    chain_rebind(&c, &b, position);
    r = roll_of(second);
    ck_assert_msg(binds(&b, &c, &r), "%s", why);
    chain_rebind(&c, &b, position);
    ck_assert_uint_eq(c.count, 4);
    ck_assert_uint_eq(c.module[0].filed, 2); /* in place of b77c, which stood there */
    ck_assert_uint_eq(c.module[1].filed, 1);
    ck_assert_uint_eq(c.module[2].filed, 3);
    ck_assert_uint_eq(c.module[3].filed, 0);
    ck_assert_uint_eq(position[1], 1);
    ck_assert_uint_eq(position[2], 0); /* eeee had no pumps */
    ck_assert_uint_eq(position[3], 2);
    ck_assert_uint_eq(position[4], 3);
}
END_TEST

START_TEST(a_binding_of_another_file_does_not_fit)
{
    const struct chain_config c = config();
    struct chain_binding b = { .count = 3,
        .module = { { "a1f3", 1 }, { "b77c", 2 }, { "c91d", 3 } } };
    ck_assert(chain_binding_fits(&b, &c));
    b.module[2].filed = 2; /* twice */
    ck_assert(!chain_binding_fits(&b, &c));
    b.module[2].filed = 4; /* none such */
    ck_assert(!chain_binding_fits(&b, &c));
    b.module[2].filed = 0; /* one has no place */
    ck_assert(!chain_binding_fits(&b, &c));
    b.count = 0;
    ck_assert(!chain_binding_fits(&b, &c));
}
END_TEST

/* Whatever answers: what can be adopted then matches, and every module of the file has one place.
 */
START_TEST(what_is_adopted_matches)
{
    struct prng chance = prng_seed(7);
    uint32_t adopted = 0;
    for (int n = 0; n < 20000; n++) {
        static const char *const names[] = { "a1f3", "b77c", "c91d", "eeee", "ffff", "abcd" };
        struct chain_config c = config();
        const char *serials[6] = { NULL };
        const int64_t count = 1 + prng_below(&chance, 5);
        for (int64_t i = 0; i < count; i++) {
            serials[i] = names[prng_below(&chance, 6)];
        }
        const struct chain_roll r = roll_of(serials);
        struct chain_binding b;
        if (!binds(&b, &c, &r)) continue;
        uint32_t position[CHAIN_MODULES_MAX + 1];
        ck_assert(chain_binding_fits(&b, &c));
        chain_rebind(&c, &b, position);
        struct text t = text_over(why, sizeof why);
        ck_assert_msg(chain_roll_matches(&c, &r, &t), "%s", why);
        for (uint32_t p = 1; p <= 3; p++) {
            ck_assert_uint_ge(position[p], 1);
            ck_assert_uint_le(position[p], c.count);
        }
        adopted++;
    }
    ck_assert_uint_gt(adopted, 500);
}
END_TEST

START_TEST(the_tag_names_the_order)
{
    struct chain_config c = config();
    const int64_t tag = chain_file_tag(&c);
    ck_assert_int_gt(tag, 0);
    ck_assert_int_lt(tag, INT64_C(9007199254740992));
    c.module[0].power.idle_amps = 9.0;
    ck_assert_int_eq(chain_file_tag(&c), tag);
    const struct chain_module_config first = c.module[0];
    c.module[0] = c.module[1];
    c.module[1] = first;
    ck_assert_int_ne(chain_file_tag(&c), tag);
    c = config();
    c.count = 2;
    ck_assert_int_ne(chain_file_tag(&c), tag);
    text_copy(c.module[0].serial, CHAIN_WORD_MAX, "a1f");
    text_copy(c.module[1].serial, CHAIN_WORD_MAX, "3b77c");
    const int64_t other = chain_file_tag(&c);
    c = config();
    c.count = 2;
    ck_assert_int_ne(chain_file_tag(&c), other);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("bind");
    tcase_add_loop_test(
        t, modules_keep_their_pumps_wherever_they_answer, 0, sizeof orders / sizeof *orders);
    tcase_add_loop_test(
        t, what_leaves_a_place_empty_is_refused_in_words, 0, sizeof refusals / sizeof *refusals);
    tcase_add_test(t, a_module_with_too_few_outputs_takes_no_place);
    tcase_add_test(t, an_order_can_be_adopted_over_another_one);
    tcase_add_test(t, a_binding_of_another_file_does_not_fit);
    tcase_add_test(t, what_is_adopted_matches);
    tcase_add_test(t, the_tag_names_the_order);
    return run_case(t, "bind");
}
