/* What a status looks like on a terminal: a line for each tank, narrow windows, terminals without
 * UTF-8, and what is due. Answers are written out here, so that each shape is one that a daemon may
 * give. */
#include <check.h>
#include <cjson/cJSON.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/tool/tool_show.h"
#include "tests/unit/support.h"

#define TIME "2031-04-02T05:06:07.089Z"
#define GOOD_EC                                                                                    \
    "\"ec\":{\"value\":1.184,\"age_s\":2,\"quality\":\"good\",\"setpoint\":1.2,\"band\":0.1}"
#define GOOD_PH                                                                                    \
    "\"ph\":{\"value\":5.81,\"age_s\":2,\"quality\":\"good\",\"setpoint\":5.8,\"band\":0.2}"
#define GOOD_DEGC                                                                                  \
    "\"temperature\":{\"value\":21.4,\"age_s\":2,\"quality\":\"good\",\"least\":12,\"most\":30}"
#define FRAME                                                                                      \
    "\"ok\":true,\"time\":\"" TIME "\",\"clock\":\"synced\",\"site\":{\"key\":\"tern-hall\","      \
    "\"name\":\"Tern Hall school "                                                                 \
    "glasshouse\"},\"broker\":{\"up\":true},\"journal\":{\"ok\":true},"

static char *text;

static void set_up(void)
{
    show_set_terminal(SHOW_COLUMNS, false);
    text = NULL;
}

static void tear_down(void)
{
    free(text);
}

static void show(void (*how)(FILE *out, const cJSON *answer), const char *json)
{
    size_t size = 0;
    cJSON *answer = cJSON_Parse(json);
    ck_assert_msg(answer != NULL, "%s", json);
    free(text);
    text = NULL;
    FILE *out = open_memstream(&text, &size);
    how(out, answer);
    fclose(out);
    cJSON_Delete(answer);
}

static void expect(const char *words)
{
    ck_assert_msg(strstr(text, words) != NULL, "not shown: '%s' in\n%s", words, text);
}

static void expect_no_wider_than(size_t columns)
{
    for (const char *line = text; *line;) {
        size_t length = 0, bytes = strcspn(line, "\n");
        for (size_t i = 0; i < bytes; i++) {
            length += ((unsigned char)line[i] & 0xC0) != 0x80;
        }
        ck_assert_msg(length <= columns, "%.*s", (int)bytes, line);
        line += bytes + (line[bytes] ? 1 : 0);
    }
}

/* --- one line a tank -------------------------------------------------------------------------- */

START_TEST(each_tank_has_a_line_and_every_value_a_word)
{
    show(show_brief,
        "{" FRAME "\"alerts\":[{\"id\":\"no-effect-lettuce-wall-acid\",\"tank\":\"lettuce-wall\","
        "\"text\":\"look at the bottle\"}],"
        "\"chains\":[{\"key\":\"west\",\"why\":\"\"}],\"stocks\":[{\"key\":\"acid\",\"low\":true}],"
        "\"tanks\":["
        "{\"key\":\"basil-bench\",\"state\":\"holding\",\"planted\":true," GOOD_EC "," GOOD_PH
        "," GOOD_DEGC ",\"last\":{\"at\":\"2031-04-02T05:01:07.089Z\"}},"
        "{\"key\":\"lettuce-wall\",\"state\":\"waiting\",\"planted\":true,\"service\":true,"
        "\"ec\":{\"value\":0.9,\"quality\":\"good\",\"setpoint\":1.2,\"band\":0.1},"
        "\"ph\":{\"value\":6.4,\"quality\":\"stale\",\"setpoint\":5.8,\"band\":0.2},"
        "\"temperature\":{\"value\":31.2,\"quality\":\"good\",\"least\":12,\"most\":30},"
        "\"last\":null},"
        "{\"key\":\"cress\",\"state\":\"holding\",\"planted\":false,"
        "\"ec\":{\"value\":1.4,\"quality\":\"suspect\",\"setpoint\":1.2,\"band\":0.1},"
        "\"ph\":{\"value\":6.1,\"quality\":\"good\",\"setpoint\":5.8,\"band\":0.2},"
        "\"temperature\":{\"value\":null,\"quality\":\"none\"},\"last\":null}]}");
    ck_assert_str_eq(text,
        "Tern Hall school glasshouse (tern-hall), 2031-04-02 05:06:07 UTC\n"
        "\n"
        "3 tanks: 2 holding, 1 waiting. Chains ready. BOTTLES LOW: acid.\n"
        "  ! no-effect-lettuce-wall-acid: look at the bottle\n"
        "\n"
        "  tank          state       EC        pH        degC      dosed ago\n"
        "  basil-bench   holding     1.18 ok   5.81 ok   21.4 ok   5 min\n"
        "! lettuce-wall  waiting     0.90 low  6.40 old  31.2 hot  -         SERVICE\n"
        "  cress         holding     1.40 odd  6.10 high none      -         no crop\n");
}
END_TEST

/* So many tanks, each with the longest key there can be. */
static void show_many(int count, const char *more)
{
    enum { BYTES = 64 * 1024 };
    static char json[BYTES];
    struct text t = text_over(json, sizeof json);
    text_add(&t, "{" FRAME "\"alerts\":[],\"chains\":[],\"stocks\":[],\"tanks\":[");
    for (int i = 0; i < count; i++) {
        text_add(&t, i > 0 ? ",{\"key\":\"bay-" : "{\"key\":\"bay-");
        text_add_int(&t, i + 1);
        text_add(&t, more);
        text_add(&t, "\",\"state\":\"interlocked\",\"planted\":true,\"paused\":true," GOOD_EC
                     "," GOOD_PH "," GOOD_DEGC ",\"last\":{\"at\":\"2031-03-30T01:00:00.000Z\"}}");
    }
    text_add(&t, "]}");
    ck_assert(!t.cut);
    show(show_brief, json);
}

START_TEST(thirty_tanks_are_thirty_lines)
{
    int lines = 0;
    show_many(30, "");
    for (const char *c = text; *c; c++) {
        lines += *c == '\n';
    }
    ck_assert_int_eq(lines, 30 + 5); /* site, blank, summary, blank, heads */
    expect("30 tanks: 30 interlocked.");
    expect("  bay-30    interlocked 1.18 ok   5.81 ok   21.4 ok   3 d 4 h   PAUSED\n");
}
END_TEST

START_TEST(no_window_is_too_narrow)
{
    static const struct {
        int columns;
        bool state, note, degc, last;
    } windows[] = { { 80, true, true, true, true }, { 70, true, true, true, false },
        { 60, true, true, false, false }, { 52, true, false, false, false },
        { 40, false, false, false, false }, { 32, false, false, false, false } };
    show_set_terminal(windows[_i].columns, false);
    show_many(3, "-of-the-northern-glasshouse");
    expect_no_wider_than((size_t)windows[_i].columns);
    ck_assert((strstr(text, "interlocked 1.18 ok") != NULL) == windows[_i].state);
    ck_assert((strstr(text, "PAUSED\n") != NULL) == windows[_i].note);
    ck_assert((strstr(text, "21.4 ok") != NULL) == windows[_i].degc);
    ck_assert((strstr(text, "3 d 4 h") != NULL) == windows[_i].last);
    expect("  bay-1-o");
    expect(" 1.18 ok   5.81 ok");
}
END_TEST

START_TEST(many_alerts_leave_room_for_the_tanks)
{
    char json[4096];
    struct text t = text_over(json, sizeof json);
    text_add(&t, "{" FRAME "\"chains\":[],\"stocks\":[],\"tanks\":[{\"key\":\"basil-bench\"}],"
                 "\"alerts\":[");
    for (int i = 0; i < 20; i++) {
        text_add(&t, i > 0 ? ",{\"id\":\"a\",\"text\":\"b\"}" : "{\"id\":\"a\",\"text\":\"b\"}");
    }
    text_add(&t, "]}");
    show(show_brief, json);
    expect("  ! and 14 more alerts\n\n  tank");
}
END_TEST

START_TEST(what_stops_everything_comes_first)
{
    show(show_brief,
        "{\"ok\":true,\"time\":\"" TIME "\",\"site\":{\"name\":\"Tern Hall\",\"key\":\"tern-hall\","
        "\"halted\":true},\"broker\":{\"up\":false},\"journal\":{\"ok\":false},\"chains\":["
        "{\"key\":\"west\",\"why\":\"chain west: position 2 answers as c91d; b77c was expected\"}]"
        "}");
    expect("HALTED: every pump is stopped");
    expect("0 tanks. CHAINS NOT READY: chain west: position 2 answers as c91d; b77c was\n"
           "expected. BROKER DOWN. JOURNAL CAN'T BE WRITTEN.");
}
END_TEST

/* --- terminals -------------------------------------------------------------------------------- */

START_TEST(without_utf_8_each_character_is_a_question_mark)
{
    static const char json[] =
        "{" FRAME "\"tanks\":[{\"key\":\"basil-bench\",\"name\":\"Basilikum f\xc3\xbcr Jos\xc3\xa9 "
        "21 \xc2\xb0 \xe2\x82\xac\",\"state\":\"holding\"}]}";
    show(show_status, json);
    expect("f\xc3\xbcr Jos\xc3\xa9 21 \xc2\xb0 \xe2\x82\xac");
    show_set_terminal(SHOW_COLUMNS, true);
    show(show_status, json);
    expect("Basilikum f?r Jos? 21 ? ?\n");
    for (const char *c = text; *c; c++) {
        ck_assert((unsigned char)*c < 0x80);
    }
}
END_TEST

START_TEST(a_narrow_terminal_folds_earlier)
{
    show_set_terminal(40, false);
    show(show_status,
        "{" FRAME "\"tanks\":[{\"key\":\"basil-bench\",\"state\":\"holding\",\"why\":\"EC and pH "
        "are within their bands, and so is everything else that anybody looks at\"}]}");
    expect_no_wider_than(40);
    expect("  why         EC and pH are within their\n              bands, and so is");
    show_set_terminal(3, false); /* nobody has such a one */
    ck_assert_int_eq(show_columns(), SHOW_COLUMNS_LEAST);
    show_set_terminal(500, false);
    ck_assert_int_eq(show_columns(), SHOW_COLUMNS);
}
END_TEST

/* --- chains, bottles, what is due ------------------------------------------------------------- */

START_TEST(a_chain_tells_whose_order_is_in_force)
{
    static const struct {
        const char *members, *shown;
    } cases[] = {
        { "\"roll_call\":true,\"bound\":true,\"adopted\":false", ", modules as configured," },
        { "\"roll_call\":true,\"bound\":true,\"adopted\":true",
            ", modules as adopted (differs from the file)," },
        { "\"roll_call\":true,\"bound\":false,\"adopted\":false", ", MODULES DON'T MATCH," },
        { "\"roll_call\":true,\"bound\":false,\"adopted\":true",
            ", MODULES DON'T MATCH what was adopted," },
        { "\"roll_call\":false,\"bound\":false,\"adopted\":false", ", no roll-call yet," },
        { "\"bound\":false", ", MODULES DON'T MATCH," },
    };
    char json[1024], unfolded[4096];
    struct text t = text_over(json, sizeof json);
    text_add(&t, "{" FRAME "\"chains\":[{\"key\":\"west\",\"ready\":true,\"ours\":true,");
    text_add(&t, cases[_i].members);
    text_add(&t, "}]}");
    show(show_status, json);
    t = text_over(unfolded, sizeof unfolded);
    for (const char *c = text; *c; c++) {
        if (*c == '\n') c += strspn(c, "\n ") - 1;
        text_add_char(&t, *c == '\n' || *c == ' ' ? ' ' : *c);
    }
    ck_assert_msg(strstr(unfolded, cases[_i].shown) != NULL, "%s", text);
}
END_TEST

START_TEST(what_is_due_is_told_with_its_day)
{
    show(show_status,
        "{" FRAME "\"stocks\":[{\"key\":\"acid\",\"bottle_ml\":1000,\"remaining_ml\":90,\"low\":"
        "true,\"days_left\":2.2}],\"tanks\":[{\"key\":\"basil-bench\",\"state\":\"holding\","
        "\"pumps\":[{\"stock\":\"acid\",\"day_ml\":1,\"day_limit_ml\":2,\"hour_ml\":1,"
        "\"hour_limit_ml\":2}],\"upkeep\":{\"circulated_h\":36.2,\"strainer_since\":null,"
        "\"water_since\":\"2031-03-21T05:06:07.089Z\",\"water_changed\":true,\"topped_l\":34.04,"
        "\"dry_probe\":true,\"vpd_kpa\":1.27,\"light\":\"on\",\"light_due\":\"off\","
        "\"pumps\":[{\"stock\":\"acid\",\"tube_h\":1.52,\"tube_changed\":false,\"calibrated\":"
        "\"2031-01-02T00:00:00.000Z\",\"calibration_due\":true}],\"probes\":[{\"what\":\"ec\","
        "\"calibrated\":\"2031-04-01T05:06:07.089Z\",\"calibration_due\":false},{\"what\":\"ph\","
        "\"calibrated\":null,\"calibration_due\":true}]}}]}");
    expect("  acid        90 of 1000 mL left, LOW, for about 2 days\n");
    expect("THE EC PROBE IS DRY");
    expect("  calibrated  ec 2031-04-01 (1 d ago); ph never DUE\n");
    expect("  pumps       acid 2031-01-02 DUE\n");
    expect("  tubes       acid ran 1.5 h\n");
    expect("  water       changed 2031-03-21 (12 d ago), topped up by 34.0 L since\n");
    expect("  strainer    36 h of circulation\n");
    expect("  air         vapour pressure deficit 1.27 kPa, light on, AGAINST THE SCHEDULE\n");
}
END_TEST

START_TEST(calibrations_made_here_are_told_from_the_files)
{
    show(show_status,
        "{" FRAME "\"tanks\":[{\"key\":\"basil-bench\",\"state\":\"calibrating\",\"bench\":true,"
        "\"asked\":\"calibrate\",\"said\":\"1.05 mL/s\","
        "\"ec\":{\"value\":1.2,\"quality\":\"good\",\"calibrated\":null},"
        "\"ph\":{\"value\":5.8,\"quality\":\"good\",\"calibrated\":\"2031-04-01T05:06:07.089Z\","
        "\"calibrated_here\":true},\"pumps\":[{\"stock\":\"leaf-a\",\"ml_per_s\":1.05,"
        "\"calibrated\":\"2031-04-01T05:06:07.089Z\"}]}]}");
    expect("calibrating, ON THE BENCH");
    expect("  by hand     calibrate under way; before: 1.05 mL/s\n");
    expect("  calibrated  ec never; ph 2031-04-01 (1 d ago) here\n");
    expect("  pumps       leaf-a 1.050 mL/s 2031-04-01\n");
}
END_TEST

START_TEST(an_answer_of_another_shape_crashes_nothing)
{
    static const char *const odd[] = { "{}", "[]", "null", "{\"tanks\":3,\"alerts\":{\"a\":1}}",
        "{\"tanks\":[{},3,null,{\"pumps\":[1,{}],\"last\":{},\"ec\":7,\"upkeep\":[1],\"key\":7}],"
        "\"site\":[],\"chains\":[{},\"x\"],\"stocks\":[\"x\"],\"time\":\"x\"}",
        "{\"tanks\":[{\"upkeep\":{\"probes\":[1,{}],\"pumps\":[{\"stock\":1}],\"water_since\":"
        "\"x\","
        "\"topped_l\":\"y\",\"light\":1,\"circulated_h\":null}}]}" };
    show(show_brief, odd[_i]);
    ck_assert_uint_gt(strlen(text), 0);
    show(show_status, odd[_i]);
    ck_assert_uint_gt(strlen(text), 0);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("brief");
    tcase_add_checked_fixture(t, set_up, tear_down);
    tcase_add_test(t, each_tank_has_a_line_and_every_value_a_word);
    tcase_add_test(t, thirty_tanks_are_thirty_lines);
    tcase_add_loop_test(t, no_window_is_too_narrow, 0, 6);
    tcase_add_test(t, many_alerts_leave_room_for_the_tanks);
    tcase_add_test(t, what_stops_everything_comes_first);
    tcase_add_test(t, without_utf_8_each_character_is_a_question_mark);
    tcase_add_test(t, a_narrow_terminal_folds_earlier);
    tcase_add_loop_test(t, a_chain_tells_whose_order_is_in_force, 0, 6);
    tcase_add_test(t, what_is_due_is_told_with_its_day);
    tcase_add_test(t, calibrations_made_here_are_told_from_the_files);
    tcase_add_loop_test(t, an_answer_of_another_shape_crashes_nothing, 0, 6);
    return run_case(t, "brief");
}
