/* status --watch. A frame is written in one piece over the former one, each line cleared to its
 * end, so that nothing flickers and nothing has to be put back when it is ended. */
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sysexits.h>
#include <termios.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/tool/cmd_status.h"
#include "daemon/tool/tool_show.h"

enum { WATCH_MS = 2000, ROWS_USUAL = 24, ROWS_LEAST = 6, COLUMNS_USUAL = 80 };

struct watch {
    struct status_tool *s;
    bool screen; /* standard output is a terminal that can move its cursor */
    int rows, columns;
    cJSON *last;    /* the newest answer; NULL: none yet */
    bool away;      /* nobody answers */
    char since[32]; /* when that began */
    bool wipe;      /* the screen holds something else */
};

static volatile sig_atomic_t resized;

static void on_resize(int signal_number)
{
    (void)signal_number;
    resized = 1;
}

/* The cursor stands below the last line: there is nothing to put back. */
static void on_end(int signal_number)
{
    (void)signal_number;
    _exit(EX_OK);
}

static void catch_signals(void)
{
    struct sigaction end = { .sa_handler = on_end }, resize = { .sa_handler = on_resize };
    static const int ends[] = { SIGINT, SIGTERM, SIGHUP };
    for (size_t i = 0; i < sizeof ends / sizeof *ends; i++) {
        (void)sigaction(ends[i], &end, NULL);
    }
    (void)sigaction(SIGWINCH, &resize, NULL);
}

static bool has_screen(void)
{
    const char *term = getenv("TERM");
    return isatty(STDOUT_FILENO) && term && term[0] && strcmp(term, "dumb") != 0;
}

static void look_at_screen(struct watch *w)
{
    struct winsize size = { 0 };
    resized = 0;
    show_set_terminal_here();
    w->rows = ROWS_USUAL;
    w->columns = COLUMNS_USUAL;
    if (!w->screen || ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) != 0) return;
    if (size.ws_row >= ROWS_LEAST) w->rows = size.ws_row;
    if (size.ws_col > 0) w->columns = size.ws_col;
}

/* --- what is shown ---------------------------------------------------------------------------- */

static void put_away(const struct watch *w, FILE *out)
{
    char words[PROBLEM_TEXT_MAX * 2];
    struct text t = text_over(words, sizeof words);
    text_add(&t, "NO ANSWER since ");
    text_add(&t, w->since);
    text_add(&t, ": ");
    text_add(&t, w->s->tool.problem.text);
    text_add(&t, ". Waiting for it");
    text_add(&t, w->last ? "; what stands below is old." : ".");
    show_folded(out, 0, "", words);
}

/* The whole frame as text; freed by the caller. */
static char *frame_of(const struct watch *w, bool brief)
{
    char *bytes = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&bytes, &size);
    if (!out) return NULL;
    struct status_tool s = *w->s;
    s.brief = s.brief || brief;
    if (w->away) {
        put_away(w, out);
        fputc('\n', out);
    }
    if (w->last) status_put(&s, w->last, out);
    if (fclose(out) == 0) return bytes;
    free(bytes);
    return NULL;
}

static int lines_of(const char *text)
{
    int lines = 0;
    for (; *text; text++) {
        lines += *text == '\n';
    }
    return lines;
}

/* Bytes of a line that fit before the last column; in that one some terminals wrap at once. */
static size_t fitting(const char *line, size_t length, int columns)
{
    size_t bytes = 0;
    for (int column = 0; bytes < length; bytes++) {
        if (((unsigned char)line[bytes] & 0xC0) != 0x80 && ++column >= columns) break;
    }
    return bytes;
}

/* At most rows - 1 lines, as the cursor ends below them. */
static void put_frame(struct watch *w, const char *text, FILE *out)
{
    const int lines = lines_of(text), room = w->rows - 1;
    const int shown = lines <= room ? lines : room - 1;
    fputs(w->wipe ? "\033[H\033[2J" : "\033[H", out);
    for (int i = 0; i < shown; i++) {
        const size_t length = strcspn(text, "\n");
        fprintf(out, "%.*s\033[K\n", (int)fitting(text, length, w->columns), text);
        text += length + 1;
    }
    if (shown < lines)
        fprintf(out, "... and %d lines more: make the window taller, or name tanks\033[K\n",
            lines - shown);
    fputs("\033[J", out);
    w->wipe = false;
}

static bool write_whole(const char *bytes, size_t size)
{
    while (size > 0) {
        const ssize_t n = write(STDOUT_FILENO, bytes, size);
        if (n <= 0) return false;
        bytes += n;
        size -= (size_t)n;
    }
    return true;
}

static bool draw(struct watch *w)
{
    char *text = frame_of(w, false), *bytes = NULL;
    size_t size = 0;
    if (text && lines_of(text) > w->rows - 1) {
        free(text);
        text = frame_of(w, true);
    }
    FILE *out = open_memstream(&bytes, &size);
    if (text && out) put_frame(w, text, out);
    const bool made = out && fclose(out) == 0 && text;
    const bool good = made && write_whole(bytes, size);
    free(bytes);
    free(text);
    return good;
}

/* Without a screen: one status after the other, and a word on standard error when nobody answers.
 */
static bool print(const struct watch *w, bool was_away)
{
    if (w->away) {
        if (!was_away) put_away(w, stderr);
        return true;
    }
    status_put(w->s, w->last, stdout);
    if (!w->s->tool.json) fputc('\n', stdout);
    return fflush(stdout) == 0;
}

/* --- again and again -------------------------------------------------------------------------- */

static void note_since(struct watch *w)
{
    char now[40];
    struct text t = text_over(now, sizeof now), since = text_over(w->since, sizeof w->since);
    text_add_civil(&t, clock_now().civil);
    text_add_bytes(&since, now + 11, 8); /* the time of 2031-04-02T05:06:07.089Z */
    text_add(&since, " UTC");
}

/* TOOL_GO_ON, or the exit code when there is no use in going on. */
static int ask(struct watch *w)
{
    int code;
    const bool was_away = w->away;
    cJSON *answer = tool_status(&w->s->tool, &code);
    if (answer && code != EX_OK) { /* it answers, but doesn't show itself */
        cJSON_Delete(answer);
        answer = NULL;
        code = EX_UNAVAILABLE;
        (void)problem_set(&w->s->tool.problem, ERR_BUSY, w->s->tool.path,
            "the daemon refused to show its status");
    }
    if (answer && !status_choose(w->s, answer, stderr)) {
        cJSON_Delete(answer);
        return 1;
    }
    w->away = answer == NULL;
    if (answer) {
        cJSON_Delete(w->last);
        w->last = answer;
    } else if (code != EX_UNAVAILABLE && code != EX_IOERR) {
        fprintf(stderr, "dosewright: %s: %s\n", w->s->tool.problem.where, w->s->tool.problem.text);
        return code;
    }
    if (w->away && !was_away) note_since(w);
    if (!w->screen && !print(w, was_away)) return EX_IOERR;
    return TOOL_GO_ON;
}

int status_watch(struct status_tool *s)
{
    struct watch w = { .s = s, .screen = !s->tool.json && has_screen(), .wipe = true };
    int code = TOOL_GO_ON;
    s->tool.quiet = true;
    catch_signals();
    look_at_screen(&w);
    while (code == TOOL_GO_ON) {
        code = ask(&w);
        int64_t left_ms = WATCH_MS;
        const struct mono from = clock_now().mono;
        while (code == TOOL_GO_ON && left_ms > 0) {
            if (w.screen && !draw(&w)) code = EX_IOERR;
            if (code == TOOL_GO_ON) poll(NULL, 0, (int)left_ms);
            left_ms = WATCH_MS - mono_since(clock_now().mono, from);
            if (!resized) continue;
            look_at_screen(&w);
            w.wipe = true;
        }
    }
    cJSON_Delete(w.last);
    return code;
}
