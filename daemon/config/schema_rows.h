/* The tables of every configuration file, and the structs they fill before names become indexes. */
#ifndef DOSEWRIGHT_DAEMON_SCHEMA_ROWS_H
#define DOSEWRIGHT_DAEMON_SCHEMA_ROWS_H

#include "daemon/config/schema.h"
#include "lib/core/site.h"

struct draft_site {
    const char *key, *name, *homie_domain, *journal_dir, *socket_path;
    int64_t keep_days;
    double water_every_ms;
    int64_t summary_at_ms;
    int64_t silence_ms;
    const char *metrics_file;
    int64_t metrics_every_ms;
    uint32_t discovery; /* 0 none, 1 home-assistant */
    const char *discovery_prefix;
    uint32_t version; /* 0: MQTT 5, 1: 3.1.1 */
    const char *username, *password_file, *ca_file, *cert_file, *key_file;
    bool insecure_plain;
    int64_t keepalive_s;
};

struct draft_chain {
    const char *device;
    double volts, amps, usable_percent, start_factor;
};

struct draft_module {
    const char *serial;
    int64_t position, awg;
    double length_m;
    struct supply_module power;
};

struct draft_stock {
    const char *solution;
    int64_t bottle_ul, low_ul;
    double low_days;
};

struct draft_tank {
    struct site_tank tank;
    const char *schedule, *lowers_ph, *raises_ph;
};

struct draft_pump {
    struct site_pump pump;
    double bore_mm, length_m; /* of the tube from the bottle; 0: not given */
};

struct draft_stage {
    const char *name;
    double ec_us_cm[2], ph[2]; /* from, to */
    double night_ec_us_cm, night_ph;
};

struct draft_crop {
    const char *crop, *zone;
    int64_t day_from_ms, day_to_ms;
};

struct draft_solution {
    const char *stock;
    uint32_t kind;       /* enum stock_kind */
    uint32_t acid, base; /* index into the words */
    struct stock_solution solution;
};

extern const struct schema_table schema_site, schema_broker;
extern const struct schema_table schema_chain, schema_module;
extern const struct schema_table schema_stock;
extern const struct schema_table schema_tank, schema_pump, schema_limit;
extern const struct schema_table schema_board;
extern const struct schema_table schema_probe, schema_probes, schema_leak;
extern const struct schema_table schema_crop, schema_stage;
extern const struct schema_table schema_solution;

extern const struct schema_row schema_uri;         /* of broker.uris */
extern const struct schema_row schema_signer;      /* of requests.keys: a file */
extern const struct schema_row schema_part;        /* of recipe */
extern const struct schema_row schema_grams;       /* of grams_per_litre */
extern const struct schema_row schema_days;        /* of a stage */
extern const struct schema_row schema_fault_value; /* of a probe */
extern const struct schema_row schema_nothing_word;
extern const struct schema_row schema_name; /* of keep_apart: a key */

#endif
