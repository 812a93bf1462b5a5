#include "daemon/mqtt/mqtt_wishes.h"

#include <stdlib.h>
#include <string.h>

#include "daemon/payload/json_guard.h"
#include "lib/base/text.h"

enum { FAILURE_CODE = 0x80 };

bool wish_filter_valid(const char *filter)
{
    const size_t length = strlen(filter);
    if (length == 0 || length > INBOX_TOPIC_MAX) return false;
    for (size_t at = 0; at < length;) {
        const size_t step = json_utf8(filter + at, length - at);
        if (step == 0) return false;
        const char c = filter[at];
        const bool starts = at == 0 || filter[at - 1] == '/';
        const bool ends = at + 1 == length || filter[at + 1] == '/';
        if ((c == '+' || c == '#') && (!starts || !ends)) return false;
        if (c == '#' && at + 1 != length) return false;
        at += step;
    }
    return true;
}

static int by_filter(const void *a, const void *b)
{
    const struct wish *x = a, *y = b;
    return strcmp(x->filter, y->filter);
}

/* ... and twins as they stood: their texts lie in that order. */
static int by_filter_and_place(const void *a, const void *b)
{
    const struct wish *x = a, *y = b;
    const int order = strcmp(x->filter, y->filter);
    if (order != 0) return order;
    return x->filter < y->filter ? -1 : 1;
}

static const struct wish *find(const struct wishes *w, const char *filter)
{
    const struct wish key = { .filter = filter };
    return w->count > 0 ? bsearch(&key, w->item, w->count, sizeof key, by_filter) : NULL;
}

static enum err refuse(const char *filter, struct problem *problem)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "found ");
    text_add_quoted(&t, filter, strlen(filter), 64);
    text_add(&t, "; allowed: an MQTT topic filter of 1 to 256 bytes");
    return problem_set(problem, ERR_RANGE, "subscriptions", text);
}

static enum err no_memory(struct problem *problem)
{
    return problem_set(problem, ERR_IO, "subscriptions", "there is no memory left");
}

/* Might the broker have it? */
static bool is_known(const struct wish *w)
{
    return w->state != WISH_WANTED;
}

static void add(struct wishes *w, const struct wish *wish, char **texts)
{
    struct wish *to = &w->item[w->count++];
    *to = *wish;
    const size_t length = strlen(wish->filter) + 1;
    memcpy(*texts, wish->filter, length);
    to->filter = *texts;
    *texts += length;
}

static void drop_twins(struct wishes *w)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < w->count; i++) {
        if (kept > 0 && strcmp(w->item[kept - 1].filter, w->item[i].filter) == 0) continue;
        w->item[kept++] = w->item[i];
    }
    w->count = kept;
}

/* What is on its way is not waited for: it's asked again, which does no harm. */
static enum wish_state start_state(const struct wish *fresh, const struct wish *former)
{
    const bool same = former && former->state == WISH_GRANTED && former->qos == fresh->qos &&
                      former->settable == fresh->settable && former->kept == fresh->kept;
    return same ? WISH_GRANTED : WISH_WANTED;
}

static void take_former(struct wishes *w, const struct wishes *former, char **texts)
{
    const uint32_t fresh = w->count;
    for (uint32_t i = 0; i < former->count; i++) {
        struct wish old = former->item[i];
        const struct wishes so_far = { .item = w->item, .count = fresh };
        if (!is_known(&old) || find(&so_far, old.filter)) continue;
        old.state = WISH_UNWANTED;
        add(w, &old, texts);
    }
    if (w->count > 0) qsort(w->item, w->count, sizeof *w->item, by_filter);
}

static size_t text_bytes(
    const struct wishes *former, const struct mqtt_subscription *wanted, uint32_t count)
{
    size_t bytes = 1;
    for (uint32_t i = 0; i < count; i++) {
        bytes += strlen(wanted[i].filter) + 1;
    }
    for (uint32_t i = 0; i < former->count; i++) {
        bytes += strlen(former->item[i].filter) + 1;
    }
    return bytes;
}

enum err wishes_replace(struct wishes *w, const struct mqtt_subscription *wanted, uint32_t count,
    struct problem *problem)
{
    for (uint32_t i = 0; i < count; i++) {
        if (!wish_filter_valid(wanted[i].filter)) return refuse(wanted[i].filter, problem);
    }
    struct wishes fresh = { .item = calloc((size_t)count + w->count + 1, sizeof *fresh.item),
        .texts = malloc(text_bytes(w, wanted, count)) };
    if (!fresh.item || !fresh.texts) {
        wishes_free(&fresh);
        return no_memory(problem);
    }
    char *texts = fresh.texts;
    for (uint32_t i = 0; i < count; i++) {
        struct wish wish = { .filter = wanted[i].filter,
            .qos = wanted[i].qos,
            .settable = wanted[i].settable,
            .kept = wanted[i].kept,
            .urgent = wanted[i].urgent };
        wish.state = start_state(&wish, find(w, wish.filter));
        add(&fresh, &wish, &texts);
    }
    if (fresh.count > 0) qsort(fresh.item, fresh.count, sizeof *fresh.item, by_filter_and_place);
    drop_twins(&fresh);
    take_former(&fresh, w, &texts);
    wishes_free(w);
    *w = fresh;
    return ERR_NONE;
}

void wishes_free(struct wishes *w)
{
    free(w->item);
    free(w->texts);
    *w = (struct wishes){ 0 };
}

void wishes_reset(struct wishes *w)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < w->count; i++) {
        if (w->item[i].state == WISH_UNWANTED || w->item[i].state == WISH_LEAVING) continue;
        w->item[kept] = w->item[i];
        w->item[kept++].state = WISH_WANTED;
    }
    w->count = kept;
}

static bool gather(struct wishes *w, uint32_t most, struct wish_batch *ret, enum wish_state from)
{
    *ret = (struct wish_batch){ .leaving = from == WISH_UNWANTED };
    for (uint32_t i = 0; i < w->count && ret->count < most; i++) {
        if (w->item[i].state != from) continue;
        w->item[i].state = ret->leaving ? WISH_LEAVING : WISH_ASKED;
        ret->index[ret->count++] = i;
    }
    return ret->count > 0;
}

bool wishes_next(struct wishes *w, uint32_t most, struct wish_batch *ret)
{
    return gather(w, most, ret, WISH_UNWANTED) || gather(w, most, ret, WISH_WANTED);
}

static void drop_left(struct wishes *w)
{
    uint32_t kept = 0;
    for (uint32_t i = 0; i < w->count; i++) {
        if (w->item[i].state != WISH_LEAVING) w->item[kept++] = w->item[i];
    }
    w->count = kept;
}

int64_t wishes_settle(
    struct wishes *w, const struct wish_batch *b, const uint8_t *codes, uint32_t count)
{
    if (b->leaving) {
        drop_left(w);
        return -1;
    }
    if (count != b->count) return b->index[0];
    int64_t refused = -1;
    for (uint32_t i = 0; i < count; i++) {
        struct wish *wish = &w->item[b->index[i]];
        const bool granted = codes[i] < FAILURE_CODE && codes[i] >= wish->qos;
        wish->state = granted ? WISH_GRANTED : WISH_WANTED;
        if (!granted && refused < 0) refused = b->index[i];
    }
    return refused;
}

bool wishes_granted(const struct wishes *w)
{
    for (uint32_t i = 0; i < w->count; i++) {
        if (w->item[i].state == WISH_WANTED || w->item[i].state == WISH_ASKED) return false;
    }
    return true;
}
