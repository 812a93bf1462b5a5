/* The text in a probe's message that should be its value. */
#include <string.h>

#include "daemon/payload/json_guard.h"
#include "daemon/payload/payload.h"

enum { VALUE_TEXT_MAX = 128 }; /* longer than any number and any word that means nothing */

enum probe_verdict payload_read_probe(
    double *ret, const struct probe_config *config, struct payload p)
{
    if (p.length > PAYLOAD_MAX) return PROBE_NOT_A_NUMBER;
    if (config->pointer[0] == '\0') return probe_number(ret, config, p.bytes, p.length, false);

    struct json_view root, value;
    if (json_guard(&root, p.bytes, p.length, NULL) != ERR_NONE) return PROBE_NOT_A_NUMBER;
    if (!json_point(root, config->pointer, &value)) return PROBE_NOT_A_NUMBER;
    char text[VALUE_TEXT_MAX];
    switch (json_kind(value)) {
    case JSON_OBJECT:
    case JSON_ARRAY:
        return PROBE_NOT_A_NUMBER;
    case JSON_STRING:
        if (!json_string(value, text, sizeof text)) return PROBE_NOT_A_NUMBER;
        return probe_number(ret, config, text, strlen(text), true);
    case JSON_NUMBER:
    case JSON_TRUE:
    case JSON_FALSE:
    case JSON_NULL:
        break;
    }
    return probe_number(ret, config, value.at, value.length, false);
}
