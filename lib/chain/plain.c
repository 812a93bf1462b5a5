#include "lib/chain/plain.h"

#include <string.h>

#include "lib/base/invariant.h"

static const char *const names[] = {
    [PLAIN_SWITCHED] = NULL, [PLAIN_SECONDS] = "seconds", [PLAIN_MS] = "ms", [PLAIN_ML] = "ml"
};

enum { UNITS = sizeof names / sizeof *names };

/* The next "${" from 's' on; NULL when there is none. */
static const char *opening(const char *s)
{
    for (s = strchr(s, '$'); s; s = strchr(s + 1, '$')) {
        if (s[1] == '{') return s;
    }
    return NULL;
}

static bool unit_of(enum plain_unit *ret, const char *name, size_t length)
{
    for (uint32_t u = PLAIN_SECONDS; u < UNITS; u++) {
        if (strlen(names[u]) != length || strncmp(names[u], name, length) != 0) continue;
        *ret = (enum plain_unit)u;
        return true;
    }
    return false;
}

enum plain_fault plain_read(enum plain_unit *ret, const char *payload)
{
    const char *open = opening(payload);
    if (!open) {
        *ret = PLAIN_SWITCHED;
        return PLAIN_GOOD;
    }
    const char *name = open + 2, *close = strchr(name, '}');
    enum plain_unit unit;
    if (!close) return PLAIN_OPEN;
    if (!unit_of(&unit, name, (size_t)(close - name))) return PLAIN_OTHER_NAME;
    if (opening(close)) return PLAIN_SECOND_PLACE;
    *ret = unit;
    return PLAIN_GOOD;
}

int64_t plain_longest_ms(const struct plain_output *o)
{
    const int64_t usual_ms = o->circulation ? PLAIN_LONGEST_CIRCULATE_MS : PLAIN_LONGEST_MS;
    if (o->unit == PLAIN_SWITCHED) return o->auto_off_ms;
    return o->auto_off_ms > 0 && o->auto_off_ms < usual_ms ? o->auto_off_ms : usual_ms;
}

int64_t plain_run_ms(const struct plain_output *o, int64_t run_ms)
{
    return run_ms - run_ms % o->step_ms;
}

/* Thousandths without zeros at the end: "4.2", "4". */
static void add_thousandths(struct text *t, int64_t value)
{
    unsigned decimals = 3;
    for (; decimals > 0 && value % 10 == 0; decimals--) {
        value /= 10;
    }
    text_add_scaled(t, value, decimals);
}

bool plain_fill(struct text *t, const struct plain_output *o, int64_t run_ms, int64_t ul)
{
    const int64_t real_ms = plain_run_ms(o, run_ms);
    if (real_ms <= 0 || run_ms > plain_longest_ms(o)) return false;
    const char *open = opening(o->payload);
    if (o->unit == PLAIN_SWITCHED) {
        text_add(t, o->payload);
        return !t->cut;
    }
    if (o->unit == PLAIN_ML && ul <= 0) return false;
    INVARIANT(open); /* plain_read has seen it */
    const char *close = strchr(open, '}');
    INVARIANT(close);
    text_add_bytes(t, o->payload, (size_t)(open - o->payload));
    if (o->unit == PLAIN_MS)
        text_add_int(t, real_ms);
    else
        add_thousandths(t, o->unit == PLAIN_ML ? ul : real_ms);
    text_add(t, close + 1);
    return !t->cut;
}

static uint64_t hash(uint64_t h, const char *s)
{
    /* FNV-1a, 64 bits (G. Fowler, L. C. Noll, P. Vo; constants from memory): a name, not a secret.
     * The NUL counts, so that two texts can't run into each other. */
    do {
        h = (h ^ (unsigned char)*s) * UINT64_C(1099511628211);
    } while (*s++);
    return h;
}

void plain_serial(char ret[CHAIN_WORD_MAX], const struct plain_output *o)
{
    uint64_t h = hash(UINT64_C(14695981039346656037), o->topic);
    h = hash(hash(h, o->payload), o->off_payload);
    uint8_t bytes[8];
    for (int i = 0; i < 8; i++) {
        bytes[i] = (uint8_t)(h >> (56 - 8 * i));
    }
    struct text t = text_over(ret, CHAIN_WORD_MAX);
    text_add(&t, "board-");
    text_add_hex(&t, bytes, sizeof bytes);
}

void plain_tell(struct text *t, const struct plain_output *o)
{
    text_add(t, "at most ");
    text_add_span(t, plain_longest_ms(o));
    text_add(
        t, o->unit == PLAIN_SWITCHED ? " a run, its own limit; switched on and off" : " a run");
    if (o->unit != PLAIN_SWITCHED) {
        text_add(t, "; told how ");
        text_add(t, o->unit == PLAIN_ML   ? "much in mL"
                    : o->unit == PLAIN_MS ? "long in ms"
                                          : "long in s");
    }
    text_add(t, o->state_topic ? "; reports on and off" : "; reports nothing");
}
