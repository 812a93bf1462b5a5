/* The subcommands. Each is a file cmd_<name>.c with one function of this shape: argv[0] is its own
 * name, its arguments follow. It returns the exit code: 0 done, 1 ran and the answer is no, or a
 * code of sysexits.h. */
#ifndef DOSEWRIGHT_DAEMON_CMD_H
#define DOSEWRIGHT_DAEMON_CMD_H

int cmd_run(int argc, char **argv);
int cmd_check(int argc, char **argv);
int cmd_journal(int argc, char **argv);
int cmd_backup(int argc, char **argv);  /* a copy of configuration and journal in one file */
int cmd_restore(int argc, char **argv); /* and back */
int cmd_rig(int argc, char **argv);
int cmd_status(int argc, char **argv);
int cmd_pause(int argc, char **argv); /* pause and unpause */
int cmd_halt(int argc, char **argv);  /* halt and release */
int cmd_reload(int argc, char **argv);
int cmd_commission(int argc, char **argv); /* the walk through a new site */
int cmd_ask(int argc, char **argv);        /* other requests through the local door */
int cmd_call(int argc, char **argv);       /* the same over the broker */
int cmd_forecast(int argc, char **argv);   /* weeks of a site against a model; talks to nobody */
int cmd_drive(int argc, char **argv);      /* the core, step by step; talks to nobody */
int cmd_doctor(int argc, char **argv);     /* what isn't as it should be */
int cmd_worksheet(int argc, char **argv);  /* what a configuration says, for paper */
int cmd_reckon(int argc, char **argv);     /* stock arithmetic; talks to nobody */

#endif
