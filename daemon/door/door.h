/* The local door: a Unix socket (mode 0660) through which the command-line tools reach a running
 * daemon, broker or no broker. One connection carries one call: a line of JSON in, a line of JSON
 * out. The server side never blocks and holds at most DOOR_CLIENTS_MAX connections. */
#ifndef DOSEWRIGHT_DAEMON_DOOR_H
#define DOSEWRIGHT_DAEMON_DOOR_H

#include "lib/base/problem.h"
#include "lib/core/core.h"

enum { DOOR_CLIENTS_MAX = 16, DOOR_CALL_MAX = 4096, DOOR_ANSWER_MAX = 1024 * 1024 };

struct door;

enum door_kind {
    DOOR_STATUS,  /* answer with door_answer_status */
    DOOR_RELOAD,  /* answer with door_answer when the verdict is known */
    DOOR_REQUEST, /* goes to the core; its answer comes back by ticket */
};

struct door_call {
    enum door_kind kind;
    uint64_t ticket;              /* names the connection; never 0 */
    struct event_request request; /* its origin is "socket", its ticket is set */
};

/* What the shell knows and the core doesn't. */
struct door_shell {
    const char *broker_uri, *broker_why;
    bool broker_plain_remote;               /* a plain connection to another host */
    uint64_t broker_unread;                 /* messages too long, on no topic, or without room */
    uint64_t broker_ignored;                /* ... read, and not what their topic asks for */
    const char *config_path, *config_error; /* "" when the newest file was taken */
    struct civil config_loaded;
    int64_t journal_seq;
    const char *journal_hash;
};

/* Takes over a stale socket file, but not one that somebody answers at (ERR_BUSY). */
enum err door_open(struct door **ret, const char *path, struct problem *problem)
    __attribute__((warn_unused_result));
void door_close(struct door *d); /* removes the file; NULL is fine */

/* Readable when door_take should be called, also when a client that neither speaks nor listens is
 * to be dropped. */
int door_descriptor(const struct door *d);

/* The next call; names are looked up in 'site'. Calls that can't be read are answered inside. Call
 * it until it returns false. Each call it returns is to be answered; answers to a ticket whose
 * client has left go nowhere. */
bool door_take(struct door *d, const struct site *site, struct now now, struct door_call *ret);

/* The answer to a call; the client is let go. */
void door_answer(struct door *d, uint64_t ticket, bool ok, const char *reason, const char *text);
/* ... and to DOOR_STATUS. */
void door_answer_status(struct door *d, uint64_t ticket, const struct core *core,
    const struct site *site, const struct door_shell *shell, struct now now);

/* Client side, blocking, for the tools: sends one line, gives the answer (malloced, caller frees).
 * ERR_IO when nobody listens there, ERR_BUSY when no answer came within 'wait_ms', ERR_DAMAGED when
 * the daemon hung up. 'wait_ms' bounds it all. */
enum err door_ask(const char *path, const char *line, int64_t wait_ms, char **ret_answer,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
