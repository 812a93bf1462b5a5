/* A pause that nobody ends: what set it may be gone, and a crop goes hungry in silence. */
#include "lib/base/calendar.h"
#include "lib/base/text.h"
#include "lib/core/state.h"

enum { PAUSE_LONG_MS = DAY_MS };

void upkeep_note_pause(
    struct core *core, uint32_t tank, bool on, const char *what_for, const char *by, struct now now)
{
    struct core_tank *t = &core->tank[tank];
    const bool goes_on = on && t->paused && text_same(t->paused_for, what_for);
    t->paused = on;
    if (goes_on) return;
    text_copy(t->paused_for, sizeof t->paused_for, on ? what_for : "");
    text_copy(t->paused_by, sizeof t->paused_by, on ? by : "");
    t->paused_since = (struct civil){ on && now.clock != CLOCK_UNSET ? now.civil.ms : 0 };
    t->upkeep.due = core->seen;
}

void upkeep_carry_pause(const struct core *core, uint32_t tank, struct record *r)
{
    const struct core_tank *t = &core->tank[tank];
    char since[32];
    struct text text = text_over(since, sizeof since);
    text_add_civil(&text, t->paused_since);
    record_add_truth(r, "paused", t->paused);
    if (t->paused_for[0]) record_add_text(r, "paused_for", t->paused_for);
    if (t->paused_by[0]) record_add_text(r, "paused_by", t->paused_by);
    if (t->paused && t->paused_since.ms > 0) record_add_text(r, "paused_since", since);
}

void upkeep_restore_pause(
    struct core *core, uint32_t tank, const struct record *r, bool on, struct now at)
{
    const bool carried = record_is(r, "carry");
    const char *key = record_text_or_empty(r, "key");
    const char *by = record_text_or_empty(r, carried ? "paused_by" : "by");
    if (carried) core->tank[tank].paused = false; /* what it says stands for all before it */
    upkeep_note_pause(core, tank, on, record_text_or_empty(r, carried ? "paused_for" : "for"),
        key[0] ? key : by, at);
    if (!on || !carried) return;
    core->tank[tank].paused_since.ms = 0;
    (void)calendar_read_civil(
        &core->tank[tank].paused_since, record_text_or_empty(r, "paused_since"));
}

static void say(const struct core *core, uint32_t tank, struct text *text)
{
    const struct core_tank *t = &core->tank[tank];
    const char *key = core->site->tank[tank].key;
    text_add(text, key);
    text_add(text, ": paused since ");
    text_add_civil(text, t->paused_since);
    if (t->paused_by[0]) {
        text_add(text, " (asked for by ");
        text_add(text, t->paused_by);
        text_add_char(text, ')');
    }
    if (t->paused_for[0]) {
        text_add(text, ", for ");
        text_add(text, t->paused_for);
    }
    text_add(text, ": nothing is dosed. If nobody is at that any more, look at bottles and tubes; "
                   "then 'dosewright unpause ");
    text_add(text, key);
    text_add(text, "' (or dosing/paused false) ends it");
}

void upkeep_look_at_pause(struct core *core, uint32_t tank, struct now now, struct actions *ret)
{
    struct core_tank *t = &core->tank[tank];
    char id[ALERT_ID_MAX], text[ALERT_TEXT_MAX];
    const bool known = now.clock != CLOCK_UNSET;
    if (t->paused && t->paused_since.ms == 0 && known) t->paused_since = now.civil;
    alert_name(id, "paused", core->site->tank[tank].key, NULL);
    if (!t->paused || !known || now.civil.ms - t->paused_since.ms < PAUSE_LONG_MS) {
        upkeep_forget(core, id, ret);
        return;
    }
    struct text words = text_over(text, sizeof text);
    say(core, tank, &words);
    upkeep_remind(core, id, (int32_t)tank, text, ret);
}
