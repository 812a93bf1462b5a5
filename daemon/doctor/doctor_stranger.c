/* A client without an account, as small as can be: a connection for each word it says, with packets
 * made by hand (MQTT 3.1.1 and 5, OASIS standards, sections 3.1 to 3.3). One connection each,
 * because a broker may drop a client for the first word that it denies; by hand, because the MQTT
 * library takes seconds for a second connection beside the first. */
#include <netdb.h>
#include <openssl/err.h>
#include <openssl/ssl.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/doctor/doctor.h"

enum { PACKET_MAX = 512, CHANCE_BYTES = 6, VERSION_5 = 5, SHORT_MOST = 127, KEEPALIVE_S = 5 };
enum { CONNECT = 0x10, CONNACK = 0x20, PUBLISH = 0x30, DISCONNECT = 0xE0, CLEAN_START = 2 };

int doctor_socket(const struct broker_uri *uri, int64_t wait_ms)
{
    char host[sizeof uri->host], port[16];
    const bool bracketed = uri->host[0] == '[';
    (void)text_copy(host, sizeof host, uri->host + (bracketed ? 1 : 0));
    if (bracketed) host[strcspn(host, "]")] = '\0';
    snprintf(port, sizeof port, "%u", (unsigned)uri->port);
    const struct addrinfo hints = { .ai_socktype = SOCK_STREAM };
    struct addrinfo *list = NULL;
    if (getaddrinfo(host, port, &hints, &list) != 0) return -1;
    const struct timeval limit = { .tv_sec = wait_ms / 1000 };
    int fd = -1;
    for (const struct addrinfo *a = list; a && fd < 0; a = a->ai_next) {
        fd = socket(a->ai_family, a->ai_socktype | SOCK_CLOEXEC, a->ai_protocol);
        if (fd < 0) continue;
        (void)setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &limit, sizeof limit);
        (void)setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
        if (connect(fd, a->ai_addr, a->ai_addrlen) == 0) break;
        close(fd);
        fd = -1;
    }
    freeaddrinfo(list);
    return fd;
}

/* --- packets -----------------------------------------------------------------------------------
 */

struct packet {
    uint8_t bytes[PACKET_MAX];
    size_t length;
};

static void put(struct packet *p, uint8_t byte)
{
    if (p->length < PACKET_MAX) p->bytes[p->length++] = byte;
}

static void put_string(struct packet *p, const char *s)
{
    const size_t length = strlen(s);
    put(p, (uint8_t)(length >> 8));
    put(p, (uint8_t)length);
    for (size_t i = 0; i < length; i++) {
        put(p, (uint8_t)s[i]);
    }
}

/* Type and length in front of what follows; the length has two bytes where it needs them. */
static void frame(struct packet *ret, uint8_t type, const struct packet *body)
{
    ret->length = 0;
    put(ret, type);
    if (body->length > SHORT_MOST) {
        put(ret, (uint8_t)(0x80 | (body->length & SHORT_MOST)));
        put(ret, (uint8_t)(body->length >> 7));
    } else {
        put(ret, (uint8_t)body->length);
    }
    for (size_t i = 0; i < body->length; i++) {
        put(ret, body->bytes[i]);
    }
}

static void make_connect(struct packet *ret, int version)
{
    char chance[2 * CHANCE_BYTES + 1], id[64];
    struct packet body = { .length = 0 };
    struct text t = text_over(id, sizeof id);
    clock_random_hex(chance, CHANCE_BYTES);
    text_add(&t, "dosewright-doctor-");
    text_add(&t, chance);
    put_string(&body, "MQTT");
    put(&body, (uint8_t)version);
    put(&body, CLEAN_START);
    put(&body, 0);
    put(&body, KEEPALIVE_S);
    if (version == VERSION_5) put(&body, 0); /* no properties */
    put_string(&body, id);
    frame(ret, CONNECT, &body);
}

static void make_publish(struct packet *ret, int version, const char *topic, const char *payload)
{
    struct packet body = { .length = 0 };
    put_string(&body, topic);
    if (version == VERSION_5) put(&body, 0);
    for (const char *c = payload; *c; c++) {
        put(&body, (uint8_t)*c);
    }
    frame(ret, PUBLISH, &body);
}

/* --- the connection ----------------------------------------------------------------------------
 */

struct line {
    int fd;
    SSL_CTX *context; /* NULL: plain */
    SSL *ssl;
};

static void hang_up(struct line *l)
{
    SSL_free(l->ssl);
    SSL_CTX_free(l->context);
    if (l->fd >= 0) close(l->fd);
    ERR_clear_error();
}

/* Whom it speaks with is no matter here: it has nothing to keep secret. */
static bool ring(struct line *l, const struct broker_uri *uri, int64_t wait_ms)
{
    *l = (struct line){ .fd = doctor_socket(uri, wait_ms) };
    if (l->fd < 0 || !uri->tls) return l->fd >= 0;
    l->context = SSL_CTX_new(TLS_client_method());
    l->ssl = l->context ? SSL_new(l->context) : NULL;
    return l->ssl && SSL_set_fd(l->ssl, l->fd) == 1 && SSL_connect(l->ssl) == 1;
}

static bool send_packet(struct line *l, const struct packet *p)
{
    if (l->ssl) return SSL_write(l->ssl, p->bytes, (int)p->length) == (int)p->length;
    return send(l->fd, p->bytes, p->length, MSG_NOSIGNAL) == (ssize_t)p->length;
}

/* The first four bytes of a CONNACK: type, length, flags, reason. */
static bool is_let_in(struct line *l)
{
    uint8_t answer[4];
    size_t got = 0;
    while (got < sizeof answer) {
        const size_t left = sizeof answer - got;
        const ssize_t n =
            l->ssl ? SSL_read(l->ssl, answer + got, (int)left) : recv(l->fd, answer + got, left, 0);
        if (n <= 0) return false;
        got += (size_t)n;
    }
    return answer[0] == CONNACK && answer[3] == 0;
}

bool doctor_stranger_says(
    const struct doctor *d, const char *text, const char *topic, const char *payload)
{
    struct broker_uri uri;
    struct line l;
    struct packet p;
    const int version = d->config->broker.version;
    if (!broker_uri_read(&uri, text)) return false;
    make_connect(&p, version);
    const bool in = ring(&l, &uri, d->wait_ms) && send_packet(&l, &p) && is_let_in(&l);
    if (in) {
        const struct packet farewell = { .bytes = { DISCONNECT, 0 }, .length = 2 };
        make_publish(&p, version, topic, payload);
        (void)(send_packet(&l, &p) && send_packet(&l, &farewell));
    }
    hang_up(&l);
    return in;
}
