/* Reminders: when they are said, and how long they are quiet. */
#include "lib/core/upkeep.h"

#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

/* How long an acknowledged reminder is quiet. */
static const struct {
    const char *begins;
    int64_t quiet_ms;
} kinds[] = {
    { "low-", DAY_MS },
    { "tube-", 7 * DAY_MS },
    { "strainer-", 7 * DAY_MS },
    { "water-change-", 7 * DAY_MS },
    { "calibrate-", 7 * DAY_MS },
    { "pump-", 7 * DAY_MS },
    { "flow-", 7 * DAY_MS },
    { "drift-", 7 * DAY_MS },
    { "paused-", 7 * DAY_MS },
    { "lights-", 12 * HOUR_MS },
    { "enclosure-hot-", HOUR_MS },
    { "leak-", HOUR_MS },
    { "kept-", 12 * HOUR_MS },
    { "gone-", 12 * HOUR_MS },
};

static int64_t quiet_ms_of(const char *id)
{
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++) {
        if (strncmp(id, kinds[i].begins, strlen(kinds[i].begins)) == 0) return kinds[i].quiet_ms;
    }
    return 0;
}

static struct upkeep_quiet *quiet_of(struct core *core, const char *id)
{
    for (int i = 0; i < UPKEEP_QUIET_MAX; i++) {
        if (core->quiet[i].id[0] && text_same(core->quiet[i].id, id)) return &core->quiet[i];
    }
    return NULL;
}

/* Where there is no room, the one that is quiet for the shortest time yet makes way. */
static struct upkeep_quiet *room_for_quiet(struct core *core)
{
    struct upkeep_quiet *room = &core->quiet[0];
    for (int i = 0; i < UPKEEP_QUIET_MAX; i++) {
        struct upkeep_quiet *q = &core->quiet[i];
        if (!q->id[0]) return q;
        if (mono_since(room->until, q->until) > 0) room = q;
    }
    return room;
}

void upkeep_quiet_until(struct core *core, const char *id, struct mono until)
{
    if (quiet_ms_of(id) == 0) return;
    struct upkeep_quiet *q = quiet_of(core, id);
    if (!q) q = room_for_quiet(core);
    text_copy(q->id, sizeof q->id, id);
    q->until = until;
}

void upkeep_quiet_for(struct core *core, const char *id, struct mono at)
{
    upkeep_quiet_until(core, id, mono_after(at, quiet_ms_of(id)));
}

void upkeep_remind(
    struct core *core, const char *id, int32_t tank, const char *text, struct actions *ret)
{
    if (alert_stands(core, id) || ret->count >= ACTIONS_MAX / 2) return;
    struct upkeep_quiet *q = quiet_of(core, id);
    if (q && mono_since(q->until, core->seen) > 0) return;
    uint32_t stand = 0;
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        stand += core->alert[i].used;
    }
    if (stand >= UPKEEP_ALERTS_MOST) return;
    if (q) q->id[0] = '\0';
    alert_raise(core, id, tank, text, ret);
}

void upkeep_forget(struct core *core, const char *id, struct actions *ret)
{
    struct upkeep_quiet *q = quiet_of(core, id);
    if (q) q->id[0] = '\0';
    if (ret->count < ACTIONS_MAX / 2) alert_clear(core, id, ret);
}

/* From when on it is counted, where nobody said when it was changed last. */
static void begin(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    if (now.clock == CLOCK_UNSET || !core->journal_ok) return;
    for (uint32_t p = 0; p < core->site->tank[tank].pump_count; p++) {
        if (u->tube[p].since.ms != 0) continue;
        u->tube[p].since = now.civil;
        upkeep_record_tube(core, tank, p, ret);
    }
    if (u->cleaned.ms == 0 || u->water.ms == 0) u->untold = true;
    if (u->cleaned.ms == 0) u->cleaned = now.civil;
    if (u->water.ms == 0) u->water = now.civil;
}

void core_turn_upkeep(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct upkeep_tank *u = &core->tank[tank].upkeep;
    upkeep_count_circulation(core, tank, now);
    if (!core->active || mono_since(now.mono, u->due) < 0) return;
    u->due = mono_after(now.mono, UPKEEP_LOOK_MS);
    begin(core, tank, now, ret);
    upkeep_look_at_kept(core, tank, now, ret);
    upkeep_look_at_pause(core, tank, now, ret);
    upkeep_look_at_air(core, tank, now, ret);
    upkeep_look_at_wear(core, tank, now, ret);
    upkeep_look_at_water(core, tank, now, ret);
    upkeep_look_at_calibrations(core, tank, now, ret);
    if (u->circulated_ms - u->told_circulated_ms >= HOUR_MS) u->untold = true;
    if (u->untold && core->journal_ok) upkeep_record_tank(core, tank, ret);
}
