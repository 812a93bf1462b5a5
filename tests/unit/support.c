#include "tests/unit/support.h"

#include <stdio.h>
#include <stdlib.h>

/* What led there counts as run in a coverage build, as an abort leaves no time for it. */
void __gcov_dump(void) __attribute__((weak));

_Noreturn void invariant_broken(const char *file, int line, const char *what)
{
    if (__gcov_dump) __gcov_dump();
    fprintf(stderr, "%s:%d: invariant broken: %s\n", file, line, what);
    abort();
}

void test_place(char *ret, size_t size, const char *name)
{
    const char *folder = getenv("TMPDIR");
    const int length = snprintf(ret, size, "%s/%s", folder ? folder : "/tmp", name);
    if (length < 0 || (size_t)length >= size) abort();
}

static void remove_folder(const char *folder)
{
    char command[256];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    if (system(command) != 0) fprintf(stderr, "%s is left behind\n", folder);
}

int run_case(TCase *tcase, const char *name)
{
    Suite *suite = suite_create(name);
    suite_add_tcase(suite, tcase);
    SRunner *runner = srunner_create(suite);
    char folder[200];
    test_place(folder, sizeof folder, "dosewright-test-XXXXXX");
    if (!mkdtemp(folder)) return EXIT_FAILURE;
    setenv("TMPDIR", folder, 1);
    srunner_run_all(runner, CK_ENV);
    const int failed = srunner_ntests_failed(runner);
    srunner_free(runner);
    remove_folder(folder);
    return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
