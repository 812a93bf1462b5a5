/* What the command-line tools share: reading their options, finding the daemon's socket, making one
 * call and saying how it went.
 *
 * Exit codes: 0 done; 1 the daemon said no; EX_USAGE (64) the command was written wrong; EX_DATAERR
 * (65) the daemon's answer can't be read; EX_UNAVAILABLE (69) nobody answers; EX_IOERR (74) the
 * daemon hung up or kept silent. */
#ifndef DOSEWRIGHT_DAEMON_TOOL_H
#define DOSEWRIGHT_DAEMON_TOOL_H

#include <cjson/cJSON.h>

#include "lib/base/problem.h"
#include "lib/base/text.h"

enum {
    TOOL_WORDS_MAX = 8,
    TOOL_PATH_MAX = 256,
    TOOL_LINE_MAX = 4096,
    TOOL_GO_ON = -1,      /* no exit code yet */
    TOOL_WAIT_MS = 10000, /* for an answer that needs no thought */
};

/* An option of one tool only, beside --socket, --json and --help. */
struct tool_option {
    const char *name;   /* "--for" */
    const char **value; /* NULL: it takes none */
    bool *given;
};

/* Another way to the daemon than its local door. 'carry' takes the line of a call and gives the
 * answer's, which the caller frees; ERR_IO: nobody can be reached, ERR_BUSY: no answer in time. */
struct tool_way {
    enum err (*carry)(
        void *context, const char *line, int64_t wait_ms, char **ret_answer, struct problem *p);
    void *context;
};

struct tool {
    const char *usage;                /* what --help prints, each line ended */
    const struct tool_option *option; /* ends with a NULL name; may be NULL */
    const struct tool_way *way;       /* NULL: the local door */
    /* found by tool_read: */
    const char *name;   /* of the subcommand */
    const char *socket; /* NULL: not given */
    bool json;
    int count; /* words that are no options, in order */
    const char *word[TOOL_WORDS_MAX];
    char path[TOOL_PATH_MAX]; /* of the daemon's socket, once tool_call has found it */
    bool quiet;               /* tool_call keeps in 'problem' what it would say */
    struct problem problem;
};

/* Reads the arguments after argv[0]. TOOL_GO_ON, or the exit code when that was all. */
int tool_read(struct tool *tool, int argc, char **argv);

/* Says what is wrong with the words (or with 'word'), and how the command is written
 * (daemon/base/misuse.h). EX_USAGE. Only after tool_read. */
int tool_misused(const struct tool *tool, const char *what);
int tool_misused_word(const struct tool *tool, const char *what, const char *word);

/* The socket to use: the one given, else 'environment', else the only *.sock in 'dir'. */
enum err tool_find_socket(char ret[TOOL_PATH_MAX], const char *given, const char *environment,
    const char *dir, struct problem *problem);

/* Makes one call and gives the answer, or NULL with the exit code in *ret_code and the reason said.
 * With tool->quiet the reason is in tool->problem. 'ret_raw' (NULL: not wanted) gets the line as it
 * came; both are freed by the caller. */
cJSON *tool_call(
    struct tool *tool, const char *line, int64_t wait_ms, char **ret_raw, int *ret_code);

/* The whole status, page by page, as one answer whose "tanks" are all of them; NULL as tool_call.
 */
cJSON *tool_status(struct tool *tool, int *ret_code);

/* Makes one call whose answer is yes or no, says it, and gives the exit code. With --json the raw
 * answer is all that is printed. 'done' (NULL: none) is said after a yes without words of its own.
 */
int tool_ask(struct tool *tool, const char *line, int64_t wait_ms, const char *done);
/* The same of a call that another one follows: its answer is said only when it is a no. */
int tool_ask_first(struct tool *tool, const char *line, int64_t wait_ms);

/* Makes a request of the members given: name and value by turns, ended by NULL; values are JSON
 * already, tool_quote makes strings. False when it doesn't fit. */
bool tool_request(char ret[TOOL_LINE_MAX], const char *request, const char *const members[]);

/* A JSON string of a word from the command line, in 'ret' (cut to nothing when it doesn't fit). */
const char *tool_quote(char ret[TOOL_PATH_MAX * 2], const char *word);

#endif
