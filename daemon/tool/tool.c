#include "daemon/tool/tool.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/base/misuse.h"
#include "daemon/door/door.h"
#include "daemon/payload/payload.h"
#include "daemon/tool/tool_show.h"

static const char socket_dir[] = "/run/dosewright";
static const char socket_suffix[] = ".sock";

/* --- options -----------------------------------------------------------------------------------
 */

int tool_misused_word(const struct tool *tool, const char *what, const char *word)
{
    misuse_say(tool->name, tool->usage, what, word);
    return EX_USAGE;
}

int tool_misused(const struct tool *tool, const char *what)
{
    return tool_misused_word(tool, what, NULL);
}

static bool is_option(const char *word)
{
    return word[0] == '-' && word[1] != '\0' && !(word[1] >= '0' && word[1] <= '9');
}

/* The value of "--name value" or "--name=value"; NULL when 'word' isn't that option. *at moves on.
 */
static const char *value_of(const char *name, int argc, char **argv, int *at, bool *ret_missing)
{
    const size_t length = strlen(name);
    const char *word = argv[*at];
    if (strncmp(word, name, length) != 0) return NULL;
    if (word[length] == '=') return word + length + 1;
    if (word[length] != '\0') return NULL;
    if (*at + 1 >= argc || !argv[*at + 1]) {
        *ret_missing = true;
        return word;
    }
    return argv[++*at];
}

static bool read_own_option(struct tool *tool, int argc, char **argv, int *at, bool *ret_missing)
{
    for (const struct tool_option *o = tool->option; o && o->name; o++) {
        if (!o->value) {
            if (strcmp(argv[*at], o->name) != 0) continue;
            *o->given = true;
            return true;
        }
        const char *value = value_of(o->name, argc, argv, at, ret_missing);
        if (!value) continue;
        *o->value = value;
        if (o->given) *o->given = true;
        return true;
    }
    return false;
}

static int read_option(struct tool *tool, int argc, char **argv, int *at)
{
    bool missing = false;
    const char *word = argv[*at];
    const char *socket = value_of("--socket", argc, argv, at, &missing);
    if (socket) {
        tool->socket = socket;
    } else if (strcmp(word, "--json") == 0) {
        tool->json = true;
    } else if (misuse_asks_help(word)) {
        fputs(tool->usage, stdout);
        return EX_OK;
    } else if (!read_own_option(tool, argc, argv, at, &missing)) {
        return tool_misused_word(tool, "there is no option", word);
    }
    return missing ? tool_misused_word(tool, "a value is missing after", word) : TOOL_GO_ON;
}

int tool_read(struct tool *tool, int argc, char **argv)
{
    bool only_words = false;
    tool->name = argv[0];
    for (int at = 1; at < argc; at++) {
        if (!only_words && strcmp(argv[at], "--") == 0) {
            only_words = true;
        } else if (!only_words && is_option(argv[at])) {
            const int code = read_option(tool, argc, argv, &at);
            if (code != TOOL_GO_ON) return code;
        } else if (tool->count == TOOL_WORDS_MAX) {
            return tool_misused(tool, "there are too many words");
        } else {
            tool->word[tool->count++] = argv[at];
        }
    }
    return TOOL_GO_ON;
}

/* --- the socket --------------------------------------------------------------------------------
 */

static enum err use_path(
    char ret[TOOL_PATH_MAX], const char *dir, const char *name, struct problem *problem)
{
    struct text t = text_over(ret, TOOL_PATH_MAX);
    if (dir) {
        text_add(&t, dir);
        text_add_char(&t, '/');
    }
    text_add(&t, name);
    if (!t.cut && t.length > 0) return ERR_NONE;
    return problem_set(problem, ERR_RANGE, "--socket", "the socket's path is empty or too long");
}

static bool is_socket_name(const char *name)
{
    const size_t length = strlen(name), end = sizeof socket_suffix - 1;
    return name[0] != '.' && length > end && strcmp(name + length - end, socket_suffix) == 0;
}

static enum err no_socket(const char *dir, const char *why, struct problem *problem)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, why);
    text_add(&t, "; give its path with --socket or in DOSEWRIGHT_SOCKET");
    return problem_set(problem, ERR_MISSING, dir, text);
}

enum err tool_find_socket(char ret[TOOL_PATH_MAX], const char *given, const char *environment,
    const char *dir, struct problem *problem)
{
    if (given) return use_path(ret, NULL, given, problem);
    if (environment && environment[0]) return use_path(ret, NULL, environment, problem);
    DIR *list = opendir(dir);
    if (!list && errno == EACCES) {
        return no_socket(dir, "this account may not look into the directory of sockets", problem);
    }
    if (!list) return no_socket(dir, "no daemon's socket is here: it doesn't run", problem);
    uint32_t found = 0;
    enum err err = ERR_NONE;
    for (const struct dirent *e = readdir(list); e && found < 2; e = readdir(list)) {
        if (!is_socket_name(e->d_name)) continue;
        if (found++ == 0) err = use_path(ret, dir, e->d_name, problem);
    }
    closedir(list);
    if (found == 0) return no_socket(dir, "no daemon's socket is here: it doesn't run", problem);
    if (found > 1) return no_socket(dir, "more than one daemon's socket is here", problem);
    return err;
}

/* --- calls -------------------------------------------------------------------------------------
 */

static int code_of(enum err err)
{
    if (err == ERR_RANGE) return EX_USAGE;
    return err == ERR_IO || err == ERR_MISSING ? EX_UNAVAILABLE : EX_IOERR;
}

static int say_problem(struct tool *tool, enum err err, const struct problem *problem)
{
    if (tool->quiet)
        tool->problem = *problem;
    else
        fprintf(stderr, "dosewright: %s: %s\n", problem->where, problem->text);
    return code_of(err);
}

cJSON *tool_call(
    struct tool *tool, const char *line, int64_t wait_ms, char **ret_raw, int *ret_code)
{
    struct problem problem;
    char *raw = NULL;
    enum err err = ERR_NONE;
    if (ret_raw) *ret_raw = NULL;
    if (tool->way) {
        err = tool->way->carry(tool->way->context, line, wait_ms, &raw, &problem);
    } else if (tool->path[0] == '\0') {
        err = tool_find_socket(
            tool->path, tool->socket, getenv("DOSEWRIGHT_SOCKET"), socket_dir, &problem);
    }
    if (err == ERR_NONE && !tool->way) err = door_ask(tool->path, line, wait_ms, &raw, &problem);
    if (err != ERR_NONE) {
        *ret_code = say_problem(tool, err, &problem);
        return NULL;
    }
    cJSON *answer = cJSON_Parse(raw);
    if (!cJSON_IsBool(cJSON_GetObjectItemCaseSensitive(answer, "ok"))) {
        (void)problem_set(&problem, ERR_SYNTAX, tool->way ? "broker" : tool->path,
            "the answer can't be read; is that the daemon?");
        (void)say_problem(tool, ERR_SYNTAX, &problem);
        cJSON_Delete(answer);
        free(raw);
        *ret_code = EX_DATAERR;
        return NULL;
    }
    if (ret_raw)
        *ret_raw = raw;
    else
        free(raw);
    *ret_code = cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(answer, "ok")) ? EX_OK : 1;
    return answer;
}

/* Moves the tanks of a further page to the first. */
static void join_tanks(cJSON *answer, cJSON *page)
{
    cJSON *all = cJSON_GetObjectItemCaseSensitive(answer, "tanks");
    cJSON *more = cJSON_GetObjectItemCaseSensitive(page, "tanks");
    while (cJSON_IsArray(all) && cJSON_GetArraySize(more) > 0) {
        cJSON_AddItemToArray(all, cJSON_DetachItemFromArray(more, 0));
    }
    cJSON_DeleteItemFromObjectCaseSensitive(answer, "next");
    cJSON *next = cJSON_DetachItemFromObjectCaseSensitive(page, "next");
    if (next) cJSON_AddItemToObject(answer, "next", next);
}

cJSON *tool_status(struct tool *tool, int *ret_code)
{
    cJSON *answer = tool_call(tool, "{\"call\":\"status\"}", TOOL_WAIT_MS, NULL, ret_code);
    double from = 0;
    for (int page = 0; answer && page < SITE_TANKS_MAX; page++) {
        const double next = show_number(answer, "next");
        if (!(next > from)) break;
        from = next;
        char line[64];
        struct text t = text_over(line, sizeof line);
        text_add(&t, "{\"call\":\"status\",\"from\":");
        text_add_real(&t, from, 0);
        text_add_char(&t, '}');
        cJSON *more = tool_call(tool, line, TOOL_WAIT_MS, NULL, ret_code);
        if (more) {
            join_tanks(answer, more);
            cJSON_Delete(more);
        } else {
            cJSON_Delete(answer);
            answer = NULL;
        }
    }
    return answer;
}

/* Lines of the answer, one by one, without what a terminal would obey. */
static void say_lines(FILE *out, const char *text)
{
    while (*text) {
        const size_t length = strcspn(text, "\n");
        show_safely(out, text, length);
        fputc('\n', out);
        text += length;
        if (*text == '\n') text++;
    }
}

static int ask_and_say(
    struct tool *tool, const char *line, int64_t wait_ms, const char *done, bool only_a_no)
{
    char *raw;
    int code;
    cJSON *answer = tool_call(tool, line, wait_ms, &raw, &code);
    if (!answer) return code;
    const char *text = show_string(answer, "text"), *reason = show_string(answer, "reason");
    if (code == EX_OK && only_a_no) {
        /* another request follows, and its answer is said */
    } else if (tool->json) {
        puts(raw);
    } else if (code == EX_OK) {
        say_lines(stdout, text);
        if (done && text[0] == '\0') puts(done);
    } else {
        fputs("dosewright: refused (", stderr);
        show_safely(stderr, reason, strlen(reason));
        fputs(")\n", stderr);
        say_lines(stderr, text);
    }
    cJSON_Delete(answer);
    free(raw);
    return code;
}

int tool_ask(struct tool *tool, const char *line, int64_t wait_ms, const char *done)
{
    return ask_and_say(tool, line, wait_ms, done, false);
}

int tool_ask_first(struct tool *tool, const char *line, int64_t wait_ms)
{
    return ask_and_say(tool, line, wait_ms, NULL, true);
}

bool tool_request(char ret[TOOL_LINE_MAX], const char *request, const char *const members[])
{
    struct text t = text_over(ret, TOOL_LINE_MAX);
    text_add(&t, "{\"call\":\"request\",\"request\":");
    payload_add_string(&t, request);
    for (size_t i = 0; members[i]; i += 2) {
        text_add_char(&t, ',');
        payload_add_string(&t, members[i]);
        text_add_char(&t, ':');
        text_add(&t, members[i + 1]);
    }
    text_add_char(&t, '}');
    return !t.cut;
}

const char *tool_quote(char ret[TOOL_PATH_MAX * 2], const char *word)
{
    struct text t = text_over(ret, TOOL_PATH_MAX * 2);
    payload_add_string(&t, word);
    if (t.cut) text_copy(ret, TOOL_PATH_MAX * 2, "\"\"");
    return ret;
}
