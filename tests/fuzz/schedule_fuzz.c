/* A crop's schedule, named by the tank of a small site: read, checked and cross-referenced whole
 * (config_case.c tells what is held). */
#include "tests/fuzz/fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    config_free(fuzz_load("site/small.yaml", "site/crop.yaml", data, size));
    return 0;
}
