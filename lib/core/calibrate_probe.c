/* Calibrating a probe: baths of known value, one after the other, while the tank is on the bench.
 */
#include <math.h>

#include "lib/base/text.h"
#include "lib/core/state.h"

/* --- listening -------------------------------------------------------------------------------- */

const char *core_ask_bath(
    struct core *core, const struct event_request *q, struct now now, struct text *said)
{
    struct core_tank *t = &core->tank[q->tank];
    const struct probe_config *config = &core->site->tank[q->tank].probe[q->quantity];
    struct core_listening listening = {
        .on = true, .quantity = q->quantity, .degc = q->degc, .since = now.mono
    };
    if ((int)q->quantity >= CARED_PROBES || !config->present) {
        text_add(said, "this tank has no such probe; EC and pH are calibrated here");
        return "no-such-probe";
    }
    if (!bath_point_read(&listening.point, q->quantity, q->word)) {
        text_add(said, q->quantity == PROBE_EC
                           ? "no such standard; there are 1413, 2765, 12880"
                           : "no such buffer; there are technical-4, technical-7, technical-10, "
                             "phthalate, phosphate, borax, carbonate, or a pH from the bottle such "
                             "as 7.02");
        return "no-such-bath";
    }
    if (!t->care.bench) {
        text_add(said,
            "take the tank on the bench first: nothing may be dosed by a probe that hangs "
            "in a bath");
        return "busy";
    }
    if (now.clock == CLOCK_UNSET) {
        text_add(said, "the clock isn't set, and a calibration needs its date: try again later");
        return "not-ready";
    }
    bath_begin(&listening.watch);
    t->care.listening = listening;
    t->care.said[0] = '\0';
    text_add(said, "listening: leave it in the bath and stir gently; the verdict comes when it has "
                   "settled, within 5 minutes");
    return NULL;
}

/* The bath's temperature: as it was said, or as the tank's probe has it. */
static double bath_degc(const struct core *core, uint32_t tank, struct now now)
{
    const struct core_tank *t = &core->tank[tank];
    const struct probe *p = &t->probe[PROBE_TEMPERATURE];
    if (isfinite(t->care.listening.degc)) return t->care.listening.degc;
    const bool good = probe_quality_at(p, &core->site->tank[tank].probe[PROBE_TEMPERATURE],
                          now.mono) == PROBE_GOOD;
    return good ? p->value : (double)NAN;
}

static void give_up(struct core_care *care, const char *why)
{
    care->listening.on = false;
    text_copy(care->said, sizeof care->said, why);
}

void core_turn_bath(struct core *core, uint32_t tank, struct now now)
{
    struct core_care *care = &core->tank[tank].care;
    if (!care->listening.on) return;
    if (mono_since(now.mono, care->listening.since) < BATH_PATIENCE_MS) return;
    give_up(care, care->listening.watch.readings == 0
                      ? "no reading came from the probe: is it connected, and does its topic speak?"
                      : "the probe didn't settle within 5 minutes: rinse it, use fresh liquid, and "
                        "try again");
}

/* --- the verdict ------------------------------------------------------------------------------ */

static void say_shown(struct text *t, const struct probe_config *config, double value)
{
    const bool ec = config->quantity == PROBE_EC;
    text_add(t, ec ? "" : "pH ");
    text_add_real(t, value, ec ? 0 : 2);
    text_add(t, ec ? " uS/cm" : "");
}

static void say_constants(
    struct text *t, const struct probe_config *config, const struct bath_found *found)
{
    if (config->quantity == PROBE_EC) {
        text_add(t, "cell constant ");
        text_add_real(t, found->cell_constant, 3);
        text_add(t, " 1/cm: ");
        text_add(t, ec_verdict_word(found->ec_verdict));
        return;
    }
    text_add(t, "zero ");
    text_add_real(t, found->zero_mv, 1);
    text_add(t, " mV, slope ");
    text_add_real(t, found->slope_percent, 1);
    text_add(t, " %: ");
    text_add(t, ph_verdict_word(found->ph_verdict));
}

static const char *verdict_word(enum bath_verdict verdict)
{
    static const char *const word[] = { "taken", "calibrated", "verified", "other-bath", "dry",
        "worn", "too-near", "off", "third-off" };
    return word[verdict];
}

static void say_verdict(struct text *t, const struct probe_config *config,
    enum bath_verdict verdict, const struct bath_found *found)
{
    switch (verdict) {
    case BATH_TAKEN:
        text_add(t, "taken. Rinse the probe, and go on with a bath at least 1 pH away");
        break;
    case BATH_CALIBRATED:
        say_constants(t, config, found);
        text_add(t, ". It holds from now on");
        break;
    case BATH_VERIFIED:
        text_add(t, "it agrees with the bath: noted with today's date");
        break;
    case BATH_OTHER:
        text_add(t, "it reads like ");
        say_shown(t, config, found->shown);
        text_add(t, ". Is that the bath you named? Nothing is changed");
        break;
    case BATH_DRY:
        text_add(t, "it reads as if it hung in the air: put it deeper, shake off bubbles");
        break;
    case BATH_WORN:
        say_constants(t, config, found);
        text_add(t,
            ". Clean and soak the probe, use fresh liquid and try again; replace it when it "
            "doesn't recover. Nothing is changed");
        break;
    case BATH_TOO_NEAR:
        text_add(t, "the two baths are less than 1 pH apart: take another one");
        break;
    case BATH_OFF:
        text_add(t, "it shows ");
        say_shown(t, config, found->shown);
        text_add(
            t, ": too far off. Calibrate it at its own transmitter, then verify it here again");
        break;
    case BATH_THIRD_OFF:
        text_add(t, "the third bath is off by ");
        text_add_real(t, found->off, 2);
        text_add(t, " pH, more than 0.10: one of the buffers is stale. Calibrate again with fresh "
                    "ones");
        break;
    }
}

static void record_bath(const struct core *core, uint32_t tank, const struct ph_bath *bath,
    enum bath_verdict verdict, struct actions *ret)
{
    const struct core_listening *l = &core->tank[tank].care.listening;
    struct record *r = emit_record(ret, "bath");
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_add_text(r, "probe", l->quantity == PROBE_EC ? "ec" : "ph");
    record_add_real(r, "truth", bath->ph, 3);
    record_add_real(r, "shown", bath->mv, 4);
    record_add_real(r, "degc", bath->degc, 2);
    record_add_text(r, "verdict", verdict_word(verdict));
}

static void judge(struct core *core, uint32_t tank, const struct ph_bath *bath, struct now now,
    struct actions *ret)
{
    struct core_care *care = &core->tank[tank].care;
    const enum probe_quantity quantity = care->listening.quantity;
    const struct probe_config *config = &core->site->tank[tank].probe[quantity];
    struct bath_found found;
    const enum bath_verdict verdict = bath_judge(&found, &care->probe[quantity].row, config, bath);
    record_bath(core, tank, bath, verdict, ret);
    care->listening.on = false;
    struct text text = text_over(care->said, sizeof care->said);
    text_add(&text, probe_quantity_word(quantity));
    text_add(&text, ": ");
    say_verdict(&text, config, verdict, &found);
    emit_log(ret, LOG_NOTED, care->said);
    if (verdict != BATH_CALIBRATED && verdict != BATH_VERIFIED) return;
    struct probe_config constants = *config;
    if (verdict == BATH_CALIBRATED && quantity == PROBE_PH) {
        constants.zero_mv = found.zero_mv;
        constants.slope_percent = found.slope_percent;
    }
    if (verdict == BATH_CALIBRATED && quantity == PROBE_EC)
        constants.cell_constant = found.cell_constant;
    core_find_probe(core, tank, quantity, &constants, now, ret);
}

void core_hear_bath(struct core *core, uint32_t tank, const struct event_reading *e, struct now now,
    struct actions *ret)
{
    struct core_care *care = &core->tank[tank].care;
    struct core_listening *l = &care->listening;
    const struct probe_config *config = &core->site->tank[tank].probe[e->quantity];
    if (!care->bench || !l->on || e->quantity != l->quantity) return;
    if (e->retained || e->verdict != PROBE_OK || !isfinite(e->number)) return;
    struct ph_bath bath;
    if (!bath_settles(&bath.mv, &l->watch, config, e->number, now.mono)) return;
    bath.degc = bath_degc(core, tank, now);
    bath.ph = bath_truth(&l->point, config, bath.degc);
    const bool cold = !isfinite(bath.degc);
    if (cold && (!isfinite(bath.ph) || config->unit == UNIT_MV)) {
        give_up(care,
            "the bath's temperature isn't known: hang the tank's temperature probe into it, "
            "or say it in degrees C");
    } else if (!isfinite(bath.ph)) {
        give_up(care, "the bath is outside the temperatures that its table has: bring it near 25 "
                      "degrees C");
    } else {
        judge(core, tank, &bath, now, ret);
    }
}
