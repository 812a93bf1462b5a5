#include "lib/core/site.h"

#include <math.h>

#include "lib/base/invariant.h"

/* Up to a whole millisecond: a wait is never shorter than it was worked out. */
static int64_t ms_up(double ms)
{
    INVARIANT(ms >= 0.0 && ms < 9e15);
    return (int64_t)ceil(ms);
}

int64_t site_mix_ms(const struct site_tank *tank)
{
    INVARIANT(tank->circulation.flow_l_min > 0.0);
    const double turned_l = tank->mix_turnovers * tank->volume_l;
    return ms_up(turned_l * (double)MINUTE_MS / tank->circulation.flow_l_min) + tank->settle_ms;
}

int64_t site_flush_ms(const struct site_tank *tank)
{
    INVARIANT(tank->circulation.flow_l_min > 0.0);
    const double flushed_l = tank->circulation.flush_lines * tank->circulation.line_ml / 1000.0;
    return ms_up(flushed_l * (double)MINUTE_MS / tank->circulation.flow_l_min);
}

double site_recipe_ec_us_cm_per_ml(const struct site_tank *tank)
{
    double parts = 0.0, rise = 0.0;
    for (uint32_t i = 0; i < tank->recipe_count; i++) {
        const struct site_part *part = &tank->recipe[i];
        parts += part->parts;
        rise += part->parts * tank->pump[part->pump].ec_us_cm_per_ml_l;
    }
    return parts > 0.0 ? rise / parts / tank->volume_l : 0.0;
}
