#include <math.h>
#include <string.h>

#include "daemon/forecast/forecast.h"
#include "lib/base/text.h"

enum { CELL_MAX = 160 };

void forecast_note(struct report *r, const struct forecast_plan *plan, bool one_tank)
{
    char line[REPORT_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    report_note(r, "A model, not a promise: the daemon's own control runs against simulated water, "
                   "which is simpler than yours. Watch the real readings.");
    text_add(&t, "Assumed for every tank: a float valve keeps it full, plants drink 4 % of it a "
                 "day and take 22 meq of nutrients a litre, pumps err by up to 3 %. Seed ");
    text_add_int(&t, (int64_t)(plan->seed & INT64_MAX));
    text_add(&t, " draws the rest.");
    report_note(r, line);
    report_note(r, "An empty bottle is replaced at once by a full one, and nobody touches anything "
                   "else. docs/forecast.md lists every assumption.");
    if (one_tank)
        report_note(r, "Only this tank was run: bottles that other tanks share last less long.");
}

static void add_day(struct text *t, struct civil at)
{
    char moment[40];
    struct text m = text_over(moment, sizeof moment);
    text_add_civil(&m, at);
    text_add_bytes(t, moment, 10);
}

static void add_dates(struct text *t, const struct forecast_stock *s)
{
    for (uint32_t i = 0; i < s->emptied && i < FORECAST_DATES_MAX; i++) {
        if (i > 0) text_add(t, ", ");
        add_day(t, s->at[i]);
    }
    if (s->emptied > FORECAST_DATES_MAX) text_add(t, ", ...");
}

void forecast_tell_bottles(struct report *r, const struct forecast *f)
{
    static const char *const column[] = { "stock", "bottle mL", "used mL", "ran out", "on",
        "lasts days" };
    const struct report_table table = { .id = "bottles",
        .heading = "Bottles: what is used up, and when each runs out",
        .columns = 6,
        .column = column };
    const struct site *site = f->plan.site;
    const int section = report_section(r, &table);
    for (uint32_t s = 0; s < site->stock_count; s++) {
        char cell[5][CELL_MAX];
        struct text t[5];
        const double bottle_ml = (double)site->stock[s].bottle_ul / 1000.0;
        const double a_day_ml = f->stock[s].used_ml / (double)f->plan.days;
        for (int i = 0; i < 5; i++) {
            t[i] = text_over(cell[i], sizeof cell[i]);
        }
        text_add_real(&t[0], bottle_ml, 0);
        text_add_real(&t[1], f->stock[s].used_ml, 1);
        text_add_int(&t[2], f->stock[s].emptied);
        add_dates(&t[3], &f->stock[s]);
        if (a_day_ml > 0.0 && bottle_ml > 0.0) text_add_real(&t[4], bottle_ml / a_day_ml, 0);
        const char *const cells[] = { site->stock[s].key, cell[0], cell[1], cell[2], cell[3],
            cell[4] };
        report_row(r, section, cells);
    }
}

static void tell_limit(
    struct report *r, int section, const struct forecast *f, uint32_t i, enum forecast_limit limit)
{
    const struct site *site = f->plan.site;
    for (uint32_t s = 0; s < site->stock_count; s++) {
        const int64_t held_ms = f->tank[i].held_ms[limit][s];
        if (held_ms == 0) continue;
        char hours[CELL_MAX], share[CELL_MAX];
        struct text h = text_over(hours, sizeof hours), p = text_over(share, sizeof share);
        text_add_real(&h, (double)held_ms / (double)HOUR_MS, 1);
        text_add_real(&p, 100.0 * (double)held_ms / (double)f->tank[i].looked_ms, 1);
        const char *const cells[] = { site->tank[i].key, site->stock[s].key,
            forecast_limit_words(limit), hours, share };
        report_row(r, section, cells);
    }
}

void forecast_tell_limits(struct report *r, const struct forecast *f)
{
    static const char *const column[] = { "tank", "stock", "limit", "hours", "% of the time" };
    const struct report_table table = { .id = "limits",
        .heading = "Limits that held back a dose which was wanted (none listed: none did)",
        .columns = 5,
        .column = column };
    const int section = report_section(r, &table);
    for (uint32_t i = 0; i < f->plan.site->tank_count; i++) {
        for (int limit = 0; limit < FORECAST_LIMITS; limit++) {
            tell_limit(r, section, f, i, (enum forecast_limit)limit);
        }
    }
}
