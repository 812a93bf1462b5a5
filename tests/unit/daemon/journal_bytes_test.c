/* A journal that was cut or changed at any byte. INV-7: a torn last line is repaired and noted,
 * anything else is reported, and nothing is overwritten. Single places: journal_damage_test.c. */
#include "tests/unit/daemon/journal_pieces.h"

#include "daemon/base/digest.h"

static char found[ROOM];

/* --- the last line ---------------------------------------------------------------------------- */

START_TEST(a_last_line_cut_at_any_byte_is_set_aside_and_noted)
{
    make_journal(5, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    const size_t start = line_start(kept, length, 5);
    for (size_t cut = start + 1; cut < length; cut++) {
        char sha256[DIGEST_HEX_MAX], seq[8];
        clear_dir();
        write_file(day_one, kept, cut);
        must_open();
        ck_assert(report.torn && !report.damaged && report.records == 4);
        ck_assert_int_eq(report.torn_bytes, cut - start);
        ck_assert_int_eq(must_append(7), 6);
        close_journal();
        ck_assert_uint_eq(read_file("journal-2031-04-02.jsonl.torn-1", found, ROOM), cut - start);
        ck_assert_mem_eq(found, kept + start, cut - start);
        ck_assert_uint_gt(read_file(day_one, found, ROOM), start);
        ck_assert_mem_eq(found, kept, start);
        struct load_digest *digest = digest_open();
        digest_add(digest, kept + start, cut - start);
        ck_assert(digest_close(digest, sha256));
        must_open();
        ck_assert(!report.torn && !report.damaged && report.records == 6);
        close_journal();
        found[read_file(day_one, found, ROOM - 1)] = '\0';
        strcpy(last_line, strstr(found, "\"kind\":\"recovery\"") - 200);
        ck_assert_str_eq(newest("sha256"), sha256);
        snprintf(seq, sizeof seq, "%d", (int)(cut - start));
        ck_assert_ptr_nonnull(strstr(found, "\"kept_as\":\"journal-2031-04-02.jsonl.torn-1\""));
    }
}
END_TEST

/* A last record that was written whole may have been acted on: losing it might give back a dose. */
START_TEST(a_last_line_that_is_whole_but_changed_is_damage)
{
    make_journal(3, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    const size_t start = line_start(kept, length, 3);
    for (size_t flip = start; flip < length; flip++) {
        clear_dir();
        memcpy(found, kept, length);
        found[flip] = (char)(found[flip] ^ 1);
        write_file(day_one, found, length);
        must_open();
        ck_assert_msg(report.damaged && !report.torn, "byte %zu", flip);
        ck_assert_int_eq(report.records, 2);
        close_journal();
        ck_assert_uint_eq(read_file(day_one, found, ROOM), length);
        found[flip] = (char)(found[flip] ^ 1);
        ck_assert_mem_eq(found, kept, length);
        ck_assert(exists("journal-2031-04-02-2.jsonl"));
    }
}
END_TEST

/* --- every byte of all ------------------------------------------------------------------------ */

enum { MANY = 60, MANY_DAYS = 3 };

/* What the files hold when nothing is wrong. */
static size_t lengths[MANY_DAYS];
static char whole[MANY_DAYS][ROOM / 2];
static const char *const names[MANY_DAYS] = { day_one, day_two, day_three };

static void make_many(void)
{
    make_journal(MANY, MANY_DAYS);
    for (int day = 0; day < MANY_DAYS; day++) {
        lengths[day] = read_file(names[day], whole[day], sizeof whole[day]);
    }
    scan();
    ck_assert(report.records == MANY && !report.torn && !report.damaged);
}

static int records_before(const char *bytes, size_t length)
{
    int count = 0;
    for (size_t i = 0; i < length; i++) {
        count += bytes[i] == '\n';
    }
    return count;
}

/* Cut anywhere in the last segment: what is left verifies, or its last line is torn. Cut in an
 * earlier one: damage, unless nothing was cut. */
START_TEST(a_journal_cut_at_any_byte_is_repaired_or_reported)
{
    make_many();
    for (int day = 0; day < MANY_DAYS; day++) {
        const bool last = day == MANY_DAYS - 1;
        for (size_t cut = 0; cut < lengths[day]; cut++) {
            ck_assert_int_eq(truncate(at(names[day]), (off_t)cut), 0);
            scan();
            const int left = records_before(whole[day], cut);
            const bool between = cut == 0 || whole[day][cut - 1] == '\n';
            ck_assert_int_eq(report.damaged, !last);
            ck_assert_int_eq(report.torn, last && !between);
            ck_assert_int_eq(report.records, MANY - MANY / MANY_DAYS + left);
            write_file(names[day], whole[day], lengths[day]);
        }
    }
}
END_TEST

/* One bit of any byte, and the whole byte: never a record more or other than was written. */
START_TEST(a_flipped_bit_anywhere_is_repaired_or_reported)
{
    make_many();
    for (int day = 0; day < MANY_DAYS; day++) {
        const int fd = open(at(names[day]), O_WRONLY);
        for (size_t flip = 0; flip < lengths[day]; flip++) {
            const char changed = (char)(whole[day][flip] ^ (1 << (flip % 8)));
            ck_assert_int_eq(pwrite(fd, &changed, 1, (off_t)flip), 1);
            scan();
            ck_assert_msg(report.damaged != report.torn, "%s byte %zu", names[day], flip);
            ck_assert_int_le(report.records, MANY - 1);
            ck_assert_int_ge(report.records, MANY - 2); /* a line feed joins two */
            ck_assert_int_le(visited_ul, MANY * (MANY - 1) / 2);
            ck_assert_int_eq(pwrite(fd, &whole[day][flip], 1, (off_t)flip), 1);
        }
        close(fd);
    }
    scan();
    ck_assert(report.records == MANY && !report.damaged);
}
END_TEST

/* The same by the daemon's own way in, at every 17th byte: it opens, goes on, and is told once. */
START_TEST(after_any_flip_the_journal_goes_on)
{
    make_many();
    for (int day = 0; day < MANY_DAYS; day++) {
        for (size_t flip = (size_t)_i; flip < lengths[day]; flip += 17 * 8) {
            clear_dir();
            for (int n = 0; n < MANY_DAYS; n++) {
                write_file(names[n], whole[n], lengths[n]);
            }
            memcpy(found, whole[day], lengths[day]);
            found[flip] = (char)(found[flip] ^ 0x10);
            write_file(names[day], found, lengths[day]);
            must_open();
            ck_assert(report.damaged && !report.torn);
            must_append(5);
            close_journal();
            read_file(names[day], kept, ROOM);
            ck_assert_mem_eq(kept, found, lengths[day]);
            must_open();
            ck_assert(!report.damaged && !report.torn);
            close_journal();
        }
    }
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("journal_bytes");
    tcase_set_timeout(t, 240);
    tcase_add_checked_fixture(t, make_dir, remove_dir);
    tcase_add_test(t, a_last_line_cut_at_any_byte_is_set_aside_and_noted);
    tcase_add_test(t, a_last_line_that_is_whole_but_changed_is_damage);
    tcase_add_test(t, a_journal_cut_at_any_byte_is_repaired_or_reported);
    tcase_add_test(t, a_flipped_bit_anywhere_is_repaired_or_reported);
    tcase_add_loop_test(t, after_any_flip_the_journal_goes_on, 0, 8);
    return run_case(t, "journal_bytes");
}
