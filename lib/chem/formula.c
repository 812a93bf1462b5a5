#include "lib/chem/formula.h"

#include <string.h>

#include "lib/base/text.h"

enum { GROUPS_MAX = 4, COUNT_MOST = 999, ATOMS_MOST = 100000 };

/* Standard atomic weights, abridged to what IUPAC prints (2021 table; from memory). */
static const struct {
    const char *symbol;
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

struct reader {
    const char *text;
    size_t at, length;
    int64_t factor; /* before a hydrate part: 4 in .4H2O */
    uint32_t depth;
    struct formula group[GROUPS_MAX + 1];
};

static enum err fail(
    struct problem *problem, enum err err, const struct reader *r, const char *what)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "formula ");
    text_add_quoted(&t, r->text, r->length, 48);
    text_add(&t, ": ");
    text_add(&t, what);
    text_add(&t, " at character ");
    text_add_int(&t, (int64_t)r->at + 1);
    return problem_set(problem, err, "", text);
}

/* A count after an element or group; 1 where none stands; 0 when it is too large or 0. */
static int64_t read_count(struct reader *r)
{
    if (r->at >= r->length || r->text[r->at] < '0' || r->text[r->at] > '9') return 1;
    int64_t n = 0;
    while (r->at < r->length && r->text[r->at] >= '0' && r->text[r->at] <= '9') {
        n = n * 10 + (r->text[r->at++] - '0');
        if (n > COUNT_MOST) return 0;
    }
    return n;
}

static void add(struct formula *to, const struct formula *from, int64_t times)
{
    for (int e = 0; e < ELEMENT_COUNT; e++) {
        to->atoms[e] += from->atoms[e] * times;
    }
    to->ammonium += from->ammonium * times;
}

/* The element that stands here, the two-letter one before the one-letter one; -1 if none. */
static int read_element(struct reader *r)
{
    for (size_t length = 2; length > 0; length--) {
        if (r->at + length > r->length) continue;
        for (int e = 0; e < ELEMENT_COUNT; e++) {
            if (strlen(elements[e].symbol) != length) continue;
            if (strncmp(elements[e].symbol, r->text + r->at, length) != 0) continue;
            r->at += length;
            return e;
        }
    }
    return -1;
}

static bool opens(char c)
{
    return c == '(' || c == '[';
}

static bool closes(char c)
{
    return c == ')' || c == ']';
}

static enum err close_group(struct reader *r, struct problem *problem)
{
    if (r->depth == 0) return fail(problem, ERR_SYNTAX, r, "a bracket closes that never opened");
    r->at++;
    const int64_t count = read_count(r);
    if (count == 0) return fail(problem, ERR_SYNTAX, r, "a count must be 1 to 999");
    r->depth--;
    add(&r->group[r->depth], &r->group[r->depth + 1], count);
    return ERR_NONE;
}

static enum err read_atom(struct reader *r, struct problem *problem)
{
    if (r->length - r->at >= 3 && strncmp(r->text + r->at, "NH4", 3) == 0) {
        r->at += 3;
        r->group[r->depth].atoms[ELEMENT_N]++;
        r->group[r->depth].atoms[ELEMENT_H] += 4;
        r->group[r->depth].ammonium++;
        return ERR_NONE;
    }
    const int element = read_element(r);
    if (element < 0) return fail(problem, ERR_UNKNOWN, r, "no element that is known here");
    const int64_t count = read_count(r);
    if (count == 0) return fail(problem, ERR_SYNTAX, r, "a count must be 1 to 999");
    r->group[r->depth].atoms[element] += count;
    return ERR_NONE;
}

static enum err read_one(struct reader *r, struct problem *problem)
{
    const char c = r->text[r->at];
    if (opens(c)) {
        if (r->depth == GROUPS_MAX) return fail(problem, ERR_SYNTAX, r, "brackets nest too deep");
        r->at++;
        memset(&r->group[++r->depth], 0, sizeof r->group[0]);
        return ERR_NONE;
    }
    if (closes(c)) return close_group(r, problem);
    return read_atom(r, problem);
}

/* The length of a hydrate's point: '.', or the middle dot U+00B7 in UTF-8. */
static size_t point(const struct reader *r)
{
    if (r->text[r->at] == '.') return 1;
    if (r->length - r->at >= 2 && strncmp(r->text + r->at, "\xc2\xb7", 2) == 0) return 2;
    return 0;
}

/* One part between points, with its factor in front. */
static enum err read_part(struct reader *r, struct formula *total, struct problem *problem)
{
    memset(&r->group[0], 0, sizeof r->group[0]);
    r->depth = 0;
    const int64_t factor = read_count(r);
    if (factor == 0) return fail(problem, ERR_SYNTAX, r, "a count must be 1 to 999");
    const size_t start = r->at;
    while (r->at < r->length && point(r) == 0) {
        const enum err err = read_one(r, problem);
        if (err != ERR_NONE) return err;
    }
    if (r->depth > 0) return fail(problem, ERR_SYNTAX, r, "a bracket is never closed");
    if (r->at == start) return fail(problem, ERR_SYNTAX, r, "nothing stands here");
    const struct formula *part = &r->group[0];
    int64_t others = 0;
    for (int e = 0; e < ELEMENT_COUNT; e++) {
        if (e != ELEMENT_H && e != ELEMENT_O) others += part->atoms[e];
    }
    const bool water = others == 0 && part->atoms[ELEMENT_O] > 0 &&
                       part->atoms[ELEMENT_H] == 2 * part->atoms[ELEMENT_O];
    if (water) total->water += part->atoms[ELEMENT_O] * factor;
    add(total, part, factor);
    return ERR_NONE;
}

enum err formula_read(struct formula *ret, const char *text, struct problem *problem)
{
    struct reader r;
    memset(&r, 0, sizeof r);
    r.text = text;
    r.length = strlen(text);
    struct formula total;
    memset(&total, 0, sizeof total);
    for (;;) {
        const enum err err = read_part(&r, &total, problem);
        if (err != ERR_NONE) return err;
        if (r.at == r.length) break;
        r.at += point(&r);
    }
    for (int e = 0; e < ELEMENT_COUNT; e++) {
        if (total.atoms[e] > ATOMS_MOST) return fail(problem, ERR_RANGE, &r, "too many atoms");
        total.g_per_mol += (double)total.atoms[e] * elements[e].g_per_mol;
    }
    *ret = total;
    return ERR_NONE;
}

double formula_cation_equivalents(const struct formula *f)
{
    const int64_t once = f->atoms[ELEMENT_K] + f->atoms[ELEMENT_NA] + f->ammonium;
    const int64_t twice = f->atoms[ELEMENT_CA] + f->atoms[ELEMENT_MG] + f->atoms[ELEMENT_MN] +
                          f->atoms[ELEMENT_ZN] + f->atoms[ELEMENT_CU] + f->atoms[ELEMENT_FE];
    return (double)(once + 2 * twice);
}
