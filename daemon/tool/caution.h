/* What people must be told before they handle a stock or a salt: the same sentences wherever the
 * program touches them. They stand beside the safety data sheet, never in its place. */
#ifndef DOSEWRIGHT_DAEMON_CAUTION_H
#define DOSEWRIGHT_DAEMON_CAUTION_H

#include <stddef.h>

#include "lib/chem/salt.h"
#include "lib/chem/stock.h"

/* Beside the bits of enum salt_hazard. */
enum caution_hazard {
    CAUTION_NITRIC = 1U << 16,
    CAUTION_SULFURIC = 1U << 17,
    CAUTION_HYDROXIDE = 1U << 18,
    CAUTION_CARBONATE = 1U << 19,
    CAUTION_STOCKS = 1U << 20, /* concentrates are being made */
};

/* Of an acid's or base's bottle. */
unsigned caution_of_reagent(enum stock_reagent reagent);

/* Of a salt. */
unsigned caution_of_salt(const struct salt *salt);

/* Of a stock, whatever kind it is. A label doesn't say which salts are in it: nitrogen that isn't
 * ammonium counts as nitrate. */
unsigned caution_of_solution(const struct stock_solution *solution);

/* The sentences for these bits, by index from 0; NULL beyond the last. The last is always
 * caution_last. */
const char *caution_words(unsigned hazards, size_t index);

/* Where to look first: the safety data sheet, local code, licensed practice. */
extern const char caution_last[];

/* A few words for a bottle's label, by index from 0; NULL beyond the last. */
const char *caution_on_label(unsigned hazards, size_t index);

#endif
