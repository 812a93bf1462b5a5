/* What falls out: of a mix in time, of a stock in the cold. */
#include <math.h>

#include "daemon/reckon/reckon.h"
#include "lib/chem/keep_apart.h"
#include "lib/chem/salt.h"
#include "lib/chem/saturation.h"

#define CLEAR_MOST_DEGC 40.0
#define SHOWN_INDEX (-1.0) /* solids further from saturation aren't worth a line */

static const char solid_basis[] = "log10 of ion activity product over solubility product "
                                  "(saturation.h); above 0 the solid can form";
static const char store_basis[] =
    "held against each salt's saturated solution (CRC Handbook); degC, a few degrees of doubt in "
    "mixtures";

/* --- a mix ------------------------------------------------------------------------------------ */

static void show_indices(struct sheet *s, const struct equilibrium *const both[2])
{
    static const char *const columns[] = { "CO2 kept in", "in air", NULL };
    sheet_table(s, "saturation", "saturation index", columns, solid_basis);
    for (int i = 0; i < SOLID_COUNT; i++) {
        const enum solid solid = (enum solid)i;
        double values[2];
        for (size_t k = 0; k < 2; k++) {
            values[k] = saturation_index(both[k], solid);
            if (!(values[k] > SATURATION_NONE)) values[k] = (double)NAN;
        }
        if (values[0] > SHOWN_INDEX || values[1] > SHOWN_INDEX)
            sheet_row(s, solid_word(solid), values, solid_formula(solid));
    }
}

static void note_fall(struct sheet *s, const struct fall *f)
{
    char text[400];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "Would fall out in time:");
    for (uint32_t i = 0; i < f->count; i++) {
        text_add(&t, i > 0 ? ", " : " ");
        text_add_real(&t, f->mmol_l[i], 3);
        text_add(&t, " mmol/L of ");
        text_add(&t, solid_word(f->solid[i]));
        text_add(&t, " (");
        text_add(&t, solid_formula(f->solid[i]));
        text_add(&t, ")");
    }
    text_add(&t, ". Gypsum takes minutes, calcium phosphates and calcite hours to days.");
    sheet_note(s, text);
}

int reckon_show_solids(const struct reckon_args *args, struct sheet *sheet,
    const struct reckon_state *state, const struct equilibrium *const both[2])
{
    static const enum solid fast[] = { SOLID_GYPSUM, SOLID_BRUSHITE, SOLID_STRUVITE,
        SOLID_CALCITE };
    static const struct air in = { 0 };
    struct fall fall = { 0 };
    struct problem problem;
    show_indices(sheet, both);
    for (size_t i = 0; i < sizeof fast / sizeof fast[0]; i++) {
        if (saturation_index(both[0], fast[i]) > 0) fall.solid[fall.count++] = fast[i];
    }
    if (fall.count == 0) return RECKON_GO_ON;
    const enum err err =
        saturation_fall(&fall, &state->solution->water, state->degc, &in, &problem);
    if (err != ERR_NONE) return reckon_problem(args, "", err, &problem);
    note_fall(sheet, &fall);
    return RECKON_GO_ON;
}

/* --- stocks ----------------------------------------------------------------------------------- */

static void note_crystals(
    struct sheet *s, const struct reckon_stock *stock, const struct crystals *c, double store_degc)
{
    char text[300];
    struct text t = text_over(text, sizeof text);
    text_add(&t, stock->what);
    text_add_char(&t, ' ');
    text_add(&t, stock->name);
    text_add(&t, " would crystallise at ");
    text_add_real(&t, store_degc, 0);
    text_add(&t, " degC: ");
    text_add(&t, crystal_word(c->crystal));
    text_add(&t, c->clear_from_degc > CLEAR_MOST_DEGC ? ", and isn't clear at 40 either" : "");
    text_add(&t, ". Make it weaker, split that salt over both tanks, or keep it warmer.");
    sheet_note(s, text);
}

int reckon_show_stocks(const struct reckon_args *args, struct sheet *sheet,
    const struct reckon_stock *stocks, uint32_t count)
{
    static const char *const columns[] = { "mL/L", "g/L", "clear from", NULL };
    const double store = reckon_number(args, "--store", RECKON_STORE_DEGC);
    if (count > 0) sheet_table(sheet, "stocks", "stocks", columns, store_basis);
    for (uint32_t i = 0; i < count; i++) {
        struct crystals c;
        struct problem problem;
        const enum err err = stock_crystallises(&c, stocks[i].holds, store, &problem);
        if (err != ERR_NONE) return reckon_problem(args, stocks[i].what, err, &problem);
        const bool never = c.clear_from_degc > CLEAR_MOST_DEGC;
        const double values[] = { stocks[i].ml_per_l, stocks[i].g_l,
            never ? (double)NAN : c.clear_from_degc };
        sheet_row(sheet, stocks[i].name, values, c.any ? crystal_word(c.crystal) : NULL);
        if (c.any) note_crystals(sheet, &stocks[i], &c, store);
    }
    return RECKON_GO_ON;
}

/* --- stocks that meet ------------------------------------------------------------------------- */

static void add_reasons(struct text *t, const struct keep_apart *k)
{
    if (k->falls) {
        text_add(t, "; ");
        text_add(t, solid_word(k->solid));
        text_add(t, " falls out");
    }
    if (k->crystals) {
        text_add(t, "; ");
        text_add(t, crystal_word(k->crystal));
        text_add(t, " crystallises");
    }
    if (k->acid_base) text_add(t, "; acid meets base: heat, perhaps gas");
    if (k->chelate) text_add(t, "; the acid takes the iron out of its chelate");
    if (k->ammonia) text_add(t, "; the base drives out ammonia");
}

static void show_meeting(struct sheet *s, const struct reckon_stock *a,
    const struct reckon_stock *b, const struct keep_apart *k)
{
    char name[64], text[400];
    struct text n = text_over(name, sizeof name), t = text_over(text, sizeof text);
    text_add(&n, a->name);
    text_add(&n, " and ");
    text_add(&n, b->name);
    const bool never = k->clear_parts > OVERLAP_PARTS_MAX;
    const double parts = never ? (double)NAN : k->clear_parts;
    sheet_row(s, name, &parts, k->falls ? solid_word(k->solid) : NULL);
    if (!k->apart) return;
    text_add(&t, "Never let ");
    text_add(&t, name);
    text_add(&t, " meet undiluted");
    add_reasons(&t, k);
    text_add(&t, ". Give each its line, or flush between them.");
    sheet_note(s, text);
}

int reckon_show_meetings(const struct reckon_args *args, struct sheet *sheet,
    const struct reckon_stock *stocks, uint32_t count, const struct water *line)
{
    static const char *const columns[] = { "clear from", NULL };
    static const char basis[] =
        "one part of each in so many parts in all, the rest the source water; "
        "margins of this project (keep_apart.h)";
    double degc = reckon_number(args, "--temperature", 25);
    if (degc > CLEAR_MOST_DEGC) degc = CLEAR_MOST_DEGC;
    if (count > 1) sheet_table(sheet, "meetings", "where stocks meet, parts", columns, basis);
    for (uint32_t i = 0; i < count; i++) {
        for (uint32_t j = i + 1; j < count; j++) {
            const struct overlap overlap = { stocks[i].holds, stocks[j].holds, line, degc };
            struct keep_apart k;
            struct problem problem;
            const enum err err = keep_apart_look(&k, &overlap, &problem);
            if (err != ERR_NONE) return reckon_problem(args, "", err, &problem);
            show_meeting(sheet, &stocks[i], &stocks[j], &k);
        }
    }
    return RECKON_GO_ON;
}
