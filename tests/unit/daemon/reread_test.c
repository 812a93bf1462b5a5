/* A configuration that is read on a thread of its own: what is found, what is wrong, and letting go
 * of it at any moment. */
#include <poll.h>

#include "daemon/run/reread.h"
#include "tests/unit/daemon/config_clock.h"

static struct reread *reread;

static void open_reread(void)
{
    char path[128];
    struct problem problem;
    fixture_path(path, "site.yaml");
    for (int i = 0; i < FIXTURE_FILES; i++) {
        fixture_write(fixture_files[i].name, fixture_text[i]);
    }
    ck_assert_int_eq(reread_open(&reread, path, &problem), ERR_NONE);
}

/* Within 10 s. */
static struct reread_found *wait_found(void)
{
    for (int n = 0; n < 5000; n++) {
        struct reread_found *found = reread_found(reread);
        if (found) return found;
        poll(NULL, 0, 2);
    }
    ck_abort_msg("it is never read");
    return NULL;
}

START_TEST(what_is_right_is_found_and_may_be_taken)
{
    open_reread();
    struct reread_found *found = wait_found();
    ck_assert_uint_eq(found->errors.count, 0);
    ck_assert_str_eq(found->config->site.key, "tern-hall");
    struct config *taken = found->config;
    found->config = NULL;
    reread_close(reread);
    ck_assert_str_eq(
        taken->site.key, "tern-hall"); /* the sanitizer looks whether it is still there */
    config_free(taken);
}
END_TEST

START_TEST(what_is_wrong_is_all_listed)
{
    fixture_change(SITE, "volume_l", "volume_litres");
    fixture_change(CROP, "zone: UTC", "zone: Europe/Atlantis");
    open_reread();
    const struct reread_found *found = wait_found();
    ck_assert_ptr_null(found->config);
    ck_assert_uint_ge(found->errors.count, 2);
    reread_close(reread);
}
END_TEST

START_TEST(it_can_be_let_go_while_it_reads_and_when_it_has)
{
    reread_close(NULL);
    for (int wait_ms = 0; wait_ms < 8; wait_ms++) {
        open_reread();
        poll(NULL, 0, wait_ms);
        reread_close(reread);
    }
    poll(NULL, 0, 200); /* the sanitizer looks whether each went with all it had */
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("reread");
    tcase_add_checked_fixture(t, begin, fixture_remove);
    tcase_set_timeout(t, 30);
    tcase_add_test(t, what_is_right_is_found_and_may_be_taken);
    tcase_add_test(t, what_is_wrong_is_all_listed);
    tcase_add_test(t, it_can_be_let_go_while_it_reads_and_when_it_has);
    return run_case(t, "reread");
}
