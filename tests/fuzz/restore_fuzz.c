/* A core that begins with a journal that nobody has looked at: records whose kinds, members and
 * values the bytes choose. It begins, runs for some seconds, restates what it knows, dies and
 * begins again, and takes over a configuration. Held: as in core_fuzz.c, with nothing moved but by
 * limits that these records can only make narrower. */
#include "tests/fuzz/core_world.h"
#include "tests/fuzz/fuzz.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct core_world w;
    struct bites b = { data, data + size };
    cw_open(&w, &fuzz_site()->site);
    cw_invent(&w, &b);
    for (int life = 0; life < 2; life++) {
        cw_start(&w);
        cw_look(&w);
        cw_pass(&w, 3000);
        cw_look(&w);
        cw_carry(&w);
        cw_reload(&w);
        cw_pass(&w, 1000);
        cw_look(&w);
    }
    cw_observe(&w);
    return 0;
}
