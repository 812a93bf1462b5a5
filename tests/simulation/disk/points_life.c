/* The lives: what is written when, and what is known of it from outside. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/disk/points.h"

/* clang-format off */
const struct script points_script[] = {
    { "first start", BEGIN_EMPTY, .from = 0, .to = 30, .sync_every = 1 },
    { "records synced together", BEGIN_EMPTY, .from = 0, .to = 40, .sync_every = 5 },
    { "second start", BEGIN_STOPPED, .from = 30, .to = 50, .sync_every = 1 },
    { "midnight", BEGIN_STOPPED, .from = 40, .to = 64, .sync_every = 2, .day_at = 52 },
    { "midnight while a sync hangs", BEGIN_STOPPED, .from = 40, .to = 60, .sync_every = 1, .day_at = 48, .hold_at = 44, .let_at = 54 },
    { "after a kill", BEGIN_KILLED, .from = 74, .to = 96, .sync_every = 3 },
    { "after a power cut", BEGIN_CUT, .from = 74, .to = 92, .sync_every = 1 },
    { "after a torn end", BEGIN_TORN, .from = 60, .to = 80, .sync_every = 2 },
    { "a torn end, a later day", BEGIN_TORN, .from = 60, .to = 76, .sync_every = 1, .day_at = 60 },
    { "after damage at the end", BEGIN_ROTTEN_END, .from = 60, .to = 72, .sync_every = 1 },
    { "after damage", BEGIN_ROTTEN, .from = 60, .to = 76, .sync_every = 1 },
    { "old days are removed", BEGIN_DAYS, .from = 74, .to = 88, .sync_every = 1, .day_at = 80 },
    { "a full disk and room again", BEGIN_STOPPED, .from = 30, .to = 60, .sync_every = 1, .full_at = 36, .room_at = 52 },
    { "full to the last byte, and room again", BEGIN_STOPPED, .from = 30, .to = 60, .sync_every = 1, .full_at = 36, .room_at = 40, .full_again = true },
    { "a sync fails", BEGIN_STOPPED, .from = 30, .to = 44, .sync_every = 1, .fails = DISK_SYNC, .fail_at = 36, .error = EIO },
    { "a write fails", BEGIN_STOPPED, .from = 30, .to = 44, .sync_every = 1, .fails = DISK_WRITE, .fail_at = 36, .error = EIO },
    { "writes are short", BEGIN_STOPPED, .from = 30, .to = 44, .sync_every = 2, .fails = DISK_WRITE, .fail_at = 36 },
};
/* clang-format on */
const int points_scripts = sizeof points_script / sizeof points_script[0];

enum { DAYS = 6, DAYS_EACH = 12 };
static const char dir[] = "journal";

/* --- what is written -------------------------------------------------------------------------- */

static int pump_of(const struct source *s, const struct record *r)
{
    const struct site *site = &s->world->site;
    for (uint32_t t = 0; t < site->tank_count; t++) {
        if (!text_same(site->tank[t].key, record_text_or_empty(r, "tank"))) continue;
        for (uint32_t p = 0; p < site->tank[t].pump_count; p++) {
            const char *stock = site->stock[site->tank[t].pump[p].stock].key;
            if (text_same(stock, record_text_or_empty(r, "stock")))
                return (int)(t * WORLD_PUMPS + p);
        }
    }
    return -1;
}

/* What became of a dose, as far as a later record tells. */
static int64_t moved_ul(const struct source *s, int dose)
{
    const struct record *r = &s->world->record[dose];
    int64_t ul = 0;
    (void)record_int(r, "ul", &ul);
    for (int i = dose + 1; i < s->count; i++) {
        const struct record *later = &s->world->record[i];
        if (record_is(later, "outcome") &&
            text_same(record_text_or_empty(later, "id"), record_text_or_empty(r, "id")))
            (void)record_int(later, "ul", &ul);
    }
    return ul;
}

static int dose_before(const struct source *s, int outcome)
{
    const struct record *r = &s->world->record[outcome];
    for (int i = outcome - 1; record_is(r, "outcome") && i >= 0; i--) {
        const struct record *dose = &s->world->record[i];
        if (record_is(dose, "dose") &&
            text_same(record_text_or_empty(dose, "id"), record_text_or_empty(r, "id")))
            return i;
    }
    return -1;
}

void source_make(struct source *s)
{
    s->world = malloc(sizeof *s->world);
    if (!s->world) abort();
    world_init(s->world, 7, NULL);
    world_run(s->world, 11 * MINUTE_MS);
    world_crash(s->world); /* while doses are on their way */
    world_run(s->world, 11 * MINUTE_MS);
    world_crash(s->world);
    world_run(s->world, 3 * MINUTE_MS);
    s->count = (int)s->world->record_count;
    if (s->count > SOURCE_MOST) abort();
    for (int i = 0; i < s->count; i++) {
        const struct record *r = &s->world->record[i];
        s->pump[i] = record_is(r, "dose") ? pump_of(s, r) : -1;
        s->dose[i] = dose_before(s, i);
        s->ul[i] = s->pump[i] >= 0 ? moved_ul(s, i) : 0;
    }
}

void source_free(struct source *s)
{
    world_free(s->world);
    free(s->world);
}

/* --- before ----------------------------------------------------------------------------------- */

static enum err open_journal(struct life *l)
{
    struct journal_report report;
    const struct journal_options options = {
        .dir = dir, .keep_days = l->keep_days, .boot = l->boot, .now = l->now
    };
    const enum err err = journal_open(&l->journal, &options, NULL, NULL, &report, NULL);
    if (err == ERR_NONE) l->damaged = report.damaged;
    return err;
}

/* What wasn't recorded wasn't sent, and has no outcome. */
static bool has_happened(const struct life *l, int record)
{
    const int dose = l->source->dose[record];
    const enum beginning begin = l->script->begin;
    const bool may_be_lost = begin == BEGIN_CUT || begin == BEGIN_TORN || begin == BEGIN_ROTTEN_END;
    if (dose < 0 || (dose < l->script->from && !may_be_lost)) return true;
    for (int i = 0; i < l->taken; i++) {
        if (l->item[i].record == dose) return true;
    }
    return false;
}

static void append(struct life *l, int record)
{
    if (l->opened && !has_happened(l, record)) return;
    struct record r = l->source->world->record[record];
    struct problem problem;
    int64_t seq = 0;
    l->now.mono = l->source->world->record_at[record].mono;
    if (journal_append(l->journal, &r, l->now, &seq, NULL, &problem) != ERR_NONE) return;
    if (l->taken == TAKEN_MOST) abort();
    l->item[l->taken].record = record;
    l->item[l->taken].seq = seq;
    l->item[l->taken++].may_move =
        l->source->pump[record] >= 0 && !journal_failed(l->journal, &problem);
}

static struct civil next_day(struct civil at)
{
    return (struct civil){ (at.ms / DAY_MS + 1) * DAY_MS };
}

static void find_newest(struct life *l, char *ret_path, size_t room)
{
    const char *name;
    for (size_t i = 0; (name = disk_name(l->disk, dir, i)); i++) {
        if (strncmp(name, "journal-", 8) == 0) (void)text_copy(l->torn_in, sizeof l->torn_in, name);
    }
    struct text t = text_over(ret_path, room);
    text_add(&t, dir);
    text_add_char(&t, '/');
    text_add(&t, l->torn_in);
}

/* The newest record loses its end, as by a write that was cut short, or one of its bits. */
static void hurt_newest(struct life *l)
{
    char path[96];
    find_newest(l, path, sizeof path);
    size_t size = 0, last = 0;
    const char *bytes = disk_bytes(l->disk, path, &size);
    char *hurt = malloc(size);
    if (!hurt) abort();
    memcpy(hurt, bytes, size);
    for (size_t i = 0; i + 1 < size; i++) {
        if (hurt[i] == '\n') last = i + 1;
    }
    if (l->script->begin == BEGIN_TORN) {
        size -= 100;
        l->torn_bytes = size - last;
        l->torn = malloc(l->torn_bytes);
        if (!l->torn) abort();
        memcpy(l->torn, hurt + last, l->torn_bytes);
    } else {
        hurt[last + 40] = (char)(hurt[last + 40] ^ 1);
    }
    disk_put(l->disk, path, hurt, size);
    free(hurt);
}

static void hear(void *context)
{
    struct life *l = context;
    if (!l->journal) return;
    const int64_t synced = journal_synced(l->journal);
    if (synced > l->synced) l->synced = synced;
    l->failed = journal_failed(l->journal, NULL);
}

static void write_before(struct life *l, enum beginning begin, int count)
{
    if (open_journal(l) != ERR_NONE) abort();
    for (int i = 0; i < count; i++) {
        if (begin == BEGIN_DAYS && i % DAYS_EACH == DAYS_EACH - 1) l->now.civil.ms += DAY_MS;
        append(l, i);
        if (begin == BEGIN_KILLED && i == count - 4) l->now.civil = next_day(l->now.civil);
        if (begin != BEGIN_KILLED && begin != BEGIN_CUT) disk_turn(l->disk);
        if (i < count - 8) disk_turn(l->disk); /* the last ones weren't synced */
        hear(l);
    }
    if (begin != BEGIN_KILLED && begin != BEGIN_CUT) journal_close(l->journal);
}

/* What of it must still be there: not what has rotted, was torn off or is old. */
static void keep_known(struct life *l)
{
    const enum beginning begin = l->script->begin;
    if (begin == BEGIN_ROTTEN || begin == BEGIN_DAYS) l->taken = 0;
    if (begin == BEGIN_TORN || begin == BEGIN_ROTTEN_END) l->synced--;
    if (begin == BEGIN_KILLED) return; /* all of it is found */
    while (l->taken > 0 && l->item[l->taken - 1].seq > l->synced) {
        l->taken--;
    }
}

void life_begin(struct life *l, const struct script *script, const struct source *source)
{
    char path[96];
    *l = (struct life){ .script = script, .source = source, .disk = disk_new(), .boot = "board-0" };
    l->keep_days = 400;
    disk_use(l->disk);
    l->now = source->world->record_at[0]; /* a minute before midnight */
    l->now.civil.ms = (l->now.civil.ms / DAY_MS + 1) * DAY_MS - MINUTE_MS;
    if (script->begin != BEGIN_EMPTY) write_before(l, script->begin, script->from);
    if (script->begin == BEGIN_CUT)
        disk_power_cut(l->disk, 12);
    else
        disk_kill(l->disk);
    if (script->begin == BEGIN_TORN || script->begin == BEGIN_ROTTEN_END) hurt_newest(l);
    find_newest(l, path, sizeof path);
    for (uint64_t seed = 1; script->begin == BEGIN_ROTTEN && seed < 4; seed++) {
        (void)disk_rot(l->disk, path, seed);
    }
    if (script->begin == BEGIN_CUT) l->boot = "board-1";
    l->journal = NULL;
    l->keep_days = 2;
    keep_known(l);
}

/* --- the life --------------------------------------------------------------------------------- */

static void meet(struct life *l, int i)
{
    const struct script *s = l->script;
    if (s->day_at > 0 && i == s->day_at) l->now.civil = next_day(l->now.civil);
    if (s->hold_at > 0 && i == s->hold_at) disk_hold_syncs(l->disk, true);
    if (s->let_at > 0 && i == s->let_at) disk_hold_syncs(l->disk, false);
    const bool full = i == s->full_at || (s->full_again && i > s->full_at && i < s->room_at);
    if (s->full_at > 0 && full) disk_set_room(l->disk, 100);
    if (s->room_at > 0 && i == s->room_at) disk_set_room(l->disk, -1);
    if (s->fail_at > 0 && i == s->fail_at) {
        const struct disk_fault fault = { s->fails, .from = 1, .count = s->error != 0 ? 1 : 0,
            .error = s->error };
        disk_fail(l->disk, &fault);
    }
}

void life_run(void *context)
{
    struct life *l = context;
    const struct script *s = l->script;
    if (s->day_at == s->from) l->now.civil = next_day(l->now.civil);
    l->now.mono = l->source->world->record_at[s->from].mono;
    if (open_journal(l) != ERR_NONE) return;
    l->opened = true;
    disk_watch(l->disk, hear, l);
    for (int i = s->from; i < s->to; i++) {
        if (i > s->from || s->day_at != i) meet(l, i);
        l->now.civil.ms += 10;
        append(l, i);
        if (i % s->sync_every == 0) disk_turn(l->disk);
        hear(l);
        (void)journal_recovered(l->journal, l->now);
    }
    struct journal *ending = l->journal;
    l->journal = NULL; /* nobody looks any more */
    journal_close(ending);
}
