/* A formula is parts between points; a part is groups; a group is an element or a bracket, and a
 * count. Open brackets stand on a small stack. */
#include "lib/chem/formula.h"

#include <string.h>

#include "lib/base/invariant.h"
#include "lib/base/text.h"

enum { COUNT_MOST = 9999 };

/* g/mol: IUPAC's abridged standard atomic weights (2021), from memory. */
static const struct {
    char symbol[3];
    double g_per_mol;
} elements[ELEMENT_COUNT] = {
    [ELEMENT_H] = { "H", 1.008 },
    [ELEMENT_B] = { "B", 10.81 },
    [ELEMENT_C] = { "C", 12.011 },
    [ELEMENT_N] = { "N", 14.007 },
    [ELEMENT_O] = { "O", 15.999 },
    [ELEMENT_NA] = { "Na", 22.990 },
    [ELEMENT_MG] = { "Mg", 24.305 },
    [ELEMENT_SI] = { "Si", 28.085 },
    [ELEMENT_P] = { "P", 30.974 },
    [ELEMENT_S] = { "S", 32.06 },
    [ELEMENT_CL] = { "Cl", 35.45 },
    [ELEMENT_K] = { "K", 39.098 },
    [ELEMENT_CA] = { "Ca", 40.078 },
    [ELEMENT_MN] = { "Mn", 54.938 },
    [ELEMENT_FE] = { "Fe", 55.845 },
    [ELEMENT_CU] = { "Cu", 63.546 },
    [ELEMENT_ZN] = { "Zn", 65.38 },
    [ELEMENT_MO] = { "Mo", 95.95 },
};

struct tally { /* atoms inside one bracket, or one part */
    int64_t atoms[ELEMENT_COUNT];
    int64_t ammonium;
    int64_t things; /* elements and brackets in it */
    char closes;    /* what ends it; 0 for a part */
    size_t opened;  /* at which byte */
};

struct reader {
    const char *text;
    size_t at;
    uint32_t depth;
    struct tally level[FORMULA_DEPTH_MAX + 1]; /* [0] is the part */
    struct formula *sum;
    struct problem *problem;
};

static enum err refuse(const struct reader *r, enum err err, size_t at, const char *what)
{
    char said[PROBLEM_TEXT_MAX];
    struct text t = text_over(said, sizeof said);
    text_add(&t, "the formula ");
    text_add_quoted(&t, r->text, strlen(r->text), 64);
    text_add(&t, ": byte ");
    text_add_int(&t, (int64_t)at + 1);
    text_add(&t, ": ");
    text_add(&t, what);
    return problem_set(r->problem, err, "", said);
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool is_upper(char c)
{
    return c >= 'A' && c <= 'Z';
}

static bool is_lower(char c)
{
    return c >= 'a' && c <= 'z';
}

/* A count where one may stand; 1 where none does. */
static enum err read_count(struct reader *r, int64_t *ret)
{
    *ret = 1;
    const size_t from = r->at;
    if (!is_digit(r->text[from])) return ERR_NONE;
    if (r->text[from] == '0') return refuse(r, ERR_SYNTAX, from, "a count can't begin with 0");
    int64_t count = 0;
    for (; is_digit(r->text[r->at]); r->at++) {
        count = count * 10 + (r->text[r->at] - '0');
        if (count > COUNT_MOST) return refuse(r, ERR_SYNTAX, from, "counts go up to 9999");
    }
    *ret = count;
    return ERR_NONE;
}

/* 'count' times what is in 'from' goes into 'to'. */
static enum err pour(struct reader *r, struct tally *to, const struct tally *from, int64_t count)
{
    for (int e = 0; e < ELEMENT_COUNT; e++) {
        to->atoms[e] += count * from->atoms[e];
        if (to->atoms[e] > FORMULA_ATOMS_MAX)
            return refuse(r, ERR_SYNTAX, r->at, "too many atoms for a formula");
    }
    to->ammonium += count * from->ammonium; /* at most as many as nitrogen atoms */
    return ERR_NONE;
}

static enum err find_element(struct reader *r, enum formula_element *ret)
{
    const size_t from = r->at;
    const size_t length = is_lower(r->text[from + 1]) ? 2 : 1;
    for (int e = 0; e < ELEMENT_COUNT; e++) {
        if (strlen(elements[e].symbol) != length) continue;
        if (memcmp(elements[e].symbol, &r->text[from], length) != 0) continue;
        r->at += length;
        *ret = (enum formula_element)e;
        return ERR_NONE;
    }
    return refuse(r, ERR_UNKNOWN, from,
        "no element known here is written so; known are H B C N O Na Mg Si P S Cl K Ca Mn Fe Cu Zn "
        "Mo");
}

/* N without a count, then H4: an ammonium group. */
static bool begins_ammonium(const char *at)
{
    return at[0] == 'N' && at[1] == 'H' && at[2] == '4' && !is_digit(at[3]);
}

static enum err read_element(struct reader *r)
{
    const bool ammonium = begins_ammonium(&r->text[r->at]);
    enum formula_element e = ELEMENT_H;
    enum err err = find_element(r, &e);
    int64_t count = 1;
    if (err == ERR_NONE) err = read_count(r, &count);
    if (err != ERR_NONE) return err;
    struct tally one = { .ammonium = ammonium ? 1 : 0 };
    one.atoms[e] = 1;
    r->level[r->depth].things++;
    return pour(r, &r->level[r->depth], &one, count);
}

static enum err open_bracket(struct reader *r)
{
    if (r->depth == FORMULA_DEPTH_MAX)
        return refuse(r, ERR_SYNTAX, r->at, "brackets go at most 4 deep");
    r->level[r->depth].things++;
    r->depth++;
    r->level[r->depth] =
        (struct tally){ .closes = r->text[r->at] == '(' ? ')' : ']', .opened = r->at };
    r->at++;
    return ERR_NONE;
}

static enum err close_bracket(struct reader *r)
{
    const struct tally inside = r->level[r->depth];
    if (r->depth == 0 || inside.closes != r->text[r->at])
        return refuse(r, ERR_SYNTAX, r->at, "this bracket closes nothing");
    if (inside.things == 0) return refuse(r, ERR_SYNTAX, r->at, "nothing is in the brackets");
    r->at++;
    r->depth--;
    int64_t count;
    const enum err err = read_count(r, &count);
    return err == ERR_NONE ? pour(r, &r->level[r->depth], &inside, count) : err;
}

/* A point or a middle dot (U+00B7); how many bytes, 0 if it is neither. */
static size_t dot_length(const char *at)
{
    if (at[0] == '.') return 1;
    return (unsigned char)at[0] == 0xc2 && (unsigned char)at[1] == 0xb7 ? 2 : 0;
}

/* How many H2O a part is, if it is nothing else. */
static int64_t water_in(const struct tally *part)
{
    int64_t others = 0;
    for (int e = 0; e < ELEMENT_COUNT; e++) {
        if (e != ELEMENT_H && e != ELEMENT_O) others += part->atoms[e];
    }
    const int64_t oxygen = part->atoms[ELEMENT_O];
    return others == 0 && part->atoms[ELEMENT_H] == 2 * oxygen ? oxygen : 0;
}

static enum err read_groups(struct reader *r)
{
    while (r->text[r->at] != '\0' && dot_length(&r->text[r->at]) == 0) {
        const char c = r->text[r->at];
        enum err err;
        if (c == '(' || c == '[')
            err = open_bracket(r);
        else if (c == ')' || c == ']')
            err = close_bracket(r);
        else if (is_upper(c))
            err = read_element(r);
        else
            err = refuse(r, ERR_SYNTAX, r->at, "an element or a bracket was expected");
        if (err != ERR_NONE) return err;
    }
    if (r->depth > 0)
        return refuse(r, ERR_SYNTAX, r->level[r->depth].opened, "this bracket isn't closed");
    if (r->level[0].things == 0)
        return refuse(r, ERR_SYNTAX, r->at, "an element or a bracket was expected");
    return ERR_NONE;
}

static enum err read_part(struct reader *r, struct tally *total, int64_t *water)
{
    int64_t count;
    r->level[0] = (struct tally){ 0 };
    enum err err = read_count(r, &count);
    if (err == ERR_NONE) err = read_groups(r);
    if (err == ERR_NONE) err = pour(r, total, &r->level[0], count);
    if (err == ERR_NONE) *water += count * water_in(&r->level[0]);
    return err;
}

enum err formula_read(struct formula *ret, const char *text, struct problem *problem)
{
    struct reader r = { .text = text, .problem = problem };
    struct tally total = { 0 };
    int64_t water = 0;
    enum err err = read_part(&r, &total, &water);
    while (err == ERR_NONE && text[r.at] != '\0') { /* at a dot: each round takes bytes */
        r.at += dot_length(&text[r.at]);
        err = read_part(&r, &total, &water);
    }
    if (err != ERR_NONE) return err;

    struct formula f = { .ammonium = total.ammonium, .water = water };
    for (int e = 0; e < ELEMENT_COUNT; e++) {
        f.atoms[e] = total.atoms[e];
        f.g_per_mol += (double)total.atoms[e] * elements[e].g_per_mol;
    }
    INVARIANT(f.g_per_mol > 0 && f.ammonium <= f.atoms[ELEMENT_N]);
    *ret = f;
    return ERR_NONE;
}

double formula_cation_equivalents(const struct formula *f)
{
    const int64_t *n = f->atoms;
    const bool chelate = n[ELEMENT_C] > 0 && n[ELEMENT_N] > 0;
    const int64_t once = n[ELEMENT_K] + n[ELEMENT_NA] + f->ammonium;
    const int64_t metals = n[ELEMENT_MN] + n[ELEMENT_ZN] + n[ELEMENT_CU] + n[ELEMENT_FE];
    const int64_t twice = n[ELEMENT_CA] + n[ELEMENT_MG] + (chelate ? 0 : metals);
    return (double)(once + 2 * twice);
}

const char *formula_symbol(enum formula_element element)
{
    INVARIANT(element < ELEMENT_COUNT);
    return elements[element].symbol;
}

double formula_g_per_mol(enum formula_element element)
{
    INVARIANT(element < ELEMENT_COUNT);
    return elements[element].g_per_mol;
}
