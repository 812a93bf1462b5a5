/* What 'check' says of plain outputs: how each is timed, and what can't be promised for it. */
#include "daemon/check/check_print.h"
#include "lib/base/text.h"

enum { TELL_MAX = 160 };

static void print_output(FILE *out, const char *key, const struct plain_output *o, double full_ml)
{
    char words[TELL_MAX];
    struct text t = text_over(words, sizeof words);
    plain_tell(&t, o);
    fprintf(out, "  %-14.14s %s: %s", key, o->topic, words);
    if (full_ml > 0.0)
        fprintf(out, "; any dose may turn out to be %.1f mL, and takes so much of the limits%s",
            full_ml, o->state_topic ? " until the board reports off" : "");
    fprintf(out, "\n");
}

void check_print_plain(FILE *out, const struct site *site, uint32_t chain)
{
    fprintf(out, "\nplain outputs of tank %s\n", site->chain[chain].key);
    for (uint32_t i = 0; i < site->tank_count; i++) {
        const struct site_tank *tank = &site->tank[i];
        const struct plain_output *o = site_plain(site, &tank->circulation.address);
        if (o && tank->circulation.address.chain == chain) print_output(out, "circulation", o, 0.0);
        for (uint32_t p = 0; p < tank->pump_count; p++) {
            const struct site_pump *pump = &tank->pump[p];
            o = site_plain(site, &pump->address);
            if (!o || pump->address.chain != chain) continue;
            const double full_ul = (double)site_full_ul(site, pump, pump->ml_per_s);
            print_output(out, site->stock[pump->stock].key, o, full_ul / 1000.0);
        }
    }
    fprintf(out,
        "  Nobody answers for these. That a run isn't done twice, that the right bottle is drawn, "
        "that no other\n"
        "  daemon doses here, and that a halt holds when this one dies: a module promises it, a "
        "plain board can't.\n"
        "  Every run that was sent counts in full. Currents aren't planned. See "
        "docs/plain-outputs.md.\n");
}
