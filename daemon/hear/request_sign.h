/* Signed requests: the form of a request that is signed, and its message authentication code.
 *
 *     {"by":"phone","id":"hall-7","n":1917,"on":true,"request":"pause","tank":"basil-bench",
 *      "mac":"<64 hex digits>"}
 *
 * 'mac' is HMAC-SHA-256 (RFC 2104, FIPS 198-1) over the topic that the request is published to, a
 * line feed, and the RFC 8785 form of the request without 'mac'. So that this form is the same
 * everywhere, a signed request is flat: texts of at most 512 bytes, true, false, and numbers of at
 * most 15 digits and 6 decimal places, without an exponent; names of 1 to 23 printable ASCII
 * characters but blank, quote and backslash; 40 members at most. */
#ifndef DOSEWRIGHT_DAEMON_REQUEST_SIGN_H
#define DOSEWRIGHT_DAEMON_REQUEST_SIGN_H

#include "daemon/mqtt/mqtt_secret.h"
#include "daemon/payload/json_view.h"
#include "lib/base/text.h"
#include "lib/journal/record.h"

enum {
    SIGN_MAC_HEX = 65,                          /* 64 digits and NUL */
    SIGN_KEY_LEAST = 32,                        /* bytes of a key: those of SHA-256 (RFC 2104, 3) */
    SIGN_N_DIGITS = 15,                         /* of 'n' */
    SIGN_FORM_MAX = 6 * RECORD_POOL_MAX + 2048, /* every byte escaped, and all the rest */
};

/* A request's members, 'left_out' (NULL: none) without. 'object' was let pass by json_guard. ERR_
 * RANGE when one isn't as above; the problem names it. */
enum err sign_flatten(struct record *ret, struct json_view object, const char *left_out,
    struct problem *problem) __attribute__((warn_unused_result));

/* HMAC-SHA-256 of some bytes, as lower-case hex. False when libcrypto says no. */
bool sign_bytes(char ret[SIGN_MAC_HEX], const struct secret *key, const char *bytes, size_t length)
    __attribute__((warn_unused_result));

/* The code of a request, as lower-case hex. False when libcrypto says no, or the form doesn't fit.
 */
bool sign_mac(char ret[SIGN_MAC_HEX], const struct secret *key, const char *topic,
    const struct record *request) __attribute__((warn_unused_result));

/* Are they the same? Takes equally long whatever they are. */
bool sign_same(const char a[SIGN_MAC_HEX], const char b[SIGN_MAC_HEX]);

/* Reads a key, as a password is read (mqtt_secret.h): the bytes of the file as they are, at least
 * SIGN_KEY_LEAST of them. */
enum err sign_read_key(struct secret *ret, const char *path, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
