#include "daemon/tool/caution.h"

unsigned caution_of_reagent(enum stock_reagent reagent)
{
    switch (reagent) {
    case REAGENT_NITRIC:
        return SALT_ACID | CAUTION_NITRIC;
    case REAGENT_SULFURIC:
        return SALT_ACID | CAUTION_SULFURIC;
    case REAGENT_PHOSPHORIC:
    case REAGENT_CITRIC:
        return SALT_ACID;
    case REAGENT_POTASSIUM_HYDROXIDE:
        return CAUTION_HYDROXIDE;
    case REAGENT_POTASSIUM_CARBONATE:
    case REAGENT_POTASSIUM_BICARBONATE:
        return CAUTION_CARBONATE;
    case REAGENT_COUNT:
        break;
    }
    return SALT_ACID | SALT_CAUSTIC;
}

unsigned caution_of_salt(const struct salt *salt)
{
    const double *n = salt->per_g.mmol_l;
    const unsigned hazards = salt_hazards(salt);
    unsigned more = 0;
    if ((hazards & SALT_ACID) != 0 && n[ION_NO3] > 0) more |= CAUTION_NITRIC;
    if ((hazards & SALT_ACID) != 0 && n[ION_SO4] > 0) more |= CAUTION_SULFURIC;
    if (n[ION_CO3] > 0) more |= CAUTION_CARBONATE;
    return hazards | more;
}

unsigned caution_of_solution(const struct stock_solution *solution)
{
    if (solution->kind != STOCK_NUTRIENT) return caution_of_reagent(solution->reagent);
    unsigned hazards = CAUTION_STOCKS;
    for (uint32_t i = 0; i < solution->salt_count; i++) {
        struct salt salt;
        if (salt_read(&salt, solution->salt[i].formula, NULL) != ERR_NONE) continue;
        hazards |= caution_of_salt(&salt);
    }
    const struct stock_label *label = &solution->label;
    if (solution->has_label && label->n_percent > label->ammonium_n_percent)
        hazards |= SALT_OXIDISER;
    return hazards;
}

/* --- sentences -------------------------------------------------------------------------------- */

static const struct {
    unsigned hazards;
    const char *words;
} cautions[] = {
    { SALT_ACID | CAUTION_NITRIC | CAUTION_SULFURIC | SALT_CAUSTIC | CAUTION_HYDROXIDE,
        "Acids and caustics burn skin and blind eyes: goggles and a face shield, gloves made for "
        "them, apron, closed shoes; water to rinse eyes and skin for 15 minutes within a few "
        "steps; good air; never alone." },
    { SALT_ACID | CAUTION_NITRIC | CAUTION_SULFURIC,
        "Acid goes slowly into water, never water into acid: it boils and spits." },
    { CAUTION_SULFURIC,
        "Sulfuric acid gets very hot in water: add little at a time, and let it cool." },
    { CAUTION_NITRIC,
        "Nitric acid is an oxidiser: its fumes are poisonous; keep it from metals, wood, paper, "
        "solvents and anything that burns." },
    { SALT_CAUSTIC | CAUTION_HYDROXIDE,
        "Potassium hydroxide and other caustics dissolve skin without pain at first and heat up "
        "in water: add them slowly to cold water. With ammonium salts they set ammonia free." },
    { CAUTION_CARBONATE, "Carbonates foam with acid: never in a closed bottle or tube." },
    { SALT_ACID | CAUTION_NITRIC | CAUTION_SULFURIC | SALT_CAUSTIC | CAUTION_HYDROXIDE |
            CAUTION_CARBONATE,
        "Acid, base, nutrient stocks and cleaners never meet undiluted. Acid with hypochlorite "
        "(bleach) makes chlorine, a poison." },
    { SALT_OXIDISER,
        "Nitrates are oxidisers: they feed fire. Store them dry, closed, and apart from fuel, "
        "oil, sulfur, metal powder and acids; sweep up what is spilled." },
    { SALT_BORON, "Boric acid and borates may harm fertility and the unborn: no dust, gloves." },
    { SALT_METAL,
        "Manganese, zinc and copper salts are harmful when swallowed and toxic to water life: "
        "weigh to the hundredth of a gram, let nothing reach a drain." },
    { CAUTION_STOCKS,
        "Label each tank and bottle with what is in it and when it was made; keep it from "
        "children, animals and drinking water." },
};

const char caution_last[] =
    "First the safety data sheet of each product, local code and licensed practice; these lines "
    "don't replace them.";

const char *caution_words(unsigned hazards, size_t index)
{
    const size_t count = sizeof cautions / sizeof *cautions;
    for (size_t i = 0; i < count; i++) {
        if ((hazards & cautions[i].hazards) == 0) continue;
        if (index-- == 0) return cautions[i].words;
    }
    return index == 0 ? caution_last : NULL;
}

/* --- labels ----------------------------------------------------------------------------------- */

static const struct {
    unsigned hazards;
    const char *words;
} on_label[] = {
    { SALT_ACID | CAUTION_NITRIC | CAUTION_SULFURIC, "ACID, corrosive: burns skin and eyes" },
    { CAUTION_HYDROXIDE | SALT_CAUSTIC, "BASE, caustic: burns skin and eyes" },
    { CAUTION_CARBONATE, "BASE, hurts eyes and skin; foams with acid" },
    { CAUTION_NITRIC,
        "OXIDISER, and poisonous fumes, when concentrated: away from metals and what burns" },
    { SALT_OXIDISER, "OXIDISER when dry (nitrate): what is spilled and dries feeds fire" },
    { SALT_BORON, "BORON: may harm fertility and the unborn" },
    { SALT_METAL, "METALS: harmful when swallowed, toxic to water life" },
    { CAUTION_STOCKS, "Concentrate: not for drinking, not for plants undiluted" },
};

const char *caution_on_label(unsigned hazards, size_t index)
{
    for (size_t i = 0; i < sizeof on_label / sizeof *on_label; i++) {
        if ((hazards & on_label[i].hazards) == 0) continue;
        if (index-- == 0) return on_label[i].words;
    }
    return NULL;
}
