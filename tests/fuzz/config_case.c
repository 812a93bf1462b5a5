/* A configuration with one file in it that nobody has looked at. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/check/check_print.h"
#include "daemon/hear/route.h"
#include "daemon/homie/homie.h"
#include "lib/core/core.h"
#include "tests/fuzz/fuzz.h"

static const struct now noon = { { 1000000 }, { INT64_C(1932897600000) }, CLOCK_SYNCED };

static bool is_bound(const struct site *site, const struct site_pump *p)
{
    const struct chain_config *chain = &site->chain[p->address.chain];
    for (uint32_t i = 0; i < chain->count; i++) {
        const struct chain_module_config *m = &chain->module[i];
        if (m->position == p->address.position && strcmp(m->serial, p->serial) == 0) return true;
    }
    return false;
}

static void check_pump(const struct site *site, const struct site_pump *p)
{
    const struct stock_limits *l = &p->limits;
    HOLDS(p->stock < site->stock_count && p->address.chain < site->chain_count);
    HOLDS(p->ml_per_s > 0 && p->ec_us_cm_per_ml_l >= 0 && p->serial);
    HOLDS(l->smallest_ul > 0 && l->smallest_ul <= l->dose_ul);
    HOLDS(l->dose_ul <= l->hour_ul && l->hour_ul <= l->day_ul);
    HOLDS(is_bound(site, p));
}

static void check_target(const struct site_tank *t, const struct crop_target *set)
{
    HOLDS(
        set->ec_us_cm >= t->envelope.ec_least_us_cm && set->ec_us_cm <= t->envelope.ec_most_us_cm);
    HOLDS(set->ph >= t->envelope.ph_least && set->ph <= t->envelope.ph_most);
}

static void check_tank(const struct site *site, const struct site_tank *t)
{
    HOLDS(chain_key_valid(t->key) && t->volume_l > 0);
    HOLDS(t->circulation.flow_l_min > 0 && t->circulation.line_ml >= 0);
    HOLDS(t->circulation.address.chain < site->chain_count && t->pump_count <= TANK_PUMPS_MAX);
    HOLDS(t->lowers_ph < (int32_t)t->pump_count && t->raises_ph < (int32_t)t->pump_count);
    HOLDS(t->recipe_count <= t->pump_count);
    for (uint32_t i = 0; i < t->recipe_count; i++) {
        HOLDS(t->recipe[i].pump < t->pump_count && t->recipe[i].parts > 0);
    }
    for (uint32_t i = 0; i < t->pump_count; i++) {
        check_pump(site, &t->pump[i]);
    }
    HOLDS(t->schedule.count >= 1 && t->schedule.count <= CROP_STAGES_MAX);
    for (uint32_t i = 0; i < t->schedule.count; i++) {
        check_target(t, &t->schedule.stage[i].from);
        check_target(t, &t->schedule.stage[i].to);
    }
}

/* A core begins on it, and does nothing by itself. */
static void check_core(const struct site *site)
{
    static struct actions actions;
    const struct core_identity identity = { .by = "fuzz", .boot = "boot" };
    const struct event tick = { .kind = EVENT_TICK };
    void *block = malloc(core_size(site));
    HOLDS(block != NULL);
    struct core *core = core_init(block, site, &identity, noon);
    core_restored(core, true, noon, &actions);
    for (int i = 0; i < 64; i++) {
        core_step(core, &tick, noon, &actions);
        for (uint32_t a = 0; a < actions.count; a++) {
            HOLDS(actions.item[a].kind != ACTION_SEND);
        }
    }
    free(block);
}

static void check_shell(const struct config *config)
{
    struct routes routes;
    struct homie *homie;
    struct problem problem;
    HOLDS(routes_make(&routes, config) == ERR_NONE);
    for (uint32_t i = 0; i < routes.count; i++) {
        uint32_t count;
        HOLDS(routes_find(&routes, routes.route[i].topic, &count) && count > 0);
    }
    routes_free(&routes);
    HOLDS(homie_open(&homie, config, &problem) == ERR_NONE);
    homie_close(homie);
}

/* What 'check' prints; the caller frees it. */
static char *print(const struct config *config)
{
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    HOLDS(out != NULL);
    HOLDS(check_print_text(out, config, noon));
    const struct check_found found = { .read = false };
    const struct check_shown shown = { .path = config->path,
        .config = config,
        .errors = &config->unwise,
        .found = &found,
        .now = noon };
    HOLDS(check_print_json(out, &shown));
    HOLDS(fclose(out) == 0);
    return text;
}

static void check_again(const struct config *config, const char *path)
{
    static struct problem_list errors;
    struct config *again;
    errors.count = errors.more = 0;
    HOLDS(config_load(&again, path, true, &errors) == ERR_NONE);
    char *first = print(config), *second = print(again);
    HOLDS(strcmp(first, second) == 0 && strcmp(config->site.digest, again->site.digest) == 0);
    free(first);
    free(second);
    config_free(again);
}

static void check_refusal(const struct problem_list *errors)
{
    HOLDS(errors->count > 0 && errors->count <= PROBLEM_LIST_MAX);
    for (uint32_t i = 0; i < errors->count; i++) {
        HOLDS(errors->item[i].err != ERR_NONE);
        HOLDS(errors->item[i].where[0] != '\0' && errors->item[i].text[0] != '\0');
        for (const char *c = errors->item[i].text; *c; c++) {
            HOLDS((unsigned char)*c >= ' ' && *c != 0x7F); /* it goes to a terminal */
        }
    }
}

struct config *fuzz_load(const char *site, const char *name, const uint8_t *data, size_t size)
{
    static struct problem_list errors;
    static char path[300];
    struct config *config;
    if (!path[0]) {
        fuzz_take("tests/fuzz/site");
        snprintf(path, sizeof path, "%s", fuzz_path(site));
        unsetenv("CREDENTIALS_DIRECTORY");
    }
    errors.count = errors.more = 0;
    fuzz_write(name, data, size);
    if (config_load(&config, path, true, &errors) != ERR_NONE) {
        HOLDS(config == NULL);
        check_refusal(&errors);
        return NULL;
    }
    HOLDS(errors.count == 0 && config->site.tank_count <= SITE_TANKS_MAX);
    for (uint32_t i = 0; i < config->site.tank_count; i++) {
        check_tank(&config->site, &config->site.tank[i]);
    }
    check_core(&config->site);
    check_shell(config);
    check_again(config, path);
    return config;
}
