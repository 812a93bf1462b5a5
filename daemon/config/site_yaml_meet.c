/* Which stocks must not meet, and which crystallise: what chemistry adds to the files' own lists.
 */
#include "daemon/config/site_yaml.h"

/* Only stocks of one tank share a line; each pair is looked at once. What can't be told keeps to
 * the rule of thumb (stock.h). */
static void look_at_tank(
    struct site *site, const struct site_tank *tank, uint64_t looked_at[SITE_STOCKS_MAX])
{
    for (uint32_t i = 0; i < tank->pump_count; i++) {
        for (uint32_t j = 0; j < i; j++) {
            const uint32_t a = tank->pump[i].stock, b = tank->pump[j].stock;
            struct keep_apart found;
            if (a == b || (looked_at[a] >> b & 1)) continue;
            looked_at[a] |= UINT64_C(1) << b;
            looked_at[b] |= UINT64_C(1) << a;
            if (site->stock[a].keep_apart >> b & 1) continue;
            if (site_stocks_meet(&found, site, a, b, NULL) == ERR_NONE && found.apart)
                load_keep_apart(site, a, b);
        }
    }
}

/* A stock that crystallises doses weaker than it should and blocks its tube. */
static void warn_of_crystals(struct loader *l, uint32_t stock)
{
    struct crystals c;
    const struct site_stock *s = &l->config->site.stock[stock];
    if (site_stock_in_store(&c, s, NULL) != ERR_NONE || !c.any) return;
    if (c.clear_from_degc > 40.0) {
        schema_warn(&l->reader, l->stock[stock].node,
            "%s crystallises from it, even at 40 degC: dilute it", crystal_word(c.crystal));
        return;
    }
    schema_warn(&l->reader, l->stock[stock].node,
        "in a store at %.0f degC %.0f %% of its %s crystallises; it stays clear from %.0f degC up: "
        "keep it warmer, or dilute it",
        SITE_STORE_DEGC, 100.0 * c.share, crystal_word(c.crystal), c.clear_from_degc + 0.5);
}

void load_meetings(struct loader *l)
{
    struct site *site = &l->config->site;
    uint64_t looked_at[SITE_STOCKS_MAX] = { 0 };
    for (uint32_t i = 0; i < site->tank_count; i++) {
        look_at_tank(site, &site->tank[i], looked_at);
    }
    for (uint32_t s = 0; s < site->stock_count; s++) {
        warn_of_crystals(l, s);
    }
}
