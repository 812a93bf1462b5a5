/* Random commands, copies of them, claims, halts, restarts, switches and re-plugging, against an
 * observer who only looks at which outputs are on. All times are multiples of 10 ms, and he looks
 * every 10 ms, so that he sees everything. */
#include "lib/base/prng.h"
#include "tests/unit/plant/heads.h"

enum { IDS_MAX = 2500, STEPS = 2000, TICK_MS = 10 };

/* Check marks every assertion that it passes; here millions pass. */
#define MUST(x, ...)                                                                               \
    do {                                                                                           \
        if (!(x)) ck_abort_msg(__VA_ARGS__);                                                       \
    } while (0)

struct known { /* one command that was sent, and what the observer saw of it */
    struct chain_command command;
    bool ran, over;
    int64_t ran_ms;
};

struct observer {
    struct head head;
    struct prng prng;
    struct known known[IDS_MAX];
    int known_count;
    struct known *on[HEAD_OUTPUTS_MAX]; /* seen running at the last look */
    int on_count;
    int boots;
    int64_t by_command_ms; /* all outputs together */
    int started, refused, stopped, halts;
};

static int64_t below(struct observer *o, int64_t bound)
{
    return prng_below(&o->prng, bound);
}

static bool once_in(struct observer *o, int64_t times)
{
    return below(o, times) == 0;
}

/* Ids are id-0, id-1, ... */
static struct known *known_by_id(struct observer *o, const char *id)
{
    int i = -1;
    const bool number = sscanf(id, "id-%d", &i) == 1 && i >= 0 && i < o->known_count;
    MUST(number && text_same(o->known[i].command.id, id), "an id that nobody sent: %s", id);
    return &o->known[i];
}

/* --- what he sees ----------------------------------------------------------------------------- */

/* A run that wasn't there a moment ago: was it allowed to begin now? */
static void look_at_start(struct observer *o, struct known *k, uint32_t module, uint32_t channel)
{
    const struct head *h = &o->head;
    const struct chain_command *c = &k->command;
    k->ran = true;
    o->started++;
    ck_assert(text_same(c->by, h->claim.by) && c->reign == h->claim.reign);
    ck_assert(text_same(c->boot, h->boot) && c->epoch == h->epoch);
    ck_assert(c->until_ms >= h->up_ms && c->until_ms <= h->up_ms + CHAIN_UNTIL_MOST_MS);
    ck_assert_uint_eq(c->position, h->module[module].info.position);
    ck_assert_str_eq(c->serial, h->module[module].info.serial);
    ck_assert(!h->module[module].fault);
    switch (c->action) {
    case CHAIN_DOSE:
        ck_assert_uint_eq(c->channel, channel);
        ck_assert_int_le(c->run_ms, MAX_RUN_MS);
        break;
    case CHAIN_CIRCULATE:
        ck_assert_uint_eq(channel, 0);
        ck_assert_int_le(c->run_ms, MAX_CIRCULATE_MS);
        break;
    case CHAIN_IDENTIFY:
        ck_assert_uint_eq(c->channel, channel);
        break;
    case CHAIN_STOP:
    case CHAIN_HALT:
    case CHAIN_RESUME:
        ck_abort_msg("a pump runs for %s", chain_action_word(c->action));
    }
}

static int64_t allowed_ms(const struct chain_command *c)
{
    if (c->action != CHAIN_IDENTIFY) return c->run_ms;
    return c->run_ms > 0 && c->run_ms < HEAD_IDENTIFY_MS ? c->run_ms : (int64_t)HEAD_IDENTIFY_MS;
}

static bool needed_runs(const struct head *h, const struct chain_command *c)
{
    for (uint32_t m = 0; m < h->count; m++) {
        const struct chain_module *info = &h->module[m].info;
        if (info->position == c->needs.position && text_same(info->serial, c->needs.serial))
            return head_runs(h, m, 0);
    }
    return false;
}

static bool is_among(struct known *const list[], int count, const struct known *k)
{
    for (int i = 0; i < count; i++) {
        if (list[i] == k) return true;
    }
    return false;
}

/* Looks at every output. 'ms' have passed since he looked last. */
static void look(struct observer *o, int64_t ms)
{
    struct head *h = &o->head;
    struct known *on[HEAD_OUTPUTS_MAX];
    int count = 0;
    MUST(!(h->halted || h->switch_halted) || outputs_on(h) == 0,
        "something runs, halted"); /* INV-8 */
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t channel = 0; channel <= CHAIN_CHANNELS_MAX; channel++) {
            const struct head_run *run = &h->module[m].output[channel];
            if (!head_runs(h, m, channel) || run->by_hand) continue;
            struct known *k = known_by_id(o, run->id);
            MUST(!k->over, "%s ran twice", run->id); /* INV-2 */
            MUST(!is_among(on, count, k), "%s runs in two places", run->id);
            on[count++] = k;
            if (!k->ran) look_at_start(o, k, m, channel);
            MUST(k->ran_ms + ms < allowed_ms(&k->command), "%s runs too long", run->id);
            if (k->command.action == CHAIN_DOSE && k->command.needs.position > 0)
                MUST(needed_runs(h, &k->command), "%s runs dry", run->id);
        }
    }
    for (int i = 0; i < o->on_count; i++) { /* ran until now, whether they still do or not */
        o->on[i]->ran_ms += ms;
        o->by_command_ms += ms;
        o->on[i]->over = !is_among(on, count, o->on[i]);
    }
    memcpy(o->on, on, sizeof on);
    o->on_count = count;
}

/* Its last moment to start has passed, or that boot is over, and 24 newer ones were accepted. */
static bool may_be_forgotten(const struct observer *o, const struct known *k)
{
    const struct head *h = &o->head;
    for (uint32_t i = 0; i < h->ledger.count; i++) {
        if (text_same(h->ledger.entry[i].id, k->command.id)) return false;
    }
    return k->over && (k->command.until_ms < h->up_ms || !text_same(k->command.boot, h->boot));
}

/* What the head says must be what he saw. */
static void listen(struct observer *o)
{
    struct chain_report r;
    while (head_take_report(&o->head, &r)) {
        struct known *k = known_by_id(o, r.id);
        ck_assert_int_le(r.ran_ms, k->ran_ms);
        switch (r.state) {
        case CHAIN_ACCEPTED:
            ck_abort_msg("this head starts at once");
            break;
        case CHAIN_RUNNING:
            ck_assert(k->ran);
            break;
        case CHAIN_REFUSED:
            ck_assert_int_ne(r.reason, CHAIN_NO_REASON);
            /* Nothing ran: only then may its sender count it as nothing. A malformed message hides
             * what it was, and a copy that comes long after may find its id forgotten. */
            MUST(!k->ran || r.reason == CHAIN_MALFORMED || may_be_forgotten(o, k),
                "%s ran and was refused as %s", r.id, chain_reason_word(r.reason));
            o->refused++;
            break;
        case CHAIN_STOPPED:
            o->stopped++;
            ck_assert_int_eq(r.ran_ms, k->ran_ms);
            ck_assert(k->ran && k->over);
            break;
        case CHAIN_DONE:
            if (!k->ran) { /* stop, halt, resume */
                ck_assert_int_eq(r.ran_ms, 0);
                break;
            }
            ck_assert(k->over);
            ck_assert_int_eq(r.ran_ms, k->ran_ms);
            /* a circulation that was replaced is done sooner */
            if (k->command.action == CHAIN_DOSE) ck_assert_int_eq(k->ran_ms, k->command.run_ms);
            break;
        }
    }
}

static void read_ledger(struct observer *o)
{
    for (uint32_t i = 0; i < o->head.ledger.count; i++) {
        const struct chain_report *e = &o->head.ledger.entry[i];
        const struct known *k = known_by_id(o, e->id);
        ck_assert_int_eq(e->state == CHAIN_RUNNING, k->ran && !k->over);
        if (e->state != CHAIN_RUNNING) ck_assert_int_eq(e->ran_ms, k->ran_ms);
    }
}

/* --- what happens ----------------------------------------------------------------------------- */

static void spoil(struct observer *o, struct chain_command *c)
{
    switch (below(o, 9)) {
    case 0:
        c->reign += below(o, 3) - 1;
        break;
    case 1:
        put(c->boot, "boot-0");
        break;
    case 2:
        c->epoch += below(o, 3) - 1;
        break;
    case 3:
        c->until_ms += TICK_MS * (below(o, 16000) - 8000);
        break;
    case 4:
        c->position = (uint32_t)below(o, 6);
        break;
    case 5:
        put(c->serial, "c91d");
        break;
    case 6:
        c->channel = (uint32_t)below(o, 20);
        break;
    case 7:
        c->run_ms *= 100;
        break;
    case 8:
        c->needs.position = (uint32_t)below(o, 4);
        break;
    }
}

static struct chain_command invent(struct observer *o)
{
    static const enum chain_action actions[] = { CHAIN_DOSE, CHAIN_DOSE, CHAIN_DOSE, CHAIN_DOSE,
        CHAIN_CIRCULATE, CHAIN_CIRCULATE, CHAIN_IDENTIFY, CHAIN_STOP, CHAIN_HALT, CHAIN_RESUME,
        CHAIN_RESUME };
    struct head *h = &o->head;
    char id[16];
    snprintf(id, sizeof id, "id-%d", o->known_count);
    const uint32_t m = (uint32_t)below(o, h->count ? h->count : 1);
    struct chain_command c =
        dose(h, id, m, (uint32_t)(1 + below(o, 4)), TICK_MS * (1 + below(o, 900)));
    c.action = actions[below(o, 11)];
    if (c.action == CHAIN_HALT && !once_in(o, 4)) c.action = CHAIN_DOSE;
    if (c.action == CHAIN_CIRCULATE) c.run_ms *= 5;
    if (c.action == CHAIN_STOP && once_in(o, 3)) c.serial[0] = '\0';
    if (c.action == CHAIN_STOP && once_in(o, 2)) c.channel = 0;
    if (c.action == CHAIN_DOSE && !once_in(o, 3) && h->count > 0) {
        const struct head_module *flow = &h->module[below(o, h->count)];
        c = needing(c, flow);
    }
    c.until_ms = h->up_ms + TICK_MS * below(o, 3000);
    while (once_in(o, 5)) {
        spoil(o, &c);
    }
    return c;
}

static void command(struct observer *o)
{
    struct known *k;
    if (o->known_count > 0 && (once_in(o, 3) || o->known_count == IDS_MAX)) {
        const int64_t back = below(o, once_in(o, 4) ? o->known_count : 5);
        k = &o->known[back < o->known_count ? o->known_count - 1 - back : 0]; /* a copy */
    } else {
        k = &o->known[o->known_count];
        *k = (struct known){ .command = invent(o) };
        o->known_count++;
    }
    head_command(&o->head, &k->command, once_in(o, 40));
}

static void replug(struct observer *o)
{
    struct chain_roll roll;
    head_roll(&o->head, &roll);
    const struct head_config whole = chain_of_three();
    switch (below(o, 4)) {
    case 0: /* in order again */
        head_set_modules(&o->head, whole.module, whole.count);
        break;
    case 1: /* two are exchanged */
        memcpy(roll.module, whole.module, sizeof whole.module);
        put(roll.module[0].serial, whole.module[2].serial);
        put(roll.module[2].serial, whole.module[0].serial);
        head_set_modules(&o->head, roll.module, whole.count);
        break;
    case 2: /* the last is gone */
        head_set_modules(&o->head, roll.module, roll.count > 1 ? roll.count - 1 : roll.count);
        break;
    case 3: /* listed the other way round */
        for (uint32_t i = 0; i < roll.count / 2; i++) {
            const struct chain_module other = roll.module[i];
            roll.module[i] = roll.module[roll.count - 1 - i];
            roll.module[roll.count - 1 - i] = other;
        }
        head_set_modules(&o->head, roll.module, roll.count);
        break;
    }
}

static void reboot(struct observer *o)
{
    char boot[CHAIN_WORD_MAX];
    snprintf(boot, sizeof boot, "boot-%d", ++o->boots + 1);
    head_reboot(&o->head, boot);
    ck_assert_int_eq(outputs_on(&o->head), 0);
}

static void happen(struct observer *o)
{
    struct head *h = &o->head;
    const int64_t what = below(o, 200);
    if (what < 150) {
        command(o);
    } else if (what < 165) {
        head_hand(h, (uint32_t)below(o, 4), (uint32_t)below(o, 5), once_in(o, 2));
    } else if (what < 170) {
        const bool pressed = once_in(o, 2);
        o->halts += pressed;
        head_stop_switch(h, pressed);
    } else if (what < 175) {
        const struct chain_claim claim = { .by = "other", .reign = h->highest_reign + below(o, 4) };
        const bool taken = claim.reign > h->highest_reign;
        head_claim(h, &claim);
        for (uint32_t m = 0; taken && m < h->count; m++) {
            for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
                ck_assert(!head_runs(h, m, c) || h->module[m].output[c].by_hand);
            }
        }
    } else if (what < 178) {
        replug(o);
    } else if (what < 180) {
        reboot(o);
    } else if (what < 184 && h->count > 0) {
        h->module[below(o, h->count)].fault = once_in(o, 2);
    }
}

/* The head's own counters, which belong to places; what leaves the chain starts anew. */
static int64_t counted_ms(const struct head *h)
{
    int64_t sum_ms = 0;
    for (uint32_t m = 0; m < h->count; m++) {
        for (uint32_t c = 0; c <= CHAIN_CHANNELS_MAX; c++) {
            sum_ms += h->module[m].output[c].total_ms;
        }
    }
    return sum_ms;
}

START_TEST(nothing_runs_twice_or_too_long_or_halted_or_dry) /* _i is the seed */
{
    static struct observer o;
    memset(&o, 0, sizeof o);
    o.head = claimed_head();
    o.prng = prng_seed((uint64_t)_i);
    for (int step = 0; step < STEPS; step++) {
        const int64_t counted = counted_ms(&o.head), seen = o.by_command_ms;
        happen(&o);
        look(&o, 0);
        listen(&o);
        const bool leap = once_in(&o, 30); /* the head may sleep, and must wake in order */
        const int64_t ticks = below(&o, 60);
        const int64_t start_ms = counted_ms(&o.head);
        if (leap && outputs_on(&o.head) == 0) head_advance(&o.head, o.head.up_ms + 100000);
        for (int64_t t = 0; t < ticks; t++) {
            head_advance(&o.head, o.head.up_ms + TICK_MS);
            look(&o, TICK_MS);
            listen(&o);
        }
        read_ledger(&o);
        ck_assert_int_eq(counted_ms(&o.head) - start_ms, o.by_command_ms - seen);
        ck_assert_int_le(start_ms, counted);
    }
    ck_assert_int_gt(o.started, 50); /* else this shows nothing */
    ck_assert_int_gt(o.refused, 200);
    ck_assert_int_gt(o.stopped, 10);
    ck_assert_int_gt(o.halts, 3);
}
END_TEST

/* The same world, once in small steps and once in leaps from one message to the next. */
START_TEST(a_head_that_sleeps_between_messages_does_the_same) /* _i is the seed */
{
    struct prng prng = prng_seed((uint64_t)_i);
    static struct head fine, coarse;
    fine = coarse = claimed_head();
    for (int n = 0; n < 400; n++) {
        struct chain_command c = dose(&fine, "", (uint32_t)prng_below(&prng, 3),
            (uint32_t)(1 + prng_below(&prng, 4)), 1 + prng_below(&prng, 9000));
        snprintf(c.id, sizeof c.id, "n-%d", n);
        if (prng_below(&prng, 3) == 0) c.action = CHAIN_CIRCULATE;
        if (prng_below(&prng, 2) == 0) c = needing(c, &fine.module[prng_below(&prng, 3)]);
        give(&fine, c);
        give(&coarse, c);
        const int64_t till_ms = fine.up_ms + prng_below(&prng, 4000);
        while (fine.up_ms < till_ms) {
            head_advance(&fine, fine.up_ms + 1);
        }
        head_advance(&coarse, till_ms);
        struct chain_report a, b;
        while (head_take_report(&fine, &a)) {
            ck_assert(head_take_report(&coarse, &b));
            ck_assert_str_eq(a.id, b.id);
            ck_assert(a.state == b.state && a.ran_ms == b.ran_ms && a.up_ms == b.up_ms);
        }
        ck_assert(!head_take_report(&coarse, &b));
        ck_assert_int_eq(counted_ms(&fine), counted_ms(&coarse));
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("head_property");
    tcase_set_timeout(tc, 60);
    tcase_add_loop_test(tc, nothing_runs_twice_or_too_long_or_halted_or_dry, 0, 16);
    tcase_add_loop_test(tc, a_head_that_sleeps_between_messages_does_the_same, 0, 4);
    return run_case(tc, "head_property");
}
