#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "daemon/base/notify.h"
#include "tests/unit/support.h"

/* The service manager's end. */
static int manager = -1;
static char heard[1024];

static void listen_at(const char *name)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    const size_t length = strlen(name);
    memcpy(address.sun_path, name, length);
    if (name[0] == '@') address.sun_path[0] = '\0';
    manager = socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK, 0);
    const size_t size = offsetof(struct sockaddr_un, sun_path) + length + (name[0] == '@' ? 0 : 1);
    ck_assert_int_eq(bind(manager, (struct sockaddr *)&address, (socklen_t)size), 0);
    setenv("NOTIFY_SOCKET", name, 1);
}

static const char *hear(void)
{
    const ssize_t n = recv(manager, heard, sizeof heard - 1, 0);
    if (n < 0) return NULL;
    heard[n] = '\0';
    return heard;
}

START_TEST(each_state_is_one_datagram_to_the_path)
{
    char dir[] = "/tmp/notify-test-XXXXXX", path[64];
    ck_assert_ptr_nonnull(mkdtemp(dir));
    snprintf(path, sizeof path, "%s/n", dir);
    listen_at(path);
    notify_ready();
    ck_assert_pstr_eq(hear(), "READY=1");
    notify_reloading((struct now){ .mono = { 1234567 } });
    ck_assert_pstr_eq(hear(), "RELOADING=1\nMONOTONIC_USEC=1234567000");
    notify_watchdog();
    ck_assert_pstr_eq(hear(), "WATCHDOG=1");
    notify_stopping();
    ck_assert_pstr_eq(hear(), "STOPPING=1");
    ck_assert_ptr_null(hear());
    unlink(path);
    rmdir(dir);
}
END_TEST

START_TEST(an_abstract_socket_is_reached)
{
    char name[64];
    snprintf(name, sizeof name, "@notify-test-%d", (int)getpid());
    listen_at(name);
    notify_ready();
    ck_assert_pstr_eq(hear(), "READY=1");
}
END_TEST

START_TEST(a_status_is_sent_only_when_it_changed)
{
    char name[64], longest[2000];
    snprintf(name, sizeof name, "@notify-test-%d", (int)getpid());
    listen_at(name);
    notify_status("2 tanks, broker up");
    ck_assert_pstr_eq(hear(), "STATUS=2 tanks, broker up");
    notify_status("2 tanks, broker up");
    ck_assert_ptr_null(hear());
    notify_status("one\nREADY=1");
    ck_assert_pstr_eq(hear(), "STATUS=one READY=1");
    memset(longest, 'x', sizeof longest);
    longest[sizeof longest - 1] = '\0';
    notify_status(longest);
    ck_assert_uint_eq(strlen(hear()), 511);
    notify_status(longest);
    ck_assert_ptr_null(hear());
}
END_TEST

START_TEST(a_status_that_was_not_heard_is_sent_again)
{
    char name[64];
    snprintf(name, sizeof name, "@notify-test-%d", (int)getpid());
    setenv("NOTIFY_SOCKET", name, 1);
    notify_status("all well"); /* nobody listens yet */
    listen_at(name);
    notify_status("all well");
    ck_assert_pstr_eq(hear(), "STATUS=all well");
}
END_TEST

START_TEST(a_full_queue_never_holds_up_the_watchdog)
{
    char name[64];
    snprintf(name, sizeof name, "@notify-test-%d", (int)getpid());
    listen_at(name);
    for (int n = 0; n < 2000; n++) {
        notify_watchdog(); /* Check's own limit of time ends this test if one blocks */
    }
    ck_assert_pstr_eq(hear(), "WATCHDOG=1");
}
END_TEST

START_TEST(without_a_manager_nothing_happens)
{
    unsetenv("NOTIFY_SOCKET");
    notify_ready();
    notify_status("x");
    static const char *const odd[] = { "", "@", "relative/path", "/nowhere/at/all" };
    for (size_t i = 0; i < sizeof odd / sizeof *odd; i++) {
        setenv("NOTIFY_SOCKET", odd[i], 1);
        notify_ready();
    }
    char longest[300];
    memset(longest, 'x', sizeof longest);
    longest[0] = '/';
    longest[sizeof longest - 1] = '\0';
    setenv("NOTIFY_SOCKET", longest, 1);
    notify_stopping();
}
END_TEST

static int64_t every_ms(const char *usec, const char *pid)
{
    unsetenv("WATCHDOG_USEC");
    unsetenv("WATCHDOG_PID");
    if (usec) setenv("WATCHDOG_USEC", usec, 1);
    if (pid) setenv("WATCHDOG_PID", pid, 1);
    return notify_watchdog_every_ms();
}

START_TEST(the_watchdog_is_fed_at_half_its_span)
{
    char mine[32], other[32];
    snprintf(mine, sizeof mine, "%d", (int)getpid());
    snprintf(other, sizeof other, "%d", (int)getppid());
    ck_assert_int_eq(every_ms(NULL, NULL), 0);
    ck_assert_int_eq(every_ms("10000000", NULL), 5000);
    ck_assert_int_eq(every_ms("10000000", mine), 5000);
    ck_assert_int_eq(every_ms("10000000", other), 0);
    ck_assert_int_eq(every_ms("10000000", "x"), 0);
    ck_assert_int_eq(every_ms("0", mine), 0);
    ck_assert_int_eq(every_ms("-10000000", mine), 0);
    ck_assert_int_eq(every_ms("10 s", mine), 0);
    ck_assert_int_eq(every_ms("1", mine), 1);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("notify");
    tcase_add_test(t, each_state_is_one_datagram_to_the_path);
    tcase_add_test(t, an_abstract_socket_is_reached);
    tcase_add_test(t, a_status_is_sent_only_when_it_changed);
    tcase_add_test(t, a_status_that_was_not_heard_is_sent_again);
    tcase_add_test(t, a_full_queue_never_holds_up_the_watchdog);
    tcase_add_test(t, without_a_manager_nothing_happens);
    tcase_add_test(t, the_watchdog_is_fed_at_half_its_span);
    return run_case(t, "notify");
}
