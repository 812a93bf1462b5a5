#include "tests/simulation/world.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"

enum { STEP_MS = 100, BEAT_MS = 2000, PROBE_MS = 2000, WATER_MS = 1000, MODULES = 2 };
static const char *const tank_keys[WORLD_TANKS] = { "basil", "lettuce" };
static const char *const stock_keys[WORLD_PUMPS] = { "leaf-a", "leaf-b", "acid" };
static const char *const serials[MODULES] = { "a1f3", "b77c" };

/* --- the configuration, by hand --------------------------------------------------------------- */

static void make_stocks(struct site *s)
{
    s->stock_count = WORLD_PUMPS;
    for (uint32_t i = 0; i < WORLD_PUMPS; i++) {
        s->stock[i].key = stock_keys[i];
        s->stock[i].bottle_ul = 5000000;
        s->stock[i].solution.kind = i < 2 ? STOCK_NUTRIENT : STOCK_ACID;
    }
    s->stock[0].strength.cations_meq_ml = 1.2;
    s->stock[1].strength.cations_meq_ml = 1.0;
    s->stock[1].strength.phosphate_mmol_ml = 0.07;
    s->stock[2].strength.acid_meq_ml = 0.4;
    s->stock[0].keep_apart = 2;
    s->stock[1].keep_apart = 1;
}

static void make_chain(struct site *s)
{
    s->chain_count = 1;
    s->chain[0] = (struct chain_config){ .key = "west",
        .device = "west",
        .supply = { .volts = 12.0, .amps = 4.0, .usable_share = 0.8 },
        .count = MODULES };
    for (uint32_t m = 0; m < MODULES; m++) {
        struct chain_module_config *module = &s->chain[0].module[m];
        text_copy(module->serial, sizeof module->serial, serials[m]);
        module->position = m + 1;
        module->channels = 3;
        module->circulation = true;
        module->power = (struct supply_module){ .cable_ohm = 0.2,
            .min_volts = 10.0,
            .idle_amps = 0.05,
            .pump_amps = 0.3,
            .circulation_amps = 0.8 };
    }
}

static void make_probe(struct probe_config *p, enum probe_quantity q, enum probe_unit unit)
{
    *p = (struct probe_config){ .present = true,
        .quantity = q,
        .unit = unit,
        .topic = "t",
        .pointer = "",
        .least = q == PROBE_EC ? 10 : 0,
        .most = q == PROBE_EC ? 6000 : 40,
        .max_age_ms = 30000,
        .compensated = true,
        .calibrated = true };
}

static void make_tank(struct world *w, uint32_t i)
{
    struct site_tank *t = &w->tank_config[i];
    t->key = t->name = tank_keys[i];
    t->volume_l = 60;
    t->source_ec_us_cm = 350;
    t->source_alkalinity_meq_l = 2.0;
    t->circulation = (struct site_circulation){ .address = { 0, i + 1, CHAIN_CIRCULATION_CHANNEL },
        .serial = serials[i],
        .flow_l_min = 30,
        .line_ml = 80,
        .flush_lines = 3 };
    make_probe(&t->probe[PROBE_EC], PROBE_EC, UNIT_US_CM);
    make_probe(&t->probe[PROBE_PH], PROBE_PH, UNIT_PH);
    make_probe(&t->probe[PROBE_TEMPERATURE], PROBE_TEMPERATURE, UNIT_DEGC);
    t->pump_count = WORLD_PUMPS;
    for (uint32_t p = 0; p < WORLD_PUMPS; p++) {
        t->pump[p] = (struct site_pump){ .stock = p,
            .address = { 0, i + 1, p + 1 },
            .serial = serials[i],
            .ml_per_s = 1.0 + 0.1 * p,
            .ec_us_cm_per_ml_l = stock_ec_us_cm_per_ml_l(&w->site.stock[p].strength),
            .calibrated = true,
            .limits = {
                .smallest_ul = 500, .dose_ul = 20000, .hour_ul = 100000, .day_ul = 320000 } };
    }
    t->recipe_count = 2;
    t->recipe[0] = (struct site_part){ 0, 1.0 };
    t->recipe[1] = (struct site_part){ 1, 1.0 };
    t->lowers_ph = 2;
    t->raises_ph = -1;
    t->schedule = (struct crop_schedule){ .crop = "basil", .count = 1, .zone = "UTC" };
    t->schedule.stage[0] =
        (struct crop_stage){ .name = "leaf", .from = { 1200, 5.8 }, .to = { 1200, 5.8 } };
    t->planted = (struct civil){ w->now.civil.ms - 5 * DAY_MS };
    t->band_ec_us_cm = 100;
    t->band_ph = 0.2;
    t->envelope = (struct crop_envelope){ 200, 2500, 5.0, 7.0, 5, 35 };
    t->move = (struct move_limits){ 600000, 1000000, 7200000 };
    t->override_most_ms = 72 * HOUR_MS;
}

/* --- the water and the head ------------------------------------------------------------------- */

static void make_water(struct world *w, uint32_t i)
{
    const struct site_tank *config = &w->tank_config[i];
    const struct plant_tank_config plant = { .volume_l = config->volume_l,
        .near_share = 0.3,
        .flow_l_min = config->circulation.flow_l_min,
        .mixing_factor = 0.6,
        .degc = 20,
        .co2_per_hour = 0.0,
        .co2_ppm = 420,
        .source = plant_source(config->source_ec_us_cm, config->source_alkalinity_meq_l, 20, 420) };
    plant_tank_init(&w->tank[i], &plant);
}

static void make_head(struct world *w)
{
    struct head_config config = { .boot = "boot-1",
        .beat_ms = BEAT_MS,
        .max_run_ms = 120000,
        .max_circulate_ms = 600000,
        .count = MODULES };
    for (uint32_t m = 0; m < MODULES; m++) {
        config.module[m] =
            (struct chain_module){ .position = m + 1, .channels = 4, .circulation = true };
        text_copy(config.module[m].serial, sizeof config.module[m].serial, serials[m]);
        text_copy(config.module[m].firmware, sizeof config.module[m].firmware, "1.0.0");
    }
    head_init(&w->head, &config);
}

/* --- messages to the daemon ---------------------------------------------------------------------
 */

static void perform(struct world *w);

void world_tell(struct world *w, const struct event *event)
{
    core_step(w->core, event, w->now, &w->actions);
    perform(w);
}

static bool strikes(struct world *w, int64_t one_in)
{
    return one_in > 0 && prng_below(&w->chance, one_in) == 0;
}

static void tell_roll(struct world *w)
{
    struct event e = { .kind = EVENT_ROLL };
    head_roll(&w->head, &e.roll);
    world_tell(w, &e);
}

static void tell_claim(struct world *w)
{
    struct event e = { .kind = EVENT_CLAIM };
    e.claim = w->head.claim;
    world_tell(w, &e);
}

static void tell_ledger(struct world *w)
{
    struct event e = { .kind = EVENT_LEDGER };
    e.ledger = w->head.ledger;
    world_tell(w, &e);
}

static void tell_manual(struct world *w)
{
    struct event e = { .kind = EVENT_MANUAL };
    e.manual = w->head.manual;
    world_tell(w, &e);
}

/* What a subscriber gets at once: the retained topics. */
static void tell_retained(struct world *w)
{
    struct event up = { .kind = EVENT_LINK };
    up.link_up = true;
    world_tell(w, &up);
    struct event ready = { .kind = EVENT_HEAD };
    ready.head_ready = true;
    world_tell(w, &ready);
    tell_roll(w);
    tell_claim(w);
    tell_ledger(w);
    tell_manual(w);
}

/* What the outputs that run draw, by the configuration's table. */
static double head_amps(const struct world *w)
{
    double amps = w->jam_amps;
    for (uint32_t m = 0; m < MODULES; m++) {
        const struct supply_module *power = &w->site.chain[0].module[m].power;
        amps += power->idle_amps;
        for (uint32_t c = 1; c <= WORLD_PUMPS; c++) {
            if (head_runs(&w->head, m, c)) amps += power->pump_amps;
        }
        if (head_runs(&w->head, m, CHAIN_CIRCULATION_CHANNEL) && !w->circulation_dead[m])
            amps += power->circulation_amps;
    }
    return amps;
}

static void tell_beat(struct world *w)
{
    struct event e = { .kind = EVENT_BEAT };
    text_copy(e.beat.boot, sizeof e.beat.boot, w->head.boot);
    e.beat.up_ms = w->head.up_ms;
    e.beat.halted = w->head.halted || w->head.switch_halted;
    e.beat.has_amps = true;
    e.beat.amps = head_amps(w);
    world_tell(w, &e);
}

/* Everything that the head wants published. */
static void pump_head(struct world *w)
{
    head_advance(&w->head, w->now.mono.ms - w->head_zero_ms);
    struct head *h = &w->head;
    if (h->roll_changed) tell_roll(w);
    if (h->claim_changed) tell_claim(w);
    if (h->ledger_changed && !strikes(w, w->faults.lose_report)) tell_ledger(w);
    if (h->manual_changed) tell_manual(w);
    h->roll_changed = h->claim_changed = h->ledger_changed = h->manual_changed = false;
    h->command_changed = false;
    struct event e = { .kind = EVENT_REPORT };
    while (head_take_report(h, &e.report)) {
        if (!strikes(w, w->faults.lose_report)) world_tell(w, &e);
    }
}

/* --- what the daemon wants done ----------------------------------------------------------------
 */

static void send(struct world *w, const struct chain_command *command)
{
    if (strikes(w, w->faults.lose_command)) return;
    head_advance(&w->head, w->now.mono.ms - w->head_zero_ms);
    head_command(&w->head, command, false);
    if (strikes(w, w->faults.double_command)) head_command(&w->head, command, false);
}

static void perform(struct world *w)
{
    static struct actions todo; /* delivering may make the core speak again later, never inside */
    todo = w->actions;
    w->actions.count = 0;
    for (uint32_t i = 0; i < todo.count; i++) {
        const struct action *a = &todo.item[i];
        switch (a->kind) {
        case ACTION_RECORD:
            if (w->record_count == WORLD_RECORDS_MAX) abort();
            w->record[w->record_count] = a->record;
            w->record_at[w->record_count++] = w->now;
            break;
        case ACTION_SEND:
        case ACTION_STOP:
            send(w, &a->command);
            break;
        case ACTION_CLAIM:
            head_claim(&w->head, &a->claim);
            break;
        case ACTION_ACTIVATE:
        case ACTION_STAND_BY:
            w->relink = true;
            w->relink_ms = w->now.mono.ms + 200;
            break;
        case ACTION_REBIND: /* nobody adopts here */
        case ACTION_AMEND:  /* nor calibrates */
            break;
        case ACTION_ANSWER:
        case ACTION_REPLAY:
        case ACTION_ASK:
            break;
        case ACTION_LOG:
            if (getenv("WORLD_TALKS"))
                printf("%9.1f %s\n", (double)w->now.mono.ms / 1000.0, a->log.text);
            break;
        }
    }
}

/* --- the daemon ------------------------------------------------------------------------------- */

static void start(struct world *w)
{
    struct core_identity identity = { .boot = "board" };
    struct text by = text_over(identity.by, sizeof identity.by);
    text_add(&by, "d");
    text_add_int(&by, ++w->starts);
    w->core = core_init(w->block, &w->site, &identity, w->now);
    for (uint32_t i = 0; i < w->record_count; i++) {
        core_restore(w->core, &w->record[i], w->record_at[i]);
    }
    core_restored(w->core, w->record_count == 0, w->now, &w->actions);
    perform(w);
    w->relink = true;
    w->relink_ms = w->now.mono.ms + 500;
}

void world_crash(struct world *w)
{
    start(w);
}

void world_ask(struct world *w, const struct event_request *request)
{
    struct event e = { .kind = EVENT_REQUEST, .request = *request };
    e.request.origin.by = "socket";
    world_tell(w, &e);
}

/* --- one step of the world ---------------------------------------------------------------------
 */

static void tell_probes(struct world *w)
{
    if (w->probes_silent) return;
    for (uint32_t i = 0; i < WORLD_TANKS; i++) {
        const double noise = 0.003 * prng_normal(&w->chance);
        const double value[3] = { plant_ec_us_cm(&w->tank[i], false) * (1.0 + noise),
            plant_ph(&w->tank[i], false) + noise, 20.0 };
        const enum probe_quantity quantity[3] = { PROBE_EC, PROBE_PH, PROBE_TEMPERATURE };
        for (int q = 2; q >= 0; q--) {
            struct event e = { .kind = EVENT_READING };
            e.reading = (struct event_reading){ .tank = i, .quantity = quantity[q] };
            e.reading.number = value[q];
            world_tell(w, &e);
        }
    }
}

static void note_move(struct world *w, struct world_move move)
{
    if (move.ul == 0) return;
    if (w->move_count == WORLD_MOVES_MAX) abort();
    w->move[w->move_count++] = move;
}

static void move_water(struct world *w)
{
    for (uint32_t i = 0; i < WORLD_TANKS; i++) {
        const struct site_tank *config = &w->tank_config[i];
        for (uint32_t p = 0; p < WORLD_PUMPS; p++) {
            const struct head_run *run = &w->head.module[i].output[p + 1];
            const int64_t by_command = run->total_ms - w->run_before[i][p];
            const int64_t by_hand = run->hand_ms - w->hand_before[i][p];
            w->run_before[i][p] = run->total_ms;
            w->hand_before[i][p] = run->hand_ms;
            const double rate = config->pump[p].ml_per_s;
            note_move(w, (struct world_move){
                             w->now.mono.ms, i, p, nearest((double)by_command * rate), false });
            note_move(w,
                (struct world_move){ w->now.mono.ms, i, p, nearest((double)by_hand * rate), true });
            if (w->empty[p] || by_command + by_hand == 0) continue;
            const struct stock_strength *s = &w->site.stock[p].strength;
            const struct plant_dose dose = { .cations_meq = s->cations_meq_ml,
                .alkalinity_meq = -s->acid_meq_ml,
                .phosphate_mmol = s->phosphate_mmol_ml };
            plant_tank_dose(&w->tank[i], &dose, (double)(by_command + by_hand) * rate / 1000.0);
        }
        const bool flows = head_runs(&w->head, i, CHAIN_CIRCULATION_CHANNEL);
        if (w->now.mono.ms % WATER_MS == 0)
            plant_tank_step(&w->tank[i], WATER_MS / 1000.0, flows, 0.0);
    }
}

static void swap_modules(struct world *w)
{
    struct chain_roll roll;
    head_roll(&w->head, &roll);
    char serial[CHAIN_WORD_MAX];
    memcpy(serial, roll.module[0].serial, sizeof serial);
    memcpy(roll.module[0].serial, roll.module[1].serial, sizeof serial);
    memcpy(roll.module[1].serial, serial, sizeof serial);
    head_set_modules(&w->head, roll.module, roll.count);
    w->head_swapped = !w->head_swapped;
}

static void strike(struct world *w)
{
    if (strikes(w, w->faults.crash)) world_crash(w);
    if (strikes(w, w->faults.reboot_head)) {
        char boot[CHAIN_WORD_MAX];
        struct text t = text_over(boot, sizeof boot);
        text_add(&t, "boot-");
        text_add_int(&t, prng_below(&w->chance, 1000000000));
        head_reboot(&w->head, boot);
        w->head_zero_ms = w->now.mono.ms;
    }
    if (w->now.mono.ms < w->fault_until_ms) return;
    if (w->probes_silent) w->probes_silent = false;
    if (w->head_swapped) swap_modules(w);
    if (w->hand_on) head_hand(&w->head, 0, 1, false);
    w->hand_on = false;
    w->fault_until_ms = w->now.mono.ms + 60000;
    if (strikes(w, w->faults.silence_probe)) w->probes_silent = true;
    if (strikes(w, w->faults.swap)) swap_modules(w);
    if (strikes(w, w->faults.hand)) {
        head_hand(&w->head, 0, 1, true);
        w->hand_on = true;
        w->fault_until_ms = w->now.mono.ms + 3000;
    }
}

static void broken(struct world *w, const char *what)
{
    if (w->broken++ == 0) text_copy(w->what, sizeof w->what, what);
}

/* A pump may run only where its own bottle hangs: on the module that the configuration names. */
static void watch_bottles(struct world *w)
{
    for (uint32_t m = 0; m < MODULES; m++) {
        for (uint32_t c = 1; c <= WORLD_PUMPS; c++) {
            if (!head_runs(&w->head, m, c) || w->head.module[m].output[c].by_hand) continue;
            if (w->head_swapped) broken(w, "a pump ran while two modules were exchanged");
            if (!head_runs(&w->head, m, CHAIN_CIRCULATION_CHANNEL))
                broken(w, "a pump ran without its circulation");
            if (w->head.halted) broken(w, "a pump ran while halted");
        }
    }
}

static void step(struct world *w)
{
    w->now.mono.ms += STEP_MS;
    w->now.civil.ms += STEP_MS;
    strike(w);
    pump_head(w);
    watch_bottles(w);
    move_water(w);
    if (w->relink && w->now.mono.ms >= w->relink_ms) {
        w->relink = false;
        tell_retained(w);
    }
    if (w->now.mono.ms >= w->next_beat_ms) {
        w->next_beat_ms = w->now.mono.ms + BEAT_MS;
        tell_beat(w);
    }
    if (w->now.mono.ms >= w->next_probe_ms) {
        w->next_probe_ms = w->now.mono.ms + PROBE_MS;
        tell_probes(w);
    }
    const struct event tick = { .kind = EVENT_TICK };
    for (int n = 0; n < 64 && mono_since(core_wakes_at(w->core), w->now.mono) <= 0; n++) {
        world_tell(w, &tick);
    }
    pump_head(w);
}

void world_run(struct world *w, int64_t span_ms)
{
    const int64_t end_ms = w->now.mono.ms + span_ms;
    while (w->now.mono.ms < end_ms) {
        step(w);
    }
}

/* --- the observer ------------------------------------------------------------------------------
 */

static void observe_span(
    struct world *w, uint32_t tank, uint32_t pump, int64_t span_ms, int64_t limit_ul)
{
    uint32_t tail = 0;
    int64_t sum_ul = 0, by_hand_ul = 0;
    for (uint32_t i = 0; i < w->move_count; i++) {
        const struct world_move *m = &w->move[i];
        if (m->tank != tank || m->pump != pump) continue;
        sum_ul += m->ul;
        by_hand_ul += m->by_hand ? m->ul : 0;
        for (; w->move[tail].at_ms <= m->at_ms - span_ms; tail++) {
            const struct world_move *old = &w->move[tail];
            if (old->tank != tank || old->pump != pump) continue;
            sum_ul -= old->ul;
            by_hand_ul -= old->by_hand ? old->ul : 0;
        }
        if (!m->by_hand && by_hand_ul == 0 && sum_ul > limit_ul)
            broken(
                w, span_ms == DAY_MS ? "a day's limit was passed" : "an hour's limit was passed");
    }
}

static void observe_ids(struct world *w)
{
    for (uint32_t i = 0; i < w->record_count; i++) {
        if (!record_is(&w->record[i], "dose")) continue;
        const char *id = record_text_or_empty(&w->record[i], "id");
        for (uint32_t k = i + 1; k < w->record_count; k++) {
            if (record_is(&w->record[k], "dose") &&
                text_same(id, record_text_or_empty(&w->record[k], "id")))
                broken(w, "an id was used twice");
        }
    }
}

void world_observe(struct world *w)
{
    for (uint32_t i = 0; i < WORLD_TANKS; i++) {
        for (uint32_t p = 0; p < WORLD_PUMPS; p++) {
            const struct stock_limits *l = &w->tank_config[i].pump[p].limits;
            observe_span(w, i, p, HOUR_MS, l->hour_ul);
            observe_span(w, i, p, DAY_MS, l->day_ul);
            if (world_moved_ul(w, i, p) > world_journal_ul(w, i, p) + 2 * (int64_t)w->move_count)
                broken(w, "more was moved than the journal knows of");
        }
    }
    observe_ids(w);
}

int64_t world_moved_ul(const struct world *w, uint32_t tank, uint32_t pump)
{
    int64_t sum_ul = 0;
    for (uint32_t i = 0; i < w->move_count; i++) {
        const struct world_move *m = &w->move[i];
        if (m->tank == tank && m->pump == pump && !m->by_hand) sum_ul += m->ul;
    }
    return sum_ul;
}

int64_t world_journal_ul(const struct world *w, uint32_t tank, uint32_t pump)
{
    int64_t sum_ul = 0;
    for (uint32_t i = 0; i < w->record_count; i++) {
        const struct record *r = &w->record[i];
        int64_t ul = 0;
        if (!record_is(r, "dose") || !record_int(r, "ul", &ul)) continue;
        if (!text_same(record_text_or_empty(r, "tank"), tank_keys[tank])) continue;
        if (!text_same(record_text_or_empty(r, "stock"), stock_keys[pump])) continue;
        const char *id = record_text_or_empty(r, "id");
        for (uint32_t k = i + 1; k < w->record_count; k++) {
            if (record_is(&w->record[k], "outcome") &&
                text_same(id, record_text_or_empty(&w->record[k], "id")))
                (void)record_int(&w->record[k], "ul", &ul);
        }
        sum_ul += ul;
    }
    return sum_ul;
}

/* --- birth and end ------------------------------------------------------------------------------
 */

void world_init(struct world *w, uint64_t seed, const struct world_faults *faults)
{
    memset(w, 0, sizeof *w);
    w->chance = prng_seed(seed);
    if (faults) w->faults = *faults;
    w->now = (struct now){ { 1000000 }, { INT64_C(1930000000000) }, CLOCK_SYNCED };
    w->head_zero_ms = w->now.mono.ms;
    w->site.key = "tern-hall";
    w->site.name = "Tern Hall school glasshouse";
    w->site.digest = "";
    w->site.tank_count = WORLD_TANKS;
    w->site.tank = w->tank_config;
    make_stocks(&w->site);
    make_chain(&w->site);
    for (uint32_t i = 0; i < WORLD_TANKS; i++) {
        make_tank(w, i);
        make_water(w, i);
    }
    make_head(w);
    w->block = malloc(core_size(&w->site));
    if (w->block) memset(w->block, 0xA5, core_size(&w->site)); /* core_init clears what is read */
    w->record = malloc(WORLD_RECORDS_MAX * sizeof *w->record);
    w->record_at = malloc(WORLD_RECORDS_MAX * sizeof *w->record_at);
    w->move = malloc(WORLD_MOVES_MAX * sizeof *w->move);
    if (!w->block || !w->record || !w->record_at || !w->move) abort();
    start(w);
}

void world_free(struct world *w)
{
    free(w->block);
    free(w->record);
    free(w->record_at);
    free(w->move);
}
