/* What is in a bottle that the tank of a small site doses: read, checked, cross-referenced and
 * reckoned through (config_case.c tells what is held). */
#include "tests/fuzz/fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    config_free(fuzz_load("site/small.yaml", "site/a.yaml", data, size));
    return 0;
}
