/* Outputs of boards that speak no contract (docs/plain-outputs.md): every order counts as all that
 * may come of it (I1), none before "off" was said on a new connection, "off" when the time is over,
 * nothing for a tank of which a board stays on (I11), and one daemon at a time (I9). What the
 * outputs really moved is judged with all other pumps. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/simulation/storm/observe_inside.h"

enum {
    OFF_LATE_MS = 3000,   /* "off" leaves so long after a run's time at most */
    OFF_FIRST_MS = 15000, /* ... and so long after a connection came */
    STAYS_MS = 16000,     /* told to be off and on for so long: it stays on */
    HEARD_MS = 8000,      /* whoever was heard so lately lives ... */
    LATE_MS = 7000,       /* ... and was heard for so long, that nothing is on its way any more */
    REPORTED_MS = 2500,   /* a report of off is believed after so long at most */
};

static const int64_t hour_ms = 3600000, day_ms = 24 * 3600000;

void observe_board_free(struct observer *o)
{
    for (int s = 0; s < OBSERVE_SIDES; s++) {
        for (int t = 0; t < OBSERVE_TANKS; t++) {
            for (int i = 0; i < OBSERVE_OUTPUTS; i++) {
                free(o->board[s][t][i].order);
            }
        }
    }
}

void observe_board_link(struct observer *o, uint32_t side)
{
    for (int t = 0; t < OBSERVE_TANKS; t++) {
        for (int i = 0; i < OBSERVE_OUTPUTS; i++) {
            struct output_watch_of_side *w = &o->board[side][t][i];
            w->told_off = w->on = w->looked = false;
            w->off_on_ms = 0;
        }
    }
}

static const struct rule_board *rule_of(const struct rules *rules, uint32_t tank, uint32_t output)
{
    const struct rule_tank *t = &rules->tank[tank];
    return output == OBSERVE_FLOW ? &t->flow : &t->pump[output].board;
}

/* --- what a run counts as ----------------------------------------------------------------------
 */

static struct order_sent *add_order(struct output_watch_of_side *w)
{
    if (w->count == w->room) {
        w->room = w->room ? 2 * w->room : 64;
        w->order = realloc(w->order, w->room * sizeof *w->order);
        if (!w->order) abort();
    }
    struct order_sent *s = &w->order[w->count++];
    memset(s, 0, sizeof *s);
    return s;
}

/* The least that this side must count in a span that ends now. */
static void judge_span(struct observer *o, struct output_watch_of_side *w,
    const struct known_command *c, int64_t span_ms, int64_t limit_ul)
{
    double sum_ul = 0.0;
    size_t n = 0;
    for (size_t i = w->count; i-- > w->oldest; n++) {
        const struct order_sent *s = &w->order[i];
        if (s->left_ms <= c->left_ms - span_ms) break;
        sum_ul += s->sure ? s->real_ul : s->full_ul;
    }
    if (sum_ul <= (double)limit_ul + 2.0 * (double)n) return;
    observe_say(o, "I1", c->left_ms,
        "with dose %s to a board %.0f uL may have been moved in %lld s; %lld are allowed", c->id,
        sum_ul, (long long)(span_ms / 1000), (long long)limit_ul);
}

static void count_order(struct observer *o, uint32_t side, const struct fact_order *order)
{
    struct output_watch_of_side *w = &o->board[side][order->tank][order->output];
    const struct rule_pump *p = &o->rules[side]->tank[order->tank].pump[order->output];
    const struct known_command *c = observe_command_of(o, order->id);
    struct order_sent *s = add_order(w);
    (void)snprintf(s->id, sizeof s->id, "%s", order->id);
    s->left_ms = c->left_ms;
    s->real_ul = -1.0;
    s->full_ul = (double)(p->board.switched ? p->board.longest_ms : order->run_ms) * p->ul_per_ms;
    s->run_ul = (double)order->run_ms * p->ul_per_ms;
    while (w->order[w->oldest].left_ms < c->left_ms - 2 * day_ms) {
        w->oldest++;
    }
    judge_span(o, w, c, hour_ms, c->hour_ul);
    judge_span(o, w, c, day_ms, c->day_ul);
}

void observe_board_ends(struct observer *o, int32_t pump, const char *id, double ul)
{
    for (int side = 0; side < OBSERVE_SIDES; side++) {
        struct output_watch_of_side *w =
            &o->board[side][pump / OBSERVE_SLOTS][pump % OBSERVE_SLOTS];
        for (size_t i = w->count; i-- > w->oldest;) {
            if (strcmp(w->order[i].id, id) != 0) continue;
            w->order[i].real_ul = ul < w->order[i].run_ul ? ul : w->order[i].run_ul;
            return;
        }
    }
}

/* --- orders ------------------------------------------------------------------------------------
 */

/* Nobody can tell a board whom to obey: whoever hears that another daemon serves the site keeps
 * away from it. */
static void need_one_daemon(
    struct observer *o, uint32_t side, const struct fact_order *order, int64_t at_ms)
{
    const struct side_watch *s = &o->side[side];
    if (s->peer_ms == 0 || at_ms - s->peer_ms >= HEARD_MS) return;
    if (at_ms - s->peer_back_ms < LATE_MS || at_ms - s->linked_ms < HEARD_MS) return;
    observe_say(o, "I9", at_ms, "order %s of daemon %u to a board; %s serves the site", order->id,
        side, s->peer);
}

static void need_obeying_boards(
    struct observer *o, uint32_t side, const struct fact_order *order, int64_t at_ms)
{
    for (uint32_t i = 0; i < OBSERVE_OUTPUTS; i++) {
        const struct output_watch_of_side *w = &o->board[side][order->tank][i];
        if (!w->on || w->looked || w->off_on_ms == 0 || at_ms - w->off_on_ms <= STAYS_MS) continue;
        observe_say(o, "I11", at_ms,
            "order %s leaves although output %u of tank %u stays on for %lld s", order->id, i,
            order->tank, (long long)((at_ms - w->off_on_ms) / 1000));
    }
}

void observe_order(struct observer *o, uint32_t side, const struct fact_order *order, int64_t at_ms)
{
    struct output_watch_of_side *w = &o->board[side][order->tank][order->output];
    const struct rule_board *rule = rule_of(o->site, order->tank, order->output);
    if (!order->on) {
        w->told_off = true;
        w->off_said_ms = at_ms;
        if (w->on && w->off_on_ms == 0) w->off_on_ms = at_ms;
        return;
    }
    if (!w->told_off)
        observe_say(o, "I11", at_ms,
            "order %s leaves although output %u of tank %u wasn't told to be off since the "
            "connection came",
            order->id, order->output, order->tank);
    if (order->run_ms > rule->longest_ms)
        observe_say(o, "I11", at_ms, "order %s asks for %lld ms; the board ends after %lld",
            order->id, (long long)order->run_ms, (long long)rule->longest_ms);
    need_one_daemon(o, side, order, at_ms);
    need_obeying_boards(o, side, order, at_ms);
    w->off_on_ms = 0;
    w->on_said_ms = at_ms;
    w->run_ms = order->run_ms;
    (void)snprintf(w->id, sizeof w->id, "%s", order->id);
    if (order->output != OBSERVE_FLOW) count_order(o, side, order);
}

/* Whoever hears that a circulation is off knows it soon. */
static void flow_is_off(struct observer *o, uint32_t tank, int64_t at_ms)
{
    struct line_watch *l = &o->line[tank];
    const int64_t blind_ms = at_ms + REPORTED_MS - l->flow_since_ms;
    if (l->dying && blind_ms < l->blind_ms) l->blind_ms = blind_ms;
}

void observe_word(struct observer *o, uint32_t side, const struct fact_order *word, int64_t at_ms)
{
    struct output_watch_of_side *w = &o->board[side][word->tank][word->output];
    if (w->on != word->on) w->looked = false;
    if (word->on) w->on_word_ms = at_ms;
    w->on = word->on;
    if (word->on) return;
    w->off_on_ms = 0;
    if (word->output == OBSERVE_FLOW) flow_is_off(o, word->tank, at_ms);
    for (size_t i = w->count; i-- > w->oldest;) {
        if (w->order[i].sure) break;
        w->order[i].sure = w->order[i].real_ul >= 0.0;
    }
}

void observe_looked(struct observer *o, uint32_t tank)
{
    for (int s = 0; s < OBSERVE_SIDES; s++) {
        for (int i = 0; i < OBSERVE_OUTPUTS; i++) {
            o->board[s][tank][i].off_on_ms = 0;
            o->board[s][tank][i].looked = true;
        }
    }
}

int64_t observe_board_believed_ms(const struct observer *o, uint32_t tank, int64_t at_ms)
{
    const int64_t longest_ms = o->site->tank[tank].flow.longest_ms;
    if (!o->site->tank[tank].flow.reports) return INT64_MAX / 4; /* a flow probe tells */
    int64_t till_ms = at_ms;
    for (int s = 0; s < OBSERVE_SIDES; s++) {
        const struct output_watch_of_side *w = &o->board[s][tank][OBSERVE_FLOW];
        if (w->on_word_ms + 2 * longest_ms > till_ms) till_ms = w->on_word_ms + 2 * longest_ms;
    }
    return till_ms - at_ms;
}

/* --- off ---------------------------------------------------------------------------------------
 */

void observe_own_end(struct observer *o, uint32_t side, const struct fact_order *output,
    int64_t since_ms, int64_t at_ms)
{
    const struct output_watch_of_side *w = &o->board[side][output->tank][output->output];
    if (strcmp(w->id, output->id) != 0 || w->off_said_ms >= w->on_said_ms) return;
    if (o->side[side].linked_ms > w->on_said_ms || since_ms > w->on_said_ms) return;
    if (o->born_ms[side] > w->on_said_ms) return;
    const int64_t late_ms = at_ms - w->on_said_ms - w->run_ms;
    if (late_ms <= OFF_LATE_MS) return;
    observe_say(o, "I11", at_ms, "order %s was over %lld s ago, and nobody has said off",
        output->id, (long long)(late_ms / 1000));
}

void observe_serves(struct observer *o, uint32_t side, int64_t since_ms, int64_t at_ms)
{
    if (at_ms - o->side[side].linked_ms <= OFF_FIRST_MS || at_ms - since_ms <= OFF_FIRST_MS) return;
    for (uint32_t t = 0; t < OBSERVE_TANKS; t++) {
        for (uint32_t i = 0; i < OBSERVE_OUTPUTS && o->rules[side]->tank[t].there; i++) {
            if (!rule_of(o->rules[side], t, i)->there || o->board[side][t][i].told_off) continue;
            observe_say(o, "I11", at_ms,
                "output %u of tank %u wasn't told to be off since the connection came", i, t);
        }
    }
}
