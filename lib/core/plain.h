/* Outputs of boards that speak no contract: what their reports show, where they make any. A board
 * that stays on after its time halts its tank until a person has looked. Private to the core. */
#ifndef DOSEWRIGHT_CORE_PLAIN_H
#define DOSEWRIGHT_CORE_PLAIN_H

#include "lib/core/core.h"

/* What a board's reports show. */
void core_on_board(
    struct core *core, const struct event *event, struct now now, struct actions *ret);

/* Does an output of this tank stay on? Then says so, and nothing moves. */
bool core_boards_obey(struct core *core, uint32_t tank);

/* Whose alert is this? The flag that it stands for; NULL when it is none of
 * "stays-on-<tank>-<stock or circulation>". */
bool *core_stays_on_alert(struct core *core, const char *id);

/* Raises the alert of each flag that is set, after a start or a reload; restates it in records at
 * the start of a segment. */
void core_raise_stays_on(struct core *core, uint32_t tank, struct actions *ret);
void core_carry_stays_on(const struct core *core, uint32_t tank, struct actions *ret);

/* Has another daemon taken every chain that has a head, and nobody asked for one back? Then the
 * site is the other's, boards and all: none of them can tell whom it obeys. */
bool core_site_is_anothers(const struct core *core);

/* Another daemon of this site serves it, or did lately: what it ran no board will tell. When this
 * one takes over, the limits count as used up but where its journal was followed to the end. */
void core_boards_served(struct core *core, const char *by, struct actions *ret);
void core_take_boards(struct core *core);

/* While this daemon serves the site it hears of another one that does: until that one was silent
 * for long enough neither tells a board anything, and what the other did isn't known. */
void core_boards_hear_peer(struct core *core, struct now now, struct actions *ret);
bool core_boards_contested(const struct core *core, struct now now);

/* A connection came just now: another one would be heard within a moment. */
bool core_boards_listen(const struct core *core, struct now now);

/* The journal is new, and a plain board remembers nothing of the day before. */
void core_doubt_plain(struct core *core, uint32_t chain, struct now now, struct actions *ret);

#endif
