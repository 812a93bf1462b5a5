/* Faults strike, and end. */
#include "tests/simulation/storm/world.h"

static int64_t down_ms(struct world *w, enum fault fault)
{
    struct prng *c = &w->weather.chance[fault];
    if (prng_below(c, 2) == 0) return 2000 + prng_below(c, 3000);
    return 2000 + prng_below(c, 30 * MINUTE_MS);
}

void world_strike(struct world *w, enum fault fault)
{
    struct prng *c = &w->weather.chance[fault];
    switch (fault) {
    case FAULT_KILL:
        board_kill(w, 0, down_ms(w, fault));
        break;
    case FAULT_POWER_CUT:
        board_power_cut(w, 0, down_ms(w, fault));
        break;
    case FAULT_HEAD_REBOOT:
        chain_reboot(w, (uint32_t)prng_below(c, w->premises.chains));
        break;
    case FAULT_HALT:
        people_halt(w);
        break;
    case FAULT_REPORT_LOST:
    case FAULT_REPORT_DOUBLED:
    case FAULT_COMMAND_SWALLOWED:
    case FAULT_MESSAGE_DOUBLED:
    case FAULT_COUNT:
        break;
    }
}

void world_heal(struct world *w)
{
    w->healed = true;
    w->weather.over = true;
    if (w->people.release_ms != INT64_MAX) w->people.release_ms = w->t_ms;
    world_say(w, "healed");
}
