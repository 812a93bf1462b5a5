#include "daemon/mqtt/inbox.h"

#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include "daemon/payload/json_guard.h"
#include "daemon/payload/payload.h"
#include "lib/base/invariant.h"

enum { ALIGN = 8 };

/* Before each message in a ring. 'size' 0: the rest of the ring is unused, go on at its start. */
struct slip {
    uint64_t rank;
    uint32_t size;
    uint32_t payload;
    uint16_t topic, response, correlation;
    bool retained;
};

struct ring {
    char *bytes;
    size_t size, head, tail;
    uint32_t count;
};

struct marks { /* filters that are urgent: those without wildcard are sorted */
    char *texts;
    const char **exact, **wild;
    uint32_t exact_count, wild_count;
};

struct inbox {
    pthread_mutex_t lock; /* guards all below; held for a copy at most */
    int descriptor;
    uint32_t holders;
    bool raised; /* the descriptor is readable */
    bool poked, overrun, shut;
    uint64_t rank;
    struct ring reading, urgent;
    struct marks marks;
    struct notice notice[INBOX_NOTICES_MAX];
    uint32_t notice_first, notice_count;
    struct inbox_counts counts;
    /* what inbox_take hands out */
    char topic[INBOX_TOPIC_MAX + 1], payload[PAYLOAD_MAX + 1], response[INBOX_TOPIC_MAX + 1],
        correlation[INBOX_CORRELATION_MAX + 1];
};

/* --- rings ------------------------------------------------------------------------------------ */

/* Where the oldest slip lies; the ring isn't empty. */
static size_t ring_front(struct ring *r, struct slip *ret)
{
    if (r->size - r->head >= sizeof *ret) {
        memcpy(ret, r->bytes + r->head, sizeof *ret);
        if (ret->size > 0) return r->head;
    }
    r->head = 0;
    memcpy(ret, r->bytes, sizeof *ret);
    return 0;
}

static void ring_pop(struct ring *r)
{
    INVARIANT(r->count > 0);
    struct slip slip;
    r->head = ring_front(r, &slip) + slip.size;
    if (--r->count == 0) r->head = r->tail = 0; /* few pages are touched as long as it runs empty */
}

/* A stretch of 'need' bytes at the tail; false when the ring is too full for it. */
static bool ring_room(struct ring *r, size_t need)
{
    if (r->count == 0) return need <= r->size;
    if (r->tail <= r->head) return r->head - r->tail >= need;
    if (r->size - r->tail >= need) return true;
    if (r->head < need) return false;
    const struct slip end = { .size = 0 };
    if (r->size - r->tail >= sizeof end) memcpy(r->bytes + r->tail, &end, sizeof end);
    r->tail = 0;
    return true;
}

static char *put_bytes(char *to, const char *from, size_t length)
{
    if (length > 0) memcpy(to, from, length);
    return to + length;
}

static size_t ring_need(const struct inbox_letter *l)
{
    const size_t bytes = sizeof(struct slip) + l->topic_length + l->payload_length +
                         l->response_length + l->correlation_length;
    return (bytes + ALIGN - 1) / ALIGN * ALIGN;
}

/* There is room for it. */
static void ring_push(struct ring *r, const struct inbox_letter *l, uint64_t rank)
{
    const size_t need = ring_need(l);
    INVARIANT(r->tail + need <= r->size);
    const struct slip slip = { .rank = rank,
        .size = (uint32_t)need,
        .payload = (uint32_t)l->payload_length,
        .topic = (uint16_t)l->topic_length,
        .response = (uint16_t)l->response_length,
        .correlation = (uint16_t)l->correlation_length,
        .retained = l->retained };
    char *to = r->bytes + r->tail;
    memcpy(to, &slip, sizeof slip);
    to = put_bytes(to + sizeof slip, l->topic, l->topic_length);
    to = put_bytes(to, l->payload, l->payload_length);
    to = put_bytes(to, l->response, l->response_length);
    (void)put_bytes(to, l->correlation, l->correlation_length);
    r->tail += need;
    r->count++;
}

/* --- the descriptor --------------------------------------------------------------------------- */

/* Both with the lock held: one write for a burst, one read when all is picked up. */
static void raise_descriptor(struct inbox *box)
{
    if (box->raised) return;
    const uint64_t one = 1;
    box->raised = write(box->descriptor, &one, sizeof one) == (ssize_t)sizeof one;
}

static void lower_descriptor(struct inbox *box)
{
    if (!box->raised || box->poked || box->notice_count > 0) return;
    if (!box->shut && (box->reading.count > 0 || box->urgent.count > 0)) return;
    uint64_t count;
    (void)!read(box->descriptor, &count, sizeof count);
    box->raised = false;
}

/* --- what is urgent --------------------------------------------------------------------------- */

bool inbox_filter_matches(const char *filter, const char *topic)
{
    if (topic[0] == '$' && (filter[0] == '+' || filter[0] == '#')) return false;
    while (*filter) {
        if (*filter == '#') return true;
        if (*filter == '+') {
            while (*topic && *topic != '/') {
                topic++;
            }
            filter++;
        } else if (*filter == *topic) {
            filter++;
            topic++;
        } else {
            /* "house/#" matches "house" as well */
            return *topic == '\0' && strcmp(filter, "/#") == 0;
        }
    }
    return *topic == '\0';
}

static int by_text(const void *a, const void *b)
{
    const char *const *x = a, *const *y = b;
    return strcmp(*x, *y);
}

static bool is_urgent(const struct marks *m, const char *topic)
{
    if (m->exact_count > 0 &&
        bsearch(&topic, m->exact, m->exact_count, sizeof *m->exact, by_text) != NULL)
        return true;
    for (uint32_t i = 0; i < m->wild_count; i++) {
        if (inbox_filter_matches(m->wild[i], topic)) return true;
    }
    return false;
}

static void free_marks(struct marks *m)
{
    free(m->texts);
    free(m->exact);
    free(m->wild);
    *m = (struct marks){ 0 };
}

static enum err make_marks(struct marks *ret, const char *const *filters, uint32_t count)
{
    size_t bytes = 1;
    for (uint32_t i = 0; i < count; i++) {
        bytes += strlen(filters[i]) + 1;
    }
    *ret = (struct marks){ .texts = malloc(bytes),
        .exact = calloc((size_t)count + 1, sizeof *ret->exact),
        .wild = calloc((size_t)count + 1, sizeof *ret->wild) };
    if (!ret->texts || !ret->exact || !ret->wild) {
        free_marks(ret);
        return ERR_IO;
    }
    char *to = ret->texts;
    for (uint32_t i = 0; i < count; i++) {
        const size_t length = strlen(filters[i]) + 1;
        memcpy(to, filters[i], length);
        if (strpbrk(to, "+#"))
            ret->wild[ret->wild_count++] = to;
        else
            ret->exact[ret->exact_count++] = to;
        to += length;
    }
    qsort(ret->exact, ret->exact_count, sizeof *ret->exact, by_text);
    return ERR_NONE;
}

enum err inbox_mark_urgent(struct inbox *box, const char *const *filters, uint32_t count)
{
    struct marks fresh, former;
    if (make_marks(&fresh, filters, count) != ERR_NONE) return ERR_IO;
    pthread_mutex_lock(&box->lock);
    former = box->marks;
    box->marks = fresh;
    pthread_mutex_unlock(&box->lock);
    free_marks(&former);
    return ERR_NONE;
}

/* --- putting in ------------------------------------------------------------------------------- */

static bool topic_valid(const char *topic, size_t length)
{
    for (size_t at = 0; at < length;) {
        if (topic[at] == '\0' || topic[at] == '+' || topic[at] == '#') return false;
        const size_t step = json_utf8(topic + at, length - at);
        if (step == 0) return false;
        at += step;
    }
    return length > 0;
}

/* Nobody is answered on a topic that can't be used. */
static void drop_bad_response(struct inbox_letter *l)
{
    if (l->response && l->response_length <= INBOX_TOPIC_MAX &&
        l->correlation_length <= INBOX_CORRELATION_MAX &&
        topic_valid(l->response, l->response_length))
        return;
    l->response = l->correlation = NULL;
    l->response_length = l->correlation_length = 0;
}

static void put_checked(struct inbox *box, const struct inbox_letter *l, const char *topic)
{
    const bool urgent = is_urgent(&box->marks, topic);
    struct ring *ring = urgent ? &box->urgent : &box->reading;
    const size_t need = ring_need(l);
    while (!urgent && !ring_room(ring, need) && ring->count > 0) {
        ring_pop(ring);
        box->counts.dropped++;
    }
    if (!ring_room(ring, need)) {
        box->counts.dropped++;
        return;
    }
    ring_push(ring, l, box->rank++);
    if (!box->shut) raise_descriptor(box);
}

/* Of a description only the beginning is looked at: a long one is cut, not left out. */
static bool is_description(const struct inbox_letter *l)
{
    static const char end[] = "/$description";
    const size_t length = sizeof end - 1;
    return l->topic_length > length &&
           memcmp(l->topic + l->topic_length - length, end, length) == 0;
}

void inbox_put(struct inbox *box, const struct inbox_letter *letter)
{
    struct inbox_letter l = *letter;
    char topic[INBOX_TOPIC_MAX + 1];
    const bool long_topic = l.topic_length > INBOX_TOPIC_MAX;
    if (l.payload_length > PAYLOAD_MAX && is_description(&l)) l.payload_length = PAYLOAD_MAX;
    const bool oversized = long_topic || l.payload_length > PAYLOAD_MAX;
    const bool malformed = !oversized && !topic_valid(l.topic, l.topic_length);
    if (!oversized && !malformed) {
        memcpy(topic, l.topic, l.topic_length);
        topic[l.topic_length] = '\0';
        drop_bad_response(&l);
    }
    pthread_mutex_lock(&box->lock);
    box->counts.received++;
    if (oversized)
        box->counts.oversized++;
    else if (malformed)
        box->counts.malformed++;
    else
        put_checked(box, &l, topic);
    pthread_mutex_unlock(&box->lock);
}

bool inbox_tell(struct inbox *box, const struct notice *notice)
{
    pthread_mutex_lock(&box->lock);
    const bool room = box->notice_count < INBOX_NOTICES_MAX;
    if (room)
        box->notice[(box->notice_first + box->notice_count++) % INBOX_NOTICES_MAX] = *notice;
    else
        box->overrun = true;
    raise_descriptor(box);
    pthread_mutex_unlock(&box->lock);
    return room;
}

void inbox_poke(struct inbox *box)
{
    pthread_mutex_lock(&box->lock);
    box->poked = true;
    raise_descriptor(box);
    pthread_mutex_unlock(&box->lock);
}

/* --- taking out ------------------------------------------------------------------------------- */

static const char *take_bytes(char *to, const char *from, size_t length)
{
    if (length > 0) memcpy(to, from, length);
    to[length] = '\0';
    return from + length;
}

/* The ring whose oldest message came first; NULL when both are empty, or nothing may be taken. */
static struct ring *oldest(struct inbox *box)
{
    struct slip reading, urgent;
    if (box->shut) return NULL;
    if (box->urgent.count == 0) return box->reading.count > 0 ? &box->reading : NULL;
    if (box->reading.count == 0) return &box->urgent;
    (void)ring_front(&box->reading, &reading);
    (void)ring_front(&box->urgent, &urgent);
    return reading.rank < urgent.rank ? &box->reading : &box->urgent;
}

bool inbox_take(struct inbox *box, struct mqtt_message *ret)
{
    pthread_mutex_lock(&box->lock);
    struct ring *ring = oldest(box);
    if (ring) {
        struct slip slip;
        const char *from = ring->bytes + ring_front(ring, &slip) + sizeof slip;
        from = take_bytes(box->topic, from, slip.topic);
        from = take_bytes(box->payload, from, slip.payload);
        from = take_bytes(box->response, from, slip.response);
        (void)take_bytes(box->correlation, from, slip.correlation);
        *ret = (struct mqtt_message){ .topic = box->topic,
            .payload = box->payload,
            .length = slip.payload,
            .retained = slip.retained,
            .response_topic = box->response,
            .correlation = box->correlation,
            .correlation_length = slip.correlation };
        ring_pop(ring);
    }
    lower_descriptor(box);
    pthread_mutex_unlock(&box->lock);
    return ring != NULL;
}

void inbox_shut(struct inbox *box, bool shut)
{
    pthread_mutex_lock(&box->lock);
    box->shut = shut;
    if (!shut && (box->reading.count > 0 || box->urgent.count > 0)) raise_descriptor(box);
    lower_descriptor(box);
    pthread_mutex_unlock(&box->lock);
}

void inbox_drop_readings(struct inbox *box)
{
    pthread_mutex_lock(&box->lock);
    box->counts.dropped += box->reading.count;
    box->reading.head = box->reading.tail = 0;
    box->reading.count = 0;
    lower_descriptor(box);
    pthread_mutex_unlock(&box->lock);
}

bool inbox_hear(struct inbox *box, struct notice *ret)
{
    pthread_mutex_lock(&box->lock);
    const bool any = box->notice_count > 0;
    if (any) {
        *ret = box->notice[box->notice_first];
        box->notice_first = (box->notice_first + 1) % INBOX_NOTICES_MAX;
        box->notice_count--;
    } else {
        box->poked = false;
    }
    lower_descriptor(box);
    pthread_mutex_unlock(&box->lock);
    return any;
}

bool inbox_overrun(struct inbox *box)
{
    pthread_mutex_lock(&box->lock);
    const bool overrun = box->overrun;
    box->overrun = false;
    pthread_mutex_unlock(&box->lock);
    return overrun;
}

struct inbox_counts inbox_counts(struct inbox *box)
{
    pthread_mutex_lock(&box->lock);
    const struct inbox_counts counts = box->counts;
    pthread_mutex_unlock(&box->lock);
    return counts;
}

/* --- life ------------------------------------------------------------------------------------- */

enum err inbox_open(struct inbox **ret, struct problem *problem)
{
    struct inbox *box = calloc(1, sizeof *box);
    if (!box) return problem_set(problem, ERR_IO, "inbox", "there is no memory left");
    box->holders = 1;
    box->reading =
        (struct ring){ .bytes = malloc(INBOX_READING_BYTES), .size = INBOX_READING_BYTES };
    box->urgent = (struct ring){ .bytes = malloc(INBOX_URGENT_BYTES), .size = INBOX_URGENT_BYTES };
    box->descriptor = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (pthread_mutex_init(&box->lock, NULL) == 0 && box->reading.bytes && box->urgent.bytes &&
        box->descriptor >= 0) {
        *ret = box;
        return ERR_NONE;
    }
    inbox_close(box);
    return problem_set(problem, ERR_IO, "inbox", "the system refuses memory or a descriptor");
}

struct inbox *inbox_hold(struct inbox *box)
{
    pthread_mutex_lock(&box->lock);
    box->holders++;
    pthread_mutex_unlock(&box->lock);
    return box;
}

void inbox_close(struct inbox *box)
{
    if (!box) return;
    pthread_mutex_lock(&box->lock);
    const uint32_t left = --box->holders;
    pthread_mutex_unlock(&box->lock);
    if (left > 0) return;
    if (box->descriptor >= 0) close(box->descriptor);
    free(box->reading.bytes);
    free(box->urgent.bytes);
    free_marks(&box->marks);
    pthread_mutex_destroy(&box->lock);
    free(box);
}

int inbox_descriptor(const struct inbox *box)
{
    return box->descriptor;
}
