/* The table of the daemon's Homie properties: one row each, in the contract's order. The same rows
 * drive the descriptions, the values, and what can be set. Pure: values in, text out. */
#ifndef DOSEWRIGHT_DAEMON_HOMIE_ROWS_H
#define DOSEWRIGHT_DAEMON_HOMIE_ROWS_H

#include "lib/base/text.h"
#include "lib/core/view.h"
#include "lib/journal/link.h"

enum {
    HOMIE_VALUE_MAX = 4096, /* bytes of one value, NUL included */
    HOMIE_REFRESH_MS = 60000,
};

enum homie_type {
    HOMIE_BOOLEAN,
    HOMIE_FLOAT,
    HOMIE_INTEGER,
    HOMIE_STRING,
    HOMIE_ENUM,
    HOMIE_DURATION,
    HOMIE_JSON,
    HOMIE_TYPE_COUNT,
};

enum homie_format { HOMIE_ANY, HOMIE_QUALITIES, HOMIE_STATES, HOMIE_SOURCES, HOMIE_EC, HOMIE_PH };

enum homie_what {
    WHAT_HALT,
    WHAT_BEAT,
    WHAT_CONFIG,
    WHAT_ENTRY,
    WHAT_TIP,
    WHAT_CALL,
    WHAT_ANSWER,
    WHAT_EC,
    WHAT_PH,
    WHAT_TEMPERATURE,
    WHAT_VOLUME,
    WHAT_EC_QUALITY,
    WHAT_PH_QUALITY,
    WHAT_TEMPERATURE_QUALITY,
    WHAT_AIR_TEMPERATURE,
    WHAT_HUMIDITY,
    WHAT_VPD,
    WHAT_LIGHT,
    WHAT_SET_EC,
    WHAT_SET_PH,
    WHAT_OVERRIDE_FOR,
    WHAT_SOURCE,
    WHAT_STAGE,
    WHAT_DAY,
    WHAT_STATE,
    WHAT_WHY,
    WHAT_PAUSED,
    WHAT_LAST,
    WHAT_DAY_ML,
    WHAT_REMAINING,
    WHAT_DAYS_LEFT,
};

struct homie_row {
    enum homie_what what;
    const char *node, *property; /* a stock's node is "stock-" and its key */
    const char *name;            /* for people */
    enum homie_type type;
    enum homie_format format;
    const char *unit; /* NULL: none */
    bool settable;
    bool momentary; /* not retained: it has no value that stands */
    bool refresh;   /* said again every minute, unchanged or not */
    bool measured;  /* the value of this probe: said again only while it can be trusted */
    enum probe_quantity quantity;
    unsigned decimals;  /* of a float */
    int64_t resolution; /* of a float, in its last place: a smaller move isn't said */

    /* for a home hub (homie_component.c), NULL where there is nothing to add */
    const char *hub_class;               /* its word for what this measures */
    const char *hub_unit;                /* where its value has another unit than this one */
    const char *hub_value, *hub_command; /* templates, where the hub's value isn't the payload; a
                                            JSON property without one isn't shown there */
    bool hub_aside;                      /* for whoever looks closer */
};

/* The rows of the site's device, of a tank's, and of a stock in a tank's. A device's properties are
 * counted through: a tank has homie_tank_count rows, then those of its first pump's stock, ... */
uint32_t homie_site_count(void);
uint32_t homie_tank_count(void);
uint32_t homie_stock_count(void);
const struct homie_row *homie_site_row(uint32_t index);
const struct homie_row *homie_tank_row(uint32_t index);
const struct homie_row *homie_stock_row(uint32_t index);

const char *homie_type_word(enum homie_type type); /* "boolean", ... */

/* What the values are made from. 'tank' is NULL for the site's device; 'stock' is set for a stock's
 * rows. */
struct homie_source {
    const struct site_view *site;
    const char *config; /* the JSON of site/config */
    const struct link_tip *tip;
    const struct tank_view *tank;
    const struct stock_view *stock;
};

/* A value as it is said. 'scaled' is a float's number in its last place, for comparing. */
struct homie_value {
    char text[HOMIE_VALUE_MAX];
    size_t length;
    int64_t scaled;
};

/* Fills 'ret'; false when there is no value yet. An empty string is one zero byte, as Homie says.
 */
bool homie_value(
    struct homie_value *ret, const struct homie_row *row, const struct homie_source *s);

/* The format of a row into 't' ("good,stale,..."); 'tank' gives the envelope. Nothing for
 * HOMIE_ANY. */
void homie_add_format(struct text *t, const struct homie_row *row, const struct site_tank *tank);

/* A span as Homie writes it, rounded to seconds: "PT8H", "PT1H30M", "PT0S". */
void homie_add_duration(struct text *t, int64_t span_ms);

#endif
