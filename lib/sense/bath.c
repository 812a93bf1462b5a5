#include "lib/sense/bath.h"

#include <math.h>
#include <string.h>

#include "lib/base/decimal.h"

void bath_begin(struct bath_watch *w)
{
    memset(w, 0, sizeof *w);
}

/* How far the readings may lie apart, in the probe's own unit. */
static double still_within(const struct probe_config *config, double number)
{
    static const double ph = 0.02, mv = 1.0, share = 0.01;
    if (config->unit == UNIT_PH) return ph;
    if (config->unit == UNIT_MV) return mv;
    return share * fabs(number);
}

/* True with each mean that is complete. */
static bool take_mean(struct bath_watch *w, double number, struct mono now)
{
    const bool complete = w->readings > 0 && mono_since(now, w->since) >= BATH_MEAN_MS;
    if (complete) {
        if (w->count == BATH_MEANS) {
            memmove(w->mean, w->mean + 1, sizeof w->mean - sizeof w->mean[0]);
            w->count--;
        }
        w->mean[w->count++] = w->sum / w->readings;
        w->readings = 0;
        w->sum = 0.0;
    }
    if (w->readings == 0) w->since = now;
    w->readings++;
    w->sum += number;
    return complete;
}

bool bath_settles(double *ret, struct bath_watch *w, const struct probe_config *config,
    double number, struct mono now)
{
    if (!take_mean(w, number, now) || w->count < BATH_MEANS) return false;
    double least = w->mean[0], most = w->mean[0], sum = 0.0;
    for (int i = 0; i < BATH_MEANS; i++) {
        least = w->mean[i] < least ? w->mean[i] : least;
        most = w->mean[i] > most ? w->mean[i] : most;
        sum += w->mean[i];
    }
    if (most - least > still_within(config, number)) return false;
    *ret = sum / BATH_MEANS;
    return true;
}

bool bath_point_read(struct bath_point *ret, enum probe_quantity quantity, const char *word)
{
    static const double ph_least = 1.0, ph_most = 13.0;
    *ret = (struct bath_point){ .buffer = false };
    if (quantity == PROBE_EC) return ec_standard_read(&ret->standard, word);
    if (quantity != PROBE_PH) return false;
    ret->buffer = ph_buffer_read(&ret->which_buffer, word);
    if (ret->buffer) return true;
    if (!decimal_read_json(&ret->ph, word, strlen(word))) return false;
    return ret->ph >= ph_least && ret->ph <= ph_most;
}

double bath_truth(const struct bath_point *point, const struct probe_config *config, double degc)
{
    if (config->quantity == PROBE_EC)
        return ec_standard_us_cm(point->standard, config->compensated ? 25.0 : degc);
    return point->buffer ? ph_buffer_at(point->which_buffer, degc) : point->ph;
}

/* --- pH --------------------------------------------------------------------------------------- */

static enum bath_verdict judge_mv(struct bath_found *ret, struct bath_row *row,
    const struct probe_config *config, const struct ph_bath *bath)
{
    static const double other_bath = 1.5; /* a worn slope and a zero 60 mV off make up to 1.5 */
    const struct ph_constants force = { config->zero_mv, config->slope_percent };
    ret->shown = ph_from_mv(&force, bath->mv, bath->degc);
    if (fabs(ret->shown - bath->ph) > other_bath) return BATH_OTHER;
    if (row->count == 0) {
        row->bath[row->count++] = *bath;
        return BATH_TAKEN;
    }
    struct ph_constants found;
    if (ph_calibrate(&found, &row->bath[0], row->count > 1 ? &row->bath[1] : bath, NULL) !=
        ERR_NONE)
        return BATH_TOO_NEAR;
    ret->zero_mv = found.zero_mv;
    ret->slope_percent = found.slope_percent;
    ret->ph_verdict = ph_judge(&found);
    if (ret->ph_verdict == PH_REFUSED) return BATH_WORN;
    if (row->count == 1) {
        row->bath[row->count++] = *bath;
        return BATH_CALIBRATED;
    }
    ret->off = ph_third_bath_error(&found, bath);
    return fabs(ret->off) <= PH_THIRD_BATH_MOST ? BATH_VERIFIED : BATH_THIRD_OFF;
}

static enum bath_verdict judge_ph(
    struct bath_found *ret, struct bath_row *row, const struct ph_bath *bath)
{
    static const double other_bath = 1.5, off_most = 0.15;
    ret->shown = bath->mv;
    ret->off = bath->mv - bath->ph;
    if (fabs(ret->off) > other_bath) return BATH_OTHER;
    if (fabs(ret->off) > off_most) return BATH_OFF;
    if (row->count == 0) {
        row->bath[row->count++] = *bath;
        return BATH_TAKEN;
    }
    if (fabs(row->bath[0].ph - bath->ph) < 1.0) return BATH_TOO_NEAR;
    return BATH_VERIFIED;
}

/* --- EC --------------------------------------------------------------------------------------- */

static double shown_us_cm(const struct probe_config *config, double number)
{
    if (config->unit == UNIT_MS_CM) return number * 1000.0;
    return config->unit == UNIT_US ? number * config->cell_constant : number;
}

static enum bath_verdict judge_ec(
    struct bath_found *ret, const struct probe_config *config, const struct ph_bath *bath)
{
    static const double dry_us_cm = 50.0, off_most_percent = 5.0, other_bath = 0.3;
    ret->shown = shown_us_cm(config, bath->mv);
    if (ret->shown < dry_us_cm) return BATH_DRY;
    ret->off = 100.0 * (ret->shown / bath->ph - 1.0);
    if (config->unit != UNIT_US) {
        if (fabs(ret->off) <= off_most_percent) return BATH_VERIFIED;
        return fabs(ret->off) > 100.0 * other_bath ? BATH_OTHER : BATH_OFF;
    }
    const struct ec_bath cell = {
        .us_cm = bath->ph, .shown = bath->mv, .constant = 1.0, .nominal = config->cell_nominal
    };
    if (ec_calibrate(&ret->cell_constant, &cell, NULL) != ERR_NONE) return BATH_OTHER; /* endless */
    ret->ec_verdict = ec_judge(ret->cell_constant, config->cell_nominal);
    if (ret->ec_verdict != EC_REFUSED) return BATH_CALIBRATED;
    return ret->shown > 2.0 * bath->ph || ret->shown < 0.5 * bath->ph ? BATH_OTHER : BATH_WORN;
}

enum bath_verdict bath_judge(struct bath_found *ret, struct bath_row *row,
    const struct probe_config *config, const struct ph_bath *bath)
{
    *ret = (struct bath_found){ .shown = bath->mv };
    if (config->quantity == PROBE_EC) return judge_ec(ret, config, bath);
    return config->unit == UNIT_MV ? judge_mv(ret, row, config, bath) : judge_ph(ret, row, bath);
}
