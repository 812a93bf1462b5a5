#include "daemon/rig/rig_fault.h"

#include <string.h>

#include "lib/base/decimal.h"
#include "lib/chain/address.h"

enum shape { /* of what comes after the name */
    SHAPE_STOCK,
    SHAPE_STOCKS, /* STOCK.STOCK */
    SHAPE_TANK,
    SHAPE_PROBE, /* TANK.PROBE */
    SHAPE_CHAIN,
    SHAPE_POSITION,  /* CHAIN.POSITION */
    SHAPE_POSITIONS, /* CHAIN.A.B */
    SHAPE_OUTPUT,    /* CHAIN/POSITION.CHANNEL */
};

enum needs { NO_VALUE, NEEDS_NUMBER, NEEDS_SERIAL };

static const struct row {
    const char *name;
    enum shape shape;
    enum needs needs;
    bool once; /* it can't be taken back */
    double least, most;
    const char *value; /* for the help text */
} rows[RIG_FAULT_KINDS] = {
    [RIG_EMPTY] = { "empty", SHAPE_STOCK, NO_VALUE, false, 0, 0, "" },
    [RIG_STUCK] = { "stuck", SHAPE_PROBE, NO_VALUE, false, 0, 0, "" },
    [RIG_SILENT] = { "silent", SHAPE_PROBE, NO_VALUE, false, 0, 0, "" },
    [RIG_JUMP] = { "jump", SHAPE_PROBE, NEEDS_NUMBER, false, -1e6, 1e6, "=STEP" },
    [RIG_SWAP] = { "swap", SHAPE_POSITION, NEEDS_SERIAL, false, 0, 0, "=SERIAL" },
    [RIG_ORDER] = { "order", SHAPE_POSITIONS, NO_VALUE, false, 0, 0, "" },
    [RIG_REMOVE] = { "remove", SHAPE_POSITION, NO_VALUE, false, 0, 0, "" },
    [RIG_REBOOT] = { "reboot", SHAPE_CHAIN, NO_VALUE, true, 0, 0, "" },
    [RIG_MUTE] = { "mute", SHAPE_CHAIN, NO_VALUE, false, 0, 0, "" },
    [RIG_DEAF] = { "deaf", SHAPE_CHAIN, NO_VALUE, false, 0, 0, "" },
    [RIG_DROP] = { "gone", SHAPE_CHAIN, NO_VALUE, false, 0, 0, "" },
    [RIG_HAND] = { "hand", SHAPE_OUTPUT, NO_VALUE, false, 0, 0, "" },
    [RIG_STOP_SWITCH] = { "stopswitch", SHAPE_CHAIN, NO_VALUE, false, 0, 0, "" },
    [RIG_SLOW] = { "slow", SHAPE_OUTPUT, NEEDS_NUMBER, false, 0, 10, "=FACTOR" },
    [RIG_LEAK] = { "leak", SHAPE_TANK, NO_VALUE, false, 0, 0, "" },
    [RIG_LEVEL] = { "level", SHAPE_TANK, NEEDS_NUMBER, false, 0, 200, "=PERCENT" },
    [RIG_REFILL] = { "refill", SHAPE_TANK, NEEDS_NUMBER, true, 0, 1e6, "=LITRES" },
    [RIG_WATER_CHANGE] = { "water-change", SHAPE_TANK, NEEDS_NUMBER, true, 0, 1, "=SHARE" },
    [RIG_BATH] = { "bath", SHAPE_PROBE, NEEDS_NUMBER, false, -100, 100000, "=VALUE" },
    [RIG_CUP] = { "cup", SHAPE_OUTPUT, NO_VALUE, false, 0, 0, "" },
    [RIG_AIR] = { "air", SHAPE_OUTPUT, NEEDS_NUMBER, false, 0, 10000, "=ML" },
    [RIG_BOTTLES] = { "bottles", SHAPE_STOCKS, NO_VALUE, false, 0, 0, "" },
    [RIG_WEAK] = { "weak", SHAPE_CHAIN, NEEDS_NUMBER, false, 0, 100, "=OHM" },
    [RIG_THIN] = { "thin", SHAPE_POSITION, NEEDS_NUMBER, false, 0, 100, "=OHM" },
    [RIG_UNPLUGGED] = { "unplugged", SHAPE_OUTPUT, NO_VALUE, false, 0, 0, "" },
};

static const char *const shapes[] = {
    [SHAPE_STOCK] = "STOCK",
    [SHAPE_STOCKS] = "STOCK.STOCK",
    [SHAPE_TANK] = "TANK",
    [SHAPE_PROBE] = "TANK.PROBE",
    [SHAPE_CHAIN] = "CHAIN",
    [SHAPE_POSITION] = "CHAIN.POSITION",
    [SHAPE_POSITIONS] = "CHAIN.A.B",
    [SHAPE_OUTPUT] = "CHAIN/POSITION.CHANNEL",
};

static const char *const probe_words[PROBE_QUANTITY_COUNT] = {
    [PROBE_EC] = "ec",
    [PROBE_PH] = "ph",
    [PROBE_TEMPERATURE] = "temperature",
    [PROBE_LEVEL] = "level",
    [PROBE_VOLUME] = "volume",
    [PROBE_FLOW] = "flow",
    [PROBE_LEAK] = "leak",
    [PROBE_AIR_TEMPERATURE] = "air_temperature",
    [PROBE_HUMIDITY] = "humidity",
    [PROBE_LIGHT] = "light",
    [PROBE_ENCLOSURE] = "enclosure",
};

const char *rig_probe_word(enum probe_quantity quantity)
{
    return probe_words[quantity];
}

void rig_fault_list(struct text *t, const char *separator)
{
    for (int k = 0; k < RIG_FAULT_KINDS; k++) {
        if (k > 0) text_add(t, separator);
        text_add(t, rows[k].name);
        text_add(t, ":");
        text_add(t, shapes[rows[k].shape]);
        text_add(t, rows[k].value);
    }
}

/* --- saying no -------------------------------------------------------------------------------- */

struct reader {
    const struct site *site;
    const char *word;
    struct problem *problem;
    struct rig_fault fault;
    char target[RIG_FAULT_WORD_MAX], value[RIG_FAULT_WORD_MAX];
};

static enum err refuse(const struct reader *r, enum err err, const char *what, const char *known)
{
    char said[PROBLEM_TEXT_MAX];
    struct text t = text_over(said, sizeof said);
    text_add_quoted(&t, r->word, strlen(r->word), 64);
    text_add(&t, ": ");
    text_add(&t, what);
    text_add(&t, known);
    return problem_set(r->problem, err, "", said);
}

static enum err refuse_name(const struct reader *r, const char *what, const char *known)
{
    char said[PROBLEM_TEXT_MAX];
    struct text t = text_over(said, sizeof said);
    text_add(&t, "there is no such ");
    text_add(&t, what);
    text_add(&t, " here; known: ");
    return refuse(r, ERR_UNKNOWN, said, known);
}

/* --- names ------------------------------------------------------------------------------------ */

static const char *stock_key(const struct site *site, uint32_t i)
{
    return site->stock[i].key;
}

static const char *tank_key(const struct site *site, uint32_t i)
{
    return site->tank[i].key;
}

static const char *chain_key(const struct site *site, uint32_t i)
{
    return site->chain[i].key;
}

struct names {
    const char *what;
    uint32_t count;
    const char *(*key)(const struct site *site, uint32_t i);
};

static enum err find(
    const struct reader *r, const struct names *names, const char *name, uint32_t *ret)
{
    char known[PROBLEM_TEXT_MAX];
    struct text t = text_over(known, sizeof known);
    for (uint32_t i = 0; i < names->count; i++) {
        const char *key = names->key(r->site, i);
        if (text_same(key, name)) {
            *ret = i;
            return ERR_NONE;
        }
        if (i > 0) text_add(&t, ", ");
        text_add(&t, key);
    }
    return refuse_name(r, names->what, known);
}

static enum err find_chain(struct reader *r, const char *name)
{
    const struct names chains = { "chain", r->site->chain_count, chain_key };
    return find(r, &chains, name, &r->fault.chain);
}

static enum err find_tank(struct reader *r, const char *name)
{
    const struct names tanks = { "tank", r->site->tank_count, tank_key };
    return find(r, &tanks, name, &r->fault.tank);
}

static enum err find_stock(struct reader *r, const char *name, uint32_t *ret)
{
    const struct names stocks = { "stock", r->site->stock_count, stock_key };
    return find(r, &stocks, name, ret);
}

static enum err find_probe(struct reader *r, const char *name)
{
    char known[PROBLEM_TEXT_MAX];
    struct text t = text_over(known, sizeof known);
    const struct site_tank *tank = &r->site->tank[r->fault.tank];
    for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
        if (!tank->probe[q].present) continue;
        if (text_same(probe_words[q], name)) {
            r->fault.probe = (enum probe_quantity)q;
            return ERR_NONE;
        }
        if (t.length > 0) text_add(&t, ", ");
        text_add(&t, probe_words[q]);
    }
    return refuse_name(r, "probe", known);
}

/* --- targets ---------------------------------------------------------------------------------- */

/* Cuts 'text' at the first 'mark'; what follows, or NULL when there is none. */
static char *cut_at(char *text, char mark)
{
    char *at = strchr(text, mark);
    if (!at) return NULL;
    *at = '\0';
    return at + 1;
}

static enum err read_position(struct reader *r, const char *text, uint32_t *ret)
{
    struct decimal d;
    int64_t n;
    const uint32_t count = r->site->chain[r->fault.chain].count;
    if (text && decimal_read_plain(&d, text, strlen(text)) && decimal_scaled(&n, d, 0) && n >= 1 &&
        n <= count) {
        *ret = (uint32_t)n;
        return ERR_NONE;
    }
    char known[32];
    struct text t = text_over(known, sizeof known);
    text_add(&t, "1 to ");
    text_add_int(&t, count);
    return refuse_name(r, "position", known);
}

static enum err read_positions(struct reader *r, bool two)
{
    char *first = cut_at(r->target, '.');
    char *second = first && two ? cut_at(first, '.') : NULL;
    enum err err = find_chain(r, r->target);
    if (err == ERR_NONE) err = read_position(r, first, &r->fault.position);
    if (err == ERR_NONE && two) err = read_position(r, second, &r->fault.other);
    if (err == ERR_NONE && two && r->fault.position == r->fault.other)
        err = refuse(r, ERR_RANGE, "two different positions are needed", "");
    return err;
}

static enum err read_stocks(struct reader *r)
{
    char *second = cut_at(r->target, '.');
    enum err err = find_stock(r, r->target, &r->fault.stock);
    if (err == ERR_NONE) err = find_stock(r, second ? second : "", &r->fault.other_stock);
    if (err == ERR_NONE && r->fault.stock == r->fault.other_stock)
        err = refuse(r, ERR_RANGE, "two different stocks are needed", "");
    return err;
}

static enum err read_output(struct reader *r)
{
    struct chain_address_text address;
    if (!chain_address_read(&address, r->target))
        return refuse(r, ERR_SYNTAX, "an output is written CHAIN/POSITION.CHANNEL, for example ",
            "west/2.3 or west/1.circulation");
    enum err err = find_chain(r, address.chain);
    if (err != ERR_NONE) return err;
    r->fault.position = address.position;
    r->fault.channel = address.channel;
    if (address.position > r->site->chain[r->fault.chain].count)
        return refuse(r, ERR_UNKNOWN, "the chain has no such position", "");
    return ERR_NONE;
}

static enum err read_target(struct reader *r, enum shape shape)
{
    switch (shape) {
    case SHAPE_STOCK:
        return find_stock(r, r->target, &r->fault.stock);
    case SHAPE_STOCKS:
        return read_stocks(r);
    case SHAPE_TANK:
        return find_tank(r, r->target);
    case SHAPE_CHAIN:
        return find_chain(r, r->target);
    case SHAPE_POSITION:
        return read_positions(r, false);
    case SHAPE_POSITIONS:
        return read_positions(r, true);
    case SHAPE_OUTPUT:
        return read_output(r);
    case SHAPE_PROBE:
        break;
    }
    char *probe = cut_at(r->target, '.');
    const enum err err = find_tank(r, r->target);
    return err == ERR_NONE ? find_probe(r, probe ? probe : "") : err;
}

/* --- values ----------------------------------------------------------------------------------- */

static enum err read_number(struct reader *r, const struct row *row)
{
    struct decimal d;
    if (decimal_read_plain(&d, r->value, strlen(r->value))) {
        r->fault.value = decimal_real(d);
        if (r->fault.value >= row->least && r->fault.value <= row->most) return ERR_NONE;
    }
    char known[96];
    struct text t = text_over(known, sizeof known);
    text_add_real(&t, row->least, 0);
    text_add(&t, " to ");
    text_add_real(&t, row->most, 0);
    return refuse(r, ERR_RANGE, "after = comes a number from ", known);
}

static enum err read_value(struct reader *r, const struct row *row, bool given)
{
    if (row->needs == NO_VALUE)
        return given ? refuse(r, ERR_SYNTAX, "this fault takes no value", "") : ERR_NONE;
    if (!given && r->fault.heal) return ERR_NONE;
    if (row->needs == NEEDS_NUMBER) return read_number(r, row);
    if (!chain_key_valid(r->value))
        return refuse(r, ERR_SYNTAX, "after = comes a serial, 1 to 32 of a-z 0-9 -", "");
    text_copy(r->fault.serial, sizeof r->fault.serial, r->value);
    return ERR_NONE;
}

static enum err read_after(struct reader *r, const char *text)
{
    struct decimal d;
    int64_t ms;
    if (!decimal_read_plain(&d, text, strlen(text)) || !decimal_scaled(&ms, d, 3) || ms < 0 ||
        ms > RIG_AFTER_MOST_S * SECOND_MS)
        return refuse(r, ERR_RANGE, "after @ come seconds, 0 to 1000000", "");
    r->fault.has_after = true;
    r->fault.after_ms = ms;
    return ERR_NONE;
}

/* --- a word ----------------------------------------------------------------------------------- */

static const struct row *find_row(struct reader *r, const char *name)
{
    for (int k = 0; k < RIG_FAULT_KINDS; k++) {
        if (!text_same(rows[k].name, name)) continue;
        r->fault.kind = (enum rig_fault_kind)k;
        return &rows[k];
    }
    char known[PROBLEM_TEXT_MAX];
    struct text t = text_over(known, sizeof known);
    for (int k = 0; k < RIG_FAULT_KINDS; k++) {
        if (k > 0) text_add(&t, " ");
        text_add(&t, rows[k].name);
    }
    (void)refuse_name(r, "fault", known);
    return NULL;
}

enum err rig_fault_read(
    struct rig_fault *ret, const char *word, const struct site *site, struct problem *problem)
{
    struct reader r = { .site = site, .word = word, .problem = problem };
    char name[RIG_FAULT_WORD_MAX];
    r.fault.heal = word[0] == '-';
    if (!text_copy(name, sizeof name, word + (r.fault.heal ? 1 : 0)))
        return refuse(&r, ERR_FULL, "this word is too long", "");
    const char *after = cut_at(name, '@');
    text_copy(r.fault.word, sizeof r.fault.word, name);
    const char *value = cut_at(name, '=');
    const char *target = cut_at(name, ':');
    if (target) text_copy(r.target, sizeof r.target, target);
    if (value) text_copy(r.value, sizeof r.value, value);

    const struct row *row = find_row(&r, name);
    if (!row) return ERR_UNKNOWN;
    if (!target)
        return refuse(&r, ERR_SYNTAX, "after the name comes a colon and ", shapes[row->shape]);
    if (r.fault.heal && row->once) return refuse(&r, ERR_SYNTAX, "this can't be taken back", "");
    enum err err = read_target(&r, row->shape);
    if (err == ERR_NONE) err = read_value(&r, row, value != NULL);
    if (err == ERR_NONE && after) err = read_after(&r, after);
    if (err == ERR_NONE) *ret = r.fault;
    return err;
}
