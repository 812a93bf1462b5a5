#include "daemon/digest.h"

#include <openssl/evp.h>
#include <stdlib.h>

#include "lib/base/text.h"

struct load_digest {
    EVP_MD_CTX *context;
};

struct load_digest *digest_open(void)
{
    struct load_digest *d = calloc(1, sizeof *d);
    if (!d) return NULL;
    d->context = EVP_MD_CTX_new();
    if (d->context && EVP_DigestInit_ex(d->context, EVP_sha256(), NULL) == 1) return d;
    EVP_MD_CTX_free(d->context);
    free(d);
    return NULL;
}

bool digest_add(struct load_digest *d, const char *bytes, size_t length)
{
    return EVP_DigestUpdate(d->context, bytes, length) == 1;
}

bool digest_close(struct load_digest *d, char ret[DIGEST_HEX_MAX])
{
    if (!d) return false;
    uint8_t bytes[EVP_MAX_MD_SIZE];
    unsigned length = 0;
    const bool good = EVP_DigestFinal_ex(d->context, bytes, &length) == 1;
    struct text t = text_over(ret, DIGEST_HEX_MAX);
    if (good) text_add_hex(&t, bytes, length);
    EVP_MD_CTX_free(d->context);
    free(d);
    return good;
}
