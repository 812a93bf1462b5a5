#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/base/save_file.h"
#include "lib/base/text.h"

enum { LOOK_AT = 64, PATH_LONGEST = 4096, MODE = 0644 };

static enum err say(struct problem *problem, enum err err, const char *path, const char *text)
{
    return problem_set(problem, err, path, text);
}

static bool is_ours(const struct save_file *what)
{
    char start[LOOK_AT] = "";
    const int fd = open(what->path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    if (fd < 0) return false;
    const ssize_t n = read(fd, start, sizeof start);
    close(fd);
    for (const char *const *b = what->beginnings; *b; b++) {
        const size_t length = strlen(*b);
        if (n >= (ssize_t)length && memcmp(start, *b, length) == 0) return true;
    }
    return false;
}

/* May the file be written? *ret_there: one is to be replaced. */
static enum err may_write(const struct save_file *what, bool *ret_there, struct problem *problem)
{
    const char *path = what->path;
    char text[PROBLEM_TEXT_MAX];
    struct stat st;
    *ret_there = lstat(path, &st) == 0;
    if (!*ret_there)
        return errno == ENOENT ? ERR_NONE : say(problem, ERR_IO, path, strerror(errno));
    if (!S_ISREG(st.st_mode))
        return say(problem, ERR_BUSY, path, "there is something that isn't a regular file");
    if (what->over || st.st_size == 0 || is_ours(what)) return ERR_NONE;
    struct text t = text_over(text, sizeof text);
    text_add(&t, "there is a file that isn't a ");
    text_add(&t, what->kind);
    text_add(&t, ": choose another name, or say --force");
    return say(problem, ERR_BUSY, path, text);
}

static mode_t usual_mode(void)
{
    const mode_t mask = umask(0);
    (void)umask(mask);
    return MODE & ~mask;
}

static bool write_all(const struct save_file *what, int fd)
{
    const mode_t mode = what->mode ? (mode_t)what->mode : usual_mode();
    const int copy = dup(fd);
    FILE *out = copy < 0 ? NULL : fdopen(copy, "w");
    if (!out) {
        if (copy >= 0) close(copy);
        return false;
    }
    what->write(out, what->context);
    const bool refused = what->failed && *what->failed;
    const bool written = fflush(out) == 0 && !ferror(out) && !refused;
    const int kept = errno;
    const bool closed = fclose(out) == 0;
    if (!written) errno = kept;
    return written && closed && fchmod(fd, mode) == 0 && fsync(fd) == 0;
}

/* A new file is linked, so that one that came in between isn't lost; where links aren't possible it
 * is renamed. */
static enum err put_in_place(
    const char *temporary, const char *path, bool replaces, struct problem *problem)
{
    if (!replaces) {
        if (link(temporary, path) == 0) {
            (void)unlink(temporary);
            return ERR_NONE;
        }
        if (errno == EEXIST)
            return say(problem, ERR_BUSY, path, "somebody made this file in the meantime");
    }
    if (rename(temporary, path) == 0) return ERR_NONE;
    return say(problem, ERR_IO, path, strerror(errno));
}

enum err save_file(const struct save_file *what, struct problem *problem)
{
    const char *path = what->path;
    char temporary[PATH_LONGEST];
    struct text t = text_over(temporary, sizeof temporary);
    text_add(&t, path);
    text_add(&t, ".XXXXXX");
    if (t.cut || !path[0]) return say(problem, ERR_IO, path, "no path for a file");
    bool there = false;
    enum err err = may_write(what, &there, problem);
    if (err != ERR_NONE) return err;
    const int fd = mkstemp(temporary);
    if (fd < 0) return say(problem, ERR_IO, path, strerror(errno));
    if (write_all(what, fd))
        err = put_in_place(temporary, path, there, problem);
    else
        err = say(problem, ERR_IO, path, strerror(errno));
    close(fd);
    if (err != ERR_NONE) (void)unlink(temporary);
    return err;
}
