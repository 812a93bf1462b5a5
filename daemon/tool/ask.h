/* The words of a request on the command line (cmd_ask.c), for every way that a request can take to
 * the daemon: the local door, or the broker (cmd_call.c). */
#ifndef DOSEWRIGHT_DAEMON_ASK_H
#define DOSEWRIGHT_DAEMON_ASK_H

#include "daemon/tool/tool.h"

/* What --help says of them. */
#define ASK_REQUESTS                                                                               \
    "  set TANK ec VALUE [--for SPAN]   move the EC setpoint (mS/cm) for a time\n"                 \
    "  set TANK ph VALUE [--for SPAN]   move the pH setpoint for a time\n"                         \
    "                                   SPAN: 90min, 8h, 2d; kept for later overrides, too\n"      \
    "  override-end TANK                back to the schedule's setpoints now\n"                    \
    "  service TANK on|off              hands in the tank: nothing moves until it is off\n"        \
    "  acknowledge ALERT                somebody has seen to it\n"                                 \
    "  claim CHAIN                      take the chain over from whoever commands it\n"            \
    "  refilled STOCK [ML]              the bottle is full again, or holds so much\n"              \
    "  tube-changed TANK STOCK          that pump's head has a new tube: its hours count anew\n"   \
    "  strainer-cleaned TANK            the inlet strainer of its circulation is clean\n"          \
    "  water-changed TANK [LITRES]      its water is new, or so much of it\n"                      \
    "  identify CHAIN/POSITION.CHANNEL  show which pump that is, e.g. west/2.3\n"                  \
    "  adopt CHAIN [yes]                take the modules as they answer now; without yes it "      \
    "only\n"                                                                                       \
    "                                   shows which bottle each pump would draw from\n"            \
    "  bench TANK on|off                tubes or probes are out: nothing moves but what you ask "  \
    "for\n"                                                                                        \
    "  cancel TANK                      ends what was asked for there and is under way\n"          \
    "  dose TANK STOCK ML               one dose, as the scheduler would give it\n"                \
    "  prime TANK STOCK ML cup|tank     fill a line; into a cup only on the bench\n"               \
    "  circulate TANK SECONDS           run the circulation for so long\n"                         \
    "  run TANK STOCK ML cup|tank       run a pump whose volume you measure; then\n"               \
    "  measured TANK STOCK ML           say how much arrived: three runs calibrate it\n"           \
    "  run-flow TANK SECONDS            run the circulation into a bucket, on the bench; then\n"   \
    "  flow TANK LITRES [SECONDS]       say how much came, in all of that run or in so long\n"     \
    "  bath TANK ec|ph POINT [DEGC]     the probe hangs in that buffer or standard, on the "       \
    "bench:\n"                                                                                     \
    "                                   technical-7, 4.01, 1413 ...\n"

/* Makes the request that the tool's words say, and gives the exit code. 'span' is what --for says,
 * or NULL. */
int ask_words(struct tool *tool, const char *span);

#endif
