/* A new order of modules that a person adopts: which module takes whose place on a chain.
 *
 * A module that is known keeps its pumps wherever it answers now: the tubes hang on the module. A
 * new one that answers at the position of one that is gone takes its place. What else is new has no
 * pumps. */
#ifndef DOSEWRIGHT_CHAIN_BIND_H
#define DOSEWRIGHT_CHAIN_BIND_H

#include "lib/chain/roll.h"

struct chain_bound {
    char serial[CHAIN_WORD_MAX];
    uint32_t filed; /* whose pumps it has: that module's position in the file; 0: nobody's */
};

struct chain_binding {
    uint32_t count;
    struct chain_bound module[CHAIN_MODULES_MAX]; /* [i] is at position i + 1 */
};

/* The binding under which this roll-call would match. False when there is none; then 'why' gets one
 * sentence that says what stands in the way. */
bool chain_bind(struct chain_binding *ret, const struct chain_config *config,
    const struct chain_roll *roll, struct text *why);

/* The module whose pumps the file has at that position; NULL when there is none, as for 0. */
const struct chain_module_config *chain_filed_at(const struct chain_config *config, uint32_t filed);

/* Has each module of the file exactly one place in it? One that was read from a journal may have
 * none. */
bool chain_binding_fits(const struct chain_binding *binding, const struct chain_config *config);

/* Rearranges the chain by a binding that fits. ret_position[p] becomes the position of the
 * module that has the pumps which were at position p (1 to CHAIN_MODULES_MAX); 0 when there were
 * none. A module that has nobody's pumps counts with the largest currents of the others; cables
 * stay where they lie. */
void chain_rebind(struct chain_config *config, const struct chain_binding *binding,
    uint32_t ret_position[CHAIN_MODULES_MAX + 1]);

/* Names the order of serial numbers in the file: 1 to 2^53 - 1, other for another order but by a
 * chance of about 1 in 10^16. */
int64_t chain_file_tag(const struct chain_config *config);

#endif
