/* The walk's step at a chain's supply: what is planned, one after the other under load, held
 * against what the head measures. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "daemon/commission/commission.h"
#include "daemon/commission/power_judge.h"
#include "daemon/tool/tool_show.h"
#include "lib/chain/address.h"

enum {
    POWER_LOOK_MS = 300,
    REST_MOST_S = 30,
    CIRCULATE_S = 90, /* asked for: the head's roll-call tells of volts every 10 s at most */
    CIRCULATE_LOOK_S = 20,
    ROLL_MS = 12000,
    PUMP_S = 6,        /* some beats long */
    PUMP_MOST_S = 120, /* with circulation, flush and its turn at the supply */
};

#define NOISE_AMPS 0.02

static const char PAUSED_FOR[] = "the power step of 'dosewright commission'";

struct power {
    struct walk *w;
    char chain[WALK_LINE_MAX];
    struct power_sample rest, most; /* with the least that was seen to run, and the most */
    uint32_t faults, missed; /* parts that aren't as planned, and that couldn't be looked at */
    bool gone;               /* the chain can't be commanded any more */
    cJSON *asked, *paused;   /* tanks: where something was asked for, which this walk paused */
};

/* Once each. */
static void note(cJSON *tanks, const char *key)
{
    const cJSON *tank;
    cJSON_ArrayForEach(tank, tanks)
    {
        if (strcmp(cJSON_GetStringValue(tank), key) == 0) return;
    }
    (void)cJSON_AddItemToArray(tanks, cJSON_CreateString(key));
}

/* --- looking -----------------------------------------------------------------------------------
 */

static void take_module(struct power_module *m, const cJSON *from)
{
    text_copy(m->serial, sizeof m->serial, show_string(from, "serial"));
    m->volts = show_number(from, "volts");
    m->due_volts = show_number(from, "due_volts");
    m->least_volts = show_number(from, "least_volts");
    m->pump_amps = show_number(from, "pump_amps");
    m->circulation_amps = show_number(from, "circulation_amps");
}

static void take_sample(struct power_sample *ret, const cJSON *chain)
{
    *ret = (struct power_sample){ .amps = show_number(chain, "amps"),
        .amps_due = show_number(chain, "amps_due"),
        .volts = show_number(chain, "volts"),
        .supply_volts = show_number(chain, "supply_volts"),
        .supply_amps = show_number(chain, "supply_amps"),
        .usable_amps = show_number(chain, "usable_amps") };
    const cJSON *module;
    cJSON_ArrayForEach(module, show_member(chain, "modules"))
    {
        if (ret->count < CHAIN_MODULES_MAX) take_module(&ret->module[ret->count++], module);
    }
}

static const cJSON *chain_in(const cJSON *status, const char *key)
{
    const cJSON *chain;
    cJSON_ArrayForEach(chain, show_member(status, "chains"))
    {
        if (strcmp(show_string(chain, "key"), key) == 0) return chain;
    }
    return NULL;
}

/* False when the daemon or the chain has gone. */
static bool look(struct power *p, struct power_sample *ret)
{
    cJSON *status = walk_status(p->w);
    const cJSON *chain = chain_in(status, p->chain);
    p->gone = !chain || show_string(chain, "why")[0] != '\0';
    if (chain) take_sample(ret, chain);
    cJSON_Delete(status);
    return !p->gone;
}

/* The first moment at which it is known what should be drawn, and that is more than 'above'. */
static bool wait_for_more(struct power *p, double above, int seconds, struct power_sample *ret)
{
    for (int64_t ms = 0; ms <= seconds * SECOND_MS; ms += POWER_LOOK_MS) {
        if (!look(p, ret)) return false;
        if (ret->amps_due > above) return true;
        walk_rest(p->w, POWER_LOOK_MS);
    }
    return false;
}

static void keep_extremes(struct power *p, const struct power_sample *s)
{
    if (!isfinite(s->amps_due)) return;
    if (!(p->most.amps_due >= s->amps_due)) p->most = *s;
}

/* --- saying ------------------------------------------------------------------------------------
 */

static void say_head(const struct power_sample *s)
{
    printf("; all of it %5.2f A", s->amps);
    if (isfinite(s->volts)) printf(", %4.1f V at the head", s->volts);
    putchar('\n');
    fflush(stdout);
}

static void say_fault(struct power *p, const char *words)
{
    p->faults++;
    walk_say("  !! %s", words);
    fflush(stdout);
}

static void judge_part(struct power *p, const struct power_part *part)
{
    char words[WALK_LINE_MAX];
    struct text said = text_over(words, sizeof words);
    const double amps = power_part_amps(part); /* a meter's noise around nothing is nothing */
    printf("  %-28s %5.2f A of %5.2f A due", part->name, fabs(amps) < NOISE_AMPS ? 0.0 : amps,
        part->due);
    say_head(&part->with);
    keep_extremes(p, &part->with);
    if (!power_judge_part(&said, part)) say_fault(p, words);
}

/* The head itself lives on this supply. */
static void say_gone(struct power *p, const char *what)
{
    char words[2 * WALK_LINE_MAX];
    struct text said = text_over(words, sizeof words);
    if (p->w->code != TOOL_GO_ON) return;
    text_add(&said, "the chain was lost with ");
    text_add(&said, what);
    text_add(&said, " running: its supply may have broken down. Is the power brick too small (");
    text_add_real(&said, p->rest.supply_amps, 1);
    text_add(&said, " A are configured), is a plug loose?");
    say_fault(p, words);
}

/* What an output should draw, by its address; NaN: not known. */
static double amps_of(const struct power *p, const char *address)
{
    struct chain_address_text a;
    if (!chain_address_read(&a, address) || a.position < 1 || a.position > p->rest.count)
        return (double)NAN;
    const struct power_module *m = &p->rest.module[a.position - 1];
    return a.channel == CHAIN_CIRCULATION_CHANNEL ? m->circulation_amps : m->pump_amps;
}

/* --- loads -------------------------------------------------------------------------------------
 */

static bool note_asked(const struct power *p, const char *tank, bool asked)
{
    if (asked) note(p->asked, tank);
    return asked;
}

static bool ask_circulation(struct power *p, const char *tank)
{
    char quoted[TOOL_PATH_MAX * 2], seconds[16];
    (void)snprintf(seconds, sizeof seconds, "%d", CIRCULATE_S);
    const char *const members[] = { "tank", tool_quote(quoted, tank), "for_s", seconds, NULL };
    return note_asked(p, tank, walk_ask(p->w, "circulate", members));
}

/* For some seconds, as far as one dose may last. */
static bool ask_pump(struct power *p, const char *tank, const cJSON *of)
{
    char quoted[TOOL_PATH_MAX * 2], name[TOOL_PATH_MAX * 2], number[32];
    const double ml = PUMP_S * show_number(of, "ml_per_s"), most = show_number(of, "dose_limit_ml");
    (void)snprintf(number, sizeof number, "%.3f", ml > most ? most : ml);
    const char *const members[] = { "tank", tool_quote(quoted, tank), "stock",
        tool_quote(name, show_string(of, "stock")), "ml", number, "into", "\"tank\"", NULL };
    return note_asked(p, tank, walk_ask(p->w, "prime", members));
}

/* It never came to be known what should be drawn: the daemon doesn't see it run. */
static void say_unseen(struct power *p, const struct power_part *part)
{
    char words[2 * WALK_LINE_MAX];
    struct text said = text_over(words, sizeof words);
    text_add(&said, part->name);
    text_add(&said, " isn't seen to run: ");
    text_add_real(&said, part->with.amps - part->before.amps, 2);
    text_add(&said, " A more flow where ");
    text_add_real(&said, part->due, 2);
    text_add(&said, " A are due. Is its motor plugged in, its wire whole?");
    say_fault(p, words);
}

/* This part couldn't be looked at; false where nothing more can be. */
static bool miss(struct power *p)
{
    p->missed++;
    return p->w->code == TOOL_GO_ON;
}

/* False: it can't be gone on. */
static bool circulate(struct power *p, const char *tank, const char *address)
{
    char name[WALK_LINE_MAX];
    struct text said = text_over(name, sizeof name);
    struct power_part part = { .name = name, .due = amps_of(p, address) };
    text_add(&said, "circulation of ");
    text_add(&said, tank);
    if (!look(p, &part.before)) return false;
    if (!isfinite(part.before.amps_due)) part.before = p->rest;
    if (!ask_circulation(p, tank)) return miss(p);
    if (wait_for_more(p, part.before.amps_due, CIRCULATE_LOOK_S, &part.with)) {
        walk_rest(p->w, ROLL_MS); /* until its volts are in the roll-call, too */
        if (look(p, &part.with)) judge_part(p, &part);
    } else if (!p->gone && !isfinite(part.with.amps_due)) {
        say_unseen(p, &part);
    } else if (!p->gone) {
        walk_say("  %s runs already, or waits for its turn.", name);
        (void)miss(p);
    }
    if (p->gone) say_gone(p, name);
    return !p->gone;
}

/* Is something that was asked for under way in that tank; and does its pump run? */
static bool is_asked(struct walk *w, const char *tank, bool *ret_primes)
{
    cJSON *now = walk_tank(w, tank);
    const bool asked = show_string(now, "asked")[0] != '\0';
    *ret_primes = strcmp(show_string(now, "state"), "priming") == 0;
    cJSON_Delete(now);
    return asked;
}

/* The newest moments before a pump that is asked for runs, and while it does. */
static bool follow(struct power *p, const char *tank, struct power_part *part, bool *ret_seen)
{
    struct power_sample s;
    *ret_seen = false;
    for (int64_t ms = 0; ms <= PUMP_MOST_S * SECOND_MS; ms += POWER_LOOK_MS) {
        bool primes;
        if (!is_asked(p->w, tank, &primes)) break;
        if (!look(p, &s)) return false;
        if (isfinite(s.amps_due)) {
            *(primes ? &part->with : &part->before) = s;
            *ret_seen = *ret_seen || primes;
        }
        walk_rest(p->w, POWER_LOOK_MS);
    }
    return p->w->code == TOOL_GO_ON;
}

static bool pump(struct power *p, const char *tank, const cJSON *of)
{
    char name[WALK_LINE_MAX];
    struct text said = text_over(name, sizeof name);
    const char *stock = show_string(of, "stock"), *address = show_string(of, "address");
    struct power_part part = { .name = name, .due = amps_of(p, address), .before = p->rest };
    bool seen;
    text_add(&said, stock);
    text_add(&said, " at ");
    text_add(&said, address);
    if (!ask_pump(p, tank, of)) return miss(p);
    if (!follow(p, tank, &part, &seen)) {
        say_gone(p, name);
        return false;
    }
    if (seen)
        judge_part(p, &part);
    else if (miss(p))
        walk_say("  %s: not seen to run; 'dosewright status %s' says why.", name, tank);
    return true;
}

static bool is_on(const cJSON *item, const char *chain)
{
    const char *address = show_string(item, "address");
    const size_t length = strlen(chain);
    return strncmp(address, chain, length) == 0 && address[length] == '/';
}

static bool load_tank(struct power *p, const cJSON *tank)
{
    const char *key = show_string(tank, "key");
    const cJSON *of, *flow = show_member(tank, "flow");
    if (is_on(flow, p->chain) && !circulate(p, key, show_string(flow, "address"))) return false;
    cJSON_ArrayForEach(of, show_member(tank, "pumps"))
    {
        if (is_on(of, p->chain) && !pump(p, key, of)) return false;
    }
    return true;
}

/* A pump of each tank at once: as many of them run together as the plan allows. */
static bool load_all(struct power *p, const cJSON *tanks)
{
    struct power_sample s;
    const cJSON *tank;
    bool primes;
    uint32_t asked = 0;
    cJSON_ArrayForEach(tank, tanks)
    {
        const cJSON *of = cJSON_GetArrayItem(show_member(tank, "pumps"), 0);
        if (!is_on(of, p->chain)) continue;
        asked += ask_pump(p, show_string(tank, "key"), of);
    }
    cJSON_ArrayForEach(tank, tanks)
    {
        while (asked > 0 && is_asked(p->w, show_string(tank, "key"), &primes)) {
            if (!look(p, &s)) {
                say_gone(p, "pumps of all tanks");
                return false;
            }
            keep_extremes(p, &s);
            walk_rest(p->w, POWER_LOOK_MS);
        }
    }
    return p->w->code == TOOL_GO_ON;
}

/* --- pausing: the scheduler would run pumps of its own ------------------------------------------
 */

static bool uses(const cJSON *tank, const char *chain)
{
    const cJSON *of;
    if (is_on(show_member(tank, "flow"), chain)) return true;
    cJSON_ArrayForEach(of, show_member(tank, "pumps"))
    {
        if (is_on(of, chain)) return true;
    }
    return false;
}

static void pause_all(struct power *p, const cJSON *tanks)
{
    const cJSON *tank;
    cJSON_ArrayForEach(tank, tanks)
    {
        const char *key = show_string(tank, "key");
        const struct walk_pause pause = { key, PAUSED_FOR };
        if (uses(tank, p->chain) && walk_pause(p->w, &pause)) note(p->paused, key);
    }
}

/* Also where the walk was left, or the daemon is away: what it asked for isn't to begin later. */
static void give_back(const struct power *p)
{
    const cJSON *tank;
    if (p->w->code != TOOL_GO_ON) walk_reach(p->w);
    cJSON_ArrayForEach(tank, p->asked)
    {
        if (p->w->code != TOOL_GO_ON) walk_cancel(p->w, cJSON_GetStringValue(tank));
    }
    cJSON_ArrayForEach(tank, p->paused)
    {
        const struct walk_pause pause = { cJSON_GetStringValue(tank), PAUSED_FOR };
        walk_resume(p->w, &pause);
    }
}

/* --- one chain ----------------------------------------------------------------------------------
 */

static void conclude(struct power *p)
{
    char words[2 * WALK_LINE_MAX];
    struct text said = text_over(words, sizeof words);
    if (!power_judge_supply(&said, &p->rest, &p->most)) say_fault(p, words);
    walk_say("%s: at most %.2f A were drawn; %.2f A of the supply's %.2f A may be planned.%s",
        p->chain, p->most.amps, p->most.usable_amps, p->most.supply_amps,
        p->faults > 0   ? " Put in order what is marked !!, then measure again."
        : p->missed > 0 ? ""
                        : " Supply, cable and motors do what is planned.");
    if (p->missed > 0)
        walk_say("!! Not all was measured: %u of its circulations and pumps weren't; what is said "
                 "above tells why.",
            p->missed);
}

static void load_chain(struct power *p, const cJSON *tanks)
{
    char words[WALK_LINE_MAX];
    struct text said = text_over(words, sizeof words);
    const cJSON *tank;
    if (!wait_for_more(p, 0.0, REST_MOST_S, &p->rest)) {
        if (p->w->code == TOOL_GO_ON)
            walk_say(
                "It isn't known what %s should draw now; try again when nothing starts or ends.",
                p->chain);
        return;
    }
    printf("  %-28s %5.2f A of %5.2f A due", "before anything", p->rest.amps, p->rest.amps_due);
    say_head(&p->rest);
    p->most = p->rest;
    if (!power_judge_rest(&said, &p->rest)) say_fault(p, words);
    bool good = true;
    cJSON_ArrayForEach(tank, tanks)
    {
        good = good && load_tank(p, tank);
    }
    if (good && cJSON_GetArraySize(tanks) > 1) (void)load_all(p, tanks);
    if (p->w->code == TOOL_GO_ON) conclude(p);
}

static enum walk_reply measure_chain(struct walk *w, const cJSON *status, const cJSON *chain)
{
    struct power p = { .w = w };
    char question[2 * WALK_LINE_MAX];
    text_copy(p.chain, sizeof p.chain, show_string(chain, "key"));
    const cJSON *tanks = show_member(status, "tanks");
    struct text asked = text_over(question, sizeof question);
    text_add(&asked, "\nMeasure the supply of ");
    text_add(&asked, p.chain);
    text_add(&asked, " under load?");
    const enum walk_reply reply = walk_confirm(w, question);
    if (reply != WALK_YES) return reply;
    p.asked = cJSON_CreateArray();
    p.paused = cJSON_CreateArray();
    walk_guard(w);
    pause_all(&p, tanks);
    load_chain(&p, tanks);
    give_back(&p);
    walk_unguard(w);
    cJSON_Delete(p.asked);
    cJSON_Delete(p.paused);
    return w->code == TOOL_GO_ON ? WALK_YES : WALK_LEAVE;
}

enum walk_reply commission_power(struct walk *w)
{
    cJSON *status = walk_status_whole(w);
    if (!status) return WALK_LEAVE;
    enum walk_reply reply = WALK_YES;
    const cJSON *chain;
    walk_head("Power under load");
    walk_say("Each circulation and each pump runs for some seconds, into its tank: water in the "
             "bottles, not stock; every tube in its fitting; enough water in the tanks. What runs "
             "counts against the limits. The scheduler is paused meanwhile.");
    cJSON_ArrayForEach(chain, show_member(status, "chains"))
    {
        if (show_member(chain, "plain_outputs")) continue;
        if (!isfinite(show_number(chain, "amps"))) {
            walk_say("%s: its head measures no amps; hold an ammeter against the table of "
                     "'dosewright check'.",
                show_string(chain, "key"));
            continue;
        }
        reply = measure_chain(w, status, chain);
        if (reply == WALK_LEAVE) break;
    }
    cJSON_Delete(status);
    return reply;
}
