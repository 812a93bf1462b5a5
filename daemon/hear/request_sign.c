#include "daemon/hear/request_sign.h"

#include <openssl/crypto.h>
#include <openssl/evp.h>
#include <openssl/hmac.h>
#include <string.h>

#include "daemon/base/digest.h"
#include "lib/base/decimal.h"
#include "lib/journal/canon.h"

enum { PLACES_MAX = 6, NAME_SHOWN = 40 };

/* --- the form --------------------------------------------------------------------------------- */

static bool is_name(const char *name)
{
    for (const char *c = name; *c; c++) {
        if (*c <= ' ' || *c > '~' || *c == '"' || *c == '\\') return false;
    }
    return name[0] != '\0';
}

static bool add_text(struct record *r, const char *name, struct json_view v)
{
    char text[RECORD_TEXT_MOST + 1];
    if (!json_string(v, text, sizeof text)) return false;
    record_add_text(r, name, text);
    return true;
}

static bool add_number(struct record *r, const char *name, struct json_view v)
{
    struct decimal d;
    if (!decimal_read_plain(&d, v.at, v.length)) return false;
    while (d.decimals > 0 && d.scaled % 10 == 0) {
        d.scaled /= 10;
        d.decimals--;
    }
    if (d.decimals > PLACES_MAX) return false;
    if (d.decimals == 0)
        record_add_int(r, name, d.scaled);
    else
        record_add_real(r, name, decimal_real(d), d.decimals);
    return true;
}

static bool add_value(struct record *r, const char *name, struct json_view v)
{
    switch (json_kind(v)) {
    case JSON_STRING:
        return add_text(r, name, v);
    case JSON_NUMBER:
        return add_number(r, name, v);
    case JSON_TRUE:
    case JSON_FALSE:
        record_add_truth(r, name, json_kind(v) == JSON_TRUE);
        return true;
    case JSON_OBJECT:
    case JSON_ARRAY:
    case JSON_NULL:
        break;
    }
    return false;
}

static enum err refuse(struct json_view name, struct problem *problem)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "the member ");
    text_add_quoted(&t, name.at + 1, name.length - 2, NAME_SHOWN);
    text_add(&t, " can't be signed; allowed: names of 1 to 23 printable ASCII characters, texts of "
                 "at most 512 bytes, true, false, and numbers of at most 15 digits and 6 decimal "
                 "places without an exponent, 40 members in all");
    return problem_set(problem, ERR_RANGE, "request", text);
}

enum err sign_flatten(
    struct record *ret, struct json_view object, const char *left_out, struct problem *problem)
{
    struct json_walk walk = json_walk(object);
    struct json_view name, value;
    ret->count = ret->pool_used = 0;
    ret->cut = false;
    while (json_next(&walk, &name, &value)) {
        char key[RECORD_KEY_MAX];
        if (!json_string(name, key, sizeof key) || !is_name(key)) return refuse(name, problem);
        if (left_out && strcmp(key, left_out) == 0) continue;
        if (!add_value(ret, key, value) || ret->cut) return refuse(name, problem);
    }
    return ERR_NONE;
}

/* --- the code --------------------------------------------------------------------------------- */

bool sign_bytes(char ret[SIGN_MAC_HEX], const struct secret *key, const char *bytes, size_t length)
{
    uint8_t mac[EVP_MAX_MD_SIZE];
    unsigned made = 0;
    if (!HMAC(EVP_sha256(), key->bytes, key->length, (const uint8_t *)bytes, length, mac, &made) ||
        made != DIGEST_BYTES)
        return false;
    struct text hex = text_over(ret, SIGN_MAC_HEX);
    text_add_hex(&hex, mac, made);
    return true;
}

bool sign_mac(char ret[SIGN_MAC_HEX], const struct secret *key, const char *topic,
    const struct record *request)
{
    char form[SIGN_FORM_MAX];
    struct text t = text_over(form, sizeof form);
    text_add(&t, topic);
    text_add_char(&t, '\n');
    canon_add(&t, request, NULL);
    return !t.cut && sign_bytes(ret, key, t.at, t.length);
}

bool sign_same(const char a[SIGN_MAC_HEX], const char b[SIGN_MAC_HEX])
{
    return CRYPTO_memcmp(a, b, SIGN_MAC_HEX - 1) == 0;
}

enum err sign_read_key(struct secret *ret, const char *path, struct problem *problem)
{
    const enum err err = secret_read(ret, path, problem);
    if (err != ERR_NONE || ret->length >= SIGN_KEY_LEAST) return err;
    secret_forget(ret);
    return problem_set(problem, ERR_RANGE, path,
        "a key has at least 32 bytes; make one with: openssl rand -hex 32");
}
