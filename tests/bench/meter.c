/* Sends readings and looks what is published in answer to them. The clock, the sender and the
 * listener are one thread, so that both ends of a measure are read off the same clock.
 *
 *     meter PORT latency LAG COUNT EVERY_US  IN OUT KIND
 *     meter PORT flood COUNT RATE            IN OUT KIND ...
 *     meter PORT request COUNT EVERY_US      IN OUT KIND
 *
 * IN is the topic of a probe, OUT the one where its value comes back, KIND says what it measures:
 * ec, ph or temperature. Each reading differs from the one before by the resolution at which the
 * daemon publishes.
 *
 * latency: one reading every EVERY_US; each is waited for. LAG 0: the value itself comes back. LAG
 * 1: the one before it, as the median of three does with values that rise. When IN is OUT it's the
 * broker alone. Prints {"missed":..,"us":[..]}.
 *
 * flood: COUNT readings over all topics in turn, RATE a second (0: as fast as the broker takes
 * them), then on each topic three of a value that came nowhere before. It's over when each of those
 * was published: readings are worked off in their order, so that all others were by then. Prints
 * {"sent":..,"published":..,"seconds":..,"whole":true}.
 *
 * request: asks on IN for a module to be identified, which leads to a record and then to a command
 * on OUT. Prints what latency prints. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "tests/bench/wire.h"

enum {
    PROBES_MAX = 3072,
    VALUES = 200, /* of the ramp */
    LEAD_IN = 4,  /* readings at the foot of the ramp that aren't measured */
    LATE_US = 2000000,
    OVER_US = 60000000,
    LAST_READINGS = 3,
};

struct kind {
    const char *word;
    double first, step, last;
    int decimals;
};

static const struct kind kinds[] = { { "ec", 1.0, 0.01, 3.5, 2 }, { "ph", 5.0, 0.01, 7.5, 2 },
    { "temperature", 15.0, 0.1, 36.0, 1 } };

struct probe {
    const char *in, *out;
    const struct kind *kind;
    bool over;
};

static struct wire wire;
static struct probe probe[PROBES_MAX];
static int probe_count;

static _Noreturn void usage(void)
{
    fputs("meter: see the head of meter.c\n", stderr);
    exit(EX_USAGE);
}

static const struct kind *find_kind(const char *word)
{
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++) {
        if (strcmp(kinds[i].word, word) == 0) return &kinds[i];
    }
    usage();
}

static void read_probes(int count, char **words)
{
    if (count < 3 || count % 3 != 0 || count / 3 > PROBES_MAX) usage();
    for (int i = 0; i < count; i += 3) {
        probe[probe_count++] =
            (struct probe){ .in = words[i], .out = words[i + 1], .kind = find_kind(words[i + 2]) };
    }
}

static double value_at(const struct kind *kind, long n)
{
    return kind->first + kind->step * (double)(n % VALUES);
}

static bool put(const struct probe *p, double value)
{
    char payload[32];
    (void)snprintf(payload, sizeof payload, "%.*f", p->kind->decimals, value);
    return wire_put(&wire, p->in, payload);
}

static bool same(const struct kind *kind, double a, double b)
{
    return fabs(a - b) < kind->step / 2;
}

/* --- latency ---------------------------------------------------------------------------------- */

/* Microseconds from 'began' until that value came back; -1: it didn't. */
static int64_t wait_for(const struct probe *p, double value, int64_t began)
{
    struct wire_message m;
    int64_t now;
    while ((now = wire_now_us()) < began + LATE_US) {
        wire_turn(&wire, began + LATE_US - now);
        while (wire_take(&wire, &m)) {
            if (strcmp(m.topic, p->out) == 0 && same(p->kind, atof(m.payload), value))
                return wire_now_us() - began;
        }
    }
    return -1;
}

static void pass_until(int64_t due)
{
    struct wire_message m;
    int64_t now;
    while ((now = wire_now_us()) < due) {
        wire_turn(&wire, due - now);
        while (wire_take(&wire, &m)) {
        }
    }
}

static void latency(int lag, long count, long every_us)
{
    const struct probe *p = &probe[0];
    long missed = 0, measured = 0;
    int64_t due = wire_now_us();
    printf("{\"us\":[");
    for (long n = 0; measured < count; n++) {
        pass_until(due);
        due += every_us;
        const int64_t began = wire_now_us();
        if (!put(p, value_at(p->kind, n))) usage();
        if (n % VALUES < LEAD_IN) {
            wire_turn(&wire, 0);
            continue;
        }
        const int64_t us = wait_for(p, value_at(p->kind, n - lag), began);
        if (us < 0)
            missed++;
        else
            printf("%s%lld", measured - missed > 0 ? "," : "", (long long)us);
        measured++;
    }
    printf("],\"missed\":%ld}\n", missed);
}

/* --- request ---------------------------------------------------------------------------------- */

static int64_t wait_for_any(const char *topic, int64_t began)
{
    struct wire_message m;
    int64_t now;
    while ((now = wire_now_us()) < began + LATE_US) {
        wire_turn(&wire, began + LATE_US - now);
        while (wire_take(&wire, &m)) {
            if (strcmp(m.topic, topic) == 0) return wire_now_us() - began;
        }
    }
    return -1;
}

static void request(long count, long every_us)
{
    long missed = 0;
    int64_t due = wire_now_us();
    const long long run = (long long)due;
    printf("{\"us\":[");
    for (long n = 0; n < count; n++) {
        char payload[128];
        pass_until(due);
        due += every_us;
        (void)snprintf(payload, sizeof payload,
            "{\"id\":\"m%lld-%ld\",\"request\":\"identify\",\"address\":\"west/1.circulation\"}",
            run, n);
        const int64_t began = wire_now_us();
        if (!wire_put(&wire, probe[0].in, payload)) usage();
        const int64_t us = wait_for_any(probe[0].out, began);
        if (us < 0)
            missed++;
        else
            printf("%s%lld", n - missed > 0 ? "," : "", (long long)us);
    }
    printf("],\"missed\":%ld}\n", missed);
}

/* --- flood ------------------------------------------------------------------------------------ */

static int by_out(const void *a, const void *b)
{
    const struct probe *x = a, *y = b;
    return strcmp(x->out, y->out);
}

static struct probe *find_out(const char *topic)
{
    const struct probe key = { .out = topic };
    return bsearch(&key, probe, (size_t)probe_count, sizeof *probe, by_out);
}

/* How many of all probes' last values came. */
static int take_all(long *published)
{
    static int over;
    struct wire_message m;
    while (wire_take(&wire, &m)) {
        struct probe *p = find_out(m.topic);
        if (!p) continue;
        ++*published;
        if (p->over || !same(p->kind, atof(m.payload), p->kind->last)) continue;
        p->over = true;
        over++;
    }
    return over;
}

/* How many readings may have gone by now. */
static long due_by(long count, double rate, int64_t began)
{
    if (rate <= 0) return count;
    const double due = rate * (double)(wire_now_us() - began) / 1e6;
    return due < (double)count ? (long)due : count;
}

static void send_ramp(long count, double rate, long *published)
{
    const int64_t began = wire_now_us();
    for (long n = 0; n < count || wire_unsent(&wire);) {
        const long due = due_by(count, rate, began);
        while (n < due && put(&probe[n % probe_count],
                              value_at(probe[n % probe_count].kind, n / probe_count))) {
            n++;
        }
        const int64_t next = began + (int64_t)(rate > 0 ? (double)(n + 1) * 1e6 / rate : 0);
        const int64_t wait = next - wire_now_us();
        wire_turn(&wire, n < due || wait < 0 ? (n < due ? 1000 : 0) : wait);
        (void)take_all(published);
    }
}

static void send_last(long *published)
{
    for (int i = 0; i < LAST_READINGS * probe_count; i++) {
        while (!put(&probe[i % probe_count], probe[i % probe_count].kind->last)) {
            wire_turn(&wire, 1000);
            (void)take_all(published);
        }
    }
}

static void flood(long count, double rate)
{
    long published = 0;
    qsort(probe, (size_t)probe_count, sizeof *probe, by_out);
    pass_until(wire_now_us() + 50000); /* what the broker kept */
    const int64_t began = wire_now_us();
    send_ramp(count, rate, &published);
    send_last(&published);
    const int64_t late = wire_now_us() + OVER_US;
    bool whole = false;
    while (!whole && wire_now_us() < late) {
        wire_turn(&wire, 10000);
        whole = take_all(&published) == probe_count;
    }
    printf("{\"sent\":%ld,\"published\":%ld,\"seconds\":%.6f,\"whole\":%s}\n",
        count + (long)LAST_READINGS * probe_count, published, (double)(wire_now_us() - began) / 1e6,
        whole ? "true" : "false");
}

static void listen_to(void)
{
    for (int i = 0; i < probe_count; i++) {
        wire_subscribe(&wire, probe[i].out);
    }
}

int main(int count, char **words)
{
    enum { PORT = 1, MODE, ARGUMENTS };
    if (count < ARGUMENTS + 2) usage();
    const bool is_latency = strcmp(words[MODE], "latency") == 0;
    const int first = is_latency ? ARGUMENTS + 3 : ARGUMENTS + 2;
    read_probes(count - first, words + first);
    wire_open(&wire, atoi(words[PORT]), "meter");
    listen_to();
    if (is_latency)
        latency(atoi(words[ARGUMENTS]), atol(words[ARGUMENTS + 1]), atol(words[ARGUMENTS + 2]));
    else if (strcmp(words[MODE], "request") == 0)
        request(atol(words[ARGUMENTS]), atol(words[ARGUMENTS + 1]));
    else
        flood(atol(words[ARGUMENTS]), atof(words[ARGUMENTS + 1]));
    return 0;
}
