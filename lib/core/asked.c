#include "lib/core/asked.h"

#include <string.h>

#include "lib/base/text.h"

enum {
    PER_RECORD = 8, /* 8 of 66 bytes fit a record's pool beside what every record has */
    PAIR_MAX = 2 * CHAIN_WORD_MAX,
    KEY_MAX = 4,
};

static struct asked_pace full_pace(int64_t burst, int64_t each_ms, struct mono now)
{
    return (struct asked_pace){ .saved_ms = burst * each_ms, .at = now };
}

void asked_init(struct asked *a, struct mono now)
{
    memset(a, 0, sizeof *a);
    a->doing = full_pace(ASKED_DO_BURST, ASKED_DO_MS, now);
    a->recording = full_pace(ASKED_RECORD_BURST, ASKED_RECORD_MS, now);
    a->answering = full_pace(ASKED_ANSWER_BURST, ASKED_ANSWER_MS, now);
}

/* --- ids -------------------------------------------------------------------------------------- */

static const struct asked_answer *find_in(const struct asked_ring *r, const char *id)
{
    for (uint32_t i = 0; i < r->count; i++) {
        if (text_same(r->item[i].id, id)) return &r->item[i];
    }
    return NULL;
}

const struct asked_answer *asked_find(const struct asked *a, const char *id, bool *ret_ok)
{
    const struct asked_answer *done = find_in(&a->done, id);
    *ret_ok = done != NULL;
    return done ? done : find_in(&a->refused, id);
}

void asked_note(struct asked *a, const char *id, bool ok, const char *reason)
{
    bool known_ok;
    if (id[0] == '\0' || text_same(reason, ASKED_PUT_OFF) || asked_find(a, id, &known_ok)) return;
    struct asked_ring *r = ok ? &a->done : &a->refused;
    struct asked_answer *item = &r->item[r->next];
    (void)text_copy(item->id, sizeof item->id, id);
    (void)text_copy(item->reason, sizeof item->reason, reason);
    r->next = (r->next + 1) % ASKED_MAX;
    if (r->count < ASKED_MAX) r->count++;
}

/* --- paces ------------------------------------------------------------------------------------ */

static bool use_pace(struct asked_pace *p, int64_t burst, int64_t each_ms, struct mono now)
{
    const int64_t passed_ms = mono_since(now, p->at), room_ms = burst * each_ms - p->saved_ms;
    p->at = now;
    if (passed_ms > 0) p->saved_ms += passed_ms < room_ms ? passed_ms : room_ms;
    if (p->saved_ms < each_ms) return false;
    p->saved_ms -= each_ms;
    return true;
}

bool asked_may_do(struct asked *a, struct mono now)
{
    return use_pace(&a->doing, ASKED_DO_BURST, ASKED_DO_MS, now);
}

bool asked_may_record(struct asked *a, struct mono now)
{
    return use_pace(&a->recording, ASKED_RECORD_BURST, ASKED_RECORD_MS, now);
}

bool asked_may_answer(struct asked *a, struct mono now)
{
    return use_pace(&a->answering, ASKED_ANSWER_BURST, ASKED_ANSWER_MS, now);
}

/* --- the journal ------------------------------------------------------------------------------ */

/* "i1" to "i8" */
static void name_key(char ret[KEY_MAX], uint32_t i)
{
    struct text t = text_over(ret, KEY_MAX);
    text_add_char(&t, 'i');
    text_add_int(&t, (int64_t)i + 1);
}

uint32_t asked_parts(const struct asked *a)
{
    return (a->done.count + PER_RECORD - 1) / PER_RECORD;
}

bool asked_carry(const struct asked *a, uint32_t part, struct record *ret)
{
    const struct asked_ring *r = &a->done;
    if (part >= asked_parts(a)) return false;
    record_start(ret, "asked");
    const uint32_t oldest = r->count < ASKED_MAX ? 0 : r->next, from = part * PER_RECORD;
    for (uint32_t i = 0; i < PER_RECORD && from + i < r->count; i++) {
        const struct asked_answer *item = &r->item[(oldest + from + i) % ASKED_MAX];
        char key[KEY_MAX], pair[PAIR_MAX];
        struct text t = text_over(pair, sizeof pair);
        name_key(key, i);
        text_add(&t, item->id);
        text_add_char(&t, ' ');
        text_add(&t, item->reason);
        record_add_text(ret, key, pair);
    }
    return true;
}

/* "id reason" */
static void restore_pair(struct asked *a, const char *pair)
{
    struct asked_answer item;
    const char *blank = strchr(pair, ' ');
    if (!blank || (size_t)(blank - pair) >= sizeof item.id) return;
    const size_t length = (size_t)(blank - pair);
    memcpy(item.id, pair, length);
    item.id[length] = '\0';
    if (chain_id_valid(item.id)) asked_note(a, item.id, true, blank + 1);
}

void asked_restore(struct asked *a, const struct record *r)
{
    for (uint32_t i = 0; i < PER_RECORD; i++) {
        char key[KEY_MAX];
        const char *pair;
        name_key(key, i);
        if (record_text(r, key, &pair)) restore_pair(a, pair);
    }
}
