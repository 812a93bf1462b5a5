#include "daemon/hear/request_member.h"

#include <string.h>

#include "lib/base/decimal.h"

enum { NAME_SHOWN_MAX = 40, NAMES_SHOWN_MAX = 12, MORE_ROOM = 24 };

/* --- saying no -------------------------------------------------------------------------------- */

bool request_refuse(struct request_refusal *no, const char *reason, const char *text)
{
    text_copy(no->reason, sizeof no->reason, reason);
    text_copy(no->text, sizeof no->text, text);
    return false;
}

/* What was found instead, as it was written: "west" for a text, 12 for a number. */
static void add_found(struct text *t, const struct json_view *found)
{
    static const char plain[] = "0123456789+-.abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ";
    size_t length = 0;
    while (length < found->length && strchr(plain, found->at[length]) && found->at[length]) {
        length++;
    }
    if (length == found->length && length <= NAME_SHOWN_MAX)
        text_add_bytes(t, found->at, length);
    else if (found->length >= 2 && found->at[0] == '"')
        text_add_quoted(t, found->at + 1, found->length - 2, NAME_SHOWN_MAX);
    else
        text_add_quoted(t, found->at, found->length, NAME_SHOWN_MAX);
}

bool request_refuse_member(const struct reading *r, const char *name, const char *form)
{
    struct json_view found;
    struct text t = text_over(r->no->text, sizeof r->no->text);
    text_copy(r->no->reason, sizeof r->no->reason, "malformed");
    text_add_quoted(&t, name, strlen(name), NAME_SHOWN_MAX);
    if (request_has(r, name, &found)) {
        text_add(&t, ": found ");
        add_found(&t, &found);
        text_add(&t, "; allowed: ");
    } else {
        text_add(&t, " is missing: it must be ");
    }
    text_add(&t, form);
    return false;
}

bool request_refuse_name(const struct reading *r, const struct known *known, const char *name)
{
    text_copy(r->no->reason, sizeof r->no->reason, known->reason);
    struct text t = text_over(r->no->text, sizeof r->no->text);
    text_add(&t, "there is no ");
    text_add(&t, known->what);
    text_add_char(&t, ' ');
    text_add_quoted(&t, name, strlen(name), NAME_SHOWN_MAX);
    text_add(&t, known->count > 0 ? "; there are: " : "; there are none");
    for (uint32_t i = 0; i < known->count; i++) {
        const char *key = known->key(r->site, i);
        if (i == NAMES_SHOWN_MAX || t.length + strlen(key) + MORE_ROOM > t.size) {
            text_add(&t, " and ");
            text_add_int(&t, known->count - i);
            text_add(&t, " more");
            break;
        }
        if (i > 0) text_add(&t, ", ");
        text_add(&t, key);
    }
    return false;
}

/* --- members ---------------------------------------------------------------------------------- */

bool request_has(const struct reading *r, const char *name, struct json_view *ret)
{
    return json_member(r->object, name, ret);
}

bool request_word(const struct reading *r, const char *name, char *ret, size_t size)
{
    struct json_view v;
    unsigned char byte;
    size_t length = 0;
    if (!request_has(r, name, &v) || json_kind(v) != JSON_STRING)
        return request_refuse_member(r, name, "a string");
    struct json_bytes bytes = json_bytes(v);
    while (length + 1 < size && json_byte(&bytes, &byte)) {
        ret[length++] = (char)byte;
    }
    ret[length] = '\0';
    return true;
}

bool request_name(const struct reading *r, const struct known *known, uint32_t *ret)
{
    char name[REQUEST_WORD_MAX];
    if (!request_word(r, known->what, name, sizeof name)) return false;
    for (uint32_t i = 0; i < known->count; i++) {
        if (strcmp(known->key(r->site, i), name) == 0) {
            *ret = i;
            return true;
        }
    }
    return request_refuse_name(r, known, name);
}

bool request_number(
    const struct reading *r, const char *name, const struct bounds *bounds, double *ret)
{
    struct json_view v;
    double value = 0;
    if (!request_has(r, name, &v) || json_kind(v) != JSON_NUMBER)
        return request_refuse_member(r, name, "a number");
    if (!decimal_read_json(&value, v.at, v.length) ||
        !(value >= bounds->least && value <= bounds->most))
        return request_refuse(r->no, "out-of-range", bounds->outside);
    *ret = value;
    return true;
}

bool request_count(const struct reading *r, const char *name, int64_t *ret)
{
    struct json_view v;
    return (request_has(r, name, &v) && json_count(v, ret)) ||
           request_refuse_member(r, name, "a whole number such as 1207");
}

bool request_truth(const struct reading *r, const char *name, bool *ret)
{
    struct json_view v;
    if (!request_has(r, name, &v) || (json_kind(v) != JSON_TRUE && json_kind(v) != JSON_FALSE))
        return request_refuse_member(r, name, "true or false");
    *ret = json_kind(v) == JSON_TRUE;
    return true;
}

/* --- keys of a site --------------------------------------------------------------------------- */

static const char *tank_key(const struct site *site, uint32_t i)
{
    return site->tank[i].key;
}

static const char *chain_key(const struct site *site, uint32_t i)
{
    return site->chain[i].key;
}

static const char *stock_key(const struct site *site, uint32_t i)
{
    return site->stock[i].key;
}

struct known request_tanks(const struct site *site)
{
    return (struct known){ "no-such-tank", "tank", site->tank_count, tank_key };
}

struct known request_chains(const struct site *site)
{
    return (struct known){ "no-such-chain", "chain", site->chain_count, chain_key };
}

struct known request_stocks(const struct site *site)
{
    return (struct known){ "no-such-stock", "stock", site->stock_count, stock_key };
}
