/* What the service may reach: the drop-in that keeps it to its broker. The unit itself leaves that
 * open, as it can't know where the broker is. */
#include <arpa/inet.h>
#include <dirent.h>
#include <errno.h>
#include <netdb.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "daemon/config/broker_uri.h"
#include "daemon/doctor/doctor.h"

enum { PATH_LONGEST = 1024, LINE_LONGEST = 512, HOST_LONGEST = 64, HOSTS_MAX = 64 };

static const char unit_name[] = "dosewright.service";

struct hosts { /* numeric addresses */
    uint32_t count;
    char host[HOSTS_MAX][HOST_LONGEST];
};

static void add_host(struct hosts *h, const char *host)
{
    for (uint32_t i = 0; i < h->count; i++) {
        if (strcmp(h->host[i], host) == 0) return;
    }
    if (h->count < HOSTS_MAX && text_copy(h->host[h->count], HOST_LONGEST, host)) h->count++;
}

/* --- whom the service must reach ---------------------------------------------------------------
 */

static bool look_up(struct hosts *h, const struct broker_uri *uri, bool *ret_named)
{
    char name[sizeof uri->host], host[HOST_LONGEST];
    const bool bracketed = uri->host[0] == '[';
    (void)text_copy(name, sizeof name, uri->host + (bracketed ? 1 : 0));
    name[strcspn(name, "]")] = '\0';
    struct addrinfo hints = { .ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICHOST };
    struct addrinfo *list = NULL;
    if (getaddrinfo(name, NULL, &hints, &list) != 0) {
        hints.ai_flags = 0;
        *ret_named = true;
        if (getaddrinfo(name, NULL, &hints, &list) != 0) return false;
    }
    for (const struct addrinfo *a = list; a; a = a->ai_next) {
        if (getnameinfo(a->ai_addr, a->ai_addrlen, host, sizeof host, NULL, 0, NI_NUMERICHOST) == 0)
            add_host(h, host);
    }
    freeaddrinfo(list);
    return true;
}

/* A name in the configuration has to be looked up by the service, too. */
static void add_name_servers(struct hosts *h)
{
    char line[LINE_LONGEST];
    FILE *file = fopen("/etc/resolv.conf", "re");
    if (!file) return;
    while (fgets(line, sizeof line, file)) {
        static const char word[] = "nameserver ";
        if (strncmp(line, word, sizeof word - 1) != 0) continue;
        char *host = line + sizeof word - 1 + strspn(line + sizeof word - 1, " \t");
        host[strcspn(host, " \t\r\n")] = '\0';
        add_host(h, host);
    }
    fclose(file);
}

/* All addresses of other machines that the service needs, and those of this one as "localhost".
 * False when a name can't be looked up; it is in *ret_name. */
static bool wanted_hosts(struct hosts *ret, const struct config *config, const char **ret_name)
{
    bool named = false;
    struct hosts found = { 0 };
    for (uint32_t i = 0; i < config->broker.uri_count; i++) {
        struct broker_uri uri;
        if (!broker_uri_read(&uri, config->broker.uri[i])) continue;
        if (broker_uri_is_here(&uri)) {
            add_host(&found, "localhost");
        } else if (!look_up(&found, &uri, &named)) {
            *ret_name = config->broker.uri[i];
            return false;
        }
    }
    if (named) add_name_servers(&found);
    *ret = (struct hosts){ 0 };
    for (uint32_t i = 0; i < found.count; i++) {
        const char *host = found.host[i];
        const bool here = strncmp(host, "127.", 4) == 0 || strcmp(host, "::1") == 0;
        add_host(ret, here ? "localhost" : host);
    }
    return true;
}

bool doctor_drop_in(FILE *out, const struct config *config)
{
    struct hosts hosts;
    const char *name = "";
    if (!wanted_hosts(&hosts, config, &name)) {
        fprintf(stderr, "dosewright: %s: the name can't be looked up from here\n", name);
        return false;
    }
    fprintf(out,
        "# dosewright: no host but those of broker.uris can be reached, and the name servers "
        "where\n"
        "# the broker has a name. Made by 'dosewright doctor --drop-in'; make it anew when one of "
        "them\n"
        "# moves. Install as /etc/systemd/system/%s.d/broker.conf, then\n"
        "# 'systemctl daemon-reload' and 'systemctl restart dosewright'.\n"
        "[Service]\nIPAddressDeny=any\n",
        unit_name);
    for (uint32_t i = 0; i < hosts.count; i++) {
        fprintf(out, "IPAddressAllow=%s\n", hosts.host[i]);
    }
    return true;
}

/* --- what the drop-ins say ---------------------------------------------------------------------
 */

struct rules {
    bool deny, wide; /* nobody but those allowed; everybody is allowed after all */
    struct hosts allow;
};

static void read_words(struct rules *r, char *words)
{
    char *rest = NULL;
    for (char *w = strtok_r(words, " \t\r\n", &rest); w; w = strtok_r(NULL, " \t\r\n", &rest)) {
        if (strcmp(w, "any") == 0) r->wide = true;
        add_host(&r->allow, w);
    }
}

static void read_drop_in(struct rules *r, const char *path)
{
    static const char deny[] = "IPAddressDeny=", allow[] = "IPAddressAllow=";
    char line[LINE_LONGEST];
    FILE *file = fopen(path, "re");
    if (!file) return;
    while (fgets(line, sizeof line, file)) {
        if (strncmp(line, deny, sizeof deny - 1) == 0 && strstr(line, "any")) r->deny = true;
        if (strncmp(line, allow, sizeof allow - 1) == 0) read_words(r, line + sizeof allow - 1);
    }
    fclose(file);
}

static bool read_all(struct rules *r, const char *unit_dir)
{
    char dir[PATH_LONGEST], path[PATH_LONGEST];
    struct text t = text_over(dir, sizeof dir);
    text_add(&t, unit_dir);
    text_add_char(&t, '/');
    text_add(&t, unit_name);
    text_add(&t, ".d");
    DIR *list = t.cut ? NULL : opendir(dir);
    if (!list) return errno == ENOENT;
    for (const struct dirent *e = readdir(list); e; e = readdir(list)) {
        const size_t length = strlen(e->d_name);
        if (length < 5 || strcmp(e->d_name + length - 5, ".conf") != 0) continue;
        struct text p = text_over(path, sizeof path);
        text_add(&p, dir);
        text_add_char(&p, '/');
        text_add(&p, e->d_name);
        if (!p.cut) read_drop_in(r, path);
    }
    closedir(list);
    return true;
}

/* "192.0.2.0/24" and the like; both are numeric. */
static bool covers(const char *net, const char *host)
{
    char base[HOST_LONGEST];
    uint8_t a[16], b[16];
    unsigned bits = 0;
    (void)text_copy(base, sizeof base, net);
    char *slash = strchr(base, '/');
    if (slash) *slash = '\0';
    const int family = strchr(host, ':') ? AF_INET6 : AF_INET;
    if (inet_pton(family, base, a) != 1 || inet_pton(family, host, b) != 1) return false;
    const unsigned all = family == AF_INET ? 32 : 128;
    bits = all;
    if (slash) {
        bits = 0;
        for (const char *c = slash + 1; *c >= '0' && *c <= '9' && bits <= all; c++) {
            bits = bits * 10 + (unsigned)(*c - '0');
        }
    }
    if (bits > all) return false;
    if (memcmp(a, b, bits / 8) != 0) return false;
    const uint8_t mask = (uint8_t)(0xFF00U >> (bits % 8));
    return bits % 8 == 0 || ((a[bits / 8] ^ b[bits / 8]) & mask) == 0;
}

static bool allowed(const struct rules *r, const char *host)
{
    for (uint32_t i = 0; i < r->allow.count; i++) {
        const char *allow = r->allow.host[i];
        if (strcmp(allow, host) == 0 || covers(allow, host)) return true;
    }
    return r->wide;
}

/* --- the verdict -------------------------------------------------------------------------------
 */

static bool has_unit(const char *dir)
{
    char path[PATH_LONGEST];
    struct text t = text_over(path, sizeof path);
    text_add(&t, dir);
    text_add_char(&t, '/');
    text_add(&t, unit_name);
    return !t.cut && access(path, F_OK) == 0;
}

static void judge_allowed(struct doctor *d, const struct rules *r)
{
    struct hosts wanted;
    const char *name = "";
    if (!wanted_hosts(&wanted, d->config, &name)) {
        doctor_see(d, "exposure", "%s: the name can't be looked up from here", name);
        doctor_judge(
            d, DOCTOR_WARN, "write the broker's address instead, or mend the name service");
        return;
    }
    for (uint32_t i = 0; i < wanted.count; i++) {
        if (allowed(r, wanted.host[i])) continue;
        doctor_see(d, "exposure", "the service may not reach %s, which it needs", wanted.host[i]);
        doctor_judge(d, DOCTOR_FAIL,
            "make the drop-in anew: dosewright doctor --drop-in SITE.yaml, and put it in "
            "/etc/systemd/system/dosewright.service.d/broker.conf");
        return;
    }
    doctor_see(d, "exposure", "the service may reach its broker, and little else");
    doctor_judge(d, DOCTOR_OK, NULL);
}

void doctor_unit(struct doctor *d)
{
    struct rules r = { .deny = false };
    if (!has_unit(d->unit_dir) && !has_unit("/usr/lib/systemd/system")) {
        doctor_see(d, "exposure", "%s isn't installed here", unit_name);
        doctor_judge(d, DOCTOR_OK, NULL);
    } else if (!read_all(&r, d->unit_dir)) {
        doctor_see(
            d, "exposure", "the drop-ins in %s can't be read: %s", d->unit_dir, strerror(errno));
        doctor_judge(d, DOCTOR_WARN, "look again as root");
    } else if (!r.deny || r.wide) {
        doctor_see(d, "exposure", "the service may talk to every host on the network");
        doctor_judge(d, DOCTOR_WARN,
            "it needs its broker only: dosewright doctor --drop-in SITE.yaml prints the drop-in "
            "for "
            "/etc/systemd/system/dosewright.service.d/broker.conf");
    } else {
        judge_allowed(d, &r);
    }
}
