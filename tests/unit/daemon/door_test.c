/* The server's side of the local door, with clients in the same process: nothing here may block. */
#include <check.h>
#include <cjson/cJSON.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/door/door.h"
#include "tests/unit/support.h"

#define STATUS "{\"call\":\"status\"}\n"
#define RELOAD "{\"call\":\"reload\"}\n"
#define HALT "{\"call\":\"request\",\"request\":\"halt\",\"on\":true}\n"

static char dir[64], path[80];
static struct door *door;
static struct now now = { .mono = { 1000000 } };
static struct site_tank tanks[2] = { { .key = "basil-bench" }, { .key = "cress" } };
static const struct site site = { .key = "tern-hall", .tank_count = 2, .tank = tanks };

static struct door *open_at(const char *where)
{
    struct door *d;
    struct problem problem = { 0 };
    ck_assert_msg(
        door_open(&d, where, &problem) == ERR_NONE, "%s: %s", problem.where, problem.text);
    return d;
}

static void set_up(void)
{
    test_place(dir, sizeof dir, "door-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
    snprintf(path, sizeof path, "%s/d.sock", dir);
    door = open_at(path);
}

static void tear_down(void)
{
    door_close(door);
    ck_assert_int_eq(rmdir(dir), 0); /* and nothing is left there */
}

static int knock(void)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    text_copy(address.sun_path, sizeof address.sun_path, path);
    const int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK, 0);
    ck_assert_int_eq(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
    return fd;
}

static void say(int fd, const char *words)
{
    ck_assert_int_eq(send(fd, words, strlen(words), MSG_NOSIGNAL), (ssize_t)strlen(words));
}

static int caller(const char *line)
{
    const int fd = knock();
    say(fd, line);
    return fd;
}

static bool is_readable(int fd)
{
    struct pollfd p = { .fd = fd, .events = POLLIN };
    return poll(&p, 1, 0) > 0;
}

static bool take(struct door_call *ret)
{
    return door_take(door, &site, now, ret);
}

/* What the client has got so far: "" nothing, "<end>" hung up. */
static const char *heard(int fd)
{
    static char bytes[8192];
    const ssize_t n = recv(fd, bytes, sizeof bytes - 1, 0);
    if (n == 0 || (n < 0 && errno == ECONNRESET)) return "<end>";
    if (n < 0) return "";
    bytes[n] = '\0';
    return bytes;
}

START_TEST(the_socket_is_for_owner_and_group_whatever_the_umask)
{
    struct stat st;
    static const mode_t masks[] = { 0, 022, 077, 0777 };
    for (size_t i = 0; i < 4; i++) {
        door_close(door);
        umask(masks[i]);
        door = open_at(path);
        ck_assert_int_eq(stat(path, &st), 0);
        ck_assert_int_eq(st.st_mode & 07777, 0660);
    }
}
END_TEST

START_TEST(a_missing_directory_is_a_clear_error)
{
    struct door *d;
    struct problem problem = { 0 };
    char where[100];
    snprintf(where, sizeof where, "%s/nowhere/d.sock", dir);
    ck_assert_int_eq(door_open(&d, where, &problem), ERR_IO);
    ck_assert_ptr_null(d);
    ck_assert_str_eq(problem.where, where);
    ck_assert_ptr_nonnull(strstr(problem.text, "directory"));
    ck_assert_ptr_nonnull(strstr(problem.text, strerror(ENOENT)));
    char longest[200];
    memset(longest, 'x', sizeof longest);
    longest[108] = '\0';
    ck_assert_int_eq(door_open(&d, longest, &problem), ERR_RANGE);
    ck_assert_int_eq(door_open(&d, "", &problem), ERR_RANGE);
}
END_TEST

START_TEST(a_file_that_is_no_socket_is_left_alone)
{
    char other[100];
    struct door *d;
    struct problem problem = { 0 };
    struct stat st;
    snprintf(other, sizeof other, "%s/other", dir);
    close(open(other, O_CREAT | O_WRONLY, 0600));
    ck_assert_int_eq(door_open(&d, other, &problem), ERR_IO);
    ck_assert_int_eq(stat(other, &st), 0);
    ck_assert(S_ISREG(st.st_mode));
    unlink(other);
    ck_assert_int_eq(symlink(path, other), 0);
    ck_assert_int_eq(door_open(&d, other, &problem), ERR_IO);
    unlink(other);
}
END_TEST

START_TEST(a_living_daemon_keeps_its_socket)
{
    struct door *d;
    struct problem problem = { 0 };
    ck_assert_int_eq(door_open(&d, path, &problem), ERR_BUSY);
    ck_assert_ptr_nonnull(strstr(problem.text, "another daemon"));
    const int fd = caller(HALT);
    struct door_call call;
    ck_assert(take(&call) || take(&call));
    close(fd);
    for (int i = 0; i < 64; i++) { /* even when its queue is full */
        struct sockaddr_un address = { .sun_family = AF_UNIX };
        text_copy(address.sun_path, sizeof address.sun_path, path);
        const int many = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK, 0);
        (void)!connect(many, (struct sockaddr *)&address, sizeof address);
    }
    ck_assert_int_eq(door_open(&d, path, &problem), ERR_BUSY);
}
END_TEST

START_TEST(a_stale_socket_is_taken_over)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    snprintf(address.sun_path, sizeof address.sun_path, "%s/stale", dir);
    const int dead = socket(AF_UNIX, SOCK_STREAM, 0);
    ck_assert_int_eq(bind(dead, (struct sockaddr *)&address, sizeof address), 0);
    close(dead);
    struct door *d = open_at(address.sun_path);
    door_close(d);
    ck_assert_int_ne(access(address.sun_path, F_OK), 0);
}
END_TEST

START_TEST(only_its_own_file_is_removed)
{
    ck_assert_int_eq(unlink(path), 0);
    struct door *second = open_at(path); /* somebody else's by now */
    door_close(door);
    ck_assert_int_eq(access(path, F_OK), 0);
    door = second;
}
END_TEST

START_TEST(a_call_gets_its_answer_and_the_connection_ends)
{
    struct door_call call;
    ck_assert(!is_readable(door_descriptor(door)));
    const int a = caller(HALT), b = caller(STATUS);
    ck_assert(is_readable(door_descriptor(door)));
    ck_assert(take(&call));
    ck_assert_int_eq(call.kind, DOOR_REQUEST);
    ck_assert_int_eq(call.request.kind, REQUEST_HALT);
    ck_assert(call.request.on);
    ck_assert_str_eq(call.request.origin.by, "socket");
    ck_assert(!call.request.origin.retained);
    ck_assert_uint_ne(call.ticket, 0);
    ck_assert_uint_eq(call.request.ticket, call.ticket);
    const uint64_t first = call.ticket;
    ck_assert(take(&call));
    ck_assert_int_eq(call.kind, DOOR_STATUS);
    ck_assert_uint_ne(call.ticket, first);
    ck_assert(!take(&call));
    ck_assert_str_eq(heard(a), "");
    door_answer(door, first, false, "no-reason", "two\nlines \"quoted\"");
    door_answer(door, first, true, "again", "");
    cJSON *answer = cJSON_Parse(heard(a));
    ck_assert(cJSON_IsFalse(cJSON_GetObjectItem(answer, "ok")));
    ck_assert_str_eq(cJSON_GetObjectItem(answer, "reason")->valuestring, "no-reason");
    ck_assert_str_eq(cJSON_GetObjectItem(answer, "text")->valuestring, "two\nlines \"quoted\"");
    cJSON_Delete(answer);
    ck_assert_str_eq(heard(a), "<end>");
    ck_assert_str_eq(heard(b), "");
    door_answer(door, call.ticket, true, "", "");
    ck_assert_str_eq(heard(b), "{\"ok\":true,\"reason\":\"\",\"text\":\"\"}\n");
    ck_assert(!is_readable(door_descriptor(door)));
}
END_TEST

START_TEST(a_call_may_come_in_pieces_and_only_the_first_line_counts)
{
    struct door_call call;
    const int fd = knock();
    for (const char *p = HALT STATUS; *p; p++) {
        say(fd, (const char[]){ *p, '\0' });
        if (take(&call)) break;
        ck_assert(!take(&call));
    }
    ck_assert_int_eq(call.kind, DOOR_REQUEST);
    say(fd, STATUS);
    ck_assert(!take(&call));
    ck_assert(!is_readable(door_descriptor(door)));
    door_answer(door, call.ticket, true, "done", "");
    ck_assert_str_eq(heard(fd), "{\"ok\":true,\"reason\":\"done\",\"text\":\"\"}\n");
}
END_TEST

START_TEST(what_cant_be_read_is_answered_inside)
{
    struct door_call call;
    const int a = caller("nonsense\n");
    const int b =
        caller("{\"call\":\"request\",\"request\":\"pause\",\"tank\":\"x\",\"on\":true}\n");
    ck_assert(!take(&call));
    ck_assert_ptr_nonnull(strstr(heard(a), "\"ok\":false,\"reason\":\"malformed\""));
    ck_assert_str_eq(heard(a), "<end>");
    ck_assert_str_eq(heard(b),
        "{\"ok\":false,\"reason\":\"no-such-tank\",\"text\":\"there is no tank "
        "\\\"x\\\"; there are: basil-bench, cress\"}\n");
}
END_TEST

START_TEST(a_call_without_an_end_is_refused_at_its_bound)
{
    struct door_call call;
    char longest[DOOR_CALL_MAX + 100];
    memset(longest, ' ', sizeof longest);
    const int fd = knock();
    ck_assert_int_gt(send(fd, longest, sizeof longest, MSG_NOSIGNAL), 0);
    ck_assert(!take(&call));
    ck_assert(!take(&call));
    ck_assert_ptr_nonnull(strstr(heard(fd), "longer than 4096 bytes"));
}
END_TEST

START_TEST(a_silent_client_is_dropped_after_five_seconds)
{
    struct door_call call;
    const int silent = knock(), trickling = knock();
    ck_assert(!take(&call));
    now.mono.ms += 4999;
    say(trickling, "{");
    ck_assert(!take(&call));
    ck_assert_str_eq(heard(silent), "");
    ck_assert_str_eq(heard(trickling), "");
    now.mono.ms += 1;
    ck_assert(!take(&call));
    ck_assert_str_eq(heard(silent), "<end>");
    ck_assert_str_eq(heard(trickling), "<end>");
}
END_TEST

/* The one test here that lets real time pass: 5 s, waited for in poll. */
START_TEST(the_descriptor_wakes_the_loop_when_somebody_is_to_be_dropped)
{
    struct door_call call;
    now = clock_now();
    const int silent = knock();
    ck_assert(!take(&call));
    struct pollfd p = { .fd = door_descriptor(door), .events = POLLIN };
    ck_assert_int_eq(poll(&p, 1, 4000), 0);
    ck_assert_int_eq(poll(&p, 1, 2000), 1);
    now = clock_now();
    ck_assert(!take(&call));
    ck_assert_str_eq(heard(silent), "<end>");
    ck_assert_int_eq(poll(&p, 1, 1500), 0); /* and is quiet afterwards */
}
END_TEST

START_TEST(sixteen_are_served_and_the_next_waits_its_turn)
{
    struct door_call call;
    int fd[DOOR_CLIENTS_MAX];
    for (int i = 0; i < DOOR_CLIENTS_MAX; i++) {
        fd[i] = knock();
    }
    const int next = caller(HALT);
    ck_assert(!take(&call));
    ck_assert(!is_readable(door_descriptor(door))); /* and the loop doesn't spin meanwhile */
    ck_assert(!take(&call));
    close(fd[7]);
    ck_assert(take(&call));
    ck_assert_int_eq(call.kind, DOOR_REQUEST);
    door_answer(door, call.ticket, true, "done", "");
    ck_assert_ptr_nonnull(strstr(heard(next), "done"));
}
END_TEST

START_TEST(sixteen_silent_ones_keep_a_halt_out_for_five_seconds_at_most)
{
    struct door_call call;
    for (int i = 0; i < DOOR_CLIENTS_MAX; i++) {
        (void)knock();
    }
    (void)caller(HALT);
    ck_assert(!take(&call));
    now.mono.ms += 5000;
    ck_assert(take(&call));
    ck_assert_int_eq(call.request.kind, REQUEST_HALT);
}
END_TEST

START_TEST(a_slow_reader_blocks_nobody_and_is_dropped)
{
    struct door_call call;
    const size_t size = 150 * 1000; /* more than a socket's buffers, if all of it is escaped */
    char *text = malloc(size + 1);
    memset(text, '"', size);
    text[size] = '\0';
    const int slow = caller(HALT);
    ck_assert(take(&call));
    door_answer(door, call.ticket, true, "done", text);
    const int quick = caller(HALT);
    ck_assert(take(&call));
    door_answer(door, call.ticket, true, "done", "");
    ck_assert_ptr_nonnull(strstr(heard(quick), "done"));
    ck_assert(!is_readable(door_descriptor(door)));
    size_t got = 0; /* it gets the rest when it reads on */
    for (int n = 0; n < 20; n++) {
        got += strlen(heard(slow));
    }
    ck_assert_uint_gt(got, 0);
    ck_assert(!take(&call));
    now.mono.ms += 5000;
    ck_assert(!take(&call));
    const char *more;
    while (strcmp(more = heard(slow), "<end>") != 0 && more[0]) {
        got += strlen(more);
    }
    ck_assert_str_eq(more, "<end>");
    ck_assert_uint_lt(got, 2 * size);
    free(text);
}
END_TEST

START_TEST(a_reader_that_keeps_on_gets_it_all)
{
    struct door_call call;
    const size_t size = 170 * 1000;
    char *text = malloc(size + 1);
    memset(text, '"', size);
    text[size] = '\0';
    const int fd = caller(HALT);
    ck_assert(take(&call));
    door_answer(door, call.ticket, true, "done", text);
    size_t got = 0;
    const char *more = "";
    for (int n = 0; n < 10000 && strcmp(more, "<end>") != 0; n++) {
        got += strlen(more);
        ck_assert(!take(&call));
        more = heard(fd);
    }
    ck_assert_uint_eq(got, 2 * size + strlen("{\"ok\":true,\"reason\":\"done\",\"text\":\"\"}\n"));
    free(text);
}
END_TEST

START_TEST(an_answer_beyond_the_bound_drops_the_client)
{
    struct door_call call;
    const size_t size = DOOR_ANSWER_MAX / 4;
    char *text = malloc(size + 1);
    memset(text, 'x', size);
    text[size] = '\0';
    const int fd = caller(HALT);
    ck_assert(take(&call));
    door_answer(door, call.ticket, true, "done", text);
    ck_assert_str_eq(heard(fd), "<end>");
    free(text);
}
END_TEST

START_TEST(a_client_that_leaves_makes_room)
{
    struct door_call call;
    const int fd = caller(RELOAD);
    ck_assert(take(&call));
    close(fd);
    struct door_call none;
    ck_assert(!take(&none));
    ck_assert(!is_readable(door_descriptor(door)));
    const int next = caller(HALT); /* gets the room, not the answer */
    ck_assert(take(&none));
    door_answer(door, call.ticket, true, "done", "of the reload");
    ck_assert_str_eq(heard(next), "");
}
END_TEST

START_TEST(a_client_that_only_stops_talking_gets_its_answer)
{
    struct door_call call, none;
    const int fd = caller(RELOAD);
    ck_assert_int_eq(shutdown(fd, SHUT_WR), 0);
    ck_assert(take(&call));
    ck_assert(!take(&none));
    ck_assert(!is_readable(door_descriptor(door)));
    now.mono.ms += 60000; /* a verdict takes its time */
    ck_assert(!take(&none));
    door_answer(door, call.ticket, true, "done", "");
    ck_assert_ptr_nonnull(strstr(heard(fd), "done"));
}
END_TEST

START_TEST(those_who_wait_for_a_reload_leave_room_for_a_halt)
{
    struct door_call call;
    int fd[DOOR_CLIENTS_MAX], accepted = 0;
    for (int i = 0; i < DOOR_CLIENTS_MAX; i++) {
        fd[i] = caller(RELOAD);
        if (!take(&call)) break;
        accepted++;
    }
    ck_assert_int_eq(accepted, 4);
    ck_assert_ptr_nonnull(strstr(heard(fd[4]), "\"reason\":\"busy\""));
    (void)caller(HALT);
    ck_assert(take(&call));
    ck_assert_int_eq(call.kind, DOOR_REQUEST);
}
END_TEST

START_TEST(without_descriptors_the_loop_does_not_spin)
{
    struct door_call call;
    const int fd = caller(HALT);
    struct rlimit old, few;
    ck_assert_int_eq(getrlimit(RLIMIT_NOFILE, &old), 0);
    few = (struct rlimit){ (rlim_t)fd + 1, old.rlim_max };
    ck_assert_int_eq(setrlimit(RLIMIT_NOFILE, &few), 0);
    ck_assert(!take(&call));
    ck_assert(!is_readable(door_descriptor(door)));
    ck_assert_int_eq(setrlimit(RLIMIT_NOFILE, &old), 0);
    ck_assert(!take(&call));
    now.mono.ms += 1000;
    ck_assert(take(&call));
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("door");
    tcase_set_timeout(t, 30);
    tcase_add_checked_fixture(t, set_up, tear_down);
    tcase_add_test(t, the_socket_is_for_owner_and_group_whatever_the_umask);
    tcase_add_test(t, a_missing_directory_is_a_clear_error);
    tcase_add_test(t, a_file_that_is_no_socket_is_left_alone);
    tcase_add_test(t, a_living_daemon_keeps_its_socket);
    tcase_add_test(t, a_stale_socket_is_taken_over);
    tcase_add_test(t, only_its_own_file_is_removed);
    tcase_add_test(t, a_call_gets_its_answer_and_the_connection_ends);
    tcase_add_test(t, a_call_may_come_in_pieces_and_only_the_first_line_counts);
    tcase_add_test(t, what_cant_be_read_is_answered_inside);
    tcase_add_test(t, a_call_without_an_end_is_refused_at_its_bound);
    tcase_add_test(t, a_silent_client_is_dropped_after_five_seconds);
    tcase_add_test(t, the_descriptor_wakes_the_loop_when_somebody_is_to_be_dropped);
    tcase_add_test(t, sixteen_are_served_and_the_next_waits_its_turn);
    tcase_add_test(t, sixteen_silent_ones_keep_a_halt_out_for_five_seconds_at_most);
    tcase_add_test(t, a_slow_reader_blocks_nobody_and_is_dropped);
    tcase_add_test(t, a_reader_that_keeps_on_gets_it_all);
    tcase_add_test(t, an_answer_beyond_the_bound_drops_the_client);
    tcase_add_test(t, a_client_that_leaves_makes_room);
    tcase_add_test(t, a_client_that_only_stops_talking_gets_its_answer);
    tcase_add_test(t, those_who_wait_for_a_reload_leave_room_for_a_halt);
    tcase_add_test(t, without_descriptors_the_loop_does_not_spin);
    return run_case(t, "door");
}
