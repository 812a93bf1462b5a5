#include "lib/journal/record.h"

#include <string.h>

#include "lib/base/decimal.h"
#include "lib/base/invariant.h"
#include "lib/journal/utf8.h"

enum { PLACES_MAX = 6 };

void record_start(struct record *r, const char *kind)
{
    r->count = 0;
    r->pool_used = 0;
    r->cut = false;
    record_add_text(r, "kind", kind);
}

static const struct record_field *find(const struct record *r, const char *key)
{
    for (uint32_t i = 0; i < r->count; i++) {
        const char *own = r->field[i].key;
        if (own[0] == key[0] && own[1] == key[1] && strcmp(own, key) == 0) return &r->field[i];
    }
    return NULL;
}

/* Keys are written by this program, never by a stranger. */
static bool is_key(const char *key)
{
    const size_t length = strlen(key);
    for (size_t i = 0; i < length; i++) {
        if (key[i] <= ' ' || key[i] > '~' || key[i] == '"' || key[i] == '\\') return false;
    }
    return length > 0 && length < RECORD_KEY_MAX;
}

/* Room for one more field, or NULL and the record is cut. */
static struct record_field *add(struct record *r, const char *key, enum field_kind kind)
{
    INVARIANT(is_key(key));
    INVARIANT(!find(r, key));
    if (r->count == RECORD_FIELDS_MAX) {
        r->cut = true;
        return NULL;
    }
    struct record_field *f = &r->field[r->count++];
    memset(f, 0, sizeof *f);
    memcpy(f->key, key, strlen(key));
    f->kind = kind;
    return f;
}

void record_add_int(struct record *r, const char *key, int64_t value)
{
    if (value < -RECORD_INTEGER_MOST || value > RECORD_INTEGER_MOST) {
        r->cut = true;
        return;
    }
    struct record_field *f = add(r, key, FIELD_INTEGER);
    if (f) f->number = value;
}

static double power_of_ten(unsigned n)
{
    double p = 1.0;
    while (n-- > 0) {
        p *= 10.0;
    }
    return p;
}

void record_add_real(struct record *r, const char *key, double value, unsigned decimals)
{
    INVARIANT(decimals <= PLACES_MAX);
    const double most = (double)RECORD_DECIMAL_MOST;
    if (!(value > -most && value < most)) return;
    while (decimals > 0 &&
           !(value * power_of_ten(decimals) > -most && value * power_of_ten(decimals) < most)) {
        decimals--;
    }
    int64_t number = nearest(value * power_of_ten(decimals));
    while (decimals > 0 && number % 10 == 0) {
        number /= 10;
        decimals--;
    }
    struct record_field *f = add(r, key, decimals > 0 ? FIELD_DECIMAL : FIELD_INTEGER);
    if (!f) return;
    f->number = number;
    f->decimals = decimals;
}

void record_add_text(struct record *r, const char *key, const char *value)
{
    struct record_field *f = add(r, key, FIELD_TEXT);
    if (!f) return;
    const size_t room = RECORD_POOL_MAX - r->pool_used, length = strlen(value);
    char *to = r->pool + r->pool_used;
    size_t used = 0, from = 0;
    bool fits = room > 0; /* its NUL */
    while (fits && from < length) {
        const size_t step = utf8_step(value + from, length - from);
        const size_t bytes = step > 0 ? step : 1;
        if (used + bytes > RECORD_TEXT_MOST) break;
        fits = used + bytes < room;
        if (!fits) break;
        if (step > 0)
            memcpy(to + used, value + from, bytes);
        else
            to[used] = '?';
        used += bytes;
        from += bytes;
    }
    if (!fits) {
        r->cut = true;
        r->count--;
        return;
    }
    to[used] = '\0';
    f->text_at = r->pool_used;
    r->pool_used += (uint32_t)used + 1;
}

void record_add_truth(struct record *r, const char *key, bool value)
{
    struct record_field *f = add(r, key, FIELD_TRUTH);
    if (f) f->number = value ? 1 : 0;
}

static const struct record_field *find_kind(
    const struct record *r, const char *key, enum field_kind kind)
{
    const struct record_field *f = find(r, key);
    return f && f->kind == kind ? f : NULL;
}

bool record_int(const struct record *r, const char *key, int64_t *ret)
{
    const struct record_field *f = find_kind(r, key, FIELD_INTEGER);
    if (f) *ret = f->number;
    return f != NULL;
}

bool record_real(const struct record *r, const char *key, double *ret)
{
    const struct record_field *f = find(r, key);
    if (!f || (f->kind != FIELD_INTEGER && f->kind != FIELD_DECIMAL)) return false;
    *ret = decimal_real((struct decimal){ f->number, f->decimals });
    return true;
}

bool record_text(const struct record *r, const char *key, const char **ret)
{
    const struct record_field *f = find_kind(r, key, FIELD_TEXT);
    if (f) *ret = r->pool + f->text_at;
    return f != NULL;
}

bool record_truth(const struct record *r, const char *key, bool *ret)
{
    const struct record_field *f = find_kind(r, key, FIELD_TRUTH);
    if (f) *ret = f->number != 0;
    return f != NULL;
}

const char *record_text_or_empty(const struct record *r, const char *key)
{
    const char *text = "";
    (void)record_text(r, key, &text);
    return text;
}

bool record_is(const struct record *r, const char *kind)
{
    const char *own;
    return record_text(r, "kind", &own) && strcmp(own, kind) == 0;
}
