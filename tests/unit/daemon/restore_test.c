/* What a restore puts back, what it leaves beside, and that nothing is changed when it can't. */
#include <poll.h>
#include <signal.h>
#include <sys/file.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include "tests/unit/daemon/backup_fixture.h"

static struct backup backup;
static struct restore restore;
static char elsewhere[128], spare[300];

static void must_open_backup(void)
{
    const enum err err = open_backup(&backup);
    ck_assert_msg(err == ERR_NONE, "%s: %s", problem.where, problem.text);
    restore = (struct restore){ .from = &backup };
    text_copy(restore.site_file, sizeof restore.site_file, backup.head.site_file);
    text_copy(restore.journal_dir, sizeof restore.journal_dir, backup.head.journal_dir);
}

/* The copy is of record 5; the site has gone on to record 7, and its files have changed. */
static void go_on_after_the_copy(void)
{
    make_site();
    must_save();
    must_open();
    must_append(100);
    must_append(100);
    close_journal();
    put_text(stock_path, "stock: acid, but another\n");
    must_open_backup();
}

static void must_restore(void)
{
    const enum err err = restore_do(&restore, now, &problem);
    ck_assert_msg(err == ERR_NONE, "%s: %s", problem.where, problem.text);
}

static const char *beside(const char *of, const char *ending)
{
    snprintf(spare, sizeof spare, "%s%s", of, ending);
    return spare;
}

static bool is_there(const char *of, const char *ending)
{
    return access(beside(of, ending), F_OK) == 0;
}

static int64_t tip_of(const char *where)
{
    struct journal_report found;
    ck_assert_int_eq(journal_scan(where, NULL, NULL, &found, &problem), ERR_NONE);
    ck_assert(!found.damaged && !found.torn);
    return found.tip.seq;
}

static void clean(const char *where)
{
    (void)restore_remove_dir(where);
}

/* --- looking ---------------------------------------------------------------------------------- */

START_TEST(it_says_what_would_be_lost)
{
    struct restore_found found;
    go_on_after_the_copy();
    ck_assert_int_eq(restore_look(&found, &restore, &problem), ERR_NONE);
    ck_assert(found.journal == RESTORE_LATER_JOURNAL && found.seq == 7);
    ck_assert(found.files == 2 && found.changes == 1);
    ck_assert_str_eq(found.first, stock_path);
    clear_dir();
    ck_assert_int_eq(restore_look(&found, &restore, &problem), ERR_NONE);
    ck_assert_int_eq(found.journal, RESTORE_NO_JOURNAL);
    now.civil.ms += 1000;
    must_open();
    must_append(1);
    close_journal();
    ck_assert_int_eq(restore_look(&found, &restore, &problem), ERR_NONE);
    ck_assert_int_eq(found.journal, RESTORE_OTHER_JOURNAL);
    remove_dir();
}
END_TEST

START_TEST(the_same_is_told_from_another)
{
    struct restore_found found;
    make_site();
    must_save();
    must_open_backup();
    ck_assert_int_eq(restore_look(&found, &restore, &problem), ERR_NONE);
    ck_assert(found.journal == RESTORE_SAME_JOURNAL && found.changes == 0 && !found.first[0]);
    remove_dir();
}
END_TEST

/* --- putting back ----------------------------------------------------------------------------- */

START_TEST(files_and_journal_are_as_they_were_and_the_former_ones_beside)
{
    go_on_after_the_copy();
    must_restore();
    ck_assert_str_eq(get_text(stock_path), "stock: acid\n");
    ck_assert_str_eq(get_text(beside(stock_path, ".replaced-1")), "stock: acid, but another\n");
    ck_assert(!is_there(site_path, ".replaced-1")); /* it was the same */
    ck_assert(!is_there(dir, ".restoring") && !is_there(stock_path, ".restoring"));
    ck_assert_int_eq(tip_of(beside(dir, ".replaced-1")), 7);
    ck_assert(!is_there(dir, ".replaced-1/restoring"));
    ck_assert_int_eq(tip_of(dir), 6);
    must_open();
    ck_assert_ptr_nonnull(strstr(last_line, "\"kind\":\"restored\""));
    ck_assert_ptr_nonnull(strstr(last_line, "\"tip_seq\":5"));
    ck_assert_int_eq(visited, 6);
    close_journal();
    clean(beside(dir, ".replaced-1"));
    remove_dir();
}
END_TEST

START_TEST(a_lost_site_comes_back)
{
    struct stat st;
    make_site();
    chmod(stock_path, 0600);
    must_save();
    must_open_backup();
    clear_dir();
    ck_assert(rmdir(dir) == 0 && unlink(site_path) == 0 && unlink(stock_path) == 0);
    snprintf(spare, sizeof spare, "%s/solutions", home);
    ck_assert_int_eq(rmdir(spare), 0);
    must_restore();
    ck_assert_str_eq(get_text(site_path), "site: tern-hall\n");
    ck_assert_str_eq(get_text(stock_path), "stock: acid\n");
    ck_assert(stat(stock_path, &st) == 0 && (st.st_mode & 0777) == 0600);
    ck_assert_int_eq(tip_of(dir), 6);
    ck_assert(!is_there(dir, ".replaced-1") && !is_there(dir, ".restoring"));
    remove_dir();
}
END_TEST

START_TEST(it_may_go_elsewhere_under_another_name)
{
    make_site();
    must_save();
    must_open_backup();
    test_place(elsewhere, sizeof elsewhere, "other-XXXXXX");
    ck_assert_ptr_nonnull(mkdtemp(elsewhere));
    snprintf(restore.site_file, sizeof restore.site_file, "%s/second.yaml", elsewhere);
    snprintf(restore.journal_dir, sizeof restore.journal_dir, "%s/journal", elsewhere);
    must_restore();
    ck_assert_str_eq(get_text(restore.site_file), "site: tern-hall\n");
    ck_assert_str_eq(get_text(beside(elsewhere, "/solutions/acid.yaml")), "stock: acid\n");
    ck_assert_int_eq(tip_of(beside(elsewhere, "/journal")), 6);
    ck_assert_int_eq(tip_of(dir), 5);
    remove_dir();
}
END_TEST

/* A torn end and a broken place come along; the restored record still comes last and verifies. */
START_TEST(a_damaged_journal_is_put_back_as_it_was)
{
    char bytes[8192];
    struct journal_report found;
    make_site();
    size_t length = read_file("journal-2031-04-03.jsonl", bytes, sizeof bytes);
    if (_i == 0) {
        memset(bytes + length, 0, 20);
        bytes[length + 20] = '\n';
        length += 21;
    } else {
        bytes[20] ^= 1;
    }
    write_file("journal-2031-04-03.jsonl", bytes, length);
    must_save();
    must_open_backup();
    clear_dir();
    must_restore();
    ck_assert_int_eq(journal_scan(dir, visit, NULL, &found, &problem), ERR_NONE);
    ck_assert_int_eq(found.damaged, _i == 1);
    ck_assert(!found.torn);
    ck_assert_ptr_nonnull(strstr(last_line, "\"kind\":\"restored\""));
    remove_dir();
}
END_TEST

/* --- refusing --------------------------------------------------------------------------------- */

static void check_nothing_changed(void)
{
    ck_assert_int_eq(tip_of(dir), 7);
    ck_assert_str_eq(get_text(stock_path), "stock: acid, but another\n");
    ck_assert(!is_there(dir, ".restoring") && !is_there(stock_path, ".restoring"));
    ck_assert(!is_there(dir, "/restoring") && !is_there(dir, ".replaced-1"));
    ck_assert(!is_there(stock_path, ".replaced-1"));
}

START_TEST(a_running_daemon_is_left_alone)
{
    struct restore_found found;
    go_on_after_the_copy();
    const int fd = open(at("lock"), O_RDWR | O_CLOEXEC);
    ck_assert(fd >= 0 && flock(fd, LOCK_EX) == 0);
    ck_assert_int_eq(restore_look(&found, &restore, &problem), ERR_NONE);
    ck_assert_int_eq(found.held.err, ERR_BUSY);
    ck_assert_int_eq(restore_do(&restore, now, &problem), ERR_BUSY);
    ck_assert_ptr_nonnull(strstr(problem.text, "one owner"));
    close(fd);
    check_nothing_changed();
    remove_dir();
}
END_TEST

/* As if the disk were full: files end at so many bytes. */
START_TEST(without_room_all_stays_as_it_was)
{
    rlim_t most[] = { 5, 13, 700, 0 };
    struct stat st;
    go_on_after_the_copy();
    ck_assert_int_eq(stat(at("journal-2031-04-02.jsonl"), &st), 0);
    most[3] = (rlim_t)st.st_size; /* room for what is copied, not for the record that says so */
    const pid_t child = fork();
    ck_assert_int_ge(child, 0);
    if (child == 0) {
        const struct rlimit limit = { most[_i], most[_i] };
        signal(SIGXFSZ, SIG_IGN);
        if (setrlimit(RLIMIT_FSIZE, &limit) != 0) _exit(2);
        _exit(restore_do(&restore, now, &problem) == ERR_IO ? 0 : 1);
    }
    int status = 0;
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    ck_assert(WIFEXITED(status) && WEXITSTATUS(status) == 0);
    check_nothing_changed();
    remove_dir();
}
END_TEST

START_TEST(what_is_no_file_is_in_the_way)
{
    go_on_after_the_copy();
    ck_assert(unlink(stock_path) == 0 && mkdir(stock_path, 0700) == 0);
    ck_assert_int_eq(restore_do(&restore, now, &problem), ERR_IO);
    ck_assert_str_eq(problem.where, stock_path);
    ck_assert_int_eq(tip_of(dir), 7);
    remove_dir();
}
END_TEST

START_TEST(a_journal_with_another_below_it_isnt_moved)
{
    struct restore_found found;
    go_on_after_the_copy();
    ck_assert_int_eq(mkdir(beside(dir, "/north"), 0750), 0);
    ck_assert_int_eq(restore_look(&found, &restore, &problem), ERR_IO);
    ck_assert_int_eq(restore_do(&restore, now, &problem), ERR_IO);
    ck_assert_ptr_nonnull(strstr(problem.text, "north"));
    ck_assert_int_eq(rmdir(beside(dir, "/north")), 0);
    check_nothing_changed();
    remove_dir();
}
END_TEST

/* --- cut off ---------------------------------------------------------------------------------- */

START_TEST(a_mark_keeps_the_daemon_from_starting)
{
    go_on_after_the_copy();
    write_file("restoring", "", 0);
    ck_assert_int_eq(open_journal(), ERR_BUSY);
    ck_assert_ptr_nonnull(strstr(problem.text, "dosewright restore --force"));
    must_restore();
    must_open();
    close_journal();
    clean(beside(dir, ".replaced-1"));
    remove_dir();
}
END_TEST

/* Killed while it wrote beside, or after the journals had changed places: what is beside then is
 * the only copy of the newer one. */
START_TEST(what_was_left_beside_is_removed_or_kept) /* _i: with the mark */
{
    go_on_after_the_copy();
    ck_assert_int_eq(mkdir(beside(dir, ".restoring"), 0750), 0);
    put_text(beside(dir, ".restoring/journal-2031-04-02.jsonl"), "half");
    if (_i == 1) put_text(beside(dir, ".restoring/restoring"), "");
    put_text(beside(stock_path, ".restoring"), "half");
    must_restore();
    ck_assert_int_eq(tip_of(dir), 6);
    ck_assert_str_eq(get_text(stock_path), "stock: acid\n");
    ck_assert(!is_there(dir, ".restoring") && !is_there(stock_path, ".restoring"));
    const bool kept = is_there(dir, ".restoring.replaced-1/journal-2031-04-02.jsonl");
    ck_assert_int_eq(kept, _i == 1);
    ck_assert_int_eq(tip_of(beside(dir, ".replaced-1")), 7);
    clean(beside(dir, ".replaced-1"));
    clean(beside(dir, ".restoring.replaced-1"));
    remove_dir();
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("restore");
    tcase_add_test(t, it_says_what_would_be_lost);
    tcase_add_test(t, the_same_is_told_from_another);
    tcase_add_test(t, files_and_journal_are_as_they_were_and_the_former_ones_beside);
    tcase_add_test(t, a_lost_site_comes_back);
    tcase_add_test(t, it_may_go_elsewhere_under_another_name);
    tcase_add_loop_test(t, a_damaged_journal_is_put_back_as_it_was, 0, 2);
    tcase_add_test(t, a_running_daemon_is_left_alone);
    tcase_add_loop_test(t, without_room_all_stays_as_it_was, 0, 4);
    tcase_add_test(t, what_is_no_file_is_in_the_way);
    tcase_add_test(t, a_journal_with_another_below_it_isnt_moved);
    tcase_add_test(t, a_mark_keeps_the_daemon_from_starting);
    tcase_add_loop_test(t, what_was_left_beside_is_removed_or_kept, 0, 2);
    return run_case(t, "restore");
}
