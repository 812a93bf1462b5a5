/* Who the broker is, and who this client is: certificates and passwords. */
#include "tests/unit/daemon/mqtt_fixture.h"

static char dir[64], ca[96], other_ca[96], cert[96], key[96], secret[96], tls_uri[64];

static void run(const char *command)
{
    char whole[1024];
    snprintf(whole, sizeof whole, "cd %s && ( %s )", dir, command);
    const char *argv[] = { "sh", "-c", whole, NULL };
    int status = 0;
    const pid_t pid = broker_spawn("/dev/null", argv);
    ck_assert_int_eq(waitpid(pid, &status, 0), pid);
    ck_assert_msg(status == 0, "%s", command);
}

static void place(char ret[96], const char *name)
{
    snprintf(ret, 96, "%s/%s", dir, name);
}

/* Keys that are made here and thrown away with the folder. */
static void make_certificates(void)
{
    static const char authority[] =
        "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 "
        "-subj /CN=%s -keyout %s.key -out %s.pem";
    static const char member[] =
        "openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj /CN=%s "
        "-keyout %s.key -out %s.csr && printf 'subjectAltName=%s' > ext && "
        "openssl x509 -req -in %s.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days %d "
        "-extfile ext -out %s.pem";
    char command[1024];
    snprintf(command, sizeof command, authority, "tern-hall-ca", "ca", "ca");
    run(command);
    snprintf(command, sizeof command, authority, "stranger-ca", "other", "other");
    run(command);
    snprintf(command, sizeof command, member, "localhost", "server", "server",
        "DNS:localhost,IP:127.0.0.1", "server", 2, "server");
    run(command);
    snprintf(command, sizeof command, member, "else", "else", "else", "DNS:broker.example", "else",
        2, "else");
    run(command);
    snprintf(command, sizeof command, member, "daemon", "daemon", "daemon", "DNS:daemon", "daemon",
        2, "daemon");
    run(command);
    place(ca, "ca.pem");
    place(other_ca, "other.pem");
    place(cert, "daemon.pem");
    place(key, "daemon.key");
}

static void setup(void)
{
    test_place(dir, sizeof dir, "tls-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(dir));
    make_certificates();
    place(secret, "password");
    run("printf 'green leaf\\n' > password && chmod 600 password && touch users && chmod 600 users "
        "&& mosquitto_passwd -b users tern-hall 'green leaf'");
}

static void teardown(void)
{
    char command[128];
    fixture_teardown();
    snprintf(command, sizeof command, "rm -rf %s", dir);
    run(command);
}

static void start(const char *server, const char *more)
{
    char text[1024];
    snprintf(text, sizeof text,
        "allow_anonymous true\ncafile %s/ca.pem\ncertfile %s/%s.pem\n"
        "keyfile %s/%s.key\n%s",
        dir, dir, server, dir, server, more);
    fixture_setup_with(text);
    snprintf(tls_uri, sizeof tls_uri, "mqtts://127.0.0.1:%d", broker.port);
    config.uri[0] = tls_uri;
    config.ca_file = ca;
}

static void connects(bool expected, const char *why)
{
    struct mqtt *m = open_as("tern-hall-a", NULL);
    if (expected) {
        ck_assert_msg(turn_until(m, true, 15000), "says: %s", status_of(m).why);
    } else {
        for (int i = 0; i < 500 && strstr(status_of(m).why, "not connected yet"); i++) {
            turn_for(m, 20);
        }
        turn_for(m, 100);
        ck_assert(!status_of(m).connected);
        ck_assert_msg(
            strstr(status_of(m).why, why) != NULL, "says: %s, not: %s", status_of(m).why, why);
    }
    mqtt_close(m);
}

START_TEST(a_broker_with_the_right_certificate_is_talked_to)
{
    start("server", "");
    config.version = _i == 0 ? 5 : 4;
    connects(true, NULL);
    char by_name[64];
    snprintf(by_name, sizeof by_name, "mqtts://localhost:%d", broker.port);
    config.uri[0] = by_name;
    connects(true, NULL);
}
END_TEST

START_TEST(a_broker_of_another_authority_is_not)
{
    start("server", "");
    config.ca_file = other_ca;
    connects(false, "certificate verify failed");
    config.ca_file = NULL; /* the system's authorities don't know it either */
    connects(false, "certificate verify failed");
}
END_TEST

START_TEST(a_broker_of_another_name_is_not)
{
    start("else", "");
    connects(false, "can't be reached");
}
END_TEST

START_TEST(a_file_of_authorities_that_is_not_there_is_told)
{
    start("server", "");
    config.ca_file = "/tmp/no-such-file.pem";
    connects(false, "can't be reached");
}
END_TEST

START_TEST(a_plain_broker_behind_a_tls_address_is_not_talked_to)
{
    fixture_setup();
    snprintf(tls_uri, sizeof tls_uri, "mqtts://127.0.0.1:%d", broker.port);
    config.uri[0] = tls_uri;
    config.ca_file = ca;
    connects(false, "can't be reached");
}
END_TEST

/* The library keeps to TLS once it has used it: a new client is made. */
START_TEST(a_plain_address_comes_after_a_tls_address_that_failed)
{
    fixture_setup();
    snprintf(tls_uri, sizeof tls_uri, "mqtts://127.0.0.1:%d", broker_free_port());
    config.uri_count = 2;
    config.uri[1] = config.uri[0];
    config.uri[0] = tls_uri;
    connects(true, NULL);
}
END_TEST

START_TEST(this_client_shows_its_certificate)
{
    start("server", "require_certificate true\n");
    connects(false, "can't be reached");
    config.cert_file = cert;
    config.key_file = key;
    connects(true, NULL);
}
END_TEST

START_TEST(the_password_comes_from_its_file_at_each_connect)
{
    char users[160];
    snprintf(users, sizeof users, "allow_anonymous false\npassword_file %s/users\n", dir);
    fixture_setup_with(users);
    config.version = _i == 0 ? 5 : 4;
    config.username = "tern-hall";
    connects(false, _i == 0 ? "Not authorized" : "authorized");
    config.password_file = secret;
    connects(true, NULL);
    run("printf 'wrong' > password");
    connects(false, _i == 0 ? "Not authorized" : "authorized");
    run("printf 'green leaf' > password && chmod 604 password");
    connects(false, "everyone on this machine");
    run("chmod 600 password");
    connects(true, NULL);
    run("rm password");
    connects(false, "No such file");
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("mqtt tls");
    tcase_add_checked_fixture(t, setup, teardown);
    tcase_set_timeout(t, 60);
    tcase_add_loop_test(t, a_broker_with_the_right_certificate_is_talked_to, 0, 2);
    tcase_add_test(t, a_broker_of_another_authority_is_not);
    tcase_add_test(t, a_broker_of_another_name_is_not);
    tcase_add_test(t, a_file_of_authorities_that_is_not_there_is_told);
    tcase_add_test(t, a_plain_broker_behind_a_tls_address_is_not_talked_to);
    tcase_add_test(t, a_plain_address_comes_after_a_tls_address_that_failed);
    tcase_add_test(t, this_client_shows_its_certificate);
    tcase_add_loop_test(t, the_password_comes_from_its_file_at_each_connect, 0, 2);
    return run_case(t, "mqtt tls");
}
