/* What status shows, without a core: one of each, as a test wants them. Included once by each test
 * of it. */
#ifndef DOSEWRIGHT_TESTS_STATUS_FIXTURE_H
#define DOSEWRIGHT_TESTS_STATUS_FIXTURE_H

#include <math.h>

#include "daemon/door/door_status.h"
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
    the_tank.care.flow = (struct flow_view){ .l_min = 4.8, .filed_l_min = 5.0, .waits_ms = 90000 };
    the_tank.care.pump[0] = (struct calibration_view){ .calibrated = true,
        .at = { INT64_C(1932868800000) },
        .ml_per_s = 1.05,
        .filed_ml_per_s = 1.02 };
    the_tank.care.probe[PROBE_PH] = (struct calibration_view){
        .calibrated = true, .here = true, .at = { INT64_C(1932868800000) }, .steps = 2
    };
}

static void set_chain(void)
{
    the_chain = (struct chain_view){ .key = "west",
        .ready = true,
        .roll_heard = true,
        .bound = true,
        .ours = true,
        .claim = { .by = "9f2c41d0", .reign = 7, .site = "tern-hall" },
        .has_volts = true,
        .volts = 11.9,
        .has_amps = true,
        .amps = 0.42,
        .supply = { .amps_due = (double)NAN,
            .volts = 12,
            .amps = 4,
            .usable_amps = 3.2,
            .count = 1,
            .module = { { .serial = "a1f3",
                .volts = 11.78,
                .due_volts = (double)NAN,
                .least_volts = 10.8,
                .pump_amps = 0.35,
                .circulation_amps = 1.1 } } } };
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

/* A healthy bench; each test spoils what it is about. */
static void set_up(void)
{
    set_tanks();
    site = (struct site){ .tank_count = 1, .tank = tanks, .chain_count = 1, .stock_count = 1 };
    site.chain[0].key = "west";
    the_site = (struct site_view){ .key = "tern-hall",
        .name = "Tern Hall school glasshouse",
        .active = true,
        .link_up = true,
        .journal_ok = true };
    set_chain();
    the_stock = (struct stock_view){
        .key = "leaf-a", .bottle_ul = 5000000, .remaining_ul = 3200500, .days_left = 12.2
    };
    the_tank = (struct tank_view){ .name = "Basil bench",
        .state = TANK_HOLDING,
        .why = "EC and pH are within their bands",
        .planted = true,
        .set_ec_us_cm = 1200,
        .set_ph = 5.8,
        .stage = "leafing",
        .day = 12,
        .pump_count = 1 };
    the_tank.probe[PROBE_EC] = good(1184);
    the_tank.probe[PROBE_PH] = good(6.314);
    the_tank.probe[PROBE_TEMPERATURE] = good(21.44);
    the_tank.probe[PROBE_LEVEL] = good(82);
    the_tank.last.stock = "acid";
    the_tank.last.ul = 3500;
    the_tank.last.at = (struct civil){ INT64_C(1932872467089) }; /* 5 minutes before now */
    text_copy(the_tank.last.id, sizeof the_tank.last.id, "d-1");
    the_tank.pump[0].stock = "leaf-a";
    the_tank.pump[0].day_ul = 120000;
    the_tank.pump[0].purpose = "feed";
    the_tank.pump[0].ec_us_cm_per_ml = 0.98;
    the_tank.pump[0].dose_limit_ul = 40000;
    the_tank.pump[0].day_limit_ul = 800000;
    the_tank.pump[0].hour_ul = 40250;
    the_tank.pump[0].hour_limit_ul = 200000;
    set_up_care();
    set_upkeep();
    alerts = 0;
    the_alert = (struct alert_view){ .id = "west-roll-call",
        .text = "position 2 answers as c91d; b77c was expected: put it back, or change the binding",
        .tank = -1 };
    shell = (struct door_shell){ .broker_uri = "mqtts://broker.example:8883",
        .broker_why = "",
        .config_path = "/etc/dosewright/site.yaml",
        .config_error = "",
        .config_loaded = { INT64_C(1932868800000) },
        .journal_seq = 1234,
        .journal_hash = "9f2c41d09f2c41d09f2c41d09f2c41d09f2c41d09f2c41d09f2c41d09f2c41d0" };
}

#endif
