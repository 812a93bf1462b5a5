#include "daemon/config/broker_uri.h"

#include <string.h>

static bool read_port(uint32_t *ret, const char *s)
{
    uint32_t value = 0;
    if (*s == '\0' || strlen(s) > 5) return false;
    for (; *s; s++) {
        if (*s < '0' || *s > '9') return false;
        value = value * 10 + (uint32_t)(*s - '0');
    }
    *ret = value;
    return value >= 1 && value <= 65535;
}

static bool host_valid(const char *host)
{
    const size_t length = strlen(host);
    if (length == 0 || length > 253) return false;
    const char *letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789";
    if (host[0] == '[')
        return host[length - 1] == ']' && length > 3 &&
               strspn(host + 1, "0123456789abcdefABCDEF:.") == length - 2;
    for (const char *c = host; *c; c++) {
        if (!strchr(letters, *c) && *c != '.' && *c != '-' && *c != '_') return false;
    }
    return true;
}

bool broker_uri_read(struct broker_uri *ret, const char *text)
{
    static const char tls[] = "mqtts://", plain[] = "mqtt://";
    ret->tls = strncmp(text, tls, strlen(tls)) == 0;
    if (!ret->tls && strncmp(text, plain, strlen(plain)) != 0) return false;
    const char *rest = text + (ret->tls ? strlen(tls) : strlen(plain));
    const char *end = rest[0] == '[' ? strchr(rest, ']') : NULL;
    const char *colon = strchr(end ? end : rest, ':');
    const size_t host_length = colon ? (size_t)(colon - rest) : strlen(rest);
    if (host_length >= sizeof ret->host) return false;
    struct text t = text_over(ret->host, sizeof ret->host);
    text_add_bytes(&t, rest, host_length);
    ret->port = ret->tls ? 8883 : 1883;
    return host_valid(ret->host) && (!colon || read_port(&ret->port, colon + 1));
}

static bool this_machine(const char *host)
{
    if (strcmp(host, "localhost") == 0 || strcmp(host, "[::1]") == 0) return true;
    return strncmp(host, "127.", 4) == 0 && strspn(host, "0123456789.") == strlen(host);
}

bool broker_uri_is_here(const struct broker_uri *uri)
{
    return this_machine(uri->host);
}

bool broker_uri_is_open(const struct broker_uri *uri)
{
    return !uri->tls && !this_machine(uri->host);
}

void broker_uri_add(struct text *t, const struct broker_uri *uri)
{
    text_add(t, uri->tls ? "mqtts://" : "mqtt://");
    text_add(t, uri->host);
    text_add_char(t, ':');
    text_add_int(t, uri->port);
}
