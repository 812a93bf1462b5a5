/* dosewright reckon ph-probe and ec-probe: a calibration and its verdict. */
#include <math.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "lib/chem/ec_probe.h"
#include "lib/chem/ph_probe.h"

enum { BATHS_MAX = 3 };

static const char nernst_basis[] =
    "Nernst: mV = zero - slope * ln 10 R T / F (pH - 7), CODATA 2018";

static int print_and_free(struct sheet *s, int code)
{
    const int printed = sheet_print(s);
    sheet_free(s);
    return printed == EX_OK ? code : printed;
}

/* The part before "=" in 'ret', and the number after it. */
static bool split(char *ret, size_t room, double *ret_number, const char *word)
{
    const char *equals = strchr(word, '=');
    if (!equals || (size_t)(equals - word) >= room) return false;
    memcpy(ret, word, (size_t)(equals - word));
    ret[equals - word] = '\0';
    return reckon_decimal(ret_number, equals + 1, strlen(equals + 1));
}

/* --- pH --------------------------------------------------------------------------------------- */

static const struct reckon_option ph_options[] = {
    { "--temperature", RECKON_NUMBER, "degC", 0, 50, "of the baths; 25 without it" },
    { .name = NULL },
};

struct ph_read {
    struct ph_bath bath;
    char name[32];
    const char *basis;
};

static int read_ph_bath(const struct reckon_args *a, struct ph_read *ret, const char *word)
{
    enum ph_buffer buffer;
    ret->bath.degc = reckon_number(a, "--temperature", 25);
    ret->basis = "pH as given";
    if (!split(ret->name, sizeof ret->name, &ret->bath.mv, word))
        return reckon_refuse(
            a, EX_USAGE, word, "a bath is BUFFER=MILLIVOLTS, as in phosphate=-3 or 7.01=-15");
    if (ph_buffer_read(&buffer, ret->name)) {
        ret->bath.ph = ph_buffer_at(buffer, ret->bath.degc);
        ret->basis = ph_buffer_basis(buffer);
        return RECKON_GO_ON;
    }
    if (reckon_decimal(&ret->bath.ph, ret->name, strlen(ret->name)) && ret->bath.ph <= 14)
        return RECKON_GO_ON;
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "no buffer is called so; there are");
    for (int b = 0; b < BUFFER_COUNT; b++) {
        text_add_char(&t, ' ');
        text_add(&t, ph_buffer_word((enum ph_buffer)b));
    }
    text_add(&t, ", or a pH of 0 to 14 at the bath's temperature");
    return reckon_refuse(a, EX_USAGE, word, text);
}

static void show_baths(
    struct sheet *s, const struct ph_read *read, uint32_t count, const struct ph_constants *c)
{
    sheet_section(s, "baths", "true pH of the baths");
    for (uint32_t i = 0; i < count; i++) {
        sheet_number(s, &(struct sheet_figure){
                            read[i].name, read[i].name, read[i].bath.ph, 3, "pH", read[i].basis });
    }
    sheet_section(s, "result", "result");
    sheet_number(s, &(struct sheet_figure){ "slope_percent", "slope, of Nernst's", c->slope_percent,
                        1, "%", nernst_basis });
    sheet_number(s, &(struct sheet_figure){ "slope_mv", "slope",
                        c->slope_percent / 100 * ph_nernst_mv(read[0].bath.degc), 2, "mV per pH",
                        nernst_basis });
    sheet_number(
        s, &(struct sheet_figure){ "zero_mv", "zero, at pH 7", c->zero_mv, 1, "mV", nernst_basis });
}

static void show_third(struct sheet *s, const struct ph_constants *c, const struct ph_bath *bath)
{
    const double error = ph_third_bath_error(c, bath);
    sheet_number(
        s, &(struct sheet_figure){ "third_bath_error", "the third bath reads off by", error, 3,
               "pH", "a third buffer within 0.1 pH (a laboratory's guide, read)" });
    if (fabs(error) > PH_THIRD_BATH_MOST)
        sheet_note(s, "The third bath is off by more than 0.1: check the buffers, or the electrode "
                      "isn't straight.");
}

static void advise(struct sheet *s, const struct ph_constants *c, enum ph_verdict verdict)
{
    if (c->slope_percent < 0)
        sheet_note(s,
            "The slope is negative: the electrode's wires, or the amplifier, are the other "
            "way round.");
    if (verdict != PH_GOOD)
        sheet_note(s,
            "Clean it, soak it in 3 mol/L potassium chloride for a day, use fresh buffers, "
            "and calibrate again; never store it in distilled water.");
    if (verdict == PH_REFUSED) sheet_note(s, "If that doesn't help, replace it.");
}

static int run_ph(const struct reckon_args *a)
{
    struct ph_read read[BATHS_MAX];
    struct ph_constants c;
    struct problem problem;
    uint32_t count = 0;
    for (uint32_t i = 0; i < a->count; i++) {
        if (a->word[i].option) continue;
        if (count == BATHS_MAX) return reckon_refuse(a, EX_USAGE, "", "three baths at most");
        const int code = read_ph_bath(a, &read[count++], a->word[i].text);
        if (code != RECKON_GO_ON) return code;
    }
    if (count < 2)
        return reckon_refuse(a, EX_USAGE, "", "two baths are needed, as BUFFER=MILLIVOLTS");
    const enum err err = ph_calibrate(&c, &read[0].bath, &read[1].bath, &problem);
    if (err != ERR_NONE) return reckon_problem(a, "", err, &problem);
    const enum ph_verdict verdict = ph_judge(&c);
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    show_baths(s, read, count, &c);
    if (count == BATHS_MAX) show_third(s, &c, &read[2].bath);
    sheet_words(s, "verdict", "verdict", ph_verdict_word(verdict),
        "slope 95 to 105 % good, 90 to 95 % care soon, 85 to 90 % care now, else refused (manual "
        "of a "
        "laboratory pH meter, 1996); zero within 30 mV good, beyond 60 mV refused (two makers' "
        "notes)");
    advise(s, &c, verdict);
    return print_and_free(s, verdict == PH_REFUSED ? RECKON_ANSWER_NO : EX_OK);
}

/* --- EC --------------------------------------------------------------------------------------- */

static const struct reckon_option ec_options[] = {
    { "--temperature", RECKON_NUMBER, "degC", 0, 50, "of the bath; 25 without it" },
    { "--constant", RECKON_NUMBER, "1/cm", 0.001, 1000,
        "that the reading was computed with; 1 without it, which is right for uS" },
    { "--nominal", RECKON_NUMBER, "1/cm", 0.001, 1000, "the cell's; 1 without it" },
    { .name = NULL },
};

static int list_standards(const struct reckon_args *a, const char *word)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "a bath is STANDARD=READING, STANDARD one of");
    for (int i = 0; i < EC_STANDARD_COUNT; i++) {
        text_add_char(&t, ' ');
        text_add(&t, ec_standard_word((enum ec_standard)i));
    }
    text_add(&t, ", or true:US_CM for a bottle's own value at the bath's temperature");
    return reckon_refuse(a, EX_USAGE, word, text);
}

static int refuse_temperature(const struct reckon_args *a, enum ec_standard standard)
{
    double least, most;
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    ec_standard_range(&least, &most, standard);
    text_add(&t, "the table of ");
    text_add(&t, ec_standard_word(standard));
    text_add(&t, " goes from ");
    text_add_real(&t, least, 0);
    text_add(&t, " to ");
    text_add_real(&t, most, 0);
    text_add(&t, " degC");
    return reckon_refuse(a, EX_DATAERR, "--temperature", text);
}

static int read_ec_bath(const struct reckon_args *a, struct ec_bath *ret, const char **ret_basis)
{
    static const char own[] = "true:";
    char name[32];
    enum ec_standard standard;
    const char *word = "";
    for (uint32_t i = 0; i < a->count; i++) {
        if (!a->word[i].option && word[0]) return list_standards(a, a->word[i].text);
        if (!a->word[i].option) word = a->word[i].text;
    }
    if (!split(name, sizeof name, &ret->shown, word)) return list_standards(a, word);
    if (strncmp(name, own, sizeof own - 1) == 0) {
        *ret_basis = "conductivity as given";
        return reckon_decimal(&ret->us_cm, name + sizeof own - 1, strlen(name) - (sizeof own - 1))
                   ? RECKON_GO_ON
                   : list_standards(a, word);
    }
    if (!ec_standard_read(&standard, name)) return list_standards(a, word);
    ret->us_cm = ec_standard_us_cm(standard, reckon_number(a, "--temperature", 25));
    *ret_basis = ec_standard_basis(standard);
    return isnan(ret->us_cm) ? refuse_temperature(a, standard) : RECKON_GO_ON;
}

static int run_ec(const struct reckon_args *a)
{
    struct ec_bath bath = { .constant = reckon_number(a, "--constant", 1),
        .nominal = reckon_number(a, "--nominal", 1) };
    const char *basis = "";
    double constant;
    struct problem problem;
    const int code = read_ec_bath(a, &bath, &basis);
    if (code != RECKON_GO_ON) return code;
    const enum err err = ec_calibrate(&constant, &bath, &problem);
    if (err != ERR_NONE) return reckon_problem(a, "", err, &problem);
    const enum ec_verdict verdict = ec_judge(constant, bath.nominal);
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "result", "result");
    sheet_number(s, &(struct sheet_figure){ "standard", "the standard has, in this bath",
                        bath.us_cm, 1, "uS/cm", basis });
    sheet_number(s, &(struct sheet_figure){ "constant", "cell constant", constant, 4, "1/cm",
                        "conductivity / conductance, both at the bath's temperature" });
    sheet_number(s, &(struct sheet_figure){ "off_percent", "off the nominal one by",
                        100 * (constant / bath.nominal - 1), 1, "%", "constant / nominal - 1" });
    sheet_words(s, "verdict", "verdict", ec_verdict_word(verdict),
        "within 10 % of the nominal constant good, 15 % watch, 30 % clean, else refused (common "
        "practice, no source)");
    sheet_note(s,
        "The reading must be a raw one: a meter that compensates for temperature has to be "
        "told not to, or the bath held at 25 degC.");
    if (verdict != EC_GOOD)
        sheet_note(s,
            "A sound cell keeps its constant: look for an air bubble, a coating or a fresh "
            "scratch, clean it, rinse with the standard, and measure again.");
    return print_and_free(s, verdict == EC_REFUSED ? RECKON_ANSWER_NO : EX_OK);
}

const struct reckon_topic reckon_probe_topics[] = {
    { "ph-probe", "BUFFER=MV BUFFER=MV [BUFFER=MV] [--temperature N] ",
        "slope, zero and verdict of a pH electrode\n\n"
        "BUFFER is a standard (tetroxalate phthalate phthalate-nbs phosphate phosphate-7.41 borax\n"
        "carbonate), a maker's coloured one (technical-4 technical-7 technical-10), or a pH at "
        "the\n"
        "bath's temperature; MV what the electrode gave in it.\n",
        ph_options, run_ph },
    { "ec-probe", "STANDARD=READING [--temperature N] [--constant N] [--nominal N] ",
        "cell constant and verdict of an EC cell\n\n"
        "STANDARD is 1413 2765 12880 (uS/cm at 25 degC), 0.01-mol-kg, 0.1-mol-kg, or true:US_CM;\n"
        "READING the raw uS, or uS/cm with the --constant it was computed with.\n",
        ec_options, run_ec },
    { .name = NULL },
};
