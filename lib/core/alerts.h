/* What people should know of, until it ends or they acknowledge it. Private to the core (state.h
 * includes it). */
#ifndef DOSEWRIGHT_CORE_ALERTS_H
#define DOSEWRIGHT_CORE_ALERTS_H

#include "lib/core/view.h"

struct core;
struct actions;

enum { CORE_ALERTS_MAX = 64 };

struct core_alert {
    bool used;
    char id[ALERT_ID_MAX];
    char text[ALERT_TEXT_MAX];
    int32_t tank;
};

/* Raises an alert (or renews its text) and clears it; both record and log a change, once. A reload
 * ends those of tanks and chains that are there no more. */
void alert_raise(
    struct core *core, const char *id, int32_t tank, const char *text, struct actions *ret);
void alert_clear(struct core *core, const char *id, struct actions *ret);
bool alert_stands(const struct core *core, const char *id);
void alerts_move(struct core *fresh, const struct core *old, struct actions *ret);
/* "id-key", "id-key-more" in 'ret'. */
void alert_name(char ret[ALERT_ID_MAX], const char *id, const char *key, const char *more);

#endif
