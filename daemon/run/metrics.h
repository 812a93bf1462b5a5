/* Figures for a Prometheus server, in a file that node-exporter's textfile collector picks up: the
 * text format of "Exposition formats" (prometheus.io), version 0.0.4. docs/metrics.md names them
 * all.
 *
 * The loop gathers a shot of the core's views, some tanks at a time; a thread of its own writes it
 * to "<file>.new" and renames that, so that a disk that hangs holds up nothing but the figures. */
#ifndef DOSEWRIGHT_DAEMON_METRICS_H
#define DOSEWRIGHT_DAEMON_METRICS_H

#include <stdio.h>

#include "daemon/door/door_status.h"
#include "daemon/mqtt/mqtt.h"

enum { METRICS_ALERTS_MAX = 64, METRICS_KEY_MAX = 40, METRICS_TANKS_AT_ONCE = 64 };

/* --- what is told ------------------------------------------------------------------------------
 */

/* How long the loop's passes took, from waking to sleeping. */
struct metrics_loop {
    uint64_t passes;
    int64_t sum_us;
    int64_t most_us; /* since the last shot */
};

struct metrics_probe {
    bool present, has_value, good;
    double value; /* inside unit */
    int64_t age_ms;
};

struct metrics_pump {
    uint32_t stock;
    int64_t hour_ul, hour_limit_ul, day_ul, day_limit_ul;
    int64_t tube_ul; /* since its tube was changed */
    bool locked;
};

struct metrics_tank {
    char key[METRICS_KEY_MAX];
    enum tank_state state;
    bool planted;
    double set_ec_us_cm, set_ph;
    struct metrics_probe probe[PROBE_QUANTITY_COUNT];
    uint32_t pump_count;
    struct metrics_pump pump[TANK_PUMPS_MAX];
};

struct metrics_stock {
    char key[METRICS_KEY_MAX];
    int64_t remaining_ul;
    double days_left; /* NaN: not known */
};

struct metrics_chain {
    char key[METRICS_KEY_MAX];
    bool well;          /* ready, and nothing is said against it */
    double volts, amps; /* NaN: not told */
};

struct metrics_alert {
    char id[ALERT_ID_MAX];
    int32_t tank; /* -1: the site's */
};

/* Of the daemon itself. */
struct metrics_daemon {
    struct site_view site;
    struct mqtt_status mqtt;
    struct metrics_loop loop;
    int64_t journal_seq;
    enum clock_trust clock;
};

struct metrics_shot { /* copies of everything: the configuration may be another meanwhile */
    struct metrics_daemon daemon;
    uint32_t alert_count, chain_count, stock_count, tank_count;
    struct metrics_alert alert[METRICS_ALERTS_MAX];
    struct metrics_chain chain[SITE_CHAINS_MAX];
    struct metrics_stock stock[SITE_STOCKS_MAX];
    struct metrics_tank *tank;
};

/* --- metrics_gather.c --------------------------------------------------------------------------
 */

/* All but the tanks; then the tanks from 'from' on, at most METRICS_TANKS_AT_ONCE. Gives the next
 * one's index. shot->tank has room for each. */
void metrics_gather_site(
    struct metrics_shot *shot, const struct status_source *source, const struct metrics_daemon *of);
uint32_t metrics_gather_tanks(
    struct metrics_shot *shot, const struct status_source *source, uint32_t from);

/* --- metrics_text.c ----------------------------------------------------------------------------
 */

/* The whole file's text. 'resident_bytes' 0: not known. */
void metrics_write(FILE *out, const struct metrics_shot *shot, int64_t resident_bytes);

/* --- metrics.c ---------------------------------------------------------------------------------
 */

struct metrics;

/* A thread that writes 'path' every 'every_ms', for sites of so many tanks. Signals must be blocked
 * by now. NULL, with a line in the log, when there is no memory for it: nothing else needs it. */
struct metrics *metrics_open(const char *path, int64_t every_ms, uint32_t tank_count);

/* Ends it and takes the file away, unless 'keep'. Waits for it at most 'wait_ms'; a thread that a
 * disk holds longer ends by itself later. NULL is fine. */
void metrics_close(struct metrics *m, bool keep, int64_t wait_ms);

/* Gathers what is due. True when a shot was begun: loop.most_us is told, and starts anew. */
bool metrics_turn(
    struct metrics *m, const struct status_source *source, const struct metrics_daemon *of);

/* When it wants to be called again at the latest; NULL: never. */
struct mono metrics_due(const struct metrics *m, struct mono now);

#endif
