/* Plain outputs: timed outputs of a general relay or pump board that knows nothing of the chain
 * contract. The configuration gives a topic and a payload in which the time (or the volume) is
 * filled in, and a payload that switches off.
 *
 * The one hard idea: whatever carries a run must end it by itself. A board is told how long
 * (${seconds}, ${ms}, ${ml} in the payload), or it has a limit of its own (auto_off_s) that no run
 * may pass. Nothing here tells what a board really did; what can't be known then is said in
 * docs/plain-outputs.md. */
#ifndef DOSEWRIGHT_CHAIN_PLAIN_H
#define DOSEWRIGHT_CHAIN_PLAIN_H

#include "lib/base/text.h"
#include "lib/chain/message.h"

enum {
    PLAIN_PAYLOAD_MAX = 512,             /* a filled payload, NUL included */
    PLAIN_LONGEST_MS = 120000,           /* a dose of a self-timed output without auto_off_s */
    PLAIN_LONGEST_CIRCULATE_MS = 600000, /* ... and its circulation */
};

/* What its payload tells the board. */
enum plain_unit {
    PLAIN_SWITCHED, /* nothing but "on": needs auto_off_s, and is switched off in time */
    PLAIN_SECONDS,
    PLAIN_MS,
    PLAIN_ML,
};

/* One output, as configured. Strings live as long as the configuration. */
struct plain_output {
    const char *topic, *payload, *off_payload;
    const char *state_topic, *state_pointer; /* where the board reports on or off; NULL: nowhere */
    enum plain_unit unit;
    bool circulation;
    int64_t auto_off_ms; /* the board's own limit; 0: none is given */
    int64_t step_ms;     /* it counts in steps of this; >= 1 */
};

/* What may be wrong with a payload. */
enum plain_fault {
    PLAIN_GOOD,
    PLAIN_OPEN,         /* a ${ without its } */
    PLAIN_OTHER_NAME,   /* a ${name} that nothing is filled in for */
    PLAIN_SECOND_PLACE, /* more than one place */
};

/* Finds the place that is filled in: *ret is PLAIN_SWITCHED when there is none. */
enum plain_fault plain_read(enum plain_unit *ret, const char *payload);

/* The longest run that may be asked of it: > 0. */
int64_t plain_longest_ms(const struct plain_output *o);

/* What of 'run_ms' it can run: rounded down to its steps. */
int64_t plain_run_ms(const struct plain_output *o, int64_t run_ms);

/* Writes the payload that starts a run. False when it can't: the run is longer than the output may
 * run, or shorter than one step; a volume is wanted and 'ul' is 0; it doesn't fit into 't'. */
bool plain_fill(struct text *t, const struct plain_output *o, int64_t run_ms, int64_t ul);

/* Names the output as a serial number would: same topic and payloads, same name. "board-" and 16
 * hex digits. */
void plain_serial(char ret[CHAIN_WORD_MAX], const struct plain_output *o);

/* "at most 2 min a run; told how long in seconds; reports on and off": what is known of it. */
void plain_tell(struct text *t, const struct plain_output *o);

#endif
