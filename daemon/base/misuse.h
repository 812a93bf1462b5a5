/* What every subcommand says to a wrong argument: one line that tells what is wrong, how the
 * command is written, and where there is more. The whole of --help would push the first line off
 * the window. */
#ifndef DOSEWRIGHT_DAEMON_MISUSE_H
#define DOSEWRIGHT_DAEMON_MISUSE_H

#include <stdbool.h>

/* Is that --help, or -h? */
bool misuse_asks_help(const char *word);

/* Says "dosewright COMMAND: WHAT "WORD"" on standard error ('word' NULL: without it), then 'usage',
 * what --help prints, up to its first empty line. The exit code is EX_USAGE then. */
void misuse_say(const char *command, const char *usage, const char *what, const char *word);

#endif
