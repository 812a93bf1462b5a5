/* The guard in front of every JSON reader, and the view that is allowed behind it.
 *
 * Held: what the guard lets pass, another reader (cJSON) reads, too, and finds the same kinds,
 * members and strings; every name found by walking is found by asking; a pointer made of the way to
 * a value leads to exactly that value. */
#include <cjson/cJSON.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/payload/json_guard.h"
#include "lib/base/text.h"
#include "tests/fuzz/fuzz.h"

enum {
    POINTER_ROOM = 64 * 1024,
    POINTER_MOST = 255, /* a configuration has no longer ones */
};

struct place { /* in the tree, and the way there */
    struct json_view root;
    char pointer[POINTER_ROOM];
};

static void add_token(struct text *t, const char *name)
{
    text_add_char(t, '/');
    for (; *name; name++) {
        if (*name == '~')
            text_add(t, "~0");
        else if (*name == '/')
            text_add(t, "~1");
        else
            text_add_char(t, *name);
    }
}

static void compare(struct place *p, struct text *way, struct json_view v, const cJSON *other);

static void compare_string(struct json_view v, const cJSON *other)
{
    char *mine = malloc(v.length);
    HOLDS(mine && cJSON_IsString(other));
    HOLDS(json_string(v, mine, v.length));
    HOLDS(strcmp(mine, other->valuestring) == 0);
    HOLDS(json_is(v, mine, strlen(mine)));
    free(mine);
}

static void compare_members(
    struct place *p, struct text *way, struct json_view v, const cJSON *other)
{
    const bool object = json_kind(v) == JSON_OBJECT;
    struct json_walk walk = json_walk(v);
    struct json_view name, value, found;
    const cJSON *child = other->child;
    int64_t index = 0;
    for (; json_next(&walk, &name, &value); child = child->next) {
        const size_t length = way->length;
        HOLDS(child != NULL);
        if (object) {
            HOLDS(json_is(name, child->string, strlen(child->string)));
            HOLDS(json_member(v, child->string, &found) && found.at == value.at);
            add_token(way, child->string);
        } else {
            text_add_char(way, '/');
            text_add_int(way, index++);
        }
        compare(p, way, value, child);
        way->length = length;
        way->at[length] = '\0';
    }
    HOLDS(child == NULL);
}

static void compare(struct place *p, struct text *way, struct json_view v, const cJSON *other)
{
    struct json_view found;
    int64_t count;
    HOLDS(v.length > 0 && v.at >= p->root.at && v.at + v.length <= p->root.at + p->root.length);
    HOLDS(way->length > POINTER_MOST || (json_point(p->root, way->at, &found) && found.at == v.at));
    switch (json_kind(v)) {
    case JSON_OBJECT:
    case JSON_ARRAY:
        HOLDS(json_kind(v) == JSON_OBJECT ? cJSON_IsObject(other) : cJSON_IsArray(other));
        compare_members(p, way, v, other);
        break;
    case JSON_STRING:
        compare_string(v, other);
        break;
    case JSON_NUMBER:
        HOLDS(cJSON_IsNumber(other));
        if (json_count(v, &count)) HOLDS(count == (int64_t)other->valuedouble);
        break;
    case JSON_TRUE:
        HOLDS(cJSON_IsTrue(other));
        break;
    case JSON_FALSE:
        HOLDS(cJSON_IsFalse(other));
        break;
    case JSON_NULL:
        HOLDS(cJSON_IsNull(other));
        break;
    }
}

static void look(struct json_view root)
{
    static struct place place;
    const char *end = NULL;
    cJSON *other = cJSON_ParseWithLengthOpts(root.at, root.length, &end, 0);
    HOLDS(other != NULL && end == root.at + root.length);
    struct text way = text_over(place.pointer, sizeof place.pointer);
    place.root = root;
    compare(&place, &way, root, other);
    cJSON_Delete(other);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *bytes = fuzz_exact(data, size);
    struct json_view root, line;
    struct problem problem = { 0 };
    const enum err strict = json_guard(&root, bytes, size, &problem);
    HOLDS((strict == ERR_NONE) != (problem.text[0] != '\0'));
    const enum err wide = json_guard_line(&line, bytes, size, &problem);
    if (strict == ERR_NONE && size < 2000) HOLDS(wide == ERR_NONE && line.at == root.at);
    if (strict == ERR_NONE) look(root);
    if (wide == ERR_NONE) look(line);
    free(bytes);
    return 0;
}
