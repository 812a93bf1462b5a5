#include <cjson/cJSON.h>
#include <stdlib.h>

#include "daemon/check/check_print.h"
#include "lib/base/text.h"

/* Rounded, so that the output is short and the same everywhere. */
static double rounded(double value, double steps)
{
    return (double)nearest(value * steps) / steps;
}

static void add_number(cJSON *to, const char *key, double value)
{
    (void)cJSON_AddNumberToObject(to, key, rounded(value, 10000.0));
}

static void add_problems(cJSON *to, const char *key, const struct problem_list *list)
{
    cJSON *array = cJSON_AddArrayToObject(to, key);
    for (uint32_t i = 0; list && i < list->count; i++) {
        cJSON *item = cJSON_CreateObject();
        (void)cJSON_AddStringToObject(item, "where", list->item[i].where);
        (void)cJSON_AddStringToObject(item, "text", list->item[i].text);
        (void)cJSON_AddItemToArray(array, item);
    }
}

static void add_load(
    cJSON *to, const char *key, const struct chain_config *chain, const struct check_load *load)
{
    cJSON *object = cJSON_AddObjectToObject(to, key);
    add_number(object, "amps", load->amps);
    (void)cJSON_AddBoolToObject(object, "allowed", load->allowed);
    cJSON *volts = cJSON_AddObjectToObject(object, "volts");
    for (uint32_t m = 0; m < chain->count; m++) {
        add_number(volts, chain->module[m].serial, load->volts[m]);
    }
}

static void add_spare(cJSON *to, const struct site *site, uint32_t c)
{
    const struct chain_config *chain = &site->chain[c];
    struct check_spare spare;
    check_derive_spare(&spare, site, c);
    spare.start.allowed = !spare.dips;
    add_load(to, "start", chain, &spare.start);
    cJSON *pumps = cJSON_AddObjectToObject(to, "pumps_at_once");
    cJSON *longer = cJSON_AddObjectToObject(to, "link_longer_m");
    for (uint32_t m = 0; m < chain->count; m++) {
        add_number(pumps, chain->module[m].serial, spare.pumps[m]);
        add_number(longer, chain->module[m].serial, spare.longer_m[m]);
    }
}

static void add_chain(cJSON *to, const struct site *site, uint32_t c)
{
    const struct chain_config *chain = &site->chain[c];
    cJSON *object = cJSON_AddObjectToObject(to, chain->key);
    struct check_load load;
    add_number(object, "usable_amps", chain->supply.amps * chain->supply.usable_share);
    check_derive_load(&load, site, c, CHECK_OFF, UINT32_MAX);
    add_load(object, "off", chain, &load);
    cJSON *tanks = cJSON_AddObjectToObject(object, "tanks");
    for (uint32_t i = 0; i < site->tank_count; i++) {
        if (!check_on_chain(&site->tank[i], c)) continue;
        check_derive_load(&load, site, c, CHECK_ONE_TANK, i);
        add_load(tanks, site->tank[i].key, chain, &load);
    }
    check_derive_load(&load, site, c, CHECK_ALL_TANKS, UINT32_MAX);
    add_load(object, "all", chain, &load);
    add_spare(object, site, c);
}

static void add_pump(
    cJSON *to, const struct site *site, const struct site_pump *pump, const struct check_pump *d)
{
    char address[64];
    struct text t = text_over(address, sizeof address);
    chain_address_add(
        &t, site->chain[pump->address.chain].key, pump->address.position, pump->address.channel);
    cJSON *object = cJSON_AddObjectToObject(to, site->stock[pump->stock].key);
    (void)cJSON_AddStringToObject(object, "address", address);
    (void)cJSON_AddStringToObject(object, "serial", pump->serial);
    const struct plain_output *plain = site_plain(site, &pump->address);
    if (plain) (void)cJSON_AddStringToObject(object, "topic", plain->topic);
    const int64_t full_ul = site_full_ul(site, pump, pump->ml_per_s);
    if (full_ul > 0) add_number(object, "counts_up_to_ml", (double)full_ul / 1000.0);
    add_number(object, "ec_ms_cm_per_ml", d->ec_us_cm_per_ml / 1000.0);
    add_number(object, "alkalinity_meq_l_per_ml", 0.0 - d->meq_l_per_ml);
    if (d->prime_ml > 0.0) add_number(object, "prime_ml", d->prime_ml);
}

static void add_tank(
    cJSON *to, const struct site *site, const struct site_tank *tank, const struct check_tank *d)
{
    cJSON *object = cJSON_AddObjectToObject(to, tank->key);
    (void)cJSON_AddStringToObject(object, "stage", tank->schedule.stage[d->now.stage].name);
    (void)cJSON_AddBoolToObject(object, "planted", d->now.planted);
    add_number(object, "ec_ms_cm", d->now.target.ec_us_cm / 1000.0);
    add_number(object, "ph", d->now.target.ph);
    cJSON *pumps = cJSON_AddObjectToObject(object, "pumps");
    for (uint32_t p = 0; p < tank->pump_count; p++) {
        add_pump(pumps, site, &tank->pump[p], &d->pump[p]);
    }
    add_number(object, "recipe_ec_ms_cm_per_ml", d->recipe_ec_us_cm_per_ml / 1000.0);
    add_number(object, "acid_ml_per_tenth_ph", d->acid_ml);
    add_number(object, "base_ml_per_tenth_ph", d->base_ml);
    add_number(object, "flush_s", (double)d->flush_ms / 1000.0);
    add_number(object, "mix_s", (double)d->mix_ms / 1000.0);
    cJSON *fill = cJSON_AddObjectToObject(object, "fresh_fill");
    (void)cJSON_AddBoolToObject(fill, "reached", d->fill.reached);
    add_number(fill, "rounds", d->fill.rounds);
    add_number(fill, "doses", d->fill.doses);
    add_number(fill, "hours", (double)d->fill.span_ms / (double)HOUR_MS);
    (void)cJSON_AddStringToObject(fill, "held_by", d->fill.held_by);
    (void)cJSON_AddStringToObject(fill, "held_by_stock", d->fill.held_stock);
}

static void add_kept_apart(cJSON *root, const struct site *site)
{
    cJSON *pairs = cJSON_AddArrayToObject(root, "kept_apart");
    for (uint32_t a = 0; a < site->stock_count; a++) {
        for (uint32_t b = a + 1; b < site->stock_count; b++) {
            char why[CHECK_WHY_MAX];
            if (!check_kept_apart(site, a, b, why)) continue;
            cJSON *pair = cJSON_CreateObject();
            (void)cJSON_AddStringToObject(pair, "stock", site->stock[a].key);
            (void)cJSON_AddStringToObject(pair, "from", site->stock[b].key);
            (void)cJSON_AddStringToObject(pair, "why", why);
            (void)cJSON_AddItemToArray(pairs, pair);
        }
    }
}

static bool add_site(cJSON *root, const struct config *config, struct now now)
{
    const struct site *site = &config->site;
    (void)cJSON_AddStringToObject(root, "site", site->key);
    (void)cJSON_AddStringToObject(root, "digest", site->digest);
    cJSON *signers = cJSON_AddArrayToObject(root, "signers");
    for (uint32_t i = 0; i < site->signer_count; i++) {
        (void)cJSON_AddItemToArray(signers, cJSON_CreateString(site->signer[i]));
    }
    cJSON *chains = cJSON_AddObjectToObject(root, "chains");
    for (uint32_t c = 0; c < site->chain_count; c++) {
        if (!site->chain[c].plain) add_chain(chains, site, c);
    }
    add_kept_apart(root, site);
    cJSON *tanks = cJSON_AddObjectToObject(root, "tanks");
    for (uint32_t i = 0; i < site->tank_count; i++) {
        struct check_tank derived;
        if (!check_derive_tank(&derived, config, i, now)) return false;
        add_tank(tanks, site, &site->tank[i], &derived);
    }
    return true;
}

static void add_found(cJSON *root, const struct check_found *found)
{
    cJSON *array = cJSON_AddArrayToObject(root, "found_here");
    for (uint32_t i = 0; i < found->count; i++) {
        cJSON *item = cJSON_CreateObject();
        (void)cJSON_AddStringToObject(item, "of", found->item[i].key);
        (void)cJSON_AddStringToObject(item, "what", found->item[i].what);
        (void)cJSON_AddStringToObject(item, "file", found->item[i].filed);
        (void)cJSON_AddStringToObject(item, "here", found->item[i].here);
        (void)cJSON_AddItemToArray(array, item);
    }
    if (found->why[0]) (void)cJSON_AddStringToObject(root, "journal_unread", found->why);
}

bool check_print_json(FILE *out, const struct check_shown *shown)
{
    const struct config *config = shown->config;
    const struct problem_list *errors = shown->errors;
    cJSON *root = cJSON_CreateObject();
    (void)cJSON_AddStringToObject(root, "file", shown->path);
    (void)cJSON_AddBoolToObject(root, "valid", config != NULL);
    add_problems(root, "errors", errors);
    add_number(root, "more_errors", errors->more);
    add_problems(root, "warnings", config ? &config->unwise : NULL);
    if (config) add_found(root, shown->found);
    const bool built = !config || add_site(root, config, shown->now);
    char *text = built ? cJSON_Print(root) : NULL;
    if (text) fprintf(out, "%s\n", text);
    cJSON_Delete(root);
    free(text);
    return text != NULL;
}
