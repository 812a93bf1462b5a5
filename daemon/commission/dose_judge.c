#include "daemon/commission/dose_judge.h"

#include <math.h>

/* What can be seen beside the noise of probes, and of a tank that isn't quite mixed. */
static const double SEEN_MS_CM = 0.03, SEEN_PH = 0.08;
/* Water's own pH wanders a little while a line brings air: only more than this is another bottle.
 */
static const double SWAPPED_PH = 0.2;
static const double LITTLE_SHARE = 0.3, LESS_SHARE = 0.7, MUCH_SHARE = 3.0;

static const char nothing_came[] =
    "was the line primed? A pump moves air as it moves stock, and counts it. Else: is the bottle "
    "empty, is the tube off its fitting, does the water move past the probes?";
static const char part_came[] =
    "was the line primed to its end, is air in it? Else the stock is weaker, or the tank larger, "
    "than configured.";

static void say_change(struct text *t, const struct first_dose *d)
{
    text_add(t, "EC went from ");
    text_add_real(t, d->before.ec_ms_cm, 2);
    text_add(t, " to ");
    text_add_real(t, d->after.ec_ms_cm, 2);
    text_add(t, " mS/cm, pH from ");
    text_add_real(t, d->before.ph, 2);
    text_add(t, " to ");
    text_add_real(t, d->after.ph, 2);
    text_add(t, ". ");
}

static bool says_no(struct text *t, const char *words, const char *more)
{
    text_add(t, words);
    text_add(t, more);
    return false;
}

static bool judge_feed(struct text *t, const struct first_dose *d)
{
    const double rise = d->after.ec_ms_cm - d->before.ec_ms_cm;
    const double ph = d->after.ph - d->before.ph;
    if (!(d->due_ms_cm >= SEEN_MS_CM)) {
        text_add(t, "That is too little to be seen in EC; a larger dose tells more.");
        return true;
    }
    text_add(t, "EC should have risen by ");
    text_add_real(t, d->due_ms_cm, 2);
    text_add(t, ". ");
    if (rise < LITTLE_SHARE * d->due_ms_cm && fabs(ph) >= SWAPPED_PH)
        return says_no(t, ph < 0 ? "It acts like an acid: " : "It acts like a base: ",
            "does this pump draw from another bottle? Follow its tube before anything more is "
            "dosed.");
    if (rise < LITTLE_SHARE * d->due_ms_cm) return says_no(t, "It hardly did: ", nothing_came);
    if (rise < LESS_SHARE * d->due_ms_cm && d->due_ms_cm - rise >= SEEN_MS_CM)
        return says_no(t, "Only part of it came: ", part_came);
    if (rise > MUCH_SHARE * d->due_ms_cm)
        return says_no(t, "That is much more than was due: ",
            "is the stock stronger, or the tank smaller, than configured; another bottle?");
    text_add(t, "That fits.");
    return true;
}

static bool judge_ph(struct text *t, const struct first_dose *d, bool acid)
{
    const double rise = d->after.ec_ms_cm - d->before.ec_ms_cm;
    const double ph = acid ? d->before.ph - d->after.ph : d->after.ph - d->before.ph;
    if (ph <= -SWAPPED_PH)
        return says_no(t, "That is the wrong way: ",
            "does this pump draw from another bottle? Follow its tube before anything more is "
            "dosed.");
    if (ph >= SEEN_PH) {
        text_add(t, "That is the right way.");
        return true;
    }
    if (rise >= SEEN_MS_CM)
        return says_no(t, "EC rose and pH stands: it acts like a feed. ",
            "Does this pump draw from another bottle? Follow its tube before anything more is "
            "dosed.");
    return says_no(t,
        "pH hardly moved. 'dosewright check' says how much it takes; if this was "
        "enough: ",
        nothing_came);
}

bool dose_judge(struct text *said, const struct first_dose *d)
{
    const bool known = isfinite(d->before.ec_ms_cm) && isfinite(d->before.ph) &&
                       isfinite(d->after.ec_ms_cm) && isfinite(d->after.ph);
    if (!known) {
        text_add(said, "EC or pH isn't known, so that nothing can be told.");
        return true;
    }
    say_change(said, d);
    if (text_same(d->purpose, "feed")) return judge_feed(said, d);
    const bool acid = text_same(d->purpose, "acid");
    if (acid || text_same(d->purpose, "base")) return judge_ph(said, d, acid);
    return true;
}
