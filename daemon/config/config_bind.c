#include "daemon/config/config_bind.h"

#include "lib/base/text.h"

static void move(struct chain_address *address, const char **serial, uint32_t chain,
    const struct chain_config *config, const uint32_t *position)
{
    if (address->chain != chain) return;
    address->position = position[address->position];
    *serial = config->module[address->position - 1].serial;
}

bool config_rebind(struct config *config, uint32_t chain, const struct chain_binding *binding)
{
    struct chain_config *bound = &config->site.chain[chain];
    uint32_t position[CHAIN_MODULES_MAX + 1];
    if (!chain_binding_fits(binding, bound)) return false;
    chain_rebind(bound, binding, position);
    for (uint32_t i = 0; i < config->site.tank_count; i++) {
        struct site_tank *tank = &config->site.tank[i];
        move(&tank->circulation.address, &tank->circulation.serial, chain, bound, position);
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            move(&tank->pump[p].address, &tank->pump[p].serial, chain, bound, position);
        }
    }
    return true;
}

void config_adopt(struct config *next, const struct core *core, const struct site *site)
{
    for (uint32_t c = 0; c < next->site.chain_count; c++) {
        const struct chain_config *chain = &next->site.chain[c];
        for (uint32_t o = 0; o < site->chain_count; o++) {
            if (!text_same(chain->key, site->chain[o].key)) continue;
            if (!text_same(chain->device, site->chain[o].device)) continue;
            const struct chain_binding *binding = core_adopted(core, o, chain->file_tag);
            if (binding) (void)config_rebind(next, c, binding);
        }
    }
    for (uint32_t i = 0; i < next->site.tank_count; i++) {
        core_amend(core, &next->site, i);
    }
}
