#include "daemon/check/check_print.h"
#include "lib/base/text.h"

enum { TANKS_IN_TABLE = 12, SPAN_BYTES = 40 };

struct span_text {
    char at[SPAN_BYTES];
};

static struct span_text span(int64_t ms)
{
    struct span_text s = { "" };
    struct text t = text_over(s.at, sizeof s.at);
    if (ms < 10 * SECOND_MS) {
        text_add_real(&t, (double)ms / 1000.0, 1);
        text_add(&t, " s");
    } else {
        text_add_span(&t, ms);
    }
    return s;
}

static struct span_text date(struct civil at)
{
    struct span_text s = { "" };
    struct text t = text_over(s.at, sizeof s.at);
    text_add_civil(&t, at);
    s.at[10] = '\0'; /* the day of 2031-03-05T... */
    return s;
}

/* --- chains ------------------------------------------------------------------------------------
 */

static void print_load(
    FILE *out, const struct chain_config *chain, const char *what, const struct check_load *load)
{
    fprintf(out, "  %-38.38s %6.2f", what, load->amps);
    for (uint32_t m = 0; m < chain->count; m++) {
        fprintf(out, "  %9.2f", load->volts[m]);
    }
    fprintf(out, "%s\n", load->allowed ? "" : "  too much: tanks take turns");
}

/* The row of each tank on the chain, or of the one that draws most when there are many. */
static void print_tank_loads(FILE *out, const struct site *site, uint32_t c, uint32_t on_chain)
{
    struct check_load load, worst = { .amps = -1.0 };
    char what[80];
    for (uint32_t i = 0; i < site->tank_count; i++) {
        if (!check_on_chain(&site->tank[i], c)) continue;
        check_derive_load(&load, site, c, CHECK_ONE_TANK, i);
        struct text t = text_over(what, sizeof what);
        text_add(&t, site->tank[i].key);
        text_add(&t, " and one pump");
        if (on_chain <= TANKS_IN_TABLE) print_load(out, &site->chain[c], what, &load);
        if (load.amps > worst.amps) worst = load;
    }
    if (on_chain > TANKS_IN_TABLE)
        print_load(out, &site->chain[c], "the tank that draws most, one pump", &worst);
}

/* Metres that a link may still grow; from here on nobody asks. */
enum { LONGER_SHOWN_M = 100 };

static void print_spare(FILE *out, const struct site *site, uint32_t c)
{
    const struct chain_config *chain = &site->chain[c];
    struct check_spare spare;
    check_derive_spare(&spare, site, c);
    fprintf(out, "  %-38.38s %6.2f", "as a motor starts, at worst", spare.start.amps);
    for (uint32_t m = 0; m < chain->count; m++) {
        fprintf(out, "  %9.2f", spare.start.volts[m]);
    }
    fprintf(out, "%s\n  %-45s", spare.dips ? "  below the least for a moment" : "",
        "pumps at once beside circulation");
    for (uint32_t m = 0; m < chain->count; m++) {
        fprintf(out, "  %9u", spare.pumps[m]);
    }
    fprintf(out, "\n  %-45s", "its link may be longer by, m");
    for (uint32_t m = 0; m < chain->count; m++) {
        if (spare.longer_m[m] >= LONGER_SHOWN_M)
            fprintf(out, "  %9s", "any");
        else
            fprintf(out, "  %9.1f", spare.longer_m[m]);
    }
    fprintf(out, "\n");
    if (spare.dips)
        fprintf(out, "  A module that falls below its volts may restart: use thicker or shorter "
                     "cable, or put a "
                     "capacitor\n  of 1000 to 2200 uF beside it (common practice).\n");
}

static void print_chain(FILE *out, const struct site *site, uint32_t c)
{
    const struct chain_config *chain = &site->chain[c];
    uint32_t on_chain = 0;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        if (check_on_chain(&site->tank[i], c)) on_chain++;
    }
    const double usable = chain->supply.amps * chain->supply.usable_share;
    fprintf(out, "\nchain %s: supply %.1f V, %.2f A of which %.2f A may be planned\n", chain->key,
        chain->supply.volts, chain->supply.amps, usable);
    fprintf(out, "  %-38s %6s", "running at once", "A");
    for (uint32_t m = 0; m < chain->count; m++) {
        fprintf(out, "  V at %4.4s", chain->module[m].serial);
    }
    fprintf(out, "\n");
    struct check_load load;
    check_derive_load(&load, site, c, CHECK_OFF, UINT32_MAX);
    print_load(out, chain, "nothing", &load);
    print_tank_loads(out, site, c, on_chain);
    if (on_chain > 1) {
        check_derive_load(&load, site, c, CHECK_ALL_TANKS, UINT32_MAX);
        print_load(out, chain, "all of them, one pump each", &load);
    }
    fprintf(out, "  %-38s %6.2f", "allowed: A at most, V at least", usable);
    for (uint32_t m = 0; m < chain->count; m++) {
        fprintf(out, "  %9.2f", chain->module[m].power.min_volts);
    }
    fprintf(out, "\n");
    print_spare(out, site, c);
}

/* --- tanks -------------------------------------------------------------------------------------
 */

static void print_pump(FILE *out, const struct site *site, const struct site_tank *tank,
    const struct check_tank *d, uint32_t p)
{
    const struct site_pump *pump = &tank->pump[p];
    char address[64];
    struct text t = text_over(address, sizeof address);
    const bool plain = site_plain(site, &pump->address) != NULL;
    if (plain)
        text_add(&t, "plain output");
    else
        chain_address_add(&t, site->chain[pump->address.chain].key, pump->address.position,
            pump->address.channel);
    fprintf(out, "  %-14.14s %-14.14s %8.3f %9.5f %10.4f %9.1f", site->stock[pump->stock].key,
        address, pump->ml_per_s, d->pump[p].ec_us_cm_per_ml / 1000.0, 0.0 - d->pump[p].meq_l_per_ml,
        (double)pump->limits.dose_ul / 1000.0 / pump->ml_per_s);
    if (d->pump[p].prime_ml > 0.0)
        fprintf(out, " %9.1f\n", d->pump[p].prime_ml);
    else
        fprintf(out, " %9s\n", "-");
}

static void print_fill(FILE *out, const struct site_tank *tank, const struct check_tank *d)
{
    const struct check_fill *f = &d->fill;
    fprintf(out, "  fresh fill     EC %.2f and pH %.1f (assumed) to EC %.2f and pH %.2f: ",
        tank->source_ec_us_cm / 1000.0, CHECK_SOURCE_PH, d->now.target.ec_us_cm / 1000.0,
        d->now.target.ph);
    if (f->reached)
        fprintf(out, "%u rounds, %u doses, %s under the limits", f->rounds, f->doses,
            span(f->span_ms).at);
    else
        fprintf(out, "not reached within 30 days (are volume_l and the limits right?)");
    if (f->held_by[0])
        fprintf(out, "; what holds it up most: %s%s%s", f->held_stock, f->held_stock[0] ? ", " : "",
            f->held_by);
    fprintf(out, "\n");
}

static void print_tank(
    FILE *out, const struct site *site, const struct site_tank *tank, const struct check_tank *d)
{
    fprintf(out, "\ntank %s (%s): %.1f L, %s, planted %s\n", tank->key, tank->name, tank->volume_l,
        tank->schedule.crop, date(tank->planted).at);
    fprintf(out, "  wanted now     EC %.2f mS/cm, pH %.2f (stage %s, %s%lld)\n",
        d->now.target.ec_us_cm / 1000.0, d->now.target.ph, tank->schedule.stage[d->now.stage].name,
        d->now.planted ? "day " : "not planted yet: day ", (long long)d->now.day);
    fprintf(out, "  %-14s %-14s %8s %9s %10s %9s %9s\n", "1 mL of", "from", "mL/s", "EC mS/cm",
        "alk meq/L", "full run", "primes");
    fprintf(out, "  %-14s %-14s %8s %9s %10s %9s %9s\n", "", "", "", "", "", "s", "mL");
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        print_pump(out, site, tank, d, p);
    }
    fprintf(out, "  recipe         EC %+.5f mS/cm for each mL of all parts together\n",
        d->recipe_ec_us_cm_per_ml / 1000.0);
    if (d->acid_ml > 0.0)
        fprintf(out, "  acid           %.2f mL lowers pH by 0.1 at the setpoint\n", d->acid_ml);
    if (d->base_ml > 0.0)
        fprintf(out, "  base           %.2f mL raises pH by 0.1 at the setpoint\n", d->base_ml);
    fprintf(out, "  after a dose   line flushed for %s, then mixing for %s\n", span(d->flush_ms).at,
        span(d->mix_ms).at);
    print_fill(out, tank, d);
}

/* Those of modules. */
static uint32_t check_chains(const struct site *site)
{
    uint32_t count = 0;
    for (uint32_t c = 0; c < site->chain_count; c++) {
        count += !site->chain[c].plain;
    }
    return count;
}

static void print_signers(FILE *out, const struct site *site)
{
    if (site->signer_count == 0) return;
    fprintf(out, "requests over the broker are acted on only if signed; keys:");
    for (uint32_t i = 0; i < site->signer_count; i++) {
        fprintf(out, "%s %s", i > 0 ? "," : "", site->signer[i]);
    }
    fprintf(out, "\n");
}

void check_print_found(FILE *out, const struct config *config, const struct check_found *found)
{
    if (found->why[0])
        fprintf(out,
            "the journal in %s can't be read (%s): what was calibrated here isn't known\n\n",
            config->journal_dir, found->why);
    if (found->count == 0) return;
    fprintf(
        out, "found here (journal %s), newer than the file and in force:\n", config->journal_dir);
    for (uint32_t i = 0; i < found->count; i++) {
        const struct check_found_item *item = &found->item[i];
        fprintf(out, "  %-14.14s %-16s %s; in the file %s\n", item->key, item->what, item->here,
            item->filed);
    }
    fprintf(out, "\n");
}

bool check_print_text(FILE *out, const struct config *config, struct now now)
{
    const struct site *site = &config->site;
    const uint32_t chains = check_chains(site);
    fprintf(out, "site %s (%s): %u chain%s, %u stock%s, %u tank%s\n", site->key, site->name, chains,
        chains == 1 ? "" : "s", site->stock_count, site->stock_count == 1 ? "" : "s",
        site->tank_count, site->tank_count == 1 ? "" : "s");
    fprintf(out, "digest %s\n", site->digest);
    print_signers(out, site);
    for (uint32_t c = 0; c < site->chain_count; c++) {
        if (site->chain[c].plain)
            check_print_plain(out, site, c);
        else
            print_chain(out, site, c);
    }
    check_print_stocks(out, site);
    struct check_tank derived;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        if (!check_derive_tank(&derived, config, i, now)) return false;
        print_tank(out, site, &site->tank[i], &derived);
    }
    return true;
}
