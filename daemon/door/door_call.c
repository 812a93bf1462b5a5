#include "daemon/door/door_call.h"

#include <string.h>

#include "daemon/hear/request_member.h"
#include "daemon/payload/json_guard.h"

_Static_assert((int)DOOR_CALL_MAX == (int)JSON_LENGTH_MAX, "the guard reads what a call may hold");

static const char *const calls[] = { "status", "reload", "request" };

enum { CALLS = sizeof calls / sizeof *calls };

static const char *call_key(const struct site *site, uint32_t i)
{
    (void)site;
    return calls[i];
}

static bool read_from(const struct reading *r, uint32_t *ret)
{
    static const struct bounds tanks = { 0, SITE_TANKS_MAX, "\"from\" is not the index of a tank" };
    struct json_view v;
    double from = 0;
    if (!request_has(r, "from", &v)) return true;
    if (!request_number(r, "from", &tanks, &from)) return false;
    *ret = (uint32_t)from;
    return true;
}

static bool read_object(struct door_call *call, uint32_t *ret_from, const struct reading *r)
{
    static const struct known known = { "no-such-call", "call", CALLS, call_key };
    static const enum door_kind kinds[CALLS] = { DOOR_STATUS, DOOR_RELOAD, DOOR_REQUEST };
    uint32_t which;
    if (!request_name(r, &known, &which)) return false;
    call->kind = kinds[which];
    switch (call->kind) {
    case DOOR_STATUS:
        return read_from(r, ret_from);
    case DOOR_RELOAD:
        return true;
    case DOOR_REQUEST:
        break;
    }
    return request_read(&call->request, r->object, r->site, r->no);
}

bool door_read_call(struct door_call *ret, uint32_t *ret_from, const char *line, size_t length,
    const struct site *site, struct request_refusal *no)
{
    struct json_view object;
    struct problem problem;
    if (json_guard(&object, line, length, &problem) != ERR_NONE)
        return request_refuse(no, "malformed", problem.text);
    if (json_kind(object) != JSON_OBJECT)
        return request_refuse(no, "malformed", "the call isn't a JSON object");
    struct door_call call = { .request = { .origin = { .by = "socket" } } };
    uint32_t from = 0;
    const struct reading reading = { object, site, &call.request, no };
    if (!read_object(&call, &from, &reading)) return false;
    *ret = call;
    *ret_from = from;
    return true;
}
