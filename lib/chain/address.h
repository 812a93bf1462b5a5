/* chain/position.channel: which pump. "west/2.3" is the third pump of the second module of chain
 * west; "west/1.circulation" is a circulation output. An address is bound to the serial number that
 * the configuration (or a person, later) expects at that position: position alone moves nothing. */
#ifndef DOSEWRIGHT_CHAIN_ADDRESS_H
#define DOSEWRIGHT_CHAIN_ADDRESS_H

#include "lib/base/text.h"
#include "lib/chain/message.h"

enum { CHAIN_CIRCULATION_CHANNEL = 0 };

/* As written; the chain is still a name. */
struct chain_address_text {
    char chain[CHAIN_WORD_MAX];
    uint32_t position; /* 1 to CHAIN_MODULES_MAX */
    uint32_t channel;  /* 1 to CHAIN_CHANNELS_MAX, or CHAIN_CIRCULATION_CHANNEL */
};

/* As used: 'chain' is an index into the site's chains. */
struct chain_address {
    uint32_t chain;
    uint32_t position;
    uint32_t channel;
};

/* Reads "west/2.3" or "west/1.circulation"; false when it is neither. */
bool chain_address_read(struct chain_address_text *ret, const char *text);

/* Writes it back. */
void chain_address_add(struct text *t, const char *chain, uint32_t position, uint32_t channel);

/* The same output of the same chain? */
bool chain_address_same(const struct chain_address *a, const struct chain_address *b);

#endif
