/* What the rig says: a line for people, a line of JSON in the ledger. */
#include <errno.h>
#include <stdarg.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/payload/payload.h"
#include "daemon/rig/rig.h"

enum { LINE_MAX_BYTES = 8192 };

/* --- people ----------------------------------------------------------------------------------- */

void rig_say(const struct rig *rig, const char *format, ...)
{
    if (rig->options->quiet) return;
    printf("%9.3f  ", (double)mono_since(rig->now, rig->begun) / 1000.0);
    va_list args;
    va_start(args, format);
    vprintf(format, args);
    va_end(args);
    putchar('\n');
    fflush(stdout);
}

/* --- the ledger ------------------------------------------------------------------------------- */

struct line {
    struct text t;
    char bytes[LINE_MAX_BYTES];
};

static void add_name(struct text *t, const char *name)
{
    text_add(t, ",\"");
    text_add(t, name);
    text_add(t, "\":");
}

static void add_string(struct text *t, const char *name, const char *value)
{
    add_name(t, name);
    if (value)
        payload_add_string(t, value);
    else
        text_add(t, "null");
}

static void add_int(struct text *t, const char *name, int64_t value)
{
    add_name(t, name);
    text_add_int(t, value);
}

static void begin(const struct rig *rig, struct line *line, const char *kind)
{
    line->t = text_over(line->bytes, sizeof line->bytes);
    text_add(&line->t, "{\"t_ms\":");
    text_add_int(&line->t, rig->now.ms);
    add_string(&line->t, "kind", kind);
}

static void finish(struct rig *rig, struct line *line)
{
    text_add(&line->t, "}\n");
    if (!rig->ledger) return;
    const bool written = !line->t.cut &&
                         fwrite(line->bytes, 1, line->t.length, rig->ledger) == line->t.length &&
                         fflush(rig->ledger) == 0;
    if (written || rig->ledger_failed) return;
    rig->ledger_failed = true;
    fprintf(stderr, "dosewright rig: %s can't be written: %s\n", rig->options->ledger_path,
        line->t.cut ? "a line is too long" : strerror(errno));
}

static void tell_begin(struct rig *rig)
{
    struct line line;
    char boot[40];
    clock_boot(boot);
    begin(rig, &line, "rig");
    add_string(&line.t, "site", rig->site->key);
    add_name(&line.t, "time");
    text_add(&line.t, "\"");
    text_add_civil(&line.t, clock_now().civil);
    text_add(&line.t, "\"");
    add_string(&line.t, "clock", "CLOCK_BOOTTIME");
    add_string(&line.t, "boot", boot);
    add_int(&line.t, "seed", (int64_t)rig->options->seed);
    finish(rig, &line);
}

enum err rig_tell_open(struct rig *rig, struct problem *problem)
{
    const char *path = rig->options->ledger_path;
    if (!path) return ERR_NONE;
    rig->ledger = fopen(path, "ae");
    if (!rig->ledger) return problem_set(problem, ERR_IO, path, strerror(errno));
    tell_begin(rig);
    return ERR_NONE;
}

void rig_tell_close(struct rig *rig)
{
    if (rig->ledger && fclose(rig->ledger) != 0 && !rig->ledger_failed) {
        rig->ledger_failed = true;
        fprintf(stderr, "dosewright rig: %s can't be written: %s\n", rig->options->ledger_path,
            strerror(errno));
    }
    rig->ledger = NULL;
}

/* --- runs ------------------------------------------------------------------------------------- */

struct shown { /* an output by the names that people know */
    char address[64];
    const char *stock, *tank; /* NULL: nothing hangs there */
    bool circulation;
    uint32_t position;
};

static uint32_t position_of(const struct rig_chain *chain, uint32_t module)
{
    for (uint32_t m = 0; m < chain->seen_count; m++) {
        if (chain->seen[m] == module) return m + 1;
    }
    return module + 1; /* it was taken away */
}

static struct shown show(
    const struct rig *rig, const struct rig_chain *chain, uint32_t module, uint32_t channel)
{
    struct shown s = { .position = position_of(chain, module) };
    struct text t = text_over(s.address, sizeof s.address);
    chain_address_add(&t, chain->config->key, s.position, channel);
    s.circulation = channel == CHAIN_CIRCULATION_CHANNEL;
    struct rig_tube tube;
    if (!rig_tube_of(rig, chain, module, channel, &tube)) return s;
    const struct site_tank *tank = &rig->site->tank[tube.tank];
    s.tank = tank->key;
    if (!s.circulation) s.stock = rig->site->stock[tank->pump[tube.pump].stock].key;
    return s;
}

static void say_run(
    const struct rig *rig, const struct shown *s, const struct rig_run *run, const char *event)
{
    const char *what = s->circulation ? "circulation of" : s->stock ? s->stock : "nothing";
    const char *where = s->tank ? s->tank : "nowhere";
    const char *arrow = s->circulation ? "" : "-> ";
    const char *by = run->by_hand ? "by hand" : run->id;
    if (strcmp(event, "start") == 0) {
        rig_say(rig, "%-20s %s %s%s starts (%s)", s->address, what, arrow, where, by);
        return;
    }
    const double s_ran = (double)run->ran_ms / 1000.0;
    if (s->circulation || !s->stock)
        rig_say(rig, "%-20s %s %s%s ends after %.3f s", s->address, what, arrow, where, s_ran);
    else
        rig_say(rig, "%-20s %s %s%s ends after %.3f s: %.3f mL%s", s->address, what, arrow, where,
            s_ran, run->arrived_ul / 1000.0,
            run->arrived_ul < run->moved_ul ? ", the rest of what it pumped was air" : "");
}

void rig_tell_run(struct rig *rig, const struct rig_chain *chain, uint32_t module, uint32_t channel,
    const char *event)
{
    const struct rig_run *run = &chain->run[module][channel];
    const struct shown s = show(rig, chain, module, channel);
    say_run(rig, &s, run, event);
    struct line line;
    begin(rig, &line, "move");
    struct text *t = &line.t;
    add_string(t, "chain", chain->config->key);
    add_int(t, "position", s.position);
    add_string(t, "serial", chain->module[module].serial);
    add_int(t, "channel", channel);
    add_string(t, "by", run->by_hand ? "hand" : "command");
    add_string(t, "id", run->by_hand ? NULL : run->id);
    add_string(t, "event", event);
    add_int(t, "ran_ms", run->ran_ms);
    add_int(t, "ul", nearest(run->moved_ul));
    add_name(t, "arrived");
    text_add(t, run->arrived_ul < run->moved_ul ? "false" : "true");
    add_int(t, "arrived_ul", nearest(run->arrived_ul));
    add_string(t, "stock", s.stock);
    add_string(t, "tank", s.tank);
    finish(rig, &line);
}

/* --- what was not done ------------------------------------------------------------------------ */

void rig_tell_ignored(
    struct rig *rig, const struct rig_chain *chain, const char *id, const char *reason)
{
    rig_say(rig, "%-20s refused %s: %s", chain->config->key, id, reason);
    struct line line;
    begin(rig, &line, "refused");
    add_string(&line.t, "chain", chain->config->key);
    add_string(&line.t, "id", id);
    add_string(&line.t, "reason", reason);
    finish(rig, &line);
}

void rig_tell_refusal(
    struct rig *rig, const struct rig_chain *chain, const struct chain_report *report)
{
    if (report->state != CHAIN_REFUSED && report->reason != CHAIN_DUPLICATE) return;
    rig_tell_ignored(rig, chain, report->id, chain_reason_word(report->reason));
}

void rig_tell_met(struct rig *rig, uint32_t tank, uint32_t stock, uint32_t other)
{
    const struct site *site = rig->site;
    rig_say(rig, "%-20s %s meets %s in the line", site->tank[tank].key, site->stock[stock].key,
        site->stock[other].key);
    struct line line;
    begin(rig, &line, "met");
    add_string(&line.t, "tank", site->tank[tank].key);
    add_string(&line.t, "stock", site->stock[stock].key);
    add_string(&line.t, "other", site->stock[other].key);
    finish(rig, &line);
}

void rig_tell_spray(struct rig *rig, uint32_t tank)
{
    rig_say(rig, "%-20s circulates while a tube is out: it sprays", rig->site->tank[tank].key);
    struct line line;
    begin(rig, &line, "spray");
    add_string(&line.t, "tank", rig->site->tank[tank].key);
    finish(rig, &line);
}

/* --- water and sums --------------------------------------------------------------------------- */

void rig_tell_tanks(struct rig *rig)
{
    if (!rig->ledger) return;
    for (uint32_t i = 0; i < rig->site->tank_count; i++) {
        const struct rig_tank *tank = &rig->tank[i];
        struct line line;
        begin(rig, &line, "tank");
        add_string(&line.t, "tank", rig->site->tank[i].key);
        add_name(&line.t, "ec_us_cm");
        text_add_real(&line.t, plant_ec_us_cm(&tank->water.tank, false), 2);
        add_name(&line.t, "ph");
        text_add_real(&line.t, plant_ph(&tank->water.tank, false), 4);
        add_name(&line.t, "volume_l");
        text_add_real(&line.t, tank->water.tank.volume_l, 4);
        add_name(&line.t, "circulates");
        text_add(&line.t, tank->circulates ? "true" : "false");
        finish(rig, &line);
    }
}

static void tell_pump(struct rig *rig, uint32_t i, uint32_t p)
{
    const struct rig_pump *pump = &rig->tank[i].pump[p];
    const struct site_tank *tank = &rig->site->tank[i];
    const char *stock = rig->site->stock[tank->pump[p].stock].key;
    rig_say(rig, "%-20s %-12s %6llu starts %10.3f mL pumped %10.3f mL arrived", tank->key, stock,
        (unsigned long long)pump->starts, pump->moved_ul / 1000.0, pump->arrived_ul / 1000.0);
    struct line line;
    begin(rig, &line, "totals");
    add_string(&line.t, "tank", tank->key);
    add_string(&line.t, "stock", stock);
    add_int(&line.t, "starts", (int64_t)pump->starts);
    add_int(&line.t, "command_ms", pump->command_ms);
    add_int(&line.t, "hand_ms", pump->hand_ms);
    add_int(&line.t, "ul", nearest(pump->moved_ul));
    add_int(&line.t, "arrived_ul", nearest(pump->arrived_ul));
    finish(rig, &line);
}

void rig_tell_totals(struct rig *rig)
{
    for (uint32_t i = 0; i < rig->site->tank_count; i++) {
        const struct rig_tank *tank = &rig->tank[i];
        rig_say(rig, "%-20s EC %.3f mS/cm, pH %.2f, %.2f L", rig->site->tank[i].key,
            plant_ec_us_cm(&tank->water.tank, false) / 1000.0, plant_ph(&tank->water.tank, false),
            tank->water.tank.volume_l);
        for (uint32_t p = 0; p < rig->site->tank[i].pump_count; p++) {
            tell_pump(rig, i, p);
        }
    }
    rig_tell_tanks(rig);
}
