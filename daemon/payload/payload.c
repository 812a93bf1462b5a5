/* From JSON to the structs of the chain contract. One rule for all: a member that a message needs
 * must be there; one that it may have must be right when it is there; others are not looked at.
 * Only 'stop' and 'halt' forgive: whatever else is wrong with them, they stop. */
#include "daemon/payload/payload.h"

#include <string.h>

#include "daemon/payload/json_guard.h"
#include "lib/base/decimal.h"

_Static_assert((int)PAYLOAD_MAX == (int)JSON_LENGTH_MAX, "the guard reads what a payload may hold");
_Static_assert((int)PAYLOAD_DEPTH_MAX == (int)JSON_DEPTH_MAX, "and as deep");

enum { REAL_MOST = 1000, BEAT_LEAST_MS = 100, BEAT_MOST_MS = 60000, DOSE_MOST_ML = 1000000 };

/* An object that is being read, and the first thing that is wrong with it. */
struct reader {
    struct json_view object;
    struct problem *problem;
    enum err err;
};

enum presence { NEEDED, MAY_LACK };

static void object_wrong(struct reader *r, enum err err, const char *name, const char *text)
{
    if (r->err != ERR_NONE) return;
    char line[PROBLEM_TEXT_MAX];
    struct text t = text_over(line, sizeof line);
    text_add(&t, "member ");
    text_add(&t, name);
    text_add(&t, ": ");
    text_add(&t, text);
    r->err = problem_set(r->problem, err, "payload", line);
}

static struct reader inside(const struct reader *outer, struct json_view object)
{
    struct reader r = { .object = object, .problem = outer->problem };
    if (json_kind(object) != JSON_OBJECT)
        r.err = problem_set(r.problem, ERR_SYNTAX, "payload", "not a JSON object");
    return r;
}

static struct reader open_payload(struct payload p, struct problem *problem)
{
    struct reader r = { .problem = problem };
    r.err = json_guard(&r.object, p.bytes, p.length, problem);
    return r.err == ERR_NONE ? inside(&r, r.object) : r;
}

/* Nothing is left in 'ret' of a message that is refused. */
static enum err closed(const struct reader *r, void *ret, size_t size)
{
    if (r->err != ERR_NONE) memset(ret, 0, size);
    return r->err;
}

static bool member(
    struct reader *r, const char *name, enum presence presence, struct json_view *ret)
{
    if (r->err != ERR_NONE) return false;
    if (json_member(r->object, name, ret)) return true;
    if (presence == NEEDED) object_wrong(r, ERR_MISSING, name, "it is missing");
    return false;
}

/* --- kinds of members ------------------------------------------------------------------------- */

/* A word of at most 32 characters; 'valid' says which. */
static void read_word(struct reader *r, const char *name, char to[CHAIN_WORD_MAX],
    enum presence presence, bool (*valid)(const char *))
{
    struct json_view v;
    to[0] = '\0';
    if (!member(r, name, presence, &v)) return;
    if (!json_string(v, to, CHAIN_WORD_MAX) || !valid(to))
        object_wrong(r, ERR_SYNTAX, name, "not a string of the characters and length allowed here");
}

static bool key_or_empty(const char *s)
{
    return s[0] == '\0' || chain_key_valid(s);
}

static bool id_or_empty(const char *s)
{
    return s[0] == '\0' || chain_id_valid(s);
}

/* Printable ASCII. */
static bool line_valid(const char *s)
{
    for (; *s; s++) {
        if ((unsigned char)*s < 0x20 || (unsigned char)*s > 0x7E) return false;
    }
    return true;
}

static bool word_valid(const char *s)
{
    return s[0] != '\0' && line_valid(s);
}

static void read_count(struct reader *r, const char *name, int64_t least, int64_t *ret)
{
    struct json_view v;
    if (!member(r, name, NEEDED, &v)) return;
    if (!json_count(v, ret) || *ret < least)
        object_wrong(r, ERR_RANGE, name,
            least > 0 ? "not an integer from 1 to 2^53-1, written without fraction or exponent"
                      : "not an integer from 0 to 2^53-1, written without fraction or exponent");
}

/* A place in the chain. What is too large for the struct is too large for any chain. */
static void read_place(struct reader *r, const char *name, enum presence presence, uint32_t *ret)
{
    struct json_view v;
    int64_t count = 0;
    if (!member(r, name, presence, &v)) return;
    if (!json_count(v, &count)) object_wrong(r, ERR_RANGE, name, "not an integer from 0 to 2^53-1");
    *ret = count > UINT32_MAX ? UINT32_MAX : (uint32_t)count;
}

static void read_place_within(struct reader *r, const char *name, uint32_t least, uint32_t *ret)
{
    enum { MOST = 16 };
    _Static_assert((int)MOST == (int)CHAIN_MODULES_MAX && (int)MOST == (int)CHAIN_CHANNELS_MAX,
        "one bound for positions and channels");
    read_place(r, name, NEEDED, ret);
    if (r->err == ERR_NONE && (*ret < least || *ret > MOST))
        object_wrong(r, ERR_RANGE, name, least > 0 ? "not from 1 to 16" : "not from 0 to 16");
}

static void read_truth(struct reader *r, const char *name, enum presence presence, bool *ret)
{
    struct json_view v;
    if (!member(r, name, presence, &v)) return;
    const enum json_kind kind = json_kind(v);
    if (kind != JSON_TRUE && kind != JSON_FALSE)
        object_wrong(r, ERR_SYNTAX, name, "neither true nor false");
    *ret = kind == JSON_TRUE;
}

/* The number's own text, never rounded by a parser; thousandths. */
static bool number_milli(struct json_view v, int64_t *ret)
{
    double value;
    if (json_kind(v) != JSON_NUMBER || !decimal_read_json(&value, v.at, v.length)) return false;
    *ret = nearest(value * 1000.0);
    return true;
}

/* Volts and amperes, kept to a thousandth. */
static void read_real(struct reader *r, const char *name, bool *ret_has, double *ret)
{
    struct json_view v;
    int64_t milli;
    if (!member(r, name, MAY_LACK, &v)) return;
    if (!number_milli(v, &milli) || milli > REAL_MOST * 1000 || milli < -REAL_MOST * 1000) {
        object_wrong(r, ERR_RANGE, name, "not a number from -1000 to 1000");
        return;
    }
    *ret_has = true;
    *ret = (double)milli / 1000.0;
}

/* The first 'count' members of an array; 0 when it is none or has more than 'most'. */
static struct json_walk read_array(
    struct reader *r, const char *name, uint32_t most, uint32_t *ret_count)
{
    struct json_walk none = { .at = "", .end = "" };
    struct json_view v, element, unused;
    *ret_count = 0;
    if (!member(r, name, NEEDED, &v)) return none;
    if (json_kind(v) != JSON_ARRAY) {
        object_wrong(r, ERR_SYNTAX, name, "not an array");
        return none;
    }
    struct json_walk w = json_walk(v);
    for (*ret_count = 0; json_next(&w, &unused, &element); ++*ret_count) {
        if (*ret_count < most) continue;
        object_wrong(r, ERR_FULL, name, "more entries than the contract allows");
        *ret_count = 0;
        return none;
    }
    return json_walk(v);
}

/* The next element of an array, as an object to read. */
static struct reader next_element(const struct reader *outer, struct json_walk *w)
{
    struct json_view unused, element = { .at = "null", .length = 4 };
    (void)json_next(w, &unused, &element);
    return inside(outer, element);
}

/* --- the messages of a head ------------------------------------------------------------------- */

static void read_profile(struct reader *r)
{
    int64_t profile = 0;
    read_count(r, "profile", 1, &profile);
    if (r->err == ERR_NONE && profile != 1)
        object_wrong(r, ERR_UNKNOWN, "profile", "another contract; this program speaks profile 1");
}

/* "2", "0.5": seconds, at most three places. */
static void read_beat_span(struct reader *r, int64_t *ret)
{
    struct json_view v;
    struct decimal d;
    if (!member(r, "beat_s", NEEDED, &v)) return;
    if (json_kind(v) == JSON_NUMBER && decimal_read_plain(&d, v.at, v.length) &&
        decimal_scaled(ret, d, 3) && *ret >= BEAT_LEAST_MS && *ret <= BEAT_MOST_MS)
        return;
    object_wrong(r, ERR_RANGE, "beat_s", "not seconds from 0.1 to 60 with at most three decimals");
}

static void read_module(struct reader *r, struct chain_module *m)
{
    read_place_within(r, "position", 1, &m->position);
    read_word(r, "serial", m->serial, NEEDED, chain_key_valid);
    read_place_within(r, "channels", 1, &m->channels);
    read_truth(r, "circulation", NEEDED, &m->circulation);
    read_word(r, "firmware", m->firmware, MAY_LACK, line_valid);
    read_real(r, "volts", &m->has_volts, &m->volts);
}

static bool position_taken(const struct chain_roll *roll, uint32_t count, uint32_t position)
{
    for (uint32_t i = 0; i < count; i++) {
        if (roll->module[i].position == position) return true;
    }
    return false;
}

enum err payload_read_roll(struct chain_roll *ret, struct payload p, struct problem *problem)
{
    memset(ret, 0, sizeof *ret);
    struct reader r = open_payload(p, problem);
    read_profile(&r);
    read_word(&r, "boot", ret->boot, NEEDED, chain_id_valid);
    read_count(&r, "epoch", 0, &ret->epoch);
    read_beat_span(&r, &ret->beat_ms);
    read_count(&r, "max_run_ms", 1, &ret->max_run_ms);
    read_count(&r, "max_circulate_ms", 1, &ret->max_circulate_ms);
    struct json_walk w = read_array(&r, "modules", CHAIN_MODULES_MAX, &ret->count);
    for (uint32_t i = 0; i < ret->count && r.err == ERR_NONE; i++) {
        struct reader m = next_element(&r, &w);
        read_module(&m, &ret->module[i]);
        if (m.err == ERR_NONE && position_taken(ret, i, ret->module[i].position))
            object_wrong(&m, ERR_DUPLICATE, "position", "two modules say that they are there");
        r.err = m.err;
    }
    return closed(&r, ret, sizeof *ret);
}

enum err payload_read_beat(struct chain_beat *ret, struct payload p, struct problem *problem)
{
    memset(ret, 0, sizeof *ret);
    struct reader r = open_payload(p, problem);
    read_word(&r, "boot", ret->boot, NEEDED, chain_id_valid);
    read_count(&r, "up_ms", 0, &ret->up_ms);
    read_truth(&r, "halted", NEEDED, &ret->halted);
    read_count(&r, "dropped", 0, &ret->dropped);
    read_real(&r, "amps", &ret->has_amps, &ret->amps);
    read_real(&r, "volts", &ret->has_volts, &ret->volts);
    return closed(&r, ret, sizeof *ret);
}

enum err payload_read_claim(struct chain_claim *ret, struct payload p, struct problem *problem)
{
    memset(ret, 0, sizeof *ret);
    struct reader r = open_payload(p, problem);
    read_word(&r, "by", ret->by, NEEDED, id_or_empty);
    read_count(&r, "reign", 0, &ret->reign);
    read_word(&r, "site", ret->site, NEEDED, key_or_empty);
    return closed(&r, ret, sizeof *ret);
}

/* What a report and a line of the ledger have in common. */
static void read_outcome(struct reader *r, struct chain_report *ret)
{
    char word[CHAIN_WORD_MAX];
    read_word(r, "id", ret->id, NEEDED, chain_id_valid);
    read_word(r, "boot", ret->boot, NEEDED, chain_id_valid);
    read_word(r, "state", word, NEEDED, word_valid);
    if (r->err == ERR_NONE && !chain_state_read(&ret->state, word))
        object_wrong(r, ERR_UNKNOWN, "state", "not a state of the contract");
    read_count(r, "ran_ms", 0, &ret->ran_ms);
    read_truth(r, "unsure", MAY_LACK, &ret->unsure);
}

enum err payload_read_report(struct chain_report *ret, struct payload p, struct problem *problem)
{
    char word[CHAIN_WORD_MAX];
    memset(ret, 0, sizeof *ret);
    struct reader r = open_payload(p, problem);
    read_outcome(&r, ret);
    read_word(&r, "reason", word, ret->state == CHAIN_REFUSED ? NEEDED : MAY_LACK, word_valid);
    if (r.err == ERR_NONE && word[0] != '\0' && !chain_reason_read(&ret->reason, word))
        object_wrong(&r, ERR_UNKNOWN, "reason", "not a reason of the contract");
    read_count(&r, "up_ms", 0, &ret->up_ms);
    return closed(&r, ret, sizeof *ret);
}

enum err payload_read_ledger(struct chain_ledger *ret, struct payload p, struct problem *problem)
{
    memset(ret, 0, sizeof *ret);
    struct reader r = open_payload(p, problem);
    read_word(&r, "boot", ret->boot, NEEDED, chain_id_valid);
    struct json_walk w = read_array(&r, "entries", CHAIN_LEDGER_MAX, &ret->count);
    for (uint32_t i = 0; i < ret->count && r.err == ERR_NONE; i++) {
        struct reader e = next_element(&r, &w);
        read_outcome(&e, &ret->entry[i]);
        if (e.err == ERR_NONE && ret->entry[i].state == CHAIN_REFUSED)
            object_wrong(&e, ERR_UNKNOWN, "state", "a refused command isn't in a ledger");
        r.err = e.err;
    }
    return closed(&r, ret, sizeof *ret);
}

static bool output_totalled(const struct chain_manual *m, uint32_t count)
{
    for (uint32_t i = 0; i < count; i++) {
        if (m->total[i].channel == m->total[count].channel &&
            text_same(m->total[i].serial, m->total[count].serial))
            return true;
    }
    return false;
}

enum err payload_read_manual(struct chain_manual *ret, struct payload p, struct problem *problem)
{
    memset(ret, 0, sizeof *ret);
    struct reader r = open_payload(p, problem);
    read_word(&r, "boot", ret->boot, NEEDED, chain_id_valid);
    read_count(&r, "n", 0, &ret->n);
    read_truth(&r, "running", NEEDED, &ret->running);
    read_word(&r, "serial", ret->serial, NEEDED, ret->running ? chain_key_valid : key_or_empty);
    read_place_within(&r, "channel", 0, &ret->channel);
    read_count(&r, "ran_ms", 0, &ret->ran_ms);
    struct json_walk w = read_array(&r, "totals", CHAIN_TOTALS_MAX, &ret->count);
    for (uint32_t i = 0; i < ret->count && r.err == ERR_NONE; i++) {
        struct reader t = next_element(&r, &w);
        read_word(&t, "serial", ret->total[i].serial, NEEDED, chain_key_valid);
        read_place_within(&t, "channel", 0, &ret->total[i].channel);
        read_count(&t, "ms", 0, &ret->total[i].ms);
        if (t.err == ERR_NONE && output_totalled(ret, i))
            object_wrong(&t, ERR_DUPLICATE, "channel", "this output has a total already");
        r.err = t.err;
    }
    return closed(&r, ret, sizeof *ret);
}

/* --- commands --------------------------------------------------------------------------------- */

static void read_needs(struct reader *r, struct chain_command *c)
{
    struct json_view v;
    if (!member(r, "needs", MAY_LACK, &v)) return;
    struct reader n = inside(r, v);
    read_place_within(&n, "position", 1, &c->needs.position);
    read_word(&n, "serial", c->needs.serial, NEEDED, chain_key_valid);
    r->err = n.err;
}

/* For people who read along, and still a number when it is there. */
static void read_ml(struct reader *r, struct chain_command *c)
{
    struct json_view v;
    if (!member(r, "ml", MAY_LACK, &v)) return;
    if (!number_milli(v, &c->ul) || c->ul < 0 || c->ul > INT64_C(1000) * DOSE_MOST_ML)
        object_wrong(r, ERR_RANGE, "ml", "not a number from 0 to 1000000");
}

static void read_channel(struct reader *r, struct chain_command *c, enum presence presence)
{
    read_place(r, "channel", presence, &c->channel);
    if (presence == NEEDED && r->err == ERR_NONE && c->channel == 0)
        object_wrong(r, ERR_RANGE, "channel", "pump channels count from 1");
}

static void read_identify_run(struct reader *r, struct chain_command *c)
{
    struct json_view v;
    if (member(r, "run_ms", MAY_LACK, &v)) read_count(r, "run_ms", 0, &c->run_ms);
}

/* What only some actions have; never called for stop and halt. */
static void read_run(struct reader *r, struct chain_command *c)
{
    if (c->action == CHAIN_RESUME) return;
    read_place(r, "position", NEEDED, &c->position);
    if (r->err == ERR_NONE && c->position == 0)
        object_wrong(r, ERR_RANGE, "position", "positions count from 1");
    read_word(r, "serial", c->serial, NEEDED, chain_key_valid);
    if (c->action == CHAIN_IDENTIFY) {
        read_channel(r, c, MAY_LACK);
        read_identify_run(r, c);
        return;
    }
    read_count(r, "run_ms", 1, &c->run_ms);
    if (c->action != CHAIN_DOSE) return;
    read_channel(r, c, NEEDED);
    read_ml(r, c);
    read_needs(r, c);
}

static void read_sender(struct reader *r, struct chain_command *c)
{
    read_word(r, "by", c->by, NEEDED, chain_id_valid);
    read_count(r, "reign", 0, &c->reign);
    read_word(r, "boot", c->boot, NEEDED, chain_id_valid);
    read_count(r, "epoch", 0, &c->epoch);
    read_count(r, "until_ms", 0, &c->until_ms);
}

/* A stop with a member that can't be read stops as one without it: too much rather than nothing. */
static void read_stop(const struct reader *r, struct chain_command *c)
{
    struct json_view v;
    int64_t count;
    if (!json_member(r->object, "serial", &v)) return;
    if (!json_string(v, c->serial, sizeof c->serial) || !chain_key_valid(c->serial)) {
        memset(c->serial, 0, sizeof c->serial);
        return;
    }
    if (json_member(r->object, "channel", &v) && json_count(v, &count))
        c->channel = count > UINT32_MAX ? UINT32_MAX : (uint32_t)count;
}

/* Who stopped, for whoever reads along; it decides nothing. */
static void read_stopper(const struct reader *r, struct chain_command *c)
{
    const struct reader fresh = { .object = r->object };
    struct reader each[5] = { fresh, fresh, fresh, fresh, fresh };
    read_word(&each[0], "by", c->by, MAY_LACK, chain_id_valid);
    read_count(&each[1], "reign", 0, &c->reign);
    read_word(&each[2], "boot", c->boot, MAY_LACK, chain_id_valid);
    read_count(&each[3], "epoch", 0, &c->epoch);
    read_count(&each[4], "until_ms", 0, &c->until_ms);
    if (each[0].err != ERR_NONE) memset(c->by, 0, sizeof c->by);
    if (each[2].err != ERR_NONE) memset(c->boot, 0, sizeof c->boot);
}

enum err payload_read_command(struct chain_command *ret, struct payload p, struct problem *problem)
{
    char word[CHAIN_WORD_MAX];
    memset(ret, 0, sizeof *ret);
    struct reader r = open_payload(p, problem);
    read_word(&r, "id", ret->id, NEEDED, chain_id_valid);
    if (r.err != ERR_NONE) return closed(&r, ret, sizeof *ret);

    read_word(&r, "action", word, NEEDED, word_valid);
    if (r.err == ERR_NONE && !chain_action_read(&ret->action, word))
        object_wrong(&r, ERR_UNKNOWN, "action", "not an action of the contract");
    if (r.err == ERR_NONE && (ret->action == CHAIN_STOP || ret->action == CHAIN_HALT)) {
        if (ret->action == CHAIN_STOP) read_stop(&r, ret);
        read_stopper(&r, ret);
        return ERR_NONE;
    }
    read_sender(&r, ret);
    read_run(&r, ret);
    if (r.err == ERR_NONE) return ERR_NONE;
    struct chain_command only_id = { .id = "" };
    text_copy(only_id.id, sizeof only_id.id, ret->id);
    *ret = only_id;
    return r.err;
}
