/* Ours, directly: lib/control/law.h. */
#include "lib/control/law.h"

#include <math.h>

#include "lib/control/law_inside.h"
#include "tests/bench/control/contender.h"

static const double space_ms = 120.0 * 60000.0; /* acid after base, base after acid */

struct ours {
    struct law_config config;
    struct law law;
    struct mono gave[STOCKS];
    bool has_given[STOCKS];
    struct law_answer answer;
};

_Static_assert(
    (int)LAW_FEED == FEED && (int)LAW_ACID == ACID && (int)LAW_BASE == BASE, "the same order");

static void begin(void *self, const struct facts *f)
{
    struct ours *m = self;
    *m = (struct ours){ .config = {
                            .turnover_s = f->turnover_s,
                            .alkalinity_meq_l = f->alkalinity_meq_l,
                            .source_ec_us_cm = f->source_ec_us_cm,
                            .band_ec_us_cm = f->band_ec_us_cm,
                            .band_ph = f->band_ph,
                            .phosphate_per_us_cm = f->phosphate_per_us_cm,
                        } };
    for (int i = 0; i < STOCKS; i++) {
        m->config.has[i] = f->has[i];
        m->config.smallest[i] = f->smallest[i];
    }
    law_init(&m->law, &m->config, (struct mono){ 0 });
}

static void see(void *self, const struct facts *f, const struct sight *s)
{
    struct ours *m = self;
    m->config.band_ec_us_cm = f->band_ec_us_cm;
    const struct law_sight sight = { .at = s->at,
        .has_ec = s->has_ec,
        .has_ph = s->has_ph,
        .ec_us_cm = s->ec_us_cm,
        .ph = s->ph,
        .flows = true };
    law_see(&m->law, &m->config, &sight);
}

static bool spaced(const struct ours *m, int other, struct mono at)
{
    return !m->has_given[other] || (double)mono_since(at, m->gave[other]) >= space_ms;
}

static void ask(void *self, const struct facts *f, const struct sight *s, double give[STOCKS])
{
    (void)f;
    struct ours *m = self;
    struct law_wish wish = { .at = s->at,
        .set_ec_us_cm = s->set_ec_us_cm,
        .set_ph = s->set_ph,
        .rise_most_us_cm = 1e9,
        .move_most_ph = 14.0 };
    for (int i = 0; i < STOCKS; i++) {
        wish.most[i] = s->most[i];
    }
    if (!s->has_ec) wish.most[LAW_FEED] = 0.0;
    if (!s->has_ph || !spaced(m, BASE, s->at)) wish.most[LAW_ACID] = 0.0;
    if (!s->has_ph || !spaced(m, ACID, s->at)) wish.most[LAW_BASE] = 0.0;
    m->answer = law_ask(&m->law, &m->config, &wish);
    if (m->answer.verdict != LAW_GIVES) return;
    for (int i = 0; i < STOCKS; i++) {
        give[i] = m->answer.give[i];
    }
}

static void gave(void *self, const struct facts *f, int stock, double amount, struct mono at)
{
    (void)f;
    struct ours *m = self;
    m->gave[stock] = at;
    m->has_given[stock] = true;
    law_gave(&m->law, &m->config, (enum law_stock)stock, amount, true, at);
}

static bool alarms(const void *self, int stock)
{
    const struct ours *m = self;
    return law_alarm_of(&m->law, (enum law_stock)stock) != LAW_FINE;
}

static void acknowledge(void *self, int stock)
{
    struct ours *m = self;
    law_acknowledge(&m->law, (enum law_stock)stock);
}

static void tell(const void *self, const struct facts *f, FILE *out)
{
    (void)f;
    const struct ours *m = self;
    const struct law_why *y = &m->answer.why;
    fprintf(out, ",%d,%d,%.1f,%.2f,%.2f,%.3f,%.4f,%.4f", (int)m->answer.verdict,
        (int)m->answer.wanted, y->ec_us_cm, y->ec_sd, y->ec_per_hour, y->ph, y->ph_sd,
        y->ph_per_hour);
    for (int i = 0; i < STOCKS; i++) {
        fprintf(out, ",%.3f,%.3f", y->gain[i], y->gain_sd[i]);
    }
    fprintf(out, ",%.0f", y->mix_s);
    for (int i = 0; i < STOCKS; i++) {
        fprintf(out, ",%d", (int)law_alarm_of(&m->law, (enum law_stock)i));
    }
}

const struct contender contender_law = {
    .name = "law",
    .what = "ours: lib/control/law.h, acid and base kept 120 min apart",
    .size = sizeof(struct ours),
    .begin = begin,
    .see = see,
    .ask = ask,
    .gave = gave,
    .alarms = alarms,
    .acknowledge = acknowledge,
    .columns = "verdict,wanted,est_ec,est_ec_sd,est_ec_per_h,est_ph,est_ph_sd,est_ph_per_h,"
               "gain_feed,gain_feed_sd,gain_acid,gain_acid_sd,gain_base,gain_base_sd,mix_s,"
               "alarm_feed,alarm_acid,alarm_base",
    .tell = tell,
};
