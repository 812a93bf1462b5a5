/* The walk through a new site, or one tank: what it asks the person, what it asks the daemon. It
 * keeps nothing: where each step stands is what the daemon's status says, so that it may be left
 * and taken up again anywhere. */
#ifndef DOSEWRIGHT_DAEMON_COMMISSION_H
#define DOSEWRIGHT_DAEMON_COMMISSION_H

#include <signal.h>

#include "daemon/tool/tool.h"

enum { WALK_LINE_MAX = 256 };

struct walk {
    struct tool *tool;
    int code;    /* exit code once the daemon is gone, or the person has left; else TOOL_GO_ON */
    int signals; /* where one shows that would end the walk, while it is guarded; -1 else */
    sigset_t before;
    int guards;
};

/* --- commission_talk.c ------------------------------------------------------------------------ */

enum walk_reply {
    WALK_YES,
    WALK_SKIP,
    WALK_LEAVE, /* q, or the end of the input */
};

/* A heading, and lines of explanation. */
void walk_head(const char *text);
__attribute__((format(printf, 1, 2))) void walk_say(const char *format, ...);

/* Enter or y: go on; s or n: skip; q: leave. Other words are asked again. */
enum walk_reply walk_confirm(struct walk *w, const char *question);

/* A plain number within bounds, or one of the letters above ('fallback' for Enter; NaN: none). */
enum walk_reply walk_number(
    struct walk *w, const char *question, double least, double most, double fallback, double *ret);

/* A word without blanks; Enter takes 'fallback'. */
enum walk_reply walk_word(
    struct walk *w, const char *question, const char *fallback, char ret[WALK_LINE_MAX]);

/* The daemon's status; NULL when it is gone (w->code says so). The caller frees it. On a large site
 * not all tanks are in it: '_whole' asks on until they are. */
cJSON *walk_status(struct walk *w);
cJSON *walk_status_whole(struct walk *w);

/* The tank in its own object, whichever page it stands on; NULL when the daemon is gone or has no
 * such tank. The caller frees it. */
cJSON *walk_tank(struct walk *w, const char *tank);

/* A request with members as tool_request wants them; what the daemon answers is said. */
bool walk_ask(struct walk *w, const char *request, const char *const members[]);

/* Waits until nothing that was asked for is under way in this tank and no probe is listening, and
 * says how it goes on; false when the daemon is gone, or after 'seconds_most'. Who leaves it there
 * by Ctrl-C, cancels what was asked for. */
bool walk_wait(struct walk *w, const char *tank, int seconds_most);

/* A request about which nothing is said but by the caller: EX_OK, 1 when it is refused and why in
 * 'ret_reason' (NULL: not wanted), else nobody answered. It is made also after the walk was left.
 */
int walk_try(struct walk *w, const char *request, const char *const members[],
    char ret_reason[WALK_LINE_MAX]);

/* --- commission_guard.c: the walk has taken something that it must give back first --------------
 */

/* From now on a signal that would end the walk (Ctrl-C, a terminal that is lost, its output gone)
 * only makes walk_rest leave it, with the exit code that such an end has. Guards may lie within
 * each other. */
void walk_guard(struct walk *w);
/* Lets signals end it again. */
void walk_unguard(struct walk *w);

/* Waits so long; at once back when the walk is left. */
void walk_rest(struct walk *w, int ms);
/* Did a signal leave it? */
bool walk_interrupted(const struct walk *w);

/* Ends what this walk asked for in a tank. */
void walk_cancel(struct walk *w, const char *tank);

struct walk_pause {
    const char *tank, *what_for; /* as the daemon shows it: "the power step of ..." */
};

/* Pauses a tank for this walk (false: somebody else has), and ends that pause: never another's. */
bool walk_pause(struct walk *w, const struct walk_pause *pause);
void walk_resume(struct walk *w, const struct walk_pause *pause);
/* Waits some seconds for a daemon that doesn't answer; another signal ends that. */
void walk_reach(struct walk *w);

/* --- the steps: each gives what the person wants next ----------------------------------------- */

enum walk_reply commission_broker(struct walk *w);
enum walk_reply commission_chains(struct walk *w);
enum walk_reply commission_power(struct walk *w);
enum walk_reply commission_circulation(struct walk *w, const char *tank);
enum walk_reply commission_bench(struct walk *w, const char *tank, bool on);
enum walk_reply commission_pumps(struct walk *w, const char *tank);
enum walk_reply commission_probes(struct walk *w, const char *tank);
enum walk_reply commission_water(struct walk *w, const char *tank);
enum walk_reply commission_dose(struct walk *w, const char *tank);

#endif
