#include "lib/journal/record.h"

#include <string.h>

#include "lib/base/decimal.h"
#include "lib/base/invariant.h"
#include "lib/base/text.h"

enum { TEXT_MOST = 512, PLACES_MOST = 6 };

static const int64_t INTEGER_MOST = INT64_C(9007199254740991); /* 2^53 - 1 */
static const double DECIMAL_MOST = 1e9; /* with six places that is fifteen digits */

void record_start(struct record *r, const char *kind)
{
    r->count = r->pool_used = 0;
    r->cut = false;
    record_add_text(r, "kind", kind);
}

static const struct record_field *find(const struct record *r, const char *key)
{
    for (uint32_t i = 0; i < r->count; i++) {
        if (strcmp(r->field[i].key, key) == 0) return &r->field[i];
    }
    return NULL;
}

static struct record_field *add(struct record *r, const char *key, enum field_kind kind)
{
    INVARIANT(strlen(key) < RECORD_KEY_MAX);
    INVARIANT(!find(r, key));
    if (r->count == RECORD_FIELDS_MAX) {
        r->cut = true;
        return NULL;
    }
    struct record_field *f = &r->field[r->count++];
    memset(f, 0, sizeof *f);
    memcpy(f->key, key, strlen(key) + 1);
    f->kind = kind;
    return f;
}

void record_add_int(struct record *r, const char *key, int64_t value)
{
    struct record_field *f = add(r, key, FIELD_INTEGER);
    if (!f) return;
    if (value > INTEGER_MOST) value = INTEGER_MOST;
    if (value < -INTEGER_MOST) value = -INTEGER_MOST;
    f->number = value;
}

void record_add_real(struct record *r, const char *key, double value, unsigned decimals)
{
    INVARIANT(decimals <= PLACES_MOST);
    if (!(value > -DECIMAL_MOST && value < DECIMAL_MOST)) return;
    double scaled = value;
    for (unsigned i = 0; i < decimals; i++) {
        scaled *= 10.0;
    }
    int64_t number = nearest(scaled);
    while (decimals > 0 && number % 10 == 0) {
        number /= 10;
        decimals--;
    }
    struct record_field *f = add(r, key, decimals == 0 ? FIELD_INTEGER : FIELD_DECIMAL);
    if (!f) return;
    f->number = number;
    f->decimals = decimals;
}

/* Bytes of the UTF-8 character at 's', or 0 when it isn't one. */
static size_t character(const unsigned char *s)
{
    if (s[0] < 0x80) return 1;
    const size_t length = s[0] >= 0xf0 ? 4 : s[0] >= 0xe0 ? 3 : 2;
    if (s[0] < 0xc2 || s[0] > 0xf4) return 0;
    for (size_t i = 1; i < length; i++) {
        if ((s[i] & 0xc0) != 0x80) return 0;
    }
    const bool overlong = (s[0] == 0xe0 && s[1] < 0xa0) || (s[0] == 0xf0 && s[1] < 0x90);
    const bool surrogate = s[0] == 0xed && s[1] > 0x9f;
    const bool beyond = s[0] == 0xf4 && s[1] > 0x8f;
    return overlong || surrogate || beyond ? 0 : length;
}

void record_add_text(struct record *r, const char *key, const char *value)
{
    struct record_field *f = add(r, key, FIELD_TEXT);
    if (!f) return;
    f->text_at = r->pool_used;
    size_t used = 0;
    for (const unsigned char *s = (const unsigned char *)value; *s;) {
        const size_t length = character(s);
        const size_t bytes = length > 0 ? length : 1;
        if (used + bytes > TEXT_MOST) break;
        if (f->text_at + used + bytes + 1 > RECORD_POOL_MAX) {
            r->cut = true;
            break;
        }
        if (length > 0)
            memcpy(r->pool + f->text_at + used, s, bytes);
        else
            r->pool[f->text_at + used] = '?';
        used += bytes;
        s += bytes;
    }
    if (f->text_at + used >= RECORD_POOL_MAX) {
        r->cut = true;
        r->count--;
        return;
    }
    r->pool[f->text_at + used] = '\0';
    r->pool_used = f->text_at + (uint32_t)used + 1;
}

void record_add_truth(struct record *r, const char *key, bool value)
{
    struct record_field *f = add(r, key, FIELD_TRUTH);
    if (f) f->number = value;
}

bool record_int(const struct record *r, const char *key, int64_t *ret)
{
    const struct record_field *f = find(r, key);
    if (!f || f->kind != FIELD_INTEGER) return false;
    *ret = f->number;
    return true;
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
    const struct record_field *f = find(r, key);
    if (!f || f->kind != FIELD_TEXT) return false;
    *ret = r->pool + f->text_at;
    return true;
}

bool record_truth(const struct record *r, const char *key, bool *ret)
{
    const struct record_field *f = find(r, key);
    if (!f || f->kind != FIELD_TRUTH) return false;
    *ret = f->number != 0;
    return true;
}

const char *record_text_or_empty(const struct record *r, const char *key)
{
    const char *text = "";
    (void)record_text(r, key, &text);
    return text;
}

bool record_is(const struct record *r, const char *kind)
{
    return strcmp(record_text_or_empty(r, "kind"), kind) == 0;
}
