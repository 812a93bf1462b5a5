/* The whole configuration: what the core needs (struct site) and what only the shell needs. One
 * arena owns every string and array; it is loaded whole or not at all. */
#ifndef DOSEWRIGHT_DAEMON_CONFIG_H
#define DOSEWRIGHT_DAEMON_CONFIG_H

#include "lib/base/problem.h"
#include "lib/core/site.h"

enum { BROKER_URIS_MAX = 8, CONFIG_PATH_MAX = 512 };

struct broker_config {
    uint32_t uri_count;
    const char *uri[BROKER_URIS_MAX]; /* mqtt://host:port or mqtts://host:port, tried in order */
    int version;                      /* 5, or 4 for 3.1.1 (Paho's numbers) */
    const char *username;             /* NULL: none */
    const char *password_file, *ca_file, *cert_file, *key_file; /* NULL: none; expanded */
    bool
        plain_allowed; /* a plain connection to a host other than this one was asked for in words */
    int64_t keepalive_s;
};

/* The tube from a bottle to its injection point; both 0: not given. */
struct config_tube {
    float bore_mm, length_m;
};

/* A file that the configuration was read from. */
struct config_file {
    const char *path;
    const struct config_file *next; /* that was read before it */
};

/* A time zone's rules, as its file has them (daemon/base/zone.h). */
struct config_zone {
    const char *name, *rules;
    size_t length; /* of the rules */
    const struct config_zone *next;
};

struct config {
    struct site site;
    struct broker_config broker;
    const char *path;                /* of the site file, as given */
    const struct config_file *files; /* all of them, each once */
    const struct config_zone *zones; /* of the crops' days (config_zone.h); UTC isn't among them */
    const char *homie_domain;        /* "homie" */
    const char *discovery_prefix;    /* "homeassistant"; NULL: no discovery for a home hub */
    const char *journal_dir;
    int64_t keep_days;
    const char *metrics_file; /* NULL: none */
    int64_t metrics_every_ms;
    const char *socket_path;                   /* of the local door */
    const char *signer_file[SITE_SIGNERS_MAX]; /* where the key of site.signer lies; expanded */
    const double *tube_ml; /* what primes a tube: [tank * TANK_PUMPS_MAX + pump]; 0: unknown */
    const struct config_tube *tube;          /* likewise, as it was given */
    const char *stock_name[SITE_STOCKS_MAX]; /* in the stock's own file; NULL: none */
    struct problem_list unwise;              /* legal, but said aloud by check and run */
    void *arena;                             /* private */
};

/* Reads the site file and every file it names. On failure *ret is NULL and 'errors' holds all that
 * is wrong. 'check_only' forgives an unset CREDENTIALS_DIRECTORY with a warning. */
enum err config_load(struct config **ret, const char *path, bool check_only,
    struct problem_list *errors) __attribute__((warn_unused_result));

void config_free(struct config *config); /* NULL is fine */

#endif
