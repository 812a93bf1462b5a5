/* Reading what several topics take: salts, labels, a water's report. */
#include <math.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "daemon/tool/caution.h"
#include "lib/chem/analysis.h"
#include "lib/chem/label.h"

enum { MEMBER_MAX = 64 };

/* "name=value" of a list parted by commas. */
struct member {
    char name[MEMBER_MAX], value[MEMBER_MAX];
};

/* The next member at *at, which moves on; false at the end. Members too long for what they could
 * be are cut, and then not known. */
static bool next_member(struct member *ret, const char **at)
{
    if (**at == '\0') return false;
    const size_t length = strcspn(*at, ",");
    const char *equals = memchr(*at, '=', length);
    const size_t name = equals ? (size_t)(equals - *at) : length;
    struct text n = text_over(ret->name, sizeof ret->name);
    struct text v = text_over(ret->value, sizeof ret->value);
    text_add_bytes(&n, *at, name);
    if (equals) text_add_bytes(&v, equals + 1, length - name - 1);
    *at += length;
    if (**at == ',') ++*at;
    return true;
}

static int refuse_member(
    const struct reckon_args *a, const char *where, const struct member *m, const char *allowed)
{
    char text[PROBLEM_TEXT_MAX * 2];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "found ");
    text_add_quoted(&t, m->name, strlen(m->name), MEMBER_MAX);
    text_add_char(&t, '=');
    text_add_quoted(&t, m->value, strlen(m->value), MEMBER_MAX);
    text_add(&t, "; allowed: ");
    text_add(&t, allowed);
    return reckon_refuse(a, EX_USAGE, where, text);
}

/* --- salts ------------------------------------------------------------------------------------ */

struct salt_reader {
    const struct reckon_args *args;
    const char *text; /* the whole word */
    struct reckon_salt *salt;
    struct label label;
};

static bool read_tank(char ret[4], const char *value)
{
    static const char *const tanks[] = { "A", "B", "AB" };
    for (size_t i = 0; i < sizeof tanks / sizeof tanks[0]; i++) {
        if (strcmp(tanks[i], value) != 0) continue;
        (void)text_copy(ret, 4, value);
        return true;
    }
    return false;
}

static bool read_share(struct label *label, const struct member *m)
{
    for (int s = 0; s < LABEL_SHARE_COUNT; s++) {
        if (strcmp(label_share_word((enum label_share)s), m->name) != 0) continue;
        return reckon_decimal(&label->percent[s], m->value, strlen(m->value));
    }
    return false;
}

static bool read_amount(double *ret, const struct member *m, const char *name)
{
    double value;
    if (strcmp(m->name, name) != 0) return false;
    if (!reckon_decimal(&value, m->value, strlen(m->value))) return false;
    if (value < 0.0 || value > 10000.0) return false;
    *ret = value;
    return true;
}

static int read_salt_member(struct salt_reader *r, const struct member *m)
{
    struct reckon_salt *s = r->salt;
    if (strcmp(m->name, "tank") == 0 && read_tank(s->tank, m->value)) return RECKON_GO_ON;
    if (read_amount(&s->grams, m, "grams") || read_amount(&s->most, m, "most")) return RECKON_GO_ON;
    if (s->is_label && read_amount(&s->density, m, "density")) return RECKON_GO_ON;
    if (s->is_label && strcmp(m->name, "chelated") == 0 && m->value[0] == '\0') {
        r->label.chelated = true;
        return RECKON_GO_ON;
    }
    if (s->is_label && strcmp(m->name, "name") == 0 && m->value[0]) {
        (void)text_copy(s->name, sizeof s->name, m->value);
        return RECKON_GO_ON;
    }
    if (s->is_label && read_share(&r->label, m)) return RECKON_GO_ON;
    return refuse_member(r->args, r->text, m,
        s->is_label
            ? "shares in per cent by weight (n ammonium_n p2o5 k2o cao mgo so3 p k ca mg s na "
              "cl fe mn zn cu b mo), chelated, name, density (g/mL), grams, most (g/L), tank "
              "(A B AB)"
            : "grams, most (g/L, 0 to 10000), tank (A B AB)");
}

static int finish_salt(struct salt_reader *r, struct salt *ret_salt)
{
    struct problem problem;
    struct label_closure closure = { 0 };
    const enum err err = r->salt->is_label ? label_read(ret_salt, &closure, &r->label, &problem)
                                           : salt_read(ret_salt, r->salt->name, &problem);
    if (err != ERR_NONE)
        return reckon_problem(r->args, r->salt->is_label ? r->text : "", err, &problem);
    r->salt->assumed_of_total = closure.of_total;
    r->salt->hazards = caution_of_salt(ret_salt);
    return RECKON_GO_ON;
}

int reckon_read_salt(const struct reckon_args *args, struct salt *ret_salt, struct reckon_salt *ret,
    const char *text)
{
    struct salt_reader r = { .args = args, .text = text, .salt = ret };
    struct member m;
    const char *at = text;
    *ret =
        (struct reckon_salt){ .grams = (double)NAN, .most = (double)NAN, .density = (double)NAN };
    if (!next_member(&m, &at))
        return reckon_refuse(args, EX_USAGE, text, "a salt is NAME=GRAMS, as in KNO3=50.5");
    (void)text_copy(ret->name, sizeof ret->name, m.name);
    ret->is_label = strcmp(m.name, "label") == 0;
    if (m.value[0]) {
        struct member grams = m;
        (void)text_copy(grams.name, sizeof grams.name, "grams");
        if (!read_amount(&ret->grams, &grams, "grams"))
            return refuse_member(args, text, &m, "grams per litre, 0 to 10000");
    }
    while (next_member(&m, &at)) {
        const int code = read_salt_member(&r, &m);
        if (code != RECKON_GO_ON) return code;
    }
    return finish_salt(&r, ret_salt);
}

/* --- water ------------------------------------------------------------------------------------ */

static int read_water_member(
    const struct reckon_args *a, struct analysis *analysis, const struct member *m)
{
    enum analysis_item item;
    double value;
    if (!analysis_item_read(&item, m->name))
        return refuse_member(a, "--water", m,
            "ca mg na k nh4 nh4_n no3 no3_n cl so4 so4_s po4 po4_p fe mn zn cu b si hco3 "
            "alkalinity alkalinity_caco3 hardness_caco3 ph ec");
    if (!reckon_decimal(&value, m->value, strlen(m->value)))
        return refuse_member(a, "--water", m, "plain decimal numbers");
    if (analysis->given[item]) return refuse_member(a, "--water", m, "each name once");
    analysis->given[item] = true;
    analysis->value[item] = value;
    return RECKON_GO_ON;
}

int reckon_read_water(
    const struct reckon_args *args, struct water *ret, struct analysis_report *ret_report)
{
    struct analysis analysis = { .degc = reckon_number(args, "--temperature", 25) };
    const char *at = reckon_text(args, "--water", "");
    struct member m;
    struct problem problem;
    while (next_member(&m, &at)) {
        const int code = read_water_member(args, &analysis, &m);
        if (code != RECKON_GO_ON) return code;
    }
    const enum err err = analysis_read(ret, ret_report, &analysis, &problem);
    return err == ERR_NONE ? RECKON_GO_ON : reckon_problem(args, "--water", err, &problem);
}
