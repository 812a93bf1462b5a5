/* A chain head's hardware: modules on a cable, and what their outputs really did. */
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/rig/rig.h"
#include "lib/base/text.h"

enum {
    CHANNELS_USUAL = 4,
    MAX_RUN_MS = 120000,
    MAX_CIRCULATE_MS = 600000,
    BOOT_BYTES = 4,
};

struct output { /* of a thing, wherever it hangs */
    uint32_t module, channel;
};

/* --- what the outputs do ---------------------------------------------------------------------- */

static void end_run(struct rig *rig, struct rig_chain *chain, uint32_t module, uint32_t channel)
{
    rig_tell_run(rig, chain, module, channel, "end");
    chain->run[module][channel].running = false;
    struct rig_tube tube;
    if (rig_tube_of(rig, chain, module, channel, &tube)) rig_world_end(rig, tube);
}

static void start_run(
    struct rig *rig, struct rig_chain *chain, struct output output, const struct head_run *now)
{
    struct rig_run *run = &chain->run[output.module][output.channel];
    run->running = true;
    run->by_hand = now->by_hand;
    run->since_ms = now->since_ms;
    text_copy(run->id, sizeof run->id, now->id);
    run->ran_ms = 0;
    run->moved_ul = run->arrived_ul = 0.0;
    struct rig_tube tube;
    if (rig_tube_of(rig, chain, output.module, output.channel, &tube)) rig_world_start(rig, tube);
    rig_tell_run(rig, chain, output.module, output.channel, "start");
}

static void pour(
    struct rig *rig, struct rig_chain *chain, struct output output, const struct head_run *now)
{
    struct rig_run *run = &chain->run[output.module][output.channel];
    const int64_t by_command_ms = now->total_ms - run->command_total_ms;
    const int64_t by_hand_ms = now->hand_ms - run->hand_total_ms;
    run->command_total_ms = now->total_ms;
    run->hand_total_ms = now->hand_ms;
    run->ran_ms += by_command_ms + by_hand_ms;
    struct rig_tube tube;
    if (by_command_ms + by_hand_ms == 0) return;
    if (!rig_tube_of(rig, chain, output.module, output.channel, &tube)) return;
    if (tube.pump == TANK_PUMPS_MAX) return;
    const struct rig_moved moved = rig_pour(rig, tube, by_command_ms, by_hand_ms);
    run->moved_ul += moved.moved_ul;
    run->arrived_ul += moved.arrived_ul;
}

static bool goes_on(const struct rig_run *run, const struct head_run *now)
{
    return now->running && now->by_hand == run->by_hand && now->since_ms == run->since_ms &&
           text_same(now->id, run->id);
}

/* 'm' is where it hangs. */
static void look_at(struct rig *rig, struct rig_chain *chain, struct output output, uint32_t m)
{
    const struct head_run *now = &chain->head.module[m].output[output.channel];
    const struct rig_run *run = &chain->run[output.module][output.channel];
    pour(rig, chain, output, now);
    if (run->running && !goes_on(run, now)) end_run(rig, chain, output.module, output.channel);
    if (now->running && !run->running) start_run(rig, chain, output, now);
}

void rig_head_look(struct rig *rig, struct rig_chain *chain)
{
    for (uint32_t m = 0; m < chain->seen_count; m++) {
        for (uint32_t c = 0; c <= chain->head.module[m].info.channels; c++) {
            look_at(rig, chain, (struct output){ chain->seen[m], c }, m);
        }
    }
}

void rig_head_advance(struct rig *rig, struct rig_chain *chain)
{
    rig_world_step(rig); /* until now the water moved as the outputs ran until now */
    head_advance(&chain->head, rig->now.ms - chain->zero_ms);
    rig_head_look(rig, chain);
}

/* --- modules ---------------------------------------------------------------------------------- */

/* Positions count from the head without gaps: who takes a module out joins the cable again. */
static uint32_t list_modules(struct rig_chain *chain, struct chain_module list[CHAIN_MODULES_MAX])
{
    uint32_t count = 0;
    for (uint32_t p = 0; p < chain->config->count; p++) {
        const uint32_t which = chain->place[p];
        const struct chain_module_config *config = &chain->config->module[which];
        if (chain->module[which].removed) continue;
        struct chain_module *m = &list[count];
        *m = (struct chain_module){ .position = count + 1,
            .channels = config->plain || config->channels > CHANNELS_USUAL ? config->channels
                                                                           : CHANNELS_USUAL,
            .circulation = config->circulation };
        text_copy(m->serial, sizeof m->serial, chain->module[which].serial);
        text_copy(m->firmware, sizeof m->firmware, "rig-1");
        chain->seen[count++] = which;
    }
    chain->seen_count = count;
    return count;
}

void rig_head_replug(struct rig *rig, struct rig_chain *chain)
{
    struct chain_module list[CHAIN_MODULES_MAX];
    rig_head_advance(rig, chain);
    const uint32_t before_count = chain->seen_count;
    uint32_t before[CHAIN_MODULES_MAX];
    memcpy(before, chain->seen, sizeof before);
    const uint32_t count = list_modules(chain, list);
    head_set_modules(&chain->head, list, count);
    for (uint32_t m = 0; m < count; m++) { /* places begin to count anew */
        for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
            struct rig_run *run = &chain->run[chain->seen[m]][c];
            run->command_total_ms = chain->head.module[m].output[c].total_ms;
            run->hand_total_ms = chain->head.module[m].output[c].hand_ms;
        }
    }
    for (uint32_t m = 0; m < before_count; m++) { /* what was taken away runs no more */
        if (!chain->module[before[m]].removed) continue;
        for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
            if (chain->run[before[m]][c].running) end_run(rig, chain, before[m], c);
        }
    }
    rig_head_look(rig, chain);
}

void rig_head_make(struct rig *rig, struct rig_chain *chain)
{
    char boot[CHAIN_WORD_MAX];
    clock_random_hex(boot, BOOT_BYTES);
    struct head_config config = { .boot = boot,
        .beat_ms = RIG_BEAT_MS,
        .max_run_ms = MAX_RUN_MS,
        .max_circulate_ms = MAX_CIRCULATE_MS };
    for (uint32_t p = 0; p < chain->config->count; p++) {
        chain->place[p] = p;
        text_copy(chain->module[p].serial, sizeof chain->module[p].serial,
            chain->config->module[p].serial);
    }
    if (chain->config->plain) config.max_run_ms = config.max_circulate_ms = DAY_MS;
    config.count = list_modules(chain, config.module);
    head_init(&chain->head, &config);
    chain->zero_ms = rig->now.ms;
    if (chain->config->plain) rig_board_make(chain);
}

void rig_head_reboot(struct rig *rig, struct rig_chain *chain)
{
    char boot[CHAIN_WORD_MAX];
    clock_random_hex(boot, BOOT_BYTES);
    rig_head_advance(rig, chain);
    head_reboot(&chain->head, boot);
    rig_head_look(rig, chain); /* ends what was running, all of whose time is counted */
    chain->zero_ms = rig->now.ms;
    chain->has_report = false;
    text_copy(chain->last_report, sizeof chain->last_report, "{}");
    rig_say(rig, "%-20s restarts, boot %s", chain->config->key, boot);
}
