/* The reference for offsets is the system's own date(1), which reads the same files with the C
 * library's code: an implementation other than ours. */
#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

#include "daemon/base/clock.h"
#include "daemon/base/zone.h"
#include "lib/base/prng.h"
#include "tests/unit/support.h"

#define HOUR_S 3600

enum { INSTANTS = 400 };

static const char *const zones[] = { "Europe/Dublin", "America/New_York", "Asia/Kolkata", "UTC",
    "Australia/Lord_Howe", "America/Sao_Paulo", "Africa/Casablanca", "Pacific/Apia",
    "Asia/Kathmandu", "America/St_Johns", "Antarctica/Troll", "Pacific/Chatham" };

/* The program's clocks, in place of the C library's: shifted, and disciplined at will. Each test
 * runs in a process of its own. */
static int64_t shift_s;
static bool kernel_faked;
static int kernel_state, kernel_status;

int clock_gettime(clockid_t which, struct timespec *ret)
{
    const int result = (int)syscall(SYS_clock_gettime, which, ret);
    if (which == CLOCK_REALTIME) ret->tv_sec += shift_s;
    return result;
}

static int64_t real_s(void)
{
    struct timespec t;
    syscall(SYS_clock_gettime, CLOCK_REALTIME, &t);
    return t.tv_sec;
}

int adjtimex(struct timex *t)
{
    if (!kernel_faked) return (int)syscall(SYS_adjtimex, t);
    ck_assert_uint_eq(t->modes, 0);
    t->status = kernel_status;
    return kernel_state;
}

START_TEST(a_clock_from_before_the_program_is_unset)
{
    const int64_t written_s = INT64_C(1767225600); /* 2026-01-01, date -u +%s */
    kernel_faked = true;
    kernel_state = TIME_OK;
    shift_s = written_s - real_s() - 60;
    ck_assert_int_eq(clock_now().clock, CLOCK_UNSET);
    shift_s = -real_s(); /* 1970 */
    ck_assert_int_eq(clock_now().clock, CLOCK_UNSET);
    shift_s = written_s - real_s() + 60;
    ck_assert_int_eq(clock_now().clock, CLOCK_SYNCED);
}
END_TEST

START_TEST(only_a_disciplined_clock_counts_as_synced)
{
    kernel_faked = true;
    kernel_state = TIME_OK;
    kernel_status = STA_PLL;
    ck_assert_int_eq(clock_now().clock, CLOCK_SYNCED);
    kernel_state = TIME_INS; /* a leap second is announced */
    ck_assert_int_eq(clock_now().clock, CLOCK_SYNCED);
    kernel_status = STA_PLL | STA_UNSYNC;
    ck_assert_int_eq(clock_now().clock, CLOCK_FREE);
    kernel_status = STA_PLL;
    kernel_state = TIME_ERROR;
    ck_assert_int_eq(clock_now().clock, CLOCK_FREE);
    kernel_state = -1; /* a sandbox refuses: only timesyncd's mark could tell */
    const bool mark = access("/run/systemd/timesync/synchronized", F_OK) == 0;
    ck_assert_int_eq(clock_now().clock, mark ? CLOCK_SYNCED : CLOCK_FREE);
}
END_TEST

START_TEST(both_clocks_are_read_in_milliseconds)
{
    struct timespec boot, civil;
    clock_gettime(CLOCK_BOOTTIME, &boot);
    clock_gettime(CLOCK_REALTIME, &civil);
    const struct now now = clock_now();
    ck_assert_int_ge(now.mono.ms, boot.tv_sec * 1000 + boot.tv_nsec / 1000000);
    ck_assert_int_le(now.mono.ms, boot.tv_sec * 1000 + 60000);
    ck_assert_int_ge(now.civil.ms, civil.tv_sec * 1000 + civil.tv_nsec / 1000000);
    ck_assert_int_le(now.civil.ms, civil.tv_sec * 1000 + 60000);
    const struct now later = clock_now();
    ck_assert_int_ge(later.mono.ms, now.mono.ms);
}
END_TEST

START_TEST(the_boot_id_is_the_kernels)
{
    char boot[40], again[40], expected[64] = "";
    FILE *f = fopen("/proc/sys/kernel/random/boot_id", "r");
    ck_assert_ptr_nonnull(f);
    ck_assert_ptr_nonnull(fgets(expected, sizeof expected, f));
    fclose(f);
    expected[strcspn(expected, "\n")] = '\0';
    clock_boot(boot);
    clock_boot(again);
    ck_assert_str_eq(boot, expected);
    ck_assert_str_eq(boot, again);
    ck_assert_uint_eq(strlen(boot), 36);
}
END_TEST

START_TEST(random_hex_has_its_length_and_differs)
{
    char a[401], b[401];
    memset(a, 'x', sizeof a);
    clock_random_hex(a, 4);
    ck_assert_uint_eq(strlen(a), 8);
    ck_assert_uint_eq(strspn(a, "0123456789abcdef"), 8);
    clock_random_hex(a, 200);
    clock_random_hex(b, 200);
    ck_assert_uint_eq(strlen(a), 400);
    ck_assert_str_ne(a, b);
}
END_TEST

START_TEST(utc_needs_no_file)
{
    int64_t offset_ms = 99;
    ck_assert(clock_zone_offset(&offset_ms, "UTC", (struct civil){ INT64_MAX }));
    ck_assert_int_eq(offset_ms, 0);
    ck_assert(clock_zone_offset(&offset_ms, "Etc/UTC", (struct civil){ INT64_MIN }));
    ck_assert_int_eq(offset_ms, 0);
}
END_TEST

START_TEST(a_name_that_leads_elsewhere_is_unknown)
{
    static const char *const bad[] = { "", "../../etc/passwd", "Europe/../UTC", "/etc/localtime",
        "Europe/", "Europe//Dublin", "Europe/Dublin ", "Europe/Nowhere", "Europe", "right/UTC\n",
        "EuropeEuropeEuropeEuropeEuropeEuropeEuropeEuropeEuropeEuropeEuropeEurope", "tzdata.zi" };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        int64_t offset_ms = 99;
        ck_assert_msg(!clock_zone_offset(&offset_ms, bad[i], (struct civil){ 0 }),
            "'%s' got through", bad[i]);
        ck_assert_int_eq(offset_ms, 99);
    }
}
END_TEST

/* date(1)'s "+0530" or "-0230" in seconds. */
static int64_t read_offset(const char *text)
{
    ck_assert_uint_ge(strlen(text), 5);
    char hours[3] = { text[1], text[2], 0 }, minutes[3] = { text[3], text[4], 0 };
    const int64_t s = strtol(hours, NULL, 10) * HOUR_S + strtol(minutes, NULL, 10) * 60;
    return text[0] == '-' ? -s : s;
}

/* Asks date(1) for all instants at once. */
static void ask_date(const char *zone, const int64_t *at_s, int64_t *ret_s, size_t count)
{
    char list[] = "/tmp/clock-test-XXXXXX", command[256];
    const int fd = mkstemp(list);
    ck_assert_int_ge(fd, 0);
    FILE *f = fdopen(fd, "w");
    for (size_t i = 0; i < count; i++) {
        fprintf(f, "@%lld\n", (long long)at_s[i]);
    }
    fclose(f);
    snprintf(command, sizeof command, "TZ=%s date -f %s +%%z", zone, list);
    FILE *p = popen(command, "r");
    ck_assert_ptr_nonnull(p);
    for (size_t i = 0; i < count; i++) {
        char line[32] = "";
        ck_assert_ptr_nonnull(fgets(line, sizeof line, p));
        ret_s[i] = read_offset(line);
    }
    ck_assert_int_eq(pclose(p), 0);
    unlink(list);
}

/* Instants from 1971 to 2199; half of them close to each other, to fall beside a transition. */
START_TEST(offsets_agree_with_date) /* _i is the zone */
{
    int64_t at_s[INSTANTS], expected_s[INSTANTS];
    struct prng prng = prng_seed((uint64_t)_i);
    for (size_t i = 0; i < INSTANTS; i++) {
        at_s[i] = 31536000 + prng_below(&prng, INT64_C(7226582400) - 31536000);
    }
    ask_date(zones[_i], at_s, expected_s, INSTANTS);
    for (size_t i = 0; i < INSTANTS; i++) {
        int64_t offset_ms;
        ck_assert(clock_zone_offset(&offset_ms, zones[_i], (struct civil){ at_s[i] * 1000 + 7 }));
        ck_assert_msg(offset_ms == expected_s[i] * 1000, "%s at %lld: %lld, date says %lld",
            zones[_i], (long long)at_s[i], (long long)offset_ms / 1000, (long long)expected_s[i]);
    }
}
END_TEST

/* Finds, by halving, the second at which date(1)'s offset changes between two instants, through
 * ours, and asks date for both sides. */
START_TEST(transitions_fall_on_the_same_second_as_dates) /* _i is the zone */
{
    int64_t at_s[INSTANTS], expected_s[INSTANTS];
    size_t count = 0;
    for (int64_t s = 31536000; s < INT64_C(7226582400) && count + 2 <= INSTANTS; s += 20 * 86400) {
        int64_t low = s, high = s + 20 * 86400, before, after;
        ck_assert(clock_zone_offset(&before, zones[_i], (struct civil){ low * 1000 }));
        ck_assert(clock_zone_offset(&after, zones[_i], (struct civil){ high * 1000 }));
        if (before == after) continue;
        while (high - low > 1) {
            int64_t offset_ms;
            const int64_t middle = (low + high) / 2;
            ck_assert(clock_zone_offset(&offset_ms, zones[_i], (struct civil){ middle * 1000 }));
            *(offset_ms == before ? &low : &high) = middle;
        }
        at_s[count++] = low;
        at_s[count++] = high;
    }
    if (strcmp(zones[_i], "Europe/Dublin") == 0) ck_assert_uint_ge(count, 300);
    if (count == 0) return;
    ask_date(zones[_i], at_s, expected_s, count);
    for (size_t i = 0; i < count; i++) {
        int64_t offset_ms;
        ck_assert(clock_zone_offset(&offset_ms, zones[_i], (struct civil){ at_s[i] * 1000 }));
        ck_assert_int_eq(offset_ms, expected_s[i] * 1000);
    }
}
END_TEST

static int64_t by_rule(const char *rule, int64_t at_s)
{
    int64_t offset_s = INT64_MIN;
    ck_assert_msg(zone_rule_offset(&offset_s, rule, strlen(rule), at_s), "'%s' refused", rule);
    return offset_s;
}

/* 2031-03-30T01:00:00Z and 2031-10-26T01:00:00Z: the last Sundays, by the European rule. */
START_TEST(negative_daylight_saving_is_understood)
{
    const char *dublin = "IST-1GMT0,M10.5.0,M3.5.0/1";
    const int64_t spring_s = INT64_C(1932598800), autumn_s = INT64_C(1950742800);
    ck_assert_int_eq(by_rule(dublin, spring_s - 1), 0);
    ck_assert_int_eq(by_rule(dublin, spring_s), HOUR_S);
    ck_assert_int_eq(by_rule(dublin, autumn_s - 1), HOUR_S);
    ck_assert_int_eq(by_rule(dublin, autumn_s), 0);
}
END_TEST

/* The all-year form is RFC 8536's own example (section 3.3.1); day forms are POSIX's. 2032 is a
 * leap year: day 60 is 1 March by J60 and 29 February by 59. 2032-02-29T00:00:00Z is 1961625600. */
START_TEST(each_form_of_a_rule_is_understood)
{
    const int64_t leap_day_s = INT64_C(1961625600);
    ck_assert_int_eq(by_rule("UTC0", 0), 0);
    ck_assert_int_eq(by_rule("<+0545>-5:45", 0), 5 * HOUR_S + 45 * 60);
    ck_assert_int_eq(by_rule("EST5EDT,0/0,J365/25", leap_day_s), -4 * HOUR_S);
    ck_assert_int_eq(by_rule("EST5EDT,0/0,J365/25", INT64_C(1956528000)), -4 * HOUR_S);
    ck_assert_int_eq(by_rule("AAA0BBB,59/0,J365", leap_day_s - 1), 0);
    ck_assert_int_eq(by_rule("AAA0BBB,59/0,J365", leap_day_s), HOUR_S);
    ck_assert_int_eq(by_rule("AAA0BBB,J60/0,J365", leap_day_s), 0);
    ck_assert_int_eq(by_rule("AAA0BBB,J60/0,J365", leap_day_s + 86400), HOUR_S);
    ck_assert_int_eq(by_rule("AAA0BBB,J59/0,J365", leap_day_s - 86400 - 1), 0);
    ck_assert_int_eq(by_rule("AAA0BBB,J59/0,J365", leap_day_s - 86400), HOUR_S);
}
END_TEST

START_TEST(a_rule_that_is_none_is_refused)
{
    static const char *const bad[] = { "", "X0", "GMT", "GMT0IST", "GMT0IST,M3.5.0", "GMT99999999",
        "GMT0IST,M3.5.0,M10.5.0,", "GMT0IST,M13.5.0,M10.5.0", "GMT0IST,M3.0.0,M10.5.0",
        "GMT0IST,M3.5.7,M10.5.0", "GMT0IST,J0,M10.5.0", "GMT0IST,366,M10.5.0", "<GMT0", "GMT0:60",
        "GMT27", "GMT0IST,M3.5.0/168,M10.5.0", "GMT0 ", "GMT0IST-27,M3.5.0,M10.5.0" };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        int64_t offset_s = 99;
        ck_assert_msg(!zone_rule_offset(&offset_s, bad[i], strlen(bad[i]), 0), "'%s'", bad[i]);
        ck_assert_int_eq(offset_s, 99);
    }
}
END_TEST

static size_t load(uint8_t *ret, size_t room, const char *path)
{
    FILE *f = fopen(path, "r");
    ck_assert_ptr_nonnull(f);
    const size_t length = fread(ret, 1, room, f);
    fclose(f);
    return length;
}

START_TEST(a_file_cut_anywhere_is_refused)
{
    static uint8_t bytes[ZONE_FILE_MAX];
    const size_t length = load(bytes, sizeof bytes, "/usr/share/zoneinfo/Europe/Dublin");
    int64_t offset_s;
    const int64_t at_s = INT64_C(4102444800); /* 2100: by the footer's rule */
    ck_assert(zone_offset(&offset_s, bytes, length, at_s));
    for (size_t n = 0; n < length; n++) {
        uint8_t *cut = malloc(n + 1); /* exact, so that the sanitizer sees a read past it */
        memcpy(cut, bytes, n);
        uint8_t *exact = realloc(cut, n > 0 ? n : 1);
        ck_assert_msg(!zone_offset(&offset_s, exact, n, at_s), "%zu bytes were enough", n);
        ck_assert_msg(!zone_offset(&offset_s, exact, n, 0), "%zu bytes were enough", n);
        free(exact);
    }
}
END_TEST

/* A file by hand, after RFC 8536 section 3: one transition at 1000 s to the type 'index' of one. */
static size_t write_file(uint8_t *ret, uint8_t index, int32_t offset_s, uint8_t leaps)
{
    static const uint8_t header[44] = { 'T', 'Z', 'i', 'f', '2', [39] = 1, [43] = 4 };
    uint8_t *p = ret;
    memcpy(p, header, 44); /* the first block: a type, four characters of names, nothing else */
    memset(p + 44, 0, 10);
    p += 54;
    memcpy(p, header, 44);
    p[31] = leaps;
    p[35] = 1;
    p += 44;
    memcpy(p, (const uint8_t[]){ 0, 0, 0, 0, 0, 0, 0x03, 0xE8, index }, 9);
    p += 9;
    for (int i = 0; i < 4; i++) {
        *p++ = (uint8_t)((uint32_t)offset_s >> (24 - 8 * i));
    }
    memset(p, 0, 6); /* the names are empty */
    p += 6;
    memset(p, 0, (size_t)leaps * 12);
    p += leaps * 12;
    memcpy(p, "\n\n", 2);
    return (size_t)(p + 2 - ret);
}

START_TEST(a_file_that_contradicts_itself_is_refused)
{
    uint8_t bytes[256];
    int64_t offset_s = 7;
    size_t length = write_file(bytes, 0, 3600, 0);
    ck_assert(zone_offset(&offset_s, bytes, length, 1000));
    ck_assert_int_eq(offset_s, 3600);
    length = write_file(bytes, 0, -3600, 0);
    ck_assert(zone_offset(&offset_s, bytes, length, 999));
    ck_assert_int_eq(offset_s, -3600);
    offset_s = 7;
    length = write_file(bytes, 1, 3600, 0); /* there is no such type */
    ck_assert(!zone_offset(&offset_s, bytes, length, 1000));
    length = write_file(bytes, 0, 26 * HOUR_S + 1, 0);
    ck_assert(!zone_offset(&offset_s, bytes, length, 1000));
    length = write_file(bytes, 0, -26 * HOUR_S - 1, 0);
    ck_assert(!zone_offset(&offset_s, bytes, length, 1000));
    length = write_file(bytes, 0, 3600, 1); /* counts leap seconds: not Unix time */
    ck_assert(!zone_offset(&offset_s, bytes, length, 1000));
    length = write_file(bytes, 0, 3600, 0);
    bytes[4] = 0; /* version 1 */
    ck_assert(!zone_offset(&offset_s, bytes, length, 1000));
    ck_assert_int_eq(offset_s, 7);
}
END_TEST

/* Whatever is in the file: an answer within a day or so, or none; the sanitizers watch the reads.
 */
START_TEST(a_damaged_file_never_gives_a_wild_offset) /* _i is the seed */
{
    static uint8_t bytes[ZONE_FILE_MAX];
    const size_t length = load(bytes, sizeof bytes, "/usr/share/zoneinfo/America/New_York");
    struct prng prng = prng_seed((uint64_t)_i);
    uint8_t *mine = malloc(length);
    for (int n = 0; n < 300; n++) {
        memcpy(mine, bytes, length);
        for (int64_t k = 1 + prng_below(&prng, 8); k > 0; k--) {
            const int64_t most = prng_below(&prng, 2) ? (int64_t)length : 60;
            mine[prng_below(&prng, most)] = (uint8_t)prng_below(&prng, 256);
        }
        int64_t offset_s = 0;
        if (!zone_offset(&offset_s, mine, length, prng_below(&prng, INT64_C(7000000000)))) continue;
        ck_assert_int_le(offset_s, 26 * HOUR_S);
        ck_assert_int_ge(offset_s, -26 * HOUR_S);
    }
    free(mine);
}
END_TEST

int main(void)
{
    const int count = sizeof zones / sizeof *zones;
    TCase *t = tcase_create("clock");
    tcase_set_timeout(t, 60);
    tcase_add_test(t, a_clock_from_before_the_program_is_unset);
    tcase_add_test(t, only_a_disciplined_clock_counts_as_synced);
    tcase_add_test(t, both_clocks_are_read_in_milliseconds);
    tcase_add_test(t, the_boot_id_is_the_kernels);
    tcase_add_test(t, random_hex_has_its_length_and_differs);
    tcase_add_test(t, utc_needs_no_file);
    tcase_add_test(t, a_name_that_leads_elsewhere_is_unknown);
    tcase_add_loop_test(t, offsets_agree_with_date, 0, count);
    tcase_add_loop_test(t, transitions_fall_on_the_same_second_as_dates, 0, count);
    tcase_add_test(t, negative_daylight_saving_is_understood);
    tcase_add_test(t, each_form_of_a_rule_is_understood);
    tcase_add_test(t, a_rule_that_is_none_is_refused);
    tcase_add_test(t, a_file_cut_anywhere_is_refused);
    tcase_add_test(t, a_file_that_contradicts_itself_is_refused);
    tcase_add_loop_test(t, a_damaged_file_never_gives_a_wild_offset, 0, 20);
    return run_case(t, "clock");
}
