/* A head's answer to a command: the contract's refusals in their order, then the deed. */
#include "lib/base/invariant.h"
#include "lib/base/text.h"
#include "lib/plant/head_inside.h"

/* --- refusals --------------------------------------------------------------------------------- */

static const struct head_module *module_at(const struct head *h, uint32_t position)
{
    for (uint32_t m = 0; m < h->count; m++) {
        if (h->module[m].info.position == position) return &h->module[m];
    }
    return NULL;
}

/* Which output a command is about; an identify without a channel ticks the circulation pump. */
static uint32_t output_of(const struct chain_command *c)
{
    return c->action == CHAIN_CIRCULATE ? (uint32_t)CHAIN_CIRCULATION_CHANNEL : c->channel;
}

/* Everything that its action can't do without is there. Stop and halt need only an id. */
static bool is_whole(const struct chain_command *c)
{
    if (c->action == CHAIN_STOP || c->action == CHAIN_HALT) return true;
    if (c->by[0] == '\0' || c->boot[0] == '\0') return false;
    if (c->action == CHAIN_RESUME) return true;
    if (c->position == 0 || c->serial[0] == '\0') return false;
    if (c->action == CHAIN_IDENTIFY) return true;
    if (c->run_ms <= 0) return false;
    return c->action == CHAIN_CIRCULATE || c->channel > 0;
}

static bool needs_met(const struct head *h, const struct chain_command *c)
{
    if (c->action != CHAIN_DOSE || c->needs.position == 0) return true;
    const struct head_module *m = module_at(h, c->needs.position);
    return m && text_same(m->info.serial, c->needs.serial) &&
           m->output[CHAIN_CIRCULATION_CHANNEL].running;
}

static bool has_channel(const struct chain_module *m, const struct chain_command *c)
{
    const uint32_t channel = output_of(c);
    return channel == CHAIN_CIRCULATION_CHANNEL ? m->circulation : channel <= m->channels;
}

static int64_t longest_run_ms(const struct head *h, const struct chain_command *c)
{
    switch (c->action) {
    case CHAIN_DOSE:
        return h->max_run_ms;
    case CHAIN_CIRCULATE:
        return h->max_circulate_ms;
    case CHAIN_STOP:
    case CHAIN_HALT:
    case CHAIN_RESUME:
    case CHAIN_IDENTIFY: /* never runs longer than its tick */
        break;
    }
    return INT64_MAX;
}

/* A circulation by command is replaced without a pause; all else waits for its turn. */
static bool in_use(const struct head_run *run, const struct chain_command *c)
{
    return run->running && (run->by_hand || c->action != CHAIN_CIRCULATE);
}

/* What a module may have against it. */
static enum chain_reason judge_run(const struct head *h, const struct chain_command *c)
{
    const struct head_module *m = module_at(h, c->position);
    if (!m) return CHAIN_NO_MODULE;
    if (!text_same(m->info.serial, c->serial)) return CHAIN_OTHER_SERIAL;
    if (!has_channel(&m->info, c)) return CHAIN_NO_CHANNEL;
    if (head_is_halted(h)) return CHAIN_HALTED;
    if (c->run_ms > longest_run_ms(h, c)) return CHAIN_TOO_LONG;
    if (!needs_met(h, c)) return CHAIN_NO_CIRCULATION;
    if (m->fault) return CHAIN_FAULT;
    return in_use(&m->output[output_of(c)], c) ? CHAIN_BUSY : CHAIN_NO_REASON;
}

/* An id that can't be remembered must not run, and neither may its copy, later, when there is room.
 */
static bool shut_out(const struct head *h, const struct chain_command *c)
{
    return c->until_ms <= h->shut_until_ms || !head_can_remember(h);
}

/* All commands but stop and halt; malformed ones and duplicates are answered already. */
static enum chain_reason judge(const struct head *h, const struct chain_command *c)
{
    const struct chain_claim *claim = &h->claim;
    if (!text_same(c->by, claim->by) || c->reign != claim->reign) return CHAIN_OTHER_REIGN;
    if (!text_same(c->boot, h->boot)) return CHAIN_OTHER_BOOT;
    if (c->epoch != h->epoch) return CHAIN_OTHER_EPOCH;
    if (c->until_ms < h->up_ms || c->until_ms - h->up_ms > CHAIN_UNTIL_MOST_MS)
        return CHAIN_EXPIRED;
    enum chain_reason reason = CHAIN_NO_REASON;
    if (c->action != CHAIN_RESUME) reason = judge_run(h, c);
    return reason == CHAIN_NO_REASON && shut_out(h, c) ? CHAIN_BUSY : reason;
}

/* --- deeds ------------------------------------------------------------------------------------ */

static struct chain_report answer(const struct chain_command *c, enum chain_state state)
{
    struct chain_report r = { .state = state };
    text_copy(r.id, sizeof r.id, c->id);
    return r;
}

/* Into the ledger and the memory, before anything moves. */
static void accept(struct head *h, const struct chain_command *c, enum chain_state state)
{
    const struct chain_report r = answer(c, state);
    head_enter(h, &r);
    /* stop and halt have no time of their own: the ledger alone remembers them */
    if (c->action != CHAIN_STOP && c->action != CHAIN_HALT) head_remember(h, c, &r);
    h->accepted = *c;
    h->command_changed = true;
}

static void start(struct head *h, const struct chain_command *command)
{
    struct chain_command c = *command;
    if (c.action == CHAIN_IDENTIFY && (c.run_ms == 0 || c.run_ms > HEAD_IDENTIFY_MS))
        c.run_ms = HEAD_IDENTIFY_MS;
    accept(h, command, CHAIN_RUNNING);
    for (uint32_t m = 0; m < h->count; m++) {
        if (h->module[m].info.position != c.position) continue;
        struct head_run *run = &h->module[m].output[output_of(&c)];
        if (run->running) head_end(h, run, CHAIN_DONE, false); /* replaced without a pause */
        head_begin(run, h, &c);
    }
    head_report(h, answer(&c, CHAIN_RUNNING));
}

static void stop_module(struct head *h, uint32_t module, uint32_t channel)
{
    if (channel > 0) {
        if (channel <= h->module[module].info.channels) head_still(h, module, channel);
        return;
    }
    for (uint32_t c = 1; c <= h->module[module].info.channels; c++) {
        head_still(h, module, c);
    }
    head_still(h, module, CHAIN_CIRCULATION_CHANNEL);
}

/* Without a serial the whole chain stops, whatever else the message says. */
static void stop(struct head *h, const struct chain_command *c)
{
    accept(h, c, CHAIN_DONE);
    for (uint32_t m = 0; m < h->count; m++) {
        if (c->serial[0] == '\0')
            stop_module(h, m, 0);
        else if (text_same(h->module[m].info.serial, c->serial))
            stop_module(h, m, c->channel);
    }
    head_drop_needy(h);
    head_report(h, answer(c, CHAIN_DONE));
}

static void halt(struct head *h, const struct chain_command *c)
{
    accept(h, c, CHAIN_DONE);
    h->halted = true;
    head_stop_all(h);
    head_report(h, answer(c, CHAIN_DONE));
}

static void act(struct head *h, const struct chain_command *c)
{
    switch (c->action) {
    case CHAIN_DOSE:
    case CHAIN_CIRCULATE:
    case CHAIN_IDENTIFY:
        start(h, c);
        break;
    case CHAIN_STOP:
        stop(h, c);
        break;
    case CHAIN_HALT:
        halt(h, c);
        break;
    case CHAIN_RESUME:
        accept(h, c, CHAIN_DONE);
        h->halted = false;
        head_report(h, answer(c, CHAIN_DONE));
        break;
    }
}

/* --- the door --------------------------------------------------------------------------------- */

static struct chain_report refusal(const struct chain_command *c, enum chain_reason reason)
{
    struct chain_report r = answer(c, CHAIN_REFUSED);
    r.reason = reason;
    return r;
}

void head_command(struct head *h, const struct chain_command *command, bool malformed)
{
    if (!chain_id_valid(command->id)) {
        head_drop(h);
        return;
    }
    if (malformed || !is_whole(command)) {
        head_report(h, refusal(command, CHAIN_MALFORMED));
        return;
    }
    const struct chain_report *first = head_recall(h, command->id);
    if (first) {
        struct chain_report r = *first;
        r.reason = CHAIN_DUPLICATE;
        head_report(h, r);
        return;
    }
    if (command->action == CHAIN_STOP || command->action == CHAIN_HALT) {
        act(h, command);
        return;
    }
    const enum chain_reason reason = judge(h, command);
    if (reason == CHAIN_NO_REASON) {
        act(h, command);
        return;
    }
    const struct chain_report r = refusal(command, reason);
    /* A command for another boot can never run here: it needs no place. */
    if (text_same(command->boot, h->boot)) head_remember(h, command, &r);
    head_report(h, r);
}

void head_drop(struct head *h)
{
    h->dropped++;
}
