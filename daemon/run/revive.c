/* The journal brings back what must not be forgotten. The seeded worlds link this file, too. */
#include "daemon/run/daemon.h"
#include "lib/base/text.h"
#include "lib/journal/recover.h"

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
    const char *boot;
    int64_t seq;
    if (!link_header(record, &seq, &at, &boot)) return;
    at.mono.ms = recover_place(&recovery->line, boot, at);
    recovery->records++;
    if (record_is(record, "announced"))
        (void)text_copy(
            recovery->daemon->announced, ANNOUNCED_MAX, record_text_or_empty(record, "prefix"));
    core_restore(recovery->daemon->core, record, at);
}

enum err daemon_open_journal(struct daemon *d, struct journal_report *ret, struct problem *problem)
{
    struct recovery recovery = { .daemon = d };
    recover_init(&recovery.line);
    const struct journal_options options = { .dir = d->config->journal_dir,
        .keep_days = d->config->keep_days,
        .boot = d->boot,
        .now = d->now };
    const enum err err =
        journal_open(&d->journal, &options, restore_record, &recovery, ret, problem);
    if (err != ERR_NONE) return err;
    d->line_ms = recovery.records > 0 ? -recover_shift(&recovery.line, d->boot, d->now) : 0;
    if (ret->damaged) {
        struct record damage;
        record_start(&damage, "damage");
        core_restore(d->core, &damage, daemon_core_now(d));
    }
    return ERR_NONE;
}
