#include "daemon/commission/power_judge.h"

#include <math.h>

/* Meters and motors aren't better than that (common practice, no source): a part that draws less
 * than this share of what is due draws nothing, from this on it jams. */
static const double NOTHING_SHARE = 0.3, JAM_SHARE = 2.0, JAM_AMPS = 0.15;
static const double REST_AMPS = 0.15, REST_SHARE = 0.5;
/* A supply at rest within this share of its volts, and what it may lose under load. */
static const double VOLTS_SHARE = 0.05;
/* What a cable may lose beside what is planned. */
static const double CABLE_VOLTS = 0.4;

static void add_unit(struct text *t, double value, unsigned decimals, const char *unit)
{
    text_add_real(t, value, decimals);
    text_add(t, unit);
}

double power_part_amps(const struct power_part *part)
{
    const double lacked = part->before.amps_due - part->before.amps;
    const double lacks = part->with.amps_due - part->with.amps;
    return part->due - (lacks - lacked);
}

bool power_judge_part(struct text *said, const struct power_part *part)
{
    const double amps = power_part_amps(part);
    if (!isfinite(amps) || !(part->due > 0.0)) return true;
    const bool nothing = amps < NOTHING_SHARE * part->due;
    const bool jams = amps > JAM_SHARE * part->due && amps - part->due > JAM_AMPS;
    if (!nothing && !jams) return true;
    text_add(said, part->name);
    if (nothing) {
        text_add(said, " draws nothing where ");
        add_unit(said, part->due, 2, " A are due: is its motor plugged in, its wire whole?");
        return false;
    }
    text_add(said, " draws ");
    add_unit(said, amps, 2, " A where ");
    add_unit(said, part->due, 2,
        " A are due: does it jam, is its tube too stiff or shut? Else its module's current in the "
        "configuration is wrong.");
    return false;
}

bool power_judge_rest(struct text *said, const struct power_sample *rest)
{
    const double more = rest->amps - rest->amps_due;
    if (!isfinite(more)) return true;
    if (more > REST_AMPS && more > REST_SHARE * rest->amps_due) {
        add_unit(said, more, 2,
            " A more than is due flow before anything is asked for: a motor that runs on, or "
            "something else on this supply?");
        return false;
    }
    if (-more <= REST_SHARE * rest->amps_due || -more <= REST_AMPS) return true;
    add_unit(said, -more, 2, " A less than is due flow: is a module without power?");
    return false;
}

/* --- supply and cable --------------------------------------------------------------------------
 */

static bool supply_holds(
    struct text *said, const struct power_sample *rest, const struct power_sample *most)
{
    const double least = (1.0 - VOLTS_SHARE) * most->supply_volts;
    if (!isfinite(most->volts) || most->volts >= least) return true;
    if (isfinite(rest->volts) && rest->volts < least) {
        text_add(said, "the supply gives ");
        add_unit(said, rest->volts, 1, " V with hardly anything running, where ");
        add_unit(said, most->supply_volts, 1,
            " V are configured: another power brick, or a poor plug between it and the head?");
        return false;
    }
    text_add(said, "the supply falls from ");
    add_unit(said, rest->volts, 1, " V to ");
    add_unit(said, most->volts, 1, " V under ");
    add_unit(said, most->amps, 2, " A: the power brick is too small, or its plug is poor. ");
    add_unit(said, most->supply_amps, 1, " A are configured for it: read its plate.");
    return false;
}

/* Beyond what the supply itself loses. */
static double lost_volts(const struct power_sample *s, const struct power_module *m)
{
    return (s->volts - m->volts) - (s->supply_volts - m->due_volts);
}

static bool cable_holds(struct text *said, const struct power_sample *s)
{
    const struct power_module *worst = NULL;
    for (uint32_t i = 0; i < s->count; i++) {
        const double lost = lost_volts(s, &s->module[i]);
        if (isfinite(lost) && lost > CABLE_VOLTS) {
            worst = &s->module[i]; /* the first: those behind it lose as much */
            break;
        }
    }
    if (!worst) return true;
    text_add(said, "module ");
    text_add(said, worst->serial);
    text_add(said, " has ");
    add_unit(said, worst->volts, 1, " V where ");
    add_unit(said, worst->due_volts, 1, " V are planned, with ");
    add_unit(said, s->volts, 1,
        " V at the head: the cable before it is thinner or longer than configured, or a plug is "
        "poor.");
    return false;
}

static bool modules_have_enough(struct text *said, const struct power_sample *s)
{
    for (uint32_t i = 0; i < s->count; i++) {
        const struct power_module *m = &s->module[i];
        if (!isfinite(m->volts) || !(m->volts < m->least_volts)) continue;
        text_add(said, "module ");
        text_add(said, m->serial);
        text_add(said, " has ");
        add_unit(said, m->volts, 1, " V and needs ");
        add_unit(said, m->least_volts, 1, " V: look at supply, cable and plugs.");
        return false;
    }
    return true;
}

bool power_judge_supply(
    struct text *said, const struct power_sample *rest, const struct power_sample *most)
{
    return supply_holds(said, rest, most) && cable_holds(said, most) &&
           modules_have_enough(said, most);
}
