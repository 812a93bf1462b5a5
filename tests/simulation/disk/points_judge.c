/* The judge: opens what a crash left with the real code, hands it to a real core, and compares with
 * what was known outside: what was said to be on disk, and what the pumps moved. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "lib/journal/recover.h"
#include "tests/simulation/disk/points.h"

static const char dir[] = "journal";
static const char other_boot[] = "board-9";

enum { PUMPS = WORLD_TANKS * WORLD_PUMPS, FOUND_MOST = 256 };

struct found { /* what the recovery hands out */
    const struct life *life;
    struct core *core;
    struct recover_line line;
    int count;
    int64_t seq[FOUND_MOST];
    int record[FOUND_MOST]; /* of the source, by its own word; -1: none of them */
    int64_t dosed_ul[PUMPS];
    bool recovery, damage, pruned;
    int64_t damage_after; /* the lowest after_seq of a 'damage' record */
};

static struct verdict *verdict; /* of the point that is looked at */

static void wrong(const char *what, int64_t number)
{
    if (verdict->what[0]) return;
    struct text t = text_over(verdict->what, sizeof verdict->what);
    text_add(&t, what);
    text_add_char(&t, ' ');
    text_add_int(&t, number);
}

/* --- reading it back -------------------------------------------------------------------------- */

/* The same in all that the core said? The header is the journal's. */
static bool is_same(const struct record *a, const struct record *b)
{
    for (uint32_t i = 0; i < a->count; i++) {
        const struct record_field *f = &a->field[i];
        const char *text = "", *other = "";
        int64_t number = 0;
        double real = 0, other_real = 1;
        if (f->kind == FIELD_TEXT) {
            if (!record_text(a, f->key, &text) || !record_text(b, f->key, &other)) return false;
            if (!text_same(text, other)) return false;
        } else if (f->kind == FIELD_INTEGER) {
            if (!record_int(b, f->key, &number) || number != f->number) return false;
        } else if (f->kind == FIELD_DECIMAL) {
            (void)record_real(a, f->key, &real);
            if (!record_real(b, f->key, &other_real) ||
                memcmp(&real, &other_real, sizeof real) != 0)
                return false;
        }
    }
    return true;
}

static int dose_of(const struct found *f, const char *id)
{
    for (int i = 0; i < f->life->source->count; i++) {
        const struct record *r = &f->life->source->world->record[i];
        if (f->life->source->pump[i] >= 0 && text_same(record_text_or_empty(r, "id"), id)) return i;
    }
    return -1;
}

/* By the records alone: what a dose without an outcome, or with an unsure one, counts as. */
static void count_dose(struct found *f, const struct record *r)
{
    int64_t ul = 0, full = 0;
    bool unsure = false;
    const int dose = dose_of(f, record_text_or_empty(r, "id"));
    if (dose < 0 || !record_int(r, "ul", &ul)) return;
    const int pump = f->life->source->pump[dose];
    if (record_is(r, "dose")) f->dosed_ul[pump] += ul;
    if (!record_is(r, "outcome")) return;
    (void)record_truth(r, "unsure", &unsure);
    (void)record_int(&f->life->source->world->record[dose], "ul", &full);
    if (!unsure || ul > full) f->dosed_ul[pump] += ul - full;
}

static void find(void *context, const struct record *r, const char *line)
{
    struct found *f = context;
    struct now at;
    const char *boot;
    int64_t seq;
    (void)line;
    if (!link_header(r, &seq, &at, &boot)) {
        wrong("a record without a header was handed out, after", f->count);
        return;
    }
    at.mono.ms = recover_place(&f->line, boot, at);
    core_restore(f->core, r, at);
    count_dose(f, r);
    f->recovery = f->recovery || record_is(r, "recovery");
    int64_t after = 0;
    if (record_is(r, "damage") && record_int(r, "after_seq", &after)) {
        if (!f->damage || after < f->damage_after) f->damage_after = after;
        f->damage = true;
    }
    f->pruned = f->pruned || record_is(r, "pruned");
    if (f->count == FOUND_MOST) abort();
    if (f->count > 0 && seq <= f->seq[f->count - 1]) wrong("out of order: record", seq);
    f->seq[f->count] = seq;
    f->record[f->count] = -1;
    for (int i = 0; i < f->life->taken && f->record[f->count] < 0; i++) {
        const int record = f->life->item[i].record;
        if (f->life->item[i].seq == seq && is_same(&f->life->source->world->record[record], r))
            f->record[f->count] = record;
    }
    f->count++;
}

/* --- what was known outside ------------------------------------------------------------------- */

static bool has(const struct found *f, int64_t seq, int record)
{
    for (int i = 0; i < f->count; i++) {
        if (f->seq[i] == seq) return f->record[i] == record;
    }
    return false;
}

static void judge_records(const struct found *f)
{
    const struct life *l = f->life;
    for (int i = 0; i < l->taken; i++) {
        if (l->item[i].seq > l->synced) break;
        if (!has(f, l->item[i].seq, l->item[i].record))
            wrong("was said to be on disk and is lost: record", l->item[i].seq);
    }
}

/* Of each pump at least what it moved counts; without damage exactly what the records say. */
static void judge_limits(const struct found *f, struct now now, bool damaged)
{
    const struct life *l = f->life;
    const bool all = l->script->begin != BEGIN_DAYS; /* else some are older than an hour */
    int64_t moved_ul[PUMPS] = { 0 };
    for (int i = 0; i < l->taken; i++) {
        if (l->item[i].seq <= l->synced && l->item[i].may_move)
            moved_ul[l->source->pump[l->item[i].record]] += l->source->ul[l->item[i].record];
    }
    for (uint32_t t = 0; t < WORLD_TANKS; t++) {
        struct tank_view view;
        core_view_tank(f->core, t, now, &view);
        for (uint32_t p = 0; p < WORLD_PUMPS; p++) {
            const uint32_t at = t * WORLD_PUMPS + p;
            const int64_t counts = view.pump[p].hour_ul;
            if (counts < moved_ul[at])
                wrong("moved more than what counts, by uL", moved_ul[at] - counts);
            if (all && counts < f->dosed_ul[at])
                wrong("recorded more than what counts, by uL", f->dosed_ul[at] - counts);
            if (damaged && counts < view.pump[p].hour_limit_ul)
                wrong("damaged, and not used up: pump", at);
            if (all && !damaged && !f->damage && counts > f->dosed_ul[at] && f->dosed_ul[at] > 0)
                wrong("counts more than was recorded, by uL", counts - f->dosed_ul[at]);
        }
    }
}

/* Nothing is sent because of what was found: the chain hasn't been heard yet. */
static void judge_silence(const struct found *f, struct now now)
{
    static struct actions actions;
    const struct event tick = { .kind = EVENT_TICK };
    for (int n = 0; n < 8; n++) {
        now.mono.ms += 500;
        core_step(f->core, &tick, now, &actions);
        for (uint32_t i = 0; i < actions.count; i++) {
            if (actions.item[i].kind == ACTION_SEND)
                wrong("sent before the chain was heard, at", n);
        }
    }
}

/* --- what is on the disk ---------------------------------------------------------------------- */

static const char *read_below(const struct disk *d, const char *name, const char *more, size_t *ret)
{
    char path[160];
    struct text t = text_over(path, sizeof path);
    text_add(&t, dir);
    text_add_char(&t, '/');
    text_add(&t, name);
    text_add(&t, more);
    return disk_bytes(d, path, ret);
}

static bool is_segment(const char *name)
{
    const size_t length = strlen(name);
    return strncmp(name, "journal-", 8) == 0 && strcmp(name + length - 6, ".jsonl") == 0;
}

/* The end that is gone stands in a file beside it, the newest one of them. */
static bool kept_aside(const struct disk *after, const char *name, const char *end, size_t count)
{
    for (int n = 1; n < 20; n++) {
        char more[24];
        size_t size = 0;
        struct text t = text_over(more, sizeof more);
        text_add(&t, ".torn-");
        text_add_int(&t, n);
        const char *bytes = read_below(after, name, more, &size);
        if (bytes && size == count && memcmp(bytes, end, count) == 0) return true;
    }
    return false;
}

/* What was there still is, byte for byte: but for a torn end, and what was removed for its age. */
static void judge_files(const struct disk *left, const struct disk *after, bool pruned,
    const struct journal_report *report)
{
    const char *name;
    int cut = 0;
    for (size_t i = 0; (name = disk_name(left, dir, i)); i++) {
        size_t before = 0, size = 0;
        if (!is_segment(name)) continue;
        const char *old = read_below(left, name, "", &before);
        const char *bytes = read_below(after, name, "", &size);
        if (!bytes && pruned) continue;
        if (!bytes) {
            wrong("a segment is gone, and no record says so: file", (int64_t)i);
            continue;
        }
        size_t kept = before;
        if (size < before || memcmp(bytes, old, before) != 0) {
            cut++;
            kept = before - (size_t)report->torn_bytes;
            if (!report->torn || !kept_aside(after, name, old + kept, before - kept))
                wrong("a torn end wasn't kept: file", (int64_t)i);
        }
        if (size < kept || memcmp(bytes, old, kept) != 0) wrong("overwritten: file", (int64_t)i);
    }
    if (cut > (report->torn ? 1 : 0)) wrong("more than one end was cut off:", cut);
}

/* A torn end that was there when the life began is there still, wherever. */
static void judge_torn(const struct life *l, const struct disk *left)
{
    size_t size = 0;
    if (!l->torn) return;
    const char *bytes = read_below(left, l->torn_in, "", &size);
    for (size_t at = 0; bytes && at + l->torn_bytes <= size; at++) {
        if (memcmp(bytes + at, l->torn, l->torn_bytes) == 0) return;
    }
    if (!kept_aside(left, l->torn_in, l->torn, l->torn_bytes))
        wrong("the torn end is gone, in bytes", (int64_t)l->torn_bytes);
}

/* --- all of it -------------------------------------------------------------------------------- */

struct trial {
    const struct life *life;
    struct disk *disk;
    struct now now;
    const char *boot;
};

static enum err open_again(const struct trial *t, struct journal **ret, struct found *f,
    struct journal_report *report, struct now *core_now)
{
    static void *block;
    struct problem problem;
    struct world *w = f->life->source->world;
    const struct core_identity identity = { .by = "again", .boot = t->boot };
    const struct now zero = { .civil = t->now.civil, .clock = t->now.clock };
    if (!block) block = malloc(core_size(&w->site));
    if (!block) abort();
    f->core = core_init(block, &w->site, &identity, zero);
    recover_init(&f->line);
    const struct journal_options options = {
        .dir = dir, .keep_days = 2, .boot = t->boot, .now = t->now
    };
    const enum err err = journal_open(ret, &options, find, f, report, &problem);
    if (err != ERR_NONE) {
        wrong(problem.text, err);
        return err;
    }
    *core_now = t->now;
    if (f->count > 0) core_now->mono.ms -= recover_shift(&f->line, t->boot, t->now);
    if (report->damaged) {
        struct record damage;
        record_start(&damage, "damage");
        core_restore(f->core, &damage, *core_now);
    }
    return ERR_NONE;
}

/* The journal goes on: a new record gets a number that nobody was told before. */
static void judge_going_on(const struct trial *t, struct journal *journal)
{
    struct record r;
    struct problem problem;
    int64_t seq = 0;
    record_start(&r, "start");
    if (journal_append(journal, &r, t->now, &seq, NULL, &problem) != ERR_NONE) {
        wrong(problem.text, 0);
        return;
    }
    disk_turn(t->disk);
    if (journal_synced(journal) < seq) wrong("isn't synced: record", seq);
    if (seq <= t->life->synced) wrong("a number is given out again:", seq);
}

/* And once more: all is in order now, or known. True when old segments were removed. */
static bool judge_next(const struct trial *t, const struct found *before)
{
    static struct found f;
    struct journal_report report;
    struct journal *journal = NULL;
    struct now core_now;
    f = (struct found){ .life = t->life };
    disk_kill(t->disk);
    if (open_again(t, &journal, &f, &report, &core_now) != ERR_NONE) return false;
    if (report.torn) wrong("it is torn again, by bytes", report.torn_bytes);
    if (report.damaged) wrong("damage that was found wasn't noted: tip", report.tip.seq);
    if (verdict->torn && !f.recovery) wrong("no record of the torn end: tip", report.tip.seq);
    if (verdict->damaged && !f.damage) wrong("no record of the damage: tip", report.tip.seq);
    if (!f.pruned && f.count <= before->count) wrong("records went:", before->count - f.count);
    judge_records(&f);
    const enum beginning begin = t->life->script->begin;
    const bool was_hurt = begin == BEGIN_ROTTEN || begin == BEGIN_ROTTEN_END || begin == BEGIN_CUT;
    if (f.damage && !was_hurt && f.damage_after < t->life->synced)
        wrong("damaged, after a record that was followed by some on disk:", f.damage_after);
    journal_close(journal);
    return f.pruned;
}

void points_judge(
    const struct life *life, const struct disk *left, bool power_cut, struct verdict *ret)
{
    static struct found f;
    struct journal_report report;
    struct journal *journal = NULL;
    struct now core_now;
    struct trial t = { .life = life,
        .disk = disk_copy(left),
        .now = life->now,
        .boot = power_cut ? other_boot : life->boot };
    t.now.civil.ms += 2000;
    t.now.mono.ms = power_cut ? 5000 : t.now.mono.ms + 2000;
    *ret = (struct verdict){ .torn = false };
    verdict = ret;
    f = (struct found){ .life = life };
    disk_use(t.disk);
    judge_torn(life, left);
    const enum beginning begin = life->script->begin;
    if (life->opened && !life->damaged && (begin == BEGIN_ROTTEN || begin == BEGIN_ROTTEN_END))
        wrong("the life didn't see the damage: tip", life->synced);
    if (open_again(&t, &journal, &f, &report, &core_now) == ERR_NONE) {
        ret->torn = report.torn;
        ret->damaged = report.damaged;
        judge_records(&f);
        judge_limits(&f, core_now, report.damaged);
        judge_silence(&f, core_now);
        judge_going_on(&t, journal);
        const bool pruned = judge_next(&t, &f);
        judge_files(left, t.disk, pruned, &report);
    }
    disk_free(t.disk);
}
