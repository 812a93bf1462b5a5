/* Does the chain that answers match the chain that was configured? The one hard idea: a pump may
 * run only while the serial number at its position is the one that somebody bound to it. */
#ifndef DOSEWRIGHT_CHAIN_ROLL_H
#define DOSEWRIGHT_CHAIN_ROLL_H

#include "lib/base/text.h"
#include "lib/chain/message.h"
#include "lib/chain/plain.h"
#include "lib/chain/supply.h"

/* What the configuration says of one module. */
struct chain_module_config {
    char serial[CHAIN_WORD_MAX];
    uint32_t position;
    uint32_t filed; /* its position in the file; 0: the file doesn't know it (lib/chain/bind.h) */
    char filed_serial[CHAIN_WORD_MAX]; /* what the file has at that position; "" with 'filed' 0 */
    uint32_t channels;                 /* the highest channel that the site uses; 0 if none */
    bool circulation;                  /* the site uses its circulation output */
    struct supply_module power;
    const struct plain_output *plain; /* NULL: a module that speaks the contract */
};

/* One chain of the site, as configured. Strings live as long as the configuration. */
struct chain_config {
    const char *key;
    const char *device; /* Homie device id of the head; usually the key */
    struct supply supply;
    bool plain;       /* the plain outputs of the tank of this name; their head is played by the
                         daemon (lib/chain/plain_head.h), and 'supply' is none */
    int64_t file_tag; /* chain_file_tag() of the order in the file, whatever was adopted since */
    uint32_t count;
    struct chain_module_config module[CHAIN_MODULES_MAX]; /* sorted by position, 1, 2, ... */
};

/* True when each configured module answers at its position with its serial and enough outputs, and
 * nothing else answers. Otherwise 'why' gets one sentence that names the first difference in words
 * a person can act on: "position 2 answers as c91d; b77c was expected; it answers at position 3".
 */
bool chain_roll_matches(
    const struct chain_config *config, const struct chain_roll *roll, struct text *why);

/* The serial expected at a position, or NULL. */
const char *chain_serial_at(const struct chain_config *config, uint32_t position);

#endif
