/* A rig without a broker: one chain of two modules, two tanks, three stocks, its ledger in memory.
 * Included once by each test of the rig. */
#ifndef DOSEWRIGHT_TESTS_RIG_FIXTURE_H
#define DOSEWRIGHT_TESTS_RIG_FIXTURE_H

#include <stdlib.h>
#include <string.h>

#include "daemon/rig/rig.h"
#include "lib/base/text.h"
#include "tests/unit/support.h"

enum { FIXTURE_TANKS = 2, FIXTURE_STOCKS = 3, LEAF_A = 0, LEAF_B = 1, ACID = 2 };

static struct site fixture_site;
static struct site_tank fixture_tanks[FIXTURE_TANKS];
static struct config fixture_config;
static struct rig_options fixture_options;
static struct rig fixture_rig;
static char *fixture_ledger;
static size_t fixture_ledger_size;

static inline void fixture_stocks(void)
{
    static const char *const keys[FIXTURE_STOCKS] = { "leaf-a", "leaf-b", "acid" };
    fixture_site.stock_count = FIXTURE_STOCKS;
    for (int i = 0; i < FIXTURE_STOCKS; i++) {
        fixture_site.stock[i].key = keys[i];
        fixture_site.stock[i].bottle_ul = 1000000;
    }
    fixture_site.stock[LEAF_A].strength = (struct stock_strength){ .cations_meq_ml = 2 };
    fixture_site.stock[LEAF_B].strength = (struct stock_strength){ .cations_meq_ml = 1.5 };
    fixture_site.stock[ACID].solution.kind = STOCK_ACID;
    fixture_site.stock[ACID].strength = (struct stock_strength){ .acid_meq_ml = 0.8 };
    fixture_site.stock[LEAF_A].keep_apart = UINT64_C(1) << LEAF_B;
    fixture_site.stock[LEAF_B].keep_apart = UINT64_C(1) << LEAF_A;
}

static inline void fixture_tank(uint32_t i, const char *key)
{
    struct site_tank *t = &fixture_tanks[i];
    t->key = t->name = key;
    t->volume_l = 6;
    t->source_ec_us_cm = 350;
    t->source_alkalinity_meq_l = 1.5;
    t->circulation.address = (struct chain_address){ 0, i + 1, CHAIN_CIRCULATION_CHANNEL };
    t->circulation.flow_l_min = 60;
    t->circulation.line_ml = 20;
    t->pump_count = FIXTURE_STOCKS;
    for (uint32_t p = 0; p < FIXTURE_STOCKS; p++) {
        t->pump[p].stock = p;
        t->pump[p].address = (struct chain_address){ 0, i + 1, p + 1 };
        t->pump[p].ml_per_s = p == ACID ? 0.5 : 1.0;
    }
    t->probe[PROBE_EC] = (struct probe_config){ .present = true,
        .quantity = PROBE_EC,
        .unit = UNIT_MS_CM,
        .topic = "bench/ec",
        .pointer = "",
        .compensated = true };
    t->probe[PROBE_PH] = (struct probe_config){
        .present = true, .quantity = PROBE_PH, .unit = UNIT_PH, .topic = "bench/ph", .pointer = ""
    };
}

static inline void fixture_site_make(void)
{
    static const char *const serials[2] = { "a1f3", "b77c" };
    fixture_site.key = "tern-hall";
    fixture_site.chain_count = 1;
    fixture_site.chain[0].key = fixture_site.chain[0].device = "west";
    fixture_site.chain[0].count = 2;
    for (uint32_t m = 0; m < 2; m++) {
        struct chain_module_config *c = &fixture_site.chain[0].module[m];
        text_copy(c->serial, sizeof c->serial, serials[m]);
        c->position = m + 1;
        c->channels = 3;
        c->circulation = true;
    }
    fixture_stocks();
    fixture_site.tank = fixture_tanks;
    fixture_site.tank_count = FIXTURE_TANKS;
    fixture_tank(0, "basil-bench");
    fixture_tank(1, "lettuce-wall");
}

static inline void fixture_make(void)
{
    fixture_site_make();
    fixture_options = (struct rig_options){ .quiet = true, .exact = true, .ledger_path = "memory" };
    fixture_config.homie_domain = "homie";
    fixture_rig = (struct rig){ .options = &fixture_options,
        .config = &fixture_config,
        .site = &fixture_site,
        .poll = -1,
        .chance = prng_seed(1),
        .now = { 1000 },
        .begun = { 1000 },
        .stepped_at = { 1000 },
        .chain_count = 1 };
    fixture_rig.ledger = open_memstream(&fixture_ledger, &fixture_ledger_size);
    fixture_rig.chain = calloc(1, sizeof *fixture_rig.chain);
    ck_assert(fixture_rig.ledger && fixture_rig.chain && rig_world_open(&fixture_rig));
    fixture_rig.chain[0].config = &fixture_site.chain[0];
    fixture_rig.chain[0].link = RIG_GONE; /* no broker, no connection to cut */
    rig_head_make(&fixture_rig, &fixture_rig.chain[0]);
    head_claim(&fixture_rig.chain[0].head, &(struct chain_claim){ .by = "aa", .reign = 1 });
}

static inline void fixture_remove(void)
{
    fclose(fixture_rig.ledger);
    free(fixture_ledger);
    free(fixture_rig.chain);
    free(fixture_rig.tank);
    free(fixture_rig.bottle);
    free(fixture_rig.probe);
}

/* Time passes as the loop lets it pass. */
static inline void fixture_wait(int64_t ms)
{
    struct rig *rig = &fixture_rig;
    while (ms > 0) {
        const int64_t step = ms < RIG_STEP_MS ? ms : RIG_STEP_MS;
        rig->now.ms += step;
        ms -= step;
        rig_head_advance(rig, &rig->chain[0]);
        rig_world_step(rig);
        (void)rig_apply_due(rig);
    }
}

/* A command as the daemon would send it; 'channel' 0 circulates. */
static inline void fixture_command(
    const char *id, uint32_t position, uint32_t channel, int64_t run_ms)
{
    struct rig_chain *chain = &fixture_rig.chain[0];
    struct chain_command c = { .by = "aa",
        .reign = chain->head.claim.reign,
        .epoch = chain->head.epoch,
        .until_ms = chain->head.up_ms + 5000,
        .action = channel == 0 ? CHAIN_CIRCULATE : CHAIN_DOSE,
        .position = position,
        .channel = channel,
        .run_ms = run_ms };
    text_copy(c.id, sizeof c.id, id);
    text_copy(c.boot, sizeof c.boot, chain->head.boot);
    text_copy(c.serial, sizeof c.serial, chain->head.module[position - 1].info.serial);
    head_command(&chain->head, &c, false);
    rig_head_look(&fixture_rig, chain);
}

static inline void fixture_words(const char *words)
{
    struct problem problem = { 0 };
    ck_assert_msg(rig_take_words(&fixture_rig, words, &problem), "%s", problem.text);
}

/* How many lines of the ledger hold both. */
static inline int fixture_count(const char *one, const char *two)
{
    int count = 0;
    fflush(fixture_rig.ledger);
    for (char *line = fixture_ledger; line && *line;) {
        char *end = strchr(line, '\n');
        if (!end) break;
        *end = '\0';
        if (strstr(line, one) && strstr(line, two)) count++;
        *end = '\n';
        line = end + 1;
    }
    return count;
}

#endif
