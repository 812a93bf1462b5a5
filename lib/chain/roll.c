#include "lib/chain/roll.h"

#include "lib/base/invariant.h"

static const struct chain_module_config *configured_at(
    const struct chain_config *config, uint32_t position)
{
    for (uint32_t i = 0; i < config->count; i++) {
        if (config->module[i].position == position) return &config->module[i];
    }
    return NULL;
}

const char *chain_serial_at(const struct chain_config *config, uint32_t position)
{
    const struct chain_module_config *m = configured_at(config, position);
    return m ? m->serial : NULL;
}

/* The first module of the roll-call after 'not_this' that answers at a position. */
static const struct chain_module *answering(
    const struct chain_roll *roll, uint32_t position, const struct chain_module *not_this)
{
    for (uint32_t i = 0; i < roll->count; i++) {
        const struct chain_module *m = &roll->module[i];
        if (m != not_this && m->position == position) return m;
    }
    return NULL;
}

static void add_position(struct text *why, uint32_t position)
{
    text_add(why, "position ");
    text_add_int(why, position);
}

/* "; it answers at position 3", or that it doesn't answer at all. */
static void add_whereabouts(struct text *why, const struct chain_roll *roll, const char *serial)
{
    for (uint32_t i = 0; i < roll->count; i++) {
        if (!text_same(roll->module[i].serial, serial)) continue;
        text_add(why, "; it answers at ");
        add_position(why, roll->module[i].position);
        return;
    }
    text_add(why, "; it doesn't answer anywhere on this chain");
}

static bool outputs_suffice(
    const struct chain_module_config *wanted, const struct chain_module *found, struct text *why)
{
    const bool too_few = found->channels < wanted->channels;
    if (!too_few && (found->circulation || !wanted->circulation)) return true;
    add_position(why, wanted->position);
    text_add(why, ": ");
    text_add(why, wanted->serial);
    if (too_few) {
        text_add(why, found->channels == 1 ? " has 1 pump channel; " : " has ");
        if (found->channels != 1) {
            text_add_int(why, found->channels);
            text_add(why, " pump channels; ");
        }
        text_add(why, "the configuration uses channel ");
        text_add_int(why, wanted->channels);
    } else {
        text_add(why, " has no circulation output; the configuration uses it");
    }
    return false;
}

static bool module_matches(
    const struct chain_module_config *wanted, const struct chain_roll *roll, struct text *why)
{
    const struct chain_module *found = answering(roll, wanted->position, NULL);
    if (!found || !text_same(found->serial, wanted->serial)) {
        add_position(why, wanted->position);
        if (found) {
            text_add(why, " answers as ");
            text_add(why, found->serial);
            text_add(why, "; ");
        } else {
            text_add(why, " doesn't answer; ");
        }
        text_add(why, wanted->serial);
        text_add(why, " was expected");
        add_whereabouts(why, roll, wanted->serial);
        return false;
    }
    if (answering(roll, wanted->position, found)) {
        text_add(why, "two modules say that they are at ");
        add_position(why, wanted->position);
        return false;
    }
    return outputs_suffice(wanted, found, why);
}

/* Nobody is where nobody was expected. */
static bool none_besides(
    const struct chain_config *config, const struct chain_roll *roll, struct text *why)
{
    const struct chain_module *first = NULL;
    for (uint32_t i = 0; i < roll->count; i++) {
        const struct chain_module *m = &roll->module[i];
        if (configured_at(config, m->position)) continue;
        if (!first || m->position < first->position) first = m;
    }
    if (!first) return true;
    add_position(why, first->position);
    text_add(why, " answers as ");
    text_add(why, first->serial);
    text_add(why, "; no module is configured there");
    return false;
}

bool chain_roll_matches(
    const struct chain_config *config, const struct chain_roll *roll, struct text *why)
{
    INVARIANT(config->count <= CHAIN_MODULES_MAX && roll->count <= CHAIN_MODULES_MAX);
    for (uint32_t i = 0; i < config->count; i++) {
        if (!module_matches(&config->module[i], roll, why)) return false;
    }
    return none_besides(config, roll, why);
}
