/* Files that are shared: crop schedules and stock solutions. */
#include "daemon/config/schema_rows.h"

#define CROP(member) offsetof(struct draft_crop, member)
#define STAGE(member) offsetof(struct draft_stage, member)
#define SOLUTION(member) offsetof(struct draft_solution, member)
#define LABEL(member) offsetof(struct draft_solution, solution.label.member)
#define COUNT(rows) (uint32_t)(sizeof(rows) / sizeof *(rows))

/* In the order of enum stock_kind, and of enum stock_reagent in two parts. */
static const char *const kinds[] = { "nutrient", "acid", "base", NULL };
static const char *const acids[] = { "nitric", "phosphoric", "sulfuric", "citric", NULL };
static const char *const bases[] = { "potassium-hydroxide", "potassium-carbonate",
    "potassium-bicarbonate", NULL };

const struct schema_row schema_days = { "days", SCHEMA_WHOLE, "d, or 'forever' for the last stage",
    1, 10000, 0, SCHEMA_REQUIRED, 0, NULL, NULL, "" };

static const struct schema_row night_rows[] = {
    { "ec_ms_cm", SCHEMA_REAL, "mS/cm", 0.05, 10, 1000, SCHEMA_OPTIONAL, STAGE(night_ec_us_cm),
        NULL, NULL, "EC at night; without it as by day." },
    { "ph", SCHEMA_REAL, NULL, 4.5, 7.5, 0, SCHEMA_OPTIONAL, STAGE(night_ph), NULL, NULL,
        "pH at night; without it as by day." },
};
static const struct schema_table night_table = { "stages[].night",
    "Other setpoints from the day's end to its start.", night_rows, COUNT(night_rows), NULL };

static const struct schema_row stage_rows[] = {
    { "name", SCHEMA_TEXT, NULL, 1, 32, 0, SCHEMA_REQUIRED, STAGE(name), NULL, NULL,
        "What people call it." },
    { "days", SCHEMA_OTHER, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, NULL,
        "How long it lasts: 1 to 10000 days; the last stage may be 'forever', and lasts in any "
        "case." },
    { "ec_ms_cm", SCHEMA_RAMP, "mS/cm", 0.05, 10, 1000, SCHEMA_REQUIRED, STAGE(ec_us_cm), NULL,
        NULL, "EC wanted; [from, to] is a ramp over the stage." },
    { "ph", SCHEMA_RAMP, NULL, 4.5, 7.5, 0, SCHEMA_REQUIRED, STAGE(ph), NULL, NULL,
        "pH wanted; [from, to] is a ramp over the stage." },
    { "night", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &night_table,
        "What is different at night; needs 'day'." },
};
const struct schema_table schema_stage = { "stages[]", "A stage of the crop.", stage_rows,
    COUNT(stage_rows), NULL };

static const struct schema_row day_rows[] = {
    { "from", SCHEMA_TIME, NULL, 0, 0, 0, SCHEMA_REQUIRED, CROP(day_from_ms), NULL, NULL,
        "When day begins." },
    { "to", SCHEMA_TIME, NULL, 0, 0, 0, SCHEMA_REQUIRED, CROP(day_to_ms), NULL, NULL,
        "When night begins." },
    { "zone", SCHEMA_TEXT, NULL, 1, 64, 0, SCHEMA_REQUIRED, CROP(zone), NULL, NULL,
        "Whose time that is: a name of the tz database such as Europe/Dublin. Its rules are read "
        "with the "
        "configuration: new ones count from the next reload or start." },
};
static const struct schema_table day_table = { "day", "Where day and night begin.", day_rows,
    COUNT(day_rows), NULL };

static const struct schema_row crop_rows[] = {
    { "crop", SCHEMA_TEXT, NULL, 1, 32, 0, SCHEMA_REQUIRED, CROP(crop), NULL, NULL, "What grows." },
    { "stages", SCHEMA_ITEMS, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_stage,
        "1 to 16 stages, one after another." },
    { "day", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &day_table,
        "Day and night; without it there's only day, and dates are UTC." },
};
const struct schema_table schema_crop = { "", "A crop's schedule, a file of its own.", crop_rows,
    COUNT(crop_rows), NULL };

const struct schema_row schema_grams = { "<formula>", SCHEMA_REAL, "g/L", 0.0001, 2000, 0,
    SCHEMA_REQUIRED, 0, NULL, NULL, "" };
const struct schema_row schema_name = { "keep_apart", SCHEMA_KEY, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0,
    NULL, NULL, "" };

static const struct schema_row label_rows[] = {
    { "n_percent", SCHEMA_REAL, "%", 0, 50, 0, "0", LABEL(n_percent), NULL, NULL,
        "Total nitrogen, N." },
    { "ammonium_n_percent", SCHEMA_REAL, "%", 0, 50, 0, "0", LABEL(ammonium_n_percent), NULL, NULL,
        "Nitrogen of it that is ammonium." },
    { "p2o5_percent", SCHEMA_REAL, "%", 0, 60, 0, "0", LABEL(p2o5_percent), NULL, NULL,
        "Phosphate, as P2O5." },
    { "k2o_percent", SCHEMA_REAL, "%", 0, 60, 0, "0", LABEL(k2o_percent), NULL, NULL,
        "Potash, as K2O." },
    { "cao_percent", SCHEMA_REAL, "%", 0, 60, 0, "0", LABEL(cao_percent), NULL, NULL,
        "Calcium, as CaO." },
    { "mgo_percent", SCHEMA_REAL, "%", 0, 60, 0, "0", LABEL(mgo_percent), NULL, NULL,
        "Magnesium, as MgO." },
    { "density_g_ml", SCHEMA_REAL, "g/mL", 0.8, 2.5, 0, SCHEMA_REQUIRED, LABEL(density_g_ml), NULL,
        NULL, "What a millilitre weighs." },
};
static const struct schema_table label_table = { "label",
    "What the label guarantees, percent by weight.", label_rows, COUNT(label_rows), NULL };

static const struct schema_row solution_rows[] = {
    { "stock", SCHEMA_KEY, NULL, 0, 0, 0, SCHEMA_REQUIRED, SOLUTION(stock), NULL, NULL,
        "What the solution is called." },
    { "kind", SCHEMA_WORD, NULL, 0, 0, 0, SCHEMA_REQUIRED, SOLUTION(kind), kinds, NULL,
        "What it is for." },
    { "grams_per_litre", SCHEMA_EACH, "g/L", 0.0001, 2000, 0, SCHEMA_OPTIONAL, 0, NULL, NULL,
        "A nutrient's salts by formula, such as \"Ca(NO3)2.4H2O\": 118; up to 24." },
    { "label", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &label_table,
        "Or what the bottle's label says of a nutrient." },
    { "acid", SCHEMA_WORD, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SOLUTION(acid), acids, NULL,
        "Which acid." },
    { "base", SCHEMA_WORD, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SOLUTION(base), bases, NULL,
        "Which base." },
    { "percent_w_w", SCHEMA_REAL, "%", 0.05, 100, 0, SCHEMA_OPTIONAL,
        SOLUTION(solution.percent_w_w), NULL, NULL, "Of an acid or base: its share by weight." },
    { "density_g_ml", SCHEMA_REAL, "g/mL", 0.8, 2.5, 0, SCHEMA_OPTIONAL,
        SOLUTION(solution.density_g_ml), NULL, NULL,
        "Of an acid or base: what a millilitre weighs." },
    { "keep_apart", SCHEMA_LIST, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, NULL,
        "Stocks that this one must never meet undiluted; found from the salts as well." },
};
const struct schema_table schema_solution = { "", "A stock solution, a file of its own.",
    solution_rows, COUNT(solution_rows), NULL };
