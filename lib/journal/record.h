/* One record of the journal: a flat list of named values. Which kinds there are and what each means
 * is in docs/journal.md; the core makes them, recovery reads them back into the same struct.
 *
 * Numbers are integers up to 2^53 - 1, or decimals of at most 15 significant digits and 6 places,
 * so that the number form of RFC 8785 is met by plain decimal notation. */
#ifndef DOSEWRIGHT_JOURNAL_RECORD_H
#define DOSEWRIGHT_JOURNAL_RECORD_H

#include "lib/base/problem.h"
#include "lib/base/units.h"

enum {
    RECORD_FIELDS_MAX = 40, /* a dose to a board has 35 */
    RECORD_KEY_MAX = 24,    /* NUL included */
    RECORD_POOL_MAX = 1024, /* all texts of a record together, NULs included */
    RECORD_LINE_MAX = 3072, /* the line on disk, line feed included */
};

enum { RECORD_TEXT_MOST = 512 }; /* bytes of one text */

#define RECORD_INTEGER_MOST INT64_C(9007199254740991) /* 2^53 - 1, either sign */
#define RECORD_DECIMAL_MOST                                                                        \
    INT64_C(1000000000000000) /* a scaled decimal is below it: 15 digits                           \
                               */

enum field_kind { FIELD_INTEGER, FIELD_DECIMAL, FIELD_TEXT, FIELD_TRUTH };

struct record_field {
    char key[RECORD_KEY_MAX];
    enum field_kind kind;
    int64_t number;    /* integer; scaled decimal; 0 or 1 */
    unsigned decimals; /* of a decimal, 1 to 6 and no trailing zero: 5.80 is kept as (58, 1) */
    uint32_t text_at;  /* into the pool */
};

struct record {
    uint32_t count, pool_used;
    bool cut; /* something did not fit: a bug, or foreign text that was too long */
    struct record_field field[RECORD_FIELDS_MAX];
    char pool[RECORD_POOL_MAX];
};

/* An empty record of a kind ("dose", "outcome", ...). */
void record_start(struct record *r, const char *kind);

/* Adds a field; a key is added once, and is printable ASCII without blanks, quotes and backslashes.
 * Text is cut at 512 bytes (between characters; that alone doesn't make the record 'cut'), and
 * bytes that aren't UTF-8 become '?'. Reals are rounded to 'decimals' (0 to 6) places, fewer where
 * 15 digits would be passed; what isn't finite or reaches 1e15 is left out. */
void record_add_int(struct record *r, const char *key, int64_t value);
void record_add_real(struct record *r, const char *key, double value, unsigned decimals);
void record_add_text(struct record *r, const char *key, const char *value);
void record_add_truth(struct record *r, const char *key, bool value);

/* Reading. Each is false (and leaves *ret alone) when there is no such field of that kind; an
 * integer is also given as a real. Texts point into the record. */
bool record_int(const struct record *r, const char *key, int64_t *ret);
bool record_real(const struct record *r, const char *key, double *ret);
bool record_text(const struct record *r, const char *key, const char **ret);
bool record_truth(const struct record *r, const char *key, bool *ret);

/* The text of a field, or "" */
const char *record_text_or_empty(const struct record *r, const char *key);

/* Is it of this kind? */
bool record_is(const struct record *r, const char *kind);

#endif
