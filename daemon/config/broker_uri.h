/* The address of a broker as people write it: mqtts://host:port is TLS, mqtt://host:port is plain.
 * Neither user nor path; the port may be left out (8883, 1883). */
#ifndef DOSEWRIGHT_DAEMON_BROKER_URI_H
#define DOSEWRIGHT_DAEMON_BROKER_URI_H

#include "lib/base/text.h"

struct broker_uri {
    bool tls;
    char host[256]; /* with its brackets, if it is an IPv6 address */
    uint32_t port;
};

/* False when 'text' is none. */
bool broker_uri_read(struct broker_uri *ret, const char *text);

/* Certainly this machine: a loopback address, or the name for one. */
bool broker_uri_is_here(const struct broker_uri *uri);

/* A plain address that means, or may mean, another machine: whoever is on the way reads along and
 * moves pumps. Only names that can't mean another machine count as this one. */
bool broker_uri_is_open(const struct broker_uri *uri);

/* Writes it whole, with its port. */
void broker_uri_add(struct text *t, const struct broker_uri *uri);

#endif
