/* May two stocks meet in the line? What falls out when their plumes overlap, and how much water
 * must be between; and what else must not meet.
 *
 * The overlap is one part of each stock in so many parts in all; the rest is the water of the line
 * (the tank's solution). 2 parts: undiluted. A solid counts when its saturation index
 * (saturation.h) is above the index at which it comes within minutes, and above what the line's own
 * water has: a tank at pH 6.3 is often a little oversaturated with calcium phosphate and stays
 * clear. Those margins are this project's choice: gypsum 0, brushite, struvite and brucite 0.3,
 * calcite 0.5.
 *
 * Mixing acid with base, and acid with hypochlorite or sulfide, hurts people: docs and safety data
 * sheets come before anything computed here. */
#ifndef DOSEWRIGHT_CHEM_KEEP_APART_H
#define DOSEWRIGHT_CHEM_KEEP_APART_H

#include "lib/chem/saturation.h"

/* Parts looked at: 2 up to this. */
#define OVERLAP_PARTS_MAX 1000.0

struct overlap {
    const struct water *a, *b; /* stocks, as in their bottles */
    const struct water *line;  /* what dilutes them */
    double degc;               /* of the line, 0 to 40 */
};

struct keep_apart {
    bool apart;       /* any of the following */
    bool falls;       /* a solid forms when they meet undiluted */
    bool crystals;    /* a soluble salt crystallises when they meet undiluted */
    bool acid_base;   /* heat and, with carbonate, gas: one is below pH 3, one above pH 9.5 */
    bool chelate;     /* an acid below pH 2 takes the iron out of a chelate of the other */
    bool ammonia;     /* a base above pH 9.5 drives ammonia out of the other */
    enum solid solid; /* falls: what is furthest over undiluted */
    double index;     /* falls: its saturation index then */
    enum stock_crystal crystal; /* crystals: which */
    enum solid last;            /* falls: the one that needs the most water */
    double clear_parts;         /* one part of each in this many: nothing falls from here on. 2: not
                                   even undiluted; above OVERLAP_PARTS_MAX: it falls at that too */
};

/* Looks at two stocks. ERR_RANGE as in equilibrium.h; a stock stronger than that takes
 * (concentrated acid) is looked at as if diluted into its range. */
enum err keep_apart_look(struct keep_apart *ret, const struct overlap *overlap,
    struct problem *problem) __attribute__((warn_unused_result));

#endif
