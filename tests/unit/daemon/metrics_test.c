/* Figures as text, gathered from views in pieces. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/run/metrics.h"
#include "tests/unit/daemon/status_fixture.h"
#include "tests/unit/support.h"

static struct metrics_shot shot;
static struct metrics_tank shot_tanks[SITE_TANKS_MAX];
static struct metrics_daemon of;
static char *said;
static size_t said_length;

/* So many healthy benches, each with a name of its own. */
static void set_up_site(uint32_t count)
{
    static char key[SITE_TANKS_MAX][16];
    set_up();
    site.tank_count = count;
    site.stock[0].key = "leaf-a";
    for (uint32_t i = 0; i < count; i++) {
        snprintf(key[i], sizeof key[i], "bay-%u", (unsigned)i);
        tanks[i].key = key[i];
    }
}

static void gather(void)
{
    const struct status_source source = { .site = &site,
        .shell = &shell,
        .view_site = view_site,
        .view_chain = view_chain,
        .view_stock = view_stock,
        .view_tank = view_tank,
        .alert = view_alert };
    memset(&of, 0, sizeof of);
    of.site = the_site;
    shot.tank = shot_tanks;
    metrics_gather_site(&shot, &source, &of);
    for (uint32_t i = 0; i < site.tank_count;) {
        const uint32_t next = metrics_gather_tanks(&shot, &source, i);
        ck_assert_uint_le(next - i, METRICS_TANKS_AT_ONCE);
        i = next;
    }
}

static const char *written(int64_t resident_bytes)
{
    free(said);
    FILE *out = open_memstream(&said, &said_length);
    metrics_write(out, &shot, resident_bytes);
    fclose(out);
    return said;
}

START_TEST(every_tank_is_gathered_once_in_pieces)
{
    set_up_site(METRICS_TANKS_AT_ONCE * 2 + 3);
    gather();
    ck_assert_uint_eq(shot.tank_count, site.tank_count);
    const char *text = written(0);
    for (uint32_t i = 0; i < site.tank_count; i++) {
        char line[128];
        snprintf(line, sizeof line, "\ndosewright_ph{tank=\"%s\"} ", site.tank[i].key);
        const char *at = strstr(text, line);
        ck_assert_msg(at != NULL, "%s", line);
        ck_assert_ptr_null(strstr(at + 1, line));
    }
}
END_TEST

START_TEST(what_is_not_known_has_no_sample)
{
    set_up_site(1);
    gather();
    ck_assert_ptr_nonnull(strstr(written(4096), "\ndosewright_resident_memory_bytes 4096\n"));
    ck_assert_ptr_null(strstr(written(0), "\ndosewright_resident_memory_bytes "));
    shot.tank[0].probe[PROBE_EC].has_value = false;
    shot.tank[0].planted = false;
    shot.chain[0].volts = (double)NAN;
    shot.stock[0].days_left = (double)NAN;
    const char *text = written(0);
    static const char *const gone[] = { "\ndosewright_ec_ms_cm{", "probe=\"ec\"} 2\n",
        "\ndosewright_setpoint_", "\ndosewright_chain_volts{", "\ndosewright_bottle_days_left{" };
    for (size_t i = 0; i < sizeof gone / sizeof *gone; i++) {
        ck_assert_msg(!strstr(text, gone[i]), "%s", gone[i]);
    }
    ck_assert_ptr_null(strstr(text, "nan"));
}
END_TEST

START_TEST(labels_are_escaped_as_the_format_wants)
{
    set_up_site(1);
    gather();
    shot.alert_count = 1;
    (void)text_copy(shot.alert[0].id, ALERT_ID_MAX, "a\"b\\c\nd");
    shot.alert[0].tank = -1;
    ck_assert_ptr_nonnull(
        strstr(written(0), "\ndosewright_alert{id=\"a\\\"b\\\\c\\nd\",tank=\"\"} 1\n"));
}
END_TEST

START_TEST(figures_are_in_the_units_of_their_names)
{
    set_up_site(1);
    gather();
    shot.tank[0].probe[PROBE_EC] = (struct metrics_probe){
        .present = true, .has_value = true, .good = true, .value = 1234.5, .age_ms = 2500
    };
    shot.tank[0].pump_count = 1;
    shot.tank[0].pump[0] =
        (struct metrics_pump){ .hour_ul = 1500, .day_limit_ul = 800000, .tube_ul = 123456789 };
    shot.daemon.loop = (struct metrics_loop){ .passes = 3, .sum_us = 4500, .most_us = 2000 };
    const char *text = written(0);
    static const char *const lines[] = { "} 1.2345\n", "probe=\"ec\"} 2.5\n",
        "window=\"hour\"} 1.5\n", "window=\"day\"} 800\n", "} 123456.789\n",
        "\ndosewright_loop_pass_seconds_sum 0.0045\n", "\ndosewright_loop_pass_seconds_count 3\n",
        "\ndosewright_loop_pass_longest_seconds 0.002\n" };
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++) {
        ck_assert_msg(strstr(text, lines[i]) != NULL, "%s in\n%s", lines[i], text);
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("metrics");
    tcase_add_test(t, every_tank_is_gathered_once_in_pieces);
    tcase_add_test(t, what_is_not_known_has_no_sample);
    tcase_add_test(t, labels_are_escaped_as_the_format_wants);
    tcase_add_test(t, figures_are_in_the_units_of_their_names);
    return run_case(t, "metrics");
}
