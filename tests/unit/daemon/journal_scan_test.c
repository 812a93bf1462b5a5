/* What a scan makes of records that speak of the journal itself, 'damage' and 'pruned', and of
 * where a journal begins. */
#include "tests/unit/daemon/journal_pieces.h"

#include "daemon/journal/journal_scan.h"

/* --- records that were not written by this journal ---------------------------------------------
 */

static struct link_tip forged;

/* Adds a record behind the forged tip, with a hash that fits. */
static void forge(const char *file, struct record *r)
{
    char line[RECORD_LINE_MAX];
    struct text t = text_over(line, sizeof line);
    const struct link_stamp stamp = { .now = now, .boot = "boot-1" };
    ck_assert_int_eq(link_seal(&forged, r, &stamp, journal_sha256, &t), ERR_NONE);
    const int fd = open(at(file), O_WRONLY | O_CREAT | O_APPEND, 0640);
    ck_assert_int_eq(write(fd, line, t.length), (ssize_t)t.length);
    close(fd);
}

static void forge_dose(const char *file)
{
    struct record r;
    record_start(&r, "dose");
    record_add_int(&r, "ul", 1);
    forge(file, &r);
}

/* 'first' 0, 'prev' NULL: the record doesn't say. */
static void forge_pruned(const char *file, int64_t first, const char *prev)
{
    struct record r;
    record_start(&r, "pruned");
    if (first != 0) record_add_int(&r, "first_seq", first);
    if (prev) record_add_text(&r, "first_prev", prev);
    forge(file, &r);
}

static void forge_damage(const char *file, int64_t after, int64_t next)
{
    struct record r;
    record_start(&r, "damage");
    if (after != 0) record_add_int(&r, "after_seq", after);
    if (next != 0) record_add_int(&r, "next_seq", next);
    forge(file, &r);
}

static struct link_tip tip_of(int64_t seq, char digit)
{
    struct link_tip tip = { .seq = seq };
    memset(tip.hash, digit, LINK_HASH_HEX - 1);
    return tip;
}

static void expect_damage(const char *words)
{
    scan();
    ck_assert(report.damaged && !report.torn);
    ck_assert_msg(strstr(report.problem.text, words) != NULL, "'%s' isn't in '%s'", words,
        report.problem.text);
}

/* --- where it begins -------------------------------------------------------------------------- */

/* Nothing was pruned before record 1, so that its 'prev' can only be the beginning's. */
START_TEST(a_first_record_that_follows_something_is_damage)
{
    forged = tip_of(0, '7');
    forge_dose(day_one);
    forge_dose(day_one);
    expect_damage("none of its records says");
    ck_assert_str_eq(report.problem.where, "journal-2031-04-02.jsonl:1");
    ck_assert_int_eq(report.records, 2);
}
END_TEST

START_TEST(what_was_pruned_is_named_by_seq_and_hash)
{
    const struct link_tip start = tip_of(41, 'a');
    forged = start;
    forge_dose(day_one);
    forge_pruned(day_one, 42, start.hash);
    scan();
    ck_assert(!report.damaged && report.records == 2);
    clear_dir();
    forged = start;
    forge_dose(day_one);
    forge_pruned(day_one, 42, tip_of(0, 'b').hash);
    expect_damage("not as the record says that was made at pruning");
    clear_dir();
    forged = start;
    forge_dose(day_one);
    forge_pruned(day_one, 41, tip_of(0, 'b').hash); /* record 41 was to stay */
    expect_damage("none of its records says");
}
END_TEST

/* An interrupted pruning left more than its record says. */
START_TEST(more_than_was_kept_is_no_damage)
{
    forged = tip_of(41, 'a');
    forge_dose(day_one);
    forge_dose(day_one);
    forge_pruned(day_one, 43, tip_of(0, 'b').hash);
    scan();
    ck_assert(!report.damaged && report.records == 3);
}
END_TEST

START_TEST(a_pruning_that_cant_be_read_excuses_nothing)
{
    forged = tip_of(41, 'a');
    forge_dose(day_one);
    forge_pruned(day_one, 0, forged.hash);
    forge_pruned(day_one, 99, forged.hash); /* what comes later can't have been the first kept */
    forge_pruned(day_one, 42, NULL);
    expect_damage("none of its records says");
    ck_assert_int_eq(report.records, 4);
}
END_TEST

/* The place is told by the file in which the first record stands. */
START_TEST(empty_files_before_the_beginning_are_passed_over)
{
    write_file(day_one, "", 0);
    write_file(day_two, "", 0);
    forged = tip_of(41, 'a');
    forge_dose(day_three);
    expect_damage("none of its records says");
    ck_assert_str_eq(report.problem.where, "journal-2031-04-04.jsonl:1");
}
END_TEST

/* --- which places are told of ----------------------------------------------------------------- */

/* Record 3 of four is lost; a note tells of a place only by both its ends. */
static void break_the_third(int64_t after, int64_t next)
{
    clear_dir();
    forged = link_start();
    for (int n = 0; n < 4; n++) {
        forge_dose(day_one);
    }
    const size_t length = read_file(day_one, kept, ROOM);
    kept[line_start(kept, length, 3) + 60] ^= 4;
    write_file(day_one, kept, length);
    forge_damage(day_one, after, next);
}

START_TEST(a_note_tells_of_a_place_by_both_its_ends)
{
    static const struct {
        int64_t after, next;
        bool known;
    } notes[] = { { 2, 4, true }, { 2, 5, false }, { 1, 4, false }, { 2, 0, false },
        { 0, 4, false } };
    for (size_t n = 0; n < sizeof notes / sizeof *notes; n++) {
        break_the_third(notes[n].after, notes[n].next);
        scan();
        ck_assert(report.damaged && report.records == 4);
        must_open();
        ck_assert_msg(report.damaged != notes[n].known, "note %zu", n);
        close_journal();
    }
}
END_TEST

/* What stood before the broken place was pruned since: the note names it, and the file begins with
 * the broken lines. Found by fuzz.journal_dir. */
START_TEST(a_note_holds_after_what_came_before_was_pruned)
{
    static const struct {
        int64_t after, next, pruned;
        bool known;
    } rows[] = { { 41, 43, 43, true }, { 2, 43, 43, true }, { 41, 44, 43, false },
        { 41, 43, 44, false }, { 41, 43, 0, false } };
    for (size_t n = 0; n < sizeof rows / sizeof *rows; n++) {
        clear_dir();
        write_file(day_one, "no record\n", 10);
        forged = tip_of(42, 'a');
        forge_dose(day_one); /* 43 */
        forge_damage(day_one, rows[n].after, rows[n].next);
        if (rows[n].pruned) forge_pruned(day_one, rows[n].pruned, tip_of(0, 'a').hash);
        must_open();
        ck_assert_msg(report.damaged != rows[n].known, "row %zu", n);
        close_journal();
    }
}
END_TEST

/* There is room for so many places; the beginning is one more, and isn't forgotten. */
START_TEST(the_beginning_counts_where_no_more_places_are_kept)
{
    forged = tip_of(41, 'a');
    for (int n = 0; n < 2 * SCAN_PLACES_MAX + 1; n++) {
        forge_dose(day_one);
    }
    const size_t length = read_file(day_one, kept, ROOM);
    for (int n = 2; n <= 2 * SCAN_PLACES_MAX; n += 2) {
        kept[line_start(kept, length, n) + 60] ^= 4;
    }
    write_file(day_one, kept, length);
    struct journal_scan *s = journal_scan_new(open(dir, O_RDONLY | O_DIRECTORY), NULL, NULL);
    ck_assert_ptr_nonnull(s);
    ck_assert_int_eq(journal_scan_run(s, &problem), ERR_NONE);
    ck_assert_uint_eq(s->places, SCAN_PLACES_MAX + 1);
    const struct scan_place *first = NULL;
    ck_assert_uint_eq(journal_scan_unnoted(s, &first), SCAN_PLACES_MAX + 1);
    ck_assert_ptr_eq(first, &s->place[0]);
    ck_assert_uint_eq(journal_scan_unnoted(s, NULL), SCAN_PLACES_MAX + 1);
    for (int n = 0; n < SCAN_PLACES_MAX; n++) {
        s->place[n].noted_by = 1;
    }
    ck_assert_uint_eq(journal_scan_unnoted(s, &first), 1); /* the one that has no room */
    ck_assert_ptr_eq(first, &s->place[SCAN_PLACES_MAX - 1]);
    close(s->dir_fd);
    journal_scan_free(s);
}
END_TEST

/* --- the last line ---------------------------------------------------------------------------- */

/* A record that was written whole may have been acted on; that its line feed has changed since
 * makes it no torn tail. With a byte more it is one. */
START_TEST(a_line_feed_that_changed_is_damage_and_not_a_torn_end)
{
    make_journal(3, 1);
    const size_t length = read_file(day_one, kept, ROOM);
    kept[length - 1] = '\v';
    write_file(day_one, kept, length);
    scan();
    ck_assert(report.damaged && !report.torn && report.records == 2);
    kept[length] = '\v';
    write_file(day_one, kept, length + 1);
    scan();
    ck_assert(!report.damaged && report.torn && report.records == 2);
}
END_TEST

/* --- while it is written ---------------------------------------------------------------------- */

/* A line and a half come to the file with each record that is read. */
static void grow(void *context, const struct record *r, const char *line)
{
    (void)r, (void)line;
    const int fd = open(at(day_one), O_WRONLY | O_APPEND);
    ck_assert_int_eq(write(fd, context, strlen(context)), (ssize_t)strlen(context));
    close(fd);
}

/* Defect: what came while it was read was taken for a torn end, of fewer than no bytes. */
START_TEST(what_is_written_meanwhile_is_no_torn_end)
{
    char more[] = "{}\n{\"kind\":";
    const int64_t records = 2 * SCAN_BUFFER / 200; /* more than a buffer holds */
    make_journal((int)records, 1);
    ck_assert_int_gt(read_file(day_one, kept, ROOM), SCAN_BUFFER);
    const int dir_fd = open(dir, O_RDONLY | O_DIRECTORY);
    struct journal_scan *s = journal_scan_new(dir_fd, grow, more);
    ck_assert_int_eq(journal_scan_run(s, &problem), ERR_NONE);
    ck_assert_int_eq(s->records, records);
    ck_assert_int_eq(s->torn.bytes, 0);
    ck_assert_uint_eq(s->places, 0);
    journal_scan_free(s);
    close(dir_fd);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("journal_scan");
    tcase_add_checked_fixture(t, make_dir, remove_dir);
    tcase_add_test(t, a_first_record_that_follows_something_is_damage);
    tcase_add_test(t, what_was_pruned_is_named_by_seq_and_hash);
    tcase_add_test(t, more_than_was_kept_is_no_damage);
    tcase_add_test(t, a_pruning_that_cant_be_read_excuses_nothing);
    tcase_add_test(t, empty_files_before_the_beginning_are_passed_over);
    tcase_add_test(t, a_note_tells_of_a_place_by_both_its_ends);
    tcase_add_test(t, a_note_holds_after_what_came_before_was_pruned);
    tcase_add_test(t, the_beginning_counts_where_no_more_places_are_kept);
    tcase_add_test(t, a_line_feed_that_changed_is_damage_and_not_a_torn_end);
    tcase_add_test(t, what_is_written_meanwhile_is_no_torn_end);
    return run_case(t, "journal_scan");
}
