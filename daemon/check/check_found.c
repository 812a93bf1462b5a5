#include "daemon/check/check_found.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "daemon/config/config_bind.h"
#include "daemon/journal/journal_file.h"
#include "lib/base/text.h"
#include "lib/core/core.h"
#include "lib/journal/recover.h"

enum { ITEMS_OF_TANK = TANK_PUMPS_MAX + 3 }; /* its pumps, EC and pH, the circulation */

struct recall {
    struct core *core;
    struct recover_line line;
};

static void recall_record(void *context, const struct record *record, const char *line)
{
    (void)line;
    struct recall *recall = context;
    struct now at;
    const char *boot;
    int64_t seq;
    if (!link_header(record, &seq, &at, &boot)) return;
    at.mono.ms = recover_place(&recall->line, boot, at);
    core_restore(recall->core, record, at);
}

/* --- what differs ----------------------------------------------------------------------------- */

static void add_date(struct text *t, bool known, struct civil at)
{
    char date[40];
    struct text d = text_over(date, sizeof date);
    text_add_civil(&d, at);
    date[10] = '\0'; /* the day of 2031-03-05T... */
    text_add(t, known ? " of " : ", no date");
    if (known) text_add(t, date);
}

static void say_pump(char ret[CHECK_FOUND_TEXT_MAX], const struct site_pump *pump)
{
    struct text t = text_over(ret, CHECK_FOUND_TEXT_MAX);
    text_add_real(&t, pump->ml_per_s, 4);
    text_add(&t, " mL/s");
    add_date(&t, pump->calibrated, pump->calibrated_at);
}

static void say_probe(char ret[CHECK_FOUND_TEXT_MAX], const struct probe_config *p)
{
    struct text t = text_over(ret, CHECK_FOUND_TEXT_MAX);
    if (p->unit == UNIT_MV) {
        text_add(&t, "zero ");
        text_add_real(&t, p->zero_mv, 1);
        text_add(&t, " mV, slope ");
        text_add_real(&t, p->slope_percent, 1);
        text_add(&t, " %");
    } else if (p->unit == UNIT_US) {
        text_add(&t, "cell constant ");
        text_add_real(&t, p->cell_constant, 4);
    } else {
        text_add(&t, "in its own unit");
    }
    add_date(&t, p->calibrated, p->calibrated_at);
}

static void say_flow(char ret[CHECK_FOUND_TEXT_MAX], const struct site_circulation *c)
{
    struct text t = text_over(ret, CHECK_FOUND_TEXT_MAX);
    text_add_real(&t, c->flow_l_min, 2);
    text_add(&t, " L/min");
    add_date(&t, c->measured, c->measured_at);
}

static struct check_found_item *next(struct check_found *f, const char *key, const char *kind)
{
    struct check_found_item *item = &f->item[f->count++];
    *item = (struct check_found_item){ .key = key };
    (void)text_copy(item->what, sizeof item->what, kind);
    return item;
}

static void compare_flow(struct check_found *f, const char *tank,
    const struct site_circulation *filed, const struct site_circulation *here)
{
    if (filed->measured_at.ms == here->measured_at.ms && filed->measured == here->measured) return;
    struct check_found_item *item = next(f, tank, "circulation");
    say_flow(item->filed, filed);
    say_flow(item->here, here);
}

static void compare_tank(struct check_found *f, const struct site *site,
    const struct site_tank *filed, const struct site_tank *here)
{
    static const char *const probes[] = { "probe ec", "probe ph" };
    for (uint32_t p = 0; p < here->pump_count; p++) {
        const struct site_pump *a = &filed->pump[p], *b = &here->pump[p];
        if (a->calibrated_at.ms == b->calibrated_at.ms && a->calibrated == b->calibrated) continue;
        struct check_found_item *item = next(f, here->key, "pump ");
        struct text t = text_over(item->what, sizeof item->what);
        text_add(&t, "pump ");
        text_add(&t, site->stock[b->stock].key);
        say_pump(item->filed, a);
        say_pump(item->here, b);
    }
    for (int q = PROBE_EC; q <= PROBE_PH; q++) {
        const struct probe_config *a = &filed->probe[q], *b = &here->probe[q];
        if (a->calibrated_at.ms == b->calibrated_at.ms && a->calibrated == b->calibrated) continue;
        struct check_found_item *item = next(f, here->key, probes[q - PROBE_EC]);
        say_probe(item->filed, a);
        say_probe(item->here, b);
    }
    compare_flow(f, here->key, &filed->circulation, &here->circulation);
}

static void say_order(char ret[CHECK_FOUND_TEXT_MAX], const struct chain_config *chain)
{
    struct text t = text_over(ret, CHECK_FOUND_TEXT_MAX);
    for (uint32_t m = 0; m < chain->count; m++) {
        if (m > 0) text_add(&t, ", ");
        text_add(&t, chain->module[m].serial);
    }
}

static void compare_chain(
    struct check_found *f, const struct chain_config *filed, const struct chain_config *here)
{
    bool same = filed->count == here->count;
    for (uint32_t m = 0; same && m < here->count; m++) {
        same = text_same(filed->module[m].serial, here->module[m].serial);
    }
    if (same) return;
    struct check_found_item *item = next(f, here->key, "modules");
    say_order(item->filed, filed);
    say_order(item->here, here);
}

/* Amends the configuration and lists what that changed. */
static bool amend(struct check_found *f, struct config *config, const struct core *core)
{
    struct site *site = &config->site;
    const size_t most = (size_t)site->tank_count * ITEMS_OF_TANK + site->chain_count;
    struct site_tank *tanks = malloc(site->tank_count * sizeof *tanks);
    struct site *filed = malloc(sizeof *filed);
    f->item = calloc(most, sizeof *f->item);
    const bool room = tanks && filed && f->item;
    if (room) {
        *filed = *site;
        memcpy(tanks, site->tank, site->tank_count * sizeof *tanks);
        config_adopt(config, core, filed);
        for (uint32_t c = 0; c < site->chain_count; c++) {
            compare_chain(f, &filed->chain[c], &site->chain[c]);
        }
        for (uint32_t i = 0; i < site->tank_count; i++) {
            compare_tank(f, site, &tanks[i], &site->tank[i]);
        }
    }
    free(filed);
    free(tanks);
    return room;
}

/* --- the journal ------------------------------------------------------------------------------ */

static bool read_journal(struct check_found *f, struct config *config, struct core *core)
{
    struct recall recall = { .core = core };
    struct journal_report report;
    struct problem problem;
    recover_init(&recall.line);
    if (journal_scan(config->journal_dir, recall_record, &recall, &report, &problem) != ERR_NONE) {
        (void)text_copy(f->why, sizeof f->why, problem.text);
        return true;
    }
    f->read = true;
    return amend(f, config, core);
}

bool check_find(struct check_found *ret, struct config *config, struct now now)
{
    *ret = (struct check_found){ .read = false };
    if (access(config->journal_dir, F_OK) != 0) return true;
    void *block = malloc(core_size(&config->site));
    if (!block) return false;
    const struct core_identity identity = { .by = "check", .boot = "check" };
    const struct now zero = { .civil = now.civil, .clock = now.clock };
    struct core *core = core_init(block, &config->site, &identity, zero);
    const bool good = read_journal(ret, config, core);
    free(block);
    return good;
}
