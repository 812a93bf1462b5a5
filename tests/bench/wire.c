#include "tests/bench/wire.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sysexits.h>
#include <time.h>
#include <unistd.h>

enum {
    CONNECT = 0x10,
    CONNACK = 0x20,
    PUBLISH = 0x30,
    SUBSCRIBE = 0x82,
    SUBACK = 0x90,
    KIND = 0xF0,
    QOS = 0x06,
    MORE = 0x80,
    LOW_BITS = 0x7F,
    BITS = 7,
    BYTE = 8,
    ANSWER_MS = 5000,
};

static _Noreturn void give_up(const char *why)
{
    fprintf(stderr, "meter: %s (%s)\n", why, strerror(errno));
    exit(EX_UNAVAILABLE);
}

int64_t wire_now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

/* --- bytes ------------------------------------------------------------------------------------ */

static void add_byte(struct wire *w, size_t value)
{
    w->out[w->out_count++] = (unsigned char)value;
}

static void add_bytes(struct wire *w, const char *text, size_t length)
{
    memcpy(w->out + w->out_count, text, length);
    w->out_count += length;
}

static void add_text(struct wire *w, const char *text)
{
    const size_t length = strlen(text);
    add_byte(w, length >> BYTE);
    add_byte(w, length);
    add_bytes(w, text, length);
}

/* The fixed header: kind, and the remaining length in one byte or two. */
static void add_head(struct wire *w, int kind, size_t length)
{
    add_byte(w, (size_t)kind);
    if (length > LOW_BITS) add_byte(w, (length & LOW_BITS) | MORE);
    add_byte(w, length > LOW_BITS ? length >> BITS : length);
}

static void make_room(struct wire *w)
{
    if (w->out_at == 0) return;
    memmove(w->out, w->out + w->out_at, w->out_count - w->out_at);
    w->out_count -= w->out_at;
    w->out_at = 0;
}

bool wire_put(struct wire *w, const char *topic, const char *payload)
{
    const size_t topic_length = strlen(topic), payload_length = strlen(payload);
    const size_t length = 2 + topic_length + payload_length;
    if (w->out_count + length + 4 > WIRE_OUT_MAX) make_room(w);
    if (w->out_count + length + 4 > WIRE_OUT_MAX) return false;
    add_head(w, PUBLISH, length);
    add_text(w, topic);
    add_bytes(w, payload, payload_length);
    return true;
}

bool wire_unsent(const struct wire *w)
{
    return w->out_at < w->out_count;
}

/* --- the socket ------------------------------------------------------------------------------- */

static void send_some(struct wire *w)
{
    const ssize_t n =
        send(w->socket, w->out + w->out_at, w->out_count - w->out_at, MSG_DONTWAIT | MSG_NOSIGNAL);
    if (n < 0 && errno != EAGAIN && errno != EINTR) give_up("the broker takes nothing more");
    if (n > 0) w->out_at += (size_t)n;
    if (w->out_at == w->out_count) w->out_at = w->out_count = 0;
}

static void receive_some(struct wire *w)
{
    if (w->in_at > 0) {
        memmove(w->in, w->in + w->in_at, w->in_count - w->in_at);
        w->in_count -= w->in_at;
        w->in_at = 0;
    }
    const ssize_t n = recv(w->socket, w->in + w->in_count, WIRE_IN_MAX - w->in_count, MSG_DONTWAIT);
    if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) give_up("the broker has gone");
    if (n > 0) w->in_count += (size_t)n;
}

void wire_turn(struct wire *w, int64_t wait_us)
{
    if (wire_unsent(w)) send_some(w);
    struct pollfd p = { .fd = w->socket, .events = POLLIN };
    if (wire_unsent(w)) p.events |= POLLOUT;
    const struct timespec wait = { .tv_sec = wait_us / 1000000,
        .tv_nsec = wait_us % 1000000 * 1000 };
    if (ppoll(&p, 1, &wait, NULL) <= 0) return;
    if (p.revents & POLLOUT) send_some(w);
    if (p.revents & ~POLLOUT) receive_some(w);
}

/* --- what comes in ---------------------------------------------------------------------------- */

/* The packet at the front: where its body begins and ends; false when it isn't whole yet. */
static bool front(const struct wire *w, size_t *ret_body, size_t *ret_end)
{
    size_t length = 0, at = w->in_at + 1;
    for (unsigned shift = 0;; shift += BITS) {
        if (at >= w->in_count) return false;
        length |= (size_t)(w->in[at] & LOW_BITS) << shift;
        if (!(w->in[at++] & MORE)) break;
    }
    *ret_body = at;
    *ret_end = at + length;
    return *ret_end <= w->in_count;
}

static void copy_text(char ret[WIRE_TEXT_MAX], const unsigned char *from, size_t length)
{
    if (length >= WIRE_TEXT_MAX) length = WIRE_TEXT_MAX - 1;
    memcpy(ret, from, length);
    ret[length] = '\0';
}

bool wire_take(struct wire *w, struct wire_message *ret)
{
    size_t body, end;
    while (front(w, &body, &end)) {
        const int first = w->in[w->in_at];
        w->in_at = end;
        if ((first & KIND) != PUBLISH) continue;
        const size_t topic = (size_t)w->in[body] << BYTE | w->in[body + 1];
        const size_t payload = body + 2 + topic + (first & QOS ? 2 : 0);
        copy_text(ret->topic, w->in + body + 2, topic);
        copy_text(ret->payload, w->in + payload, end - payload);
        return true;
    }
    return false;
}

/* Waits for an answer of that kind. */
static void await(struct wire *w, int kind)
{
    const int64_t end_us = wire_now_us() + ANSWER_MS * 1000;
    while (wire_now_us() < end_us) {
        size_t body, end;
        while (front(w, &body, &end)) {
            const int first = w->in[w->in_at];
            w->in_at = end;
            if ((first & KIND) == kind && w->in[end - 1] < MORE) return;
        }
        wire_turn(w, 100000);
    }
    give_up("the broker doesn't answer");
}

void wire_open(struct wire *w, int port, const char *client_id)
{
    const struct sockaddr_in address = { .sin_family = AF_INET,
        .sin_port = htons((uint16_t)port),
        .sin_addr.s_addr = htonl(INADDR_LOOPBACK) };
    const int one = 1;
    memset(w, 0, sizeof *w);
    w->socket = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (w->socket < 0 ||
        connect(w->socket, (const struct sockaddr *)&address, sizeof address) != 0 ||
        setsockopt(w->socket, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one) != 0)
        give_up("no connection to the broker");
    add_head(w, CONNECT, 10 + 2 + strlen(client_id));
    add_text(w, "MQTT");
    add_bytes(w, "\x04\x02\x00\x00", 4); /* level 4, clean session, no keepalive */
    add_text(w, client_id);
    await(w, CONNACK);
}

void wire_subscribe(struct wire *w, const char *filter)
{
    add_head(w, SUBSCRIBE, 2 + 2 + strlen(filter) + 1);
    add_bytes(w, "\x00\x01", 2);
    add_text(w, filter);
    add_byte(w, 0);
    await(w, SUBACK);
}
