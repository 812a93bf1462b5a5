/* Crop schedules. Tanks share them, so each file is read once. */
#include <math.h>
#include <string.h>

#include "daemon/config/config_zone.h"
#include "daemon/config/site_yaml.h"
#include "lib/base/text.h"

enum { USUAL_EC_LEAST_US_CM = 200, USUAL_EC_MOST_US_CM = 5000 };

static void read_days(struct loader *l, struct crop_stage *stage, const struct tree_node *node)
{
    const struct tree_node *days = tree_get(node, "days");
    if (!days) return;
    const bool forever = days->kind == TREE_SCALAR && strcmp(days->text, "forever") == 0;
    if (!forever) {
        (void)schema_read_value(&l->reader, &schema_days, days, &stage->days);
        return;
    }
    if (node->next)
        schema_error(&l->reader, days, ERR_RANGE,
            "found \"forever\"; only the last stage may last for ever");
}

static void warn_unusual(struct loader *l, const struct tree_node *node, double ec_us_cm)
{
    if (!node || (ec_us_cm >= USUAL_EC_LEAST_US_CM && ec_us_cm <= USUAL_EC_MOST_US_CM)) return;
    schema_warn(
        &l->reader, node, "%.2f mS/cm is unusual; most crops want 0.2 to 5.0", ec_us_cm / 1000.0);
}

/* What the night doesn't say is NaN, which leaves the day's value, ramp or not. */
static void read_night(struct loader *l, struct crop_stage *stage, const struct draft_stage *draft,
    const struct tree_node *night)
{
    if (!night) return;
    const struct tree_node *ec = tree_get(night, "ec_ms_cm");
    const bool has_ph = tree_get(night, "ph") != NULL;
    if (!ec && !has_ph)
        schema_error(&l->reader, night, ERR_MISSING, "needs 'ec_ms_cm', 'ph', or both");
    stage->has_night = true;
    stage->night.ec_us_cm = ec ? draft->night_ec_us_cm : (double)NAN;
    stage->night.ph = has_ph ? draft->night_ph : (double)NAN;
    if (ec) warn_unusual(l, ec, stage->night.ec_us_cm);
}

static void read_stage(struct loader *l, struct crop_schedule *crop, const struct tree_node *node)
{
    struct crop_stage *stage = &crop->stage[crop->count++];
    struct draft_stage draft = { 0 };
    const uint32_t before = load_errors(l);
    schema_read(&l->reader, &schema_stage, node, &draft);
    read_days(l, stage, node);
    stage->name = draft.name ? draft.name : "";
    stage->from = (struct crop_target){ draft.ec_us_cm[0], draft.ph[0] };
    stage->to = (struct crop_target){ draft.ec_us_cm[1], draft.ph[1] };
    if (load_errors(l) != before) return;
    warn_unusual(l, tree_get(node, "ec_ms_cm"), draft.ec_us_cm[0]);
    if (draft.ec_us_cm[1] < draft.ec_us_cm[0] || draft.ec_us_cm[1] > draft.ec_us_cm[0])
        warn_unusual(l, tree_get(node, "ec_ms_cm"), draft.ec_us_cm[1]);
    read_night(l, stage, &draft, tree_get(node, "night"));
}

static void read_stages(struct loader *l, struct crop_schedule *crop, const struct tree_node *list)
{
    if (!list || list->kind != TREE_LIST) return;
    if (list->count < 1 || list->count > CROP_STAGES_MAX) {
        schema_error(&l->reader, list, ERR_RANGE, "found %u stages; allowed: 1 to %d", list->count,
            CROP_STAGES_MAX);
        return;
    }
    for (const struct tree_node *n = list->first; n; n = n->next) {
        read_stage(l, crop, n);
    }
}

static void check_day(struct loader *l, struct crop_schedule *crop, const struct tree_node *root)
{
    const struct tree_node *zone = tree_get(tree_get(root, "day"), "zone");
    if (zone && zone->kind == TREE_SCALAR &&
        !config_keep_zone(l->config, l->keep, zone->text, l->now.civil))
        schema_error(&l->reader, zone, ERR_UNKNOWN,
            "found %s, which is no time zone of this machine; allowed: a tz database name such as "
            "Europe/Dublin, or UTC",
            schema_found(zone).text);
    if (tree_get(root, "day")) return;
    const struct tree_node *stages = tree_get(root, "stages");
    for (uint32_t i = 0; i < crop->count; i++) {
        if (!crop->stage[i].has_night) continue;
        schema_error(&l->reader, stages, ERR_MISSING,
            "stage '%s' has a night, but the file has no 'day' that says when it is night",
            crop->stage[i].name);
        return;
    }
}

static void read_crop(struct loader *l, struct load_crop *crop, const struct tree_node *root)
{
    struct draft_crop draft = { 0 };
    schema_read(&l->reader, &schema_crop, root, &draft);
    crop->schedule.crop = draft.crop ? draft.crop : "";
    crop->schedule.zone = draft.zone ? draft.zone : "UTC";
    crop->schedule.day_from_ms = draft.day_from_ms;
    crop->schedule.day_to_ms = draft.day_to_ms;
    read_stages(l, &crop->schedule, tree_get(root, "stages"));
    check_day(l, &crop->schedule, root);
}

static struct load_crop *find_crop(struct loader *l, const char *path)
{
    for (struct load_crop *c = l->crop; c; c = c->next) {
        if (text_same(c->path, path)) return c;
    }
    return NULL;
}

bool load_crop_file(
    struct loader *l, const char *path, const struct tree_node *named, struct crop_schedule *ret)
{
    struct load_crop *crop = find_crop(l, path);
    if (!crop) {
        crop = arena_take(l->keep, sizeof *crop);
        if (!crop) return false;
        *crop = (struct load_crop){ .path = path, .next = l->crop };
        l->crop = crop;
        const uint32_t before = load_errors(l);
        const struct tree_node *root = load_file(l, &l->crop_tree, path, named);
        const char *outer = l->reader.file;
        l->reader.file = path;
        if (root) read_crop(l, crop, root);
        l->reader.file = outer;
        arena_free(&l->crop_tree);
        crop->good = load_errors(l) == before;
    }
    *ret = crop->schedule;
    return crop->good;
}
