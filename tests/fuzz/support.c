#include <errno.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/fuzz/fuzz.h"

enum { FOLDER_MAX = 256, PATH_ROOM = 768 };

static char folder[FOLDER_MAX];
static struct config *site;

_Noreturn void invariant_broken(const char *file, int line, const char *what)
{
    fprintf(stderr, "%s:%d: invariant broken: %s\n", file, line, what);
    abort();
}

static _Noreturn void give_up(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, strerror(errno));
    _exit(2);
}

uint8_t bites_byte(struct bites *b)
{
    return b->at < b->end ? *b->at++ : 0;
}

char *fuzz_exact(const void *bytes, size_t length)
{
    char *copy = malloc(length > 0 ? length : 1);
    if (!copy) give_up("memory");
    if (length > 0) memcpy(copy, bytes, length);
    return copy;
}

char *fuzz_string(const void *bytes, size_t length)
{
    char *copy = malloc(length + 1);
    if (!copy) give_up("memory");
    if (length > 0) memcpy(copy, bytes, length);
    copy[length] = '\0';
    return copy;
}

char *bites_until(struct bites *b, char stop, size_t *ret_length)
{
    const size_t left = (size_t)(b->end - b->at);
    const uint8_t *found = left > 0 ? memchr(b->at, stop, left) : NULL;
    *ret_length = found ? (size_t)(found - b->at) : left;
    char *copy = fuzz_exact(b->at, *ret_length);
    b->at += *ret_length + (found ? 1 : 0);
    return copy;
}

/* --- a folder --------------------------------------------------------------------------------- */

static int remove_one(const char *path, const struct stat *st, int flag, struct FTW *ftw)
{
    (void)st;
    (void)flag;
    (void)ftw;
    return remove(path);
}

static void remove_folder(void)
{
    config_free(site);
    (void)nftw(folder, remove_one, 8, FTW_DEPTH | FTW_PHYS);
}

const char *fuzz_folder(void)
{
    if (folder[0]) return folder;
    const char *place = getenv("TMPDIR");
    if (!place) place = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    snprintf(folder, sizeof folder, "%s/dosewright-fuzz-XXXXXX", place);
    if (!mkdtemp(folder)) give_up(folder);
    if (atexit(remove_folder) != 0) give_up("atexit");
    return folder;
}

const char *fuzz_path(const char *name)
{
    static char path[PATH_ROOM];
    const int length = snprintf(path, sizeof path, "%s/%s", fuzz_folder(), name);
    if (length < 0 || (size_t)length >= sizeof path) give_up(name);
    return path;
}

void fuzz_write(const char *name, const void *bytes, size_t length)
{
    const char *path = fuzz_path(name);
    FILE *file = fopen(path, "w");
    if (!file || fwrite(bytes, 1, length, file) != length || fclose(file) != 0) give_up(path);
    if (chmod(path, 0644) != 0) give_up(path);
}

void fuzz_take(const char *source)
{
    char command[PATH_ROOM];
    snprintf(command, sizeof command, "cp -R '%s/%s' '%s' && chmod -R go-w '%s'", SOURCE_DIR,
        source, fuzz_folder(), fuzz_folder());
    if (system(command) != 0) give_up(source);
}

/* --- the site --------------------------------------------------------------------------------- */

const struct config *fuzz_site(void)
{
    static struct problem_list errors;
    if (site) return site;
    fuzz_take("tests/fuzz/site");
    if (config_load(&site, fuzz_path("site/site.yaml"), false, &errors) == ERR_NONE) return site;
    for (uint32_t i = 0; i < errors.count; i++) {
        fprintf(stderr, "%s: %s\n", errors.item[i].where, errors.item[i].text);
    }
    exit(2);
}
