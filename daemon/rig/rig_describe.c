/* A chain head's $description: Homie 5. One table of its properties. */
#include "daemon/payload/payload.h"
#include "daemon/rig/rig.h"

static const struct property {
    const char *node, *id, *name;
    bool settable, passing; /* passing: not retained */
} properties[] = {
    { "chain", "roll", "Roll-call", false, false },
    { "chain", "claim", "Who commands this chain", true, false },
    { "chain", "beat", "Heartbeat", false, true },
    { "dose", "command", "Last accepted command", true, false },
    { "dose", "report", "Newest report", false, false },
    { "dose", "ledger", "Accepted commands", false, false },
    { "dose", "manual", "Runs by hand", false, false },
};

static void add_property(struct text *t, const struct property *p)
{
    payload_add_string(t, p->id);
    text_add(t, ":{\"name\":");
    payload_add_string(t, p->name);
    text_add(t, ",\"datatype\":\"json\",\"format\":\"{\\\"type\\\":\\\"object\\\"}\"");
    text_add(t, p->settable ? ",\"settable\":true" : "");
    text_add(t, p->passing ? ",\"retained\":false}" : "}");
}

static void add_node(struct text *t, const char *id, const char *name)
{
    payload_add_string(t, id);
    text_add(t, ":{\"name\":");
    payload_add_string(t, name);
    text_add(t, ",\"properties\":{");
    bool some = false;
    for (size_t i = 0; i < sizeof properties / sizeof properties[0]; i++) {
        if (!text_same(properties[i].node, id)) continue;
        if (some) text_add(t, ",");
        add_property(t, &properties[i]);
        some = true;
    }
    text_add(t, "}}");
}

void rig_describe(struct text *t, const char *chain)
{
    char name[64];
    struct text n = text_over(name, sizeof name);
    text_add(&n, "Virtual chain head ");
    text_add(&n, chain);
    text_add(t, "{\"homie\":\"5.0\",\"version\":1,\"name\":");
    payload_add_string(t, name);
    text_add(t, ",\"nodes\":{");
    add_node(t, "chain", "Chain");
    text_add(t, ",");
    add_node(t, "dose", "Dosing");
    text_add(t, "}}");
}
