#include "lib/core/mute.h"

#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"

static struct mute_sender *find(struct mutes *m, const char *name)
{
    for (int i = 0; i < MUTE_SENDERS_MAX; i++) {
        struct mute_sender *s = &m->sender[i];
        if (s->name[0] && strncmp(s->name, name, MUTE_NAME_MAX - 1) == 0) return s;
    }
    return NULL;
}

/* A free one, or that of the longest silence; NULL while all are muted. */
static struct mute_sender *make_room(struct mutes *m)
{
    struct mute_sender *oldest = NULL;
    for (int i = 0; i < MUTE_SENDERS_MAX; i++) {
        struct mute_sender *s = &m->sender[i];
        if (!s->name[0]) return s;
        if (!s->muted && (!oldest || mono_since(oldest->at, s->at) > 0)) oldest = s;
    }
    return oldest;
}

static struct mute_sender *place_of(struct mutes *m, const char *name, struct mono now)
{
    struct mute_sender *s = find(m, name);
    if (s) return s;
    s = make_room(m);
    if (!s) return NULL;
    *s = (struct mute_sender){ .at = now };
    (void)text_copy(s->name, sizeof s->name, name);
    return s;
}

bool mute_strike(struct mutes *m, const char *name, struct mono now, uint32_t *ret)
{
    INVARIANT(name[0]);
    struct mute_sender *s = place_of(m, name, now);
    if (!s || s->muted) return false;
    const int64_t passed_ms = mono_since(now, s->at);
    if (passed_ms > 0) s->strikes_ms -= passed_ms < s->strikes_ms ? passed_ms : s->strikes_ms;
    s->strikes_ms += MUTE_FORGIVE_MS;
    s->at = now;
    if (s->strikes_ms <= (int64_t)(MUTE_STRIKES - 1) * MUTE_FORGIVE_MS) return false;
    s->muted = true;
    s->until = mono_after(now, MUTE_MS);
    *ret = (uint32_t)(s - m->sender);
    return true;
}

bool mute_holds(struct mutes *m, const char *name, struct mono now)
{
    struct mute_sender *s = find(m, name);
    if (!s || !s->muted || mono_since(now, s->until) >= 0) return false;
    s->unheard++;
    return true;
}

bool mute_over(const struct mutes *m, struct mono now, uint32_t *ret)
{
    for (uint32_t i = 0; i < MUTE_SENDERS_MAX; i++) {
        const struct mute_sender *s = &m->sender[i];
        if (!s->muted || mono_since(now, s->until) < 0) continue;
        *ret = i;
        return true;
    }
    return false;
}

void mute_end(struct mutes *m, uint32_t place)
{
    INVARIANT(place < MUTE_SENDERS_MAX);
    m->sender[place] = (struct mute_sender){ .muted = false };
}

uint32_t mute_count(const struct mutes *m)
{
    uint32_t count = 0;
    for (int i = 0; i < MUTE_SENDERS_MAX; i++) {
        count += m->sender[i].muted;
    }
    return count;
}
