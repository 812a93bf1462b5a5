#include "lib/chain/plain_head.h"

#include <string.h>

#include "lib/base/invariant.h"

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

void plain_head_init(struct plain_head *h, const struct chain_config *config, const char *boot)
{
    memset(h, 0, sizeof *h);
    (void)text_copy(h->boot, sizeof h->boot, boot);
    h->config = config;
    h->count = config->count;
    h->max_run_ms = h->max_circulate_ms = 1;
    for (uint32_t i = 0; i < h->count; i++) {
        const struct plain_output *o = config->module[i].plain;
        INVARIANT(o && plain_longest_ms(o) > 0);
        struct plain_line *line = &h->line[i];
        line->output = o;
        plain_watch_init(&line->watch, o->state_topic != NULL, 0);
        int64_t *most_ms = o->circulation ? &h->max_circulate_ms : &h->max_run_ms;
        if (plain_longest_ms(o) > *most_ms) *most_ms = plain_longest_ms(o);
    }
}

/* --- what is reported to the core ------------------------------------------------------------- */

static struct chain_report answer(
    const struct plain_head *h, const char *id, enum chain_state state)
{
    struct chain_report r = { .state = state, .up_ms = h->up_ms };
    (void)text_copy(r.id, sizeof r.id, id);
    (void)text_copy(r.boot, sizeof r.boot, h->boot);
    return r;
}

static void report(struct plain_head *h, const struct chain_report *r)
{
    if (h->report_count < PLAIN_REPORTS_MAX) h->report[h->report_count++] = *r;
}

static void refuse(struct plain_head *h, const char *id, enum chain_reason reason)
{
    struct chain_report r = answer(h, id, CHAIN_REFUSED);
    r.reason = reason;
    report(h, &r);
}

bool plain_head_take(struct plain_head *h, struct chain_report *ret)
{
    if (h->report_count == 0) return false;
    *ret = h->report[0];
    h->report_count--;
    memmove(&h->report[0], &h->report[1], h->report_count * sizeof h->report[0]);
    return true;
}

void plain_head_roll(const struct plain_head *h, struct chain_roll *ret)
{
    memset(ret, 0, sizeof *ret);
    (void)text_copy(ret->boot, sizeof ret->boot, h->boot);
    ret->epoch = 1;
    ret->beat_ms = PLAIN_BEAT_MS;
    ret->max_run_ms = h->max_run_ms;
    ret->max_circulate_ms = h->max_circulate_ms;
    ret->count = h->count;
    for (uint32_t i = 0; i < h->count; i++) {
        struct chain_module *m = &ret->module[i];
        m->position = i + 1;
        m->channels = 1;
        m->circulation = h->line[i].output->circulation;
        (void)text_copy(m->serial, sizeof m->serial, h->config->module[i].serial);
    }
}

/* --- runs ------------------------------------------------------------------------------------- */

/* What was switched off ran until its report of that at most, and no longer than the board lets it:
 * the message may have been late, or we. */
static int64_t seen_ms(const struct plain_line *line)
{
    const int64_t till_ms =
        sooner(line->watch.turned_ms - line->since_ms, line->output->auto_off_ms);
    return till_ms > line->run_ms ? till_ms : line->run_ms;
}

static void report_end(
    struct plain_head *h, struct plain_line *line, enum chain_state state, bool unsure)
{
    struct chain_report r = answer(h, line->id, state);
    const bool seen = state == CHAIN_DONE && line->ending && !unsure;
    r.ran_ms = state == CHAIN_DONE ? line->run_ms : sooner(h->up_ms - line->since_ms, line->run_ms);
    if (seen) r.ran_ms = seen_ms(line);
    r.unsure = unsure;
    INVARIANT(r.ran_ms >= 0);
    line->ending = false;
    report(h, &r);
}

/* A dose that its board ends isn't cut short by our "off". */
static bool ends_itself(const struct plain_line *line)
{
    return line->output->unit != PLAIN_SWITCHED && !line->output->circulation;
}

/* What ended early did so by our word; nobody knows whether the board heard it. */
static void end(struct plain_head *h, struct plain_line *line, enum chain_state state)
{
    INVARIANT(line->running);
    const bool done = state == CHAIN_DONE, switched = line->output->unit == PLAIN_SWITCHED;
    line->running = line->told_running = false;
    plain_watch_end(&line->watch, done && ends_itself(line), h->up_ms);
    if (done && switched && line->watch.reports && !line->output->circulation) {
        line->ending = true;
        line->ended_ms = h->up_ms;
        return;
    }
    report_end(h, line, state, !done);
}

/* Has it been off since, by its own word? */
static void look_at_end(struct plain_head *h, struct plain_line *line)
{
    const struct plain_watch *w = &line->watch;
    if (!line->ending) return;
    const bool off = w->heard && !w->on && !w->awaited;
    if (off || h->up_ms - line->ended_ms >= PLAIN_CONFIRM_MS) report_end(h, line, CHAIN_DONE, !off);
}

/* position >= 1 */
static bool circulates(const struct plain_head *h, uint32_t position)
{
    if (position > h->count) return false;
    const struct plain_line *line = &h->line[position - 1];
    return line->running && line->output->circulation;
}

static void drop_needy(struct plain_head *h)
{
    for (uint32_t i = 0; i < h->count; i++) {
        struct plain_line *line = &h->line[i];
        if (line->running && line->needs > 0 && !circulates(h, line->needs))
            end(h, line, CHAIN_STOPPED);
    }
}

/* Each output that 'serial' names ("": all) is told to be off, whether it is known to run or not.
 */
static void stop(struct plain_head *h, const char *serial)
{
    for (uint32_t i = 0; i < h->count; i++) {
        struct plain_line *line = &h->line[i];
        if (serial[0] && !text_same(h->config->module[i].serial, serial)) continue;
        if (line->running)
            end(h, line, CHAIN_STOPPED);
        else
            plain_watch_end(&line->watch, false, h->up_ms);
        if (line->ending) report_end(h, line, CHAIN_DONE, true);
    }
    drop_needy(h);
}

void plain_head_lost(struct plain_head *h)
{
    stop(h, "");
    for (uint32_t i = 0; i < h->count; i++) {
        plain_watch_lost(&h->line[i].watch, h->up_ms);
    }
}

static void start(struct plain_head *h, const struct chain_command *c, struct plain_line *line)
{
    if (line->running) report_end(h, line, CHAIN_DONE, false); /* circulation goes on */
    line->running = true;
    line->told_running = false;
    (void)text_copy(line->id, sizeof line->id, c->id);
    line->since_ms = h->up_ms;
    line->run_ms = c->run_ms;
    line->needs = c->action == CHAIN_DOSE ? c->needs.position : 0;
    plain_watch_begin(&line->watch, h->up_ms);
}

void plain_head_unsent(struct plain_head *h, uint32_t line)
{
    struct plain_line *l = &h->line[line];
    INVARIANT(line < h->count && l->running);
    l->running = false;
    plain_watch_end(&l->watch, false, h->up_ms);
    drop_needy(h);
}

/* --- commands --------------------------------------------------------------------------------- */

/* The output that a command is about, with the reason why it may not start. */
static enum chain_reason judge(
    const struct plain_head *h, const struct chain_command *c, uint32_t *ret_line)
{
    const uint32_t i = c->position - 1;
    if (!text_same(c->by, h->claim.by) || c->reign != h->claim.reign) return CHAIN_OTHER_REIGN;
    if (!text_same(c->boot, h->boot)) return CHAIN_OTHER_BOOT;
    if (c->until_ms < h->up_ms) return CHAIN_EXPIRED;
    if (c->position < 1 || c->position > h->count) return CHAIN_NO_MODULE;
    if (!text_same(c->serial, h->config->module[i].serial)) return CHAIN_OTHER_SERIAL;
    const struct plain_line *line = &h->line[i];
    if (line->output->circulation != (c->action == CHAIN_CIRCULATE)) return CHAIN_NO_CHANNEL;
    if (h->halted) return CHAIN_HALTED;
    if (c->run_ms > plain_longest_ms(line->output)) return CHAIN_TOO_LONG;
    if (c->action == CHAIN_DOSE && c->needs.position > 0 && !circulates(h, c->needs.position))
        return CHAIN_NO_CIRCULATION;
    if (line->by_hand || line->ending) return CHAIN_BUSY;
    if (line->running && c->action != CHAIN_CIRCULATE) return CHAIN_BUSY;
    *ret_line = i;
    return CHAIN_NO_REASON;
}

static void stop_or_halt(struct plain_head *h, const struct chain_command *c)
{
    const bool halt = c->action == CHAIN_HALT;
    h->halted = h->halted || halt;
    stop(h, halt ? "" : c->serial);
}

static void resume(struct plain_head *h, const struct chain_command *c)
{
    if (text_same(c->by, h->claim.by) && c->reign == h->claim.reign) h->halted = false;
}

void plain_head_command(
    struct plain_head *h, const struct chain_command *command, uint32_t *ret_starts)
{
    uint32_t line = CHAIN_MODULES_MAX;
    enum chain_reason reason = CHAIN_NO_REASON;
    switch (command->action) {
    case CHAIN_STOP:
    case CHAIN_HALT:
        stop_or_halt(h, command);
        break;
    case CHAIN_RESUME:
        resume(h, command);
        break;
    case CHAIN_IDENTIFY:
        refuse(h, command->id, CHAIN_NO_CHANNEL);
        break;
    case CHAIN_DOSE:
    case CHAIN_CIRCULATE:
        reason = judge(h, command, &line);
        if (reason == CHAIN_NO_REASON)
            start(h, command, &h->line[line]);
        else
            refuse(h, command->id, reason);
        break;
    }
    *ret_starts = line;
}

void plain_head_claim(struct plain_head *h, const struct chain_claim *claim)
{
    stop(h, "");
    h->claim = *claim;
}

/* --- what the board says ---------------------------------------------------------------------- */

static void tell_hand(struct plain_head *h, uint32_t line)
{
    h->hand_line = line;
    h->hand_told_ms = h->up_ms;
    h->manual_n++;
    h->manual_changed = true;
}

/* It is on without a command: that is liquid, too, and counts as a run by hand. */
static void look_by_hand(struct plain_head *h, uint32_t i)
{
    struct plain_line *line = &h->line[i];
    int64_t since_ms;
    if (line->by_hand) {
        line->hand_ms += h->up_ms - line->hand_since_ms;
        line->hand_since_ms = h->up_ms;
        if (line->watch.on) return;
        line->by_hand = false;
        tell_hand(h, i);
    } else if (plain_watch_by_hand(&line->watch, h->up_ms, &since_ms)) {
        line->by_hand = true;
        line->hand_ms += h->up_ms - since_ms;
        line->hand_since_ms = h->up_ms;
        tell_hand(h, i);
    }
}

/* That a circulation runs is reported when the board says so, where it says anything. */
static void look_at_run(struct plain_head *h, struct plain_line *line)
{
    if (!line->running) return;
    if (line->output->circulation && plain_watch_lacks(&line->watch, h->up_ms)) {
        end(h, line, CHAIN_STOPPED);
        return;
    }
    const bool seen = line->watch.on && !line->watch.awaited;
    const bool waits = line->output->circulation && line->watch.reports && !seen;
    if (line->told_running || waits) return;
    line->told_running = true;
    const struct chain_report r = answer(h, line->id, CHAIN_RUNNING);
    report(h, &r);
}

static void look(struct plain_head *h)
{
    for (uint32_t i = 0; i < h->count; i++) {
        look_at_end(h, &h->line[i]);
        look_at_run(h, &h->line[i]);
        look_by_hand(h, i);
        if (h->line[i].by_hand && h->up_ms - h->hand_told_ms >= PLAIN_HAND_TELL_MS) tell_hand(h, i);
    }
    drop_needy(h);
}

void plain_head_hear(struct plain_head *h, uint32_t line, bool on)
{
    INVARIANT(line < h->count);
    look_by_hand(h, line); /* until now it ran as it was */
    plain_watch_hear(&h->line[line].watch, on, h->up_ms);
    look(h);
}

void plain_head_manual(const struct plain_head *h, struct chain_manual *ret)
{
    memset(ret, 0, sizeof *ret);
    (void)text_copy(ret->boot, sizeof ret->boot, h->boot);
    ret->n = h->manual_n;
    uint32_t shown = h->hand_line;
    for (uint32_t i = 0; i < h->count; i++) {
        const struct plain_line *line = &h->line[i];
        if (line->by_hand && !h->line[shown].by_hand) shown = i;
        if (line->hand_ms == 0) continue;
        const uint32_t n = ret->count++;
        (void)text_copy(
            ret->total[n].serial, sizeof ret->total[n].serial, h->config->module[i].serial);
        ret->total[n].channel = line->output->circulation ? 0 : 1;
        ret->total[n].ms = line->hand_ms;
    }
    const struct plain_line *line = &h->line[shown];
    ret->running = line->by_hand;
    (void)text_copy(ret->serial, sizeof ret->serial, h->config->module[shown].serial);
    ret->channel = line->output->circulation ? 0 : 1;
    ret->ran_ms = line->by_hand ? line->hand_ms : 0;
}

/* --- time ------------------------------------------------------------------------------------- */

void plain_head_advance(struct plain_head *h, int64_t up_ms)
{
    INVARIANT(up_ms >= h->up_ms);
    h->up_ms = up_ms;
    for (uint32_t i = 0; i < h->count; i++) {
        struct plain_line *line = &h->line[i];
        if (line->running && up_ms - line->since_ms >= line->run_ms) end(h, line, CHAIN_DONE);
    }
    look(h);
}

int64_t plain_head_due_ms(const struct plain_head *h)
{
    int64_t due_ms = PLAIN_NEVER_MS;
    for (uint32_t i = 0; i < h->count; i++) {
        const struct plain_line *line = &h->line[i];
        due_ms = sooner(due_ms, plain_watch_due_ms(&line->watch, h->up_ms));
        if (line->running) due_ms = sooner(due_ms, line->since_ms + line->run_ms);
        if (line->ending) due_ms = sooner(due_ms, line->ended_ms + PLAIN_CONFIRM_MS);
        if (line->by_hand) due_ms = sooner(due_ms, h->hand_told_ms + PLAIN_HAND_TELL_MS);
    }
    return due_ms;
}
