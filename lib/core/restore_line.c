/* What the journal says of lines and of tanks whose names, stocks or chains are others by now: what
 * a line was given it holds, whatever the file calls it today, and what a person locked stays so.
 */
#include "lib/core/restore_line.h"
#include "lib/base/text.h"
#include "lib/core/state.h"

/* --- what a line holds ------------------------------------------------------------------------ */

void core_record_liquid(const struct core *core, uint32_t tank, uint32_t pump, struct record *ret)
{
    enum law_stock stock;
    (void)site_law_stock(&core->site->tank[tank], pump, &stock);
    record_add_text(ret, "liquid", core_stock_word(stock));
}

/* "feed", "acid", "base"; "" in records that don't tell. */
static const char *liquid_of(const struct record *r)
{
    const char *purpose = record_text_or_empty(r, "purpose");
    return purpose[0] ? purpose : record_text_or_empty(r, "liquid");
}

/* Acid or base; where that isn't told it may have been either. */
static void note_ended(struct core_tank *t, const char *liquid, struct mono ended)
{
    const bool unknown = !liquid[0];
    if (unknown || text_same(liquid, "acid")) t->acid_ended = mono_later(t->acid_ended, ended);
    if (unknown || text_same(liquid, "base")) t->base_ended = mono_later(t->base_ended, ended);
}

/* Is it said of a stock that this pump doesn't draw from any more? */
static bool is_other_stock(
    const struct core *core, uint32_t tank, uint32_t pump, const struct record *r)
{
    const char *stock = record_text_or_empty(r, "stock");
    const uint32_t own = core->site->tank[tank].pump[pump].stock;
    return stock[0] && !text_same(stock, core->site->stock[own].key);
}

void core_recall_run(
    struct core *core, uint32_t tank, uint32_t pump, const struct record *r, struct mono ended)
{
    const char *liquid = liquid_of(r);
    core_pump_ran(core, tank, pump, ended);
    if (liquid[0] || is_other_stock(core, tank, pump, r))
        note_ended(&core->tank[tank], liquid, ended);
}

void core_recall_gone(struct core *core, const struct record *r, struct mono ended)
{
    const int32_t tank = core_tank_named(core, record_text_or_empty(r, "tank"));
    if (tank < 0) return;
    core_line_took(&core->tank[tank], ended);
    note_ended(&core->tank[tank], liquid_of(r), ended);
}

/* --- what a person locked --------------------------------------------------------------------- */

static bool is_about(const struct core *core, uint32_t tank, const struct record *r)
{
    const struct site_tank *config = &core->site->tank[tank];
    const char *serial = record_text_or_empty(r, "serial");
    return text_same(config->key, record_text_or_empty(r, "tank")) ||
           (serial[0] && text_same(serial, config->circulation.serial));
}

static void restore_lock(struct core *core, uint32_t tank, const struct record *r, struct now at)
{
    const char *what = record_text_or_empty(r, "request");
    struct core_tank *t = &core->tank[tank];
    bool on = false;
    if (!record_truth(r, "on", &on)) return;
    if (text_same(what, "pause")) upkeep_restore_pause(core, tank, r, on, at);
    if (text_same(what, "service")) t->service = on;
    if (text_same(what, "bench")) core_set_bench(core, tank, on, at);
}

/* What a carry says of another line ends no lock of this one. */
static void restore_carried_locks(
    struct core *core, uint32_t tank, const struct record *r, struct now at)
{
    const struct site_tank *config = &core->site->tank[tank];
    const char *serial = record_text_or_empty(r, "serial");
    const bool own = text_same(config->key, record_text_or_empty(r, "tank")) &&
                     (!serial[0] || text_same(serial, config->circulation.serial));
    struct core_tank *t = &core->tank[tank];
    bool on;
    if (record_truth(r, "paused", &on) && (on || own)) upkeep_restore_pause(core, tank, r, on, at);
    if (record_truth(r, "service", &on) && (on || own)) t->service = on;
    if (record_truth(r, "bench", &on) && (on || own)) t->care.bench = on;
}

void core_restore_locks(struct core *core, const struct record *r, struct now at)
{
    bool ok = false;
    const bool asked = record_is(r, "request") && record_truth(r, "ok", &ok) && ok;
    const bool carried = record_is(r, "carry");
    bool here = false;
    for (uint32_t i = 0; (asked || carried) && i < core->site->tank_count; i++) {
        if (!is_about(core, i, r)) continue;
        here = true;
        if (asked)
            restore_lock(core, i, r, at);
        else
            restore_carried_locks(core, i, r, at);
    }
    if ((asked || carried) && !here) left_restore(&core->left, r);
}
