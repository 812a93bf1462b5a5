/* A password from a file, in memory only as long as it is needed. */
#ifndef DOSEWRIGHT_DAEMON_MQTT_SECRET_H
#define DOSEWRIGHT_DAEMON_MQTT_SECRET_H

#include "lib/base/problem.h"

enum { SECRET_MAX = 1024 };

struct secret {
    char bytes[SECRET_MAX + 2];
    int length;
};

/* Reads the whole file; one line feed (or carriage return and line feed) at its end isn't part of
 * the password. Refused: what isn't a regular file, is empty or over SECRET_MAX bytes, or may be
 * read or written by everyone on this machine. On failure 'ret' holds nothing. */
enum err secret_read(struct secret *ret, const char *path, struct problem *problem)
    __attribute__((warn_unused_result));

/* Wipes it, in a way that the compiler doesn't leave out. */
void secret_forget(struct secret *s);

#endif
