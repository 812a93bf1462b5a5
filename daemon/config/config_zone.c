#include "daemon/config/config_zone.h"

#include <stdlib.h>
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/base/zone.h"

static const struct config_zone *find(const struct config *config, const char *zone)
{
    const struct config_zone *z = config->zones;
    while (z && strcmp(z->name, zone) != 0) {
        z = z->next;
    }
    return z;
}

static void read_zone(struct config *config, struct arena *arena, const char *zone)
{
    uint8_t *file = malloc(ZONE_FILE_MAX);
    const ssize_t length = file ? clock_zone_file(file, ZONE_FILE_MAX, zone) : -1;
    struct config_zone *z = length >= 0 ? arena_take(arena, sizeof *z) : NULL;
    if (z) {
        *z = (struct config_zone){ .name = arena_copy(arena, zone, strlen(zone)),
            .rules = arena_copy(arena, (const char *)file, (size_t)length),
            .length = (size_t)length,
            .next = config->zones };
        if (z->name && z->rules) config->zones = z;
    }
    free(file);
}

bool config_keep_zone(struct config *config, struct arena *arena, const char *zone, struct civil at)
{
    int64_t offset_ms;
    if (!zone_is_utc(zone) && !find(config, zone)) read_zone(config, arena, zone);
    return config_zone_offset(&offset_ms, config, zone, at);
}

bool config_zone_offset(
    int64_t *ret_ms, const struct config *config, const char *zone, struct civil at)
{
    if (zone_is_utc(zone)) {
        *ret_ms = 0;
        return true;
    }
    const struct config_zone *z = find(config, zone);
    return z && zone_offset_ms(ret_ms, (const uint8_t *)z->rules, z->length, at);
}
