/* Exact decimal numbers, read without locale, exponent tricks or rounding surprises.
 * Two grammars: 'plain' is for configuration (digits, one optional point: "0.35", "-420", "12."
 * refused); 'json' is RFC 8259's in full, for payloads ("6.2", "1e-3"). */
#ifndef DOSEWRIGHT_BASE_DECIMAL_H
#define DOSEWRIGHT_BASE_DECIMAL_H

#include "lib/base/units.h"

/* value = scaled / 10^decimals */
struct decimal {
    int64_t scaled;
    unsigned decimals; /* 0 to 9 */
};

/* The whole text must be a plain decimal of at most 15 significant digits and 9 places. Leading
 * zeros as in 010, a leading plus, blanks and exponents are refused. */
bool decimal_read_plain(struct decimal *ret, const char *text, size_t length);

/* The whole text must be a JSON number; false as well when it's beyond +-1e15 or longer than 64. */
bool decimal_read_json(double *ret, const char *text, size_t length);

/* The nearest double. */
double decimal_real(struct decimal d);

/* The value times 10^places as an integer; false when that isn't whole or doesn't fit. (0.35, 3) is
 * 350; (0.3505, 3) is refused. */
bool decimal_scaled(int64_t *ret, struct decimal d, unsigned places);

#endif
