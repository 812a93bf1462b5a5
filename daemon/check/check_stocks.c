/* What chemistry says of the stocks, for 'check'. */
#include "daemon/check/check_print.h"
#include "lib/base/text.h"

/* "gypsum falls out until each is thinned to 1 part in 63" */
static void say_why(struct text *t, const struct keep_apart *k)
{
    if (k->falls) {
        text_add(t, solid_word(k->solid));
        text_add(t, " falls out");
        if (k->clear_parts <= OVERLAP_PARTS_MAX) {
            text_add(t, " until each is thinned to 1 part in ");
            text_add_real(t, k->clear_parts, 0);
        }
    } else if (k->acid_base) {
        text_add(t, "acid and base: heat, and with carbonate gas");
    } else if (k->crystals) {
        text_add(t, crystal_word(k->crystal));
        text_add(t, " crystallises");
    } else if (k->chelate) {
        text_add(t, "the acid takes the iron out of its chelate");
    } else if (k->ammonia) {
        text_add(t, "the base drives ammonia out");
    } else {
        text_add(t, "a rule of thumb, or the files say so");
    }
}

static bool share_a_tank(const struct site *site, uint32_t a, uint32_t b)
{
    for (uint32_t i = 0; i < site->tank_count; i++) {
        uint32_t has = 0;
        for (uint32_t p = 0; p < site->tank[i].pump_count; p++) {
            if (site->tank[i].pump[p].stock == a) has |= 1;
            if (site->tank[i].pump[p].stock == b) has |= 2;
        }
        if (has == 3) return true;
    }
    return false;
}

bool check_kept_apart(const struct site *site, uint32_t a, uint32_t b, char ret_why[CHECK_WHY_MAX])
{
    if (!(site->stock[a].keep_apart >> b & 1) || !share_a_tank(site, a, b)) return false;
    struct keep_apart found;
    if (site_stocks_meet(&found, site, a, b, NULL) != ERR_NONE)
        found = (struct keep_apart){ .apart = false };
    struct text t = text_over(ret_why, CHECK_WHY_MAX);
    say_why(&t, &found);
    return true;
}

void check_print_stocks(FILE *out, const struct site *site)
{
    bool titled = false;
    for (uint32_t a = 0; a < site->stock_count; a++) {
        for (uint32_t b = a + 1; b < site->stock_count; b++) {
            char why[CHECK_WHY_MAX];
            if (!check_kept_apart(site, a, b, why)) continue;
            if (!titled)
                fprintf(out, "\nstocks that never meet: the line is flushed between them\n");
            titled = true;
            fprintf(out, "  %-14.14s %-14.14s %s\n", site->stock[a].key, site->stock[b].key, why);
        }
    }
}
