#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "daemon/journal/journal_file.h"
#include "daemon/journal/journal_segment.h"

enum { SEQ_DIGITS_MOST = 16 };

/* What is read, and to whom it goes. */
struct stretch {
    int64_t from, to;
    journal_line line;
    void *context;
    bool over;
};

/* The seq of a line; 0 when it has none. In a text the quotes would be escaped. */
static int64_t seq_of(const char *line)
{
    static const char name[] = ",\"seq\":";
    const char *at = strstr(line, name);
    int64_t seq = 0;
    if (!at) return 0;
    at += sizeof name - 1;
    for (int n = 0; *at >= '0' && *at <= '9'; at++, n++) {
        if (n == SEQ_DIGITS_MOST) return 0;
        seq = seq * 10 + (*at - '0');
    }
    return seq;
}

static FILE *open_segment(int dir_fd, const struct segment *segment)
{
    char name[SEGMENT_NAME_MAX];
    segment_name(name, segment);
    const int fd = openat(dir_fd, name, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY);
    FILE *file = fd >= 0 ? fdopen(fd, "r") : NULL;
    if (fd >= 0 && !file) close(fd);
    return file;
}

/* The next whole line without its line feed; false at the end of the file. What is longer than any
 * record comes in pieces, which have no line feed or no seq. */
static bool next_line(FILE *file, char ret[RECORD_LINE_MAX + 1])
{
    while (fgets(ret, RECORD_LINE_MAX + 1, file)) {
        const size_t length = strlen(ret);
        if (length == 0 || ret[length - 1] != '\n') continue;
        ret[length - 1] = '\0';
        return true;
    }
    return false;
}

static int64_t first_seq(int dir_fd, const struct segment *segment)
{
    char line[RECORD_LINE_MAX + 1];
    int64_t seq = 0;
    FILE *file = open_segment(dir_fd, segment);
    if (!file) return 0;
    while (seq == 0 && next_line(file, line)) {
        seq = seq_of(line);
    }
    fclose(file);
    return seq;
}

static void read_segment(int dir_fd, const struct segment *segment, struct stretch *s)
{
    char line[RECORD_LINE_MAX + 1];
    FILE *file = open_segment(dir_fd, segment);
    if (!file) return; /* pruned just now */
    while (!s->over && next_line(file, line)) {
        const int64_t seq = seq_of(line);
        if (seq > s->to)
            s->over = true;
        else if (seq >= s->from)
            s->over = !s->line(s->context, line);
    }
    fclose(file);
}

enum err journal_read(const char *dir, int64_t from, int64_t to, journal_line line, void *context,
    struct problem *problem)
{
    struct segments segments = { 0 };
    struct stretch s = { .from = from, .to = to, .line = line, .context = context };
    const int dir_fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (dir_fd < 0) return problem_set(problem, ERR_IO, dir, "the directory can't be opened");
    const enum err err = segments_list(&segments, dir_fd, problem);
    size_t begin = err == ERR_NONE ? segments.count : 0;
    while (begin > 0) { /* the newest one that begins no later */
        const int64_t seq = first_seq(dir_fd, &segments.item[--begin]);
        if (seq > 0 && seq <= from) break;
    }
    for (size_t i = begin; err == ERR_NONE && i < segments.count && !s.over; i++) {
        read_segment(dir_fd, &segments.item[i], &s);
    }
    segments_free(&segments);
    close(dir_fd);
    return err;
}
