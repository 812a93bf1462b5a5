#include "daemon/base/whole_file.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static enum err say(struct problem *problem, const char *path, const char *text)
{
    return problem_set(problem, ERR_IO, path, text);
}

static bool same_file(const struct stat *a, const struct stat *b)
{
    return a->st_dev == b->st_dev && a->st_ino == b->st_ino && a->st_size == b->st_size &&
           a->st_mtim.tv_sec == b->st_mtim.tv_sec && a->st_mtim.tv_nsec == b->st_mtim.tv_nsec &&
           a->st_ctim.tv_sec == b->st_ctim.tv_sec && a->st_ctim.tv_nsec == b->st_ctim.tv_nsec;
}

/* Up to 'room' bytes; more than WHOLE_FILE_MAX of them means that the file is too long. */
static bool fill(int fd, char *at, size_t room, size_t *ret_length)
{
    *ret_length = 0;
    while (*ret_length < room) {
        const ssize_t n = read(fd, at + *ret_length, room - *ret_length);
        if (n == 0) return true;
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) return false;
        *ret_length += (size_t)n;
    }
    return true;
}

static enum err read_open(
    struct whole_file *ret, struct arena *arena, int fd, const char *path, struct problem *problem)
{
    struct stat before, after;
    if (fstat(fd, &before) != 0) return say(problem, path, strerror(errno));
    if (!S_ISREG(before.st_mode)) return say(problem, path, "not a regular file");
    if (before.st_mode & S_IWOTH)
        return say(problem, path, "everyone may write to it: chmod o-w first");
    if (before.st_size > WHOLE_FILE_MAX)
        return problem_set(problem, ERR_FULL, path, "longer than 256 KiB, the most allowed");
    const size_t room = (size_t)before.st_size + 1; /* one more shows that it grew */
    char *bytes = arena_take(arena, room + 1);
    if (!bytes) return problem_set(problem, ERR_FULL, path, "no memory left");
    if (!fill(fd, bytes, room, &ret->length)) return say(problem, path, strerror(errno));
    if (fstat(fd, &after) != 0 || !same_file(&before, &after) ||
        ret->length != (size_t)before.st_size)
        return say(problem, path, "it changed while it was read: try again");
    bytes[ret->length] = '\0';
    ret->bytes = bytes;
    ret->group_writable = (before.st_mode & S_IWGRP) != 0;
    return ERR_NONE;
}

enum err whole_file_read(
    struct whole_file *ret, struct arena *arena, const char *path, struct problem *problem)
{
    *ret = (struct whole_file){ 0 };
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY);
    if (fd < 0 && errno == ELOOP)
        return say(problem, path, "a symbolic link: name the file it points to");
    if (fd < 0) return say(problem, path, strerror(errno));
    const enum err err = read_open(ret, arena, fd, path, problem);
    close(fd);
    return err;
}
