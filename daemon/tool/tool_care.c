/* What a tank's upkeep comes to: calibrations and their due dates, tubes, strainer, water, air. */
#include <string.h>

#include "daemon/tool/tool_lines.h"
#include "daemon/tool/tool_show.h"
#include "lib/base/calendar.h"

/* The day of an instant, and how many days ago that was; "never" when there is none. */
static void add_day(struct text *t, const cJSON *object, const char *member, const char *time)
{
    struct civil then, now;
    const char *at = show_string(object, member);
    if (!calendar_read_civil(&then, at)) {
        text_add(t, "never");
        return;
    }
    text_add_bytes(t, at, 10);
    if (!calendar_read_civil(&now, time)) return;
    const int64_t days = (now.ms - then.ms) / DAY_MS;
    if (now.ms < then.ms) {
        text_add(t, " (ahead of this clock)");
    } else if (days == 0) {
        text_add(t, " (today)");
    } else {
        text_add(t, " (");
        text_add_int(t, days);
        text_add(t, " d ago)");
    }
}

/* --- probes and pumps ------------------------------------------------------------------------- */

static void add_calibration(struct text *t, const cJSON *item, const char *what, const char *time)
{
    if (t->length > 0) text_add(t, "; ");
    text_add(t, what);
    text_add_char(t, ' ');
    add_day(t, item, "calibrated", time);
    if (show_true(item, "calibration_due")) text_add(t, " DUE");
    if (show_true(item, "calibrated_here")) text_add(t, " here");
}

static const cJSON *find_item(const cJSON *list, const char *member, const char *word)
{
    const cJSON *item;
    cJSON_ArrayForEach(item, list)
    {
        if (strcmp(show_string(item, member), word) == 0) return item;
    }
    return NULL;
}

/* "ec" and "ph" are members of the tank; where upkeep lists its probes, that list knows more. */
static void show_probes(FILE *out, const cJSON *tank, const cJSON *listed, const char *time)
{
    struct line line;
    struct text *t = line_begin(&line);
    const cJSON *probe;
    cJSON_ArrayForEach(probe, listed)
    {
        add_calibration(t, probe, show_string(probe, "what"), time);
    }
    static const char *const names[] = { "ec", "ph" };
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        probe = show_member(tank, names[i]);
        if (show_member(probe, "calibrated") && !find_item(listed, "what", names[i]))
            add_calibration(t, probe, names[i], time);
    }
    if (t->length > 0) line_end(out, &line, "calibrated");
}

static void show_pumps(FILE *out, const cJSON *tank, const cJSON *listed)
{
    struct line line;
    struct text *t = line_begin(&line);
    const cJSON *pump;
    cJSON_ArrayForEach(pump, show_member(tank, "pumps"))
    {
        const char *stock = show_string(pump, "stock");
        const cJSON *item = find_item(listed, "stock", stock);
        const cJSON *dated = show_member(item, "calibrated") ? item : pump;
        const double ml_per_s = show_number(pump, "ml_per_s");
        const char *at = show_string(dated, "calibrated");
        if (!show_member(dated, "calibrated")) continue;
        if (t->length > 0) text_add(t, "; ");
        text_add(t, stock);
        if (line_is_known(ml_per_s)) {
            text_add_char(t, ' ');
            text_add_real(t, ml_per_s, 3);
            text_add(t, " mL/s");
        }
        text_add_char(t, ' ');
        text_add_bytes(t, strlen(at) > 10 ? at : "never", strlen(at) > 10 ? 10 : 5);
        if (show_true(dated, "calibration_due")) text_add(t, " DUE");
    }
    if (t->length > 0) line_end(out, &line, "pumps");
}

/* What the circulation moves, and whose word that is. */
static void show_flow(FILE *out, const cJSON *flow, const char *time)
{
    struct line line;
    struct text *t = line_begin(&line);
    const double l_min = show_number(flow, "l_min"), waits_ms = show_number(flow, "waits_ms");
    if (!line_is_known(l_min)) return;
    text_add_real(t, l_min, 2);
    if (show_string(flow, "calibrated")[0]) {
        text_add(t, " L/min, measured ");
        add_day(t, flow, "calibrated", time);
    } else {
        text_add(t, " L/min by the file, never measured");
    }
    if (show_true(flow, "calibration_due")) text_add(t, " DUE");
    if (show_true(flow, "calibrated_here")) text_add(t, " here");
    if (waits_ms > 0) text_add(t, "; a run waits for its litres");
    line_end(out, &line, "circulation");
}

/* A tube that has hardly run yet isn't worth a word, unless it is new. */
static void show_tubes(FILE *out, const cJSON *listed, const char *time)
{
    struct line line;
    struct text *t = line_begin(&line);
    const cJSON *tube;
    cJSON_ArrayForEach(tube, listed)
    {
        const double hours = show_number(tube, "tube_h");
        const bool changed = show_true(tube, "tube_changed");
        if (!line_is_known(hours) || (hours < 0.05 && !changed)) continue;
        if (t->length > 0) text_add(t, "; ");
        text_add(t, show_string(tube, "stock"));
        text_add(t, " ran ");
        text_add_real(t, hours, 1);
        text_add(t, " h");
        if (!changed) continue;
        text_add(t, " since ");
        add_day(t, tube, "tube_since", time);
    }
    if (t->length > 0) line_end(out, &line, "tubes");
}

/* --- the rest --------------------------------------------------------------------------------- */

static void show_water(FILE *out, const cJSON *upkeep, const char *time)
{
    struct line line;
    struct text *t = line_begin(&line);
    const double topped_l = show_number(upkeep, "topped_l");
    const bool changed = show_true(upkeep, "water_changed");
    if (!cJSON_IsString(show_member(upkeep, "water_since"))) return;
    text_add(t, changed ? "changed " : "not changed, counted from ");
    add_day(t, upkeep, "water_since", time);
    if (line_is_known(topped_l)) {
        text_add(t, ", topped up by ");
        text_add_real(t, topped_l, 1);
        text_add(t, " L since");
    }
    line_end(out, &line, "water");
}

static void show_strainer(FILE *out, const cJSON *upkeep, const char *time)
{
    struct line line;
    struct text *t = line_begin(&line);
    const double hours = show_number(upkeep, "circulated_h");
    if (!(hours >= 1)) return; /* hardly begun */
    text_add_real(t, hours, 0);
    text_add(t, " h of circulation");
    if (cJSON_IsString(show_member(upkeep, "strainer_since"))) {
        text_add(t, " since ");
        add_day(t, upkeep, "strainer_since", time);
    }
    line_end(out, &line, "strainer");
}

static void show_air(FILE *out, const cJSON *upkeep)
{
    struct line line;
    struct text *t = line_begin(&line);
    const double vpd_kpa = show_number(upkeep, "vpd_kpa");
    const char *light = show_string(upkeep, "light"), *due = show_string(upkeep, "light_due");
    if (line_is_known(vpd_kpa)) {
        text_add(t, "vapour pressure deficit ");
        text_add_real(t, vpd_kpa, 2);
        text_add(t, " kPa");
    }
    if (light[0]) {
        text_add(t, t->length > 0 ? ", light " : "light ");
        text_add(t, light);
        if (due[0] && strcmp(light, due) != 0) text_add(t, ", AGAINST THE SCHEDULE");
    }
    if (t->length > 0) line_end(out, &line, "air");
}

/* What somebody asked for by hand, and what became of it. */
static void show_asked(FILE *out, const cJSON *tank)
{
    struct line line;
    struct text *t = line_begin(&line);
    const char *asked = show_string(tank, "asked"), *said = show_string(tank, "said");
    if (asked[0]) {
        text_add(t, asked);
        text_add(t, " under way");
    }
    if (asked[0] && said[0]) text_add(t, "; before: ");
    text_add(t, said);
    if (t->length > 0) line_end(out, &line, "by hand");
}

void show_care(FILE *out, const cJSON *tank, const char *time)
{
    const cJSON *upkeep = show_member(tank, "upkeep");
    show_asked(out, tank);
    if (show_true(upkeep, "dry_probe")) {
        struct line line;
        text_add(line_begin(&line), "THE EC PROBE IS DRY, or out of the water");
        line_end(out, &line, "");
    }
    show_probes(out, tank, show_member(upkeep, "probes"), time);
    show_pumps(out, tank, show_member(upkeep, "pumps"));
    show_flow(out, show_member(tank, "flow"), time);
    show_tubes(out, show_member(upkeep, "pumps"), time);
    show_water(out, upkeep, time);
    show_strainer(out, upkeep, time);
    show_air(out, upkeep);
}
