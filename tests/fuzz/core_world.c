#include "tests/fuzz/core_world.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/journal/canon.h"
#include "tests/fuzz/fuzz.h"

/* A tank's water buffers about as much (docs/control.md). */
#define MEQ_L_PER_PH 1.0

static struct actions actions;

/* --- what the observer holds of a command ----------------------------------------------------- */

static bool is_recorded(const struct actions *all, uint32_t before, const char *id)
{
    for (uint32_t i = 0; i < before; i++) {
        const struct action *a = &all->item[i];
        if (a->kind == ACTION_RECORD && text_same(record_text_or_empty(&a->record, "id"), id))
            return true;
    }
    return false;
}

static void check_id(struct core_world *w, const char *id)
{
    HOLDS(chain_id_valid(id));
    for (uint32_t i = 0; i < w->id_count; i++) {
        HOLDS(!text_same(w->id[i], id));
    }
    if (w->id_count == CW_IDS_MAX)
        w->full = true;
    else
        memcpy(w->id[w->id_count++], id, CHAIN_WORD_MAX);
}

/* Whose output is it? Circulation counts as pump -1; false when it is nobody's. */
static bool find_output(const struct core_world *w, const struct chain_address *a,
    uint32_t *ret_tank, int32_t *ret_pump)
{
    for (uint32_t t = 0; t < w->site->tank_count; t++) {
        const struct site_tank *tank = &w->site->tank[t];
        *ret_tank = t;
        *ret_pump = -1;
        if (chain_address_same(&tank->circulation.address, a)) return true;
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            *ret_pump = (int32_t)p;
            if (chain_address_same(&tank->pump[p].address, a)) return true;
        }
    }
    return false;
}

static bool is_fresh(const struct core_world *w, uint32_t tank, enum probe_quantity q)
{
    const int64_t age_ms = mono_since(w->now.mono, w->read_at[tank][q]);
    return age_ms <= w->site->tank[tank].probe[q].max_age_ms;
}

static void check_dose(
    const struct core_world *w, const struct chain_command *c, uint32_t tank, uint32_t p)
{
    const struct site_tank *t = &w->site->tank[tank];
    const struct site_pump *pump = &t->pump[p];
    const bool corrects = (int32_t)p == t->lowers_ph || (int32_t)p == t->raises_ph;
    HOLDS(!w->paused[tank] && !w->serviced[tank]);
    HOLDS(c->ul > 0 && c->ul <= pump->limits.dose_ul);
    HOLDS((double)c->run_ms * pump->ml_per_s <= (double)pump->limits.dose_ul + pump->ml_per_s);
    HOLDS(
        is_fresh(w, tank, PROBE_TEMPERATURE) && is_fresh(w, tank, corrects ? PROBE_PH : PROBE_EC));
    HOLDS(text_same(c->serial, pump->serial));
    HOLDS(c->needs.position == t->circulation.address.position);
    HOLDS(text_same(c->needs.serial, t->circulation.serial));
}

static void check_send(struct core_world *w, uint32_t at)
{
    const struct action *a = &actions.item[at];
    const struct chain_command *c = &a->command;
    const struct chain_address address = { a->chain, c->position, c->channel };
    uint32_t tank;
    int32_t pump;
    HOLDS(a->chain < w->site->chain_count && w->link_up);
    check_id(w, c->id);
    if (c->action == CHAIN_RESUME || c->action == CHAIN_STOP || c->action == CHAIN_HALT) return;
    HOLDS(is_recorded(&actions, at, c->id) && w->journal_ok && !w->halted);
    HOLDS(c->until_ms >= 0 && c->run_ms > 0);
    HOLDS(find_output(w, &address, &tank, &pump) && !w->serviced[tank]);
    if (c->action == CHAIN_DOSE) HOLDS(pump >= 0);
    if (c->action == CHAIN_DOSE) check_dose(w, c, tank, (uint32_t)pump);
    if (c->action == CHAIN_CIRCULATE) HOLDS(pump == -1);
}

/* --- what the daemon wants done --------------------------------------------------------------- */

static struct head *head_now(struct core_world *w, uint32_t chain)
{
    head_advance(&w->head[chain], w->now.mono.ms - w->head_zero_ms[chain]);
    return &w->head[chain];
}

/* FUZZ_TALKS=1 tells the story of an input. */
static void talk(const struct core_world *w, const struct record *record)
{
    static char line[RECORD_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    if (!getenv("FUZZ_TALKS")) return;
    canon_add(&t, record, NULL);
    printf("%12.3f %s\n", (double)w->now.mono.ms / 1000, line);
}

static void keep(struct core_world *w, const struct record *record)
{
    talk(w, record);
    if (w->record_count == CW_RECORDS_MAX) {
        w->full = true;
        return;
    }
    w->record[w->record_count] = *record;
    w->record_at[w->record_count++] = w->now;
}

static void deliver(struct core_world *w, uint32_t chain, const struct chain_command *command)
{
    if (!w->link_up || w->lose_commands) return;
    head_command(head_now(w, chain), command, false);
    if (w->double_commands) head_command(&w->head[chain], command, false);
}

/* Records first: what is asked later may depend on them. Answers of the world come with time. */
static void perform(struct core_world *w)
{
    HOLDS(actions.count <= ACTIONS_MAX);
    for (uint32_t i = 0; i < actions.count; i++) {
        const struct action *a = &actions.item[i];
        if (a->kind == ACTION_RECORD) {
            HOLDS(!a->record.cut);
            keep(w, &a->record);
        } else if (a->kind == ACTION_SEND) {
            check_send(w, i);
            deliver(w, a->chain, &a->command);
        } else if (a->kind == ACTION_STOP) {
            HOLDS(a->command.action == CHAIN_STOP || a->command.action == CHAIN_HALT);
            deliver(w, a->chain, &a->command);
        } else if (a->kind == ACTION_CLAIM) {
            HOLDS(w->link_up);
            head_claim(head_now(w, a->chain), &a->claim);
        } else if (a->kind == ACTION_ACTIVATE || a->kind == ACTION_STAND_BY) {
            w->relink = true;
            w->relink_ms = w->now.mono.ms + 200;
        }
    }
}

/* What never left is said at once, after all of it was done. */
static void say_unsent(struct core_world *w)
{
    static struct actions sent;
    if (!w->unsend_commands) return;
    sent = actions;
    for (uint32_t i = 0; i < sent.count; i++) {
        if (sent.item[i].kind != ACTION_SEND) continue;
        struct event e = { .kind = EVENT_UNSENT, .chain = sent.item[i].chain };
        text_copy(e.unsent, sizeof e.unsent, sent.item[i].command.id);
        core_step(w->core, &e, w->now, &actions);
        perform(w);
    }
}

void cw_tell(struct core_world *w, const struct event *event)
{
    const bool lost = w->lose_commands;
    if (w->unsend_commands) w->lose_commands = true;
    core_step(w->core, event, w->now, &actions);
    perform(w);
    say_unsent(w);
    w->lose_commands = lost;
}

static bool was_granted(uint64_t ticket)
{
    for (uint32_t i = 0; i < actions.count; i++) {
        const struct action *a = &actions.item[i];
        if (a->kind == ACTION_ANSWER && a->answer.ticket == ticket)
            return a->answer.ok && !text_same(a->answer.reason, "duplicate");
    }
    return false;
}

/* Over the broker nothing but a halt is acted on unsigned, and no signature twice. */
static void check_trust(struct core_world *w, const struct event_request *q)
{
    const bool halts = q->kind == REQUEST_HALT && q->on;
    if (w->site->signer_count == 0 || !text_same(q->origin.by, "mqtt") || halts) return;
    HOLDS(q->origin.signer);
    for (uint32_t i = 0; i < CW_KEYS; i++) {
        if (!text_same(q->origin.signer, w->site->signer[i])) continue;
        HOLDS(q->origin.n > w->granted_n[i]);
        if (w->journal_ok) w->granted_n[i] = q->origin.n;
    }
}

void cw_ask(struct core_world *w, const struct event_request *request)
{
    struct event e = { .kind = EVENT_REQUEST, .request = *request };
    e.request.ticket = ++w->ticket;
    core_step(w->core, &e, w->now, &actions);
    const bool ok = was_granted(w->ticket);
    if (ok) check_trust(w, &e.request);
    if (e.request.kind == REQUEST_HALT && ok) w->halted = e.request.on;
    /* a halt is never refused, unless its id was used before */
    if (e.request.kind == REQUEST_HALT && e.request.on) HOLDS(ok || e.request.id[0]);
    if (ok && e.request.kind == REQUEST_PAUSE) w->paused[e.request.tank] = e.request.on;
    if (ok && e.request.kind == REQUEST_SERVICE) w->serviced[e.request.tank] = e.request.on;
    perform(w);
}

/* --- what the heads say ----------------------------------------------------------------------- */

static void tell_roll(struct core_world *w, uint32_t c)
{
    struct event e = { .kind = EVENT_ROLL, .chain = c };
    head_roll(&w->head[c], &e.roll);
    cw_tell(w, &e);
}

static void tell_claim(struct core_world *w, uint32_t c)
{
    struct event e = { .kind = EVENT_CLAIM, .chain = c };
    e.claim = w->head[c].claim;
    cw_tell(w, &e);
}

static void tell_ledger(struct core_world *w, uint32_t c)
{
    struct event e = { .kind = EVENT_LEDGER, .chain = c };
    e.ledger = w->head[c].ledger;
    cw_tell(w, &e);
}

static void tell_manual(struct core_world *w, uint32_t c)
{
    struct event e = { .kind = EVENT_MANUAL, .chain = c };
    e.manual = w->head[c].manual;
    cw_tell(w, &e);
}

static void tell_beat(struct core_world *w, uint32_t c)
{
    const struct head *h = head_now(w, c);
    struct event e = { .kind = EVENT_BEAT, .chain = c };
    text_copy(e.beat.boot, sizeof e.beat.boot, h->boot);
    e.beat.up_ms = h->up_ms;
    e.beat.halted = h->halted || h->switch_halted;
    e.beat.has_amps = true;
    for (uint32_t m = 0; m < h->count; m++) {
        const struct supply_module *power = &w->site->chain[c].module[m].power;
        e.beat.amps += power->idle_amps;
        for (uint32_t o = 0; o <= CHAIN_CHANNELS_MAX; o++) {
            if (head_runs(h, m, o)) e.beat.amps += o ? power->pump_amps : power->circulation_amps;
        }
    }
    cw_tell(w, &e);
}

void cw_link(struct core_world *w, bool up)
{
    struct event e = { .kind = EVENT_LINK };
    w->link_up = e.link_up = up;
    cw_tell(w, &e);
    for (uint32_t c = 0; c < CW_HEADS && up; c++) {
        struct event ready = { .kind = EVENT_HEAD, .chain = c };
        ready.head_ready = true;
        cw_tell(w, &ready);
        (void)head_now(w, c);
        tell_roll(w, c);
        tell_claim(w, c);
        tell_ledger(w, c);
        tell_manual(w, c);
        tell_beat(w, c);
    }
}

/* Everything that a head wants published; what the broker doesn't get is gone. */
static void publish(struct core_world *w, uint32_t c)
{
    struct head *h = head_now(w, c);
    struct event e = { .kind = EVENT_REPORT, .chain = c };
    const bool roll = h->roll_changed, claim = h->claim_changed, manual = h->manual_changed;
    const bool ledger = h->ledger_changed && !w->lose_ledger;
    h->roll_changed = h->claim_changed = h->ledger_changed = h->manual_changed = false;
    h->command_changed = false;
    if (roll && w->link_up) tell_roll(w, c);
    if (claim && w->link_up) tell_claim(w, c);
    if (ledger && w->link_up) tell_ledger(w, c);
    if (manual && w->link_up) tell_manual(w, c);
    while (head_take_report(h, &e.report)) {
        if (!w->link_up || w->lose_reports) continue;
        cw_tell(w, &e);
        if (w->double_reports) cw_tell(w, &e);
    }
}

/* --- probes ----------------------------------------------------------------------------------- */

void cw_read(struct core_world *w, const struct event_reading *reading)
{
    struct event e = { .kind = EVENT_READING };
    const struct probe_config *probe = &w->site->tank[reading->tank].probe[reading->quantity];
    if (!probe->present) return;
    e.reading = *reading;
    if (reading->verdict == PROBE_OK && !reading->retained && reading->number >= probe->least &&
        reading->number <= probe->most)
        w->read_at[reading->tank][reading->quantity] = w->now.mono;
    cw_tell(w, &e);
}

static void tell_number(struct core_world *w, uint32_t tank, enum probe_quantity q, double number)
{
    const struct event_reading reading = { .tank = tank, .quantity = q, .number = number };
    cw_read(w, &reading);
}

static void tell_probes(struct core_world *w)
{
    for (uint32_t t = 0; t < CW_TANKS && w->link_up; t++) {
        const struct probe_config *probe = w->site->tank[t].probe;
        const struct cw_water *water = &w->water[t];
        if (water->silent) continue;
        const bool mv = probe[PROBE_PH].unit == UNIT_MV, ms_cm = probe[PROBE_EC].unit == UNIT_MS_CM;
        const bool degf = probe[PROBE_TEMPERATURE].unit == UNIT_DEGF;
        tell_number(w, t, PROBE_TEMPERATURE, degf ? water->degc * 1.8 + 32 : water->degc);
        const double noise =
            (double)(w->readings_ms / CW_READINGS_MS % 5); /* none is a stuck probe */
        const double ph = water->ph + 0.003 * noise, ec = water->ec_us_cm * (1 + 0.001 * noise);
        tell_number(w, t, PROBE_PH, mv ? (7 - ph) * 57.9 : ph);
        tell_number(w, t, PROBE_EC, ms_cm ? ec / 1000 : ec);
        tell_number(w, t, PROBE_LEVEL, 80);
        tell_number(w, t, PROBE_LEAK, 0);
    }
}

/* --- what pumps do ---------------------------------------------------------------------------- */

static void note_move(struct core_world *w, const struct cw_move *move)
{
    if (move->ran_ms == 0 && move->by_hand_ms == 0) return;
    if (w->move_count == CW_MOVES_MAX)
        w->full = true;
    else
        w->move[w->move_count++] = *move;
}

/* A pump runs by command only with its circulation, on the module that was bound, and not while
 * halted. */
static void watch_pump(
    const struct core_world *w, const struct site_tank *t, const struct site_pump *pump)
{
    const struct chain_address *flow = &t->circulation.address;
    const struct head *h = &w->head[pump->address.chain];
    const uint32_t m = pump->address.position - 1;
    const struct head_run *run = &h->module[m].output[pump->address.channel];
    if (!run->running || run->by_hand) return;
    HOLDS(text_same(h->module[m].info.serial, pump->serial) && !h->halted);
    if (run->run_ms > HEAD_IDENTIFY_MS)
        HOLDS(head_runs(h, flow->position - 1, CHAIN_CIRCULATION_CHANNEL));
}

/* The water answers roughly as chemistry says, so that the law goes on dosing until a limit holds
 * it. */
static void stir(struct core_world *w, const struct cw_move *move)
{
    const struct site_tank *t = &w->site->tank[move->tank];
    const struct site_pump *pump = &t->pump[move->pump];
    const double ml = (double)(move->ran_ms + move->by_hand_ms) * pump->ml_per_s / 1000;
    const double acid_meq_l = ml * w->site->stock[pump->stock].strength.acid_meq_ml / t->volume_l;
    w->water[move->tank].ec_us_cm += ml * pump->ec_us_cm_per_ml_l / t->volume_l;
    w->water[move->tank].ph -= acid_meq_l / MEQ_L_PER_PH;
}

static void watch(struct core_world *w)
{
    for (uint32_t t = 0; t < CW_TANKS; t++) {
        const struct site_tank *tank = &w->site->tank[t];
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            const struct chain_address *a = &tank->pump[p].address;
            const struct head_run *run =
                &w->head[a->chain].module[a->position - 1].output[a->channel];
            watch_pump(w, tank, &tank->pump[p]);
            const struct cw_move move = { w->now.mono.ms, run->total_ms - w->ran_before[t][p],
                run->hand_ms - w->hand_before[t][p], t, p };
            w->ran_before[t][p] = run->total_ms;
            w->hand_before[t][p] = run->hand_ms;
            note_move(w, &move);
            stir(w, &move);
        }
    }
}

/* --- time ------------------------------------------------------------------------------------- */

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t next_instant(const struct core_world *w, int64_t end_ms)
{
    const int64_t now_ms = w->now.mono.ms;
    int64_t next_ms = sooner(end_ms, sooner(w->beat_ms, w->readings_ms));
    const int64_t wakes_ms = core_wakes_at(w->core).ms;
    if (wakes_ms > now_ms) next_ms = sooner(next_ms, wakes_ms);
    if (w->relink && w->relink_ms > now_ms) next_ms = sooner(next_ms, w->relink_ms);
    for (uint32_t c = 0; c < CW_HEADS; c++) {
        const int64_t ends_ms = head_next_end(&w->head[c]);
        if (ends_ms < INT64_MAX) next_ms = sooner(next_ms, ends_ms + w->head_zero_ms[c]);
    }
    return next_ms > now_ms ? next_ms : now_ms + 1;
}

static void turn(struct core_world *w)
{
    const struct event tick = { .kind = EVENT_TICK };
    for (uint32_t c = 0; c < CW_HEADS; c++) {
        publish(w, c);
    }
    watch(w);
    if (w->relink && w->now.mono.ms >= w->relink_ms) {
        w->relink = false;
        cw_link(w, false);
        cw_link(w, true);
    }
    if (w->now.mono.ms >= w->beat_ms) {
        w->beat_ms = w->now.mono.ms + CW_BEAT_MS;
        for (uint32_t c = 0; c < CW_HEADS && w->link_up; c++) {
            tell_beat(w, c);
        }
    }
    if (w->now.mono.ms >= w->readings_ms) {
        w->readings_ms = w->now.mono.ms + CW_READINGS_MS;
        tell_probes(w);
    }
    for (int n = 0; n < 64 && mono_since(core_wakes_at(w->core), w->now.mono) <= 0; n++) {
        cw_tell(w, &tick);
    }
}

void cw_pass(struct core_world *w, int64_t span_ms)
{
    const int64_t end_ms = w->now.mono.ms + span_ms;
    while (w->now.mono.ms < end_ms && !w->full) {
        const int64_t next_ms = next_instant(w, end_ms), step_ms = next_ms - w->now.mono.ms;
        w->now.mono.ms += step_ms;
        w->now.civil.ms += step_ms;
        w->moved_on_ms += step_ms;
        turn(w);
    }
}

/* --- lives ------------------------------------------------------------------------------------ */

void cw_start(struct core_world *w)
{
    w->identity.boot = "board";
    struct text by = text_over(w->identity.by, sizeof w->identity.by);
    text_add_char(&by, 'd');
    text_add_int(&by, ++w->lives);
    w->core = core_init(w->block, w->site, &w->identity, w->now);
    const uint32_t count = w->record_count;
    for (uint32_t i = 0; i < count; i++) {
        core_restore(w->core, &w->record[i], w->record_at[i]);
    }
    w->link_up = false;
    w->journal_ok = true;
    core_restored(w->core, count == 0, w->now, &actions);
    perform(w);
    w->relink = true;
    w->relink_ms = w->now.mono.ms + 500;
    memset(w->read_at, 0, sizeof w->read_at);
    for (uint32_t t = 0; t < CW_TANKS; t++) {
        for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
            w->read_at[t][q].ms = -DAY_MS;
        }
    }
}

void cw_crash(struct core_world *w)
{
    cw_start(w);
}

void cw_reload(struct core_world *w)
{
    if (!core_quiet(w->core)) return;
    struct core *fresh = core_init(w->spare, w->site, &w->identity, w->now);
    core_reload(fresh, w->core, w->now, &actions);
    w->spare = w->block;
    w->block = fresh;
    w->core = fresh;
    perform(w);
}

void cw_remember(struct core_world *w, const struct record *record)
{
    keep(w, record);
}

static void make_head(struct core_world *w, uint32_t c)
{
    struct head_config config = {
        .boot = "boot-0", .beat_ms = CW_BEAT_MS, .max_run_ms = 120000, .max_circulate_ms = 600000
    };
    config.count = w->site->chain[c].count;
    for (uint32_t m = 0; m < config.count; m++) {
        const struct chain_module_config *module = &w->site->chain[c].module[m];
        config.module[m] = (struct chain_module){
            .position = module->position, .channels = 4, .circulation = true
        };
        text_copy(config.module[m].serial, CHAIN_WORD_MAX, module->serial);
    }
    head_init(&w->head[c], &config);
    w->head_zero_ms[c] = w->now.mono.ms;
}

/* Asked for once: taking that much anew for each input would cost more than the input. */
static void take_memory(struct core_world *w)
{
    static struct core_world kept;
    if (!kept.block) {
        kept.block = malloc(core_size(w->site));
        kept.spare = malloc(core_size(w->site));
        kept.record = malloc(CW_RECORDS_MAX * sizeof *w->record);
        kept.record_at = malloc(CW_RECORDS_MAX * sizeof *w->record_at);
        kept.move = malloc(CW_MOVES_MAX * sizeof *w->move);
        HOLDS(kept.block && kept.spare && kept.record && kept.record_at && kept.move);
    }
    w->block = kept.block;
    w->spare = kept.spare;
    w->record = kept.record;
    w->record_at = kept.record_at;
    w->move = kept.move;
}

/* The site is one and the same; the keys of its world are what an input makes of them. */
static struct site own;

void cw_want_signatures(struct core_world *w)
{
    static const char *const names[CW_KEYS] = { "phone", "hub" };
    HOLDS(w->site == &own);
    memcpy(own.signer, names, sizeof names);
    own.signer_count = CW_KEYS;
}

void cw_open(struct core_world *w, const struct site *site)
{
    memset(w, 0, sizeof *w);
    HOLDS(site->tank_count == CW_TANKS && site->chain_count == CW_HEADS);
    if (own.tank != site->tank) own = *site;
    own.signer_count = 0;
    w->site = &own;
    w->now = (struct now){ { 2 * DAY_MS }, { INT64_C(1932897600000) }, CLOCK_SYNCED };
    w->beat_ms = w->readings_ms = w->now.mono.ms;
    take_memory(w);
    for (uint32_t c = 0; c < CW_HEADS; c++) {
        make_head(w, c);
    }
    for (uint32_t t = 0; t < CW_TANKS; t++) {
        w->water[t] = (struct cw_water){ 600, 5.8, 20, false };
    }
}
