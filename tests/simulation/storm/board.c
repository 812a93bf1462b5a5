/* A daemon on its board: what daemon/run/loop.c and run.c do, around the real way from the core to
 * the journal and the broker (daemon/run/perform.c). */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/config/config_bind.h"
#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

enum {
    LINK_AFTER_MS = 200,
    SYNC_MOST_MS = 20,
    SYNC_SLOW_MS = 30000,
    BEAT_EVERY_MS = 5000,
};

/* --- start ------------------------------------------------------------------------------------ */

static void die(struct board *b, int64_t down_ms);

/* What a reload and a start have in common with run.c: the journal, or the reason why not. */
static enum err open_journal(struct board *b)
{
    struct daemon *d = &b->daemon;
    struct journal_report report;
    struct problem problem;
    const enum err err = daemon_open_journal(d, &report, &problem);
    if (err != ERR_NONE) {
        world_say(b->world, "daemon %u: %s: %s", b->index, problem.where, problem.text);
        return err;
    }
    if (report.damaged && b->cut) observe_disk_holes(b->world->observer, b->index);
    b->cut = false;
    platter_show_anew(b);
    config_adopt(d->config, d->core, &d->config->site);
    core_restored(d->core, report.records == 0, daemon_core_now(d), d->actions);
    daemon_perform(d);
    return ERR_NONE;
}

/* Outputs of boards that have no head: the daemon's own way to them. */
static void open_relays(struct board *b, const struct site *site, struct relays **ret)
{
    struct problem problem;
    char boot[CHAIN_WORD_MAX];
    (void)snprintf(boot, sizeof boot, "r%u-%u", b->index, ++b->relay_boots);
    const struct relays_start start = { .site = site, .boot = boot, .now = b->daemon.now.mono };
    if (relays_open(ret, &start, &problem) != ERR_NONE) abort();
}

/* As its file says now. */
static struct config *read_file(struct board *b, uint32_t variant)
{
    struct variant *own = &b->own[b->own_at ^= 1];
    *own = b->world->premises.variant[variant];
    own->config.site.tank = own->tank;
    return &own->config;
}

static void start(struct board *b)
{
    struct daemon *d = &b->daemon;
    disk_use(b->disk);
    struct actions *actions = d->actions;
    struct line *lines = d->lines;
    void *block = d->block;
    memset(d, 0, sizeof *d);
    d->actions = actions;
    d->lines = lines;
    d->block = block;
    d->config = read_file(b, b->variant);
    d->now = clock_of(b);
    (void)text_copy(d->boot, sizeof d->boot, b->boot);
    (void)snprintf(d->identity.by, sizeof d->identity.by, "%08x-%u",
        (unsigned)(prng_next(&b->chance) & 0xffffffff), ++b->starts);
    d->identity.boot = d->boot;
    const struct now zero = { .civil = d->now.civil, .clock = d->now.clock };
    d->core = core_init(d->block, &d->config->site, &d->identity, zero);
    d->mqtt = &b->mqtt;
    b->alive = true;
    b->start_ms = INT64_MAX;
    b->sync_ms = INT64_MAX;
    b->reload = -1;
    b->failed = false;
    memset(b->head_boot, 0, sizeof b->head_boot);
    b->mqtt.up = false;
    b->mqtt.dead_ms = INT64_MAX;
    b->mqtt.try_ms = b->world->t_ms + LINK_AFTER_MS;
    world_say(b->world, "daemon %u starts as %s", b->index, d->identity.by);
    observe_life(b->world->observer, b->index, d->identity.by, true, b->world->t_ms);
    observe_rules(b->world->observer, b->index, &b->world->premises.variant[b->variant].rules,
        b->world->t_ms);
    open_relays(b, &d->config->site, &d->relays);
    if (open_journal(b) != ERR_NONE) {
        disk_kill(b->disk);
        die(b, 5000 + prng_below(&b->chance, 60000));
        return;
    }
    relays_recall(d->relays, d->core);
    board_tell_zone(b->world, b->index, b->zone_ms);
}

/* --- one pass of the loop --------------------------------------------------------------------- */

static void tell_link(struct board *b)
{
    struct daemon *d = &b->daemon;
    if (b->mqtt.up == d->link_up) return;
    d->link_up = b->mqtt.up;
    observe_link(b->world->observer, b->index, b->world->t_ms);
    daemon_tell_link(d);
    if (d->link_up) net_subscribed(b->world, b->index);
}

/* The daemon sees that a connection is gone, in a pass of its own, before it has another one,
 * however long it didn't look. */
static void check_link(struct board *b)
{
    const int64_t now_ms = b->world->t_ms;
    if (b->mqtt.dead_ms <= now_ms) board_lose_link(b->world, b->index, 1000);
    if (!b->mqtt.up && b->daemon.link_up && b->mqtt.try_ms <= now_ms) b->mqtt.try_ms = now_ms + 1;
    if (!b->mqtt.up && b->mqtt.try_ms <= now_ms) {
        const bool in = net_accepts(b->world, b->index);
        b->mqtt.up = in;
        b->mqtt.number += in;
        b->mqtt.try_ms = in ? INT64_MAX : now_ms + 1000 + prng_below(&b->chance, 4000);
    }
    tell_link(b);
}

static int64_t sync_most_ms(const struct board *b)
{
    return weather_lasts(&b->world->weather, FAULT_DISK_SLOW) ? SYNC_SLOW_MS : SYNC_MOST_MS;
}

/* It fails from the first call that was refused until one passes. */
static void tell_disk(struct board *b)
{
    const int64_t bad = disk_failed(b->disk, DISK_WRITE) + disk_failed(b->disk, DISK_SYNC);
    const int64_t all = disk_calls_of(b->disk, DISK_WRITE) + disk_calls_of(b->disk, DISK_SYNC);
    if (all == b->disk_calls) return;
    observe_disk_fails(b->world->observer, b->index, bad > b->disk_failed, b->world->t_ms);
    b->disk_calls = all;
    b->disk_failed = bad;
}

/* The thread works when the disk's time has come; until then all that is written waits. */
static void check_disk(struct board *b)
{
    struct daemon *d = &b->daemon;
    struct problem problem;
    if (b->sync_ms <= b->world->t_ms) {
        disk_turn(b->disk);
        b->sync_ms = INT64_MAX;
        platter_show(b);
        if (!journal_failed(d->journal, &problem)) observe_halt_kept(b->world->observer, b->index);
    }
    tell_disk(b);
    if (b->sync_ms == INT64_MAX && !journal_failed(d->journal, &problem) &&
        journal_synced(d->journal) < journal_tip(d->journal).seq)
        b->sync_ms = b->world->t_ms + 1 + prng_below(&b->chance, sync_most_ms(b));
}

/* --- a new configuration, as daemon/run/renew.c takes it over
 * --------------------------------------
 */

static void renew(struct board *b)
{
    struct daemon *d = &b->daemon;
    if (b->reload < 0 || !core_quiet(d->core) || d->held_count > 0) return;
    const struct rules *rules = &b->world->premises.variant[b->reload].rules;
    struct config *next = read_file(b, (uint32_t)b->reload);
    b->reload = -1;
    config_adopt(next, d->core, &d->config->site);
    struct core *fresh = core_init(b->spare, &next->site, &d->identity, daemon_core_now(d));
    struct relays *relays;
    open_relays(b, &next->site, &relays);
    daemon_exchange(d, fresh, relays);
    b->spare = d->block;
    d->block = fresh;
    d->config = next;
    daemon_perform(d);
    observe_rules(b->world->observer, b->index, rules, b->world->t_ms);
    board_tell_zone(b->world, b->index, b->zone_ms);
    world_say(b->world, "daemon %u has another configuration", b->index);
}

void board_reload(struct world *w, uint32_t board, uint32_t variant)
{
    struct board *b = &w->board[board];
    b->variant = variant;
    b->reload = b->alive ? (int32_t)variant : -1;
}

void board_tell_zone(struct world *w, uint32_t board, int64_t offset_ms)
{
    struct board *b = &w->board[board];
    b->zone_ms = offset_ms;
    for (uint32_t i = 0; b->alive && i < b->daemon.config->site.tank_count; i++) {
        static struct event e;
        e.kind = EVENT_ZONES;
        e.zone.tank = i;
        e.zone.offset_ms = offset_ms;
        disk_use(b->disk);
        b->daemon.now = clock_of(b);
        daemon_step(&b->daemon, &e);
    }
}

/* --- the pass ----------------------------------------------------------------------------------
 */

/* Another daemon of the site hears that this one lives. */
static void beat(struct board *b)
{
    struct world *w = b->world;
    if (!b->daemon.active || !b->mqtt.up || b->beat_ms > w->t_ms) return;
    b->beat_ms = w->t_ms + BEAT_EVERY_MS;
    static struct event e;
    e.kind = EVENT_PEER_BEAT;
    e.peer.same_site = true;
    (void)text_copy(e.peer.by, sizeof e.peer.by, b->daemon.identity.by);
    for (uint32_t i = 0; i < BOARDS; i++) {
        if (i != b->index) net_tell(w, i, CHAINS_MOST, &e);
    }
}

static void pass(struct board *b)
{
    struct daemon *d = &b->daemon;
    disk_use(b->disk);
    d->now = clock_of(b);
    check_link(b);
    daemon_tick(d);
    check_disk(b);
    daemon_check_journal(d);
    daemon_release(d);
    daemon_turn_relays(d);
    renew(b);
    check_link(b);
    check_disk(b);
    beat(b);
}

/* --- what happens to it ----------------------------------------------------------------------- */

void board_hear(struct world *w, uint32_t board, const struct event *event)
{
    struct board *b = &w->board[board];
    struct daemon *d = &b->daemon;
    if (!b->alive || !d->link_up) return;
    if (event->kind == EVENT_READING && event->reading.tank >= d->config->site.tank_count) return;
    disk_use(b->disk);
    d->now = clock_of(b);
    world_mark(w, (uint64_t)w->t_ms * 16 + (uint64_t)event->kind);
    daemon_step(d, event);
    ear_tell(w, board, event);
    pass(b);
}

void board_hear_word(struct world *w, uint32_t board, const struct relay_word *word)
{
    struct board *b = &w->board[board];
    struct daemon *d = &b->daemon;
    if (!b->alive || !d->link_up || word->tank >= d->config->site.tank_count) return;
    disk_use(b->disk);
    d->now = clock_of(b);
    const struct plain_place *p = &w->premises.plain[word->tank][word->output];
    relays_hear(d->relays, p->chain, p->position, word->on, d->now.mono);
    const struct fact_order fact = { word->tank, word->output, word->on, "", 0 };
    observe_word(w->observer, board, &fact, w->t_ms);
    pass(b);
}

void board_ask(struct world *w, uint32_t board, const struct event_request *request)
{
    struct board *b = &w->board[board];
    static struct event e;
    e.kind = EVENT_REQUEST;
    e.request = *request;
    disk_use(b->disk);
    b->daemon.now = clock_of(b);
    if (request->kind == REQUEST_HALT && errand_trusted(w, request)) {
        world_say(w, "daemon %u: %s", board, request->on ? "halt" : "release");
        observe_halt(w->observer, board, request->on, w->t_ms);
    }
    errand_tell(w, board, request);
    calibrator_says(w, board, request);
    if (request->kind == REQUEST_CLAIM)
        observe_claim_told(w->observer, board, request->chain, w->t_ms);
    daemon_step(&b->daemon, &e);
    pass(b);
}

static void die(struct board *b, int64_t down_ms)
{
    world_say(b->world, "daemon %u dies", b->index);
    b->stalled_ms = 0;
    b->alive = false;
    relays_close(b->daemon.relays);
    b->daemon.relays = NULL;
    b->mqtt.up = false;
    b->mqtt.number++;
    b->start_ms = b->world->t_ms + down_ms;
    b->sync_ms = INT64_MAX;
    observe_life(b->world->observer, b->index, b->daemon.identity.by, false, b->world->t_ms);
}

void board_kill(struct world *w, uint32_t board, int64_t down_ms)
{
    struct board *b = &w->board[board];
    if (!b->there) return;
    disk_kill(b->disk);
    die(b, down_ms);
}

void board_power_cut(struct world *w, uint32_t board, int64_t down_ms)
{
    struct board *b = &w->board[board];
    if (!b->there) return;
    disk_power_cut(b->disk, prng_next(&b->chance));
    b->cut = true;
    die(b, down_ms);
    clock_boot(b);
}

void board_stall(struct world *w, uint32_t board, int64_t span_ms)
{
    struct board *b = &w->board[board];
    if (!b->alive) return;
    b->stall_ms = w->t_ms;
    b->stalled_ms = w->t_ms + span_ms;
    if (span_ms > ALIVE_MS) b->mqtt.dead_ms = b->stalled_ms;
}

void board_lose_link(struct world *w, uint32_t board, int64_t retry_ms)
{
    struct board *b = &w->board[board];
    b->mqtt.dead_ms = INT64_MAX;
    if (!b->alive || !b->mqtt.up) return;
    b->mqtt.up = false;
    b->mqtt.number++;
    b->mqtt.try_ms = w->t_ms + retry_ms;
}

/* A connection that heard nothing for too long is dead. */
void boards_thaw(struct world *w)
{
    const int64_t frozen_ms = w->t_ms - w->frozen_ms;
    for (uint32_t i = 0; i < BOARDS && frozen_ms > ALIVE_MS; i++) {
        board_lose_link(w, i, 500);
    }
}

void board_arrive(struct world *w, uint32_t board)
{
    struct board *b = &w->board[board];
    b->there = true;
    b->start_ms = w->t_ms;
}

void board_leave(struct world *w, uint32_t board)
{
    board_kill(w, board, 0);
    w->board[board].there = false;
    w->board[board].start_ms = INT64_MAX;
}

/* --- all of them ------------------------------------------------------------------------------ */

/* The second has the same file and a disk of its own. */
static void init_board(struct world *w, uint32_t i)
{
    struct board *b = &w->board[i];
    size_t room = 0;
    for (uint32_t v = 0; v < VARIANTS; v++) { /* higher limits have longer windows */
        const size_t size = core_size(&w->premises.variant[v].config.site);
        if (size > room) room = size;
    }
    b->world = w;
    b->index = i;
    b->start_ms = INT64_MAX;
    b->reload = -1;
    b->chance = prng_seed(w->options.seed * 131 + i);
    b->mqtt = (struct mqtt){ .world = w, .board = i, .try_ms = INT64_MAX, .dead_ms = INT64_MAX };
    b->disk = disk_new();
    b->daemon.block = malloc(room);
    b->spare = malloc(room);
    b->daemon.actions = calloc(1, sizeof *b->daemon.actions);
    b->daemon.lines = calloc(LINES_MAX, sizeof *b->daemon.lines);
    if (!b->daemon.block || !b->spare || !b->daemon.actions || !b->daemon.lines) abort();
}

void boards_init(struct world *w)
{
    for (uint32_t i = 0; i < BOARDS; i++) {
        init_board(w, i);
    }
    for (uint32_t i = 0; i < BOARDS; i++) {
        clock_boot(&w->board[i]);
    }
    w->board[0].there = true;
    w->board[0].start_ms = w->t_ms + 1000;
}

void boards_done(struct world *w)
{
    for (uint32_t i = 0; i < BOARDS; i++) {
        struct board *b = &w->board[i];
        disk_free(b->disk);
        relays_close(b->daemon.relays);
        free(b->daemon.block);
        free(b->spare);
        free(b->daemon.actions);
        free(b->daemon.lines);
    }
}

static int64_t beat_due(const struct world *w, const struct board *b)
{
    const bool heard = w->board[1 - b->index].alive;
    return heard && b->daemon.active && b->mqtt.up ? b->beat_ms : INT64_MAX;
}

static int64_t board_due(const struct board *b)
{
    if (!b->there) return INT64_MAX;
    if (!b->alive) return b->start_ms;
    const struct daemon *d = &b->daemon;
    int64_t due_ms = b->booted_ms + daemon_due(d).ms;
    if (b->sync_ms < due_ms) due_ms = b->sync_ms;
    if (b->mqtt.try_ms < due_ms) due_ms = b->mqtt.try_ms;
    if (b->mqtt.dead_ms < due_ms) due_ms = b->mqtt.dead_ms;
    if (beat_due(b->world, b) < due_ms) due_ms = beat_due(b->world, b);
    if (b->loop_ms < due_ms) due_ms = b->loop_ms;
    return due_ms < b->stalled_ms ? b->stalled_ms : due_ms;
}

int64_t boards_due(const struct world *w)
{
    int64_t due_ms = INT64_MAX;
    for (uint32_t i = 0; i < BOARDS; i++) {
        if (board_due(&w->board[i]) < due_ms) due_ms = board_due(&w->board[i]);
    }
    return due_ms;
}

/* It dies again and again, shortly after each start. */
static void loop(struct world *w, struct board *b)
{
    const bool loops = weather_lasts(&w->weather, FAULT_CRASH_LOOP) && b->index == 0;
    b->loop_ms = w->t_ms + 1000 + prng_below(&b->chance, loops ? 60000 : 10 * MINUTE_MS);
    if (loops) board_kill(w, b->index, 2000);
}

void boards_turn(struct world *w)
{
    for (uint32_t i = 0; i < BOARDS; i++) {
        struct board *b = &w->board[i];
        if (board_due(b) > w->t_ms) continue;
        if (!b->alive) start(b);
        if (b->alive) pass(b);
        if (b->alive && b->loop_ms <= w->t_ms) loop(w, b);
    }
}
