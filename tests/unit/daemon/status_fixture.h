/* What status shows, without a core: one of each, as a test wants them. Included once by each test
 * of it. */
#ifndef DOSEWRIGHT_TESTS_STATUS_FIXTURE_H
#define DOSEWRIGHT_TESTS_STATUS_FIXTURE_H

#include <math.h>

#include "daemon/door_status.h"
#include "tests/unit/support.h"

static struct site_tank tanks[SITE_TANKS_MAX];
static struct site site;
static struct site_view the_site;
static struct tank_view the_tank;
static struct chain_view the_chain;
static struct stock_view the_stock;
static struct alert_view the_alert;
static uint32_t alerts;
static struct door_shell shell;
static char answer[DOOR_ANSWER_MAX];

static void view_site(const struct status_source *s, struct site_view *ret)
{
    (void)s;
    *ret = the_site;
}

static void view_chain(const struct status_source *s, uint32_t i, struct chain_view *ret)
{
    (void)s;
    (void)i;
    *ret = the_chain;
}

static void view_stock(const struct status_source *s, uint32_t i, struct stock_view *ret)
{
    (void)s;
    (void)i;
    *ret = the_stock;
}

static void view_tank(const struct status_source *s, uint32_t i, struct tank_view *ret)
{
    *ret = the_tank;
    ret->key = s->site->tank[i].key;
}

static bool view_alert(const struct status_source *s, uint32_t i, struct alert_view *ret)
{
    (void)s;
    *ret = the_alert;
    return i < alerts;
}

static struct probe_view good(double value)
{
    return (struct probe_view){
        .present = true, .has_value = true, .value = value, .quality = PROBE_GOOD, .age_ms = 2000
    };
}

/* One pump by its file, the pH probe calibrated here, EC never. */
static void set_up_care(void)
{
    the_tank.care.asked = "";
    the_tank.care.pump[0] = (struct calibration_view){ .calibrated = true,
        .at = { INT64_C(1932868800000) },
        .ml_per_s = 1.05,
        .filed_ml_per_s = 1.02 };
    the_tank.care.probe[PROBE_PH] = (struct calibration_view){
        .calibrated = true, .here = true, .at = { INT64_C(1932868800000) }, .steps = 2
    };
}

static void set_tanks(void)
{
    for (int i = 0; i < SITE_TANKS_MAX; i++) {
        tanks[i] = (struct site_tank){ .key = "basil-bench",
            .pump = { { .address = { 0, 1, 1 } } },
            .band_ec_us_cm = 100,
            .band_ph = 0.2,
            .envelope = { .degc_least = 12, .degc_most = 30 } };
    }
}

static void set_upkeep(void)
{
    the_tank.pump[0].tube_ran_ms = 90 * MINUTE_MS;
    the_tank.pump[0].tube_ul = 4321000;
    the_tank.pump[0].tube_since = (struct civil){ INT64_C(1932868800000) };
    the_tank.pump[0].tube_changed = true;
    the_tank.upkeep = (struct upkeep_view){ .circulated_ms = 36 * HOUR_MS,
        .water_since = { INT64_C(1932868800000) },
        .topped_l = (double)NAN,
        .vpd_kpa = 1.267,
        .light = LIGHT_ON,
        .light_due = LIGHT_UNKNOWN };
    the_tank.probe[PROBE_PH].calibrated_at = (struct civil){ INT64_C(1932768000000) };
    the_tank.probe[PROBE_PH].calibration_due = true;
}

#endif
