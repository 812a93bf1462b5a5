/* dosewright reckon: the small sums of the trade (lib/chem/practice.h). */
#include <math.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "lib/chem/practice.h"
#include "lib/chem/tempco.h"

#define SECONDS_PER_MINUTE 60.0

static int print_and_free(struct sheet *s)
{
    const int code = s ? sheet_print(s) : EX_OSERR;
    sheet_free(s);
    return code;
}

/* --- dilute ----------------------------------------------------------------------------------- */

static const struct reckon_option dilute_options[] = {
    { "--volume-l", RECKON_NUMBER, "L", 0.001, 1000000, "what the tank holds now" },
    { "--from-ec", RECKON_NUMBER, "mS/cm", 0, 500, "its EC now" },
    { "--to-ec", RECKON_NUMBER, "mS/cm", 0, 500, "the EC wanted" },
    { "--with-ec", RECKON_NUMBER, "mS/cm", 0, 500,
        "EC of the water (or, to raise it, of the stronger solution); 0 without it" },
    { .name = NULL },
};

static int run_dilute(const struct reckon_args *a)
{
    static const char basis[] =
        "mass balance, EC taken as additive: V (from - to) / (to - with); true within a few per "
        "cent up to 3 mS/cm";
    const int code =
        reckon_need(a, (const char *const[]){ "--volume-l", "--from-ec", "--to-ec", NULL });
    if (code != RECKON_GO_ON) return code;
    const double volume = reckon_number(a, "--volume-l", 0),
                 with = reckon_number(a, "--with-ec", 0);
    const double ratio = practice_dilution_l_per_l(
        reckon_number(a, "--from-ec", 0), reckon_number(a, "--to-ec", 0), with);
    if (isnan(ratio))
        return reckon_refuse(a, EX_DATAERR, "--to-ec",
            "the wanted EC must lie between what is in the tank and what is added; nothing added "
            "reaches its own EC");
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "result", "result");
    sheet_number(s, &(struct sheet_figure){ "add", "add", volume * ratio, -1, "L", basis });
    sheet_number(s, &(struct sheet_figure){
                        "ends_at", "the tank then holds", volume * (1 + ratio), -1, "L", basis });
    sheet_number(
        s, &(struct sheet_figure){ "drain_first", "or, at the same volume, drain first and refill",
               volume * ratio / (1 + ratio), -1, "L", basis });
    sheet_note(s, "Spent solution is far above what may enter drinking water: onto soil and plants "
                  "at an agronomic rate, or to the sewer by permit, never to a storm drain.");
    return print_and_free(s);
}

/* --- tube ------------------------------------------------------------------------------------- */

static const struct reckon_option tube_options[] = {
    { "--bore-mm", RECKON_NUMBER, "mm", 0.1, 100, "inner diameter" },
    { "--length-m", RECKON_NUMBER, "m", 0.001, 1000, "how long" },
    { "--ml-per-s", RECKON_NUMBER, "mL/s", 0.001, 100000,
        "what the pump moves, for the time it takes" },
    { .name = NULL },
};

static int run_tube(const struct reckon_args *a)
{
    static const char basis[] = "cylinder: pi/4 * bore^2 * length";
    const int code = reckon_need(a, (const char *const[]){ "--bore-mm", "--length-m", NULL });
    if (code != RECKON_GO_ON) return code;
    const double length = reckon_number(a, "--length-m", 0);
    const double ml = practice_tube_ml(reckon_number(a, "--bore-mm", 0), length);
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "result", "result");
    sheet_number(s, &(struct sheet_figure){ "volume", "to prime it", ml, -1, "mL", basis });
    sheet_number(
        s, &(struct sheet_figure){ "per_metre", "a metre holds", ml / length, -1, "mL", basis });
    if (reckon_given(a, "--ml-per-s"))
        sheet_number(s,
            &(struct sheet_figure){ "time", "at that rate", ml / reckon_number(a, "--ml-per-s", 1),
                -1, "s", "volume / rate, tube empty and no air drawn" });
    sheet_note(s, "Prime into a beaker, with goggles on when it is acid or base: fittings spray.");
    return print_and_free(s);
}

/* --- turnover --------------------------------------------------------------------------------- */

static const struct reckon_option turnover_options[] = {
    { "--volume-l", RECKON_NUMBER, "L", 0.001, 1000000, "what the tank holds" },
    { "--flow-l-min", RECKON_NUMBER, "L/min", 0.001, 100000, "what circulation moves" },
    { "--share", RECKON_NUMBER, "%", 0, 99.999, "how far mixed is enough; 95 without it" },
    { .name = NULL },
};

static int run_turnover(const struct reckon_args *a)
{
    static const char basis[] =
        "dilution law of Gage and Bidwell (1926) for a tank that is stirred well: 1 - exp(-n); one "
        "that isn't takes longer";
    const int code = reckon_need(a, (const char *const[]){ "--volume-l", "--flow-l-min", NULL });
    if (code != RECKON_GO_ON) return code;
    const double minutes = reckon_number(a, "--volume-l", 0) / reckon_number(a, "--flow-l-min", 1);
    const double share = reckon_number(a, "--share", 95);
    const double turnovers = practice_turnovers_for(share / 100);
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "result", "result");
    sheet_number(s, &(struct sheet_figure){
                        "turnover", "one turnover takes", minutes, -1, "min", "volume / flow" });
    sheet_number(s, &(struct sheet_figure){
                        "turnovers", "turnovers for that share", turnovers, -1, "", basis });
    sheet_number(
        s, &(struct sheet_figure){ "time", "which take", turnovers * minutes, -1, "min", basis });
    static const char *const columns[] = { "% mixed", "min", NULL };
    sheet_table(s, "table", "after turnovers", columns, basis);
    for (int n = 1; n <= 4; n++) {
        const char name[] = { (char)('0' + n), '\0' };
        const double values[] = { 100 * practice_mixed_share(n), n * minutes };
        sheet_row(s, name, values, NULL);
    }
    return print_and_free(s);
}

/* --- air and light ---------------------------------------------------------------------------- */

static const struct reckon_option oxygen_options[] = {
    { "--temperature", RECKON_NUMBER, "degC", 0, 40, "of the water" },
    { "--pressure-kpa", RECKON_NUMBER, "kPa", 50, 120,
        "of the air where the tank is, not brought to sea level; 101.325 without it" },
    { "--measured", RECKON_NUMBER, "mg/L", 0, 50, "what a probe shows, for its share" },
    { .name = NULL },
};

static int run_oxygen(const struct reckon_args *a)
{
    static const char basis[] =
        "Benson and Krause 1984 as in Standard Methods 4500-O, fresh water; correction for "
        "pressure from memory";
    const int code = reckon_need(a, (const char *const[]){ "--temperature", NULL });
    if (code != RECKON_GO_ON) return code;
    const double mg_l = practice_oxygen_mg_l(
        reckon_number(a, "--temperature", 0), reckon_number(a, "--pressure-kpa", 101.325));
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "result", "result");
    sheet_number(
        s, &(struct sheet_figure){ "saturation", "oxygen at saturation", mg_l, 2, "mg/L", basis });
    if (reckon_given(a, "--measured"))
        sheet_number(s, &(struct sheet_figure){ "share", "measured, of saturation",
                            100 * reckon_number(a, "--measured", 0) / mg_l, 1, "%", basis });
    return print_and_free(s);
}

static const struct reckon_option vpd_options[] = {
    { "--temperature", RECKON_NUMBER, "degC", -20, 60, "of the air" },
    { "--humidity", RECKON_NUMBER, "%", 0, 100, "relative humidity" },
    { "--leaf", RECKON_NUMBER, "degC", -20, 60, "of the leaves; as the air without it" },
    { .name = NULL },
};

static int run_vpd(const struct reckon_args *a)
{
    static const char basis[] =
        "Tetens (1930) as FAO Irrigation and Drainage Paper 56, eq. 11: 0.6108 exp(17.27 T / (T + "
        "237.3)) kPa";
    const int code = reckon_need(a, (const char *const[]){ "--temperature", "--humidity", NULL });
    if (code != RECKON_GO_ON) return code;
    const double air = reckon_number(a, "--temperature", 0);
    const double humidity = reckon_number(a, "--humidity", 0),
                 leaf = reckon_number(a, "--leaf", air);
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "result", "result");
    sheet_number(s, &(struct sheet_figure){ "deficit", "vapour pressure deficit",
                        practice_vpd_kpa(air, humidity, leaf), 3, "kPa", basis });
    sheet_number(s, &(struct sheet_figure){ "saturation", "saturation at the air's temperature",
                        practice_vapour_kpa(air), 3, "kPa", basis });
    sheet_number(s, &(struct sheet_figure){ "vapour", "vapour in the air",
                        practice_vapour_kpa(air) * humidity / 100, 3, "kPa", basis });
    return print_and_free(s);
}

static const struct reckon_option dli_options[] = {
    { "--umol", RECKON_NUMBER, "umol/m2/s", 0, 3000, "photons of 400 to 700 nm at the leaves" },
    { "--hours", RECKON_NUMBER, "h", 0, 24, "a day" },
    { .name = NULL },
};

static int run_dli(const struct reckon_args *a)
{
    const int code = reckon_need(a, (const char *const[]){ "--umol", "--hours", NULL });
    if (code != RECKON_GO_ON) return code;
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "result", "result");
    sheet_number(
        s, &(struct sheet_figure){ "dli", "daily light integral",
               practice_dli_mol_m2(reckon_number(a, "--umol", 0), reckon_number(a, "--hours", 0)),
               -1, "mol/m2", "umol/m2/s * hours * 0.0036" });
    return print_and_free(s);
}

/* --- compensate ------------------------------------------------------------------------------- */

static const struct reckon_option compensate_options[] = {
    { "--ec", RECKON_NUMBER, "mS/cm", 0, 500, "the raw reading, not compensated" },
    { "--temperature", RECKON_NUMBER, "degC", 0, 50, "of the water" },
    { "--percent", RECKON_NUMBER, "% per degC", 0, 4, "of the straight line; 2.0 without it" },
    { .name = NULL },
};

struct law {
    enum tempco kind;
    const char *key, *label, *basis;
};

static int run_compensate(const struct reckon_args *a)
{
    static const struct law laws[] = {
        { TEMPCO_LINEAR, "line", "straight line", "EC / (1 + a (T - 25))" },
        { TEMPCO_NUTRIENT, "nutrient", "nutrient curve",
            "fitted to 230 nutrient solutions computed with USGS PHREEQC 3.8.9, 2 to 38 degC" },
        { TEMPCO_FRESH_WATER, "fresh_water", "fresh water",
            "ISO 7888:1985 (EN 27888), natural water of 0.06 to 1 mS/cm, 0 to 35 degC" },
    };
    const int code = reckon_need(a, (const char *const[]){ "--ec", "--temperature", NULL });
    if (code != RECKON_GO_ON) return code;
    const double ec = reckon_number(a, "--ec", 0), degc = reckon_number(a, "--temperature", 25);
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    sheet_section(s, "ec_at_25", "EC at 25 degC");
    for (size_t i = 0; i < sizeof laws / sizeof laws[0]; i++) {
        double at_25 = (double)NAN;
        (void)tempco_to_25(&at_25, laws[i].kind, reckon_number(a, "--percent", 2.0), degc, ec);
        sheet_number(s, &(struct sheet_figure){
                            laws[i].key, laws[i].label, at_25, -1, "mS/cm", laws[i].basis });
    }
    return print_and_free(s);
}

/* --- units ------------------------------------------------------------------------------------ */

static const struct reckon_option units_options[] = {
    { "--ec", RECKON_NUMBER, "mS/cm", 0, 500, "a conductivity" },
    { "--hardness", RECKON_NUMBER, "mg/L CaCO3", 0, 20000, "a hardness or an alkalinity" },
    { "--oz-100-gal", RECKON_NUMBER, "oz", 0, 100000, "ounces (weight) in 100 US gallons" },
    { "--fl-oz-100-gal", RECKON_NUMBER, "fl oz", 0, 100000, "US fluid ounces in 100 US gallons" },
    { .name = NULL },
};

struct unit {
    const char *key, *label;
    double factor;
    const char *unit, *basis;
};

static void show_units(struct sheet *s, const struct unit *unit, size_t count, double value)
{
    for (size_t i = 0; i < count; i++) {
        sheet_number(s, &(struct sheet_figure){ unit[i].key, unit[i].label, value * unit[i].factor,
                            -1, unit[i].unit, unit[i].basis });
    }
}

static void show_ec_units(struct sheet *s, double ms_cm)
{
    static const char defined[] = "definition";
    static const char scale[] =
        "a meter's scale, not a weight: the three differ by 40 %, so never take a bare ppm (640: a "
        "university's glossary, read; 500 and 700: common practice, no source)";
    static const struct unit units[] = {
        { "us_cm", "microsiemens per cm", 1000, "uS/cm", defined },
        { "ds_m", "decisiemens per m", 1, "dS/m", defined },
        { "cf", "conductivity factor", 10, "CF", "ten times mS/cm (common practice, no source)" },
        { "ppm_500", "ppm on the 500 scale", 500, "ppm", scale },
        { "ppm_640", "ppm on the 640 scale", 640, "ppm", scale },
        { "ppm_700", "ppm on the 700 scale", 700, "ppm", scale },
    };
    sheet_section(s, "ec", "conductivity");
    show_units(s, units, sizeof units / sizeof units[0], ms_cm);
}

static void show_hardness_units(struct sheet *s, double caco3_mg_l)
{
    static const char mass[] = "molar mass of CaCO3 100.087, of CaO 56.077 (IUPAC)";
    static const struct unit units[] = {
        { "meq_l", "milliequivalents", 1 / PRACTICE_MG_CACO3_PER_MEQ, "meq/L", mass },
        { "mmol_l", "calcium and magnesium", 0.5 / PRACTICE_MG_CACO3_PER_MEQ, "mmol/L", mass },
        { "dh", "German degrees, 10 mg/L CaO", 56.077 / 100.087 / 10, "dH", mass },
        { "fh", "French degrees, 10 mg/L CaCO3", 0.1, "fH", "definition" },
        { "hco3_mg_l", "as bicarbonate", 61.016 / PRACTICE_MG_CACO3_PER_MEQ, "mg/L", mass },
    };
    sheet_section(s, "hardness", "hardness or alkalinity");
    show_units(s, units, sizeof units / sizeof units[0], caco3_mg_l);
}

static int run_units(const struct reckon_args *a)
{
    static const char gallon[] = "US gallon 3.785411784 L, ounce 28.349523125 g, US fluid ounce "
                                 "29.5735295625 mL (definitions)";
    if (a->count == 0)
        return reckon_refuse(
            a, EX_USAGE, "", "nothing is given to convert; --help shows what can be");
    struct sheet *s = sheet_new(a);
    if (!s) return EX_OSERR;
    if (reckon_given(a, "--ec")) show_ec_units(s, reckon_number(a, "--ec", 0));
    if (reckon_given(a, "--hardness")) show_hardness_units(s, reckon_number(a, "--hardness", 0));
    sheet_section(s, "rates", "rates");
    if (reckon_given(a, "--oz-100-gal"))
        sheet_number(s, &(struct sheet_figure){ "mg_l", "by weight",
                            practice_mg_l_from_oz_100_gal(reckon_number(a, "--oz-100-gal", 0)), -1,
                            "mg/L", gallon });
    if (reckon_given(a, "--fl-oz-100-gal"))
        sheet_number(
            s, &(struct sheet_figure){ "ml_l", "by volume",
                   practice_ml_l_from_fl_oz_100_gal(reckon_number(a, "--fl-oz-100-gal", 0)), -1,
                   "mL/L", gallon });
    return print_and_free(s);
}

/* --- all of them ------------------------------------------------------------------------------ */

const struct reckon_topic reckon_bench_topics[] = {
    { "dilute", "--volume-l N --from-ec N --to-ec N [--with-ec N] ", "water to bring an EC down\n",
        dilute_options, run_dilute },
    { "tube", "--bore-mm N --length-m N [--ml-per-s N] ", "what it takes to prime a tube\n",
        tube_options, run_tube },
    { "turnover", "--volume-l N --flow-l-min N [--share N] ", "how long a tank takes to mix\n",
        turnover_options, run_turnover },
    { "oxygen", "--temperature N [--pressure-kpa N] [--measured N] ",
        "dissolved oxygen at saturation\n", oxygen_options, run_oxygen },
    { "vpd", "--temperature N --humidity N [--leaf N] ", "vapour pressure deficit of the air\n",
        vpd_options, run_vpd },
    { "dli", "--umol N --hours N ", "daily light integral\n", dli_options, run_dli },
    { "compensate", "--ec N --temperature N [--percent N] ",
        "an EC reading brought to 25 degC, three ways\n", compensate_options, run_compensate },
    { "units", "[--ec N] [--hardness N] [--oz-100-gal N] [--fl-oz-100-gal N] ",
        "conductivity, hardness and rates in other units\n", units_options, run_units },
    { .name = NULL },
};
