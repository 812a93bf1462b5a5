#include "lib/sense/probe.h"

static const char *const unit_words[UNIT_COUNT] = {
    [UNIT_PH] = "ph",
    [UNIT_MV] = "mV",
    [UNIT_MS_CM] = "mS/cm",
    [UNIT_US_CM] = "uS/cm",
    [UNIT_US] = "uS",
    [UNIT_DEGC] = "degC",
    [UNIT_DEGF] = "degF",
    [UNIT_L] = "L",
    [UNIT_L_MIN] = "L/min",
    [UNIT_PERCENT] = "%",
    [UNIT_MM] = "mm",
    [UNIT_KPA] = "kPa",
    [UNIT_LX] = "lx",
    [UNIT_BOOL] = "bool",
};

const char *probe_unit_word(enum probe_unit unit)
{
    return (unsigned)unit < UNIT_COUNT ? unit_words[unit] : "?";
}

bool probe_unit_read(enum probe_unit *ret, const char *word)
{
    for (unsigned u = 0; u < UNIT_COUNT; u++) {
        if (!text_same(unit_words[u], word)) continue;
        *ret = (enum probe_unit)u;
        return true;
    }
    return false;
}

bool probe_unit_fits(enum probe_unit unit, enum probe_quantity quantity)
{
    switch (quantity) {
    case PROBE_EC:
        return unit == UNIT_MS_CM || unit == UNIT_US_CM || unit == UNIT_US;
    case PROBE_PH:
        return unit == UNIT_PH || unit == UNIT_MV;
    case PROBE_TEMPERATURE:
    case PROBE_AIR_TEMPERATURE:
    case PROBE_ENCLOSURE:
        return unit == UNIT_DEGC || unit == UNIT_DEGF;
    case PROBE_LEVEL:
    case PROBE_HUMIDITY:
        return unit == UNIT_PERCENT;
    case PROBE_VOLUME:
        return unit == UNIT_L;
    case PROBE_FLOW:
        return unit == UNIT_L_MIN;
    case PROBE_LEAK:
        return unit == UNIT_BOOL;
    case PROBE_LIGHT:
        return unit == UNIT_LX || unit == UNIT_BOOL;
    case PROBE_QUANTITY_COUNT:
        break;
    }
    return false;
}

const char *probe_quantity_word(enum probe_quantity quantity)
{
    switch (quantity) {
    case PROBE_EC:
        return "EC";
    case PROBE_PH:
        return "pH";
    case PROBE_TEMPERATURE:
        return "temperature";
    case PROBE_LEVEL:
        return "level";
    case PROBE_VOLUME:
        return "volume";
    case PROBE_FLOW:
        return "flow";
    case PROBE_LEAK:
        return "leak";
    case PROBE_AIR_TEMPERATURE:
        return "air temperature";
    case PROBE_HUMIDITY:
        return "humidity";
    case PROBE_LIGHT:
        return "light";
    case PROBE_ENCLOSURE:
        return "enclosure temperature";
    case PROBE_QUANTITY_COUNT:
        break;
    }
    return "?";
}

const char *probe_quality_word(enum probe_quality quality)
{
    switch (quality) {
    case PROBE_NONE:
        return "none";
    case PROBE_GOOD:
        return "good";
    case PROBE_STALE:
        return "stale";
    case PROBE_SUSPECT:
        return "suspect";
    case PROBE_FAULTY:
        return "faulty";
    }
    return "?";
}

const char *probe_verdict_word(enum probe_verdict verdict)
{
    switch (verdict) {
    case PROBE_OK:
        return "ok";
    case PROBE_RETAINED:
        return "retained";
    case PROBE_NOT_A_NUMBER:
        return "not a number";
    case PROBE_NOTHING:
        return "no reading";
    case PROBE_FAULT_VALUE:
        return "fault value";
    case PROBE_OUT_OF_RANGE:
        return "out of range";
    case PROBE_NEEDS_TEMPERATURE:
        return "needs a temperature";
    case PROBE_JUMPED:
        return "not confirmed yet";
    case PROBE_STUCK:
        return "stuck";
    case PROBE_VERDICT_COUNT:
        break;
    }
    return "?";
}

/* What the newest message was, when it was no reading: " (the last message was out of range)". */
static void add_last(struct text *t, const struct probe *p)
{
    if (p->last == PROBE_OK) return;
    text_add(t, " (the last message: ");
    text_add(t, probe_verdict_word(p->last));
    text_add(t, ")");
}

static void explain_faulty(
    struct text *t, const struct probe *p, const struct probe_config *config, struct mono now)
{
    if (p->live == PROBE_FAULT_VALUE) {
        text_add(t, "the probe reports a fault");
        return;
    }
    text_add(t, "stuck at ");
    text_add_real(t, p->raw, 2);
    if (config->unit != UNIT_PH) {
        text_add_char(t, ' ');
        text_add(t, probe_unit_word(config->unit));
    }
    text_add(t, " for ");
    text_add_span(t, mono_since(now, p->raw_since));
}

void probe_explain(
    struct text *t, const struct probe *p, const struct probe_config *config, struct mono now)
{
    switch (probe_quality_at(p, config, now)) {
    case PROBE_NONE:
        text_add(t, "no reading yet");
        add_last(t, p);
        break;
    case PROBE_GOOD:
        text_add(t, "good");
        break;
    case PROBE_STALE:
        text_add(t, "no reading for ");
        text_add_span(t, mono_since(now, p->at));
        add_last(t, p);
        break;
    case PROBE_SUSPECT:
        text_add(t, p->live == PROBE_OUT_OF_RANGE ? "out of its plausible range"
                                                  : "a step that isn't confirmed yet");
        break;
    case PROBE_FAULTY:
        explain_faulty(t, p, config, now);
        break;
    }
}
