#include "lib/chain/bind.h"

#include <string.h>

#include "lib/base/invariant.h"

static const struct chain_module *at_position(const struct chain_roll *roll, uint32_t position)
{
    for (uint32_t i = 0; i < roll->count; i++) {
        if (roll->module[i].position == position) return &roll->module[i];
    }
    return NULL;
}

static const struct chain_module_config *with_serial(
    const struct chain_config *config, const char *serial)
{
    for (uint32_t i = 0; i < config->count; i++) {
        if (text_same(config->module[i].serial, serial)) return &config->module[i];
    }
    return NULL;
}

static bool says(struct text *why, const char *before, const char *serial, const char *after)
{
    text_add(why, before);
    text_add(why, serial);
    text_add(why, after);
    return false;
}

/* Positions 1 to count, each once, and each serial once. */
static bool in_order(const struct chain_roll *roll, struct text *why)
{
    for (uint32_t p = 1; p <= roll->count; p++) {
        const struct chain_module *m = at_position(roll, p);
        if (!m) {
            text_add(why, "position ");
            text_add_int(why, p);
            text_add(why, " doesn't answer: look at the cable there");
            return false;
        }
        for (uint32_t q = 1; q < p; q++) {
            if (text_same(at_position(roll, q)->serial, m->serial))
                return says(why, "two modules answer as ", m->serial, ": one of them has to go");
        }
    }
    return true;
}

/* Whose pumps a module gets: its own, or those of the one that stood at its position and is gone.
 */
static const struct chain_module_config *takes_over(const struct chain_config *config,
    const struct chain_roll *roll, const struct chain_module *module)
{
    const struct chain_module_config *own = with_serial(config, module->serial);
    if (own || module->position > config->count) return own;
    const struct chain_module_config *former = &config->module[module->position - 1];
    for (uint32_t i = 0; i < roll->count; i++) {
        if (text_same(roll->module[i].serial, former->serial)) return NULL;
    }
    return former;
}

static bool suffices(
    const struct chain_module_config *wanted, const struct chain_module *found, struct text *why)
{
    if (found->channels < wanted->channels)
        return says(why, "", found->serial, " has fewer pumps than its place needs");
    if (wanted->circulation && !found->circulation)
        return says(why, "", found->serial, " has no circulation output, and its place needs one");
    return true;
}

static bool all_placed(
    const struct chain_config *config, const struct chain_binding *binding, struct text *why)
{
    for (uint32_t i = 0; i < config->count; i++) {
        const struct chain_module_config *m = &config->module[i];
        bool placed = m->filed == 0; /* nobody's pumps: it may go */
        for (uint32_t b = 0; b < binding->count; b++) {
            placed = placed || binding->module[b].filed == m->filed;
        }
        if (placed) continue;
        return says(why, "module ", m->serial,
            " doesn't answer and no new one stands in its place: plug it in again, or take its "
            "pumps out of "
            "the configuration");
    }
    return true;
}

bool chain_bind(struct chain_binding *ret, const struct chain_config *config,
    const struct chain_roll *roll, struct text *why)
{
    INVARIANT(config->count <= CHAIN_MODULES_MAX && roll->count <= CHAIN_MODULES_MAX);
    *ret = (struct chain_binding){ .count = roll->count };
    if (!in_order(roll, why)) return false;
    for (uint32_t i = 0; i < roll->count; i++) {
        const struct chain_module *found = at_position(roll, i + 1);
        const struct chain_module_config *place = takes_over(config, roll, found);
        text_copy(ret->module[i].serial, sizeof ret->module[i].serial, found->serial);
        if (!place) continue;
        if (!suffices(place, found, why)) return false;
        ret->module[i].filed = place->filed;
    }
    return all_placed(config, ret, why);
}

const struct chain_module_config *chain_filed_at(const struct chain_config *config, uint32_t filed)
{
    for (uint32_t i = 0; i < config->count; i++) {
        if (filed != 0 && config->module[i].filed == filed) return &config->module[i];
    }
    return NULL;
}

bool chain_binding_fits(const struct chain_binding *binding, const struct chain_config *config)
{
    uint32_t placed = 0, files = 0;
    for (uint32_t i = 0; i < config->count; i++) {
        files += config->module[i].filed > 0;
    }
    for (uint32_t i = 0; i < binding->count; i++) {
        if (binding->module[i].filed == 0) continue;
        if (!chain_filed_at(config, binding->module[i].filed)) return false;
        placed++;
        for (uint32_t k = 0; k < i; k++) {
            if (binding->module[k].filed == binding->module[i].filed) return false;
        }
    }
    return placed == files;
}

/* What is not known of a module is taken from the hungriest. */
static struct supply_module hungriest(const struct chain_config *config)
{
    struct supply_module most = { .cable_ohm = 0.0 };
    for (uint32_t i = 0; i < config->count; i++) {
        const struct supply_module *m = &config->module[i].power;
        if (m->idle_amps > most.idle_amps) most.idle_amps = m->idle_amps;
        if (m->pump_amps > most.pump_amps) most.pump_amps = m->pump_amps;
        if (m->circulation_amps > most.circulation_amps)
            most.circulation_amps = m->circulation_amps;
        if (m->min_volts > most.min_volts) most.min_volts = m->min_volts;
    }
    return most;
}

void chain_rebind(struct chain_config *config, const struct chain_binding *binding,
    uint32_t ret_position[CHAIN_MODULES_MAX + 1])
{
    INVARIANT(binding->count <= CHAIN_MODULES_MAX && config->count > 0);
    const struct chain_config before = *config;
    memset(ret_position, 0, (CHAIN_MODULES_MAX + 1) * sizeof *ret_position);
    memset(config->module, 0, sizeof config->module);
    config->count = binding->count;
    for (uint32_t i = 0; i < binding->count; i++) {
        const struct chain_bound *bound = &binding->module[i];
        const struct chain_module_config *place = chain_filed_at(&before, bound->filed);
        const uint32_t lies = i < before.count ? i : before.count - 1; /* its cable */
        struct chain_module_config *m = &config->module[i];
        if (place) *m = *place;
        if (place) ret_position[place->position] = i + 1;
        if (!place) m->power = hungriest(&before);
        m->power.cable_ohm = before.module[lies].power.cable_ohm;
        m->power.cable_ohm_per_m = before.module[lies].power.cable_ohm_per_m;
        m->position = i + 1;
        text_copy(m->serial, sizeof m->serial, bound->serial);
    }
}

int64_t chain_file_tag(const struct chain_config *config)
{
    /* FNV-1a, 64 bits, as in lib/core/commands.c: a name, not a secret. */
    uint64_t h = UINT64_C(14695981039346656037);
    for (uint32_t i = 0; i < config->count; i++) {
        for (const char *s = config->module[i].serial;; s++) {
            h = (h ^ (unsigned char)*s) * UINT64_C(1099511628211);
            if (!*s) break;
        }
    }
    return (int64_t)(h % UINT64_C(9007199254740991)) + (h % UINT64_C(9007199254740991) == 0);
}
