/* Everything that is wrong in a configuration is refused, at its place, and all of it at once. */
#include "tests/unit/daemon/config_clock.h"

#include "lib/base/prng.h"

enum { CHANGES = 60 };
enum { FEW = 5 }; /* a chain that has no valid name takes the sample's four addresses along */

/* --- what is refused ----------------------------------------------------------------------------
 */

struct refusal {
    int file;
    const char *from, *to; /* the change */
    const char *at;        /* where the error must stand, in the changed file */
    const char *words;     /* what it must say */
};

static const struct refusal refusals[] = {
#include "tests/unit/daemon/config_refusals.h"
};

START_TEST(what_is_wrong_is_refused_at_its_place)
{
    const struct refusal *r = &refusals[_i];
    char place[64];
    fixture_change(r->file, r->from, r->to);
    ck_assert_msg(!fixture_load(false), "row %d: '%s' was taken", _i, r->to);
    fixture_place(place, r->file, r->at);
    if (!fixture_find(&fixture_errors, place, r->words)) fixture_show(&fixture_errors);
    ck_assert_msg(fixture_find(&fixture_errors, place, r->words) != NULL,
        "row %d, '%s': no error at %s with '%s'", _i, r->to, place, r->words);
}
END_TEST

/* A wrong value must not drag a dozen others along. */
START_TEST(one_mistake_makes_few_errors)
{
    const struct refusal *r = &refusals[_i];
    fixture_change(r->file, r->from, r->to);
    ck_assert(!fixture_load(false));
    if (fixture_errors.count > FEW) fixture_show(&fixture_errors);
    ck_assert_uint_le(fixture_errors.count, FEW);
}
END_TEST

START_TEST(all_errors_of_all_files_are_listed_in_one_go)
{
    char place[64];
    fixture_change(SITE, "volts: 12.0", "volts: 1200");
    fixture_change(SITE, "ml_per_s: 1.02", "ml_per_s: fast");
    fixture_change(SITE, "flow_l_min", "flow");
    fixture_change(A, "kind: nutrient", "kind: food");
    fixture_change(CROP, "days: 10", "days: 0");
    ck_assert(!fixture_load(false));
    static const struct {
        int file;
        const char *at;
    } wrong[] = { { SITE, "1200" }, { SITE, "fast" }, { SITE, "flow: 5" },
        { SITE, "{ pump: west/1.c" }, { A, "food" }, { CROP, "0, ec_ms_cm: 0.8, ph: 5.8 }" } };
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        fixture_place(place, wrong[i].file, wrong[i].at);
        ck_assert_msg(fixture_find(&fixture_errors, place, ""), "nothing at %s", place);
    }
    ck_assert_uint_eq(fixture_errors.count, 6);
}
END_TEST

/* It isn't known then whether it is an acid: that it is none would send people the wrong way. */
START_TEST(a_solution_that_is_not_there_is_one_mistake)
{
    fixture_change(SITE, "solution: acid.yaml", "solution: acids.yaml");
    ck_assert(!fixture_load(false));
    if (fixture_errors.count != 1) fixture_show(&fixture_errors);
    ck_assert_uint_eq(fixture_errors.count, 1);
    ck_assert_ptr_nonnull(strstr(fixture_errors.item[0].text, "acids.yaml"));
}
END_TEST

/* What else is said of a probe rests on its unit. */
START_TEST(a_unit_that_is_none_is_one_mistake)
{
    static const struct {
        const char *from, *to, *words;
    } changes[] = {
        { "unit: mS/cm", "unit: ppm", "found \"ppm\"; allowed for EC: mS/cm, uS/cm, uS" },
        { "unit: mV", "unit: mv", "found \"mv\"; allowed for pH: ph, mV" },
        { "unit: degF", "unit: F", "found \"F\"; allowed for temperature: degC, degF" },
        { "unit: degF", "unit: [degF]", "allowed for temperature: degC, degF" },
        { "unit: degF", "unit: lx", "which doesn't measure temperature; allowed: degC, degF" },
    };
    for (size_t i = 0; i < sizeof changes / sizeof *changes; i++) {
        fixture_change(SITE, changes[i].from, changes[i].to);
        ck_assert(!fixture_load(false));
        if (fixture_errors.count != 1) fixture_show(&fixture_errors);
        ck_assert_uint_eq(fixture_errors.count, 1);
        ck_assert_ptr_nonnull(strstr(fixture_errors.item[0].text, changes[i].words));
        fixture_change(SITE, changes[i].to, changes[i].from);
    }
}
END_TEST

START_TEST(more_than_64_errors_are_counted)
{
    char bytes[4096];
    struct text t = text_over(bytes, sizeof bytes);
    text_add(&t, "site: tern-hall\n");
    for (int i = 0; i < 100; i++) {
        text_add(&t, "foreign-");
        text_add_int(&t, i);
        text_add(&t, ": 1\n");
    }
    fixture_change(SITE, "site: tern-hall\n", bytes);
    ck_assert(!fixture_load(false));
    ck_assert_uint_eq(fixture_errors.count, PROBLEM_LIST_MAX);
    ck_assert_uint_eq(fixture_errors.more, 36);
}
END_TEST

/* Whatever a file says, it is taken or refused: under the sanitizers this is the proof that nothing
 * is read beyond its end on the way, and nothing reaches an INVARIANT. */
START_TEST(no_change_of_bytes_breaks_the_loading) /* _i is the seed */
{
    static const char spice[] = "[]{}:,-\"'#\n .0123456789abcdefgxyz$/%+";
    struct prng prng = prng_seed((uint64_t)_i);
    for (int n = 0; n < CHANGES; n++) {
        for (int i = 0; i < FIXTURE_FILES; i++) {
            ck_assert(text_copy(fixture_text[i], FIXTURE_BYTES, fixture_files[i].text));
        }
        char *text = fixture_text[n % 3 == 0 ? prng_below(&prng, FIXTURE_FILES) : SITE];
        for (int64_t k = prng_below(&prng, 4); k >= 0; k--) {
            text[prng_below(&prng, (int64_t)strlen(text))] =
                spice[prng_below(&prng, (int64_t)sizeof spice - 1)];
        }
        (void)fixture_load(n % 2 == 0);
    }
}
END_TEST

/* Values swapped between places are well-formed nonsense, which goes deeper than loose bytes. */
START_TEST(no_swap_of_lines_breaks_the_loading) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i + 1000);
    for (int n = 0; n < CHANGES; n++) {
        ck_assert(text_copy(fixture_text[SITE], FIXTURE_BYTES, fixture_files[SITE].text));
        static char fresh[FIXTURE_BYTES];
        struct text t = text_over(fresh, sizeof fresh);
        const char *rest = fixture_text[SITE];
        while (*rest) {
            const size_t length = (size_t)(strchr(rest, '\n') - rest) + 1;
            const int64_t fate = prng_below(&prng, 40);
            if (fate != 0) text_add_bytes(&t, rest, length); /* 0: left out, 1: said twice */
            if (fate == 1) text_add_bytes(&t, rest, length);
            rest += length;
        }
        ck_assert(text_copy(fixture_text[SITE], FIXTURE_BYTES, fresh));
        (void)fixture_load(true);
    }
}
END_TEST

int main(void)
{
    TCase *c = tcase_create("config_refusal");
    tcase_add_checked_fixture(c, begin, fixture_remove);
    tcase_set_timeout(c, 30);
    const int count = (int)(sizeof refusals / sizeof *refusals);
    tcase_add_loop_test(c, what_is_wrong_is_refused_at_its_place, 0, count);
    tcase_add_loop_test(c, one_mistake_makes_few_errors, 0, count);
    tcase_add_test(c, all_errors_of_all_files_are_listed_in_one_go);
    tcase_add_test(c, a_solution_that_is_not_there_is_one_mistake);
    tcase_add_test(c, more_than_64_errors_are_counted);
    tcase_add_test(c, a_unit_that_is_none_is_one_mistake);
    tcase_add_loop_test(c, no_change_of_bytes_breaks_the_loading, 0, 20);
    tcase_add_loop_test(c, no_swap_of_lines_breaks_the_loading, 0, 10);
    return run_case(c, "config_refusal");
}
