/* Values of readings that just came. They don't wait for the next look at everything, which is dear
 * and therefore rare. */
#include "daemon/homie/homie_inside.h"

_Static_assert(PROBE_QUANTITY_COUNT <= 16, "a bit of homie.heard each");

void homie_hear(struct homie *h, uint32_t tank, enum probe_quantity quantity)
{
    const uint32_t tanks = h->device_count - 1;
    if (h->heard[tank] == 0) h->heard_tank[(h->heard_first + h->heard_count++) % tanks] = tank;
    h->heard[tank] |= (uint16_t)(1U << quantity);
}

/* False when it was broken off; then what wasn't said stays noted. */
static bool show_tank(struct homie *h, const struct homie_world *w, uint32_t tank)
{
    for (uint32_t q = 0; h->heard[tank] != 0; q++) {
        const uint32_t bit = 1U << q;
        if (!(h->heard[tank] & bit)) continue;
        if (!homie_show_probe(h, w, tank, (enum probe_quantity)q)) return false;
        h->heard[tank] &= (uint16_t)~bit;
    }
    return true;
}

void homie_show_heard(struct homie *h, const struct homie_world *world)
{
    h->room = HOMIE_MESSAGES_MOST;
    while (h->heard_count > 0) {
        if (!show_tank(h, world, h->heard_tank[h->heard_first])) return;
        h->heard_first = (h->heard_first + 1) % (h->device_count - 1);
        h->heard_count--;
    }
}
