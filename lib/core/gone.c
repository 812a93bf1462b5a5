/* What pumps gave that the configuration has no more. A tank that is taken out of the file and put
 * back the same day is still the same water: what it was given counts. */
#include "lib/base/text.h"
#include "lib/core/state.h"

static bool counts_still(struct mono ends, struct mono now)
{
    return mono_since(now, ends) < DAY_MS;
}

static bool is_free(const struct core_gone *g)
{
    return g->ul == 0 && g->ms == 0;
}

static int64_t sum_capped(int64_t a, int64_t b)
{
    return a > INT64_MAX - b ? INT64_MAX : a + b;
}

static bool same_gone(const struct core_gone *a, const struct core_gone *b)
{
    return a->channel == b->channel && text_same(a->serial, b->serial) &&
           text_same(a->tank, b->tank) && text_same(a->stock, b->stock);
}

static struct core_gone *room_for(struct core *core, const struct core_gone *what, struct mono now)
{
    struct core_gone *room = NULL;
    for (uint32_t i = 0; i < CORE_GONE_MAX; i++) {
        struct core_gone *g = &core->gone[i];
        const bool holds = !is_free(g) && counts_still(g->ends, now);
        if (holds && same_gone(g, what)) return g;
        if (!room && !holds) room = g;
    }
    if (room) *room = (struct core_gone){ .ul = 0 };
    return room;
}

void core_note_gone(struct core *core, const struct core_gone *what, struct mono now)
{
    if (what->ul < 0 || what->ms < 0 || is_free(what) || !counts_still(what->ends, now)) return;
    struct core_gone *g = room_for(core, what, now);
    if (!g) { /* no room: whatever comes within a day counts as used up */
        core->gone_lost = true;
        core->gone_lost_at = what->ends;
        return;
    }
    const struct core_gone before = *g;
    *g = *what;
    if (is_free(&before)) return;
    g->ul = sum_capped(before.ul, what->ul);
    g->ms = sum_capped(before.ms, what->ms);
    if (mono_since(before.ends, what->ends) > 0) g->ends = before.ends;
}

static bool is_of(const struct core *core, const struct core_gone *g, uint32_t tank, uint32_t p)
{
    const struct site_tank *config = &core->site->tank[tank];
    const struct site_pump *pump = &config->pump[p];
    const bool named =
        text_same(g->tank, config->key) && text_same(g->stock, core->site->stock[pump->stock].key);
    return named || (g->channel == pump->address.channel && text_same(g->serial, pump->serial));
}

void core_forget_gone(struct core *core)
{
    for (uint32_t i = 0; i < CORE_GONE_MAX; i++) {
        for (uint32_t t = 0; t < core->site->tank_count; t++) {
            for (uint32_t p = 0; p < core->site->tank[t].pump_count; p++) {
                if (is_of(core, &core->gone[i], t, p)) core->gone[i].ul = core->gone[i].ms = 0;
            }
        }
    }
}

static bool is_of_tank(const struct core *core, const struct core_gone *g, uint32_t tank)
{
    if (text_same(g->tank, core->site->tank[tank].key)) return true;
    for (uint32_t p = 0; p < core->site->tank[tank].pump_count; p++) {
        if (is_of(core, g, tank, p)) return true;
    }
    return false;
}

void core_count_gone_moves(struct core *core, uint32_t tank, struct mono now)
{
    const struct move_limits *move = &core->site->tank[tank].move;
    struct core_tank *t = &core->tank[tank];
    struct mono ends = core->gone_lost_at;
    bool moved = core->gone_lost;
    for (uint32_t i = 0; i < CORE_GONE_MAX; i++) {
        const struct core_gone *g = &core->gone[i];
        if (is_free(g) || !is_of_tank(core, g, tank)) continue;
        if (!moved || mono_since(g->ends, ends) > 0) ends = g->ends;
        moved = true;
    }
    if (!moved) return;
    window_add(&t->ec_rise, (struct window_entry){ ends, move->ec_rise_per_hour, 0 }, now);
    window_add(&t->ph_move, (struct window_entry){ ends, move->ph_move_per_hour, 0 }, now);
}

void core_count_gone(struct core *core, uint32_t tank, uint32_t p, struct mono now)
{
    const struct site_pump *pump = &core->site->tank[tank].pump[p];
    struct dose_window *window = &core->tank[tank].pump[p].window;
    for (uint32_t i = 0; i < CORE_GONE_MAX; i++) {
        const struct core_gone *g = &core->gone[i];
        if (is_free(g) || !counts_still(g->ends, now) || !is_of(core, g, tank, p)) continue;
        const int64_t ul = sum_capped(g->ul, nearest((double)g->ms * pump->ml_per_s));
        window_add(window, (struct window_entry){ g->ends, ul, 0 }, now);
    }
    if (core->gone_lost && counts_still(core->gone_lost_at, now))
        window_add(
            window, (struct window_entry){ core->gone_lost_at, pump->limits.day_ul, 0 }, now);
}
