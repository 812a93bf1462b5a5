/* A backup holds what it says, is whole or refused, and is never made over something else. */
#include "tests/unit/daemon/backup_fixture.h"

START_TEST(it_holds_configuration_and_journal)
{
    struct backup b;
    make_site();
    must_save();
    ck_assert_int_eq(open_backup(&b), ERR_NONE);
    ck_assert_uint_eq(b.count, 4);
    ck_assert_str_eq(b.member[0].name, "solutions/acid.yaml");
    ck_assert_str_eq(b.member[1].name, "site.yaml");
    ck_assert_str_eq(b.member[2].name, "journal-2031-04-02.jsonl");
    ck_assert_str_eq(b.member[3].name, "journal-2031-04-03.jsonl");
    ck_assert_str_eq(b.head.site, "tern-hall");
    ck_assert_str_eq(b.head.site_file, site_path);
    ck_assert_str_eq(b.head.journal_dir, dir);
    scan();
    ck_assert(b.head.whole && b.head.records == report.records);
    ck_assert_int_eq(b.head.tip.seq, report.tip.seq);
    ck_assert_str_eq(b.head.tip.hash, report.tip.hash);
    struct stat st;
    ck_assert_int_eq(stat(file, &st), 0);
    ck_assert_uint_eq(st.st_mode & 0777, 0600);
    close_backup(&b);
    remove_dir();
}
END_TEST

/* A daemon is in the middle of a line. */
START_TEST(it_ends_with_a_whole_record_beside_a_writer)
{
    struct backup b;
    make_site();
    const int fd = open(at("journal-2031-04-03.jsonl"), O_WRONLY | O_APPEND);
    ck_assert_int_eq(write(fd, "{\"boot\":\"bo", 11), 11);
    close(fd);
    must_save();
    ck_assert_int_eq(open_backup(&b), ERR_NONE);
    ck_assert(b.head.whole && b.head.tip.seq == 5);
    close_backup(&b);
    remove_dir();
}
END_TEST

START_TEST(a_damaged_journal_is_copied_and_said_to_be)
{
    struct backup b;
    char bytes[8192];
    make_site();
    const size_t length = read_file("journal-2031-04-02.jsonl", bytes, sizeof bytes);
    bytes[20] ^= 1;
    write_file("journal-2031-04-02.jsonl", bytes, length);
    must_save();
    ck_assert_int_eq(open_backup(&b), ERR_NONE);
    ck_assert(!b.head.whole && b.head.tip.seq == 5);
    close_backup(&b);
    remove_dir();
}
END_TEST

START_TEST(files_elsewhere_are_left_out_and_told)
{
    struct backup b;
    make_site();
    char outside[160];
    test_place(outside, sizeof outside, "outside.yaml");
    put_text(outside, "x\n");
    config_files[1].path = outside;
    must_save();
    ck_assert_int_eq(open_backup(&b), ERR_NONE);
    ck_assert(b.left_out == 1 && b.count == 3);
    close_backup(&b);
    remove_dir();
}
END_TEST

START_TEST(what_is_there_stays_unless_asked)
{
    struct backup b;
    make_site();
    put_text(file, "notes");
    ck_assert_int_eq(save(&b, false), ERR_BUSY);
    backup_free(&b);
    ck_assert_str_eq(get_text(file), "notes");
    ck_assert_int_eq(save(&b, true), ERR_NONE);
    backup_free(&b);
    remove_dir();
}
END_TEST

START_TEST(without_a_journal_there_is_nothing_to_copy)
{
    struct backup b;
    make_site();
    clear_dir();
    ck_assert_int_eq(save(&b, true), ERR_MISSING);
    ck_assert_int_ne(access(file, F_OK), 0);
    backup_free(&b);
    remove_dir();
}
END_TEST

/* --- damage ----------------------------------------------------------------------------------- */

enum { ROOM = 64 * 1024 };
static char whole[ROOM];

static size_t read_backup(void)
{
    const int fd = open(file, O_RDONLY);
    const ssize_t n = read(fd, whole, sizeof whole);
    close(fd);
    ck_assert(n > 0 && n < ROOM);
    return (size_t)n;
}

static void write_backup(size_t length)
{
    const int fd = open(file, O_WRONLY | O_CREAT | O_TRUNC, 0600);
    ck_assert_int_eq(write(fd, whole, length), (ssize_t)length);
    close(fd);
}

/* Where nothing is said: what fills up a block, and the zeros at the end. */
static bool is_filling(const struct backup *b, int64_t manifest_ends, int64_t at)
{
    for (size_t i = 0; i < b->count; i++) {
        const int64_t ends = b->member[i].at + b->member[i].bytes;
        if (at >= ends && at < ends + ustar_filling(b->member[i].bytes)) return true;
    }
    return at >= manifest_ends;
}

START_TEST(no_byte_changes_unseen) /* _i: where the sweep begins */
{
    struct backup b, changed;
    make_site();
    must_save();
    ck_assert_int_eq(open_backup(&b), ERR_NONE);
    const size_t length = read_backup();
    const char *last = whole;
    for (const char *c = whole; c < whole + length; c++) {
        if (*c == '\n') last = c;
    }
    int seen = 0;
    for (size_t i = (size_t)_i; i < length; i += 5) {
        whole[i] ^= (char)(1 << i % 8);
        write_backup(length);
        const enum err err = open_backup(&changed);
        whole[i] ^= (char)(1 << i % 8);
        close_backup(&changed);
        seen += err != ERR_NONE;
        if (err == ERR_NONE)
            ck_assert_msg(is_filling(&b, last - whole + 1, (int64_t)i), "byte %zu", i);
        else
            ck_assert_msg(problem.text[0] && problem.where[0], "byte %zu", i);
    }
    ck_assert_int_gt(seen, 1000);
    close_backup(&b);
    remove_dir();
}
END_TEST

START_TEST(one_that_was_cut_short_is_refused)
{
    struct backup b;
    make_site();
    must_save();
    const size_t length = read_backup();
    for (size_t cut = 0; cut + 2 * USTAR_BLOCK + 512 < length; cut += 100) {
        write_backup(cut);
        ck_assert_int_eq(open_backup(&b), ERR_DAMAGED);
        close_backup(&b);
    }
    remove_dir();
}
END_TEST

/* --- names and the manifest ------------------------------------------------------------------- */

START_TEST(no_name_leads_out_of_its_folder)
{
    static const char *const bad[] = { "dosewright-backup/config/../x",
        "dosewright-backup/config/a/../../x", "dosewright-backup/config//etc/x",
        "dosewright-backup/config/", "dosewright-backup/config/./x", "dosewright-backup/config/a/",
        "dosewright-backup/config/a\nb", "dosewright-backup/journal/lock",
        "dosewright-backup/journal/../journal-2031-04-02.jsonl",
        "dosewright-backup/journal/journal-2031-04-02.jsonl.torn-",
        "dosewright-backup/journal/journal-2031-04-02.jsonl.torn-1x", "/etc/passwd", "config/x" };
    static const char *const good[] = { "dosewright-backup/config/x..y",
        "dosewright-backup/config/a/b", "dosewright-backup/journal/journal-2031-04-02-12.jsonl",
        "dosewright-backup/journal/journal-2031-04-02.jsonl.torn-1" };
    struct backup_member m;
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ck_assert_msg(!backup_read_name(&m, bad[i]), "%s", bad[i]);
    }
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        char again[USTAR_NAME_MAX];
        ck_assert_msg(backup_read_name(&m, good[i]), "%s", good[i]);
        ck_assert(backup_full_name(again, &m));
        ck_assert_str_eq(again, good[i]);
    }
}
END_TEST

static void add_line(struct text *t, struct link_tip *tip, struct record *r)
{
    const struct link_stamp stamp = { .now = now, .boot = "boot-1" };
    ck_assert_int_eq(link_seal(tip, r, &stamp, journal_sha256, t), ERR_NONE);
}

START_TEST(a_newer_one_is_refused_in_words)
{
    char lines[RECORD_LINE_MAX];
    struct text t = text_over(lines, sizeof lines);
    struct link_tip tip = link_start();
    struct backup b = { .fd = -1 };
    struct record r;
    record_start(&r, "backup");
    record_add_int(&r, "format", BACKUP_FORMAT + 1);
    add_line(&t, &tip, &r);
    ck_assert_int_eq(backup_read_manifest(&b, lines, t.length, &problem), ERR_RANGE);
    ck_assert_ptr_nonnull(strstr(problem.text, "newer dosewright"));
    ck_assert_ptr_nonnull(strstr(problem.text, "format 2"));
}
END_TEST

struct kept {
    char text[16384];
    size_t length;
};

static bool keep(void *context, const char *line, size_t length)
{
    struct kept *k = context;
    memcpy(k->text + k->length, line, length);
    k->length += length;
    return true;
}

/* Members that were exchanged, left out or added, below a manifest that is whole in itself. */
START_TEST(the_manifest_and_the_members_must_agree)
{
    static struct kept k;
    struct backup b;
    const struct link_stamp stamp = { .now = now, .boot = "boot-1" };
    make_site();
    must_save();
    ck_assert_int_eq(open_backup(&b), ERR_NONE);
    k.length = 0;
    ck_assert(backup_tell(&b, NULL, &stamp, keep, &k));
    ck_assert_int_eq(backup_read_manifest(&b, k.text, k.length, &problem), ERR_NONE);
    const struct backup_member first = b.member[0];
    b.member[0] = b.member[1];
    b.member[1] = first;
    ck_assert_int_eq(backup_read_manifest(&b, k.text, k.length, &problem), ERR_DAMAGED);
    b.member[1] = b.member[0];
    b.member[0] = first;
    b.count--;
    ck_assert_int_eq(backup_read_manifest(&b, k.text, k.length, &problem), ERR_DAMAGED);
    b.count++;
    ck_assert(backup_add(&b, &first));
    ck_assert_int_eq(backup_read_manifest(&b, k.text, k.length, &problem), ERR_DAMAGED);
    close_backup(&b);
    remove_dir();
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("backup");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, it_holds_configuration_and_journal);
    tcase_add_test(t, it_ends_with_a_whole_record_beside_a_writer);
    tcase_add_test(t, a_damaged_journal_is_copied_and_said_to_be);
    tcase_add_test(t, files_elsewhere_are_left_out_and_told);
    tcase_add_test(t, what_is_there_stays_unless_asked);
    tcase_add_test(t, without_a_journal_there_is_nothing_to_copy);
    tcase_add_loop_test(t, no_byte_changes_unseen, 0, 5);
    tcase_add_test(t, one_that_was_cut_short_is_refused);
    tcase_add_test(t, no_name_leads_out_of_its_folder);
    tcase_add_test(t, a_newer_one_is_refused_in_words);
    tcase_add_test(t, the_manifest_and_the_members_must_agree);
    return run_case(t, "backup");
}
