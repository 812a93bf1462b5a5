#include <string.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

static struct core_alert *find(struct core *core, const char *id)
{
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        if (core->alert[i].used && text_same(core->alert[i].id, id)) return &core->alert[i];
    }
    return NULL;
}

bool alert_stands(const struct core *core, const char *id)
{
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        if (core->alert[i].used && text_same(core->alert[i].id, id)) return true;
    }
    return false;
}

static void tell(const struct core *core, const struct core_alert *a, bool on, struct actions *ret)
{
    struct record *r = emit_record(ret, "alert");
    record_add_text(r, "alert", a->id);
    record_add_truth(r, "on", on);
    record_add_text(r, "text", a->text);
    if (a->tank >= 0) record_add_text(r, "tank", core->site->tank[a->tank].key);

    char line[ACTION_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, on ? "alert " : "alert over: ");
    text_add(&t, a->id);
    if (on) {
        text_add(&t, ": ");
        text_add(&t, a->text);
    }
    emit_log(ret, on ? LOG_WARNED : LOG_NOTED, line);
}

void alert_raise(
    struct core *core, const char *id, int32_t tank, const char *text, struct actions *ret)
{
    struct core_alert *a = find(core, id);
    if (a) {
        text_copy(a->text, sizeof a->text, text);
        return;
    }
    for (int i = 0; i < CORE_ALERTS_MAX && !a; i++) {
        if (!core->alert[i].used) a = &core->alert[i];
    }
    if (!a) return; /* sixty-four stand already: one more tells nobody anything */
    *a = (struct core_alert){ .used = true, .tank = tank };
    text_copy(a->id, sizeof a->id, id);
    text_copy(a->text, sizeof a->text, text);
    if (tank >= 0) core->tank[tank].summary.raised++;
    tell(core, a, true, ret);
}

void alert_clear(struct core *core, const char *id, struct actions *ret)
{
    struct core_alert *a = find(core, id);
    if (!a) return;
    tell(core, a, false, ret);
    a->used = false;
}

void alert_name(char ret[ALERT_ID_MAX], const char *id, const char *key, const char *more)
{
    struct text t = text_over(ret, ALERT_ID_MAX);
    text_add(&t, id);
    text_add_char(&t, '-');
    text_add(&t, key);
    if (more) {
        text_add_char(&t, '-');
        text_add(&t, more);
    }
}

bool core_alert(const struct core *core, uint32_t index, struct alert_view *ret)
{
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        const struct core_alert *a = &core->alert[i];
        if (!a->used || index-- > 0) continue;
        *ret = (struct alert_view){ .tank = a->tank };
        text_copy(ret->id, sizeof ret->id, a->id);
        text_copy(ret->text, sizeof ret->text, a->text);
        return true;
    }
    return false;
}

const char *core_stock_word(enum law_stock stock)
{
    static const char *const word[LAW_STOCKS] = { "feed", "acid", "base" };
    return word[stock];
}

bool core_effect_alert(
    const struct core *core, const char *id, uint32_t *ret_tank, enum law_stock *ret_stock)
{
    char name[ALERT_ID_MAX];
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        for (int s = 0; s < LAW_STOCKS; s++) {
            alert_name(
                name, "no-effect", core->site->tank[i].key, core_stock_word((enum law_stock)s));
            if (!text_same(name, id)) continue;
            *ret_tank = i;
            *ret_stock = (enum law_stock)s;
            return true;
        }
    }
    return false;
}
