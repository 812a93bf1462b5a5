/* What the walk takes it gives back, on every way out that a signal or a lost terminal leaves: the
 * signals that would end it wait at a descriptor, and are looked at where it waits anyway. What
 * can't be caught (kill -9, a power cut) leaves the tank paused, and the daemon says for what. */
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <sys/signalfd.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/commission/commission.h"

enum { BY_SIGNAL = 128 }; /* an exit code over this: so the shell says it, too */
enum { REACH_MOST_MS = 20000, REACH_AGAIN_MS = 500 };

/* SIGPIPE, too: where the output goes into a pipe, Ctrl-C ends what reads it at the same time. */
static void ends_a_walk(sigset_t *ret)
{
    sigemptyset(ret);
    sigaddset(ret, SIGINT);
    sigaddset(ret, SIGTERM);
    sigaddset(ret, SIGHUP);
    sigaddset(ret, SIGQUIT);
    sigaddset(ret, SIGPIPE);
}

void walk_guard(struct walk *w)
{
    sigset_t ends;
    if (w->guards++ > 0) return;
    ends_a_walk(&ends);
    w->signals = signalfd(-1, &ends, SFD_CLOEXEC | SFD_NONBLOCK);
    if (w->signals >= 0) (void)sigprocmask(SIG_BLOCK, &ends, &w->before);
}

void walk_unguard(struct walk *w)
{
    if (--w->guards > 0 || w->signals < 0) return;
    (void)close(w->signals);
    w->signals = -1;
    (void)sigprocmask(SIG_SETMASK, &w->before, NULL);
}

/* The signal that came within that time, or 0. */
static int signal_within(const struct walk *w, int ms)
{
    struct pollfd p = { .fd = w->signals, .events = POLLIN };
    struct signalfd_siginfo info;
    if (poll(&p, 1, ms) <= 0 || read(w->signals, &info, sizeof info) != sizeof info) return 0;
    return (int)info.ssi_signo;
}

void walk_rest(struct walk *w, int ms)
{
    if (w->code != TOOL_GO_ON) return;
    const int number = signal_within(w, ms);
    if (number != 0) w->code = BY_SIGNAL + number;
}

bool walk_interrupted(const struct walk *w)
{
    return w->code > BY_SIGNAL;
}

void walk_cancel(struct walk *w, const char *tank)
{
    char quoted[TOOL_PATH_MAX * 2];
    const char *const members[] = { "tank", tool_quote(quoted, tank), NULL };
    const bool done = walk_try(w, "cancel", members, NULL) == EX_OK;
    walk_say(done ? "%s: what you asked for is cancelled; what came of it counts."
                  : "%s: what you asked for goes on to its end.",
        tank);
}

/* --- pausing ---------------------------------------------------------------------------------- */

static int ask_pause(
    struct walk *w, const struct walk_pause *pause, bool on, char ret_reason[WALK_LINE_MAX])
{
    char quoted[TOOL_PATH_MAX * 2], what_for[TOOL_PATH_MAX * 2];
    const char *const members[] = { "tank", tool_quote(quoted, pause->tank), "on",
        on ? "true" : "false", "for", tool_quote(what_for, pause->what_for), NULL };
    return walk_try(w, "pause", members, ret_reason);
}

bool walk_pause(struct walk *w, const struct walk_pause *pause)
{
    char reason[WALK_LINE_MAX];
    const char *tank = pause->tank;
    const int code = ask_pause(w, pause, true, reason);
    if (code == EX_OK)
        walk_say("%s is paused meanwhile.", tank);
    else if (code == 1 && text_same(reason, "not-yours"))
        walk_say("%s is paused already, and stays so afterwards.", tank);
    else
        walk_say("%s can't be paused (%s): its scheduler may run pumps meanwhile.", tank,
            code == 1 ? reason : "the daemon doesn't answer");
    return code != 1; /* without an answer it may be paused all the same */
}

void walk_resume(struct walk *w, const struct walk_pause *pause)
{
    char reason[WALK_LINE_MAX];
    const char *tank = pause->tank;
    const int code = ask_pause(w, pause, false, reason);
    if (code == EX_OK)
        walk_say("%s isn't paused any more.", tank);
    else if (code == 1)
        walk_say("%s stays paused: somebody paused it for something else.", tank);
    else
        walk_say("!! %s stays paused: the daemon doesn't answer. When it does again: 'dosewright "
                 "unpause %s'.",
            tank, tank);
}

void walk_reach(struct walk *w)
{
    int code = EX_OK;
    for (int ms = 0; ms < REACH_MOST_MS; ms += REACH_AGAIN_MS) {
        w->tool->quiet = true;
        cJSON_Delete(tool_call(w->tool, "{\"call\":\"status\"}", TOOL_WAIT_MS, NULL, &code));
        w->tool->quiet = false;
        if (code == EX_OK || code == 1) return;
        if (ms == 0) walk_say("Waiting for the daemon, to end the pause. (Ctrl-C: leave it.)");
        fflush(stdout);
        if (signal_within(w, REACH_AGAIN_MS) != 0) return;
    }
}
