#include "daemon/mqtt/mqtt_secret.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

void secret_forget(struct secret *s)
{
    explicit_bzero(s, sizeof *s);
}

static const char *file_fault(int file)
{
    struct stat st;
    if (fstat(file, &st) != 0) return strerror(errno);
    if (!S_ISREG(st.st_mode)) return "it isn't a regular file";
    if (st.st_mode & (S_IROTH | S_IWOTH))
        return "everyone on this machine may read or write it; allow its owner only (chmod 600)";
    return NULL;
}

static const char *read_all(struct secret *ret, int file)
{
    size_t length = 0;
    for (;;) {
        const ssize_t got = read(file, ret->bytes + length, sizeof ret->bytes - length);
        if (got < 0 && errno == EINTR) continue;
        if (got < 0) return strerror(errno);
        length += (size_t)got;
        if (got == 0 || length == sizeof ret->bytes) break;
    }
    if (length > 0 && ret->bytes[length - 1] == '\n') {
        length--;
        if (length > 0 && ret->bytes[length - 1] == '\r') length--;
    }
    if (length == 0) return "it is empty";
    if (length > SECRET_MAX) return "it holds more than 1024 bytes";
    ret->length = (int)length;
    return NULL;
}

enum err secret_read(struct secret *ret, const char *path, struct problem *problem)
{
    *ret = (struct secret){ 0 };
    const int file = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (file < 0) return problem_set(problem, ERR_IO, path, strerror(errno));
    const char *fault = file_fault(file);
    if (!fault) fault = read_all(ret, file);
    close(file);
    if (!fault) return ERR_NONE;
    secret_forget(ret);
    return problem_set(problem, ERR_IO, path, fault);
}
