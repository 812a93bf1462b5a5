/* A target as a plain test: goes once through every file that it is given, and through every file
 * of the folders; says which one it is at, so that the last line before a crash names the find. */
#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "tests/fuzz/fuzz.h"

static unsigned long inputs;

static bool replay_file(const char *path)
{
    FILE *file = fopen(path, "r");
    char *bytes = NULL;
    size_t length = 0;
    FILE *whole = open_memstream(&bytes, &length);
    if (!file || !whole) return false;
    for (int c = getc(file); c != EOF; c = getc(file)) {
        putc(c, whole);
    }
    if (ferror(file) || fclose(file) != 0 || fclose(whole) != 0) return false;
    printf("%s (%zu bytes)\n", path, length);
    fflush(stdout);
    uint8_t *exact = (uint8_t *)fuzz_exact(bytes, length);
    free(bytes);
    (void)LLVMFuzzerTestOneInput(exact, length);
    free(exact);
    inputs++;
    return true;
}

static int no_dots(const struct dirent *entry)
{
    return entry->d_name[0] != '.';
}

static bool replay_folder(const char *path)
{
    struct dirent **entry;
    const int count = scandir(path, &entry, no_dots, alphasort);
    bool good = count >= 0;
    for (int i = 0; i < count; i++) {
        char file[1024];
        snprintf(file, sizeof file, "%s/%s", path, entry[i]->d_name);
        good = replay_file(file) && good;
        free(entry[i]);
    }
    if (count >= 0) free(entry);
    return good;
}

int main(int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        struct stat st;
        const bool is_folder = stat(argv[i], &st) == 0 && S_ISDIR(st.st_mode);
        if (is_folder ? replay_folder(argv[i]) : replay_file(argv[i])) continue;
        perror(argv[i]);
        return EXIT_FAILURE;
    }
    printf("%lu inputs\n", inputs);
    return inputs > 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
