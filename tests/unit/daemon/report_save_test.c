/* A report's file is whole or isn't there, and nothing else is lost for it. */
#include <dirent.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "lib/base/text.h"
#include "tests/unit/daemon/report_fixture.h"

static char path[256];

static struct report *some_report(void)
{
    struct report *r = new_report();
    take_water(r, "bench", 0, 1200, 5.8);
    finish(r);
    test_place(path, sizeof path, "report.html");
    (void)unlink(path);
    return r;
}

static void write_file(const char *where, const char *content)
{
    FILE *f = fopen(where, "w");
    ck_assert_ptr_nonnull(f);
    fputs(content, f);
    ck_assert_int_eq(fclose(f), 0);
}

static char *read_file(const char *where)
{
    static char content[1 << 18];
    FILE *f = fopen(where, "r");
    ck_assert_ptr_nonnull(f);
    content[fread(content, 1, sizeof content - 1, f)] = '\0';
    fclose(f);
    return content;
}

/* No temporary file stays. */
static int files_here(void)
{
    char folder[256];
    int count = 0;
    test_place(folder, sizeof folder, "");
    DIR *d = opendir(folder);
    ck_assert_ptr_nonnull(d);
    for (const struct dirent *e = readdir(d); e; e = readdir(d)) {
        if (strstr(e->d_name, "report")) count++;
    }
    closedir(d);
    return count;
}

START_TEST(a_new_file_is_whole_and_as_the_mask_says)
{
    struct report *r = some_report();
    struct problem problem = { 0 };
    struct stat st;
    umask(027);
    ck_assert_int_eq(report_save(r, REPORT_HTML, path, false, &problem), ERR_NONE);
    char *html = written(r, REPORT_HTML, NULL);
    ck_assert_str_eq(read_file(path), html);
    ck_assert_int_eq(stat(path, &st), 0);
    ck_assert_uint_eq(st.st_mode & 0777, 0640);
    ck_assert_int_eq(files_here(), 1);
    free(html);
    report_free(r);
}
END_TEST

START_TEST(a_report_replaces_a_report_of_any_form)
{
    for (int form = REPORT_JSON; form <= REPORT_HTML; form++) {
        struct report *r = some_report();
        struct problem problem = { 0 };
        ck_assert_int_eq(report_save(r, (enum report_form)form, path, false, &problem), ERR_NONE);
        ck_assert_int_eq(report_save(r, REPORT_HTML, path, false, &problem), ERR_NONE);
        ck_assert_ptr_nonnull(strstr(read_file(path), "</html>"));
        report_free(r);
    }
}
END_TEST

START_TEST(anothers_file_is_left_alone_unless_asked)
{
    static const char *const content[] = { "my notes", "<!doctype html>\n<html>mine</html>", "{",
        "time,until,tank,kind,name,value" };
    struct report *r = some_report();
    struct problem problem = { 0 };
    write_file(path, content[_i]);
    ck_assert_int_eq(report_save(r, REPORT_HTML, path, false, &problem), ERR_BUSY);
    ck_assert_str_eq(read_file(path), content[_i]);
    ck_assert_ptr_nonnull(strstr(problem.text, "--force"));
    ck_assert_int_eq(files_here(), 1);
    ck_assert_int_eq(report_save(r, REPORT_HTML, path, true, &problem), ERR_NONE);
    ck_assert_ptr_nonnull(strstr(read_file(path), "</html>"));
    report_free(r);
}
END_TEST

START_TEST(what_is_no_file_is_never_replaced)
{
    char target[256];
    struct report *r = some_report();
    struct problem problem = { 0 };
    struct stat st;
    test_place(target, sizeof target, "elsewhere");
    write_file(target, "");
    if (_i == 0) ck_assert_int_eq(symlink(target, path), 0);
    if (_i == 1) ck_assert_int_eq(mkfifo(path, 0600), 0);
    if (_i == 2) ck_assert_int_eq(mkdir(path, 0700), 0);
    ck_assert_int_eq(report_save(r, REPORT_HTML, path, true, &problem), ERR_BUSY);
    ck_assert_int_eq(lstat(path, &st), 0);
    ck_assert(!S_ISREG(st.st_mode));
    ck_assert_str_eq(read_file(target), "");
    (void)unlink(path);
    (void)rmdir(path);
    report_free(r);
}
END_TEST

START_TEST(a_folder_that_isnt_there_is_told)
{
    struct report *r = some_report();
    struct problem problem = { 0 };
    test_place(path, sizeof path, "nowhere/report.html");
    ck_assert_int_eq(report_save(r, REPORT_HTML, path, false, &problem), ERR_IO);
    ck_assert_str_eq(problem.where, path);
    ck_assert_int_eq(report_save(r, REPORT_HTML, "", false, &problem), ERR_IO);
    report_free(r);
}
END_TEST

/* As if the disk were full: beyond so many bytes a write fails. */
START_TEST(half_a_report_is_none)
{
    struct report *r = some_report();
    struct problem problem = { 0 };
    write_file(path, "my notes");
    const pid_t child = fork();
    if (child == 0) {
        signal(SIGXFSZ, SIG_IGN);
        const struct rlimit limit = { 4096, 4096 };
        if (setrlimit(RLIMIT_FSIZE, &limit) != 0) _exit(2);
        const enum err err = report_save(r, REPORT_HTML, path, true, &problem);
        _exit(err == ERR_IO ? 0 : 1);
    }
    int status = 0;
    ck_assert_int_eq(waitpid(child, &status, 0), child);
    ck_assert_int_eq(status, 0);
    ck_assert_str_eq(read_file(path), "my notes");
    ck_assert_int_eq(files_here(), 1);
    report_free(r);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("report.save");
    tcase_add_test(t, a_new_file_is_whole_and_as_the_mask_says);
    tcase_add_test(t, a_report_replaces_a_report_of_any_form);
    tcase_add_loop_test(t, anothers_file_is_left_alone_unless_asked, 0, 4);
    tcase_add_loop_test(t, what_is_no_file_is_never_replaced, 0, 3);
    tcase_add_test(t, a_folder_that_isnt_there_is_told);
    tcase_add_test(t, half_a_report_is_none);
    return run_case(t, "report.save");
}
