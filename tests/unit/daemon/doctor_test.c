/* The doctor's lines, and what it makes of a daemon's answer and of a clock. */
#include <signal.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/doctor/doctor.h"
#include "daemon/tool/tool_show.h"
#include "tests/unit/support.h"

static struct config config;
static struct doctor d;
static char *said;
static size_t said_length;

static void begin(bool json)
{
    memset(&config, 0, sizeof config);
    config.site.key = "tern-hall";
    config.path = "/nowhere/site.yaml";
    d = (struct doctor){ .out = open_memstream(&said, &said_length),
        .json = json,
        .config = &config,
        .now = { .civil = { INT64_C(1932868800000) }, .clock = CLOCK_SYNCED } };
    ck_assert_ptr_nonnull(d.out);
    show_set_terminal(80, false);
}

static const char *all_said(void)
{
    ck_assert_int_eq(fflush(d.out), 0);
    return said;
}

static void done(void)
{
    fclose(d.out);
    free(said);
}

START_TEST(the_exit_code_is_the_worst_verdict)
{
    static const enum doctor_verdict worst[] = { DOCTOR_OK, DOCTOR_WARN, DOCTOR_FAIL };
    for (int i = 0; i < 3; i++) {
        begin(false);
        for (int verdict = DOCTOR_OK; verdict <= (int)worst[i]; verdict++) {
            doctor_see(&d, "thing", "found");
            doctor_judge(&d, (enum doctor_verdict)verdict, verdict == DOCTOR_OK ? NULL : "do this");
        }
        ck_assert_int_eq(doctor_end(&d), i);
        done();
    }
}
END_TEST

START_TEST(a_line_has_verdict_matter_and_remedy)
{
    begin(false);
    doctor_see(&d, "disk", "%d MB are free", 7);
    doctor_judge(&d, DOCTOR_WARN, "make room");
    ck_assert_str_eq(all_said(), "warn  disk            7 MB are free\n"
                                 "        what to do    make room\n");
    done();
}
END_TEST

START_TEST(json_is_one_object_with_all_lines)
{
    begin(true);
    doctor_begin(&d);
    doctor_see(&d, "disk", "%s", "a \"b\"\n\033[2J");
    doctor_judge(&d, DOCTOR_OK, NULL);
    doctor_see(&d, "clock", "free");
    doctor_judge(&d, DOCTOR_FAIL, "set it");
    ck_assert_int_eq(doctor_end(&d), DOCTOR_FAIL);
    cJSON *answer = cJSON_Parse(all_said());
    ck_assert_ptr_nonnull(answer);
    const cJSON *lines = show_member(answer, "lines"), *first = cJSON_GetArrayItem(lines, 0);
    ck_assert_int_eq(cJSON_GetArraySize(lines), 2);
    ck_assert_str_eq(show_string(first, "found"), "a \"b\"\n\033[2J");
    ck_assert_ptr_null(show_member(first, "remedy"));
    ck_assert_str_eq(show_string(cJSON_GetArrayItem(lines, 1), "remedy"), "set it");
    ck_assert_str_eq(show_string(answer, "verdict"), "fail");
    ck_assert_double_eq(show_number(answer, "ok"), 1);
    ck_assert_double_eq(show_number(answer, "warn"), 0);
    ck_assert_double_eq(show_number(answer, "fail"), 1);
    cJSON_Delete(answer);
    done();
}
END_TEST

START_TEST(what_a_terminal_obeys_is_never_printed)
{
    begin(false);
    doctor_see(&d, "broker", "%s", "why\033[2Jnot");
    doctor_judge(&d, DOCTOR_OK, NULL);
    ck_assert_ptr_null(strchr(all_said(), '\033'));
    done();
}
END_TEST

START_TEST(a_line_without_a_remedy_is_a_bug)
{
    begin(false);
    doctor_see(&d, "disk", "full");
    doctor_judge(&d, DOCTOR_FAIL, NULL);
}
END_TEST

START_TEST(each_trust_of_the_clock_has_its_verdict)
{
    static const struct {
        enum clock_trust clock;
        const char *verdict;
    } row[] = { { CLOCK_SYNCED, "ok  " }, { CLOCK_FREE, "warn" }, { CLOCK_UNSET, "fail" } };
    for (size_t i = 0; i < sizeof row / sizeof *row; i++) {
        begin(false);
        d.now.clock = row[i].clock;
        doctor_clock(&d);
        ck_assert_int_eq(strncmp(all_said(), row[i].verdict, 4), 0);
        done();
    }
}
END_TEST

/* --- a daemon's answer -------------------------------------------------------------------------
 */

static const char answer_start[] =
    "{\"ok\":true,\"site\":{\"key\":\"tern-hall\",\"halted\":false,\"standby\":false},"
    "\"broker\":{\"up\":true,\"why\":\"\"},\"journal\":{\"ok\":true},"
    "\"config\":{\"path\":\"site.yaml\",\"error\":\"\"},\"alerts\":[],";

/* What is said of this answer, after one of its pieces was exchanged. */
static void look_at(const char *rest, const char *old, const char *changed)
{
    char text[4096];
    begin(false);
    snprintf(text, sizeof text, "%s%s", answer_start, rest);
    char *at = old ? strstr(text, old) : NULL;
    if (old) {
        ck_assert_ptr_nonnull(at);
        char tail[4096];
        snprintf(tail, sizeof tail, "%s", at + strlen(old));
        snprintf(at, sizeof text - (size_t)(at - text), "%s%s", changed, tail);
    }
    cJSON *answer = cJSON_Parse(text);
    ck_assert_ptr_nonnull(answer);
    d.status = answer;
    doctor_live(&d);
    (void)all_said();
    cJSON_Delete(answer);
}

START_TEST(a_daemon_that_cannot_work_is_told)
{
    static const struct {
        const char *old, *changed, *says;
    } row[] = {
        { NULL, NULL, "ok    daemon" },
        { "\"journal\":{\"ok\":true}", "\"journal\":{\"ok\":false}",
            "fail  daemon          it can't" },
        { "\"up\":true,\"why\":\"\"", "\"up\":false,\"why\":\"gone\"", "with the broker: gone" },
        { "\"standby\":false", "\"standby\":true", "warn  daemon          it stands by" },
        { "\"halted\":false", "\"halted\":true", "warn  daemon          everything is halted" },
        { "\"key\":\"tern-hall\"", "\"key\":\"other\"",
            "fail  daemon          the one that answers" },
        { "\"error\":\"\"", "\"error\":\"line 3\"", "fail  loaded file" },
        { "\"alerts\":[]", "\"alerts\":[{\"id\":\"low-acid\"}]", "1 stand: low-acid" },
    };
    for (size_t i = 0; i < sizeof row / sizeof *row; i++) {
        look_at("\"chains\":[],\"tanks\":[]}", row[i].old, row[i].changed);
        ck_assert_msg(strstr(said, row[i].says), "%s: %s", row[i].says, said);
        done();
    }
}
END_TEST

START_TEST(a_chain_is_well_only_when_nothing_is_said_against_it)
{
    static const char chain[] =
        "\"tanks\":[],\"chains\":[{\"key\":\"west\",\"ready\":true,\"roll_call\":true,"
        "\"bound\":true,\"halted\":false,\"why\":\"\"}]}";
    static const struct {
        const char *old, *changed, *says;
    } row[] = {
        { NULL, NULL, "ok    chain           west: ready" },
        { "\"halted\":false,\"why\":\"\"", "\"halted\":false,\"why\":\"another has it\"",
            "fail  chain           west: another has it" },
        { "\"bound\":true,\"halted\":false,\"why\":\"\"",
            "\"bound\":false,\"halted\":false,\"why\":\"position 2\"", "ask adopt" },
        { "\"halted\":false,\"why\":\"\"", "\"halted\":true,\"why\":\"halted\"", "warn  chain" },
        { "\"ready\":true,\"roll_call\":true", "\"ready\":false,\"roll_call\":false",
            "no roll-call was heard" },
    };
    for (size_t i = 0; i < sizeof row / sizeof *row; i++) {
        look_at(chain, row[i].old, row[i].changed);
        ck_assert_msg(strstr(said, row[i].says), "%s: %s", row[i].says, said);
        done();
    }
}
END_TEST

START_TEST(each_quality_of_a_probe_has_its_remedy)
{
    static const char tank[] =
        "\"chains\":[],\"tanks\":[{\"key\":\"basil\",\"ec\":{\"quality\":\"good\",\"age_s\":3},"
        "\"ph\":{\"quality\":\"good\",\"age_s\":4},\"temperature\":{\"quality\":\"good\",\"age_s\":"
        "5},"
        "\"probes\":[{\"what\":\"leak\",\"quality\":\"good\",\"age_s\":6}],\"upkeep\":{\"pumps\":[]"
        ","
        "\"probes\":[]}}]}";
    static const struct {
        const char *quality, *says;
    } row[] = { { "\"ph\":{\"quality\":\"stale\"", "max_age_s" },
        { "\"ph\":{\"quality\":\"suspect\"", "jumped" },
        { "\"ph\":{\"quality\":\"faulty\"", "out of range" },
        { "\"ph\":{\"quality\":\"none\"", "ever came" } };
    look_at(tank, NULL, NULL);
    ck_assert_ptr_nonnull(
        strstr(said, "ok    inputs          basil: ec 3 s, ph 4 s, temperature 5 s, leak 6 s old"));
    done();
    for (size_t i = 0; i < sizeof row / sizeof *row; i++) {
        look_at(tank, "\"ph\":{\"quality\":\"good\"", row[i].quality);
        ck_assert_ptr_nonnull(strstr(said, "fail  input           basil: ph"));
        ck_assert_msg(strstr(said, row[i].says), "%s: %s", row[i].says, said);
        done();
    }
    look_at(tank, "\"pumps\":[]", "\"pumps\":[{\"stock\":\"acid\",\"calibration_due\":true}]");
    ck_assert_ptr_nonnull(strstr(said, "warn  calibration     basil: due: acid"));
    done();
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("doctor");
    tcase_add_test(t, the_exit_code_is_the_worst_verdict);
    tcase_add_test(t, a_line_has_verdict_matter_and_remedy);
    tcase_add_test(t, json_is_one_object_with_all_lines);
    tcase_add_test(t, what_a_terminal_obeys_is_never_printed);
    tcase_add_test_raise_signal(t, a_line_without_a_remedy_is_a_bug, SIGABRT);
    tcase_add_test(t, each_trust_of_the_clock_has_its_verdict);
    tcase_add_test(t, a_daemon_that_cannot_work_is_told);
    tcase_add_test(t, a_chain_is_well_only_when_nothing_is_said_against_it);
    tcase_add_test(t, each_quality_of_a_probe_has_its_remedy);
    return run_case(t, "doctor");
}
