/* From the views to the daemon's answer, and from the answer to what the operator reads. */
#include <check.h>
#include <cjson/cJSON.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/tool/tool_show.h"
#include "tests/unit/daemon/status_fixture.h"

static char answer[DOOR_ANSWER_MAX];

static struct text write_answer(uint32_t from)
{
    const struct status_source source = { .site = &site,
        .shell = &shell,
        .now = { { 1 }, { INT64_C(1932872767089) }, CLOCK_SYNCED }, /* 2031-04-02T05:06:07.089Z */
        .view_site = view_site,
        .view_chain = view_chain,
        .view_stock = view_stock,
        .view_tank = view_tank,
        .alert = view_alert };
    struct text t = text_over(answer, sizeof answer);
    status_add(&t, &source, from);
    ck_assert(!t.cut);
    return t;
}

static cJSON *parsed(uint32_t from)
{
    const struct text t = write_answer(from);
    const char *end = NULL;
    cJSON *json = cJSON_ParseWithLengthOpts(t.at, t.length, &end, 0);
    ck_assert_msg(json != NULL, "%s", answer);
    ck_assert_ptr_eq(end, t.at + t.length);
    return json;
}

static const cJSON *first_tank(const cJSON *json)
{
    return cJSON_GetArrayItem(show_member(json, "tanks"), 0);
}

/* --- the answer --------------------------------------------------------------------------------
 */

START_TEST(the_answer_is_these_very_bytes)
{
    alerts = 1;
    the_tank.probe[PROBE_LEVEL].present = false;
    const struct text t = write_answer(0);
    ck_assert_str_eq(t.at,
        "{\"ok\":true,\"time\":\"2031-04-02T05:06:07.089Z\",\"clock\":\"synced\",\"site\":{\"key\":"
        "\"tern-hall\",\"name\":\"Tern Hall school glasshouse\",\"halted\":false,\"active\":true,"
        "\"standby\":false,\"follows\":false,\"refused_messages\":0,\"signers\":0,\"muted\":0},"
        "\"broker\":{\"up\":"
        "true,\"uri\":\"mqtts://"
        "broker.example:8883\",\"why\":\"\",\"plain_remote\":false,\"unread\":0,\"ignored\":0},"
        "\"journal\":{\"ok\":true,\"seq\":1234,\"hash\":"
        "\"9f2c41d09f2c41d09f2c41d09f2c41d09f2c41d09f2c41d09f2c41d09f2c41d0\"},\"config\":{"
        "\"path\":\"/etc/dosewright/site.yaml\",\"loaded\":\"2031-04-02T04:00:00.000Z\",\"error\":"
        "\"\"},\"alerts\":[{\"id\":\"west-roll-call\",\"tank\":null,\"text\":\"position 2 answers "
        "as c91d; b77c was expected: put it back, or change the binding\"}],\"chains\":[{\"key\":"
        "\"west\",\"ready\":true,\"roll_call\":true,\"bound\":true,\"adopted\":false,\"ours\":true,"
        "\"halted\":false,\"why\":\"\",\"by\":"
        "\"9f2c41d0\",\"reign\":7,\"site\":\"tern-hall\",\"volts\":11.90,\"amps\":0.420,"
        "\"amps_due\":null,\"supply_volts\":12.00,\"supply_amps\":4.00,"
        "\"usable_amps\":3.200,\"modules\":[{\"serial\":\"a1f3\",\"volts\":11.78,"
        "\"due_volts\":null,\"least_volts\":10.80,\"pump_amps\":0.350,"
        "\"circulation_amps\":1.100}]}],"
        "\"stocks\":"
        "[{\"key\":\"leaf-a\",\"bottle_ml\":5000.000,\"remaining_ml\":3200.500,\"days_left\":12.2,"
        "\"low\":false}],"
        "\"tanks\":[{\"key\":\"basil-bench\",\"name\":\"Basil "
        "bench\",\"state\":\"holding\","
        "\"why\":\"EC and pH are within their bands\",\"paused\":false,\"paused_for\":\"\","
        "\"service\":false,\"bench\":false,\"mixes\":false,"
        "\"asked\":\"\",\"said\":\"\",\"planted\":true,"
        "\"stage\":\"leafing\",\"day\":12,\"override\":false,\"override_left_s\":0,\"ec\":{"
        "\"value\":1.184,\"age_s\":2,\"quality\":\"good\",\"setpoint\":1.200,\"band\":0.100,"
        "\"calibrated\":null,\"calibrated_here\":false,\"baths\":0,\"listening\":false},\"ph\":{"
        "\"value\":6.31,\"age_s\":2,\"quality\":\"good\",\"setpoint\":5.80,\"band\":0.20,"
        "\"calibrated\":\"2031-04-02T04:00:00.000Z\",\"calibrated_here\":true,\"baths\":2,"
        "\"listening\":false},\"temperature\":{"
        "\"value\":21.4,\"age_s\":2,\"quality\":\"good\",\"least\":12.0,\"most\":30.0},\"probes\":["
        "],\"last\":{"
        "\"stock\":"
        "\"acid\",\"ml\":3.500,\"at\":\"2031-04-02T05:01:07.089Z\",\"id\":\"d-1\"},"
        "\"flow\":{\"address\":\"west/"
        "0.circulation\",\"l_min\":4.800,\"filed_l_min\":5.000,\"calibrated\":null,"
        "\"calibrated_here\":false,\"calibration_due\":false,\"waits_ms\":90000},\"pumps\":[{"
        "\"stock\":\"leaf-a\",\"address\":\"west/"
        "1.1\",\"dose_limit_ml\":40.000,\"hour_ml\":40.250,\"hour_limit_ml\":200.000,\"day_ml\":"
        "120.000,"
        "\"day_limit_ml\":800.000,\"purpose\":\"feed\",\"ec_ms_cm_per_ml\":0.00098,\"locked\":"
        "false,\"ml_per_s\":1.0500,"
        "\"filed_ml_per_s\":1.0200,\"calibrated\":\"2031-04-02T04:00:00.000Z\","
        "\"calibrated_here\":false,\"runs\":0,\"waits_ms\":0}],"
        "\"upkeep\":{\"circulated_h\":36.000,"
        "\"strainer_since\":null,\"water_since\":\"2031-04-02T04:00:00.000Z\","
        "\"water_changed\":false,\"topped_l\":null,\"dry_probe\":false,\"vpd_kpa\":1.27,"
        "\"light\":\"on\",\"light_due\":null,\"pumps\":[{\"stock\":\"leaf-a\",\"tube_h\":1.500,"
        "\"tube_ml\":4321.000,\"tube_since\":\"2031-04-02T04:00:00.000Z\",\"tube_changed\":true,"
        "\"calibration_due\":false}],\"probes\":[{\"what\":\"ph\","
        "\"calibrated\":\"2031-04-01T00:00:00.000Z\",\"calibration_due\":true}]}}]}");
}
END_TEST

START_TEST(what_isnt_known_is_null)
{
    the_tank.planted = false;
    the_tank.last.stock = NULL;
    the_tank.probe[PROBE_EC] = (struct probe_view){ .present = true, .quality = PROBE_STALE };
    the_tank.probe[PROBE_PH] =
        (struct probe_view){ .present = true, .has_value = true, .value = (double)NAN };
    the_stock.days_left = (double)NAN;
    the_chain.has_volts = the_chain.has_amps = false;
    shell.config_error = NULL;
    shell.broker_uri = NULL;
    cJSON *json = parsed(0);
    const cJSON *tank = first_tank(json);
    ck_assert(cJSON_IsNull(show_member(tank, "last")));
    ck_assert(cJSON_IsNull(show_member(show_member(tank, "ec"), "value")));
    ck_assert(cJSON_IsNull(show_member(show_member(tank, "ec"), "setpoint")));
    ck_assert(cJSON_IsNull(show_member(show_member(tank, "ph"), "value")));
    const cJSON *stock = cJSON_GetArrayItem(show_member(json, "stocks"), 0);
    ck_assert(cJSON_IsNull(show_member(stock, "days_left")));
    const cJSON *chain = cJSON_GetArrayItem(show_member(json, "chains"), 0);
    ck_assert(cJSON_IsNull(show_member(chain, "volts")));
    ck_assert(cJSON_IsNull(show_member(show_member(json, "broker"), "uri")));
    ck_assert_str_eq(show_string(show_member(json, "config"), "error"), "");
    cJSON_Delete(json);
}
END_TEST

START_TEST(an_alert_names_its_tank)
{
    alerts = 2;
    the_alert.tank = 0;
    cJSON *json = parsed(0);
    ck_assert_int_eq(cJSON_GetArraySize(show_member(json, "alerts")), 2);
    ck_assert_str_eq(
        show_string(cJSON_GetArrayItem(show_member(json, "alerts"), 1), "tank"), "basil-bench");
    cJSON_Delete(json);
    the_alert.tank = 1; /* there is none */
    json = parsed(0);
    ck_assert(
        cJSON_IsNull(show_member(cJSON_GetArrayItem(show_member(json, "alerts"), 1), "tank")));
    cJSON_Delete(json);
}
END_TEST

/* The worst that the views' types can hold, everywhere at once. */
static void fill_to_the_brim(void)
{
    static char wild[20000];
    memset(wild, '\1', sizeof wild - 1);
    the_site.name = the_site.key = the_tank.name = the_tank.stage = the_chain.key = wild;
    the_stock.key = the_tank.last.stock = wild;
    shell = (struct door_shell){ wild, wild, true, UINT64_MAX, UINT64_MAX, wild, wild, { 0 },
        INT64_MAX, wild };
    memset(the_tank.why, '\1', sizeof the_tank.why - 1);
    memset(the_chain.why, '\1', sizeof the_chain.why - 1);
    memset(the_alert.text, '\1', sizeof the_alert.text - 1);
    memset(the_alert.id, '\1', sizeof the_alert.id - 1);
    the_tank.pump_count = TANK_PUMPS_MAX;
    for (int i = 0; i < TANK_PUMPS_MAX; i++) {
        the_tank.pump[i].stock = wild;
    }
    alerts = 1000;
    site.chain_count = SITE_CHAINS_MAX;
    site.stock_count = SITE_STOCKS_MAX;
}

/* Follows "next" through all pages; each tank must come once and in order. */
static uint32_t walk_pages(void)
{
    uint32_t from = 0, pages = 0;
    while (from < site.tank_count) {
        cJSON *json = parsed(from);
        const int shown = cJSON_GetArraySize(show_member(json, "tanks"));
        ck_assert_int_gt(shown, 0);
        const double next = show_number(json, "next");
        ck_assert(isnan(next) ? from + (uint32_t)shown == site.tank_count
                              : next == (double)(from + (uint32_t)shown));
        from += (uint32_t)shown;
        pages++;
        cJSON_Delete(json);
    }
    return pages;
}

START_TEST(ten_thousand_tanks_come_page_by_page)
{
    site.tank_count = SITE_TANKS_MAX;
    const uint32_t pages = walk_pages();
    ck_assert_uint_gt(pages, 5);
    ck_assert_uint_lt(pages, 20);
    cJSON *json = parsed(SITE_TANKS_MAX); /* beyond the last */
    ck_assert_int_eq(cJSON_GetArraySize(show_member(json, "tanks")), 0);
    ck_assert(!show_member(json, "next"));
    cJSON_Delete(json);
}
END_TEST

START_TEST(the_worst_case_still_fits)
{
    fill_to_the_brim();
    site.tank_count = 100;
    ck_assert_uint_gt(walk_pages(), 1);
}
END_TEST

START_TEST(a_long_name_is_cut_between_characters)
{
    static char name[300] = "a";
    for (int i = 1; i < 297; i += 2) {
        memcpy(name + i, "\xc3\xa9", 2); /* the 256th and 257th byte are one character */
    }
    the_tank.name = name;
    cJSON *json = parsed(0);
    const char *shown = show_string(first_tank(json), "name");
    ck_assert_uint_eq(strlen(shown), 255);
    ck_assert_int_eq((unsigned char)shown[254], 0xA9);
    cJSON_Delete(json);
}
END_TEST

/* --- what the operator reads -------------------------------------------------------------------
 */

static char *shown_text(void)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    cJSON *json = parsed(0);
    show_status(out, json);
    cJSON_Delete(json);
    fclose(out);
    return text;
}

static void ck_shows(const char *wanted)
{
    char *text = shown_text();
    ck_assert_msg(strstr(text, wanted) != NULL, "not shown: '%s' in\n%s", wanted, text);
    free(text);
}

static void ck_hides(const char *unwanted)
{
    char *text = shown_text();
    ck_assert_msg(strstr(text, unwanted) == NULL, "shown: '%s' in\n%s", unwanted, text);
    free(text);
}

START_TEST(a_healthy_site_reads_like_this)
{
    char *text = shown_text();
    static const char wanted[] =
        "Tern Hall school glasshouse (tern-hall), 2031-04-02 05:06:07 UTC\n"
        "\n"
        "No alerts.\n"
        "\n"
        "basil-bench   holding - Basil bench\n"
        "  why         EC and pH are within their bands\n"
        "  EC          1.18 of 1.20 mS/cm, in band\n"
        "  pH          6.31 of 5.80, 0.51 too high, the band is 0.20\n"
        "  temperature 21.4 degC, within 12.0 to 30.0\n"
        "  level       82.0 %\n"
        "  setpoints   stage leafing, day 12\n"
        "  last dose   3.5 mL of acid, 5 min ago (2031-04-02 05:01:07 UTC)\n"
        "  leaf-a      120 of 800 mL in 24 h, 40.25 of 200 mL in 1 h\n"
        "  calibrated  ph 2031-04-01 (1 d ago) DUE; ec never\n"
        "  pumps       leaf-a 1.050 mL/s 2031-04-02\n"
        "  circulation 4.80 L/min by the file, never measured; a run waits for its litres\n"
        "  tubes       leaf-a ran 1.5 h since 2031-04-02 (today)\n"
        "  water       not changed, counted from 2031-04-02 (today)\n"
        "  strainer    36 h of circulation\n"
        "  air         vapour pressure deficit 1.27 kPa, light on\n"
        "\n"
        "Bottles\n"
        "  leaf-a      3200.5 of 5000 mL left, for about 12 days\n"
        "\n"
        "Chains\n"
        "  west        head ready, modules as configured, commanded from here, 11.9 V,\n"
        "              0.42 A\n"
        "\n"
        "Daemon\n"
        "  broker      up, mqtts://broker.example:8883\n"
        "  journal     record 1234, hash 9f2c41d09f2c\n"
        "  config      /etc/dosewright/site.yaml, taken 2031-04-02 04:00:00 UTC\n";
    if (strcmp(text, wanted) != 0) printf("%s\n", text); /* too long for a message */
    ck_assert(strcmp(text, wanted) == 0);
    free(text);
}
END_TEST

START_TEST(the_band_is_told_to_its_edge)
{
    the_tank.probe[PROBE_EC].value = 1100;
    ck_shows("EC          1.10 of 1.20 mS/cm, in band");
    the_tank.probe[PROBE_EC].value = 1300;
    ck_shows("1.30 of 1.20 mS/cm, in band");
    the_tank.probe[PROBE_EC].value = 1098;
    ck_shows("EC          1.10 of 1.20 mS/cm, 0.102 too low, the band is 0.10");
    the_tank.probe[PROBE_EC].value = 1301;
    ck_shows("0.101 too high");
}
END_TEST

START_TEST(a_reading_that_isnt_good_is_never_called_in_band)
{
    the_tank.probe[PROBE_EC].quality = PROBE_STALE;
    the_tank.probe[PROBE_EC].age_ms = 754000;
    ck_shows("EC          1.18 of 1.20 mS/cm, the last trusted reading, 12 min old; the\n"
             "              probe is stale");
    ck_hides("in band");
    the_tank.probe[PROBE_EC] = (struct probe_view){ .present = true, .quality = PROBE_FAULTY };
    ck_shows("EC          - of 1.20 mS/cm, no reading; the probe is faulty");
    the_tank.probe[PROBE_TEMPERATURE] = (struct probe_view){ .present = false };
    ck_shows("temperature no reading\n");
    the_tank.probe[PROBE_TEMPERATURE] = good(31);
    ck_shows("31.0 degC, OUTSIDE 12.0 to 30.0");
}
END_TEST

START_TEST(locks_and_halts_stand_out)
{
    ck_hides("HALTED");
    the_site.halted = true;
    ck_shows("HALTED: every pump is stopped and stays so until 'dosewright release'.");
    the_site.standby = true;
    ck_shows("STANDBY: another daemon commands these chains");
    ck_shows("It doesn't have all of the other's journal");
    the_site.follows = true;
    ck_shows("It follows the other's journal, and nothing of it is missing.");
    the_tank.service = the_tank.paused = true;
    ck_shows("holding, SERVICE LOCK, paused - Basil bench");
    the_tank.paused_for = "a trial";
    ck_shows("holding, SERVICE LOCK, paused for a trial - Basil bench");
    the_tank.pump[0].locked = true;
    ck_shows("40.25 of 200 mL in 1 h; STOPPED: no effect\n              was seen\n");
    the_tank.override = true;
    the_tank.override_left_ms = 8 * HOUR_MS;
    ck_shows("set by hand for 8 h more, then stage leafing, day 12");
    the_tank.planted = false;
    ck_shows("not planted yet: nothing is dosed");
    ck_shows("EC          1.18 mS/cm\n");
}
END_TEST

START_TEST(an_alert_says_what_to_do)
{
    alerts = 1;
    ck_shows("1 alert:\n"
             "  ! west-roll-call: position 2 answers as c91d; b77c was expected: put it back,\n"
             "    or change the binding\n");
    alerts = 2;
    ck_shows("2 alerts:\n");
    ck_hides("No alerts");
}
END_TEST

START_TEST(what_is_wrong_around_the_daemon_is_told)
{
    the_site.link_up = false;
    the_site.journal_ok = false;
    the_site.refused_messages = 3;
    shell.broker_why = "connection refused";
    shell.broker_plain_remote = true;
    shell.config_error = "site.yaml:3:1: unknown key\nsite.yaml:9:2: out of range";
    ck_shows("broker      DOWN, mqtts://broker.example:8883: connection refused; NOT\n"
             "              ENCRYPTED, and the broker is another host");
    ck_shows("journal     CAN'T BE WRITTEN: no dosing; record 1234");
    ck_shows("A NEWER FILE WAS REFUSED");
    ck_shows(
        "\n              site.yaml:3:1: unknown key\n              site.yaml:9:2: out of range\n");
    ck_shows("messages    3 refused; since the start");
    ck_hides("requests ");
    shell.broker_unread = 4;
    shell.broker_ignored = 5;
    the_site.signers = 2;
    the_site.muted = 1;
    ck_shows("messages    3 refused, 4 too long or broken, 5 ignored as nonsense; since the");
    ck_shows("requests    over the broker they must be signed, keys: 2; senders that aren't\n"
             "              listened to: 1");
    the_chain.ready = the_chain.bound = the_chain.ours = false;
    the_chain.halted = true;
    text_copy(the_chain.why, sizeof the_chain.why, "no beat for 12 s");
    ck_shows("west        HEAD NOT READY, MODULES DON'T MATCH, commanded by 9f2c41d0");
    ck_shows("no beat for 12 s");
    the_chain.claim = (struct chain_claim){ .by = "" };
    ck_shows("commanded by nobody, HALTED");
}
END_TEST

START_TEST(nothing_is_wider_than_the_terminal)
{
    alerts = 3;
    the_site.halted = the_site.standby = true;
    text_copy(the_tank.why, sizeof the_tank.why,
        "waits until the water has mixed after the last dose, for 3 min more, and then looks "
        "again at EC and pH before anything else is dosed into this tank");
    char *text = shown_text();
    for (const char *line = text; *line;) {
        const size_t length = strcspn(line, "\n");
        ck_assert_msg(length <= SHOW_COLUMNS, "%.*s", (int)length, line);
        line += length + (line[length] ? 1 : 0);
    }
    free(text);
}
END_TEST

START_TEST(no_text_can_move_the_cursor)
{
    the_tank.name = "a\033[2J\tb\177c\xc2\x9b"
                    "d\xc3\xa9\r";
    text_copy(the_tank.why, sizeof the_tank.why, "one\nHALTED\x9b");
    ck_shows("holding - a?[2J?b?c?d\xc3\xa9?\n");
    char *text = shown_text();
    for (const char *c = text; *c; c++) {
        ck_assert(*c == '\n' || (unsigned char)*c >= 0x20);
        ck_assert_int_ne(*c, 0x7f);
    }
    free(text);
    ck_hides("\nHALTED");
}
END_TEST

START_TEST(an_answer_of_another_shape_crashes_nothing)
{
    static const char *const odd[] = { "{}", "[]", "null", "{\"tanks\":3,\"alerts\":{\"a\":1}}",
        "{\"tanks\":[{},3,null,{\"pumps\":[1,{}],\"last\":{},\"ec\":7}],\"site\":[],\"chains\":[{}]"
        ","
        "\"stocks\":[\"x\",{\"remaining_ml\":1e300}],\"time\":\"x\"}" };
    for (size_t i = 0; i < sizeof odd / sizeof *odd; i++) {
        char *text = NULL;
        size_t size = 0;
        FILE *out = open_memstream(&text, &size);
        cJSON *json = cJSON_Parse(odd[i]);
        show_status(out, json);
        cJSON_Delete(json);
        fclose(out);
        ck_assert_uint_gt(size, 0);
        free(text);
    }
}
END_TEST

START_TEST(folding_keeps_words_whole)
{
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    show_folded(out, 4, "ab", "one two");
    show_folded(out, 2, "longer", "x");
    show_folded(out, 4, "c", "");
    show_folded(out, 1, "",
        "0123456789012345678901234567890123456789 " /* one too many for a line */
        "012345678901234567890123456789012345678");
    show_folded(out, 1, "",
        "0123456789012345678901234567890123456789 "
        "01234567890123456789012345678901234567 x "
        "0123456789012345678901234567890123456789012345678901234567890123456789"
        "01234567890123456789");
    fclose(out);
    ck_assert_str_eq(text, "ab  one two\n"
                           "longer x\n"
                           "c   \n"
                           " 0123456789012345678901234567890123456789\n"
                           " 012345678901234567890123456789012345678\n"
                           " 0123456789012345678901234567890123456789 "
                           "01234567890123456789012345678901234567\n"
                           " x\n"
                           " 01234567890123456789012345678901234567890123456789012345678901234567"
                           "8901234567890123456789\n");
    free(text);
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("status");
    tcase_set_timeout(t, 60);
    tcase_add_checked_fixture(t, set_up, NULL);
    tcase_add_test(t, the_answer_is_these_very_bytes);
    tcase_add_test(t, what_isnt_known_is_null);
    tcase_add_test(t, an_alert_names_its_tank);
    tcase_add_test(t, ten_thousand_tanks_come_page_by_page);
    tcase_add_test(t, the_worst_case_still_fits);
    tcase_add_test(t, a_long_name_is_cut_between_characters);
    tcase_add_test(t, a_healthy_site_reads_like_this);
    tcase_add_test(t, the_band_is_told_to_its_edge);
    tcase_add_test(t, a_reading_that_isnt_good_is_never_called_in_band);
    tcase_add_test(t, locks_and_halts_stand_out);
    tcase_add_test(t, an_alert_says_what_to_do);
    tcase_add_test(t, what_is_wrong_around_the_daemon_is_told);
    tcase_add_test(t, nothing_is_wider_than_the_terminal);
    tcase_add_test(t, no_text_can_move_the_cursor);
    tcase_add_test(t, an_answer_of_another_shape_crashes_nothing);
    tcase_add_test(t, folding_keeps_words_whole);
    return run_case(t, "status");
}
