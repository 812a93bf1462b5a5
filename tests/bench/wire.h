/* MQTT 3.1.1 over a socket of one's own, as much of it as a meter needs: it must cost less than
 * what it measures, so that there is no library and no thread between its clock and the wire. Sends
 * QoS 0 and hears QoS 0. Any error ends the program with a line on stderr. */
#ifndef DOSEWRIGHT_BENCH_WIRE_H
#define DOSEWRIGHT_BENCH_WIRE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { WIRE_IN_MAX = 256 * 1024, WIRE_OUT_MAX = 64 * 1024, WIRE_TEXT_MAX = 256 };

struct wire {
    int socket;
    size_t in_count, in_at;
    size_t out_count, out_at;
    unsigned char in[WIRE_IN_MAX], out[WIRE_OUT_MAX];
};

/* What a PUBLISH said; both end in NUL, and are cut when too long. */
struct wire_message {
    char topic[WIRE_TEXT_MAX], payload[WIRE_TEXT_MAX];
};

/* Connects to 127.0.0.1 and waits for the broker's word. */
void wire_open(struct wire *w, int port, const char *client_id);

/* Subscribes at QoS 0 and waits for the answer; what arrives before it is left out. */
void wire_subscribe(struct wire *w, const char *filter);

/* Puts a PUBLISH into the room for what goes out; false when there is no room. */
bool wire_put(struct wire *w, const char *topic, const char *payload);

void wire_turn(struct wire *w, int64_t wait_us);

/* Is anything still to be sent? */
bool wire_unsent(const struct wire *w);

/* The next message that came, of those that a turn received. */
bool wire_take(struct wire *w, struct wire_message *ret);

/* Microseconds on the monotonic clock. */
int64_t wire_now_us(void);

#endif
