/* A new order of modules, adopted by a person. The binding is kept here and in the journal; the
 * shell rearranges the configuration by it, which then is as if the file said so. A file whose own
 * order changes is newer than what was adopted. */
#include "lib/base/decimal.h"
#include "lib/base/text.h"
#include "lib/core/state.h"

/* --- what it would be ------------------------------------------------------------------------- */

/* "leaf-a, leaf-b into basil-bench": what the pumps of the module at this position draw from. */
static void say_bottles(struct text *t, const struct core *core, uint32_t chain, uint32_t position)
{
    const char *before = ", draws ";
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct site_tank *tank = &core->site->tank[i];
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            const struct chain_address *a = &tank->pump[p].address;
            if (a->chain != chain || a->position != position) continue;
            text_add(t, before);
            text_add(t, core->site->stock[tank->pump[p].stock].key);
            text_add(t, " with pump ");
            text_add_int(t, a->channel);
            before = ", ";
        }
    }
}

static void say_module(struct text *t, const struct core *core, uint32_t chain,
    const struct chain_bound *bound, uint32_t position)
{
    const struct chain_module_config *place =
        chain_filed_at(&core->site->chain[chain], bound->filed);
    text_add(t, "position ");
    text_add_int(t, position);
    text_add(t, ": ");
    text_add(t, bound->serial);
    if (!place) {
        text_add(t, ", new and without pumps\n");
        return;
    }
    if (!text_same(place->serial, bound->serial)) {
        text_add(t, " in place of ");
        text_add(t, place->serial);
        text_add(t, " (calibrate its pumps)");
    }
    say_bottles(t, core, chain, place->position);
    text_add_char(t, '\n');
}

static bool bind(const struct core *core, uint32_t chain, struct chain_binding *ret, struct text *t)
{
    const struct core_chain *c = &core->chain[chain];
    if (!c->has_roll || !c->head_ready || !core->link_up) {
        text_add(t, "the chain's head isn't there");
        return false;
    }
    if (c->matches) {
        text_add(t, "the modules answer as they are bound: there is nothing to adopt");
        return false;
    }
    for (uint32_t i = 0; i < core->site->tank_count; i++) {
        const struct core_tank *tank = &core->tank[i];
        const struct site_pump *pump = &core->site->tank[i].pump[tank->dose.pump];
        if (!tank->dose.used || pump->address.chain != chain) continue;
        text_add(t, "what became of a dose on this chain isn't known yet; try again in a minute");
        return false;
    }
    return chain_bind(ret, &core->site->chain[chain], &c->roll, t);
}

/* --- adopting --------------------------------------------------------------------------------- */

static void record_binding(const struct core *core, uint32_t chain, struct actions *ret)
{
    const struct core_chain *c = &core->chain[chain];
    struct record *r = emit_record(ret, "adopt");
    record_add_text(r, "chain", core->site->chain[chain].key);
    record_add_int(r, "file_tag", c->adopted_of);
    for (uint32_t i = 0; i < c->adopted.count; i++) {
        char key[RECORD_KEY_MAX], value[CHAIN_WORD_MAX + 8];
        struct text k = text_over(key, sizeof key), v = text_over(value, sizeof value);
        text_add_char(&k, 'p');
        text_add_int(&k, i + 1);
        text_add_int(&v, c->adopted.module[i].filed);
        text_add_char(&v, ' ');
        text_add(&v, c->adopted.module[i].serial);
        record_add_text(r, key, value);
    }
}

bool core_adopt(
    struct core *core, const struct event_request *q, struct text *said, struct actions *ret)
{
    struct chain_binding binding;
    if (!bind(core, q->chain, &binding, said)) return false;
    text_add(said, q->on ? "Adopted:\n" : "This would be adopted:\n");
    for (uint32_t i = 0; i < binding.count; i++) {
        say_module(said, core, q->chain, &binding.module[i], i + 1);
    }
    if (!q->on) {
        text_add(said, "Look at the tubes and bottles; then say it again with yes.");
        return true;
    }
    text_add(said, "Write it into the file, too.");
    struct core_chain *c = &core->chain[q->chain];
    c->has_adopted = true;
    c->adopted = binding;
    c->adopted_of = core->site->chain[q->chain].file_tag;
    record_binding(core, q->chain, ret);
    struct action *rebind = emit(ret, ACTION_REBIND);
    rebind->chain = q->chain;
    return true;
}

const struct chain_binding *core_adopted(const struct core *core, uint32_t chain, int64_t file_tag)
{
    const struct core_chain *c = &core->chain[chain];
    return c->has_adopted && c->adopted_of == file_tag ? &c->adopted : NULL;
}

void core_rebound(struct core *core, uint32_t chain, struct now now, struct actions *ret)
{
    ret->count = 0;
    core_look_at_roll(core, chain, now, ret);
}

/* --- over restarts and reloads ---------------------------------------------------------------- */

/* "2 b77c" */
static bool read_bound(struct chain_bound *ret, const char *value)
{
    size_t digits = 0;
    while (value[digits] >= '0' && value[digits] <= '9') {
        digits++;
    }
    struct decimal d;
    if (value[digits] != ' ' || !decimal_read_plain(&d, value, digits)) return false;
    if (d.scaled > CHAIN_MODULES_MAX) return false; /* digits alone: it is the number itself */
    if (!chain_key_valid(value + digits + 1)) return false;
    ret->filed = (uint32_t)d.scaled;
    return text_copy(ret->serial, sizeof ret->serial, value + digits + 1);
}

void core_restore_adopt(struct core *core, uint32_t chain, const struct record *r)
{
    struct core_chain *c = &core->chain[chain];
    struct chain_binding binding = { .count = 0 };
    int64_t tag;
    c->has_adopted = false;
    if (!record_int(r, "file_tag", &tag)) return;
    for (uint32_t i = 0; i < CHAIN_MODULES_MAX; i++) {
        char key[RECORD_KEY_MAX];
        struct text k = text_over(key, sizeof key);
        text_add_char(&k, 'p');
        text_add_int(&k, i + 1);
        const char *value = record_text_or_empty(r, key);
        if (!value[0]) break;
        if (!read_bound(&binding.module[i], value)) return;
        binding.count++;
    }
    if (binding.count == 0) return;
    c->has_adopted = true;
    c->adopted = binding;
    c->adopted_of = tag;
}

void core_carry_adopt(const struct core *core, uint32_t chain, struct actions *ret)
{
    if (core->chain[chain].has_adopted) record_binding(core, chain, ret);
}

static bool differs(const struct chain_config *config, uint32_t position)
{
    const struct chain_module_config *m = &config->module[position - 1];
    return m->filed != position || !text_same(m->serial, m->filed_serial);
}

/* One position where file and adoption differ, in words. */
static void tell_difference(
    const struct core *core, uint32_t chain, uint32_t position, struct actions *ret)
{
    const struct chain_module_config *m = &core->site->chain[chain].module[position - 1];
    char line[ACTION_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "chain ");
    text_add(&t, core->site->chain[chain].key);
    text_add(&t, ": position ");
    text_add_int(&t, position);
    text_add(&t, " is ");
    text_add(&t, m->serial);
    text_add(&t, " by adoption; ");
    if (m->filed) {
        text_add(&t, "the file has its pumps at position ");
        text_add_int(&t, m->filed);
        if (!text_same(m->serial, m->filed_serial)) {
            text_add(&t, " under serial number ");
            text_add(&t, m->filed_serial);
        }
        text_add(&t, ": write it into the file");
    } else {
        text_add(&t, "the file doesn't know it");
    }
    emit_log(ret, LOG_WARNED, line);
}

void core_tell_adopted(struct core *core, uint32_t chain, struct actions *ret)
{
    struct core_chain *c = &core->chain[chain];
    const struct chain_config *config = &core->site->chain[chain];
    if (!c->has_adopted) return;
    if (c->adopted_of == config->file_tag) {
        for (uint32_t p = 1; p <= config->count && ret->count < ACTIONS_MAX / 2; p++) {
            if (differs(config, p)) tell_difference(core, chain, p, ret);
        }
        return;
    }
    c->has_adopted = false;
    struct record *r = emit_record(ret, "adopt"); /* without positions: none is in force */
    record_add_text(r, "chain", config->key);
    emit_log(ret, LOG_NOTED, "the file's order of modules is newer than the one that was adopted");
}
