/* A small exact tank for the control law's tests: one vessel that mixes with one time constant, the
 * law's own kind of curve with a carbon that the law isn't told, stocks of known strength, probes
 * whose noise is independent from reading to reading. What the law is told and what is true are
 * kept apart: 'config' and the rest. One seed is one run. */
#ifndef DOSEWRIGHT_TESTS_PAIL_H
#define DOSEWRIGHT_TESTS_PAIL_H

#include <math.h>
#include <string.h>

#include "lib/base/prng.h"
#include "lib/base/real.h"
#include "lib/control/law_inside.h"
#include "tests/unit/support.h"

struct pail {
    struct law_config config;
    struct law law;
    struct law_wish wish;
    struct prng chance;
    /* the truth */
    double now_s, mix_s;
    double strength[LAW_STOCKS]; /* true effect of a nominal 1 */
    double phosphate_share;      /* of what the law believes there is */
    double pull;                 /* meq/L that 1 mS/cm of feed takes away */
    double ec, alkalinity, carbon;
    double ec_unmixed, alkalinity_unmixed;
    double ec_per_hour, alkalinity_per_hour;
    double co2_per_hour; /* of the dissolved CO2 leaves */
    double noise_ec, noise_ph;
    bool still; /* no circulation */
    /* how it is looked at and dosed */
    double look_s;
    bool by_turns;         /* EC and pH at different instants */
    bool owes_ec, owes_ph; /* new, and not taken in yet */
    double shown_ec, shown_ph;
    bool unsure; /* all outcomes */
    int64_t looks;
    /* what came of it */
    double given[LAW_STOCKS], largest[LAW_STOCKS];
    int64_t doses[LAW_STOCKS];
    double gave_s[LAW_STOCKS]; /* the newest */
    double most_ec, least_ph;  /* when mixed, by the truth */
    struct law_answer answer;
};

/* Cations and phosphate follow EC, as the law believes they do. */
static inline struct buffer pail_curve(const struct pail *p)
{
    return (struct buffer){ p->carbon, p->phosphate_share * law_phosphate(&p->config, p->ec) };
}

static inline double pail_ph(const struct pail *p)
{
    const struct buffer b = pail_curve(p);
    return buffer_ph(&b, p->alkalinity, 6.5);
}

/* 200 L at 10 L/min of water with 2 meq/L; the alkalinity is what the water report says. */
static inline void pail_init(struct pail *p, uint64_t seed)
{
    memset(p, 0, sizeof *p);
    p->config = (struct law_config){ .turnover_s = 1200.0,
        .alkalinity_meq_l = 2.0,
        .source_ec_us_cm = 350.0,
        .band_ec_us_cm = 100.0,
        .band_ph = 0.2,
        .has = { true, true, true },
        .smallest = { 3.0, 0.004, 0.004 } };
    p->wish = (struct law_wish){ .set_ec_us_cm = 1600.0,
        .set_ph = 5.8,
        .most = { 1e9, 1e9, 1e9 },
        .rise_most_us_cm = 1e9,
        .move_most_ph = 14.0 };
    p->chance = prng_seed(seed);
    p->mix_s = 0.55 * p->config.turnover_s;
    for (int s = 0; s < LAW_STOCKS; s++) {
        p->strength[s] = 1.0;
        p->gave_s[s] = -1e9;
    }
    p->phosphate_share = 1.0;
    p->pull = 0.05;
    p->ec = 350.0;
    p->alkalinity = 2.0;
    p->carbon = 2.1;
    p->co2_per_hour = 0.1;
    p->noise_ec = 6.0;
    p->noise_ph = 0.01;
    p->look_s = 60.0;
    p->least_ph = 14.0;
}

static inline struct mono pail_now(const struct pail *p)
{
    return (struct mono){ (int64_t)(p->now_s * 1000.0) };
}

/* After the members are as they should be. */
static inline void pail_begin(struct pail *p)
{
    law_init(&p->law, &p->config, pail_now(p));
}

/* In its bands, and long enough at rest that nothing is mixing. */
static inline void pail_settled(struct pail *p)
{
    p->ec = p->wish.set_ec_us_cm;
    p->carbon = 0.8;
    const struct buffer b = pail_curve(p);
    p->alkalinity = buffer_alkalinity(&b, p->wish.set_ph);
}

static inline void pail_give(struct pail *p, enum law_stock stock, double amount)
{
    const double effect = amount * p->strength[stock];
    const double ec = stock == LAW_FEED ? effect : 0.0;
    const double alkalinity = stock == LAW_FEED   ? -p->pull * effect / 1000.0
                              : stock == LAW_ACID ? -effect
                                                  : effect;
    p->ec += ec;
    p->ec_unmixed -= ec;
    p->alkalinity += alkalinity;
    p->alkalinity_unmixed -= alkalinity;
    p->given[stock] += amount;
    p->doses[stock]++;
    p->gave_s[stock] = p->now_s;
    if (amount > p->largest[stock]) p->largest[stock] = amount;
    law_gave(&p->law, &p->config, stock, amount, !p->unsure, pail_now(p));
}

static inline void pail_pass(struct pail *p, double seconds)
{
    p->now_s += seconds;
    p->ec += p->ec_per_hour * seconds / 3600.0;
    p->alkalinity += p->alkalinity_per_hour * seconds / 3600.0;
    const double gas = 1.0 - buffer_parts_at(0.0, pail_ph(p)).share;
    p->carbon -= p->carbon * gas * p->co2_per_hour * seconds / 3600.0;
    if (p->still) return;
    const double kept = real_exp(-seconds / p->mix_s);
    p->ec_unmixed *= kept;
    p->alkalinity_unmixed *= kept;
}

/* One reading of each probe, or of one after the other. */
static inline void pail_read(struct pail *p)
{
    const struct buffer b = pail_curve(p);
    const double seen = p->alkalinity + p->alkalinity_unmixed;
    const bool ec = !p->by_turns || p->looks % 2 == 0, ph = !p->by_turns || p->looks % 2 == 1;
    p->looks++;
    if (ec) p->shown_ec = p->ec + p->ec_unmixed + p->noise_ec * prng_normal(&p->chance);
    if (ph) p->shown_ph = buffer_ph(&b, seen, 6.5) + p->noise_ph * prng_normal(&p->chance);
    p->owes_ec = p->owes_ec || ec;
    p->owes_ph = p->owes_ph || ph;
}

/* What the law said it didn't take is shown to it again. */
static inline void pail_look(struct pail *p)
{
    pail_read(p);
    const struct law_sight sight = { .at = pail_now(p),
        .has_ec = p->owes_ec,
        .has_ph = p->owes_ph,
        .ec_us_cm = p->shown_ec,
        .ph = p->shown_ph,
        .flows = !p->still };
    if (law_see(&p->law, &p->config, &sight)) p->owes_ec = p->owes_ph = false;
}

static inline bool pail_alarmed(const struct pail *p, enum law_stock stock)
{
    return law_alarm_of(&p->law, stock) != LAW_FINE;
}

/* As the core does: a stock with an alarm is locked. */
static inline void pail_ask(struct pail *p)
{
    struct law_wish wish = p->wish;
    wish.at = pail_now(p);
    for (int s = 0; s < LAW_STOCKS; s++) {
        if (pail_alarmed(p, (enum law_stock)s)) wish.most[s] = 0.0;
    }
    p->answer = law_ask(&p->law, &p->config, &wish);
    for (int s = 0; s < LAW_STOCKS; s++) {
        const double amount = p->answer.give[s];
        if (!(amount > 0.0)) continue;
        ck_assert_int_eq(p->answer.verdict, LAW_GIVES);
        ck_assert_double_le(amount, wish.most[s]);
        ck_assert_double_ge(amount, p->config.smallest[s]);
        ck_assert(p->config.has[s]);
        pail_give(p, (enum law_stock)s, amount);
    }
}

static inline void pail_step(struct pail *p)
{
    pail_pass(p, p->look_s);
    pail_look(p);
    pail_ask(p);
    const double ph = pail_ph(p);
    if (p->ec > p->most_ec) p->most_ec = p->ec;
    if (ph < p->least_ph) p->least_ph = ph;
}

static inline void pail_run(struct pail *p, double hours)
{
    const double end_s = p->now_s + hours * 3600.0;
    while (p->now_s < end_s) {
        pail_step(p);
    }
}

/* Which of the law's numbers that is. */
static inline int pail_number_named(const char *name)
{
    for (int n = 0; n < LAW_NUMBERS; n++) {
        if (strcmp(law_number_name(n), name) == 0) return n;
    }
    ck_abort_msg("no number %s", name);
    return -1;
}

/* Source water takes the place of this share. */
static inline void pail_dilute(struct pail *p, double share)
{
    p->ec += share * (p->config.source_ec_us_cm - p->ec);
    p->alkalinity += share * (p->config.alkalinity_meq_l - p->alkalinity);
    p->carbon += share * (p->config.alkalinity_meq_l + 0.1 - p->carbon);
}

static inline bool pail_in_band(const struct pail *p)
{
    return fabs(p->ec - p->wish.set_ec_us_cm) <= p->config.band_ec_us_cm &&
           fabs(pail_ph(p) - p->wish.set_ph) <= p->config.band_ph;
}

#endif
