/* The way from the core to the broker (daemon/run/perform.c) by itself: what waits for the disk,
 * and what overtakes it. Broker, journal and the rest of the shell are this file's. */
#include <string.h>

#include "daemon/base/log.h"
#include "daemon/payload/payload.h"
#include "daemon/run/daemon.h"
#include "lib/base/text.h"
#include "tests/simulation/silent.h"
#include "tests/unit/support.h"

static int64_t synced;
static uint32_t sent_count;
static struct chain_command sent[16];

/* --- the rest of the shell -------------------------------------------------------------------- */

enum mqtt_result mqtt_publish(struct mqtt *m, const struct mqtt_publish *p)
{
    (void)m;
    struct problem problem;
    ck_assert_uint_lt(sent_count, 16);
    ck_assert_int_eq(payload_read_command(
                         &sent[sent_count++], (struct payload){ p->payload, p->length }, &problem),
        ERR_NONE);
    return MQTT_SENT;
}

void door_answer(struct door *d, uint64_t ticket, bool ok, const char *reason, const char *text)
{
    (void)d;
    (void)ticket;
    (void)ok;
    (void)reason;
    (void)text;
}

enum err journal_append(struct journal *j, struct record *r, struct now now, int64_t *ret_seq,
    struct text *line, struct problem *problem)
{
    static int64_t seq;
    (void)j;
    (void)r;
    (void)now;
    (void)line;
    (void)problem;
    *ret_seq = ++seq;
    return ERR_NONE;
}

int64_t journal_synced(struct journal *j)
{
    (void)j;
    return synced;
}

bool journal_failed(struct journal *j, struct problem *problem)
{
    (void)j;
    (void)problem;
    return false;
}

struct link_tip journal_tip(const struct journal *j)
{
    (void)j;
    return link_start();
}

enum err daemon_connect(struct daemon *d, struct problem *problem)
{
    (void)d;
    (void)problem;
    return ERR_NONE;
}

void log_line(enum log_level level, const char *text)
{
    (void)level;
    (void)text;
}

/* --- a daemon with a chain and no tank -------------------------------------------------------- */

static struct config config;
static struct daemon d;
static struct actions actions;
static struct line lines[LINES_MAX];
static max_align_t block[65536];

static void begin(void)
{
    config.site = (struct site){ .key = "tern-hall", .name = "", .digest = "", .chain_count = 1 };
    config.site.chain[0] = (struct chain_config){ .key = "west", .device = "west" };
    config.homie_domain = "homie";
    d = (struct daemon){ .config = &config, .actions = &actions, .lines = lines, .block = block };
    ck_assert_uint_le(core_size(&config.site), sizeof block);
    d.core = core_init(block, &config.site, &d.identity, d.now);
    synced = sent_count = 0;
}

/* What a step of the core would want: a record, and then this. */
static void want(enum action_kind kind, enum chain_action action, const char *serial)
{
    static uint32_t n;
    struct chain_command c = { .by = "d1",
        .reign = 1,
        .boot = "b",
        .epoch = 1,
        .until_ms = 9000,
        .action = action,
        .position = 1,
        .channel = action == CHAIN_DOSE ? 1 : 0,
        .run_ms = 1000 };
    struct text id = text_over(c.id, sizeof c.id);
    text_add(&id, "d1-");
    text_add_int(&id, ++n);
    (void)text_copy(c.serial, sizeof c.serial, serial);
    actions.count = 2;
    actions.item[0].kind = ACTION_RECORD;
    record_start(&actions.item[0].record, "dose");
    actions.item[1] = (struct action){ .kind = kind, .chain = 0, .command = c };
    daemon_perform(&d);
}

static void disk_comes_up(void)
{
    synced = INT64_MAX - 1;
    daemon_release(&d);
}

START_TEST(a_command_waits_for_its_record)
{
    begin();
    want(ACTION_SEND, CHAIN_DOSE, "a1f3");
    daemon_release(&d);
    ck_assert_uint_eq(sent_count, 0);
    disk_comes_up();
    ck_assert_uint_eq(sent_count, 1);
}
END_TEST

/* Found by simulation.storm: a dose that waited for the disk left 12 ms after the halt. Had the
 * halt got lost on its way, nothing would have held the pump. */
START_TEST(what_waits_for_the_disk_does_not_leave_after_a_halt)
{
    begin();
    want(ACTION_SEND, CHAIN_DOSE, "a1f3");
    want(ACTION_SEND, CHAIN_CIRCULATE, "b77c");
    want(ACTION_SEND, CHAIN_RESUME, "");
    want(ACTION_STOP, CHAIN_HALT, "");
    ck_assert_uint_eq(sent_count, 1);
    disk_comes_up();
    ck_assert_uint_eq(sent_count, 1);
    ck_assert_int_eq(sent[0].action, CHAIN_HALT);
    ck_assert_uint_eq(d.held_count, 0);
}
END_TEST

START_TEST(a_stop_overtakes_what_it_would_stop_and_nothing_else)
{
    begin();
    want(ACTION_SEND, CHAIN_DOSE, "a1f3");
    want(ACTION_SEND, CHAIN_DOSE, "b77c");
    want(ACTION_STOP, CHAIN_STOP, "a1f3");
    disk_comes_up();
    ck_assert_uint_eq(sent_count, 2);
    ck_assert_int_eq(sent[0].action, CHAIN_STOP);
    ck_assert_str_eq(sent[1].serial, "b77c");
}
END_TEST

int main(void)
{
    TCase *t = tcase_create("hold");
    tcase_add_test(t, a_command_waits_for_its_record);
    tcase_add_test(t, what_waits_for_the_disk_does_not_leave_after_a_halt);
    tcase_add_test(t, a_stop_overtakes_what_it_would_stop_and_nothing_else);
    return run_case(t, "hold");
}
