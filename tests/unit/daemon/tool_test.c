/* The tools against a real socket: the tool runs in a child, its daemon is this process. */
#include <check.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/door/door.h"
#include "daemon/tool/cmd.h"
#include "daemon/tool/tool.h"
#include "tests/unit/support.h"

enum { CALLS_MAX = 8, CHILD_MS = 20000 };

static char dir[64], path[80], in_path[80], out_path[80], err_path[80];
static struct door *door;
static struct site_tank tanks[1] = { { .key = "basil-bench" } };
static struct site site;

/* What the tool did. */
static struct {
    int code;
    char out[16384], err[4096];
    uint32_t calls;
    struct door_call call[CALLS_MAX];
} ran;

/* How the daemon answers its n-th call. */
static struct {
    bool ok;
    const char *reason, *text;
} answer[CALLS_MAX];

static void set_up(void)
{
    struct problem problem;
    test_place(dir, sizeof dir, "tool-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
    snprintf(path, sizeof path, "%s/d.sock", dir);
    snprintf(in_path, sizeof in_path, "%s/in", dir);
    snprintf(out_path, sizeof out_path, "%s/out", dir);
    snprintf(err_path, sizeof err_path, "%s/err", dir);
    ck_assert_int_eq(door_open(&door, path, &problem), ERR_NONE);
    setenv("DOSEWRIGHT_SOCKET", path, 1);
    site = (struct site){ .tank_count = 1,
        .tank = tanks,
        .chain_count = 1,
        .chain = { { .key = "west", .count = 1, .module = { { .position = 2 } } } },
        .stock_count = 1,
        .stock = { { .key = "leaf-a", .bottle_ul = 5000000 } } };
    for (int i = 0; i < CALLS_MAX; i++) {
        answer[i].ok = true;
        answer[i].reason = "done";
        answer[i].text = "";
    }
}

static void tear_down(void)
{
    door_close(door);
    unlink(in_path);
    unlink(out_path);
    unlink(err_path);
    ck_assert_int_eq(rmdir(dir), 0);
}

static void read_back(char *ret, size_t room, const char *from)
{
    FILE *f = fopen(from, "r");
    ck_assert_ptr_nonnull(f);
    ret[fread(ret, 1, room - 1, f)] = '\0';
    fclose(f);
}

static void serve(void)
{
    struct door_call call;
    struct pollfd p = { .fd = door_descriptor(door), .events = POLLIN };
    poll(&p, 1, 10);
    while (door_take(door, &site, clock_now(), &call)) {
        ck_assert_uint_lt(ran.calls, CALLS_MAX);
        const uint32_t n = ran.calls++;
        ran.call[n] = call;
        if (answer[n].text) {
            door_answer(door, call.ticket, answer[n].ok, answer[n].reason, answer[n].text);
        }
    }
}

static pid_t start(int (*command)(int, char **), int argc, char **argv)
{
    const pid_t pid = fork();
    if (pid > 0) return pid;
    ck_assert_int_eq(pid, 0);
    ck_assert_ptr_nonnull(freopen(out_path, "w", stdout));
    ck_assert_ptr_nonnull(freopen(err_path, "w", stderr));
    const int code = command(argc, argv);
    fflush(stdout);
    fflush(stderr);
    _exit(code);
}

/* Runs a tool with words parted by blanks. */
static int run_tool(int (*command)(int, char **), const char *words)
{
    static char copy[512];
    char *argv[16] = { NULL };
    int argc = 0, status = 0;
    memset(&ran, 0, sizeof ran);
    text_copy(copy, sizeof copy, words);
    for (char *w = copy; *w && argc < 15; argc++) {
        argv[argc] = w;
        w += strcspn(w, " ");
        if (*w) *w++ = '\0';
    }
    const pid_t pid = start(command, argc, argv);
    const struct mono until = mono_after(clock_now().mono, CHILD_MS);
    while (waitpid(pid, &status, WNOHANG) == 0) {
        serve();
        if (mono_since(clock_now().mono, until) < 0) continue;
        kill(pid, SIGKILL);
        ck_abort_msg("'%s' didn't end", words);
    }
    ck_assert_msg(WIFEXITED(status), "'%s' ended by a signal", words);
    ran.code = WEXITSTATUS(status);
    read_back(ran.out, sizeof ran.out, out_path);
    read_back(ran.err, sizeof ran.err, err_path);
    return ran.code;
}

static const struct event_request *only_request(void)
{
    ck_assert_uint_eq(ran.calls, 1);
    ck_assert_int_eq(ran.call[0].kind, DOOR_REQUEST);
    return &ran.call[0].request;
}

#define ck_says(text, wanted) ck_assert_msg(strstr(text, wanted), "no '%s' in:\n%s", wanted, text)

START_TEST(halt_and_release)
{
    ck_assert_int_eq(run_tool(cmd_halt, "halt"), EX_OK);
    ck_assert(only_request()->kind == REQUEST_HALT && only_request()->on);
    ck_says(ran.out, "stay stopped until 'dosewright release'");
    ck_assert_str_eq(ran.err, "");
    ck_assert_int_eq(run_tool(cmd_halt, "release"), EX_OK);
    ck_assert(only_request()->kind == REQUEST_HALT && !only_request()->on);
}
END_TEST

START_TEST(a_halt_that_failed_says_what_to_do)
{
    answer[0].ok = false;
    answer[0].reason = "no-disk";
    answer[0].text = "first\nsecond \033[2J";
    ck_assert_int_eq(run_tool(cmd_halt, "halt"), 1);
    ck_says(ran.err, "refused (no-disk)\nfirst\nsecond ?[2J\n");
    ck_says(ran.err, "cut the chains' supply");
    ck_assert_str_eq(ran.out, "");
    ck_assert_int_eq(run_tool(cmd_halt, "halt --socket /nowhere/d.sock"), EX_UNAVAILABLE);
    ck_says(ran.err, "/nowhere/d.sock: nobody answers here");
    ck_says(ran.err, "cut the chains' supply");
    ck_assert_uint_eq(ran.calls, 0);
}
END_TEST

START_TEST(pause_and_unpause)
{
    ck_assert_int_eq(run_tool(cmd_pause, "pause basil-bench"), EX_OK);
    ck_assert(only_request()->kind == REQUEST_PAUSE && only_request()->on);
    ck_assert_uint_eq(only_request()->tank, 0);
    ck_assert_int_eq(run_tool(cmd_pause, "unpause basil-bench"), EX_OK);
    ck_assert(!only_request()->on);
    ck_assert_int_eq(run_tool(cmd_pause, "pause nobody"), 1);
    ck_says(ran.err, "there is no tank \"nobody\"; there are: basil-bench");
    ck_assert_int_eq(run_tool(cmd_pause, "pause ba\"sil\\"), 1);
    ck_says(ran.err, "there is no tank \"ba\\x22sil\\x5c\"");
    ck_assert_int_eq(run_tool(cmd_pause, "pause"), EX_USAGE);
    ck_assert_int_eq(run_tool(cmd_pause, "pause a b"), EX_USAGE);
    ck_says(ran.err, "usage: dosewright pause");
}
END_TEST

START_TEST(each_request_goes_through)
{
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ec 1.4"), EX_OK);
    ck_assert_int_eq(only_request()->kind, REQUEST_SET_EC);
    ck_assert_double_eq(only_request()->value, 1400);
    ck_assert_str_eq(ran.out, "Done.\n");
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ph 5.9"), EX_OK);
    ck_assert_int_eq(only_request()->kind, REQUEST_SET_PH);
    ck_assert_int_eq(run_tool(cmd_ask, "ask override-end basil-bench"), EX_OK);
    ck_assert_int_eq(only_request()->kind, REQUEST_OVERRIDE_FOR);
    ck_assert_int_eq(only_request()->span_ms, 0);
    ck_assert_int_eq(run_tool(cmd_ask, "ask acknowledge west-roll-call"), EX_OK);
    ck_assert_str_eq(only_request()->word, "west-roll-call");
    ck_assert_int_eq(run_tool(cmd_ask, "ask claim west"), EX_OK);
    ck_assert_int_eq(only_request()->kind, REQUEST_CLAIM);
    ck_assert_int_eq(run_tool(cmd_ask, "ask refilled leaf-a"), EX_OK);
    ck_assert_int_eq(only_request()->ul, 5000000);
    ck_assert_int_eq(run_tool(cmd_ask, "ask refilled leaf-a 250.5"), EX_OK);
    ck_assert_int_eq(only_request()->ul, 250500);
    ck_assert_int_eq(run_tool(cmd_ask, "ask service basil-bench on"), EX_OK);
    ck_assert(only_request()->kind == REQUEST_SERVICE && only_request()->on);
    ck_assert_int_eq(run_tool(cmd_ask, "ask service basil-bench off"), EX_OK);
    ck_assert(!only_request()->on);
    ck_assert_int_eq(run_tool(cmd_ask, "ask tube-changed basil-bench leaf-a"), EX_OK);
    ck_assert_int_eq(only_request()->kind, REQUEST_TUBE_CHANGED);
    ck_assert_int_eq(run_tool(cmd_ask, "ask strainer-cleaned basil-bench"), EX_OK);
    ck_assert_int_eq(only_request()->kind, REQUEST_STRAINER_CLEANED);
    ck_assert_int_eq(run_tool(cmd_ask, "ask water-changed basil-bench"), EX_OK);
    ck_assert(only_request()->kind == REQUEST_WATER_CHANGED && only_request()->ul == 0);
    ck_assert_int_eq(run_tool(cmd_ask, "ask water-changed basil-bench 40.5"), EX_OK);
    ck_assert_int_eq(only_request()->ul, 40500000);
    ck_assert_int_eq(run_tool(cmd_ask, "ask identify west/2.3"), EX_OK);
    ck_assert_uint_eq(only_request()->address.channel, 3);
}
END_TEST

START_TEST(a_span_is_asked_for_before_the_setpoint)
{
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ec 1.4 --for 8h"), EX_OK);
    ck_assert_uint_eq(ran.calls, 2);
    ck_assert_int_eq(ran.call[0].request.kind, REQUEST_OVERRIDE_FOR);
    ck_assert_int_eq(ran.call[0].request.span_ms, 8 * HOUR_MS);
    ck_assert_int_eq(ran.call[1].request.kind, REQUEST_SET_EC);
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ec 1.4 --for=90min"), EX_OK);
    ck_assert_int_eq(ran.call[0].request.span_ms, 90 * MINUTE_MS);
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ec 1.4 --for 2d"), EX_OK);
    ck_assert_int_eq(ran.call[0].request.span_ms, 2 * DAY_MS);
    answer[1].reason = "done"; /* one command, one line, whatever it takes */
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ec 1.4 --for 2d --json"), EX_OK);
    ck_assert_str_eq(ran.out, "{\"ok\":true,\"reason\":\"done\",\"text\":\"\"}\n");
    answer[0].ok = false; /* too long, say: then the setpoint isn't touched */
    answer[0].reason = "too-long";
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ec 1.4 --for 300d"), 1);
    ck_assert_uint_eq(ran.calls, 1);
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ec 1.4 --for 300d --json"), 1);
    ck_assert_str_eq(ran.out, "{\"ok\":false,\"reason\":\"too-long\",\"text\":\"\"}\n");
}
END_TEST

START_TEST(what_is_written_wrong_never_reaches_the_daemon)
{
    static const char *const bad[] = { "ask", "ask dance", "ask set basil-bench ec",
        "ask set basil-bench ec 1,4", "ask set basil-bench ec 1e3", "ask set basil-bench ec 0x10",
        "ask set basil-bench od 1", "ask set basil-bench ec 1 2",
        "ask set basil-bench ec 1 --for 8", "ask set basil-bench ec 1 --for h",
        "ask set basil-bench ec 1 --for 0h", "ask set basil-bench ec 1 --for 1.5h",
        "ask set basil-bench ec 1 --for -1h", "ask set basil-bench ec 1 --for 367d",
        "ask set basil-bench ec 1 --for", "ask claim", "ask claim west east",
        "ask service basil-bench", "ask service basil-bench maybe", "ask refilled",
        "ask refilled leaf-a full", "ask tube-changed basil-bench", "ask strainer-cleaned",
        "ask water-changed", "ask water-changed basil-bench half",
        "ask water-changed basil-bench 1 2", "ask tube-changed basil-bench leaf-a now",
        "ask identify", "ask acknowledge", "ask override-end", "ask claim west --for 8h",
        "ask claim west --frob", "ask --socket", "ask a b c d e f g h i j" };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ck_assert_msg(run_tool(cmd_ask, bad[i]) == EX_USAGE, "'%s': %d", bad[i], ran.code);
        ck_assert_uint_eq(ran.calls, 0);
        ck_says(ran.err, "usage: dosewright ask");
        ck_assert_str_eq(ran.out, "");
    }
    ck_assert_int_eq(run_tool(cmd_reload, "reload --socket"), EX_USAGE);
    ck_says(ran.err, "a value is missing after \"--socket\"");
    ck_assert_int_eq(run_tool(cmd_reload, "reload now"), EX_USAGE);
    ck_assert_int_eq(run_tool(cmd_halt, "halt basil-bench"), EX_USAGE);
    ck_says(ran.err, "THE HALT WAS NOT TAKEN");
    ck_assert_int_eq(run_tool(cmd_halt, "halt --now"), EX_USAGE);
    ck_says(ran.err, "THE HALT WAS NOT TAKEN");
    ck_assert_uint_eq(ran.calls, 0);
}
END_TEST

START_TEST(a_negative_number_is_a_word_and_the_daemon_refuses_it)
{
    ck_assert_int_eq(run_tool(cmd_ask, "ask set basil-bench ec -1"), 1);
    ck_says(ran.err, "out-of-range");
}
END_TEST

START_TEST(help_goes_to_standard_output)
{
    ck_assert_int_eq(run_tool(cmd_ask, "ask --help"), EX_OK);
    ck_says(ran.out, "override-end TANK");
    ck_assert_int_eq(run_tool(cmd_halt, "release --help"), EX_OK);
    ck_says(ran.out, "usage: dosewright release");
    ck_assert_int_eq(run_tool(cmd_status, "status -h"), EX_OK);
    ck_says(ran.out, "--watch");
    ck_assert_uint_eq(ran.calls, 0);
}
END_TEST

START_TEST(a_reload_prints_every_line_of_its_verdict)
{
    answer[0].ok = false;
    answer[0].reason = "invalid";
    answer[0].text = "site.yaml:3:1: unknown key\nsite.yaml:9:2: out of range";
    ck_assert_int_eq(run_tool(cmd_reload, "reload"), 1);
    ck_assert_int_eq(ran.call[0].kind, DOOR_RELOAD);
    ck_says(
        ran.err, "refused (invalid)\nsite.yaml:3:1: unknown key\nsite.yaml:9:2: out of range\n");
    answer[0].ok = true;
    answer[0].text = "";
    ck_assert_int_eq(run_tool(cmd_reload, "reload"), EX_OK);
    ck_assert_str_eq(ran.out, "The new configuration is in force.\n");
    answer[0].text = "in force; 2 things are unwise";
    ck_assert_int_eq(run_tool(cmd_reload, "reload"), EX_OK);
    ck_assert_str_eq(ran.out, "in force; 2 things are unwise\n");
}
END_TEST

START_TEST(json_is_the_answer_as_it_came)
{
    ck_assert_int_eq(run_tool(cmd_halt, "halt --json"), EX_OK);
    ck_assert_str_eq(ran.out, "{\"ok\":true,\"reason\":\"done\",\"text\":\"\"}\n");
    answer[0].ok = false;
    ck_assert_int_eq(run_tool(cmd_reload, "reload --json"), 1);
    ck_assert_str_eq(ran.out, "{\"ok\":false,\"reason\":\"done\",\"text\":\"\"}\n");
    ck_assert_str_eq(ran.err, "");
}
END_TEST

/* --- the client --------------------------------------------------------------------------------
 */

/* A listener that takes a call and answers with these bytes, or never (NULL); ends by itself. */
static pid_t start_odd_daemon(const char *bytes, size_t length)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    snprintf(address.sun_path, sizeof address.sun_path, "%s/odd", dir);
    const int listener = socket(AF_UNIX, SOCK_STREAM, 0);
    ck_assert_int_eq(bind(listener, (struct sockaddr *)&address, sizeof address), 0);
    ck_assert_int_eq(listen(listener, 1), 0);
    const pid_t pid = fork();
    if (pid == 0) {
        char call[256];
        const int fd = accept(listener, NULL, NULL);
        signal(SIGPIPE, SIG_IGN);
        if (recv(fd, call, sizeof call, 0) < 0) _exit(1);
        while (bytes && length > 0) {
            const ssize_t n = send(fd, bytes, length, MSG_NOSIGNAL);
            if (n <= 0) break;
            bytes += n;
            length -= (size_t)n;
        }
        if (!bytes) poll(NULL, 0, 5000);
        _exit(0);
    }
    close(listener);
    return pid;
}

static enum err ask_odd(const char *bytes, size_t length, int64_t wait_ms, char *ret_text)
{
    char odd[80], *got;
    snprintf(odd, sizeof odd, "%s/odd", dir);
    struct problem problem = { 0 };
    const pid_t pid = start_odd_daemon(bytes, length);
    const enum err err = door_ask(odd, "{\"call\":\"status\"}", wait_ms, &got, &problem);
    text_copy(ret_text, 256, got ? got : problem.text);
    ck_assert(err == ERR_NONE ? got != NULL : got == NULL);
    free(got);
    kill(pid, SIGKILL);
    waitpid(pid, NULL, 0);
    unlink(odd);
    return err;
}

START_TEST(a_daemon_that_behaves_oddly_is_told_apart)
{
    char text[256];
    ck_assert_int_eq(ask_odd("{\"ok\":true}\nmore", 16, 5000, text), ERR_NONE);
    ck_assert_str_eq(text, "{\"ok\":true}");
    ck_assert_int_eq(ask_odd("{\"ok\":tr", 8, 5000, text), ERR_DAMAGED);
    ck_says(text, "hung up");
    ck_assert_int_eq(ask_odd("", 0, 5000, text), ERR_DAMAGED);
    const struct now before = clock_now();
    ck_assert_int_eq(ask_odd(NULL, 0, 300, text), ERR_BUSY);
    ck_says(text, "in time");
    const int64_t took_ms = mono_since(clock_now().mono, before.mono);
    ck_assert(took_ms >= 300 && took_ms < 3000);
    const size_t much = (size_t)3 * DOOR_ANSWER_MAX;
    char *endless = malloc(much);
    memset(endless, 'x', much);
    ck_assert_int_eq(ask_odd(endless, much, 10000, text), ERR_DAMAGED);
    ck_says(text, "too long");
    free(endless);
}
END_TEST

START_TEST(exit_codes_tell_what_went_wrong)
{
    char odd[80], words[128];
    snprintf(odd, sizeof odd, "%s/odd", dir);
    snprintf(words, sizeof words, "status --socket %s", odd);
    static const struct {
        const char *bytes;
        int code;
    } cases[] = { { "no JSON\n", EX_DATAERR }, { "{\"ok\":3}\n", EX_DATAERR },
        { "[]\n", EX_DATAERR }, { "{\"ok\":false}\n", 1 }, { "{\"ok\":true}\n", EX_OK },
        { "", EX_IOERR } };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        const pid_t pid = start_odd_daemon(cases[i].bytes, strlen(cases[i].bytes));
        ck_assert_msg(run_tool(cmd_status, words) == cases[i].code, "case %zu: %d", i, ran.code);
        waitpid(pid, NULL, 0);
        unlink(odd);
    }
    ck_assert_int_eq(run_tool(cmd_status, words), EX_UNAVAILABLE);
    memset(words, 'x', sizeof words - 1);
    memcpy(words, "status --socket ", 16);
    words[sizeof words - 1] = '\0';
    ck_assert_int_eq(run_tool(cmd_status, words), EX_USAGE);
}
END_TEST

/* Answers calls with one page or, with "from":1, the other. */
static void serve_two_pages(int listener, const char *first)
{
    const char *const pages[] = { first,
        "{\"ok\":true,\"tanks\":[{\"key\":\"cress\",\"state\":\"mixing\"}]}\n" };
    for (int i = 0; i < CALLS_MAX; i++) {
        char call[256] = "";
        const int fd = accept(listener, NULL, NULL);
        if (recv(fd, call, sizeof call - 1, 0) < 0) _exit(1);
        const int page = strstr(call, "\"from\":1") ? 1 : 0;
        if (send(fd, pages[page], strlen(pages[page]), MSG_NOSIGNAL) < 0) _exit(1);
        close(fd);
    }
    _exit(0);
}

static void run_paged(int (*command)(int, char **), const char *words, const char *first)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    snprintf(address.sun_path, sizeof address.sun_path, "%s/odd", dir);
    const int listener = socket(AF_UNIX, SOCK_STREAM, 0);
    ck_assert_int_eq(bind(listener, (struct sockaddr *)&address, sizeof address), 0);
    ck_assert_int_eq(listen(listener, 4), 0);
    const pid_t pid = fork();
    if (pid == 0) serve_two_pages(listener, first);
    close(listener);
    setenv("DOSEWRIGHT_SOCKET", address.sun_path, 1);
    run_tool(command, words);
    kill(pid, SIGKILL);
    waitpid(pid, NULL, 0);
    unlink(address.sun_path);
}

START_TEST(a_status_of_several_pages_is_put_together)
{
    const char *first = "{\"ok\":true,\"tanks\":[{\"key\":\"basil-bench\",\"state\":\"holding\"}],"
                        "\"next\":1}\n";
    run_paged(cmd_status, "status --json", first);
    ck_assert_int_eq(ran.code, EX_OK);
    ck_assert_str_eq(ran.out,
        "{\"ok\":true,\"tanks\":[{\"key\":\"basil-bench\",\"state\":\"holding\"},"
        "{\"key\":\"cress\",\"state\":\"mixing\"}]}\n");
    run_paged(cmd_status, "status cress", first);
    ck_assert_int_eq(ran.code, EX_OK);
    ck_assert_int_eq(strncmp(ran.out, "cress         mixing", 20), 0);
    ck_assert_ptr_null(strstr(ran.out, "basil-bench"));
    run_paged(cmd_status, "status cress nobody", first);
    ck_assert_int_eq(ran.code, 1);
    ck_says(ran.err, "there is no tank 'nobody'");
    ck_says(ran.out, "cress");
}
END_TEST

START_TEST(a_walk_comes_to_tanks_of_further_pages)
{
    FILE *person = fopen(in_path, "w");
    ck_assert_ptr_nonnull(person);
    for (int i = 0; i < 40; i++) {
        fputs("s\n", person);
    }
    fclose(person);
    ck_assert_ptr_nonnull(freopen(in_path, "r", stdin));
    run_paged(cmd_commission, "commission",
        "{\"ok\":true,\"broker\":{\"up\":true,\"uri\":\"mqtt://shed\"},\"chains\":[],"
        "\"tanks\":[{\"key\":\"basil-bench\"}],\"next\":1}\n");
    ck_assert_int_eq(ran.code, EX_OK);
    ck_says(ran.out, "basil-bench: Look at its probes?");
    ck_says(ran.out, "cress: Look at its probes?");
    ck_says(ran.out, "That was all.");
}
END_TEST

/* --- the socket --------------------------------------------------------------------------------
 */

START_TEST(the_socket_is_found)
{
    char found[TOOL_PATH_MAX], other[TOOL_PATH_MAX];
    struct problem p = { 0 };
    ck_assert_int_eq(tool_find_socket(found, "/a", "/b", dir, &p), ERR_NONE);
    ck_assert_str_eq(found, "/a");
    ck_assert_int_eq(tool_find_socket(found, NULL, "/b", dir, &p), ERR_NONE);
    ck_assert_str_eq(found, "/b");
    ck_assert_int_eq(tool_find_socket(found, NULL, "", dir, &p), ERR_NONE);
    ck_assert_str_eq(found, path);
    ck_assert_int_eq(tool_find_socket(found, "", NULL, dir, &p), ERR_RANGE);
    snprintf(other, sizeof other, "%s/e.sock", dir);
    close(open(other, O_CREAT | O_WRONLY, 0600));
    ck_assert_int_eq(tool_find_socket(found, NULL, NULL, dir, &p), ERR_MISSING);
    ck_says(p.text, "more than one");
    ck_says(p.text, "--socket");
    unlink(other);
    ck_assert_int_eq(tool_find_socket(found, NULL, NULL, "/nowhere", &p), ERR_MISSING);
    ck_says(p.text, "DOSEWRIGHT_SOCKET");
    ck_assert_str_eq(p.where, "/nowhere");
    ck_assert_int_eq(rename(path, other), 0);
    snprintf(found, sizeof found, "%s/.d.sock", dir);
    ck_assert_int_eq(rename(other, found), 0); /* a hidden file is none */
    ck_assert_int_eq(tool_find_socket(other, NULL, NULL, dir, &p), ERR_MISSING);
    snprintf(found, sizeof found, "%s/.d.sock", dir);
    ck_assert_int_eq(rename(found, path), 0);
}
END_TEST

START_TEST(options_may_stand_anywhere)
{
    ck_assert_int_eq(run_tool(cmd_pause, "pause --json basil-bench"), EX_OK);
    ck_says(ran.out, "{\"ok\":true");
    char words[160];
    snprintf(words, sizeof words, "pause --socket=%s -- basil-bench", path);
    unsetenv("DOSEWRIGHT_SOCKET");
    ck_assert_int_eq(run_tool(cmd_pause, words), EX_OK);
    ck_assert_int_eq(run_tool(cmd_pause, "pause -- --json"), EX_UNAVAILABLE);
    snprintf(words, sizeof words, "pause --socket=%s -- --json", path);
    ck_assert_int_eq(run_tool(cmd_pause, words), 1);
    ck_says(ran.err, "there is no tank \"--json\"");
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("tool");
    tcase_set_timeout(t, 60);
    tcase_add_checked_fixture(t, set_up, tear_down);
    tcase_add_test(t, halt_and_release);
    tcase_add_test(t, a_halt_that_failed_says_what_to_do);
    tcase_add_test(t, pause_and_unpause);
    tcase_add_test(t, each_request_goes_through);
    tcase_add_test(t, a_span_is_asked_for_before_the_setpoint);
    tcase_add_test(t, what_is_written_wrong_never_reaches_the_daemon);
    tcase_add_test(t, a_negative_number_is_a_word_and_the_daemon_refuses_it);
    tcase_add_test(t, help_goes_to_standard_output);
    tcase_add_test(t, a_reload_prints_every_line_of_its_verdict);
    tcase_add_test(t, json_is_the_answer_as_it_came);
    tcase_add_test(t, a_daemon_that_behaves_oddly_is_told_apart);
    tcase_add_test(t, exit_codes_tell_what_went_wrong);
    tcase_add_test(t, a_status_of_several_pages_is_put_together);
    tcase_add_test(t, a_walk_comes_to_tanks_of_further_pages);
    tcase_add_test(t, the_socket_is_found);
    tcase_add_test(t, options_may_stand_anywhere);
    return run_case(t, "tool");
}
