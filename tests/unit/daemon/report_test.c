/* What a report keeps of the records: nothing that matters may be lost. */
#include <math.h>

#include "lib/base/text.h"
#include "tests/unit/daemon/report_fixture.h"

static void take_setpoint(struct report *r, double minutes, double set)
{
    struct record record;
    record_start(&record, "water");
    record_add_text(&record, "tank", "bench");
    record_add_real(&record, "set_ec_us_cm", set, 1);
    record_add_real(&record, "band_ec_us_cm", 100, 1);
    report_take(r, &record, at_minute(minutes));
}

/* --- readings --------------------------------------------------------------------------------- */

START_TEST(a_few_readings_are_kept_as_they_are)
{
    struct report *r = new_report();
    take_water(r, "bench", 0, 1234.5, 5.912);
    take_water(r, "bench", 10, 1200, 5.8);
    cJSON *json = as_json(r);
    const cJSON *points = member(channel(json, "ec"), "points");
    ck_assert_int_eq(cJSON_GetArraySize(points), 2);
    const cJSON *first = cJSON_GetArrayItem(points, 0);
    ck_assert_str_eq(cJSON_GetArrayItem(first, 0)->valuestring, "2031-04-02T00:00:00.000Z");
    ck_assert_double_eq_tol(cJSON_GetArrayItem(first, 1)->valuedouble, 1.2345, 6e-4);
    ck_assert_double_eq_tol(number(channel(json, "ph"), "high"), 5.912, 1e-9);
    ck_assert_double_eq_tol(number(channel(json, "ph"), "last"), 5.8, 1e-9);
    cJSON_Delete(json);
}
END_TEST

/* One reading of 200,000 is far off, up or down, anywhere. */
START_TEST(thinning_loses_no_spike)
{
    static const int all = 200000, where[] = { 0, 1, 77777, 131072, 199998, 199999 };
    const int spike = where[_i / 2];
    const double off = _i % 2 ? 9000 : 3;
    struct report *r = new_report();
    for (int i = 0; i < all; i++) {
        take_water(r, "bench", i, i == spike ? off : 1200 + i % 7, 5.8);
    }
    cJSON *json = as_json(r);
    const cJSON *points = member(channel(json, "ec"), "points");
    const int count = cJSON_GetArraySize(points);
    ck_assert_int_le(count, REPORT_POINTS_MAX);
    ck_assert_int_ge(count, REPORT_POINTS_MAX / 3);
    ck_assert_double_eq(number(channel(json, "ec"), "readings"), all);
    int found = 0;
    char wanted[32];
    struct text t = text_over(wanted, sizeof wanted);
    text_add_civil(&t, at_minute(spike));
    const char *before = "";
    const cJSON *point = NULL;
    cJSON_ArrayForEach(point, points)
    {
        const char *time = cJSON_GetArrayItem(point, 0)->valuestring;
        ck_assert_msg(strcmp(before, time) < 0, "%s isn't before %s", before, time);
        before = time;
        if (fabs(cJSON_GetArrayItem(point, 1)->valuedouble - off / 1000) > 1e-6) continue;
        ck_assert_str_eq(time, wanted);
        found++;
    }
    ck_assert_int_eq(found, 1);
    cJSON_Delete(json);
}
END_TEST

START_TEST(a_silence_of_three_spacings_is_a_gap)
{
    struct report *r = new_report();
    for (int i = 0; i < 50; i++) {
        take_water(r, "bench", i * 10, 1200, 5.8);
    }
    take_water(r, "bench", 490 + 20, 1200, 5.8); /* one is missing: no gap */
    take_water(r, "bench", 510 + 60, 1200, 5.8); /* five are: a gap */
    finish(r);
    char *html = written(r, REPORT_HTML, NULL);
    const char *path = strstr(html, "<path class=\"reading\" d=\"");
    ck_assert_ptr_nonnull(path);
    char line[4096];
    text_copy(line, strcspn(path + 25, "\"") + 1, path + 25);
    ck_assert_int_eq(count_of(line, "M"), 2);
    ck_assert_ptr_nonnull(strstr(html, "; 1 gap\""));
    free(html);
    char *json = written(r, REPORT_JSON, NULL);
    ck_assert_ptr_nonnull(strstr(json, "\"readings\":52,\"gaps\":1,"));
    ck_assert_int_eq(count_of(json, "{\"from\":"), 4); /* bands of EC and pH, cut at the gap */
    free(json);
    report_free(r);
}
END_TEST

START_TEST(readings_within_the_band_are_counted)
{
    struct report *r = new_report();
    for (int i = 0; i < 10; i++) {
        take_water(r, "bench", i * 10, i < 3 ? 1000 : 1300, i < 9 ? 5.99 : 6.01);
    }
    take_setpoint(r, 110, 1200); /* no reading: not counted */
    cJSON *json = as_json(r);
    ck_assert_double_eq_tol(number(channel(json, "ec"), "in_band_percent"), 70, 1e-6);
    ck_assert_double_eq_tol(number(channel(json, "ph"), "in_band_percent"), 90, 1e-6);
    ck_assert(cJSON_IsNull(member(channel(json, "degc"), "in_band_percent")));
    cJSON_Delete(json);
}
END_TEST

START_TEST(garbage_is_no_reading)
{
    struct report *r = new_report();
    take_water(r, "bench", 0, 1e9, 99);
    take_water(r, "bench", 10, 1200, -99);
    cJSON *json = as_json(r);
    ck_assert_double_eq(number(channel(json, "ec"), "readings"), 1);
    ck_assert_double_eq(number(channel(json, "ph"), "readings"), 0);
    ck_assert(cJSON_IsNull(member(channel(json, "ph"), "last")));
    cJSON_Delete(json);
}
END_TEST

/* A setpoint that changes with each record, for longer than there are places. */
START_TEST(a_band_keeps_its_extremes_when_it_is_thinned)
{
    const double off = _i == 0 ? 3000 : 300;
    struct report *r = new_report();
    for (int i = 0; i < 20000; i++) {
        struct record record;
        record_start(&record, "water");
        record_add_text(&record, "tank", "bench");
        record_add_real(&record, "ec_us_cm", 1200, 1);
        record_add_real(&record, "set_ec_us_cm", i == 12345 ? off : 1000 + i % 50, 1);
        record_add_real(&record, "band_ec_us_cm", 100, 1);
        report_take(r, &record, at_minute(i));
    }
    cJSON *json = as_json(r);
    const cJSON *band = member(channel(json, "ec"), "band"), *span = NULL;
    ck_assert_int_le(cJSON_GetArraySize(band), REPORT_POINTS_MAX / 2);
    double high = 0, low = 9;
    const char *before = "";
    cJSON_ArrayForEach(span, band)
    {
        ck_assert_int_le(strcmp(before, word(span, "from")), 0);
        ck_assert_int_le(strcmp(word(span, "from"), word(span, "to")), 0);
        before = word(span, "to");
        if (number(span, "high") > high) high = number(span, "high");
        if (number(span, "low") < low) low = number(span, "low");
    }
    ck_assert_double_eq_tol(high, _i == 0 ? 3.1 : 1.149, 1e-9);
    ck_assert_double_eq_tol(low, _i == 0 ? 0.9 : 0.2, 1e-9);
    cJSON_Delete(json);
}
END_TEST

START_TEST(a_clock_that_runs_back_is_told_and_keeps_the_order)
{
    struct report *r = new_report();
    for (int i = 0; i < 2000; i++) {
        take_water(r, "bench", i < 1000 ? i : i - 500, 1200 + i % 3, 5.8);
    }
    take_water(r, "bench", 1499 - 0.5, 1300, 5.8);
    cJSON *json = as_json(r);
    const char *before = "";
    const cJSON *point = NULL;
    cJSON_ArrayForEach(point, member(channel(json, "ec"), "points"))
    {
        const char *time = cJSON_GetArrayItem(point, 0)->valuestring;
        ck_assert_int_le(strcmp(before, time), 0);
        before = time;
    }
    ck_assert_double_eq(number(channel(json, "ec"), "readings"), 2001);
    ck_assert_double_eq_tol(number(channel(json, "ec"), "last"), 1.201, 1e-9);
    const cJSON *note = cJSON_GetArrayItem(member(json, "notes"), 0);
    ck_assert_ptr_nonnull(note);
    ck_assert_ptr_nonnull(strstr(note->valuestring, "1 time the clock ran back"));
    cJSON_Delete(json);
}
END_TEST

START_TEST(a_band_stays_in_order_when_the_clock_runs_back)
{
    struct report *r = new_report();
    for (int i = 0; i < 20; i++) {
        take_setpoint(r, i * 10, i < 10 ? 1000 : 1500);
    }
    take_setpoint(r, 45, 700);
    take_setpoint(r, 200, 1500);
    cJSON *json = as_json(r);
    const cJSON *band = member(channel(json, "ec"), "band");
    ck_assert_int_eq(cJSON_GetArraySize(band), 2);
    const cJSON *first = cJSON_GetArrayItem(band, 0), *second = cJSON_GetArrayItem(band, 1);
    ck_assert_str_eq(word(first, "to"), "2031-04-02T01:30:00.000Z");
    ck_assert_double_eq_tol(number(first, "low"), 0.6, 1e-9);
    ck_assert_double_eq_tol(number(first, "high"), 1.1, 1e-9);
    ck_assert_double_eq_tol(number(second, "low"), 1.4, 1e-9);
    ck_assert_str_eq(word(second, "to"), "2031-04-02T03:20:00.000Z");
    cJSON_Delete(json);
}
END_TEST

/* --- doses ------------------------------------------------------------------------------------ */

START_TEST(a_dose_counts_what_its_outcome_says)
{
    struct report *r = new_report();
    take_dose(r, "a", "leaf", 0, 1000);
    take_outcome(r, "a", 1, 800, false);
    take_dose(r, "b", "leaf", 5, 1000);
    take_outcome(r, "b", 6, 0, false);
    take_dose(r, "c", "leaf", 10, 1000);
    take_outcome(r, "c", 11, 1000, true);
    take_dose(r, "d", "leaf", 15, 500); /* nobody knows yet: in full */
    cJSON *json = as_json(r);
    const cJSON *doses = member(first_tank(json), "doses");
    static const double ml[] = { 0.8, 0, 1, 0.5 }, failed[] = { 0, 1, 0, 0 },
                        unsure[] = { 0, 0, 1, 0 };
    ck_assert_int_eq(cJSON_GetArraySize(doses), 4);
    for (int i = 0; i < 4; i++) {
        const cJSON *d = cJSON_GetArrayItem(doses, i);
        ck_assert_double_eq_tol(number(d, "ml"), ml[i], 1e-9);
        ck_assert_double_eq(number(d, "failed"), failed[i]);
        ck_assert_double_eq(number(d, "unsure"), unsure[i]);
    }
    const cJSON *stock = cJSON_GetArrayItem(member(first_tank(json), "stocks"), 0);
    ck_assert_double_eq_tol(number(stock, "ml"), 2.3, 1e-9);
    ck_assert_double_eq(number(stock, "doses"), 4);
    ck_assert_double_eq(number(stock, "failed"), 1);
    const cJSON *day = cJSON_GetArrayItem(member(first_tank(json), "days"), 0);
    ck_assert_double_eq_tol(number(day, "ml"), 2.3, 1e-9);
    ck_assert_str_eq(word(day, "day"), "2031-04-02");
    cJSON_Delete(json);
}
END_TEST

START_TEST(outcomes_in_any_order_find_their_doses)
{
    struct report *r = new_report();
    take_dose(r, "a", "leaf", 0, 1000);
    take_dose(r, "b", "acid", 0, 1000);
    take_dose(r, "c", "leaf", 5, 1000);
    take_outcome(r, "a", 6, 100, false);
    take_outcome(r, "c", 7, 300, false);
    take_outcome(r, "b", 8, 200, true);
    take_outcome(r, "b", 9, 900, false); /* said already */
    take_dose(r, "d", "leaf", 20, 2000); /* two of a stock at the same time: a clock was set back */
    take_dose(r, "e", "leaf", 20, 40);
    take_outcome(r, "d", 21, 0, false);
    take_outcome(r, "e", 21, 40, false);
    cJSON *json = as_json(r);
    static const double ml[] = { 0.1, 0.2, 0.3, 0, 0.04 };
    for (int i = 0; i < 5; i++) {
        const cJSON *d = cJSON_GetArrayItem(member(first_tank(json), "doses"), i);
        ck_assert_double_eq_tol(number(d, "ml"), ml[i], 1e-9);
        ck_assert_double_eq(number(d, "unsure"), i == 1);
    }
    cJSON_Delete(json);
}
END_TEST

/* Far more than are told apart; each with an outcome that differs from what was granted. */
START_TEST(no_dose_is_lost_when_many_become_one_mark)
{
    enum { ALL = 20000 };
    static const char *const stocks[] = { "leaf-a", "leaf-b", "acid" };
    struct report *r = new_report();
    int64_t ul = 0, failed = 0;
    for (int i = 0; i < ALL; i++) {
        char id[16];
        struct text t = text_over(id, sizeof id);
        text_add_int(&t, i);
        const int64_t got = i % 11 == 0 ? 0 : 1000 + i % 5;
        take_dose(r, id, stocks[i % 3], i * 3, 1004);
        take_outcome(r, id, i * 3 + 0.1, got, false);
        ul += got;
        failed += got == 0;
    }
    finish(r);
    ck_assert_int_eq(report_count(r).doses, ALL);
    char *html = written(r, REPORT_HTML, NULL);
    ck_assert_int_le(count_of(html, "<circle class=\"dose"), REPORT_MARKS_MAX);
    free(html);
    cJSON *json = as_json(r);
    const cJSON *list = member(first_tank(json), "doses"), *d = NULL;
    ck_assert_int_le(cJSON_GetArraySize(list), REPORT_MARKS_MAX);
    ck_assert_int_ge(cJSON_GetArraySize(list), REPORT_MARKS_MAX / 4);
    double doses = 0, ml = 0, nothing = 0, day_ml = 0;
    cJSON_ArrayForEach(d, list)
    {
        doses += number(d, "doses");
        ml += number(d, "ml");
        nothing += number(d, "failed");
        ck_assert_int_le(strcmp(word(d, "time"), word(d, "until")), 0);
    }
    cJSON_ArrayForEach(d, member(first_tank(json), "days"))
    {
        day_ml += number(d, "ml");
    }
    const cJSON *stock = NULL;
    cJSON_ArrayForEach(stock, member(first_tank(json), "stocks"))
    {
        double of_stock = 0;
        cJSON_ArrayForEach(d, list)
        {
            if (strcmp(word(d, "stock"), word(stock, "stock")) == 0) of_stock += number(d, "ml");
        }
        ck_assert_double_eq_tol(of_stock, number(stock, "ml"), 1e-6);
    }
    ck_assert_double_eq(doses, ALL);
    ck_assert_double_eq(nothing, (double)failed);
    ck_assert_double_eq_tol(ml, (double)ul / 1000, 1e-6);
    ck_assert_double_eq_tol(day_ml, (double)ul / 1000, 1e-6);
    cJSON_Delete(json);
}
END_TEST

START_TEST(what_ran_by_hand_is_summed_but_is_no_dose)
{
    struct report *r = new_report();
    struct record record;
    take_dose(r, "a", "leaf", 0, 1000);
    record_start(&record, "hand");
    record_add_text(&record, "tank", "bench");
    record_add_text(&record, "stock", "leaf");
    record_add_int(&record, "ul", 250);
    report_take(r, &record, at_minute(3));
    finish(r);
    ck_assert_int_eq(report_count(r).doses, 1);
    char *html = written(r, REPORT_HTML, NULL);
    ck_assert_int_eq(count_of(html, "<circle class=\"dose"), 1);
    ck_assert_int_eq(count_of(html, "<circle class=\"hand"), 1);
    free(html);
    cJSON *json = as_json(r);
    const cJSON *stock = cJSON_GetArrayItem(member(first_tank(json), "stocks"), 0);
    ck_assert_double_eq_tol(number(stock, "ml"), 1.25, 1e-9);
    ck_assert_double_eq_tol(number(stock, "by_hand_ml"), 0.25, 1e-9);
    cJSON_Delete(json);
}
END_TEST

START_TEST(what_has_no_time_is_summed_as_undated)
{
    struct report *r = new_report();
    struct record record;
    record_start(&record, "dose");
    record_add_text(&record, "id", "x");
    record_add_text(&record, "tank", "bench");
    record_add_text(&record, "stock", "leaf");
    record_add_int(&record, "ul", 700);
    report_take(r, &record, (struct civil){ 5000 });
    take_dose(r, "y", "leaf", 0, 300);
    take_outcome(r, "x", 1, 600, false);
    cJSON *json = as_json(r);
    ck_assert_int_eq(cJSON_GetArraySize(member(first_tank(json), "doses")), 1);
    const cJSON *day = cJSON_GetArrayItem(member(first_tank(json), "days"), 0);
    ck_assert_str_eq(word(day, "day"), "undated");
    ck_assert_double_eq_tol(number(day, "ml"), 0.6, 1e-9);
    ck_assert_int_eq(cJSON_GetArraySize(member(json, "notes")), 1);
    cJSON_Delete(json);
}
END_TEST

START_TEST(what_an_old_dose_was_for_is_guessed)
{
    static const struct {
        int64_t ec_milli, ph_micro;
        double ph;
        const char *purpose;
    } row[] = { { 500, 0, 6, "feed" }, { 500, 3, 6, "feed" }, { 0, 100, 6.2, "acid" },
        { 0, 100, 5.2, "base" }, { 0, 0, 6, "other" } };
    struct report *r = new_report();
    struct record record;
    record_start(&record, "dose");
    record_add_text(&record, "tank", "bench");
    record_add_text(&record, "stock", "some");
    record_add_int(&record, "ul", 700);
    record_add_int(&record, "ec_milli", row[_i].ec_milli);
    record_add_int(&record, "ph_micro", row[_i].ph_micro);
    record_add_real(&record, "ph", row[_i].ph, 3);
    record_add_real(&record, "set_ph", 5.8, 3);
    report_take(r, &record, at_minute(0));
    cJSON *json = as_json(r);
    const cJSON *stock = cJSON_GetArrayItem(member(first_tank(json), "stocks"), 0);
    ck_assert_str_eq(word(stock, "purpose"), row[_i].purpose);
    cJSON_Delete(json);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("report");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_few_readings_are_kept_as_they_are);
    tcase_add_loop_test(t, thinning_loses_no_spike, 0, 12);
    tcase_add_test(t, a_silence_of_three_spacings_is_a_gap);
    tcase_add_test(t, readings_within_the_band_are_counted);
    tcase_add_test(t, garbage_is_no_reading);
    tcase_add_loop_test(t, a_band_keeps_its_extremes_when_it_is_thinned, 0, 2);
    tcase_add_test(t, a_clock_that_runs_back_is_told_and_keeps_the_order);
    tcase_add_test(t, a_band_stays_in_order_when_the_clock_runs_back);
    tcase_add_test(t, a_dose_counts_what_its_outcome_says);
    tcase_add_test(t, outcomes_in_any_order_find_their_doses);
    tcase_add_test(t, no_dose_is_lost_when_many_become_one_mark);
    tcase_add_test(t, what_ran_by_hand_is_summed_but_is_no_dose);
    tcase_add_test(t, what_has_no_time_is_summed_as_undated);
    tcase_add_loop_test(t, what_an_old_dose_was_for_is_guessed, 0, 5);
    return run_case(t, "report");
}
