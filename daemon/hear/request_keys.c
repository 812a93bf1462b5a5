#include "daemon/hear/request_keys.h"

#include <errno.h>
#include <openssl/crypto.h>
#include <string.h>
#include <unistd.h>

#include "daemon/hear/request_sign.h"
#include "lib/base/text.h"

static void say(struct problem_list *list, const char *signer, const char *path, const char *what)
{
    char text[PROBLEM_TEXT_MAX];
    struct problem problem = { 0 };
    struct text t = text_over(text, sizeof text);
    text_add(&t, "the key '");
    text_add(&t, signer);
    text_add(&t, "': ");
    text_add(&t, what);
    (void)problem_set(&problem, ERR_IO, path, text);
    problem_list_add(list, &problem);
}

static bool same_key(const struct secret *a, const struct secret *b)
{
    return a->length == b->length && CRYPTO_memcmp(a->bytes, b->bytes, (size_t)a->length) == 0;
}

static bool read_one(struct request_keys *keys, const struct config *config, uint32_t index,
    struct problem_list *errors)
{
    const char *signer = config->site.signer[index], *path = config->signer_file[index];
    struct problem problem;
    struct secret *key = &keys->key[index];
    if (sign_read_key(key, path, &problem) != ERR_NONE) {
        say(errors, signer, path, problem.text);
        return false;
    }
    for (uint32_t i = 0; i < index; i++) {
        if (!same_key(key, &keys->key[i])) continue;
        say(errors, signer, path,
            "another sender has the same one; make each its own with: openssl rand -hex 32");
        return false;
    }
    return true;
}

enum err request_keys_read(
    struct request_keys *ret, const struct config *config, struct problem_list *errors)
{
    bool good = true;
    memset(ret, 0, sizeof *ret);
    for (uint32_t i = 0; i < config->site.signer_count; i++) {
        good = read_one(ret, config, i, errors) && good;
    }
    ret->count = config->site.signer_count;
    if (good) return ERR_NONE;
    request_keys_forget(ret);
    return ERR_IO;
}

/* NULL when it can; else why it can't be looked at from here, though 'run' may. */
static const char *out_of_sight(const char *path)
{
    if (strncmp(path, "${", 2) == 0) return "it can't be looked at here";
    if (access(path, R_OK) == 0 || errno != EACCES) return NULL;
    return "this user may not read it, so it wasn't looked at";
}

void request_keys_check(
    const struct config *config, struct problem_list *errors, struct problem_list *warnings)
{
    static struct request_keys keys;
    memset(&keys, 0, sizeof keys);
    for (uint32_t i = 0; i < config->site.signer_count; i++) {
        const char *path = config->signer_file[i], *why = out_of_sight(path);
        if (why && path[0] == '/')
            say(warnings, config->site.signer[i], path, why);
        else if (!why)
            (void)read_one(&keys, config, i, errors);
    }
    request_keys_forget(&keys);
}

void request_keys_forget(struct request_keys *keys)
{
    explicit_bzero(keys, sizeof *keys);
}
