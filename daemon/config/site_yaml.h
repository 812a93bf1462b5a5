/* Private to the configuration: how the files become a struct site. A loading goes through the site
 * file from top to bottom, reads the files it names on the way, and lists everything that is wrong;
 * what it built is used only when nothing was. */
#ifndef DOSEWRIGHT_DAEMON_SITE_YAML_H
#define DOSEWRIGHT_DAEMON_SITE_YAML_H

#include "daemon/config/config.h"
#include "daemon/config/schema_rows.h"

struct load_digest; /* of the files read so far */

/* A schedule that was read: tanks share them. 'good' is false when it had errors. */
struct load_crop {
    const char *path;
    struct crop_schedule schedule;
    bool good;
    struct load_crop *next;
};

struct load_stock {   /* what is needed until all stocks are read */
    const char *name; /* in its own file, or NULL */
    const char *file;
    bool has_kind; /* else what was wrong with its own file has been said */
    const struct tree_node *node, *keep_apart;
};

struct loader {
    struct schema_reader reader;
    struct config *config;
    struct arena *keep;       /* the configuration's */
    struct arena tree;        /* of the site file and the solutions, until the end */
    struct arena one_tree;    /* of a tank's own file, until the next one */
    struct arena crop_tree;   /* of a schedule, until the next one */
    double *tube_ml;          /* priming volume of each tank and pump; becomes config->tube_ml */
    struct config_tube *tube; /* becomes config->tube */
    const char *dir;          /* of the site file, "" or ending in "/" */
    struct load_digest *digest;
    struct now now;
    bool group_writable_told;
    struct load_crop *crop;
    const struct tree_node *chain_node[SITE_CHAINS_MAX];
    struct load_stock stock[SITE_STOCKS_MAX];
    /* which tank (index + 1) has an output; channel 0 is circulation */
    uint32_t owner[SITE_CHAINS_MAX][CHAIN_MODULES_MAX][CHAIN_CHANNELS_MAX + 1];
};

/* One tank while it is read. */
struct load_tank {
    const struct tree_node *node;
    struct draft_tank draft;
    uint32_t index;
};

/* --- site_yaml.c: files, names, dates --------------------------------------------------------- */

/* 'path' as people give it, relative to the site file; kept. NULL when memory is short. */
const char *load_path(struct loader *l, const char *path);

/* Reads and parses a file into 'arena'; NULL when that failed, which has then been said at 'named'
 * (a node of the file being read). reader.file is left alone. */
const struct tree_node *load_file(
    struct loader *l, struct arena *arena, const char *path, const struct tree_node *named);

/* Is the node's key a valid name? Says so when it isn't. */
bool load_name_valid(struct loader *l, const struct tree_node *node);

/* Says at 'node' that nothing is called so, with the nearest name, or all of them. */
struct load_names {
    const char *found, *what; /* "wset", "chain" */
    const char *const *name;
    uint32_t count;
};
void load_no_such_name(
    struct loader *l, const struct tree_node *node, const struct load_names *names);

/* Refuses a date that lies ahead, as far as the clock can be believed. 'node' may be NULL. */
void load_check_past(struct loader *l, const struct tree_node *node, struct civil date);

/* How many errors were found so far. */
uint32_t load_errors(const struct loader *l);

const char *load_keep(struct loader *l, const char *text); /* a copy that stays; "" in need */

/* --- the parts, each for the mapping that is its own -------------------------------------------
 */

void load_site(struct loader *l, const struct tree_node *root);
void load_broker(struct loader *l, const struct draft_site *draft, const struct tree_node *node);
void load_signers(struct loader *l, const struct tree_node *requests);
void load_chains(struct loader *l, const struct tree_node *map);
void load_stocks(struct loader *l, const struct tree_node *map);
void load_tanks(struct loader *l, const struct tree_node *tanks);

/* Two stocks of the site never meet in a line; nothing for a stock and itself. */
void load_keep_apart(struct site *site, uint32_t a, uint32_t b);

/* After the tanks: which of their stocks must not meet, which crystallise in the cold. */
void load_meetings(struct loader *l);

/* A tank's probes. */
void load_probes(struct loader *l, struct load_tank *t);
/* A tank's pumps, with their limits. */
void load_pumps(struct loader *l, struct load_tank *t);
/* The schedule that a tank names. */
bool load_crop_file(
    struct loader *l, const char *path, const struct tree_node *named, struct crop_schedule *ret);

/* Reads "west/2.3" and finds the module; false when something was wrong, and said. */
bool load_address(struct loader *l, const struct tree_node *node, const char *text,
    struct chain_address *ret, const char **ret_serial);

/* A plain output ('node' is its mapping) of a tank: reads it and makes it part of the chain that
 * stands for the tank's plain outputs. False when something was wrong, and said. */
bool load_plain(struct loader *l, const struct load_tank *t, const struct tree_node *node,
    bool circulation, struct chain_address *ret, const char **ret_serial);

/* What can only be said of a tank's plain outputs when all of the tank is read. */
void load_verify_plain(struct loader *l, struct load_tank *t);

/* Is it a topic of the site's own devices, or of its chain heads? */
bool load_own_topic(const struct loader *l, const char *topic);

/* Does a module of the site, or a plain output, bear that serial? */
bool load_serial_taken(const struct site *site, const char *serial);

/* Gives an output to a tank; false when another has it, which is said. */
bool load_claim_output(struct loader *l, const struct tree_node *node,
    const struct chain_address *address, uint32_t tank);

/* --- site_yaml_verify.c: across the parts ------------------------------------------------------
 */

void load_verify_tank(struct loader *l, struct load_tank *t);
void load_verify_site(struct loader *l, const struct tree_node *root);

#endif
