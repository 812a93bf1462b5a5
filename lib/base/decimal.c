#include "lib/base/decimal.h"

enum { SIGNIFICANT_MAX = 15, PLACES_MAX = 9, JSON_LENGTH_MAX = 64, EXPONENT_MAX = 400 };

static bool digit(char c)
{
    return c >= '0' && c <= '9';
}

/* Digits from *at on, counted. */
static size_t run(const char *text, size_t length, size_t at)
{
    size_t n = 0;
    while (at + n < length && digit(text[at + n])) {
        n++;
    }
    return n;
}

bool decimal_read_plain(struct decimal *ret, const char *text, size_t length)
{
    size_t at = length > 0 && text[0] == '-' ? 1 : 0;
    const size_t whole = run(text, length, at);
    if (whole == 0 || (whole > 1 && text[at] == '0')) return false;
    size_t places = 0;
    if (at + whole < length) {
        if (text[at + whole] != '.') return false;
        places = run(text, length, at + whole + 1);
        if (places == 0 || at + whole + 1 + places != length) return false;
    }
    if (places > PLACES_MAX || whole + places > SIGNIFICANT_MAX) return false;
    int64_t value = 0;
    for (; at < length; at++) {
        if (text[at] != '.') value = value * 10 + (text[at] - '0');
    }
    *ret = (struct decimal){ text[0] == '-' ? -value : value, (unsigned)places };
    return true;
}

static double power_of_ten(unsigned n)
{
    double p = 1.0;
    while (n-- > 0) {
        p *= 10.0;
    }
    return p;
}

double decimal_real(struct decimal d)
{
    return (double)d.scaled / power_of_ten(d.decimals);
}

bool decimal_scaled(int64_t *ret, struct decimal d, unsigned places)
{
    int64_t value = d.scaled;
    for (unsigned n = d.decimals; n < places; n++) {
        if (__builtin_mul_overflow(value, (int64_t)10, &value)) return false;
    }
    for (unsigned n = places; n < d.decimals; n++) {
        if (value % 10 != 0) return false;
        value /= 10;
    }
    *ret = value;
    return true;
}

/* The exponent part from 'at' to the end: "", "e5", "E-12". */
static bool read_exponent(int *ret, const char *text, size_t length, size_t at)
{
    *ret = 0;
    if (at == length) return true;
    if (text[at] != 'e' && text[at] != 'E') return false;
    at++;
    const bool minus = at < length && text[at] == '-';
    if (at < length && (text[at] == '-' || text[at] == '+')) at++;
    if (run(text, length, at) == 0 || at + run(text, length, at) != length) return false;
    int value = 0;
    for (; at < length; at++) {
        if (value < EXPONENT_MAX) value = value * 10 + (text[at] - '0');
    }
    *ret = minus ? -value : value;
    return true;
}

/* mantissa x 10^exponent, by one multiplication or division with an exact power where possible. */
static double compose(uint64_t mantissa, int exponent)
{
    if (mantissa == 0 || exponent < -60) return 0.0;
    if (exponent > 40) return 1e300;
    return exponent < 0 ? (double)mantissa / power_of_ten((unsigned)-exponent)
                        : (double)mantissa * power_of_ten((unsigned)exponent);
}

bool decimal_read_json(double *ret, const char *text, size_t length)
{
    if (length == 0 || length > JSON_LENGTH_MAX) return false;
    const size_t start = text[0] == '-' ? 1 : 0;
    const size_t whole = run(text, length, start);
    if (whole == 0 || (whole > 1 && text[start] == '0')) return false;
    size_t end = start + whole, places = 0;
    if (end < length && text[end] == '.') {
        places = run(text, length, end + 1);
        if (places == 0) return false;
        end += 1 + places;
    }
    int exponent;
    if (!read_exponent(&exponent, text, length, end)) return false;

    uint64_t mantissa = 0;
    int dropped = 0; /* digits past the 18th don't change a double that a probe could mean */
    for (size_t at = start; at < end; at++) {
        if (text[at] == '.') continue;
        if (mantissa < UINT64_C(100000000000000000))
            mantissa = mantissa * 10 + (uint64_t)(text[at] - '0');
        else
            dropped++;
    }
    const double value = compose(mantissa, exponent + dropped - (int)places);
    if (value > 1e15) return false;
    *ret = text[0] == '-' ? -value : value;
    return true;
}
