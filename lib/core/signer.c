#include "lib/core/signer.h"

#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"

static struct signer *find(struct signers *s, const char *name)
{
    for (uint32_t i = 0; i < s->count; i++) {
        if (text_same(s->item[i].name, name)) return &s->item[i];
    }
    return NULL;
}

int64_t signer_seen(const struct signers *s, const char *name)
{
    for (uint32_t i = 0; i < s->count; i++) {
        if (text_same(s->item[i].name, name)) return s->item[i].n;
    }
    return 0;
}

/* Takes it out of its place, or the first one where there is no room, and puts it last. */
static struct signer *put_last(struct signers *s, const char *name)
{
    struct signer *old = find(s, name), kept = { .n = 0 };
    if (!old && s->count == SIGNERS_KEPT) old = &s->item[0];
    if (old && text_same(old->name, name)) kept = *old;
    if (old) {
        const size_t after = (size_t)(&s->item[s->count] - (old + 1));
        memmove(old, old + 1, after * sizeof *old);
        s->count--;
    }
    INVARIANT(s->count < SIGNERS_KEPT);
    struct signer *last = &s->item[s->count++];
    *last = kept;
    (void)text_copy(last->name, sizeof last->name, name);
    return last;
}

bool signer_take(struct signers *s, const char *name, int64_t n)
{
    struct signer *signer = put_last(s, name);
    if (n <= signer->n) return false;
    signer->n = n;
    signer->unrecorded = true;
    return true;
}

void signer_recorded(struct signers *s, const char *name)
{
    struct signer *signer = find(s, name);
    if (signer) signer->unrecorded = false;
}

static void write_record(const struct signer *signer, struct record *ret)
{
    record_start(ret, "signer");
    record_add_text(ret, "key", signer->name);
    record_add_int(ret, "n", signer->n);
}

bool signer_record_due(struct signers *s, struct mono now, struct record *ret)
{
    if (s->has_recorded && mono_since(now, s->recorded_at) < SIGNER_RECORD_MS) return false;
    for (uint32_t i = 0; i < s->count; i++) {
        if (!s->item[i].unrecorded) continue;
        s->item[i].unrecorded = false;
        s->has_recorded = true;
        s->recorded_at = now;
        write_record(&s->item[i], ret);
        return true;
    }
    return false;
}

bool signer_carry(const struct signers *s, uint32_t index, struct record *ret)
{
    if (index >= s->count) return false;
    write_record(&s->item[index], ret);
    return true;
}

void signer_restore(struct signers *s, const struct record *r)
{
    const char *name = record_text_or_empty(r, "key");
    int64_t n = 0;
    if (!chain_key_valid(name) || !record_int(r, "n", &n) || n < 1 || n > SIGNER_N_MOST) return;
    if (signer_take(s, name, n)) signer_recorded(s, name);
}
