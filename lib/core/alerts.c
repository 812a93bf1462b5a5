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

/* --- reload ----------------------------------------------------------------------------------- */

/* Nobody looks at what it was about any more, so it would stand for ever. */
static void forget(struct core *fresh, const char *id, struct actions *ret)
{
    struct core_alert *a = find(fresh, id);
    if (!a) return;
    if (ret->count < ACTIONS_MAX / 2) tell(fresh, a, false, ret);
    a->used = false;
}

static void forget_chain(struct core *fresh, const char *key, struct actions *ret)
{
    static const char *const kinds[] = { "roll-call", "limits-unknown", "hand", "runs-on", "supply",
        "taken-over", "gone" };
    char id[ALERT_ID_MAX];
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
        alert_name(id, kinds[k], key, NULL);
        forget(fresh, id, ret);
    }
}

static bool has_chain(const struct core *core, const char *key)
{
    for (uint32_t c = 0; c < core->site->chain_count; c++) {
        if (text_same(core->site->chain[c].key, key)) return true;
    }
    return false;
}

void alerts_move(struct core *fresh, const struct core *old, struct actions *ret)
{
    memcpy(fresh->alert, old->alert, sizeof fresh->alert);
    memcpy(fresh->quiet, old->quiet, sizeof fresh->quiet);
    for (int i = 0; i < CORE_ALERTS_MAX; i++) {
        struct core_alert *a = &fresh->alert[i];
        if (!a->used || a->tank < 0) continue;
        a->tank = core_tank_named(fresh, old->site->tank[a->tank].key);
        if (a->tank < 0) forget(fresh, a->id, ret);
    }
    for (uint32_t o = 0; o < old->site->chain_count; o++) {
        const char *key = old->site->chain[o].key;
        if (!has_chain(fresh, key)) forget_chain(fresh, key, ret);
    }
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
