/* What each fault does, and undoes. */
#include <string.h>

#include "daemon/rig/rig.h"
#include "lib/base/text.h"

/* --- chains ----------------------------------------------------------------------------------- */

static struct rig_chain *chain_of(struct rig *rig, const struct rig_fault *f)
{
    return &rig->chain[f->chain];
}

/* Which module hangs at the fault's position now. */
static uint32_t module_at(struct rig *rig, const struct rig_fault *f)
{
    return chain_of(rig, f)->place[f->position - 1];
}

static void do_swap(struct rig *rig, const struct rig_fault *f)
{
    struct rig_chain *chain = chain_of(rig, f);
    const uint32_t m = module_at(rig, f);
    const char *serial = f->heal ? chain->config->module[m].serial : f->serial;
    text_copy(chain->module[m].serial, sizeof chain->module[m].serial, serial);
    rig_head_replug(rig, chain);
}

static void do_order(struct rig *rig, const struct rig_fault *f)
{
    struct rig_chain *chain = chain_of(rig, f);
    for (uint32_t p = 0; f->heal && p < chain->config->count; p++) {
        chain->place[p] = p;
    }
    if (!f->heal) {
        const uint32_t a = chain->place[f->position - 1];
        chain->place[f->position - 1] = chain->place[f->other - 1];
        chain->place[f->other - 1] = a;
    }
    rig_head_replug(rig, chain);
}

static void do_remove(struct rig *rig, const struct rig_fault *f)
{
    chain_of(rig, f)->module[module_at(rig, f)].removed = !f->heal;
    rig_head_replug(rig, chain_of(rig, f));
}

static void do_reboot(struct rig *rig, const struct rig_fault *f)
{
    rig_head_reboot(rig, chain_of(rig, f));
    rig_chain_cut(rig, chain_of(rig, f));
}

static void do_mute(struct rig *rig, const struct rig_fault *f)
{
    chain_of(rig, f)->mute = !f->heal;
    if (f->heal) chain_of(rig, f)->head.ledger_changed = true;
}

static void do_deaf(struct rig *rig, const struct rig_fault *f)
{
    chain_of(rig, f)->deaf = !f->heal;
}

static void do_drop(struct rig *rig, const struct rig_fault *f)
{
    chain_of(rig, f)->keep_away = !f->heal;
    if (f->heal)
        rig_chain_mend(rig, chain_of(rig, f));
    else
        rig_chain_cut(rig, chain_of(rig, f));
}

static void do_hand(struct rig *rig, const struct rig_fault *f)
{
    struct rig_chain *chain = chain_of(rig, f);
    rig_head_advance(rig, chain);
    for (uint32_t m = 0; m < chain->seen_count; m++) {
        if (chain->seen[m] == module_at(rig, f)) head_hand(&chain->head, m, f->channel, !f->heal);
    }
    rig_head_look(rig, chain);
}

static void do_stop_switch(struct rig *rig, const struct rig_fault *f)
{
    rig_head_advance(rig, chain_of(rig, f));
    head_stop_switch(&chain_of(rig, f)->head, !f->heal);
    rig_head_look(rig, chain_of(rig, f));
}

/* The tube on that output, up to date: what ran until now ran as before. NULL when there is none.
 */
static struct rig_pump *pump_of(struct rig *rig, const struct rig_fault *f, struct rig_tube *ret)
{
    struct rig_chain *chain = chain_of(rig, f);
    rig_head_advance(rig, chain);
    if (rig_tube_of(rig, chain, module_at(rig, f), f->channel, ret) && ret->pump < TANK_PUMPS_MAX)
        return &rig->tank[ret->tank].pump[ret->pump];
    rig_say(rig, "%-20s no tube hangs there, nothing changes", f->word);
    return NULL;
}

static void do_slow(struct rig *rig, const struct rig_fault *f)
{
    struct rig_tube tube;
    struct rig_pump *pump = pump_of(rig, f, &tube);
    if (pump) pump->factor = f->heal ? 1.0 : f->value;
}

/* --- bottles, probes, water ------------------------------------------------------------------- */

/* What ran until now ran from the old bottle. */
static void advance_all(struct rig *rig)
{
    for (uint32_t c = 0; c < rig->chain_count; c++) {
        rig_head_advance(rig, &rig->chain[c]);
    }
}

/* Two bottles change places, with the tubes where they were; mended: as the labels say. */
static void do_bottles(struct rig *rig, const struct rig_fault *f)
{
    advance_all(rig);
    rig->bottle[f->stock].stands = f->heal ? f->stock : f->other_stock;
    rig->bottle[f->other_stock].stands = f->heal ? f->other_stock : f->stock;
}

static void do_empty(struct rig *rig, const struct rig_fault *f)
{
    advance_all(rig);
    rig->bottle[f->stock].empty = !f->heal;
    if (f->heal) rig->bottle[f->stock].left_ul = (double)rig->site->stock[f->stock].bottle_ul;
}

static struct rig_probe *probe_of(struct rig *rig, const struct rig_fault *f)
{
    return rig_probe_find(rig, f->tank, f->probe);
}

static void do_stuck(struct rig *rig, const struct rig_fault *f)
{
    probe_model_stick(&probe_of(rig, f)->model, !f->heal);
}

static void do_silent(struct rig *rig, const struct rig_fault *f)
{
    probe_of(rig, f)->silent = !f->heal;
}

static void do_jump(struct rig *rig, const struct rig_fault *f)
{
    if (f->heal)
        probe_model_unstep(&probe_of(rig, f)->model);
    else
        probe_model_step(&probe_of(rig, f)->model, f->value);
}

static void do_bath(struct rig *rig, const struct rig_fault *f)
{
    probe_of(rig, f)->bathes = !f->heal;
    probe_of(rig, f)->bath = f->value;
}

/* Out of the line into an empty cup, and back: then it is said what the cup holds. */
static void do_cup(struct rig *rig, const struct rig_fault *f)
{
    struct rig_tube tube;
    struct rig_pump *pump = pump_of(rig, f, &tube);
    if (!pump) return;
    pump->cup = !f->heal;
    if (f->heal) rig_say(rig, "%-20s the cup holds %.2f mL", f->word, pump->cup_ul / 1000.0);
    pump->cup_ul = 0.0;
    if (pump->cup && rig->tank[tube.tank].circulates) rig_tell_spray(rig, tube.tank);
}

/* The line was never filled, or has drawn air. */
static void do_air(struct rig *rig, const struct rig_fault *f)
{
    struct rig_tube tube;
    struct rig_pump *pump = pump_of(rig, f, &tube);
    if (pump) pump->air_ul = f->heal ? 0.0 : 1000.0 * f->value;
}

/* --- power ------------------------------------------------------------------------------------ */

static void do_weak(struct rig *rig, const struct rig_fault *f)
{
    chain_of(rig, f)->weak_ohm = f->heal ? 0.0 : f->value;
}

static void do_thin(struct rig *rig, const struct rig_fault *f)
{
    chain_of(rig, f)->module[module_at(rig, f)].thin_ohm = f->heal ? 0.0 : f->value;
}

static void do_unplugged(struct rig *rig, const struct rig_fault *f)
{
    struct rig_chain *chain = chain_of(rig, f);
    rig_head_advance(rig, chain); /* what ran until now did run */
    chain->module[module_at(rig, f)].unplugged[f->channel] = !f->heal;
    struct rig_tube tube;
    if (!rig_tube_of(rig, chain, module_at(rig, f), f->channel, &tube)) return;
    if (tube.pump < TANK_PUMPS_MAX)
        rig->tank[tube.tank].pump[tube.pump].unplugged = !f->heal;
    else
        rig_world_unplug(rig, tube, !f->heal);
}

/* --- water ------------------------------------------------------------------------------------ */

static void do_leak(struct rig *rig, const struct rig_fault *f)
{
    rig->tank[f->tank].leaks = !f->heal;
}

static void do_level(struct rig *rig, const struct rig_fault *f)
{
    rig->tank[f->tank].level_held = !f->heal;
    rig->tank[f->tank].level_percent = f->value;
}

static void do_refill(struct rig *rig, const struct rig_fault *f)
{
    plant_tank_add_source(&rig->tank[f->tank].water.tank, f->value);
}

static void do_water_change(struct rig *rig, const struct rig_fault *f)
{
    plant_tank_change_water(&rig->tank[f->tank].water.tank, f->value);
}

static void (*const deeds[RIG_FAULT_KINDS])(struct rig *rig, const struct rig_fault *f) = {
    [RIG_EMPTY] = do_empty,
    [RIG_STUCK] = do_stuck,
    [RIG_SILENT] = do_silent,
    [RIG_JUMP] = do_jump,
    [RIG_SWAP] = do_swap,
    [RIG_ORDER] = do_order,
    [RIG_REMOVE] = do_remove,
    [RIG_REBOOT] = do_reboot,
    [RIG_MUTE] = do_mute,
    [RIG_DEAF] = do_deaf,
    [RIG_DROP] = do_drop,
    [RIG_HAND] = do_hand,
    [RIG_STOP_SWITCH] = do_stop_switch,
    [RIG_SLOW] = do_slow,
    [RIG_LEAK] = do_leak,
    [RIG_LEVEL] = do_level,
    [RIG_REFILL] = do_refill,
    [RIG_WATER_CHANGE] = do_water_change,
    [RIG_BATH] = do_bath,
    [RIG_CUP] = do_cup,
    [RIG_AIR] = do_air,
    [RIG_BOTTLES] = do_bottles,
    [RIG_WEAK] = do_weak,
    [RIG_THIN] = do_thin,
    [RIG_UNPLUGGED] = do_unplugged,
};

static void apply(struct rig *rig, const struct rig_fault *f)
{
    rig_say(rig, "%-20s %s", f->heal ? "mended" : "fault", f->word);
    deeds[f->kind](rig, f);
}

/* --- when ------------------------------------------------------------------------------------- */

/* What a board of plain outputs hasn't got can't break: it is said by name. */
static bool can_break(const struct rig *rig, const struct rig_fault *f, struct problem *problem)
{
    static const struct {
        enum rig_fault_kind kind;
        const char *lacks;
    } rows[] = { { RIG_SWAP, "modules to swap" }, { RIG_ORDER, "modules in an order" },
        { RIG_REMOVE, "modules to take out" }, { RIG_STOP_SWITCH, "a stop switch" },
        { RIG_WEAK, "a supply that is played" }, { RIG_THIN, "a cable that is played" } };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (rows[i].kind != f->kind || !rig->site->chain[f->chain].plain) continue;
        char said[PROBLEM_TEXT_MAX];
        struct text t = text_over(said, sizeof said);
        text_add(&t, f->word);
        text_add(&t, ": ");
        text_add(&t, rig->site->chain[f->chain].key);
        text_add(&t, " is a board of plain outputs, without ");
        text_add(&t, rows[i].lacks);
        (void)problem_set(problem, ERR_RANGE, "", said);
        return false;
    }
    return true;
}

static bool take_word(struct rig *rig, const char *word, struct problem *problem)
{
    struct rig_fault f;
    if (rig_fault_read(&f, word, rig->site, problem) != ERR_NONE) return false;
    if (!can_break(rig, &f, problem)) return false;
    if (!f.has_after) {
        apply(rig, &f);
        return true;
    }
    if (rig->waiting_count == RIG_FAULTS_MAX) {
        (void)problem_set(problem, ERR_FULL, "", "too many faults wait for their time");
        return false;
    }
    f.after_ms += mono_since(rig->now, rig->begun);
    rig->waiting[rig->waiting_count++] = f;
    return true;
}

bool rig_take_words(struct rig *rig, const char *words, struct problem *problem)
{
    bool good = true;
    while (good && *words != '\0') {
        const size_t blanks = strspn(words, " \t\r\n");
        const size_t length = strcspn(words + blanks, " \t\r\n");
        char word[RIG_FAULT_WORD_MAX];
        struct text t = text_over(word, sizeof word);
        text_add_bytes(&t, words + blanks, length);
        words += blanks + length;
        if (t.cut) {
            (void)problem_set(problem, ERR_FULL, "", "a word is too long");
            good = false;
        } else if (text_same(word, "totals")) {
            rig_tell_totals(rig);
        } else if (length > 0) {
            good = take_word(rig, word, problem);
        }
    }
    return good;
}

struct mono rig_apply_due(struct rig *rig)
{
    struct mono next = mono_after(rig->now, RIG_IDLE_MS);
    uint32_t kept = 0;
    const uint32_t count = rig->waiting_count;
    for (uint32_t i = 0; i < count; i++) {
        const struct rig_fault f = rig->waiting[i];
        const struct mono at = mono_after(rig->begun, f.after_ms);
        if (mono_since(at, rig->now) <= 0) {
            apply(rig, &f);
            continue;
        }
        if (at.ms < next.ms) next = at;
        rig->waiting[kept++] = f;
    }
    rig->waiting_count = kept;
    return next;
}
