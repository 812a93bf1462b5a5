/* What a litre of a stock's bottle holds: the configuration's stock (stock.h) as ions. */
#ifndef DOSEWRIGHT_CHEM_BOTTLE_H
#define DOSEWRIGHT_CHEM_BOTTLE_H

#include "lib/chem/label.h"
#include "lib/chem/stock.h"

/* mmol in a litre of stock, so that 1 mL in a litre of tank adds a thousandth of it. Salts by their
 * formulas, a label by its guarantees and density, an acid or base by per cent and density.
 * 'ret_closure' (may be NULL) says what was made up of a label, and is zero otherwise. The problem
 * is that of salt.h, label.h or acid.h. */
enum err bottle_holds(struct solution *ret, struct label_closure *ret_closure,
    const struct stock_solution *stock, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
