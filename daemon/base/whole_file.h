/* Reads a whole file of a configuration, or says why it can't be trusted: it must be a regular file
 * (not a link, pipe or device), within the size limit, not writable by everyone, and the same
 * before and after it was read. */
#ifndef DOSEWRIGHT_DAEMON_WHOLE_FILE_H
#define DOSEWRIGHT_DAEMON_WHOLE_FILE_H

#include "daemon/base/arena.h"
#include "lib/base/problem.h"

enum { WHOLE_FILE_MAX = 256 * 1024 };

struct whole_file {
    const char *bytes; /* in the arena; a NUL follows the last */
    size_t length;     /* at most WHOLE_FILE_MAX */
    bool group_writable;
};

/* The problem's text names neither the path nor a position: the caller knows where it was named. */
enum err whole_file_read(struct whole_file *ret, struct arena *arena, const char *path,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
