/* The answer to a status call: one JSON object with everything that the views show. EC is in mS/cm,
 * volumes in mL, spans in seconds; what isn't known is null.
 *
 *     { "ok": true, "time", "clock",
 *       "site": {...}, "broker": {...}, "journal": {...}, "config": {...},
 *       "alerts": [...], "chains": [...], "stocks": [...], "tanks": [...], "next": 800 }
 *
 * "next" is there when the tanks from that index on did not fit: ask again with "from". */
#ifndef DOSEWRIGHT_DAEMON_DOOR_STATUS_H
#define DOSEWRIGHT_DAEMON_DOOR_STATUS_H

#include "daemon/door/door.h"

/* Where the views come from: the core, or a test. Counts are those of 'site'. */
struct status_source {
    const void *context;
    const struct site *site;
    const struct door_shell *shell;
    struct now now;
    void (*view_site)(const struct status_source *source, struct site_view *ret);
    void (*view_chain)(const struct status_source *source, uint32_t chain, struct chain_view *ret);
    void (*view_stock)(const struct status_source *source, uint32_t stock, struct stock_view *ret);
    void (*view_tank)(const struct status_source *source, uint32_t tank, struct tank_view *ret);
    bool (*alert)(const struct status_source *source, uint32_t index, struct alert_view *ret);
};

/* What the core shows of itself. */
struct status_source status_of_core(const struct core *core, const struct site *site,
    const struct door_shell *shell, struct now now);

/* Appends the object, without a line feed; tanks from index 'from' on, as many as leave some room.
 * 't' must have room for STATUS_FRAME_MAX at least. */
enum { STATUS_FRAME_MAX = 768 * 1024, STATUS_ALERTS_MAX = 128 };
void status_add(struct text *t, const struct status_source *source, uint32_t from);

#endif
