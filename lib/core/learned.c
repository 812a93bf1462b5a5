/* What the law learned of a tank, as a record of the journal and back. */
#include "lib/core/state.h"

enum { DIGITS = 4, AT_ONCE = 22 }; /* a record holds so many: the rest is in a second one */

static void record_some(
    const struct core *core, uint32_t tank, int from, int to, struct actions *ret)
{
    struct record *r = emit_record(ret, "learned");
    record_add_text(r, "tank", core->site->tank[tank].key);
    record_add_int(r, "model", site_law_tag(core->site, &core->site->tank[tank]));
    for (int n = from; n < to; n++) {
        record_add_real(r, law_number_name(n), law_number(&core->tank[tank].law, n), DIGITS);
    }
}

void core_record_learned(const struct core *core, uint32_t tank, struct actions *ret)
{
    record_some(core, tank, 0, AT_ONCE, ret);
    record_some(core, tank, AT_ONCE, LAW_NUMBERS, ret);
}

void core_restore_learned(struct core *core, uint32_t tank, const struct record *r)
{
    struct core_tank *t = &core->tank[tank];
    int64_t model = -1;
    (void)record_int(r, "model", &model);
    if (model != site_law_tag(core->site, &core->site->tank[tank])) return; /* of another tank */
    for (int n = 0; n < LAW_NUMBERS; n++) {
        double value;
        if (record_real(r, law_number_name(n), &value)) law_recall(&t->law, &t->model, n, value);
    }
}
