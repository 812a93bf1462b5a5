#include "daemon/journal_segment.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <openssl/sha.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include "lib/base/text.h"

static const char PREFIX[] = "journal-";
static const char SUFFIX[] = ".jsonl";
enum { DATE_LENGTH = 10, PREFIX_LENGTH = sizeof PREFIX - 1 };

void segment_hash(const void *bytes, size_t count, uint8_t ret[LINK_HASH_BYTES])
{
    SHA256(bytes, count, ret);
}

static bool is_segment(const char *name)
{
    const size_t length = strlen(name);
    if (length >= SEGMENT_NAME_MAX || length < PREFIX_LENGTH + DATE_LENGTH + sizeof SUFFIX - 1)
        return false;
    return strncmp(name, PREFIX, PREFIX_LENGTH) == 0 &&
           strcmp(name + length - (sizeof SUFFIX - 1), SUFFIX) == 0;
}

/* Without the suffix, so that "-002" sorts after nothing. */
static int by_name(const void *a, const void *b)
{
    const char *x = a, *y = b;
    const size_t m = strlen(x) - (sizeof SUFFIX - 1), n = strlen(y) - (sizeof SUFFIX - 1);
    const int order = memcmp(x, y, m < n ? m : n);
    return order != 0 ? order : m < n ? -1 : m > n;
}

enum err segments_list(struct segments *ret, const char *dir, struct problem *problem)
{
    *ret = (struct segments){ .name = calloc(SEGMENTS_MAX, SEGMENT_NAME_MAX) };
    DIR *open = opendir(dir);
    if (!open || !ret->name) {
        const enum err err = problem_set(problem, ERR_IO, dir, strerror(errno));
        if (open) closedir(open);
        segments_free(ret);
        return err;
    }
    const struct dirent *entry;
    while ((entry = readdir(open)) != NULL && ret->count < SEGMENTS_MAX) {
        if (is_segment(entry->d_name))
            (void)text_copy(ret->name[ret->count++], SEGMENT_NAME_MAX, entry->d_name);
    }
    closedir(open);
    qsort(ret->name, ret->count, SEGMENT_NAME_MAX, by_name);
    return ERR_NONE;
}

void segments_free(struct segments *s)
{
    free(s->name);
    *s = (struct segments){ 0 };
}

static void make_name(char ret[SEGMENT_NAME_MAX], const char *date, int64_t number)
{
    char digits[8];
    struct text t = text_over(ret, SEGMENT_NAME_MAX);
    text_add(&t, PREFIX);
    text_add_bytes(&t, date, DATE_LENGTH);
    if (number > 1) {
        (void)snprintf(digits, sizeof digits, "-%03d", (int)(number % 1000));
        text_add(&t, digits);
    }
    text_add(&t, SUFFIX);
}

void segment_name(char ret[SEGMENT_NAME_MAX], const struct segments *s, struct civil at)
{
    char today[32];
    struct text t = text_over(today, sizeof today);
    text_add_civil(&t, at);
    if (s->count == 0) {
        make_name(ret, today, 1);
        return;
    }
    const char *last = s->name[s->count - 1];
    const char *day = last + PREFIX_LENGTH;
    if (memcmp(today, day, DATE_LENGTH) > 0) {
        make_name(ret, today, 1);
        return;
    }
    const char *number = day + DATE_LENGTH;
    make_name(ret, day, *number == '-' ? strtol(number + 1, NULL, 10) + 1 : 2);
}

void segment_path(char ret[SEGMENT_PATH_MAX], const char *dir, const char *name)
{
    struct text t = text_over(ret, SEGMENT_PATH_MAX);
    text_add(&t, dir);
    text_add_char(&t, '/');
    text_add(&t, name);
}

/* Follows line by line; stops at the first that doesn't verify. */
static void follow(const char *bytes, size_t size, struct link_tip *tip, journal_visit visit,
    void *context, struct segment_end *end, struct problem *why)
{
    static struct record record;
    static char line[RECORD_LINE_MAX];
    size_t at = 0;
    while (at < size) {
        const char *feed = memchr(bytes + at, '\n', size - at);
        const size_t length = feed ? (size_t)(feed - (bytes + at)) : size - at;
        end->line++;
        enum err err = ERR_NONE;
        if (!feed)
            err = problem_set(why, ERR_DAMAGED, "", "the line has no end");
        else if (length >= sizeof line)
            err = problem_set(why, ERR_DAMAGED, "", "the line is too long");
        else
            err = link_follow(tip, &record, bytes + at, length, segment_hash, why);
        if (err != ERR_NONE) {
            end->bad = true;
            end->last_line = !feed || at + length + 1 == size;
            return;
        }
        if (visit) {
            memcpy(line, bytes + at, length);
            line[length] = '\0';
            visit(context, &record, line);
        }
        at += length + 1;
        end->whole_bytes = (int64_t)at;
    }
}

static void place(struct problem *why, const char *path, int64_t line)
{
    struct text t = text_over(why->where, sizeof why->where);
    text_add(&t, path);
    text_add_char(&t, ':');
    text_add_int(&t, line);
}

enum err segment_read(const char *path, struct link_tip *tip, journal_visit visit, void *context,
    struct segment_end *end, struct problem *why)
{
    *end = (struct segment_end){ 0 };
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    struct stat st;
    if (fd < 0 || fstat(fd, &st) != 0) {
        const enum err err = problem_set(why, ERR_IO, path, strerror(errno));
        if (fd >= 0) close(fd);
        return err;
    }
    end->bytes = st.st_size;
    void *map = MAP_FAILED;
    if (st.st_size > 0) map = mmap(NULL, (size_t)st.st_size, PROT_READ, MAP_PRIVATE, fd, 0);
    close(fd);
    if (st.st_size == 0) return ERR_NONE;
    if (map == MAP_FAILED) return problem_set(why, ERR_IO, path, strerror(errno));
    follow(map, (size_t)st.st_size, tip, visit, context, end, why);
    munmap(map, (size_t)st.st_size);
    if (end->bad) place(why, path, end->line);
    return ERR_NONE;
}
