#include "lib/core/left.h"

#include "lib/base/text.h"
#include "lib/core/state.h"

static bool is_about(const struct left_tank *t, const char *key, const char *serial)
{
    return text_same(t->key, key) || (serial[0] && text_same(t->serial, serial));
}

static struct left_tank *find(struct left_tanks *l, const char *key, const char *serial)
{
    for (uint32_t i = 0; i < l->count; i++) {
        if (is_about(&l->tank[i], key, serial)) return &l->tank[i];
    }
    return NULL;
}

static struct left_tank *room_for(struct left_tanks *l, const char *key, const char *serial)
{
    struct left_tank *t = find(l, key, serial);
    if (t) return t;
    l->lost |= l->count == LEFT_TANKS_MAX;
    if (l->count == LEFT_TANKS_MAX) return NULL;
    t = &l->tank[l->count++];
    *t = (struct left_tank){ .service = false };
    (void)text_copy(t->key, sizeof t->key, key);
    (void)text_copy(t->serial, sizeof t->serial, serial);
    return t;
}

/* Nothing is held there any more. */
static void drop_free(struct left_tanks *l)
{
    for (uint32_t i = l->count; i-- > 0;) {
        const struct left_tank *t = &l->tank[i];
        if (!t->service && !t->bench && !t->paused) l->tank[i] = l->tank[--l->count];
    }
}

void left_note(struct left_tanks *l, const struct site_tank *config, const struct core_tank *tank)
{
    if (!tank->service && !tank->care.bench && !tank->paused) return;
    struct left_tank *t = room_for(l, config->key, config->circulation.serial);
    if (!t) return;
    t->service |= tank->service;
    t->bench |= tank->care.bench;
    if (tank->paused) (void)text_copy(t->paused_for, sizeof t->paused_for, tank->paused_for);
    t->paused |= tank->paused;
}

void left_take(
    struct left_tanks *l, const struct site_tank *config, bool anew, struct core_tank *ret)
{
    if (anew && l->lost) ret->service = true;
    for (struct left_tank *t; (t = find(l, config->key, config->circulation.serial)) != NULL;) {
        ret->service |= t->service;
        ret->care.bench |= t->bench;
        if (t->paused && !ret->paused)
            (void)text_copy(ret->paused_for, sizeof ret->paused_for, t->paused_for);
        ret->paused |= t->paused;
        *t = l->tank[--l->count];
    }
}

/* --- the journal ------------------------------------------------------------------------------ */

static void set_pause(struct left_tank *t, bool on, const char *what_for)
{
    t->paused = on;
    (void)text_copy(t->paused_for, sizeof t->paused_for, on ? what_for : "");
}

static void restore_request(struct left_tank *t, const struct record *r, bool on)
{
    const char *what = record_text_or_empty(r, "request");
    if (text_same(what, "pause")) set_pause(t, on, record_text_or_empty(r, "for"));
    if (text_same(what, "service")) t->service = on;
    if (text_same(what, "bench")) t->bench = on;
}

static void restore_carried(struct left_tank *t, const struct record *r)
{
    bool on = false;
    if (record_truth(r, "paused", &on)) set_pause(t, on, record_text_or_empty(r, "paused_for"));
    (void)record_truth(r, "service", &t->service);
    (void)record_truth(r, "bench", &t->bench);
}

void left_restore(struct left_tanks *l, const struct record *r)
{
    const char *key = record_text_or_empty(r, "tank");
    bool on = false;
    const bool asked = record_is(r, "request") && record_truth(r, "on", &on);
    if (!key[0] || (!asked && !record_is(r, "carry"))) return;
    struct left_tank *t = room_for(l, key, record_text_or_empty(r, "serial"));
    if (!t) return;
    if (asked)
        restore_request(t, r, on);
    else
        restore_carried(t, r);
    drop_free(l);
}

void left_carry(const struct left_tanks *l, uint32_t index, struct record *ret)
{
    const struct left_tank *t = &l->tank[index];
    record_add_text(ret, "tank", t->key);
    record_add_text(ret, "serial", t->serial);
    record_add_truth(ret, "paused", t->paused);
    if (t->paused && t->paused_for[0]) record_add_text(ret, "paused_for", t->paused_for);
    record_add_truth(ret, "service", t->service);
    record_add_truth(ret, "bench", t->bench);
}
