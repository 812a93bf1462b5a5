/* Lines for 'dosewright drive': a whole session with a core. A line "#{...}" is a record that gets
 * header and hash and comes as a journal line; the first byte's lowest bit is --ticks.
 *
 * Held: each line has exactly one answer, an object of JSON with its number; the same lines give
 * the same bytes; a command that moves liquid stands in an answer after its record, and only once
 * the core was started. */
#include <cjson/cJSON.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/drive/drive.h"
#include "tests/fuzz/fuzz.h"

static FILE *out;
static struct drive drive;

static void put(const char *text)
{
    fputs(text, out);
}

/* The line as it goes in; 'room' is over JSON_LINE_MAX. */
static size_t make_line(char *to, size_t room, struct link_tip *tip, struct bites *b)
{
    char sealed[RECORD_LINE_MAX];
    size_t length;
    char *line = bites_until(b, '\n', &length);
    struct text t = text_over(to, room), s = text_over(sealed, sizeof sealed);
    if (length > 1 && line[0] == '#' && fuzz_seal(tip, line + 1, length - 1, &s)) {
        text_add(&t, "{\"journal\":");
        text_add_bytes(&t, sealed, s.length - 1);
        text_add(&t, "}");
    } else {
        text_add_bytes(&t, line, length);
    }
    free(line);
    return t.length;
}

/* Days that the core has to tick through take long under a sanitizer, and show nothing that hours
 * don't. */
static bool takes_long(const char *line, size_t length)
{
    struct json_view root, mono;
    int64_t mono_ms;
    if (!drive.ticks_itself || json_guard_line(&root, line, length, NULL) != ERR_NONE) return false;
    if (!json_member(root, "mono_ms", &mono) || !json_count(mono, &mono_ms)) return false;
    return mono_ms - drive.now.mono.ms > 6 * HOUR_MS;
}

static char *run(struct bites b, bool ticks, int64_t *ret_lines)
{
    static char line[JSON_LINE_MAX + 2];
    char *text = NULL;
    size_t length = 0;
    struct link_tip tip = link_start();
    struct problem problem;
    union {
        const struct config *kept;
        struct config *given;
    } config = { .kept = fuzz_site() };
    out = open_memstream(&text, &length);
    HOLDS(out && drive_open(&drive, config.given, put, &problem) == ERR_NONE);
    drive.ticks_itself = ticks;
    *ret_lines = 0;
    while (b.at < b.end) {
        const size_t n = make_line(line, sizeof line, &tip, &b);
        char *exact = fuzz_exact(line, n);
        const bool skipped = takes_long(exact, n);
        if (!skipped && strspn(line, " \t\r") < n) ++*ret_lines; /* blank ones have no answer */
        if (!skipped) drive_take(&drive, n > JSON_LINE_MAX ? NULL : exact, n);
        free(exact);
    }
    drive.config = NULL; /* it is used again */
    drive_close(&drive);
    fclose(out);
    return text;
}

static const char *member(const cJSON *object, const char *name)
{
    const cJSON *value = cJSON_GetObjectItemCaseSensitive(object, name);
    return cJSON_IsString(value) ? value->valuestring : "";
}

static bool is_recorded(const cJSON *actions, const cJSON *before, const char *id)
{
    for (const cJSON *a = actions->child; a != before; a = a->next) {
        const cJSON *record = cJSON_GetObjectItemCaseSensitive(a, "record");
        if (strcmp(member(record, "id"), id) == 0) return true;
    }
    return false;
}

/* Before a command that moves liquid stands its record. */
static void check_actions(const cJSON *actions)
{
    const cJSON *action;
    cJSON_ArrayForEach(action, actions)
    {
        if (strcmp(member(action, "do"), "send") != 0) continue;
        cJSON *command = cJSON_Parse(member(action, "payload"));
        HOLDS(cJSON_IsObject(command) && member(command, "id")[0] != '\0');
        if (strcmp(member(command, "action"), "resume") != 0)
            HOLDS(is_recorded(actions, action, member(command, "id")));
        cJSON_Delete(command);
    }
}

static void check_answers(char *text, int64_t lines)
{
    int64_t newest = 0, answers = 0;
    char *rest = text;
    for (char *line = strsep(&rest, "\n"); line && rest; line = strsep(&rest, "\n")) {
        cJSON *json = cJSON_Parse(line);
        HOLDS(cJSON_IsObject(json));
        const cJSON *number = cJSON_GetObjectItemCaseSensitive(json, "line");
        HOLDS(cJSON_IsNumber(number));
        if (!cJSON_GetObjectItemCaseSensitive(json, "tick")) {
            HOLDS(number->valueint > newest);
            newest = number->valueint;
            answers++;
        }
        check_actions(cJSON_GetObjectItemCaseSensitive(json, "actions"));
        cJSON_Delete(json);
    }
    HOLDS(answers == lines);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bites b = { data, data + size };
    const bool ticks = bites_byte(&b) & 1;
    int64_t lines, again;
    char *first = run(b, ticks, &lines), *second = run(b, ticks, &again);
    HOLDS(lines == again && strcmp(first, second) == 0);
    check_answers(first, lines);
    free(first);
    free(second);
    return 0;
}
