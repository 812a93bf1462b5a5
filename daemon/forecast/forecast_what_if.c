/* Other runs of the same site: what a wrong volume does, and what goes into an empty bottle. */
#include <math.h>
#include <string.h>

#include "daemon/forecast/forecast.h"
#include "lib/base/text.h"

enum {
    CELL_MAX = 64,
    VOLUME_COLUMNS = 8,
    BOTTLE_COLUMNS = 6,
    VOLUME_DAYS_MOST = 7,
    SETTLE_DAYS = 4,  /* before a bottle is taken away */
    NOTICE_DAYS = 10, /* until its absence should have been noticed */
};

struct cells {
    char text[VOLUME_COLUMNS][CELL_MAX];
    const char *cell[VOLUME_COLUMNS];
    uint32_t count;
};

static struct text next_cell(struct cells *c)
{
    char *room = c->text[c->count];
    c->cell[c->count++] = room;
    return text_over(room, CELL_MAX);
}

static void add_word(struct cells *c, const char *word)
{
    struct text t = next_cell(c);
    text_add(&t, word);
}

/* Nothing where there is no number. */
static void add_number(struct cells *c, bool has, double value, unsigned decimals)
{
    struct text t = next_cell(c);
    if (has) text_add_real(&t, value, decimals);
}

/* --- a wrong volume --------------------------------------------------------------------------- */

static double hours_of(int64_t ms)
{
    return (double)ms / (double)HOUR_MS;
}

static void tell_volume(struct report *r, int section, const char *name, const struct forecast *f)
{
    for (uint32_t i = 0; i < f->plan.site->tank_count; i++) {
        const struct forecast_tank *t = &f->tank[i];
        const bool ec = t->ec_since_ms > 0, ph = t->ph_since_ms > 0;
        struct cells c = { .count = 0 };
        add_word(&c, name);
        add_word(&c, f->plan.site->tank[i].key);
        add_number(&c, ec, hours_of(t->ec_reached_ms), 1);
        add_number(&c, ph, hours_of(t->ph_reached_ms), 1);
        add_number(&c, ec, 100.0 * (double)t->ec_in_ms / (double)(ec ? t->ec_since_ms : 1), 1);
        add_number(&c, ph, 100.0 * (double)t->ph_in_ms / (double)(ph ? t->ph_since_ms : 1), 1);
        add_number(&c, ec, t->ec_over_us_cm / 1000.0, 2);
        add_number(&c, ph, t->ph_off, 2);
        report_row(r, section, c.cell);
    }
}

static enum err run_volume(struct report *r, int section, const struct forecast_plan *plan,
    double volume, const char *name, struct problem *problem)
{
    struct forecast f;
    struct forecast_plan other = *plan;
    other.volume = volume;
    const enum err err = forecast_open(&f, &other, NULL, true, problem);
    if (err == ERR_NONE) {
        forecast_pass(&f, other.days * DAY_MS);
        tell_volume(r, section, name, &f);
    }
    forecast_close(&f);
    return err;
}

static enum err what_if_volume(
    struct report *r, const struct forecast_plan *plan, struct problem *problem)
{
    static const char *const column[VOLUME_COLUMNS] = { "volume", "tank", "EC reached, h",
        "pH reached, h", "EC in band, %", "pH in band, %", "EC over its band, mS/cm",
        "pH off its band" };
    const struct report_table table = { .id = "what-if-volume",
        .heading = "What if a tank doesn't hold what was configured (true water, the first days)",
        .columns = VOLUME_COLUMNS,
        .column = column };
    struct forecast_plan shorter = *plan;
    if (shorter.days > VOLUME_DAYS_MOST) shorter.days = VOLUME_DAYS_MOST;
    const int section = report_section(r, &table);
    enum err err = run_volume(r, section, &shorter, 1.0, "as configured", problem);
    if (err == ERR_NONE) err = run_volume(r, section, &shorter, 0.8, "20 % less", problem);
    if (err == ERR_NONE) err = run_volume(r, section, &shorter, 1.2, "20 % more", problem);
    return err;
}

/* --- an empty bottle -------------------------------------------------------------------------- */

static struct twin_given given_of(const struct forecast *f, uint32_t stock)
{
    const struct site *site = f->plan.site;
    struct twin_given sum = { .doses = 0 };
    for (uint32_t i = 0; i < site->tank_count; i++) {
        for (uint32_t p = 0; p < site->tank[i].pump_count; p++) {
            const struct twin_given g = twin_given(f->twin, i, p);
            if (site->tank[i].pump[p].stock != stock) continue;
            sum.commanded_ml += g.commanded_ml;
            sum.doses += g.doses;
        }
    }
    return sum;
}

/* Taken away after some days in which all was well; until the daemon says that it has no effect. */
static void take_away(struct report *r, int section, struct forecast *f, uint32_t stock)
{
    (void)text_copy(f->watched, sizeof f->watched, "no-effect-");
    forecast_pass(f, SETTLE_DAYS * DAY_MS);
    const bool early = f->noticed; /* false alarm of before: told as it is */
    f->noticed = false;
    twin_set_bottle(f->twin, stock, 0.0);
    const struct now taken = twin_now(f->twin);
    const struct twin_given before = given_of(f, stock);
    for (int64_t left_ms = NOTICE_DAYS * DAY_MS; left_ms > 0 && !f->noticed;
         left_ms -= FORECAST_LOOK_MS) {
        forecast_pass(f, FORECAST_LOOK_MS);
    }
    const struct twin_given after = given_of(f, stock);
    struct cells c = { .count = 0 };
    add_word(&c, f->plan.site->stock[stock].key);
    add_number(&c, true, after.commanded_ml - before.commanded_ml, 1);
    add_number(&c, true, after.doses - before.doses, 0);
    add_number(&c, f->noticed, hours_of(mono_since(f->noticed_at.mono, taken.mono)), 1);
    add_word(&c, f->noticed ? f->notice : "");
    add_word(&c, early ? "a false one before" : f->noticed ? "" : "not noticed");
    report_row(r, section, c.cell);
}

static enum err what_if_bottle(
    struct report *r, const struct forecast_plan *plan, struct problem *problem)
{
    static const char *const column[BOTTLE_COLUMNS] = { "empty bottle", "commanded mL", "doses",
        "noticed after h", "alert", "remark" };
    const struct report_table table = { .id = "what-if-bottle",
        .heading =
            "What if a bottle empties unseen on the fifth day (looked at for 10 days at most)",
        .columns = BOTTLE_COLUMNS,
        .column = column };
    const int section = report_section(r, &table);
    for (uint32_t s = 0; s < plan->site->stock_count; s++) {
        struct forecast f;
        const enum err err = forecast_open(&f, plan, NULL, false, problem);
        if (err == ERR_NONE) take_away(r, section, &f, s);
        forecast_close(&f);
        if (err != ERR_NONE) return err;
    }
    return ERR_NONE;
}

enum err forecast_what_if(
    struct report *r, const struct forecast_plan *plan, struct problem *problem)
{
    const enum err err = what_if_volume(r, plan, problem);
    return err == ERR_NONE ? what_if_bottle(r, plan, problem) : err;
}
