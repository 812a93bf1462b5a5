/* What the subcommands of journal share. Private to cmd_journal*.c. */
#ifndef DOSEWRIGHT_DAEMON_CMD_JOURNAL_H
#define DOSEWRIGHT_DAEMON_CMD_JOURNAL_H

#include <stdio.h>

#include "daemon/journal/journal_scan.h"

enum { JOURNAL_GO_ON = -1 }; /* no exit code yet */

/* Opens the journal's directory for reading: a descriptor, or -1 with the reason said and the exit
 * code in *ret_code. */
int journal_open_dir(const char *dir, int *ret_code);

/* Says why something can't be read. EX_IOERR. */
int journal_cant_read(const char *dir, const char *file, const char *what);

/* Reads all of it ('s' may be NULL: no memory). JOURNAL_GO_ON, or the exit code with the reason
 * said. */
int journal_run_scan(const char *dir, struct journal_scan *s);

/* Each broken place, and a torn end. */
void journal_print_broken(FILE *out, const struct journal_scan *s);

/* journal report: argv[1] is "report". */
int journal_report_command(int argc, char **argv);

#endif
