/* What lies on a board's disk, file by file, for the judge. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/storm/world.h"

enum { FILES_MOST = 4096 }; /* while a disk fails each start may leave one */

struct files {
    uint32_t count;
    const char *name[FILES_MOST];
};

/* "journal-2031-04-02-3.jsonl": by date, then by number; the first of a date has none. */
static long number_of(const char *name)
{
    static const size_t date_ends = sizeof "journal-2031-04-02" - 1;
    return name[date_ends] == '-' ? strtol(name + date_ends + 1, NULL, 10) : 1;
}

static int compare(const void *a, const void *b)
{
    const char *x = *(const char *const *)a, *y = *(const char *const *)b;
    const int dates = strncmp(x, y, sizeof "journal-2031-04-02" - 1);
    if (dates != 0) return dates;
    return number_of(x) < number_of(y) ? -1 : number_of(x) > number_of(y);
}

static void list(const struct board *b, struct files *ret)
{
    ret->count = 0;
    for (size_t n = 0; ret->count < FILES_MOST; n++) {
        const char *name = disk_name(b->disk, "journal", n);
        if (!name) break;
        const size_t length = strlen(name);
        if (strncmp(name, "journal-", 8) != 0 || length < 6) continue;
        if (strcmp(name + length - 6, ".jsonl") != 0) continue;
        ret->name[ret->count++] = name;
    }
    qsort(ret->name, ret->count, sizeof ret->name[0], compare);
}

void platter_show(struct board *b)
{
    struct files files;
    list(b, &files);
    for (uint32_t i = 0; i < files.count; i++) {
        const char *newest = b->file;
        if (b->file[0] && compare(&files.name[i], &newest) < 0) continue;
        char path[96];
        (void)snprintf(path, sizeof path, "journal/%s", files.name[i]);
        size_t count = 0;
        const char *bytes = disk_bytes(b->disk, path, &count);
        observe_disk_file(b->world->observer, b->index, files.name[i],
            (struct disk_bytes){ bytes, count }, b->world->t_ms);
        (void)snprintf(b->file, sizeof b->file, "%s", files.name[i]);
    }
    observe_disk_done(b->world->observer, b->index, b->world->t_ms);
}

/* Somebody removes one that isn't the newest; what lay before it stays. */
void platter_lose(struct board *b, uint64_t draw)
{
    struct files files;
    list(b, &files);
    if (files.count < 2) return;
    char path[96];
    (void)snprintf(path, sizeof path, "journal/%s", files.name[draw % (files.count - 1)]);
    world_say(b->world, "somebody removes %s", path);
    disk_put(b->disk, path, NULL, 0);
    observe_disk_hurt(b->world->observer, b->index);
}

void platter_show_anew(struct board *b)
{
    b->file[0] = '\0';
    observe_disk_anew(b->world->observer, b->index);
    platter_show(b);
}
