#include "daemon/rig/rig_order.h"

#include <string.h>

#include "lib/base/decimal.h"
#include "lib/base/units.h"

enum { BOARD_MOST_MS = 24 * 60 * 60 * 1000 }; /* without a limit of its own */

static bool is_same(const char *words, const char *payload, size_t length)
{
    return strlen(words) == length && memcmp(words, payload, length) == 0;
}

/* The number in the place of ${...}; false when the rest isn't the same. */
static bool filled_in(const struct plain_output *o, const char *payload, size_t length, double *ret)
{
    const char *open = strstr(o->payload, "${"), *close = open ? strchr(open, '}') : NULL;
    if (!open || !close) return false;
    const size_t before = (size_t)(open - o->payload), after = strlen(close + 1);
    if (length <= before + after || memcmp(payload, o->payload, before) != 0) return false;
    if (memcmp(payload + length - after, close + 1, after) != 0) return false;
    struct decimal d;
    if (!decimal_read_plain(&d, payload + before, length - before - after)) return false;
    *ret = decimal_real(d);
    return true;
}

static double ms_of(enum plain_unit unit, double number, double ml_per_s)
{
    if (unit == PLAIN_MS) return number;
    return 1000.0 * (unit == PLAIN_SECONDS ? number : number / ml_per_s);
}

enum rig_order rig_order_read(const struct plain_output *o, double ml_per_s, const char *payload,
    size_t length, int64_t *ret_ms)
{
    const int64_t most_ms = o->auto_off_ms > 0 ? o->auto_off_ms : BOARD_MOST_MS;
    double number = 0.0;
    *ret_ms = most_ms;
    if (is_same(o->off_payload, payload, length)) return RIG_ORDER_OFF;
    if (o->unit == PLAIN_SWITCHED)
        return is_same(o->payload, payload, length) ? RIG_ORDER_ON : RIG_ORDER_NONE;
    if (!filled_in(o, payload, length, &number) || number < 0.0) return RIG_ORDER_NONE;
    const double ms = ms_of(o->unit, number, ml_per_s);
    if (ms < (double)most_ms) *ret_ms = nearest(ms);
    return *ret_ms > 0 ? RIG_ORDER_ON : RIG_ORDER_OFF;
}
