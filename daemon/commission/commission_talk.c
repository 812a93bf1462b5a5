/* How the walk talks: lines in, lines out, so that it works on a terminal, over a serial line and
 * in a test alike. */
#include <math.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/commission/commission.h"
#include "daemon/tool/tool_show.h"
#include "lib/base/decimal.h"

enum { LOOK_MS = 500, ANSWERS_MOST = 20 };

void walk_head(const char *text)
{
    printf("\n== %s\n", text);
}

void walk_say(const char *format, ...)
{
    char text[1024];
    va_list more;
    va_start(more, format);
    const int length = vsnprintf(text, sizeof text, format, more);
    va_end(more);
    if (length < 0) return;
    show_folded(stdout, 0, "", text);
}

/* --- the person ------------------------------------------------------------------------------- */

/* A line without blanks around it; false at the end of the input. */
static bool read_line(char ret[WALK_LINE_MAX])
{
    char line[WALK_LINE_MAX];
    fflush(stdout);
    if (!fgets(line, sizeof line, stdin)) {
        putchar('\n');
        return false;
    }
    size_t length = strlen(line);
    for (int c = 0;
         length == sizeof line - 1 && line[length - 1] != '\n';) { /* too long: drop it */
        c = getchar();
        if (c == EOF || c == '\n') break;
    }
    length = strcspn(line, "\r\n");
    const char *from = line + strspn(line, " \t");
    size_t kept = length - (size_t)(from - line);
    while (kept > 0 && (from[kept - 1] == ' ' || from[kept - 1] == '\t')) {
        kept--;
    }
    memcpy(ret, from, kept);
    ret[kept] = '\0';
    return true;
}

static enum walk_reply leave(struct walk *w)
{
    w->code = EX_OK;
    return WALK_LEAVE;
}

/* The letters that every question knows; false when it is none of them. */
static bool is_letter(struct walk *w, const char *word, enum walk_reply *ret)
{
    *ret = WALK_SKIP;
    if (strcmp(word, "s") == 0 || strcmp(word, "n") == 0) return true;
    if (strcmp(word, "q") != 0) return false;
    *ret = leave(w);
    return true;
}

enum walk_reply walk_confirm(struct walk *w, const char *question)
{
    char line[WALK_LINE_MAX];
    enum walk_reply reply;
    for (int n = 0; n < ANSWERS_MOST; n++) {
        printf("%s  [Enter: yes, s: skip, q: leave] ", question);
        if (!read_line(line)) return leave(w);
        if (line[0] == '\0' || strcmp(line, "y") == 0) return WALK_YES;
        if (is_letter(w, line, &reply)) return reply;
        puts("Enter, s or q, please.");
    }
    return leave(w);
}

enum walk_reply walk_number(
    struct walk *w, const char *question, double least, double most, double fallback, double *ret)
{
    char line[WALK_LINE_MAX];
    enum walk_reply reply;
    for (int n = 0; n < ANSWERS_MOST; n++) {
        printf("%s  [", question);
        if (isfinite(fallback)) printf("Enter: %g, ", fallback);
        printf("s: skip, q: leave] ");
        if (!read_line(line)) return leave(w);
        if (is_letter(w, line, &reply)) return reply;
        struct decimal d;
        const bool given = decimal_read_plain(&d, line, strlen(line));
        if (given) *ret = decimal_real(d);
        if (line[0] == '\0' && isfinite(fallback)) *ret = fallback;
        if ((given || (line[0] == '\0' && isfinite(fallback))) && *ret >= least && *ret <= most)
            return WALK_YES;
        printf(
            "A plain number from %g to %g, with a point for the decimals, please.\n", least, most);
    }
    return leave(w);
}

enum walk_reply walk_word(
    struct walk *w, const char *question, const char *fallback, char ret[WALK_LINE_MAX])
{
    enum walk_reply reply;
    for (int n = 0; n < ANSWERS_MOST; n++) {
        printf("%s  [Enter: %s, s: skip, q: leave] ", question, fallback);
        if (!read_line(ret)) return leave(w);
        if (is_letter(w, ret, &reply)) return reply;
        if (ret[0] == '\0') text_copy(ret, WALK_LINE_MAX, fallback);
        if (ret[strcspn(ret, " \t")] == '\0') return WALK_YES;
        puts("One word, please.");
    }
    return leave(w);
}

/* --- the daemon ------------------------------------------------------------------------------- */

static cJSON *call(struct walk *w, const char *line)
{
    int code;
    if (w->code != TOOL_GO_ON) return NULL;
    cJSON *answer = tool_call(w->tool, line, TOOL_WAIT_MS, NULL, &code);
    if (!answer) w->code = code;
    return answer;
}

cJSON *walk_status(struct walk *w)
{
    return call(w, "{\"call\":\"status\"}");
}

cJSON *walk_status_whole(struct walk *w)
{
    int code;
    if (w->code != TOOL_GO_ON) return NULL;
    cJSON *answer = tool_status(w->tool, &code);
    if (!answer) w->code = code;
    return answer;
}

cJSON *walk_tank(struct walk *w, const char *tank)
{
    double from = 0;
    for (;;) {
        char line[64];
        (void)snprintf(line, sizeof line, "{\"call\":\"status\",\"from\":%.0f}", from);
        cJSON *page = call(w, line);
        if (!page) return NULL;
        cJSON *tanks = cJSON_GetObjectItemCaseSensitive(page, "tanks");
        for (int i = 0; i < cJSON_GetArraySize(tanks); i++) {
            if (strcmp(show_string(cJSON_GetArrayItem(tanks, i), "key"), tank) != 0) continue;
            cJSON *found = cJSON_DetachItemFromArray(tanks, i);
            cJSON_Delete(page);
            return found;
        }
        const double next = show_number(page, "next");
        cJSON_Delete(page);
        if (!(next > from)) break;
        from = next;
    }
    fprintf(stderr,
        "dosewright: the daemon has no tank '%s'; 'dosewright status' shows those it has\n", tank);
    w->code = 1;
    return NULL;
}

bool walk_ask(struct walk *w, const char *request, const char *const members[])
{
    char line[TOOL_LINE_MAX];
    fflush(stdout);
    if (!tool_request(line, request, members)) {
        fprintf(stderr, "dosewright: a word is too long\n");
        return false;
    }
    const int code = tool_ask(w->tool, line, TOOL_WAIT_MS, "Done.");
    if (code != EX_OK && code != 1) w->code = code;
    return code == EX_OK;
}

int walk_try(struct walk *w, const char *request, const char *const members[],
    char ret_reason[WALK_LINE_MAX])
{
    char line[TOOL_LINE_MAX];
    int code = EX_USAGE;
    if (!tool_request(line, request, members)) return code;
    w->tool->quiet = true;
    cJSON *answer = tool_call(w->tool, line, TOOL_WAIT_MS, NULL, &code);
    w->tool->quiet = false;
    if (ret_reason) text_copy(ret_reason, WALK_LINE_MAX, show_string(answer, "reason"));
    cJSON_Delete(answer);
    return code;
}

static bool is_under_way(const cJSON *tank)
{
    return show_string(tank, "asked")[0] != '\0' ||
           show_true(show_member(tank, "ec"), "listening") ||
           show_true(show_member(tank, "ph"), "listening");
}

/* What changed since it was said last. */
static void say_change(char last[WALK_LINE_MAX], const char *words)
{
    if (words[0] == '\0' || strncmp(last, words, WALK_LINE_MAX - 1) == 0) return;
    text_copy(last, WALK_LINE_MAX, words);
    walk_say("   ... %s", words);
    fflush(stdout);
}

static bool wait_on(struct walk *w, const char *tank, int seconds_most)
{
    char last[WALK_LINE_MAX] = "";
    for (int64_t ms = 0; ms <= seconds_most * SECOND_MS; ms += LOOK_MS) {
        walk_rest(w, LOOK_MS);
        cJSON *now = walk_tank(w, tank);
        if (!now) return false;
        const bool waits = is_under_way(now);
        say_change(last, show_string(now, waits ? "why" : "said"));
        cJSON_Delete(now);
        if (!waits) return true;
    }
    walk_say("It takes longer than expected; 'dosewright status %s' says why.", tank);
    return false;
}

bool walk_wait(struct walk *w, const char *tank, int seconds_most)
{
    walk_guard(w);
    const bool over = wait_on(w, tank, seconds_most);
    if (walk_interrupted(w)) walk_cancel(w, tank);
    walk_unguard(w);
    return over;
}
