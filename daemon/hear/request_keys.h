/* The keys that requests over the broker are signed with, in memory while the daemon runs. */
#ifndef DOSEWRIGHT_DAEMON_HEAR_REQUEST_KEYS_H
#define DOSEWRIGHT_DAEMON_HEAR_REQUEST_KEYS_H

#include "daemon/config/config.h"
#include "daemon/mqtt/mqtt_secret.h"

struct request_keys {
    uint32_t count;
    struct secret key[SITE_SIGNERS_MAX]; /* of config->site.signer, in its order */
};

/* Reads every key of a configuration (sign_read_key). Lists what is wrong: a file that can't be
 * read, is too short, open to everyone, or holds the same key as another; on failure 'ret' holds
 * nothing. */
enum err request_keys_read(struct request_keys *ret, const struct config *config,
    struct problem_list *errors) __attribute__((warn_unused_result));

/* Looks at the keys as 'check' does, and forgets them: what 'run' would refuse is an error; where a
 * file can't be looked at from here (CREDENTIALS_DIRECTORY isn't set, another user's file) that is
 * a warning. */
void request_keys_check(
    const struct config *config, struct problem_list *errors, struct problem_list *warnings);

/* Wipes them. */
void request_keys_forget(struct request_keys *keys);

#endif
