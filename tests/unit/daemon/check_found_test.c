/* What people calibrated and adopted here, as 'check' reads it from a journal beside the files. */
#include "daemon/check/check_found.h"

#include <unistd.h>

#include "daemon/journal/journal_file.h"
#include "tests/unit/daemon/config_clock.h"

static struct check_found found;
static struct config *config;

/* A journal that the configuration names, with these records. */
static void keep(const struct record *records, uint32_t count)
{
    struct journal *journal;
    struct journal_report report;
    struct problem problem;
    char dir[128], line[RECORD_LINE_MAX];
    fixture_path(dir, "journal");
    const struct journal_options options = {
        .dir = dir, .keep_days = 400, .boot = "board", .now = fake_now
    };
    ck_assert_msg(journal_open(&journal, &options, NULL, NULL, &report, &problem) == ERR_NONE, "%s",
        problem.text);
    for (uint32_t i = 0; i < count; i++) {
        struct record r = records[i];
        struct text t = text_over(line, sizeof line);
        int64_t seq;
        ck_assert_int_eq(journal_append(journal, &r, fake_now, &seq, &t, &problem), ERR_NONE);
    }
    journal_close(journal);
}

static int64_t day_ms(const char *day)
{
    struct civil at;
    ck_assert(calendar_read_date(&at, day));
    return at.ms;
}

static struct record rate(const char *stock, const char *serial, int64_t channel, const char *day)
{
    struct record r;
    record_start(&r, "calibration");
    record_add_text(&r, "tank", "bench");
    record_add_text(&r, "stock", stock);
    record_add_text(&r, "serial", serial);
    record_add_int(&r, "channel", channel);
    record_add_real(&r, "ml_per_s", 0.875, 6);
    record_add_real(&r, "spread_percent", 1.0, 2);
    record_add_int(&r, "at_ms", day_ms(day));
    return r;
}

static struct record probe(const char *day)
{
    struct record r;
    record_start(&r, "calibration");
    record_add_text(&r, "tank", "bench");
    record_add_text(&r, "probe", "ph");
    record_add_real(&r, "zero_mv", 6.5, 3);
    record_add_real(&r, "slope_percent", 95.0, 3);
    record_add_int(&r, "at_ms", day_ms(day));
    return r;
}

static struct record flow(const char *day)
{
    struct record r;
    record_start(&r, "calibration");
    record_add_text(&r, "tank", "bench");
    record_add_text(&r, "serial", "a1f3");
    record_add_real(&r, "flow_l_min", 4.25, 3);
    record_add_int(&r, "at_ms", day_ms(day));
    return r;
}

static const struct check_found_item *look(const char *what)
{
    (void)load();
    config = fixture_config;
    free(found.item);
    ck_assert(check_find(&found, config, fake_now));
    for (uint32_t i = 0; i < found.count; i++) {
        if (text_same(found.item[i].what, what)) return &found.item[i];
    }
    return NULL;
}

static void make(void)
{
    begin();
    fixture_change(SITE, "broker:\n", "journal: { dir: journal }\nbroker:\n");
    found = (struct check_found){ .read = false };
}

static void remove_all(const char *pattern)
{
    char path[160];
    glob_t files;
    fixture_path(path, pattern);
    if (glob(path, 0, NULL, &files) != 0) return;
    for (size_t i = 0; i < files.gl_pathc; i++) {
        (void)remove(files.gl_pathv[i]);
    }
    globfree(&files);
}

static void drop(void)
{
    free(found.item);
    remove_all("journal/.[a-z]*");
    remove_all("journal/*");
    fixture_remove();
}

START_TEST(without_a_journal_the_file_stands)
{
    ck_assert_ptr_null(look("pump leaf-a"));
    ck_assert(!found.read && found.count == 0 && found.why[0] == '\0');
}
END_TEST

START_TEST(a_newer_calibration_is_shown_with_both_dates_and_is_in_force)
{
    const struct record records[] = { rate("leaf-a", "a1f3", 1, "2031-04-01"),
        probe("2031-03-30") };
    keep(records, 2);
    const struct check_found_item *pump = look("pump leaf-a");
    ck_assert_ptr_nonnull(pump);
    ck_assert_str_eq(pump->key, "bench");
    ck_assert_str_eq(pump->filed, "1.0200 mL/s of 2031-03-01");
    ck_assert_str_eq(pump->here, "0.8750 mL/s of 2031-04-01");
    ck_assert(config->site.tank[0].pump[0].ml_per_s < 0.88);
    const struct check_found_item *ph = look("probe ph");
    ck_assert_ptr_nonnull(ph);
    ck_assert_str_eq(ph->filed, "zero -4.0 mV, slope 97.5 % of 2031-03-02");
    ck_assert_str_eq(ph->here, "zero 6.5 mV, slope 95.0 % of 2031-03-30");
    ck_assert_uint_eq(found.count, 2);
    ck_assert(found.read);
}
END_TEST

/* _i: the file's flow has no date; an older one; a newer one */
START_TEST(a_measured_flow_is_shown_and_flushes_by_it)
{
    static const char *const dates[] = { "", ", flow_measured: 2031-03-01",
        ", flow_measured: 2031-04-02" };
    static const char *const filed[] = { "5.00 L/min, no date", "5.00 L/min of 2031-03-01" };
    char line[100];
    const struct record r = flow("2031-04-01");
    (void)snprintf(line, sizeof line, "flow_l_min: 5%s, line_ml", dates[_i]);
    fixture_change(SITE, "flow_l_min: 5, line_ml", line);
    keep(&r, 1);
    const struct check_found_item *item = look("circulation");
    const double l_min = config->site.tank[0].circulation.flow_l_min;
    ck_assert_double_eq_tol(l_min, _i < 2 ? 4.25 : 5.0, 1e-9);
    ck_assert_uint_eq(found.count, _i < 2 ? 1 : 0);
    if (_i == 2) return;
    ck_assert_ptr_nonnull(item);
    ck_assert_str_eq(item->filed, filed[_i]);
    ck_assert_str_eq(item->here, "4.25 L/min of 2031-04-01");
    ck_assert_int_eq(site_flush_ms(&config->site.tank[0]), 3600); /* 3 x 85 mL at 4.25 L/min */
}
END_TEST

START_TEST(an_adopted_order_is_shown_with_the_files)
{
    struct record r;
    (void)load();
    record_start(&r, "adopt");
    record_add_text(&r, "chain", "west");
    record_add_int(&r, "file_tag", fixture_config->site.chain[0].file_tag);
    record_add_text(&r, "p1", "2 b77c");
    record_add_text(&r, "p2", "1 a1f3");
    keep(&r, 1);
    const struct check_found_item *modules = look("modules");
    ck_assert_ptr_nonnull(modules);
    ck_assert_str_eq(modules->key, "west");
    ck_assert_str_eq(modules->filed, "a1f3, b77c");
    ck_assert_str_eq(modules->here, "b77c, a1f3");
    ck_assert_uint_eq(config->site.tank[0].pump[0].address.position, 2); /* the tube hangs on it */
}
END_TEST

START_TEST(an_older_one_or_one_of_another_module_isnt_in_force)
{
    const struct record records[] = { rate("leaf-a", "a1f3", 1, "2031-02-01"),
        rate("leaf-b", "ffff", 3, "2031-04-01"), probe("2031-03-01") };
    keep(records, 3);
    ck_assert_ptr_null(look("pump leaf-a"));
    ck_assert_uint_eq(found.count, 0);
    ck_assert(found.read);
}
END_TEST

START_TEST(one_that_cant_be_read_is_said_so)
{
    char dir[128];
    fixture_path(dir, "journal");
    FILE *f = fopen(dir, "w"); /* a file where the folder should be */
    ck_assert_ptr_nonnull(f);
    fclose(f);
    ck_assert_ptr_null(look("pump leaf-a"));
    ck_assert(!found.read && found.why[0] != '\0');
    (void)remove(dir);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("check_found");
    tcase_add_checked_fixture(tc, make, drop);
    tcase_add_test(tc, without_a_journal_the_file_stands);
    tcase_add_test(tc, a_newer_calibration_is_shown_with_both_dates_and_is_in_force);
    tcase_add_loop_test(tc, a_measured_flow_is_shown_and_flushes_by_it, 0, 3);
    tcase_add_test(tc, an_adopted_order_is_shown_with_the_files);
    tcase_add_test(tc, an_older_one_or_one_of_another_module_isnt_in_force);
    tcase_add_test(tc, one_that_cant_be_read_is_said_so);
    return run_case(tc, "check_found");
}
