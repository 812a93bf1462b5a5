/* The site file, with the files that it names beside it: read, checked and cross-referenced whole
 * (config_case.c tells what is held). */
#include "tests/fuzz/fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    config_free(fuzz_load("site/site.yaml", "site/site.yaml", data, size));
    return 0;
}
