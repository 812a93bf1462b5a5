#include "daemon/hear/request_verify.h"

#include <string.h>

#include "daemon/hear/request_member.h"
#include "daemon/hear/request_sign.h"
#include "lib/base/text.h"
#include "lib/core/signer.h"

static const char unsigned_text[] =
    "only signed requests are acted on here, and orders to halt: \"by\", \"n\" and \"mac\" are "
    "missing (docs/security.md)";

/* Which of the site's keys; false with the reason. */
static bool read_by(uint32_t *ret, const struct reading *r)
{
    char by[REQUEST_WORD_MAX];
    if (!request_word(r, "by", by, sizeof by)) return false;
    for (uint32_t i = 0; i < r->site->signer_count; i++) {
        if (!text_same(r->site->signer[i], by)) continue;
        *ret = i;
        return true;
    }
    return request_refuse(r->no, "unknown-key", "no key of that name is in use here");
}

static bool read_n(int64_t *ret, const struct reading *r)
{
    struct json_view v;
    int64_t n = 0;
    if (!request_has(r, "n", &v) || !json_count(v, &n) || n < 1 || n > SIGNER_N_MOST)
        return request_refuse_member(r, "n", "a whole number from 1 to 999999999999999");
    *ret = n;
    return true;
}

/* Any case of the digits; lower-case in 'ret'. */
static bool read_mac(char ret[SIGN_MAC_HEX], const struct reading *r)
{
    struct json_view v;
    if (!request_has(r, "mac", &v) || !json_string(v, ret, SIGN_MAC_HEX) ||
        strlen(ret) != SIGN_MAC_HEX - 1 ||
        strspn(ret, "0123456789abcdefABCDEF") != SIGN_MAC_HEX - 1)
        return request_refuse_member(r, "mac", "64 hex digits");
    for (char *c = ret; *c; c++) {
        if (*c >= 'A' && *c <= 'F') *c = (char)(*c - 'A' + 'a');
    }
    return true;
}

static bool mac_fits(const struct reading *r, const struct secret *key, const char *topic)
{
    char wanted[SIGN_MAC_HEX], found[SIGN_MAC_HEX];
    struct record flat;
    struct problem problem;
    if (!read_mac(found, r)) return false;
    if (sign_flatten(&flat, r->object, "mac", &problem) != ERR_NONE)
        return request_refuse(r->no, "malformed", problem.text);
    if (sign_mac(wanted, key, topic, &flat) && sign_same(wanted, found)) return true;
    return request_refuse(r->no, "bad-signature",
        "\"mac\" isn't the code of this request on this topic with that key");
}

static bool is_signed(const struct reading *r)
{
    struct json_view v;
    return request_has(r, "by", &v) || request_has(r, "n", &v) || request_has(r, "mac", &v);
}

bool request_verify(struct event_origin *ret, struct json_view object, const char *topic,
    const struct request_trust *trust, struct request_refusal *no)
{
    const struct reading r = { object, trust->site, NULL, no };
    uint32_t which = 0;
    int64_t n = 0;
    if (!is_signed(&r)) return request_refuse(no, "unsigned", unsigned_text);
    if (!read_by(&which, &r) || !read_n(&n, &r)) return false;
    if (trust->keys && which >= trust->keys->count)
        return request_refuse(no, "unknown-key", "no key of that name is in use here");
    if (trust->keys && !mac_fits(&r, &trust->keys->key[which], topic)) return false;
    ret->signer = trust->site->signer[which];
    ret->n = n;
    return true;
}
