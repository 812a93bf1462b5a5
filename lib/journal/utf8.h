/* Well-formed UTF-8 (Unicode 15, table 3-7): no overlong forms, no surrogates, nothing beyond
 * U+10FFFF. Private to lib/journal. */
#ifndef DOSEWRIGHT_JOURNAL_UTF8_H
#define DOSEWRIGHT_JOURNAL_UTF8_H

#include "lib/base/units.h"

/* Bytes (1 to 4) of the character at 's', of which 'room' (at least 1) may be looked at; 0 when
 * there is none. */
size_t utf8_step(const char *s, size_t room);

#endif
