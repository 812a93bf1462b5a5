/* A result becomes a file: whole or not at all, and never over something that isn't such a result.
 * What reports and worksheets are saved with. */
#ifndef DOSEWRIGHT_DAEMON_SAVE_FILE_H
#define DOSEWRIGHT_DAEMON_SAVE_FILE_H

#include <stdio.h>

#include "lib/base/problem.h"

struct save_file {
    const char *path;
    bool over;                     /* replace whatever file is there */
    const char *kind;              /* "report": what the file should be, for people */
    const char *const *beginnings; /* by which such files are known again; ended by NULL */
    void (*write)(FILE *out, const void *context);
    const void *context;
    const bool *failed; /* set by 'write' when it had a reason of its own to fail; or NULL */
    unsigned mode;      /* of the file; 0: 0644, less what the process's mask takes away */
};

/* Writes a temporary file beside the path and renames it; what is written can be read back at the
 * same descriptor. ERR_BUSY when something else is there,
 * ERR_IO; 'problem' has path and reason. */
enum err save_file(const struct save_file *what, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
