/* Boards of plain outputs: general relay boards that know nothing of the contract, one for each
 * tank that has any. They do what docs/plain-outputs.md asks of a board, until a fault strikes. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lib/base/text.h"
#include "tests/simulation/storm/world.h"

enum { STUCK_MOST_MS = 600000, LATE_ORDER_MS = 8000 };

static const struct plain_place *place_of(const struct world *w, uint32_t tank, uint32_t output)
{
    return &w->premises.plain[tank][output];
}

static struct relay_output *output_of(struct world *w, uint32_t tank, uint32_t output)
{
    return &w->relay[tank].output[output];
}

/* --- what it says ------------------------------------------------------------------------------
 */

static void tell_all(struct world *w, const struct relay_word *word)
{
    for (uint32_t b = 0; b < BOARDS; b++) {
        net_word(w, b, word);
    }
}

/* At each change, at once: where it reports at all, and is heard. */
static void report(struct world *w, uint32_t tank, uint32_t output)
{
    struct relay_output *o = output_of(w, tank, output);
    if (!place_of(w, tank, output)->output.state_topic) return;
    if (!w->relay[tank].online || !net_broker_up(w)) return;
    if (w->premises.answers && weather_strikes(&w->weather, FAULT_RELAY_MUTE)) return;
    o->told = true;
    o->told_on = o->on || (o->stuck && o->shows);
    tell_all(w, &(struct relay_word){ tank, output, o->told_on });
}

void relays_tell_kept(struct world *w, uint32_t board)
{
    for (uint32_t t = 0; t < w->premises.tanks && w->premises.keeps_reports; t++) {
        for (uint32_t i = 0; i < OUTPUTS; i++) {
            const struct relay_output *o = output_of(w, t, i);
            if (o->told) net_word(w, board, &(struct relay_word){ t, i, o->told_on });
        }
    }
}

/* --- what it moves -----------------------------------------------------------------------------
 */

static bool flows(const struct world *w, uint32_t tank)
{
    return !(weather_lasts(&w->weather, FAULT_CIRCULATION_DEAD) &&
             weather_hits(&w->weather, FAULT_CIRCULATION_DEAD, w->premises.tanks) == tank);
}

/* Without one nothing tells that its circulation pump is stuck. */
static bool has_flow_probe(const struct world *w, uint32_t tank)
{
    return world_site(w)->tank[tank].probe[PROBE_FLOW].present;
}

static void pour(struct world *w, uint32_t tank, uint32_t output)
{
    struct relay_output *o = output_of(w, tank, output);
    const int64_t ran_ms = w->t_ms - o->poured_ms;
    o->poured_ms = w->t_ms;
    if (ran_ms > 0 && (o->on || o->stuck) && output != FLOW_SLOT)
        water_pour(w, tank, output, ran_ms);
}

static void tell_run(struct world *w, uint32_t tank, uint32_t output, bool begins, int64_t left_ms)
{
    const struct plain_place *p = place_of(w, tank, output);
    const struct relay_output *o = output_of(w, tank, output);
    const struct fact_run run = { .id = o->id,
        .chain = p->chain,
        .serial = p->serial,
        .channel = output == FLOW_SLOT ? CHAIN_CIRCULATION_CHANNEL : 1,
        .by_hand = o->by_hand,
        .as_bound = true,
        .flows = flows(w, tank) || !has_flow_probe(w, tank),
        .late = begins && !o->by_hand && w->t_ms - left_ms > LATE_ORDER_MS };
    if (begins)
        observe_run_begins(w->observer, &run, w->t_ms);
    else
        observe_run_ends(w->observer, &run, w->t_ms);
    world_mark_text(w, o->id);
    world_mark(w, (uint64_t)w->t_ms * 2 + begins);
    world_say(w, "board of tank %u: output %u %s %s%s", tank, output, begins ? "on" : "off", o->id,
        o->by_hand ? "by hand" : "");
    if (output == FLOW_SLOT) water_flow(w, tank, begins && flows(w, tank));
    if (!begins) return;
    weather_pounce(&w->weather, w->t_ms);
    if (o->by_hand || output == FLOW_SLOT) return;
    w->doses++;
    w->doses_of[tank]++;
}

/* Contacts of a pump's relay stick now and then; some boards can tell. */
static void let_go(struct world *w, uint32_t tank, uint32_t output)
{
    struct relay_output *o = output_of(w, tank, output);
    if (output == FLOW_SLOT || !weather_strikes(&w->weather, FAULT_RELAY_WELDED)) return;
    struct prng *c = &w->weather.chance[FAULT_RELAY_WELDED];
    o->stuck = true;
    o->shows = prng_below(c, 2) == 0;
    o->stuck_till_ms = w->t_ms + 1 + prng_below(c, STUCK_MOST_MS);
    world_say(w, "board of tank %u: output %u sticks", tank, output);
}

static void switch_off(struct world *w, uint32_t tank, uint32_t output)
{
    struct relay_output *o = output_of(w, tank, output);
    if (!o->on) return;
    pour(w, tank, output);
    o->on = false;
    tell_run(w, tank, output, false, 0);
    let_go(w, tank, output);
    report(w, tank, output);
}

struct begin {
    const char *id; /* "": by hand */
    int64_t run_ms, left_ms;
};

static void switch_on(struct world *w, uint32_t tank, uint32_t output, const struct begin *begin)
{
    struct relay_output *o = output_of(w, tank, output);
    const struct plain_output *p = &place_of(w, tank, output)->output;
    const bool was = o->on;
    pour(w, tank, output);
    if (was) tell_run(w, tank, output, false, 0);
    int64_t run_ms = begin->run_ms;
    if (p->auto_off_ms > 0 && run_ms > p->auto_off_ms) run_ms = p->auto_off_ms;
    o->on = true;
    o->by_hand = begin->id[0] == '\0';
    (void)text_copy(o->id, sizeof o->id, begin->id);
    o->till_ms = w->t_ms + run_ms;
    tell_run(w, tank, output, true, begin->left_ms);
    if (!was || w->premises.answers) report(w, tank, output);
}

/* Could this daemon have said off in time? It lives, its connection stands, nothing held it up. */
static void tell_own_end(struct world *w, uint32_t tank, uint32_t output)
{
    const struct relay_output *o = output_of(w, tank, output);
    if (o->by_hand || place_of(w, tank, output)->output.unit != PLAIN_SWITCHED) return;
    for (uint32_t b = 0; b < BOARDS; b++) {
        const struct board *board = &w->board[b];
        if (!board->alive || !board->mqtt.up || board->stalled_ms > w->t_ms) continue;
        const struct fact_order fact = { .tank = tank, .output = output, .id = o->id };
        observe_own_end(w->observer, b, &fact, board->stalled_ms, w->t_ms);
    }
}

/* --- orders ------------------------------------------------------------------------------------
 */

/* The number behind what the template begins with. */
static int64_t run_of(const struct plain_output *o, double ul_per_ms, const char *payload)
{
    const char *place = strchr(o->payload, '$');
    if (!place) return o->auto_off_ms;
    const double number = strtod(payload + (place - o->payload), NULL);
    if (o->unit == PLAIN_MS) return nearest(number);
    return nearest(o->unit == PLAIN_ML ? 1000.0 * number / ul_per_ms : 1000.0 * number);
}

static bool is_prefix(const struct plain_output *o, const char *payload)
{
    const char *place = strchr(o->payload, '$');
    return strncmp(
               o->payload, payload, place ? (size_t)(place - o->payload) : strlen(o->payload)) == 0;
}

bool relay_read(const struct world *w, struct relay_order *ret, const char *topic,
    const char *payload, size_t length)
{
    char text[PLAIN_PAYLOAD_MAX];
    (void)snprintf(text, sizeof text, "%.*s", (int)length, payload);
    memset(ret, 0, sizeof *ret);
    for (uint32_t t = 0; t < w->premises.tanks; t++) {
        for (uint32_t i = 0; i < OUTPUTS; i++) {
            const struct plain_place *p = place_of(w, t, i);
            if (!p->there || strcmp(p->topic, topic) != 0) continue;
            ret->tank = t;
            ret->output = i;
            ret->on = strcmp(text, p->output.off_payload) != 0 && is_prefix(&p->output, text);
            const double rate = i == FLOW_SLOT ? 1.0 : world_site(w)->tank[t].pump[i].ml_per_s;
            if (ret->on) ret->run_ms = run_of(&p->output, rate, text);
            return true;
        }
    }
    return false;
}

void relay_take(struct world *w, const struct relay_order *order)
{
    if (!w->relay[order->tank].online || !net_broker_up(w)) return;
    if (order->on)
        switch_on(w, order->tank, order->output,
            &(struct begin){ order->id, order->run_ms, order->left_ms });
    else if (output_of(w, order->tank, order->output)->on)
        switch_off(w, order->tank, order->output);
    else if (w->premises.answers)
        report(w, order->tank, order->output);
}

/* --- its own life ------------------------------------------------------------------------------
 */

void relays_begin(struct world *w)
{
    for (uint32_t t = 0; t < w->premises.tanks; t++) {
        struct relay_board *r = &w->relay[t];
        for (uint32_t i = 0; i < OUTPUTS; i++) {
            r->there = r->there || place_of(w, t, i)->there;
        }
        r->online_ms = r->there ? w->t_ms + 500 : INT64_MAX;
    }
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t board_next(const struct relay_board *r)
{
    int64_t due_ms = r->online_ms;
    for (uint32_t i = 0; i < OUTPUTS; i++) {
        const struct relay_output *o = &r->output[i];
        if (o->on) due_ms = sooner(due_ms, o->till_ms);
        if (o->stuck) due_ms = sooner(due_ms, o->stuck_till_ms);
    }
    return due_ms;
}

int64_t relays_next(const struct world *w)
{
    int64_t due_ms = INT64_MAX;
    for (uint32_t t = 0; t < w->premises.tanks; t++) {
        if (w->relay[t].there) due_ms = sooner(due_ms, board_next(&w->relay[t]));
    }
    return due_ms;
}

static void say(struct world *w, uint32_t tank)
{
    for (uint32_t i = 0; i < OUTPUTS; i++) {
        if (place_of(w, tank, i)->there) report(w, tank, i);
    }
}

void relays_say(struct world *w)
{
    for (uint32_t t = 0; t < w->premises.tanks; t++) {
        say(w, t);
    }
}

/* It says what is, once it is there again. */
static void connect(struct world *w, uint32_t tank)
{
    struct relay_board *r = &w->relay[tank];
    r->online = net_broker_up(w);
    r->online_ms = r->online ? INT64_MAX : w->t_ms + 1000;
    if (r->online) say(w, tank);
}

static void live_output(struct world *w, uint32_t tank, uint32_t output)
{
    struct relay_output *o = output_of(w, tank, output);
    if (o->stuck && o->stuck_till_ms <= w->t_ms) {
        pour(w, tank, output);
        o->stuck = false;
        if (!o->on) report(w, tank, output);
    }
    if (!o->on || o->till_ms > w->t_ms) return;
    tell_own_end(w, tank, output);
    switch_off(w, tank, output);
}

void relays_live(struct world *w)
{
    for (uint32_t t = 0; t < w->premises.tanks; t++) {
        if (!w->relay[t].there || board_next(&w->relay[t]) > w->t_ms) continue;
        for (uint32_t i = 0; i < OUTPUTS; i++) {
            live_output(w, t, i);
        }
        if (w->relay[t].online_ms <= w->t_ms) connect(w, t);
    }
}

/* --- faults ------------------------------------------------------------------------------------
 */

static int32_t hit(const struct world *w, uint64_t draw)
{
    for (uint32_t n = 0; n < w->premises.tanks; n++) {
        const uint32_t t = (uint32_t)((draw + n) % w->premises.tanks);
        if (w->relay[t].there) return (int32_t)t;
    }
    return -1;
}

/* It comes up with every output off. */
void relay_reboot(struct world *w, uint64_t draw)
{
    const int32_t t = hit(w, draw);
    if (t < 0) return;
    w->relay[t].online = false; /* what it does now nobody hears */
    for (uint32_t i = 0; i < OUTPUTS; i++) {
        switch_off(w, (uint32_t)t, i);
    }
    w->relay[t].online_ms = w->t_ms + 1000 + (int64_t)(draw / 8 % 20000);
}

void relay_go_offline(struct world *w, uint64_t draw, int64_t span_ms)
{
    const int32_t t = hit(w, draw);
    if (t < 0) return;
    w->relay[t].online = false;
    w->relay[t].online_ms = w->t_ms + span_ms;
}

void relay_hand(struct world *w, uint64_t draw, bool on)
{
    const int32_t t = hit(w, draw);
    const uint32_t output = (uint32_t)(draw / 8 % OUTPUTS);
    if (t < 0 || !place_of(w, (uint32_t)t, output)->there) return;
    struct relay_output *o = output_of(w, (uint32_t)t, output);
    if (on && !o->on)
        switch_on(w, (uint32_t)t, output, &(struct begin){ "", HOUR_MS, w->t_ms });
    else if (!on && o->by_hand)
        switch_off(w, (uint32_t)t, output);
}

/* Its circulation pump gets stuck, or free again. */
void relay_flow_changed(struct world *w, uint32_t tank)
{
    const struct plain_place *p = place_of(w, tank, FLOW_SLOT);
    if (!p->there || !output_of(w, tank, FLOW_SLOT)->on) return;
    if (has_flow_probe(w, tank)) observe_flow(w->observer, p->serial, flows(w, tank), w->t_ms);
    water_flow(w, tank, flows(w, tank));
}

void relays_heal(struct world *w)
{
    for (uint32_t t = 0; t < w->premises.tanks; t++) {
        for (uint32_t i = 0; i < OUTPUTS; i++) {
            struct relay_output *o = output_of(w, t, i);
            if (o->stuck) o->stuck_till_ms = w->t_ms;
        }
        if (w->relay[t].there && !w->relay[t].online) w->relay[t].online_ms = w->t_ms + 500;
    }
}
