/* Faults strike, and end. */
#include <errno.h>

#include "tests/simulation/storm/world.h"

static int64_t down_ms(struct world *w, enum fault fault)
{
    struct prng *c = &w->weather.chance[fault];
    if (prng_below(c, 2) == 0) return 2000 + prng_below(c, 3000);
    return 2000 + prng_below(c, 30 * MINUTE_MS);
}

static uint32_t hit_chain(const struct world *w, enum fault fault)
{
    return weather_hits(&w->weather, fault, w->premises.chains);
}

static uint32_t hit_tank(const struct world *w, enum fault fault)
{
    return weather_hits(&w->weather, fault, w->premises.tanks);
}

static void flow_changed(struct world *w, uint32_t tank)
{
    chain_flow_changed(w, tank);
    relay_flow_changed(w, tank);
}

static bool strike_relay(struct world *w, enum fault fault)
{
    const uint64_t draw = w->weather.draw[fault];
    if (fault == FAULT_RELAY_REBOOT)
        relay_reboot(w, draw);
    else if (fault == FAULT_RELAY_OFFLINE)
        relay_go_offline(w, draw, w->weather.until_ms[fault] - w->t_ms);
    else if (fault == FAULT_RELAY_BY_HAND)
        relay_hand(w, draw, true);
    else
        return false;
    return true;
}

static bool strike_chain(struct world *w, enum fault fault)
{
    const uint32_t chain = hit_chain(w, fault);
    if (fault >= FAULT_MODULE_ORDER && fault <= FAULT_MODULE_UNKNOWN)
        chain_replug(w, chain);
    else if (fault == FAULT_HEAD_REBOOT || fault == FAULT_HEAD_AMNESIA)
        chain_reboot(w, chain, fault == FAULT_HEAD_AMNESIA);
    else if (fault == FAULT_HEAD_REPLACED)
        chain_replace(w, chain);
    else if (fault == FAULT_HEAD_OFFLINE)
        chain_go_offline(w, chain, w->weather.until_ms[fault] - w->t_ms);
    else if (fault == FAULT_HAND_RUN)
        chain_hand(w, w->weather.draw[fault], true);
    else if (fault == FAULT_CIRCULATION_DEAD)
        flow_changed(w, hit_tank(w, fault));
    else if (fault == FAULT_STOP_SWITCH)
        chain_stop_switch(w, chain, true);
    else
        return false;
    return true;
}

/* Frozen: the connections die of it after some time. */
static bool strike_net(struct world *w, enum fault fault)
{
    if (fault == FAULT_BROKER_DOWN || fault == FAULT_BROKER_AMNESIA)
        net_broker_dies(w, fault == FAULT_BROKER_AMNESIA);
    else if (fault == FAULT_BROKER_FROZEN)
        w->frozen_ms = w->t_ms;
    else if (fault == FAULT_LINK_REFUSED)
        for (uint32_t b = 0; b < BOARDS; b++) {
            if (!net_accepts(w, b)) board_lose_link(w, b, 1000);
        }
    else if (fault == FAULT_FORGED_COMMAND)
        stranger_commands(w);
    else if (fault == FAULT_REPLAYED_COMMAND)
        stranger_replays(w);
    else if (fault == FAULT_FORGED_CLAIM)
        stranger_claims(w);
    else if (fault == FAULT_UNSIGNED_REQUEST)
        errand_forge(w, &w->weather.chance[fault]);
    else if (fault == FAULT_UNSIGNED_HALT)
        errand_forge_halt(w, w->weather.draw[fault] % 2 == 0);
    else if (fault == FAULT_FLOOD)
        stranger_floods(w);
    else if (fault == FAULT_READING_STORM)
        probes_storm(w);
    else
        return false;
    return true;
}

/* No more descriptors, or no directory: what is open stays so. */
static void refuse_files(struct world *w)
{
    const bool table_full = w->weather.draw[FAULT_DISK_NO_FILES] % 2 == 0;
    disk_fail(w->board[0].disk,
        &(struct disk_fault){
            .call = DISK_OPEN, .from = 1, .error = table_full ? EMFILE : ENOENT });
}

static bool strike_disk(struct world *w, enum fault fault)
{
    struct disk *disk = w->board[0].disk;
    struct prng *c = &w->weather.chance[fault];
    if (fault == FAULT_DISK_EIO) {
        const bool syncs = prng_below(c, 2) == 0;
        disk_fail(disk, &(struct disk_fault){ .call = syncs ? DISK_SYNC : DISK_WRITE,
                            .from = 1 + prng_below(c, 20),
                            .count = prng_below(c, 2),
                            .error = 5 });
    } else if (fault == FAULT_DISK_FULL) {
        disk_set_room(disk, prng_below(c, 100000));
    } else if (fault == FAULT_DISK_READ_ONLY) {
        disk_set_read_only(disk, true);
    } else if (fault == FAULT_DISK_NO_FILES) {
        refuse_files(w);
    } else if (fault == FAULT_SEGMENT_LOST) {
        platter_lose(&w->board[0], prng_next(c));
    } else if (fault == FAULT_BIT_ROT) {
        if (disk_rot(disk, "journal", prng_next(c))) observe_disk_hurt(w->observer, 0);
    } else {
        return false;
    }
    return true;
}

static bool strike_board(struct world *w, enum fault fault)
{
    struct prng *c = &w->weather.chance[fault];
    if (fault == FAULT_KILL)
        board_kill(w, 0, down_ms(w, fault));
    else if (fault == FAULT_POWER_CUT || fault == FAULT_MIDNIGHT_REBOOT)
        board_power_cut(w, 0, down_ms(w, fault));
    else if (fault == FAULT_STALL)
        board_stall(w, 0, 1 + prng_below(c, 2 * MINUTE_MS));
    else if (fault == FAULT_SUSPEND)
        board_stall(w, 0, 1 + prng_below(c, 8 * HOUR_MS));
    else if (fault == FAULT_SECOND_DAEMON)
        board_arrive(w, 1);
    else if (fault == FAULT_RELOAD)
        board_reload(w, 0, (uint32_t)prng_below(c, VARIANTS));
    else if (fault == FAULT_ZONE_CHANGE)
        board_tell_zone(w, 0, (prng_below(c, 27) - 12) * HOUR_MS);
    else if (fault >= FAULT_CLOCK_STEP && fault <= FAULT_CLOCK_UNSYNCED)
        clock_set(w);
    else
        return false;
    return true;
}

static bool changes_effects(enum fault fault)
{
    return fault == FAULT_BOTTLE_EMPTY || fault == FAULT_TUBE_SLIPPED ||
           fault == FAULT_PUMP_REVERSED || fault == FAULT_PUMP_UNPLUGGED;
}

static bool strike_people(struct world *w, enum fault fault)
{
    struct prng *c = &w->weather.chance[fault];
    if (fault == FAULT_HALT)
        people_halt(w, true);
    else if (fault == FAULT_PAUSE)
        people_flag(w, REQUEST_PAUSE, hit_tank(w, fault), true);
    else if (fault == FAULT_SERVICE)
        people_flag(w, REQUEST_SERVICE, hit_tank(w, fault), true);
    else if (fault == FAULT_SET_POINT)
        people_set(w, c);
    else if (fault == FAULT_ACKNOWLEDGE)
        people_acknowledge(w, false);
    else if (fault == FAULT_IDENTIFY)
        people_identify(w, c);
    else if (fault == FAULT_ERRAND)
        errand_ask(w, c);
    else if (fault == FAULT_ERRAND_AGAIN)
        errand_replay(w, c);
    else if (fault == FAULT_BENCH)
        errand_bench(w, hit_tank(w, fault), true);
    else if (fault == FAULT_CALIBRATION)
        calibrator_comes(w, hit_tank(w, fault));
    else if (fault == FAULT_WATER_CHANGE)
        water_change(w, hit_tank(w, fault), prng_unit(c));
    else if (changes_effects(fault))
        waters_tell_effects(w);
    else
        return false;
    return true;
}

/* What isn't named here is looked for where it matters. */
void world_strike(struct world *w, enum fault fault)
{
    if (strike_chain(w, fault) || strike_net(w, fault) || strike_disk(w, fault)) return;
    if (strike_board(w, fault) || strike_relay(w, fault)) return;
    (void)strike_people(w, fault);
}

static bool mend_people(struct world *w, enum fault fault)
{
    if (fault == FAULT_HALT || fault == FAULT_UNSIGNED_HALT)
        people_halt(w, false);
    else if (fault == FAULT_PAUSE)
        people_flag(w, REQUEST_PAUSE, hit_tank(w, fault), false);
    else if (fault == FAULT_SERVICE)
        people_flag(w, REQUEST_SERVICE, hit_tank(w, fault), false);
    else if (fault == FAULT_BENCH)
        errand_bench(w, hit_tank(w, fault), false);
    else if (fault == FAULT_CALIBRATION)
        calibrator_goes(w);
    else
        return false;
    return true;
}

/* One trouble of the disk is over; others may last. */
static void mend_disk(struct world *w)
{
    struct disk *disk = w->board[0].disk;
    disk_heal(disk);
    if (weather_lasts(&w->weather, FAULT_DISK_NO_FILES)) refuse_files(w);
    if (weather_lasts(&w->weather, FAULT_DISK_FULL)) disk_set_room(disk, 0);
    if (weather_lasts(&w->weather, FAULT_DISK_READ_ONLY)) disk_set_read_only(disk, true);
}

void world_mend(struct world *w, enum fault fault)
{
    if (mend_people(w, fault)) return;
    if (fault >= FAULT_MODULE_ORDER && fault <= FAULT_MODULE_UNKNOWN)
        chain_replug(w, hit_chain(w, fault));
    else if (fault == FAULT_HAND_RUN)
        chain_hand(w, w->weather.draw[fault], false);
    else if (fault == FAULT_STOP_SWITCH)
        chain_stop_switch(w, hit_chain(w, fault), false);
    else if (fault == FAULT_CIRCULATION_DEAD)
        flow_changed(w, hit_tank(w, fault));
    else if (fault == FAULT_RELAY_BY_HAND)
        relay_hand(w, w->weather.draw[fault], false);
    else if (fault == FAULT_HEAD_MUTE)
        chain_speaks(w, hit_chain(w, fault));
    else if (fault == FAULT_BROKER_DOWN || fault == FAULT_BROKER_AMNESIA)
        chains_reconnect(w);
    else if (fault == FAULT_BROKER_FROZEN)
        boards_thaw(w);
    else if (fault == FAULT_DISK_EIO || fault == FAULT_DISK_FULL || fault == FAULT_DISK_READ_ONLY ||
             fault == FAULT_DISK_NO_FILES)
        mend_disk(w);
    else if (fault >= FAULT_CLOCK_STEP && fault <= FAULT_CLOCK_UNSYNCED)
        clock_set(w);
    else if (changes_effects(fault))
        waters_tell_effects(w);
    else if (fault == FAULT_SECOND_DAEMON)
        board_leave(w, 1);
}

/* Everything ends; and people do what a site needs after a bad week: they end what they began, look
 * at the alerts, claim what a stranger took, and start the daemon anew where its disk failed. */
void world_heal(struct world *w)
{
    w->healed = true;
    weather_end(&w->weather, w->t_ms);
    w->board[0].variant = 0;
    disk_heal(w->board[0].disk);
    w->settle_ms = w->t_ms + 2 * MINUTE_MS;
    relays_heal(w);
    board_kill(w, 0, 3000);
    world_say(w, "healed");
}
