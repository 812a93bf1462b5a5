/* What a pass of the loop does with the core, the journal and plain outputs, wherever messages come
 * from. The seeded worlds link this file, too. */
#include <string.h>

#include "daemon/run/daemon.h"
#include "lib/base/text.h"

void daemon_tell_link(struct daemon *d)
{
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_LINK;
    e.link_up = d->link_up;
    daemon_step(d, &e);
}

void daemon_tick(struct daemon *d)
{
    const struct event e = { .kind = EVENT_TICK };
    for (int n = 0; n < TICKS_MOST; n++) {
        if (mono_since(core_wakes_at(d->core), daemon_core_now(d).mono) > 0) return;
        daemon_step(d, &e);
    }
}

static void tell_journal(struct daemon *d, bool ok, const char *why)
{
    d->journal_told = !ok;
    struct event e;
    memset(&e, 0, sizeof e);
    e.kind = EVENT_JOURNAL;
    e.journal.ok = ok;
    text_copy(e.journal.why, sizeof e.journal.why, why);
    daemon_step(d, &e);
}

static void board_event(void *context, const struct event *event)
{
    daemon_step(context, event);
}

void daemon_turn_relays(struct daemon *d)
{
    const struct relays_core core = { .context = d, .event = board_event };
    relays_turn(d->relays, d->mqtt, d->link_up && d->active, &core, d->now.mono);
}

void daemon_check_journal(struct daemon *d)
{
    struct problem problem;
    if (d->journal_told && journal_recovered(d->journal, d->now)) tell_journal(d, true, "");
    if (!d->journal_told && journal_failed(d->journal, &problem))
        tell_journal(d, false, problem.text);
    if (!journal_turned(d->journal)) return;
    uint32_t cursor = 0;
    while (core_carry(d->core, &cursor, daemon_core_now(d), d->actions)) {
        daemon_perform(d);
    }
    if (d->announced[0]) daemon_record_announced(d);
}

struct mono daemon_due(const struct daemon *d)
{
    struct mono due = mono_after(core_wakes_at(d->core), -d->line_ms);
    due = mono_sooner(due, relays_due(d->relays));
    if (d->held_count > 0)
        due = mono_sooner(due, mono_after(d->held[d->held_first].since, HELD_LATE_MS));
    return due;
}

void daemon_exchange(struct daemon *d, struct core *core, struct relays *relays)
{
    if (d->active && d->link_up) relays_off(d->relays, d->mqtt); /* also what is no output now */
    core_reload(core, d->core, daemon_core_now(d), d->actions);
    relays_recall(relays, core);
    relays_close(d->relays);
    d->relays = relays;
    d->core = core;
}
