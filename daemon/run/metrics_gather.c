#include <math.h>
#include <string.h>

#include "daemon/run/metrics.h"

static double or_nan(bool known, double value)
{
    return known ? value : (double)NAN;
}

void metrics_gather_site(
    struct metrics_shot *shot, const struct status_source *source, const struct metrics_daemon *of)
{
    const struct site *site = source->site;
    struct alert_view alert;
    shot->daemon = *of;
    shot->alert_count = 0;
    for (; shot->alert_count < METRICS_ALERTS_MAX; shot->alert_count++) {
        struct metrics_alert *to = &shot->alert[shot->alert_count];
        if (!source->alert(source, shot->alert_count, &alert)) break;
        (void)text_copy(to->id, sizeof to->id, alert.id);
        to->tank = alert.tank;
    }
    shot->chain_count = site->chain_count;
    for (uint32_t i = 0; i < site->chain_count; i++) {
        struct chain_view v;
        source->view_chain(source, i, &v);
        shot->chain[i] = (struct metrics_chain){ .well = v.ready && v.why[0] == '\0',
            .volts = or_nan(v.has_volts, v.volts),
            .amps = or_nan(v.has_amps, v.amps) };
        (void)text_copy(shot->chain[i].key, METRICS_KEY_MAX, v.key);
    }
    shot->stock_count = site->stock_count;
    for (uint32_t i = 0; i < site->stock_count; i++) {
        struct stock_view v;
        source->view_stock(source, i, &v);
        shot->stock[i] =
            (struct metrics_stock){ .remaining_ul = v.remaining_ul, .days_left = v.days_left };
        (void)text_copy(shot->stock[i].key, METRICS_KEY_MAX, v.key);
    }
}

static void gather_tank(
    struct metrics_tank *to, const struct site_tank *tank, const struct tank_view *v)
{
    *to = (struct metrics_tank){ .state = v->state,
        .planted = v->planted,
        .set_ec_us_cm = v->set_ec_us_cm,
        .set_ph = v->set_ph };
    (void)text_copy(to->key, METRICS_KEY_MAX, v->key);
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        const struct probe_view *p = &v->probe[q];
        to->probe[q] = (struct metrics_probe){ .present = p->present,
            .has_value = p->has_value,
            .good = p->quality == PROBE_GOOD,
            .value = p->value,
            .age_ms = p->age_ms };
    }
    for (; to->pump_count < v->pump_count && to->pump_count < TANK_PUMPS_MAX; to->pump_count++) {
        const uint32_t i = to->pump_count;
        to->pump[i] = (struct metrics_pump){ .stock = tank->pump[i].stock,
            .hour_ul = v->pump[i].hour_ul,
            .hour_limit_ul = v->pump[i].hour_limit_ul,
            .day_ul = v->pump[i].day_ul,
            .day_limit_ul = v->pump[i].day_limit_ul,
            .tube_ul = v->pump[i].tube_ul,
            .locked = v->pump[i].locked };
    }
}

uint32_t metrics_gather_tanks(
    struct metrics_shot *shot, const struct status_source *source, uint32_t from)
{
    const struct site *site = source->site;
    uint32_t i = from;
    for (; i < site->tank_count && i - from < METRICS_TANKS_AT_ONCE; i++) {
        struct tank_view v;
        source->view_tank(source, i, &v);
        gather_tank(&shot->tank[i], &site->tank[i], &v);
    }
    shot->tank_count = i;
    return i;
}
