/* Plain outputs between the core and a broker that only listens: what is said to the boards and in
 * which order, and what the core is told. */
#include "daemon/run/relays.h"

#include <string.h>

#include "daemon/hear/hear.h"
#include "tests/unit/daemon/config_clock.h"

enum { SAID_MAX = 64, EVENTS_MAX = 64 };

#define TIMED "{ topic: shed/a, payload: \"${ms}\", off_payload: \"0\" }"
#define SWITCHED                                                                                   \
    "{ topic: shed/c, payload: \"on\", off_payload: \"off\", auto_off_s: 20, "                     \
    "state: { topic: shed/state, pointer: /c } }"

/* --- the broker ------------------------------------------------------------------------------- */

static struct {
    char topic[32], payload[32];
    int qos;
    bool retained;
} said[SAID_MAX];
static uint32_t said_count;
static bool away;

enum mqtt_result mqtt_publish(struct mqtt *m, const struct mqtt_publish *p)
{
    (void)m;
    if (away) return MQTT_UNSENT;
    ck_assert_uint_lt(said_count, SAID_MAX);
    ck_assert_uint_eq(p->length, strlen(p->payload));
    (void)text_copy(said[said_count].topic, sizeof said[0].topic, p->topic);
    (void)text_copy(said[said_count].payload, sizeof said[0].payload, p->payload);
    said[said_count].qos = p->qos;
    said[said_count++].retained = p->retained;
    return MQTT_SENT;
}

static void expect_said(uint32_t n, const char *topic, const char *payload, int qos)
{
    ck_assert_uint_gt(said_count, n);
    ck_assert_str_eq(said[n].topic, topic);
    ck_assert_str_eq(said[n].payload, payload);
    ck_assert_int_eq(said[n].qos, qos);
    ck_assert(!said[n].retained);
}

/* --- the core, as far as it matters here -------------------------------------------------------
 */

static struct relays *relays;
static void *block;
static struct core *core;
static struct mono now;
static struct event events[EVENTS_MAX];
static uint32_t event_count;
static char boot[CHAIN_WORD_MAX];

static void take(void *context, const struct event *event)
{
    ck_assert_ptr_eq(context, &relays);
    ck_assert_uint_lt(event_count, EVENTS_MAX);
    events[event_count++] = *event;
}

static const struct event *told_or_null(enum event_kind kind)
{
    for (uint32_t i = event_count; i > 0; i--) {
        if (events[i - 1].kind == kind) return &events[i - 1];
    }
    return NULL;
}

static const struct event *told(enum event_kind kind)
{
    const struct event *e = told_or_null(kind);
    if (!e) ck_abort_msg("no event of kind %d", (int)kind);
    return e;
}

static void turn(bool up, int64_t span_ms)
{
    const struct relays_core to = { .context = &relays, .event = take };
    now.ms += span_ms;
    event_count = 0;
    relays_turn(relays, NULL, up, &to, now);
}

static void begin_relays(void)
{
    begin();
    fixture_change(SITE, "address: west/1.1", "address: " TIMED);
    fixture_change(SITE, "address: west/2.4", "address: " SWITCHED);
    const struct site *site = load();
    struct core_identity identity = { .by = "d1", .boot = "board" };
    struct problem problem;
    block = malloc(core_size(site));
    core = core_init(block, site, &identity, fake_now);
    now = (struct mono){ 5000 };
    const struct relays_start start = { .site = site, .boot = "boot-1", .now = now };
    ck_assert_int_eq(relays_open(&relays, &start, &problem), ERR_NONE);
    relays_recall(relays, core);
    said_count = event_count = 0;
    away = false;
}

static void end_relays(void)
{
    relays_close(relays);
    free(block);
    fixture_remove();
}

/* The core has claimed the outputs. */
static void claimed(void)
{
    turn(true, 0);
    const struct chain_claim claim = { .by = "d1", .reign = 1, .site = "tern-hall" };
    relays_claim(relays, 1, &claim, now);
    turn(true, 10);
    ck_assert_str_eq(told(EVENT_CLAIM)->claim.by, "d1");
    (void)text_copy(boot, sizeof boot, told(EVENT_ROLL)->roll.boot);
    said_count = 0;
}

static struct chain_command command(enum chain_action action, uint32_t position, int64_t run_ms)
{
    const struct chain_config *chain = &fixture_config->site.chain[1];
    static int n;
    struct chain_command c = { .action = action,
        .reign = 1,
        .until_ms = 1000000,
        .position = position,
        .channel = 1,
        .run_ms = run_ms };
    struct text id = text_over(c.id, sizeof c.id);
    text_add(&id, "d1-");
    text_add_int(&id, ++n);
    (void)text_copy(c.by, sizeof c.by, "d1");
    (void)text_copy(c.boot, sizeof c.boot, boot);
    if (position > 0)
        (void)text_copy(c.serial, sizeof c.serial, chain->module[position - 1].serial);
    return c;
}

/* --- tests ------------------------------------------------------------------------------------ */

START_TEST(nothing_is_said_before_the_site_is_ours_and_then_off_first)
{
    turn(false, 20000);
    ck_assert_uint_eq(said_count + event_count, 0);
    ck_assert_int_eq(relays_due(relays).ms, INT64_MAX);
    turn(true, 10);
    expect_said(0, "shed/a", "0", 1);
    expect_said(1, "shed/c", "off", 1);
    ck_assert_uint_eq(said_count, 2);
    static const enum event_kind order[] = { EVENT_HEAD, EVENT_ROLL, EVENT_CLAIM, EVENT_MANUAL,
        EVENT_BEAT, EVENT_LEDGER };
    ck_assert_uint_eq(event_count, sizeof order / sizeof *order);
    for (uint32_t i = 0; i < event_count; i++) {
        ck_assert_int_eq(events[i].kind, order[i]);
        ck_assert_uint_eq(events[i].chain, 1);
    }
    ck_assert_uint_eq(told(EVENT_ROLL)->roll.count, 2);
    ck_assert_uint_eq(told(EVENT_LEDGER)->ledger.count, 0);
    ck_assert_int_eq(relays_due(relays).ms, now.ms + 2000); /* the next beat */
    ck_assert(relays_serve(relays, 1) && !relays_serve(relays, 0));
}
END_TEST

START_TEST(a_run_is_sent_once_and_switched_off_when_it_is_over)
{
    claimed();
    const struct chain_command c = command(CHAIN_DOSE, 1, 4200);
    ck_assert_int_eq(relays_command(relays, NULL, 1, &c, now), MQTT_SENT);
    expect_said(0, "shed/a", "4200", 0);
    ck_assert_uint_eq(said_count, 1);
    turn(true, 1);
    ck_assert_int_eq(told(EVENT_REPORT)->report.state, CHAIN_RUNNING);
    turn(true, 4200);
    ck_assert_int_eq(told(EVENT_REPORT)->report.state, CHAIN_DONE);
    ck_assert_str_eq(told(EVENT_REPORT)->report.id, c.id);
    turn(true, 1000);
    turn(true, 3000);
    uint32_t offs = 0;
    for (uint32_t i = 1; i < said_count; i++) {
        offs += text_same(said[i].topic, "shed/a") && text_same(said[i].payload, "0");
    }
    ck_assert_uint_ge(offs, 2);
}
END_TEST

START_TEST(what_cant_be_sent_is_said_to_be_unsent)
{
    claimed();
    away = true;
    const struct chain_command c = command(CHAIN_DOSE, 1, 4200);
    ck_assert_int_eq(relays_command(relays, NULL, 1, &c, now), MQTT_UNSENT);
    away = false;
    turn(true, 60000);
    ck_assert_ptr_null(told_or_null(EVENT_REPORT));
    const struct chain_command other = command(CHAIN_DOSE, 2, 4200);
    turn(false, 10);
    ck_assert_int_eq(relays_command(relays, NULL, 1, &other, now), MQTT_UNSENT);
    ck_assert_int_eq(relays_command(relays, NULL, 0, &other, now), MQTT_UNSENT);
}
END_TEST

START_TEST(a_halt_is_said_at_once_and_latches_also_while_the_broker_is_away)
{
    claimed();
    struct chain_command halt = command(CHAIN_HALT, 0, 0);
    ck_assert_int_eq(relays_command(relays, NULL, 1, &halt, now), MQTT_SENT);
    expect_said(0, "shed/a", "0", 1);
    expect_said(1, "shed/c", "off", 1);
    turn(true, 2000);
    ck_assert(told(EVENT_BEAT)->beat.halted);
    const struct chain_command resume = command(CHAIN_RESUME, 0, 0);
    ck_assert_int_eq(relays_command(relays, NULL, 1, &resume, now), MQTT_SENT);
    turn(true, 2000);
    ck_assert(!told(EVENT_BEAT)->beat.halted);
    turn(false, 10);
    ck_assert_int_eq(relays_command(relays, NULL, 1, &halt, now), MQTT_UNSENT);
    said_count = 0;
    turn(true, 10);
    expect_said(0, "shed/a", "0", 1);
    expect_said(1, "shed/c", "off", 1);
    ck_assert(told(EVENT_BEAT)->beat.halted);
}
END_TEST

START_TEST(a_run_under_way_when_the_broker_goes_is_unsure)
{
    claimed();
    const struct chain_command c = command(CHAIN_DOSE, 1, 4200);
    (void)relays_command(relays, NULL, 1, &c, now);
    turn(true, 1000);
    turn(false, 1000);
    ck_assert_uint_eq(event_count, 0);
    said_count = 0;
    turn(true, 30000);
    expect_said(0, "shed/a", "0", 1);
    ck_assert_int_eq(told(EVENT_REPORT)->report.state, CHAIN_STOPPED);
    ck_assert(told(EVENT_REPORT)->report.unsure);
    ck_assert_str_eq(told(EVENT_CLAIM)->claim.by, "d1"); /* nobody else can have had it */
}
END_TEST

START_TEST(what_the_board_reports_reaches_the_core)
{
    claimed();
    relays_hear(relays, 1, 2, false, now);
    const struct chain_command c = command(CHAIN_DOSE, 2, 4000);
    ck_assert_int_eq(relays_command(relays, NULL, 1, &c, now), MQTT_SENT);
    turn(true, 5000);
    ck_assert_int_eq(told(EVENT_BOARD)->board.finding, PLAIN_IGNORES);
    ck_assert_uint_eq(told(EVENT_BOARD)->board.position, 2);
    turn(true, 4000);
    ck_assert(told(EVENT_REPORT)->report.unsure);
    relays_hear(relays, 1, 2, true, now); /* without a command of ours */
    turn(true, 5000);
    ck_assert(told(EVENT_MANUAL)->manual.running);
    relays_hear(relays, 1, 2, false, now);
    turn(true, 10);
    ck_assert_int_eq(told(EVENT_MANUAL)->manual.total[0].ms, 5000);
    relays_hear(relays, 1, 9, true, now); /* nobody's */
    relays_hear(relays, 0, 1, true, now);
}
END_TEST

START_TEST(at_the_end_every_output_is_told)
{
    claimed();
    relays_off(relays, NULL);
    ck_assert_uint_eq(said_count, 2);
    expect_said(0, "shed/a", "0", 1);
    expect_said(1, "shed/c", "off", 1);
    relays_off(NULL, NULL);
    relays_recall(NULL, core);
    relays_turn(NULL, NULL, true, NULL, now);
    ck_assert(!relays_serve(NULL, 0));
}
END_TEST

START_TEST(a_site_without_them_needs_none)
{
    struct relays *none = relays;
    struct problem problem;
    fixture_remove();
    begin();
    const struct relays_start start = { .site = load(), .boot = "boot-2", .now = now };
    ck_assert_int_eq(relays_open(&none, &start, &problem), ERR_NONE);
    ck_assert_ptr_null(none);
}
END_TEST

/* --- from a message to a report ----------------------------------------------------------------
 */

static int heard, refused;
static bool heard_on;

static void hear_event(void *context, const struct event *event)
{
    (void)context;
    (void)event;
    ck_abort_msg("a board's report is no event of the core's");
}

static void hear_board(void *context, const struct route *route, bool on)
{
    (void)context;
    ck_assert_uint_eq(route->chain, 1);
    ck_assert_uint_eq(route->position, 2);
    heard++;
    heard_on = on;
}

static void hear_refused(
    void *context, const struct mqtt_message *message, const struct problem *problem)
{
    (void)context;
    (void)message;
    (void)problem;
    refused++;
}

static const struct {
    const char *payload;
    int says; /* 1 on, 0 off, -1: neither */
} reports[] = { { "{\"c\":true}", 1 }, { "{\"c\":false}", 0 }, { "{\"c\":\"ON\"}", 1 },
    { "{\"c\":\"off\"}", 0 }, { "{\"c\":1}", 1 }, { "{\"c\":0}", 0 }, { "{\"c\":\"True\"}", 1 },
    { "{\"c\":2}", -1 }, { "{\"c\":null}", -1 }, { "{\"c\":[true]}", -1 },
    { "{\"c\":\"maybe\"}", -1 }, { "{\"d\":true}", -1 }, { "{}", -1 }, { "", -1 }, { "true", -1 },
    { "{\"c\":", -1 } };

START_TEST(a_boards_word_is_on_or_off_or_none)
{
    struct routes routes;
    const struct hearer hearer = {
        .event = hear_event, .board = hear_board, .refused = hear_refused
    };
    const struct mqtt_message m = { .topic = "shed/state",
        .payload = reports[_i].payload,
        .length = strlen(reports[_i].payload),
        .retained = _i % 2 == 0 }; /* the board's last word counts */
    ck_assert_int_eq(routes_make(&routes, fixture_config), ERR_NONE);
    ck_assert(hear_message(&hearer, fixture_config, &routes, &m));
    ck_assert_int_eq(heard, reports[_i].says >= 0);
    ck_assert_int_eq(refused, reports[_i].says < 0);
    if (reports[_i].says >= 0) ck_assert_int_eq(heard_on, reports[_i].says);
    uint32_t count;
    ck_assert_ptr_null(routes_find(&routes, "homie/5/bench/chain/claim", &count)); /* no head */
    routes_free(&routes);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("relays");
    tcase_add_checked_fixture(tc, begin_relays, end_relays);
    tcase_add_test(tc, nothing_is_said_before_the_site_is_ours_and_then_off_first);
    tcase_add_test(tc, a_run_is_sent_once_and_switched_off_when_it_is_over);
    tcase_add_test(tc, what_cant_be_sent_is_said_to_be_unsent);
    tcase_add_test(tc, a_halt_is_said_at_once_and_latches_also_while_the_broker_is_away);
    tcase_add_test(tc, a_run_under_way_when_the_broker_goes_is_unsure);
    tcase_add_test(tc, what_the_board_reports_reaches_the_core);
    tcase_add_test(tc, at_the_end_every_output_is_told);
    tcase_add_test(tc, a_site_without_them_needs_none);
    tcase_add_loop_test(
        tc, a_boards_word_is_on_or_off_or_none, 0, sizeof reports / sizeof reports[0]);
    return run_case(tc, "relays");
}
