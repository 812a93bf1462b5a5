/* What the probes publish: on the configured topics, in the configured units, under the configured
 * pointers. Several that share a topic make one JSON object. */
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>

#include "daemon/base/clock.h"
#include "daemon/rig/rig.h"
#include "lib/base/text.h"
#include "lib/sense/convert.h"

enum { TOKEN_MAX = 64, NUMBER_MAX = 32 };

/* What the rig assumes of the air around. */
static const double air_degc = 22.0, humidity_percent = 60.0, light_lx = 12000.0;
static const double enclosure_degc = 28.0;

/* --- units ------------------------------------------------------------------------------------ */

double rig_probe_outside(const struct probe_config *config, double value, double degc)
{
    switch (config->unit) {
    case UNIT_MV:
        return config->zero_mv -
               (value - 7.0) * config->slope_percent / 100.0 * convert_nernst_mv(degc);
    case UNIT_MS_CM:
        value /= 1000.0;
        break;
    case UNIT_US:
        value /= config->cell_constant;
        break;
    case UNIT_DEGF:
        return value * 1.8 + 32.0;
    case UNIT_PH:
    case UNIT_US_CM:
    case UNIT_DEGC:
    case UNIT_L:
    case UNIT_L_MIN:
    case UNIT_PERCENT:
    case UNIT_MM:
    case UNIT_KPA:
    case UNIT_LX:
    case UNIT_BOOL:
    case UNIT_COUNT:
        break;
    }
    double ratio = 1.0;
    if (config->quantity == PROBE_EC && !config->compensated &&
        !tempco_ratio(&ratio, config->compensation, config->compensation_percent, degc))
        ratio = 1.0; /* too hot or cold for the curve: the daemon takes no such reading either */
    return value * ratio;
}

static unsigned decimals_of(enum probe_unit unit)
{
    switch (unit) {
    case UNIT_MS_CM:
        return 3;
    case UNIT_PH:
        return 2;
    case UNIT_US_CM:
    case UNIT_US:
    case UNIT_LX:
    case UNIT_BOOL:
        return 0;
    case UNIT_MV:
    case UNIT_DEGC:
    case UNIT_DEGF:
    case UNIT_L:
    case UNIT_L_MIN:
    case UNIT_PERCENT:
    case UNIT_MM:
    case UNIT_KPA:
    case UNIT_COUNT:
        break;
    }
    return 1;
}

struct probe_model_config rig_probe_behaviour(enum probe_unit unit)
{
    switch (unit) {
    case UNIT_PH:
        return (struct probe_model_config){ .lag_s = 2, .noise = 0.01, .resolution = 0.01 };
    case UNIT_MV:
        return (struct probe_model_config){ .lag_s = 2, .noise = 0.5, .resolution = 0.1 };
    case UNIT_MS_CM:
        return (struct probe_model_config){ .lag_s = 1, .noise = 0.003, .resolution = 0.001 };
    case UNIT_US_CM:
    case UNIT_US:
        return (struct probe_model_config){ .lag_s = 1, .noise = 3, .resolution = 1 };
    case UNIT_LX:
        return (struct probe_model_config){ .noise = 50, .resolution = 1 };
    case UNIT_BOOL:
        return (struct probe_model_config){ 0 };
    case UNIT_DEGC:
    case UNIT_DEGF:
    case UNIT_L:
    case UNIT_L_MIN:
    case UNIT_PERCENT:
    case UNIT_MM:
    case UNIT_KPA:
    case UNIT_COUNT:
        break;
    }
    return (struct probe_model_config){ .lag_s = 2, .noise = 0.06, .resolution = 0.1 };
}

/* --- truth ------------------------------------------------------------------------------------ */

/* In the unit used inside. */
static double truth_of(const struct rig *rig, const struct rig_probe *probe)
{
    const struct rig_tank *tank = &rig->tank[probe->tank];
    const struct plant_tank *plant = &tank->water.tank;
    if (probe->bathes) return probe->bath;
    switch (probe->config->quantity) {
    case PROBE_EC:
        return plant_ec_us_cm(plant, false);
    case PROBE_PH:
        return plant_ph(plant, false);
    case PROBE_TEMPERATURE:
        return plant->config.degc;
    case PROBE_LEVEL:
        return tank->level_held ? tank->level_percent
                                : 100.0 * plant->volume_l / plant->config.volume_l;
    case PROBE_VOLUME:
        return tank->level_held ? plant->config.volume_l * tank->level_percent / 100.0
                                : plant->volume_l;
    case PROBE_FLOW:
        return tank->circulates ? plant->config.flow_l_min : 0.0;
    case PROBE_LEAK:
        return tank->leaks != probe->config->safe ? 1.0 : 0.0;
    case PROBE_AIR_TEMPERATURE:
        return air_degc;
    case PROBE_HUMIDITY:
        return humidity_percent;
    case PROBE_LIGHT:
        return light_lx;
    case PROBE_ENCLOSURE:
        return enclosure_degc;
    case PROBE_QUANTITY_COUNT:
        break;
    }
    return 0.0;
}

static void show(struct rig *rig, struct rig_probe *probe, double seconds, struct text *t)
{
    const double degc = rig->tank[probe->tank].water.tank.config.degc;
    const double truth = rig_probe_outside(probe->config, truth_of(rig, probe), degc);
    const double value = probe_model_read(&probe->model, truth, seconds);
    if (probe->config->unit == UNIT_BOOL)
        text_add(t, value > 0.5 ? "true" : "false");
    else
        text_add_real(t, value, decimals_of(probe->config->unit));
}

/* --- JSON ------------------------------------------------------------------------------------- */

/* The next token of an RFC 6901 pointer, unescaped; NULL at its end. */
static const char *next_token(const char *pointer, char ret[TOKEN_MAX])
{
    if (*pointer != '/') return NULL;
    struct text t = text_over(ret, TOKEN_MAX);
    for (pointer++; *pointer != '\0' && *pointer != '/'; pointer++) {
        if (pointer[0] == '~' && (pointer[1] == '0' || pointer[1] == '1'))
            text_add_char(&t, *++pointer == '0' ? '~' : '/');
        else
            text_add_char(&t, *pointer);
    }
    return t.cut ? NULL : pointer;
}

/* Puts a bare value where the pointer points, objects on the way as needed. */
static bool put_at(cJSON *root, const char *pointer, const char *value)
{
    char token[TOKEN_MAX];
    for (;;) {
        pointer = next_token(pointer, token);
        if (!pointer) return false;
        if (*pointer == '\0') break;
        cJSON *inner = cJSON_GetObjectItemCaseSensitive(root, token);
        if (!inner) inner = cJSON_AddObjectToObject(root, token);
        if (!cJSON_IsObject(inner)) return false;
        root = inner;
    }
    return !cJSON_HasObjectItem(root, token) && cJSON_AddRawToObject(root, token, value);
}

static bool same_topic(const struct rig_probe *a, const struct rig_probe *b)
{
    return text_same(a->config->topic, b->config->topic);
}

/* --- publishing ------------------------------------------------------------------------------- */

static bool send(struct rig *rig, const char *topic, const char *payload)
{
    const struct mqtt_publish p = {
        .topic = topic, .payload = payload, .length = strlen(payload), .qos = 0
    };
    return mqtt_publish(rig->probe_mqtt, &p) != MQTT_UNSENT;
}

static bool publish_object(struct rig *rig, uint32_t first, double seconds)
{
    cJSON *root = cJSON_CreateObject();
    bool some = false, sent = true;
    for (uint32_t i = first; root && i < rig->probe_count; i++) {
        struct rig_probe *probe = &rig->probe[i];
        char value[NUMBER_MAX];
        struct text t = text_over(value, sizeof value);
        if (!same_topic(probe, &rig->probe[first])) continue;
        show(rig, probe, seconds, &t);
        if (probe->silent) continue;
        some = put_at(root, probe->config->pointer, value) || some;
    }
    char *printed = some ? cJSON_PrintUnformatted(root) : NULL;
    if (printed) sent = send(rig, rig->probe[first].config->topic, printed);
    cJSON_free(printed);
    cJSON_Delete(root);
    return sent;
}

static bool publish_bare(struct rig *rig, uint32_t i, double seconds)
{
    char value[NUMBER_MAX];
    struct text t = text_over(value, sizeof value);
    show(rig, &rig->probe[i], seconds, &t);
    return rig->probe[i].silent || send(rig, rig->probe[i].config->topic, value);
}

/* One that is published a second time hasn't followed the water any further. */
static bool publish(struct rig *rig, uint32_t i)
{
    const double seconds = rig->probe_again ? 0.0 : rig->probe_seconds;
    if (!rig->probe[i].first) return true;
    return rig->probe[i].config->pointer[0] == '\0' ? publish_bare(rig, i, seconds)
                                                    : publish_object(rig, i, seconds);
}

void rig_probes_go_on(struct rig *rig)
{
    while (rig->probe_next < rig->probe_count) {
        rig->probe_again = !publish(rig, rig->probe_next);
        if (rig->probe_again) return;
        rig->probe_next++;
    }
}

void rig_probes_publish(struct rig *rig, double seconds)
{
    if (rig->probe_next == rig->probe_count) {
        rig->probe_next = 0;
        rig->probe_seconds = seconds;
    }
    rig_probes_go_on(rig);
}

/* --- opening ---------------------------------------------------------------------------------- */

struct rig_probe *rig_probe_find(struct rig *rig, uint32_t tank, enum probe_quantity quantity)
{
    for (uint32_t i = 0; i < rig->probe_count; i++) {
        struct rig_probe *probe = &rig->probe[i];
        if (probe->tank == tank && probe->config->quantity == quantity) return probe;
    }
    return NULL;
}

static void add_probe(struct rig *rig, uint32_t tank, const struct probe_config *config)
{
    struct rig_probe *probe = &rig->probe[rig->probe_count];
    *probe = (struct rig_probe){ .tank = tank, .config = config, .first = true };
    for (uint32_t i = 0; i < rig->probe_count; i++) {
        if (same_topic(&rig->probe[i], probe)) probe->first = false;
    }
    const struct probe_model_config behaviour = rig_probe_behaviour(config->unit);
    probe_model_init(&probe->model, &behaviour, prng_next(&rig->chance));
    rig->probe_count++;
}

bool rig_probes_open(struct rig *rig, struct problem *problem)
{
    const uint32_t tanks = rig->site->tank_count;
    rig->probe = calloc((size_t)tanks * PROBE_QUANTITY_COUNT + 1, sizeof *rig->probe);
    if (!rig->probe) {
        (void)problem_set(problem, ERR_FULL, "probes", "no memory left");
        return false;
    }
    for (uint32_t t = 0; t < tanks; t++) {
        for (int q = 0; q < PROBE_QUANTITY_COUNT; q++) {
            const struct probe_config *config = &rig->site->tank[t].probe[q];
            if (config->present) add_probe(rig, t, config);
        }
    }
    rig->probe_next = rig->probe_count;
    char chance[9], id[96];
    clock_random_hex(chance, 4);
    struct text t = text_over(id, sizeof id);
    text_add(&t, "dosewright-rig-");
    text_add(&t, rig->site->key);
    text_add(&t, "-");
    text_add(&t, chance);
    const struct mqtt_options options = { .broker = &rig->broker, .client_id = id };
    return mqtt_open(&rig->probe_mqtt, &options, problem) == ERR_NONE &&
           rig_watch(rig, mqtt_descriptor(rig->probe_mqtt));
}
