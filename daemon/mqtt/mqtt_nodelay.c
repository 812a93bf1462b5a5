#include "daemon/mqtt/mqtt_nodelay.h"

#include <dirent.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdbool.h>
#include <stddef.h>
#include <sys/socket.h>

static bool is_tcp(int descriptor)
{
    int type = 0;
    socklen_t length = sizeof type;
    if (getsockopt(descriptor, SOL_SOCKET, SO_TYPE, &type, &length) != 0) return false;
    struct sockaddr_storage address;
    length = sizeof address;
    if (type != SOCK_STREAM) return false;
    if (getsockname(descriptor, (struct sockaddr *)&address, &length) != 0) return false;
    return address.ss_family == AF_INET || address.ss_family == AF_INET6;
}

/* A name in /proc/self/fd; -1 for "." and "..". */
static int descriptor_of(const char *name)
{
    int value = -1;
    for (; *name >= '0' && *name <= '9' && value < 1000000; name++) {
        value = (value < 0 ? 0 : value * 10) + (*name - '0');
    }
    return value;
}

int mqtt_set_nodelay(void)
{
    DIR *dir = opendir("/proc/self/fd");
    if (!dir) return -1;
    int count = 0;
    for (const struct dirent *entry = readdir(dir); entry; entry = readdir(dir)) {
        const int descriptor = descriptor_of(entry->d_name);
        const int on = 1;
        if (descriptor < 0 || !is_tcp(descriptor)) continue;
        if (setsockopt(descriptor, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on) == 0) count++;
    }
    closedir(dir);
    return count;
}
