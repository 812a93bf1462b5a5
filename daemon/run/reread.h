/* The configuration, read again while the daemon runs: on a thread of its own, because a disk may
 * be slow and a site of a thousand tanks takes its time, and no order to halt may wait for either.
 */
#ifndef DOSEWRIGHT_DAEMON_REREAD_H
#define DOSEWRIGHT_DAEMON_REREAD_H

#include "daemon/config/config.h"
#include "daemon/hear/request_keys.h"

struct reread;

struct reread_found {
    struct config *config; /* NULL: it can't be had */
    struct request_keys keys;
    struct problem_list errors;
};

/* Begins to read the site file 'path' and all it names. ERR_IO when the system refuses memory or a
 * thread. */
enum err reread_open(struct reread **ret, const char *path, struct problem *problem)
    __attribute__((warn_unused_result));

/* Lets go of it, wherever it is; its thread ends by itself. What wasn't taken is freed. NULL is
 * fine. */
void reread_close(struct reread *r);

/* What was found, the reread's own until reread_close; NULL while it is still being read. Who takes
 * 'config' sets it to NULL. */
struct reread_found *reread_found(struct reread *r);

#endif
