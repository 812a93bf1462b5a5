/* A tank as the control law sees it. */
#include <math.h>

#include "lib/core/site.h"

/* In every litre of feed as it will be in the tank; 0 without a recipe. */
static double phosphate_per_us_cm(const struct site *site, const struct site_tank *tank)
{
    double phosphate = 0.0, rise = 0.0;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        const struct site_part *part = &tank->recipe[i];
        const struct site_pump *pump = &tank->pump[part->pump];
        phosphate += part->parts * site->stock[pump->stock].strength.phosphate_mmol_ml;
        rise += part->parts * pump->ec_us_cm_per_ml_l;
    }
    return rise > 0.0 ? phosphate / rise : 0.0;
}

double site_recipe_parts(const struct site_tank *tank)
{
    double parts = 0.0;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        parts += tank->recipe[i].parts;
    }
    return parts;
}

/* Every part of the recipe must be worth a start of its pump. */
static double smallest_feed_us_cm(const struct site_tank *tank)
{
    const double per_ml = site_recipe_ec_us_cm_per_ml(tank), parts = site_recipe_parts(tank);
    double most = 0.0;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        const struct site_part *part = &tank->recipe[i];
        const double ul = (double)(tank->pump[part->pump].limits.smallest_ul + 1);
        const double rise = ul / 1000.0 * parts / part->parts * per_ml;
        if (rise > most) most = rise;
    }
    return most;
}

static double smallest_meq_l(const struct site *site, const struct site_tank *tank, int32_t pump)
{
    if (pump < 0) return 0.0;
    return site_nominal(site, tank, (uint32_t)pump, tank->pump[pump].limits.smallest_ul + 1);
}

void site_law(struct law_config *ret, const struct site *site, const struct site_tank *tank)
{
    *ret = (struct law_config){
        .turnover_s = tank->volume_l / tank->circulation.flow_l_min * 60.0,
        .alkalinity_meq_l = tank->source_alkalinity_meq_l,
        .source_ec_us_cm = tank->source_ec_us_cm,
        .band_ec_us_cm = tank->band_ec_us_cm,
        .band_ph = tank->band_ph,
        .phosphate_per_us_cm = phosphate_per_us_cm(site, tank),
        .smallest = { smallest_feed_us_cm(tank), smallest_meq_l(site, tank, tank->lowers_ph),
            smallest_meq_l(site, tank, tank->raises_ph) },
    };
    for (int s = 0; s < LAW_STOCKS; s++) {
        ret->has[s] = ret->smallest[s] > 0.0;
    }
}

bool site_law_stock(const struct site_tank *tank, uint32_t pump, enum law_stock *ret)
{
    *ret = LAW_FEED;
    if ((int32_t)pump == tank->lowers_ph) *ret = LAW_ACID;
    if ((int32_t)pump == tank->raises_ph) *ret = LAW_BASE;
    if (*ret != LAW_FEED) return true;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        if (tank->recipe[i].pump == pump) return true;
    }
    return false;
}

double site_nominal(
    const struct site *site, const struct site_tank *tank, uint32_t pump, int64_t ul)
{
    const struct site_pump *p = &tank->pump[pump];
    const double ml_l = (double)ul / 1000.0 / tank->volume_l;
    const bool feed = (int32_t)pump != tank->lowers_ph && (int32_t)pump != tank->raises_ph;
    if (feed) return ml_l * p->ec_us_cm_per_ml_l;
    return ml_l * fabs(site->stock[p->stock].strength.acid_meq_ml);
}

/* FNV-1a, 64 bits (constants from memory), over the millionths of a number. */
static uint64_t tag_number(uint64_t tag, double value)
{
    const uint64_t number = (uint64_t)nearest(value * 1e6);
    for (int byte = 0; byte < 8; byte++) {
        tag = (tag ^ (number >> (8 * byte) & 0xff)) * UINT64_C(1099511628211);
    }
    return tag;
}

int64_t site_law_tag(const struct site *site, const struct site_tank *tank)
{
    uint64_t tag = UINT64_C(14695981039346656037);
    tag = tag_number(tag, tank->volume_l);
    tag = tag_number(tag, tank->circulation.filed_flow_l_min);
    tag = tag_number(tag, tank->source_ec_us_cm);
    tag = tag_number(tag, tank->source_alkalinity_meq_l);
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        tag = tag_number(tag, tank->pump[p].filed_ml_per_s);
        tag = tag_number(tag, site_nominal(site, tank, p, 1000000));
    }
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        tag = tag_number(tag, tank->recipe[i].parts);
    }
    return (int64_t)(tag >> 12);
}
