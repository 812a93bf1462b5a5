#include "lib/journal/link.h"

#include <stdlib.h>
#include <string.h>

#include "lib/base/prng.h"
#include "lib/journal/canon.h"
#include "tests/unit/support.h"

enum { RECORDS = 150 };

/* Not SHA-256 (lib has none), but every bit of the input changes the result: FNV-1a with a length
 * and four seeds, constants from memory. The real hash is checked in tests/unit/daemon and by
 * tests/reference/journal. */
static void toy_hash(const void *bytes, size_t count, uint8_t ret[LINK_HASH_BYTES])
{
    for (size_t lane = 0; lane < 4; lane++) {
        uint64_t h = UINT64_C(14695981039346656037) + lane * 7919 + count;
        for (size_t i = 0; i < count; i++) {
            h = (h ^ ((const uint8_t *)bytes)[i]) * UINT64_C(1099511628211);
        }
        memcpy(ret + lane * 8, &h, 8);
    }
}

static struct {
    char line[RECORD_LINE_MAX]; /* no line feed */
    size_t length;
    struct link_tip before, after;
} chain[RECORDS];

static struct link_stamp stamp(int i)
{
    static const enum clock_trust trust[] = { CLOCK_UNSET, CLOCK_FREE, CLOCK_SYNCED };
    return (struct link_stamp){ .now = { .mono = { 1000 + i * 250 },
                                    .civil = { INT64_C(1933036567089) + i * 1000 },
                                    .clock = trust[i % 3] },
        .boot = "1f0e9c52-7d0a-4b8e-9a55-0d6f7e3c2b1a" };
}

static void make_chain(void)
{
    struct link_tip tip = link_start();
    for (int i = 0; i < RECORDS; i++) {
        static struct record r;
        struct text t = text_over(chain[i].line, sizeof chain[i].line);
        record_start(&r, i % 2 ? "outcome" : "dose");
        record_add_text(&r, "id", "d-17");
        record_add_text(&r, "tank", i % 3 ? "lettuce-wall" : "kr\xc3\xa4uter \"b\"\n");
        record_add_int(&r, "ul", i * 100);
        record_add_real(&r, "ec", 1.85 + i, 2);
        record_add_truth(&r, "unsure", i % 5 == 0);
        const struct link_stamp s = stamp(i);
        chain[i].before = tip;
        ck_assert_int_eq(link_seal(&tip, &r, &s, toy_hash, &t), ERR_NONE);
        chain[i].after = tip;
        chain[i].length = t.length - 1;
        ck_assert_int_eq(chain[i].line[t.length - 1], '\n');
        chain[i].line[t.length - 1] = '\0';
    }
}

static void check_tip(const struct link_tip *tip, const struct link_tip *wanted)
{
    ck_assert_int_eq(tip->seq, wanted->seq);
    ck_assert_str_eq(tip->hash, wanted->hash);
}

static enum err follow(struct link_tip *tip, struct record *ret, const char *line, size_t length)
{
    struct problem problem = { .err = ERR_NONE };
    const struct link_tip before = *tip;
    const enum err err = link_follow(tip, ret, line, length, toy_hash, &problem);
    ck_assert_int_eq(err, problem.err);
    ck_assert(err == ERR_NONE || err == ERR_SYNTAX || err == ERR_DAMAGED);
    if (err != ERR_NONE) check_tip(tip, &before);
    return err;
}

START_TEST(a_chain_is_followed_from_its_start)
{
    struct link_tip tip = link_start();
    static struct record r;
    ck_assert_int_eq(tip.seq, 0);
    ck_assert_str_eq(tip.hash, "0000000000000000000000000000000000000000000000000000000000000000");
    make_chain();
    for (int i = 0; i < RECORDS; i++) {
        ck_assert_int_eq(follow(&tip, &r, chain[i].line, chain[i].length), ERR_NONE);
        check_tip(&tip, &chain[i].after);
        int64_t ul;
        ck_assert(record_int(&r, "ul", &ul) && ul == i * 100);
    }
    ck_assert_int_eq(tip.seq, RECORDS);
}
END_TEST

START_TEST(the_header_comes_back_as_it_was_stamped)
{
    struct link_tip tip = link_start();
    static struct record r;
    make_chain();
    for (int i = 0; i < RECORDS; i++) {
        const struct link_stamp s = stamp(i);
        int64_t seq;
        struct now at;
        const char *boot;
        ck_assert_int_eq(follow(&tip, &r, chain[i].line, chain[i].length), ERR_NONE);
        ck_assert(link_header(&r, &seq, &at, &boot));
        ck_assert_int_eq(seq, i + 1);
        ck_assert_int_eq(at.mono.ms, s.now.mono.ms);
        ck_assert_int_eq(at.civil.ms, s.now.civil.ms);
        ck_assert_int_eq(at.clock, s.now.clock);
        ck_assert_str_eq(boot, s.boot);
    }
}
END_TEST

/* The bytes that are hashed, made by hand: the canonical form without "hash". */
START_TEST(the_hash_is_that_of_the_canonical_form_without_it)
{
    static struct record r;
    char bare[RECORD_LINE_MAX], hex[LINK_HASH_HEX];
    uint8_t raw[LINK_HASH_BYTES];
    make_chain();
    ck_assert_int_eq(canon_read(&r, chain[7].line, chain[7].length, NULL), ERR_NONE);
    struct text t = text_over(bare, sizeof bare), h = text_over(hex, sizeof hex);
    canon_add(&t, &r, "hash");
    toy_hash(bare, t.length, raw);
    text_add_hex(&h, raw, sizeof raw);
    ck_assert_str_eq(record_text_or_empty(&r, "hash"), hex);
    ck_assert_str_eq(record_text_or_empty(&r, "prev"), chain[7].before.hash);
    ck_assert_str_eq(record_text_or_empty(&r, "time"), "2031-04-04T02:36:14.089Z");
    ck_assert_str_eq(record_text_or_empty(&r, "clock"), "free");
}
END_TEST

/* INV-7. Every byte of every record, every bit of it. */
START_TEST(a_flipped_bit_is_never_taken)
{
    static struct record r;
    static char line[RECORD_LINE_MAX];
    make_chain();
    for (int i = 0; i < RECORDS; i++) {
        memcpy(line, chain[i].line, chain[i].length);
        for (size_t at = 0; at < chain[i].length; at++) {
            for (int bit = 0; bit < 8; bit++) {
                struct link_tip tip = chain[i].before;
                line[at] = (char)(line[at] ^ (1 << bit));
                ck_assert_int_ne(follow(&tip, &r, line, chain[i].length), ERR_NONE);
                line[at] = (char)(line[at] ^ (1 << bit));
            }
        }
        struct link_tip tip = chain[i].before;
        ck_assert_int_eq(follow(&tip, &r, line, chain[i].length), ERR_NONE);
    }
}
END_TEST

START_TEST(a_line_cut_short_at_any_byte_or_made_longer_is_never_taken)
{
    static struct record r;
    static char line[RECORD_LINE_MAX];
    make_chain();
    for (int i = 0; i < RECORDS; i++) {
        struct link_tip tip = chain[i].before;
        for (size_t length = 0; length < chain[i].length; length++) {
            ck_assert_int_ne(follow(&tip, &r, chain[i].line, length), ERR_NONE);
        }
        memcpy(line, chain[i].line, chain[i].length);
        line[chain[i].length] = '}';
        ck_assert_int_ne(follow(&tip, &r, line, chain[i].length + 1), ERR_NONE);
    }
}
END_TEST

START_TEST(a_record_left_out_repeated_or_moved_is_never_taken)
{
    static struct record r;
    make_chain();
    for (int i = 0; i < RECORDS; i++) {
        for (int j = 0; j < RECORDS; j++) {
            struct link_tip tip = chain[i].before;
            const enum err err = follow(&tip, &r, chain[j].line, chain[j].length);
            ck_assert_int_eq(err, i == j ? ERR_NONE : ERR_DAMAGED);
        }
    }
}
END_TEST

/* The same seq, another past: prev tells. */
START_TEST(a_record_of_another_chain_is_never_taken)
{
    static struct record r;
    make_chain();
    struct link_tip tip = chain[5].before;
    tip.hash[10] = tip.hash[10] == 'a' ? 'b' : 'a';
    ck_assert_int_eq(follow(&tip, &r, chain[5].line, chain[5].length), ERR_DAMAGED);
}
END_TEST

/* Rewrites one member of a record and seals it with a fresh, correct hash over the rest. */
static size_t reseal(char *ret, const char *line, const char *from, const char *to)
{
    char bare[RECORD_LINE_MAX], hex[LINK_HASH_HEX];
    uint8_t raw[LINK_HASH_BYTES];
    const char *at = strstr(line, from), *hash = strstr(line, ",\"hash\":\"");
    ck_assert(at && hash);
    struct text t = text_over(ret, RECORD_LINE_MAX);
    text_add_bytes(&t, line, (size_t)(at - line));
    text_add(&t, to);
    text_add(&t, at + strlen(from));
    hash = strstr(ret, ",\"hash\":\"");
    struct text b = text_over(bare, sizeof bare), h = text_over(hex, sizeof hex);
    text_add_bytes(&b, ret, (size_t)(hash - ret));
    text_add(&b, hash + 9 + 65);
    toy_hash(bare, b.length, raw);
    text_add_hex(&h, raw, sizeof raw);
    memcpy(ret + (hash - ret) + 9, hex, 64);
    return t.length;
}

/* A hash that fits doesn't make a record of it: each member of the header is wanted. */
START_TEST(a_well_hashed_line_without_a_proper_header_is_never_taken)
{
    static struct record r;
    static char line[RECORD_LINE_MAX];
    make_chain();
    struct link_tip tip = chain[4].before;
    size_t length = reseal(line, chain[4].line, "\"ec\":5.85", "\"ec\":5.84");
    ck_assert_int_eq(follow(&tip, &r, line, length), ERR_NONE); /* the tool itself works */
    static const char *const rows[][2] = { { "\"clock\":\"free\"", "\"clock\":\"freE\"" },
        { "\"clock\":\"free\",", "" }, { "\"boot\":\"1f", "\"bood\":\"1f" },
        { "{\"boot\":\"1f0e9c52-7d0a-4b8e-9a55-0d6f7e3c2b1a\"", "{\"boot\":7" } };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        tip = chain[4].before;
        length = reseal(line, chain[4].line, rows[i][0], rows[i][1]);
        ck_assert_int_eq(follow(&tip, &r, line, length), ERR_SYNTAX);
    }
}
END_TEST

/* Whoever can hash can also number: each of the three ties holds by itself. */
START_TEST(a_well_hashed_record_of_another_number_or_past_is_never_taken)
{
    static struct record r;
    static char line[RECORD_LINE_MAX];
    static const char *const rows[][2] = { { "\"seq\":5,", "\"seq\":6," },
        { "\"seq\":5,", "\"seq\":4," }, { "\"seq\":5,", "\"seq\":1," } };
    make_chain();
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct link_tip tip = chain[4].before;
        const size_t length = reseal(line, chain[4].line, rows[i][0], rows[i][1]);
        ck_assert_int_eq(follow(&tip, &r, line, length), ERR_DAMAGED);
    }
    struct link_tip tip = chain[4].before;
    char other[80] = "\"prev\":\"";
    const char *prev = strstr(chain[4].line, other);
    memcpy(other, prev, 9 + 64);
    other[9] = other[9] == '0' ? '1' : '0';
    char own[80] = { 0 };
    memcpy(own, prev, 9 + 64);
    const size_t length = reseal(line, chain[4].line, own, other);
    ck_assert_int_eq(follow(&tip, &r, line, length), ERR_DAMAGED);
}
END_TEST

START_TEST(a_chain_can_be_taken_up_at_a_later_record)
{
    static struct record r;
    make_chain();
    struct link_tip tip;
    ck_assert(link_before(&tip, chain[40].line, chain[40].length));
    check_tip(&tip, &chain[40].before);
    ck_assert_int_eq(follow(&tip, &r, chain[40].line, chain[40].length), ERR_NONE);
    ck_assert_int_eq(follow(&tip, &r, chain[41].line, chain[41].length), ERR_NONE);
    ck_assert(!link_before(&tip, chain[40].line, chain[40].length - 1));
    ck_assert(!link_before(&tip, "{}", 2));
    check_tip(&tip, &chain[41].after);
}
END_TEST

START_TEST(a_record_that_is_cut_or_too_long_leaves_the_tip_where_it_is)
{
    static struct record r;
    static char buffer[2 * RECORD_LINE_MAX];
    struct text t = text_over(buffer, sizeof buffer);
    struct link_tip tip = link_start();
    const struct link_tip start = tip;
    const struct link_stamp s = stamp(1);
    record_start(&r, "x");
    record_add_int(&r, "n", INT64_MAX);
    ck_assert_int_eq(link_seal(&tip, &r, &s, toy_hash, &t), ERR_FULL);

    char control[513];
    memset(control, 1, sizeof control); /* six bytes each on disk */
    control[512] = '\0';
    record_start(&r, "x");
    record_add_text(&r, "a", control);
    control[30] = '\0';
    record_add_text(&r, "b", control);
    ck_assert(!r.cut);
    ck_assert_int_eq(link_seal(&tip, &r, &s, toy_hash, &t), ERR_FULL);

    char small[100];
    t = text_over(small, sizeof small);
    record_start(&r, "x");
    ck_assert_int_eq(link_seal(&tip, &r, &s, toy_hash, &t), ERR_FULL);
    check_tip(&tip, &start);
    t = text_over(buffer, sizeof buffer);
    record_start(&r, "x");
    ck_assert_int_eq(link_seal(&tip, &r, &s, toy_hash, &t), ERR_NONE);
    ck_assert_int_eq(tip.seq, 1);
}
END_TEST

/* The longest lines that can be written can be read. */
START_TEST(a_line_of_any_length_that_is_written_is_read)
{
    static struct record r;
    static char buffer[RECORD_LINE_MAX];
    int written = 0;
    for (size_t length = 300; length <= 512; length++) {
        struct text t = text_over(buffer, sizeof buffer);
        struct link_tip tip = link_start(), again = tip;
        const struct link_stamp s = stamp(2);
        char control[513];
        memset(control, 1, sizeof control);
        control[length] = '\0';
        record_start(&r, "x");
        record_add_text(&r, "a", control);
        if (link_seal(&tip, &r, &s, toy_hash, &t) != ERR_NONE) continue;
        ck_assert_int_eq(follow(&again, &r, buffer, t.length - 1), ERR_NONE);
        ck_assert_str_eq(record_text_or_empty(&r, "a"), control);
        written++;
    }
    ck_assert_int_gt(written, 100);
}
END_TEST

START_TEST(a_clock_beyond_every_calendar_is_recorded_at_its_end)
{
    static const int64_t odd[] = { -1, INT64_MIN, INT64_C(253402300800000), INT64_MAX };
    static struct record r;
    char buffer[RECORD_LINE_MAX];
    for (size_t i = 0; i < 4; i++) {
        struct text t = text_over(buffer, sizeof buffer);
        struct link_tip tip = link_start(), again = tip;
        struct link_stamp s = stamp(2);
        s.now.civil.ms = odd[i];
        record_start(&r, "x");
        ck_assert_int_eq(link_seal(&tip, &r, &s, toy_hash, &t), ERR_NONE);
        ck_assert_int_eq(follow(&again, &r, buffer, t.length - 1), ERR_NONE);
    }
}
END_TEST

START_TEST(each_clock_has_its_word)
{
    ck_assert_str_eq(clock_trust_word(CLOCK_UNSET), "unset");
    ck_assert_str_eq(clock_trust_word(CLOCK_FREE), "free");
    ck_assert_str_eq(clock_trust_word(CLOCK_SYNCED), "synced");
}
END_TEST

/* What was before a line is told by a prev that is a hash: 64 lower-case hex digits. */
START_TEST(no_chain_is_taken_up_by_a_prev_that_is_no_hash)
{
    static char line[RECORD_LINE_MAX];
    make_chain();
    static const char odd[] = "/:`gAG ";
    for (size_t i = 0; i <= sizeof odd; i++) {
        char own[80] = { 0 }, other[82] = { 0 };
        memcpy(own, strstr(chain[4].line, "\"prev\":\""), 9 + 64);
        memcpy(other, own, sizeof own);
        if (i < sizeof odd - 1) other[9 + i] = odd[i];
        if (i == sizeof odd - 1) other[9 + 63] = '\0'; /* one digit too few, and one too many */
        if (i == sizeof odd) other[9 + 64] = 'a';
        struct link_tip tip = chain[41].after;
        const size_t length = reseal(line, chain[4].line, own, other);
        ck_assert(!link_before(&tip, line, length));
        check_tip(&tip, &chain[41].after);
    }
}
END_TEST

/* Whatever is full first, the pool before the hash or the line after it: the tip stays. */
START_TEST(a_record_with_no_room_left_for_its_hash_is_refused)
{
    static struct record r;
    static char buffer[RECORD_LINE_MAX];
    char text[RECORD_TEXT_MOST + 1];
    memset(text, 'x', sizeof text);
    text[RECORD_TEXT_MOST] = '\0';
    bool before = false;
    for (size_t length = 0; length <= RECORD_TEXT_MOST; length++) {
        struct text t = text_over(buffer, sizeof buffer);
        struct link_tip tip = link_start();
        const struct link_tip start = tip;
        const struct link_stamp s = stamp(2);
        record_start(&r, "x");
        record_add_text(&r, "a", text);
        record_add_text(&r, "b", text + RECORD_TEXT_MOST - length);
        if (link_seal(&tip, &r, &s, toy_hash, &t) == ERR_NONE) {
            ck_assert(!before); /* once it is too long, it stays so */
            continue;
        }
        before = true;
        check_tip(&tip, &start);
        ck_assert_uint_eq(t.length, 0);
    }
    ck_assert(before);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("link");
    tcase_set_timeout(t, 120);
    tcase_add_test(t, a_chain_is_followed_from_its_start);
    tcase_add_test(t, the_header_comes_back_as_it_was_stamped);
    tcase_add_test(t, the_hash_is_that_of_the_canonical_form_without_it);
    tcase_add_test(t, a_flipped_bit_is_never_taken);
    tcase_add_test(t, a_line_cut_short_at_any_byte_or_made_longer_is_never_taken);
    tcase_add_test(t, a_record_left_out_repeated_or_moved_is_never_taken);
    tcase_add_test(t, a_record_of_another_chain_is_never_taken);
    tcase_add_test(t, a_well_hashed_line_without_a_proper_header_is_never_taken);
    tcase_add_test(t, a_well_hashed_record_of_another_number_or_past_is_never_taken);
    tcase_add_test(t, a_chain_can_be_taken_up_at_a_later_record);
    tcase_add_test(t, a_record_that_is_cut_or_too_long_leaves_the_tip_where_it_is);
    tcase_add_test(t, a_line_of_any_length_that_is_written_is_read);
    tcase_add_test(t, a_clock_beyond_every_calendar_is_recorded_at_its_end);
    tcase_add_test(t, each_clock_has_its_word);
    tcase_add_test(t, no_chain_is_taken_up_by_a_prev_that_is_no_hash);
    tcase_add_test(t, a_record_with_no_room_left_for_its_hash_is_refused);
    return run_case(t, "link");
}
