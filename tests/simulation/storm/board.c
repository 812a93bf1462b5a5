/* A daemon on its board: what daemon/loop.c and run.c do, around the real way from the core to the
 * journal and the broker (daemon/perform.c). */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/journal/recover.h"
#include "tests/simulation/storm/world.h"

enum {
    LINK_AFTER_MS = 200,
    SYNC_MOST_MS = 20,
    TICKS_AT_ONCE = 4096,
};

/* --- clocks ----------------------------------------------------------------------------------- */

static struct now clock_of(const struct board *b)
{
    return (struct now){ { b->world->t_ms - b->booted_ms }, { b->world->t_ms + b->civil_ms },
        b->trust };
}

static void boot(struct board *b)
{
    b->booted_ms = b->world->t_ms - 5000;
    (void)snprintf(b->boot, sizeof b->boot, "board-%u-%u", b->index, ++b->boots);
}

/* --- start ------------------------------------------------------------------------------------ */

struct recovery {
    struct daemon *daemon;
    struct recover_line line;
    int64_t records;
};

static void restore_record(void *context, const struct record *record, const char *line)
{
    (void)line;
    struct recovery *recovery = context;
    struct now at;
    const char *boot_word;
    int64_t seq;
    if (!link_header(record, &seq, &at, &boot_word)) return;
    at.mono.ms = recover_place(&recovery->line, boot_word, at);
    recovery->records++;
    core_restore(recovery->daemon->core, record, at);
}

static void look_at_disk(struct board *b)
{
    size_t count;
    const char *bytes = store_durable(b->store, &count);
    observe_disk(b->world->observer, b->index, bytes, count, b->world->t_ms);
}

static void open_journal(struct board *b)
{
    struct daemon *d = &b->daemon;
    struct recovery recovery = { .daemon = d };
    recover_init(&recovery.line);
    const struct journal_options options = { .dir = d->config->journal_dir,
        .keep_days = d->config->keep_days,
        .boot = d->boot,
        .now = d->now };
    struct journal_report report;
    struct problem problem;
    store_use(b->store);
    if (journal_open(&d->journal, &options, restore_record, &recovery, &report, &problem) !=
        ERR_NONE) {
        observe_breach(b->world->observer, "I7", b->world->t_ms, problem.text);
        return;
    }
    d->line_ms = recovery.records > 0 ? -recover_shift(&recovery.line, d->boot, d->now) : 0;
    core_restored(d->core, recovery.records == 0, daemon_core_now(d), d->actions);
    daemon_perform(d);
}

static void start(struct board *b)
{
    struct daemon *d = &b->daemon;
    struct actions *actions = d->actions;
    struct line *lines = d->lines;
    void *block = d->block;
    memset(d, 0, sizeof *d);
    d->actions = actions;
    d->lines = lines;
    d->block = block;
    d->config = &b->world->premises.variant[0].config;
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
    b->mqtt.up = false;
    b->mqtt.try_ms = b->world->t_ms + LINK_AFTER_MS;
    world_say(b->world, "daemon %u starts as %s", b->index, d->identity.by);
    observe_life(b->world->observer, b->index, true, b->world->t_ms);
    observe_rules(b->world->observer, b->index, &b->world->premises.variant[0].rules);
    open_journal(b);
}

/* --- one pass of the loop --------------------------------------------------------------------- */

static void tell(struct daemon *d, enum event_kind kind, bool flag)
{
    static struct event e;
    e.kind = kind;
    if (kind == EVENT_LINK) e.link_up = flag;
    daemon_step(d, &e);
}

static void check_link(struct board *b)
{
    struct daemon *d = &b->daemon;
    if (!b->mqtt.up && b->mqtt.try_ms <= b->world->t_ms) {
        b->mqtt.up = true;
        b->mqtt.number++;
        b->mqtt.try_ms = INT64_MAX;
    }
    if (b->mqtt.up == d->link_up) return;
    d->link_up = b->mqtt.up;
    tell(d, EVENT_LINK, d->link_up);
    if (d->link_up) net_subscribed(b->world, b->index);
}

static void tick(struct daemon *d)
{
    const struct event e = { .kind = EVENT_TICK };
    for (int n = 0; n < TICKS_AT_ONCE; n++) {
        if (mono_since(core_wakes_at(d->core), daemon_core_now(d).mono) > 0) return;
        daemon_step(d, &e);
    }
}

static void check_disk(struct board *b)
{
    if (b->sync_ms <= b->world->t_ms) {
        store_sync(b->store);
        b->sync_ms = INT64_MAX;
        look_at_disk(b);
        observe_halt_kept(b->world->observer, b->index);
    }
    if (b->sync_ms == INT64_MAX && store_wants_sync(b->store))
        b->sync_ms = b->world->t_ms + 1 + prng_below(&b->chance, SYNC_MOST_MS);
}

static void pass(struct board *b)
{
    struct daemon *d = &b->daemon;
    d->now = clock_of(b);
    check_link(b);
    tick(d);
    check_disk(b);
    daemon_release(d);
    check_link(b);
    check_disk(b);
}

/* --- what happens to it ----------------------------------------------------------------------- */

void board_hear(struct world *w, uint32_t board, const struct event *event)
{
    struct board *b = &w->board[board];
    struct daemon *d = &b->daemon;
    if (!b->alive || !d->link_up) return;
    d->now = clock_of(b);
    world_mark(w, (uint64_t)w->t_ms * 16 + (uint64_t)event->kind);
    daemon_step(d, event);
    if (event->kind == EVENT_READING) {
        const struct probe_config *p =
            &d->config->site.tank[event->reading.tank].probe[event->reading.quantity];
        const bool usable = event->reading.verdict == PROBE_OK && !event->reading.retained &&
                            event->reading.number >= p->least && event->reading.number <= p->most;
        observe_reading(w->observer, board, event->reading.tank, (uint32_t)event->reading.quantity,
            usable, w->t_ms);
    }
    for (uint32_t i = 0; event->kind == EVENT_MANUAL && i < event->manual.count; i++) {
        observe_hand_heard(w->observer, board, event->manual.total[i].serial,
            event->manual.total[i].channel, event->manual.total[i].ms, w->t_ms);
    }
    pass(b);
}

void board_ask(struct world *w, uint32_t board, const struct event_request *request)
{
    struct board *b = &w->board[board];
    static struct event e;
    e.kind = EVENT_REQUEST;
    e.request = *request;
    b->daemon.now = clock_of(b);
    if (request->kind == REQUEST_HALT) {
        world_say(w, "daemon %u: %s", board, request->on ? "halt" : "release");
        observe_halt(w->observer, board, request->on, w->t_ms);
    }
    daemon_step(&b->daemon, &e);
    pass(b);
}

static void die(struct board *b, int64_t down_ms)
{
    b->alive = false;
    b->mqtt.up = false;
    b->mqtt.number++;
    b->start_ms = b->world->t_ms + down_ms;
    b->sync_ms = INT64_MAX;
    observe_life(b->world->observer, b->index, false, b->world->t_ms);
}

void board_kill(struct world *w, uint32_t board, int64_t down_ms)
{
    struct board *b = &w->board[board];
    if (!b->there) return;
    store_kill(b->store);
    die(b, down_ms);
}

void board_power_cut(struct world *w, uint32_t board, int64_t down_ms)
{
    struct board *b = &w->board[board];
    if (!b->there) return;
    store_power_cut(b->store, prng_next(&b->chance));
    die(b, down_ms);
    observe_disk_anew(w->observer, board);
    look_at_disk(b);
    boot(b);
}

/* --- all of them ------------------------------------------------------------------------------ */

void boards_init(struct world *w)
{
    for (uint32_t i = 0; i < BOARDS; i++) {
        struct board *b = &w->board[i];
        b->world = w;
        b->index = i;
        b->there = i == 0;
        b->start_ms = INT64_MAX;
        if (!b->there) continue;
        b->chance = prng_seed(w->options.seed * 131 + i);
        b->civil_ms = INT64_C(1930000000000);
        b->trust = CLOCK_SYNCED;
        b->store = store_new();
        b->mqtt.world = w;
        b->mqtt.board = i;
        b->daemon.block = malloc(core_size(world_site(w)));
        b->daemon.actions = calloc(1, sizeof *b->daemon.actions);
        b->daemon.lines = calloc(LINES_MAX, sizeof *b->daemon.lines);
        if (!b->daemon.block || !b->daemon.actions || !b->daemon.lines) abort();
        boot(b);
        b->start_ms = w->t_ms + 1000;
    }
}

void boards_done(struct world *w)
{
    for (uint32_t i = 0; i < BOARDS; i++) {
        struct board *b = &w->board[i];
        store_free(b->store);
        free(b->daemon.block);
        free(b->daemon.actions);
        free(b->daemon.lines);
    }
}

static int64_t board_due(const struct board *b)
{
    if (!b->there) return INT64_MAX;
    if (!b->alive) return b->start_ms;
    const struct daemon *d = &b->daemon;
    int64_t due_ms = b->booted_ms - d->line_ms + core_wakes_at(d->core).ms;
    if (b->sync_ms < due_ms) due_ms = b->sync_ms;
    if (b->mqtt.try_ms < due_ms) due_ms = b->mqtt.try_ms;
    if (d->held_count > 0) {
        const int64_t late_ms = b->booted_ms + d->held[d->held_first].since.ms + HELD_LATE_MS;
        if (late_ms < due_ms) due_ms = late_ms;
    }
    return due_ms;
}

int64_t boards_due(const struct world *w)
{
    int64_t due_ms = INT64_MAX;
    for (uint32_t i = 0; i < BOARDS; i++) {
        if (board_due(&w->board[i]) < due_ms) due_ms = board_due(&w->board[i]);
    }
    return due_ms;
}

void boards_turn(struct world *w)
{
    for (uint32_t i = 0; i < BOARDS; i++) {
        struct board *b = &w->board[i];
        if (board_due(b) > w->t_ms) continue;
        if (!b->alive) start(b);
        pass(b);
    }
}
