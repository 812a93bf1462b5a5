/* The time and the tank that a report is asked for, alerts, and its bounds. */
#include "lib/base/text.h"
#include "tests/unit/daemon/report_fixture.h"

/* --- the time asked for ----------------------------------------------------------------------- */

static struct report *of_hour(double from, double to)
{
    const struct report_want want = {
        .has_from = true, .has_to = true, .from = at_minute(from), .to = at_minute(to)
    };
    struct report *r = report_new(&want);
    ck_assert_ptr_nonnull(r);
    return r;
}

START_TEST(what_is_before_or_after_the_time_is_left_out_but_for_bottles)
{
    struct report *r = of_hour(60, 120);
    take_carry(r, "leaf", 0, 10000);
    take_dose(r, "a", "leaf", 10, 1000);
    take_outcome(r, "a", 11, 400, false);
    take_water(r, "bench", 59.9, 700, 5.8);
    take_water(r, "bench", 60, 1200, 5.8);
    take_dose(r, "b", "leaf", 119.9, 2000);
    take_water(r, "bench", 120, 700, 5.8);
    take_outcome(r, "b", 120.1, 1500, false);
    take_dose(r, "c", "leaf", 121, 3000);
    cJSON *json = as_json(r);
    ck_assert_double_eq(number(channel(json, "ec"), "readings"), 1);
    ck_assert_double_eq_tol(number(channel(json, "ec"), "low"), 1.2, 1e-9);
    const cJSON *stock = cJSON_GetArrayItem(member(first_tank(json), "stocks"), 0);
    ck_assert_double_eq_tol(number(stock, "ml"), 1.5, 1e-9);
    const cJSON *bottle = cJSON_GetArrayItem(member(json, "bottles"), 0);
    ck_assert_double_eq_tol(number(bottle, "used_ml"), 1.5, 1e-9);
    ck_assert_double_eq_tol(number(bottle, "left_ml"), 10 - 0.4 - 1.5, 1e-9);
    ck_assert_str_eq(word(json, "from"), "2031-04-02T01:00:00.000Z");
    cJSON_Delete(json);
}
END_TEST

START_TEST(a_bottle_is_counted_from_its_refill_and_never_below_nothing)
{
    struct report *r = new_report();
    struct record record;
    take_dose(r, "a", "leaf", 0, 1000);
    take_carry(r, "acid", 1, 100);
    take_dose(r, "b", "acid", 2, 5000);
    record_start(&record, "request");
    record_add_text(&record, "request", "refilled");
    record_add_truth(&record, "ok", _i == 0);
    record_add_text(&record, "stock", "leaf");
    record_add_int(&record, "ul", 5000);
    report_take(r, &record, at_minute(1440));
    take_dose(r, "c", "leaf", 2880, 1000);
    cJSON *json = as_json(r);
    const cJSON *leaf = cJSON_GetArrayItem(member(json, "bottles"), 0);
    const cJSON *acid = cJSON_GetArrayItem(member(json, "bottles"), 1);
    ck_assert_double_eq_tol(number(leaf, "used_ml"), 2, 1e-9);
    if (_i == 0) {
        ck_assert_double_eq_tol(number(leaf, "left_ml"), 4, 1e-9);
        ck_assert_double_eq_tol(number(leaf, "days_left"), 4, 0.01);
        ck_assert_double_eq(number(leaf, "refills"), 1);
    } else { /* it was refused: nobody knows what the bottle holds */
        ck_assert(cJSON_IsNull(member(leaf, "left_ml")));
        ck_assert(cJSON_IsNull(member(leaf, "days_left")));
    }
    ck_assert_double_eq(number(acid, "left_ml"), 0);
    cJSON_Delete(json);
}
END_TEST

START_TEST(only_the_tank_asked_for_is_shown)
{
    struct report *r = report_new(&(struct report_want){ .tank = "wall" });
    take_water(r, "bench", 0, 1200, 5.8);
    take_dose(r, "a", "leaf", 0, 1000);
    take_alert(r, "level-bench", 0, true, "bench");
    report_truth(r, "bench", REPORT_EC, at_minute(0), 1200);
    report_section(r, &(struct report_table){ .tank = "bench", .id = "x", .heading = "of bench" });
    finish(r);
    ck_assert_uint_eq(report_count(r).tanks, 0);
    take_water(r, "wall", 0, 1200, 5.8);
    cJSON *json = as_json(r);
    ck_assert_int_eq(cJSON_GetArraySize(member(json, "tanks")), 1);
    ck_assert_str_eq(word(first_tank(json), "tank"), "wall");
    ck_assert_int_eq(cJSON_GetArraySize(member(json, "sections")), 0);
    ck_assert_int_eq(cJSON_GetArraySize(member(json, "bottles")), 0);
    cJSON_Delete(json);
}
END_TEST

/* --- alerts ----------------------------------------------------------------------------------- */

START_TEST(alerts_are_episodes)
{
    struct report *r = new_report();
    take_water(r, "bench", 0, 1200, 5.8);
    take_alert(r, "stale", 10, true, "bench");
    take_alert(r, "stale", 12, true, "bench"); /* it stands already */
    take_alert(r, "stale", 20, false, "bench");
    take_alert(r, "stale", 30, true, "bench");
    take_plain(r, "start", 40); /* a new start: what stood is over */
    take_alert(r, "level", 50, true, "bench");
    take_alert(r, "link", 50, true, NULL);
    take_water(r, "bench", 60, 1200, 5.8);
    cJSON *json = as_json(r);
    const cJSON *alerts = member(first_tank(json), "alerts");
    ck_assert_int_eq(cJSON_GetArraySize(alerts), 3);
    const cJSON *first = cJSON_GetArrayItem(alerts, 0), *second = cJSON_GetArrayItem(alerts, 1);
    ck_assert_str_eq(word(first, "from"), "2031-04-02T00:10:00.000Z");
    ck_assert_str_eq(word(first, "to"), "2031-04-02T00:20:00.000Z");
    ck_assert_str_eq(word(second, "to"), "2031-04-02T00:40:00.000Z");
    ck_assert(cJSON_IsNull(member(cJSON_GetArrayItem(alerts, 2), "to")));
    ck_assert_int_eq(cJSON_GetArraySize(member(json, "alerts")), 1);
    cJSON_Delete(json);
}
END_TEST

START_TEST(no_alert_is_lost_beyond_the_bound)
{
    enum { ALL = REPORT_ALERTS_MAX + 300 };
    struct report *r = new_report();
    for (int i = 0; i < ALL; i++) {
        take_alert(r, "stale", i * 2, true, "bench");
        take_alert(r, "stale", i * 2 + 1, false, "bench");
    }
    take_alert(r, "other", 9999, true, "bench");
    cJSON *json = as_json(r);
    const cJSON *alerts = member(first_tank(json), "alerts"), *a = NULL;
    double times = number(first_tank(json), "alerts_left_out");
    cJSON_ArrayForEach(a, alerts)
    {
        times += number(a, "times");
    }
    ck_assert_int_eq(cJSON_GetArraySize(alerts), REPORT_ALERTS_MAX);
    ck_assert_double_eq(times, ALL + 1);
    cJSON_Delete(json);
}
END_TEST

START_TEST(an_alert_from_before_the_time_is_shown_when_it_reaches_into_it)
{
    struct report *r = of_hour(60, 120);
    for (int i = 0; i < REPORT_ALERTS_MAX; i++) { /* these take no places */
        take_alert(r, "early", 1 + i * 0.01, true, "bench");
        take_alert(r, "early", 1.005 + i * 0.01, false, "bench");
    }
    take_alert(r, "ended", 8, true, "bench");
    take_plain(r, "start", 9);
    take_alert(r, "long", 10, true, "bench");
    take_alert(r, "long", 70, false, "bench");
    take_alert(r, "still", 30, true, "bench");
    take_water(r, "bench", 80, 1200, 5.8);
    take_alert(r, "new", 90, true, "bench");
    take_water(r, "bench", 100, 1200, 5.8);
    finish(r);
    char *html = written(r, REPORT_HTML, NULL);
    ck_assert_int_eq(count_of(html, "<line class=\"alert\""), 3);
    ck_assert_int_eq(count_of(html, "<line class=\"when\""), 3); /* one began here: three charts */
    free(html);
    cJSON *json = as_json(r);
    const cJSON *alerts = member(first_tank(json), "alerts");
    ck_assert_int_eq(cJSON_GetArraySize(alerts), 3);
    ck_assert_str_eq(word(cJSON_GetArrayItem(alerts, 0), "alert"), "long");
    ck_assert_str_eq(word(cJSON_GetArrayItem(alerts, 1), "alert"), "still");
    cJSON_Delete(json);
}
END_TEST

START_TEST(a_start_before_the_time_ends_what_stood)
{
    struct report *r = of_hour(60, 120);
    take_alert(r, "early", 10, true, "bench");
    take_alert(r, "link", 10, true, NULL);
    take_plain(r, "start", 20);
    take_water(r, "bench", 100, 1200, 5.8);
    cJSON *json = as_json(r);
    ck_assert_int_eq(cJSON_GetArraySize(member(first_tank(json), "alerts")), 0);
    ck_assert_int_eq(cJSON_GetArraySize(member(json, "alerts")), 0);
    cJSON_Delete(json);
}
END_TEST

/* --- bounds ----------------------------------------------------------------------------------- */

START_TEST(too_many_tanks_are_refused_not_dropped)
{
    struct report *r = new_report();
    for (int i = 0; i < REPORT_TANKS_MAX + _i; i++) {
        char key[16] = "t";
        struct text t = text_over(key + 1, sizeof key - 1);
        text_add_int(&t, i);
        take_water(r, key, 0, 1200, 5.8);
    }
    struct problem problem = { 0 };
    ck_assert_int_eq(report_finish(r, &problem), _i == 0 ? ERR_NONE : ERR_FULL);
    if (_i == 1) ck_assert_ptr_nonnull(strstr(problem.text, "1024"));
    report_free(r);
}
END_TEST

START_TEST(too_many_stocks_are_refused_not_dropped)
{
    struct report *r = new_report();
    for (int i = 0; i < REPORT_STOCKS_MAX + _i; i++) {
        char key[16] = "s";
        struct text t = text_over(key + 1, sizeof key - 1);
        text_add_int(&t, i);
        take_dose(r, key, key, i, 1000);
    }
    struct problem problem = { 0 };
    ck_assert_int_eq(report_finish(r, &problem), _i == 0 ? ERR_NONE : ERR_FULL);
    report_free(r);
}
END_TEST

START_TEST(records_without_what_they_should_have_do_no_harm)
{
    static const char *const kinds[] = { "water", "dose", "outcome", "hand", "alert", "carry",
        "request", "start", "", "pruned" };
    struct report *r = new_report();
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
        struct record record;
        take_plain(r, kinds[k], 1);
        record_start(&record, kinds[k]);
        record_add_text(&record, "tank", "bench");
        record_add_text(&record, "ul", "many");
        record_add_text(&record, "on", "yes");
        report_take(r, &record, at_minute(2));
        record_add_int(&record, "run_ms", -1);
        record_add_int(&record, "remaining_ul", -5);
        report_take(r, &record, (struct civil){ -1 });
    }
    take_dose(r, "a", "leaf", 5, -1000);
    take_dose(r, "", "", 5, 1000);
    take_outcome(r, "", 6, 0, false); /* belongs to nobody */
    finish(r);
    ck_assert_int_eq(report_count(r).doses, 1);
    char *csv = written(r, REPORT_CSV, NULL);
    ck_assert_ptr_nonnull(strstr(csv, ",dose,?,1.000,mL,"));
    free(csv);
    for (int form = REPORT_TEXT; form <= REPORT_HTML; form++) {
        free(written(r, (enum report_form)form, NULL));
    }
    report_free(r);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("report.time");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, what_is_before_or_after_the_time_is_left_out_but_for_bottles);
    tcase_add_loop_test(t, a_bottle_is_counted_from_its_refill_and_never_below_nothing, 0, 2);
    tcase_add_test(t, only_the_tank_asked_for_is_shown);
    tcase_add_test(t, alerts_are_episodes);
    tcase_add_test(t, no_alert_is_lost_beyond_the_bound);
    tcase_add_test(t, an_alert_from_before_the_time_is_shown_when_it_reaches_into_it);
    tcase_add_test(t, a_start_before_the_time_ends_what_stood);
    tcase_add_loop_test(t, too_many_tanks_are_refused_not_dropped, 0, 2);
    tcase_add_loop_test(t, too_many_stocks_are_refused_not_dropped, 0, 2);
    tcase_add_test(t, records_without_what_they_should_have_do_no_harm);
    return run_case(t, "report.time");
}
