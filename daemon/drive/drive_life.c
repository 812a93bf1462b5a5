#include <stdlib.h>
#include <string.h>

#include "daemon/config/config_bind.h"
#include "daemon/config/config_zone.h"
#include "daemon/drive/drive.h"
#include "daemon/hear/hear.h"
#include "daemon/hear/request_call.h"
#include "daemon/journal/journal_scan.h"

/* More of it at once, and a core that ticks itself would speak for too long. */
static const int64_t PASS_MOST_MS = 31 * DAY_MS;

struct now drive_core_now(const struct drive *d)
{
    struct now now = d->now;
    now.mono.ms += d->line_ms;
    return now;
}

/* Chains whose order has just been adopted. */
static void rebind(struct drive *d)
{
    for (uint32_t c = 0; c < d->config->site.chain_count; c++) {
        if (!(d->rebind >> c & 1)) continue;
        const int64_t tag = d->config->site.chain[c].file_tag;
        const struct chain_binding *binding = core_adopted(d->core, c, tag);
        if (!binding || !config_rebind(d->config, c, binding)) continue;
        core_rebound(d->core, c, drive_core_now(d), d->actions);
        drive_tell_actions(d);
    }
    d->rebind = 0;
}

static void step(void *context, const struct event *event)
{
    struct drive *d = context;
    core_step(d->core, event, drive_core_now(d), d->actions);
    drive_tell_actions(d);
    rebind(d);
}

/* --- a life of the core ----------------------------------------------------------------------- */

static void begin(struct drive *d, const char *by_word, const char *boot, struct now now)
{
    struct text by = text_over(d->identity.by, sizeof d->identity.by);
    d->lives++;
    text_add(&by, by_word);
    if (!by_word[0]) {
        text_add(&by, "drive-");
        text_add_int(&by, d->lives);
    }
    if (boot[0]) (void)text_copy(d->boot, sizeof d->boot, boot);
    d->identity.boot = d->boot;
    const struct now zero = { .civil = now.civil, .clock = now.clock };
    memcpy(d->config->site.chain, d->file_site.chain, sizeof d->file_site.chain);
    memcpy(d->config->site.tank, d->file_tank, d->config->site.tank_count * sizeof *d->file_tank);
    d->core = core_init(d->block, &d->config->site, &d->identity, zero);
    recover_init(&d->recovered);
    d->phase = DRIVE_BEGUN;
    d->tip = link_start();
    d->line_ms = d->records = 0;
    d->damaged = d->active = d->zones_known = false;
    memset(d->own_zone, 0, d->config->site.tank_count * sizeof *d->own_zone);
}

/* Takes the chain up where this record says that it goes on, when it doesn't follow. */
static enum err follow(struct drive *d, const char *line, struct record *ret, struct problem *p)
{
    const size_t length = strlen(line);
    const enum err err = link_follow(&d->tip, ret, line, length, journal_sha256, p);
    struct link_tip before;
    if (err != ERR_DAMAGED || !link_before(&before, line, length)) return err;
    if (link_follow(&before, ret, line, length, journal_sha256, p) != ERR_NONE) return err;
    if (d->records > 0) d->damaged = true; /* else what was before it has been pruned */
    d->tip = before;
    return ERR_NONE;
}

static bool restore(struct drive *d, const struct drive_line *l, struct problem *problem)
{
    struct record record;
    struct now at;
    const char *boot;
    int64_t seq;
    const bool was_damaged = d->damaged;
    if (follow(d, l->record, &record, problem) != ERR_NONE) {
        d->damaged = true;
        return false;
    }
    if (link_header(&record, &seq, &at, &boot)) {
        at.mono.ms = recover_place(&d->recovered, boot, at);
        d->records++;
        core_restore(d->core, &record, at);
    }
    if (d->damaged && !was_damaged)
        drive_tell_ignored(d, "records before this one are missing: the journal counts as damaged");
    return true;
}

static void start(struct drive *d)
{
    d->phase = DRIVE_STARTED;
    if (d->records > 0) d->line_ms = -recover_shift(&d->recovered, d->boot, d->now);
    if (d->damaged) {
        struct record damage;
        record_start(&damage, "damage");
        core_restore(d->core, &damage, drive_core_now(d));
    }
    config_adopt(d->config, d->core, &d->config->site);
    core_restored(d->core, d->records == 0, drive_core_now(d), d->actions);
    drive_tell_actions(d);
}

/* --- time passes ------------------------------------------------------------------------------ */

static bool is_due(const struct drive *d, int64_t at_ms)
{
    return core_wakes_at(d->core).ms - d->line_ms <= at_ms;
}

static void tick(struct drive *d)
{
    const struct event e = { .kind = EVENT_TICK };
    for (int n = 0; n < DRIVE_TICKS_MOST && is_due(d, d->now.mono.ms); n++) {
        step(d, &e);
    }
}

/* As the daemon does, by the system's zone files; a zone that a line told stays as told. */
static void look_up_zones(struct drive *d)
{
    if (d->zones_known && mono_since(d->now.mono, d->zones_at) < DRIVE_ZONES_MS) return;
    d->zones_known = true;
    d->zones_at = d->now.mono;
    const struct site *site = &d->config->site;
    const char *former = NULL;
    int64_t offset_ms = 0;
    bool known = false;
    for (uint32_t i = 0; i < site->tank_count; i++) {
        struct event e;
        memset(&e, 0, sizeof e);
        const char *zone = site->tank[i].schedule.zone;
        if (!former || strcmp(zone, former) != 0)
            known = config_zone_offset(&offset_ms, d->config, zone, d->now.civil);
        former = zone;
        e.kind = EVENT_ZONES;
        e.zone.tank = i;
        e.zone.offset_ms = offset_ms;
        if (known && !d->own_zone[i]) step(d, &e);
    }
}

static void move_clocks(struct drive *d, int64_t mono_ms)
{
    d->now.civil.ms += mono_ms - d->now.mono.ms;
    d->now.mono.ms = mono_ms;
}

/* Every tick that is due up to the line's own instant, each at its time; the ones at which nothing
 * was done aren't told. */
static void pass_time(struct drive *d, int64_t till_ms)
{
    int rounds = 0; /* at one instant */
    while (is_due(d, till_ms) && rounds++ < DRIVE_ROUNDS_MOST) {
        const int64_t at_ms = core_wakes_at(d->core).ms - d->line_ms;
        if (at_ms > d->now.mono.ms) {
            move_clocks(d, at_ms);
            rounds = 0;
        }
        drive_open_answer(d, true);
        look_up_zones(d);
        tick(d);
        drive_end_actions(d);
        if (d->told > 0)
            drive_close_answer(d);
        else
            drive_drop_answer(d);
    }
}

/* --- what a line does ------------------------------------------------------------------------- */

struct heard {
    struct drive *drive;
    struct problem problem;
    bool refused;
};

static void hear_event(void *context, const struct event *event)
{
    struct heard *heard = context;
    step(heard->drive, event);
}

static void hear_refused(
    void *context, const struct mqtt_message *message, const struct problem *problem)
{
    struct heard *heard = context;
    (void)message;
    heard->refused = true;
    heard->problem = *problem;
}

static void refuse_message(struct heard *heard, const char *text)
{
    heard->refused = true;
    (void)problem_set(&heard->problem, ERR_UNKNOWN, "topic", text);
}

/* A property of the site that somebody wants set. */
static void set(struct heard *heard, const struct mqtt_message *message)
{
    struct drive *d = heard->drive;
    struct event e;
    struct request_refusal no;
    const struct request_trust trust = { .site = &d->config->site }; /* it has no keys */
    memset(&e, 0, sizeof e);
    e.kind = EVENT_REQUEST;
    if (!d->active) {
        refuse_message(heard, "no topic that a daemon which isn't active listens to");
        return;
    }
    switch (homie_read_set(d->homie, message, &e.request, &heard->problem)) {
    case HOMIE_NOT_MINE:
        refuse_message(heard, "no topic that is listened to, or an empty message");
        break;
    case HOMIE_CALL:
        request_read_call(&e.request, message, &trust, &no);
        e.request.ticket = e.request.id[0] ? (uint64_t)d->line : 0;
        step(d, &e);
        break;
    case HOMIE_REFUSED:
        heard->refused = true;
        step(d, &e);
        break;
    case HOMIE_REQUEST:
        e.request.ticket = (uint64_t)d->line;
        step(d, &e);
        break;
    }
}

static void do_event(struct drive *d, struct drive_line *l)
{
    if (l->kind == DRIVE_REQUEST) l->event.request.ticket = (uint64_t)d->line;
    if (l->kind == DRIVE_ZONE) d->own_zone[l->event.zone.tank] = true;
    step(d, &l->event);
}

static void do_topic(struct drive *d, const struct drive_line *l)
{
    struct heard heard = { .drive = d };
    const struct hearer hearer = {
        .context = &heard, .event = hear_event, .refused = hear_refused
    };
    if (!hear_message(&hearer, d->config, &d->routes, &l->message)) set(&heard, &l->message);
    drive_end_actions(d);
    if (heard.refused) drive_tell_ignored(d, heard.problem.text);
}

static void do_view(struct drive *d, const struct drive_line *l)
{
    drive_end_actions(d);
    drive_tell_view(d, l->tank);
}

/* Before the core has started there is nothing that it could do. */
static bool do_early(struct drive *d, const struct drive_line *l, struct problem *problem)
{
    if (l->kind == DRIVE_BEGIN) begin(d, l->by, l->boot, l->now);
    drive_open_answer(d, false);
    drive_end_actions(d);
    if (l->kind == DRIVE_BEGIN || restore(d, l, problem)) return true;
    drive_drop_answer(d);
    return false;
}

static void do_line(struct drive *d, struct drive_line *l)
{
    drive_open_answer(d, false);
    if (l->kind == DRIVE_START) start(d);
    look_up_zones(d);
    switch (l->kind) {
    case DRIVE_TICK:
        tick(d);
        break;
    case DRIVE_TOPIC:
        do_topic(d, l);
        return;
    case DRIVE_VIEW:
        do_view(d, l);
        return;
    case DRIVE_LINK:
    case DRIVE_REQUEST:
    case DRIVE_UNSENT:
    case DRIVE_DISK:
    case DRIVE_ZONE:
        do_event(d, l);
        break;
    case DRIVE_BEGIN:
    case DRIVE_JOURNAL:
    case DRIVE_START:
    case DRIVE_SENT: /* for who reads along */
    case DRIVE_KIND_COUNT:
        break;
    }
    drive_end_actions(d);
}

static bool take(struct drive *d, struct drive_line *l, struct problem *problem)
{
    const bool early = l->kind == DRIVE_BEGIN || l->kind == DRIVE_JOURNAL;
    if (d->ticks_itself && d->phase == DRIVE_STARTED && !early) {
        if (l->now.mono.ms - d->now.mono.ms > PASS_MOST_MS)
            return drive_refuse(problem, "mono_ms", (struct json_view){ 0 },
                "at most 31 days after the line before, where the core ticks itself");
        pass_time(d, l->now.mono.ms);
    }
    d->now = l->now;
    if (l->kind == DRIVE_START) d->has_now = true;
    if (early) return do_early(d, l, problem);
    do_line(d, l);
    return true;
}

static bool is_blank(const char *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        if (bytes[i] != ' ' && bytes[i] != '\t' && bytes[i] != '\r') return false;
    }
    return true;
}

void drive_take(struct drive *d, const char *bytes, size_t length)
{
    static struct drive_line line;
    struct problem problem;
    bool good = false;
    d->line++;
    if (!bytes)
        (void)problem_set(&problem, ERR_FULL, "line", "found a longer one; allowed: 65535 bytes");
    else if (is_blank(bytes, length))
        return;
    else
        good = drive_read(&line, d, bytes, length, &problem) && take(d, &line, &problem);
    if (good)
        drive_close_answer(d);
    else
        drive_tell_problem(d, &problem);
}

/* --- all of it -------------------------------------------------------------------------------- */

enum err drive_open(
    struct drive *d, struct config *config, void (*put)(const char *text), struct problem *problem)
{
    memset(d, 0, sizeof *d);
    d->config = config;
    d->put = put;
    char *room = malloc(DRIVE_TEXT_MAX);
    if (room) d->out = text_over(room, DRIVE_TEXT_MAX);
    d->block = malloc(core_size(&config->site));
    d->actions = calloc(1, sizeof *d->actions);
    d->own_zone = calloc(config->site.tank_count + 1u, sizeof *d->own_zone);
    d->file_tank = calloc(config->site.tank_count + 1u, sizeof *d->file_tank);
    if (!room || !d->block || !d->actions || !d->own_zone || !d->file_tank ||
        routes_make(&d->routes, config) != ERR_NONE)
        return problem_set(
            problem, ERR_IO, config->path, "there is no memory for a site this large");
    d->file_site = config->site;
    memcpy(d->file_tank, config->site.tank, config->site.tank_count * sizeof *d->file_tank);
    const enum err err = homie_open(&d->homie, config, problem);
    if (err != ERR_NONE) return err;
    begin(d, "", "drive", (struct now){ 0 });
    return ERR_NONE;
}

void drive_close(struct drive *d)
{
    homie_close(d->homie);
    routes_free(&d->routes);
    free(d->out.at);
    free(d->block);
    free(d->actions);
    free(d->own_zone);
    free(d->file_tank);
    config_free(d->config);
}
