/* libcrypto's plain functions: its newer ones (EVP, and SHA256() over them) look for an
 * implementation and make a context on the heap at each call, and say no when there is none. */
#define OPENSSL_SUPPRESS_DEPRECATED
#include "daemon/base/digest.h"

#include <openssl/sha.h>
#include <stdlib.h>

#include "lib/base/text.h"

struct load_digest {
    SHA256_CTX context;
};

void digest_bytes(const void *bytes, size_t count, uint8_t ret[DIGEST_BYTES])
{
    SHA256_CTX context;
    (void)SHA256_Init(&context);
    (void)SHA256_Update(&context, bytes, count);
    (void)SHA256_Final(ret, &context);
}

struct load_digest *digest_open(void)
{
    struct load_digest *d = calloc(1, sizeof *d);
    if (d) (void)SHA256_Init(&d->context);
    return d;
}

void digest_add(struct load_digest *d, const char *bytes, size_t length)
{
    (void)SHA256_Update(&d->context, bytes, length);
}

bool digest_close(struct load_digest *d, char ret[DIGEST_HEX_MAX])
{
    if (!d) return false;
    uint8_t bytes[DIGEST_BYTES];
    (void)SHA256_Final(bytes, &d->context);
    struct text t = text_over(ret, DIGEST_HEX_MAX);
    text_add_hex(&t, bytes, sizeof bytes);
    free(d);
    return true;
}
