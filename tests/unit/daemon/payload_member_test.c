/* Each member of each message: left out, and with every value that it can't have. */
#include "tests/unit/daemon/messages.h"

enum kind {
    ID,   /* a word that any head or daemon may choose */
    NAME, /* an ID or nothing */
    TERM, /* a word of the contract */
    COUNT_FROM_0,
    COUNT_FROM_1,
    PLACE,
    TRUTH,
    REAL,
    LIST,
};

static const struct {
    enum message message;
    const char *name;
    enum kind kind;
    bool needed;
} members[] = {
    { ROLL, "profile", COUNT_FROM_1, true },
    { ROLL, "boot", ID, true },
    { ROLL, "epoch", COUNT_FROM_0, true },
    { ROLL, "max_run_ms", COUNT_FROM_1, true },
    { ROLL, "max_circulate_ms", COUNT_FROM_1, true },
    { ROLL, "modules", LIST, true },
    { ROLL, "position", PLACE, true },
    { ROLL, "serial", ID, true },
    { ROLL, "channels", PLACE, true },
    { ROLL, "circulation", TRUTH, true },
    { ROLL, "volts", REAL, false },
    { BEAT, "boot", ID, true },
    { BEAT, "up_ms", COUNT_FROM_0, true },
    { BEAT, "halted", TRUTH, true },
    { BEAT, "dropped", COUNT_FROM_0, true },
    { BEAT, "amps", REAL, false },
    { BEAT, "volts", REAL, false },
    { CLAIM, "by", NAME, true },
    { CLAIM, "reign", COUNT_FROM_0, true },
    { CLAIM, "site", NAME, true },
    { REPORT, "id", ID, true },
    { REPORT, "boot", ID, true },
    { REPORT, "state", TERM, true },
    { REPORT, "reason", TERM, true }, /* the state is refused */
    { REPORT, "ran_ms", COUNT_FROM_0, true },
    { REPORT, "up_ms", COUNT_FROM_0, true },
    { LEDGER, "boot", ID, true },
    { LEDGER, "entries", LIST, true },
    { LEDGER, "id", ID, true },
    { LEDGER, "state", TERM, true },
    { LEDGER, "ran_ms", COUNT_FROM_0, true },
    { LEDGER, "unsure", TRUTH, false },
    { MANUAL, "boot", ID, true },
    { MANUAL, "n", COUNT_FROM_0, true },
    { MANUAL, "running", TRUTH, true },
    { MANUAL, "serial", ID, true },
    { MANUAL, "ran_ms", COUNT_FROM_0, true },
    { MANUAL, "totals", LIST, true },
    { MANUAL, "ms", COUNT_FROM_0, true },
    { COMMAND, "id", ID, true },
    { COMMAND, "by", ID, true },
    { COMMAND, "reign", COUNT_FROM_0, true },
    { COMMAND, "boot", ID, true },
    { COMMAND, "epoch", COUNT_FROM_0, true },
    { COMMAND, "until_ms", COUNT_FROM_0, true },
    { COMMAND, "action", TERM, true },
    { COMMAND, "position", COUNT_FROM_1, true },
    { COMMAND, "serial", ID, true },
    { COMMAND, "channel", COUNT_FROM_1, true },
    { COMMAND, "run_ms", COUNT_FROM_1, true },
    { COMMAND, "needs", LIST, false },
};
enum { MEMBERS = sizeof members / sizeof members[0] };

START_TEST(a_message_without_a_member_that_it_needs_is_refused)
{
    for (size_t i = 0; i < MEMBERS; i++) {
        const char *text = edited(good[members[i].message], members[i].name, "");
        const enum err err = read_text(members[i].message, text);
        ck_assert_msg((err == ERR_NONE) == !members[i].needed, "%s", text);
        if (!members[i].needed) continue;
        ck_assert_int_eq(err, ERR_MISSING);
        ck_assert_msg(
            strstr(problem.text, members[i].name), "%s: %s", members[i].name, problem.text);
    }
}
END_TEST

/* Whether the value can be one of that kind at all. */
static bool fits(enum kind kind, const char *json)
{
    const bool digits = json[0] >= '0' && json[0] <= '9';
    switch (kind) {
    case ID:
        return strcmp(json, "\"1\"") == 0 || strcmp(json, "\"true\"") == 0;
    case NAME:
        return fits(ID, json) || strcmp(json, "\"\"") == 0;
    case TERM:
    case PLACE: /* none of the values below is from 1 to 16 */
        return false;
    case COUNT_FROM_0:
        return digits && !strpbrk(json, ".eE") && strcmp(json, "9007199254740992") != 0;
    case COUNT_FROM_1:
        return fits(COUNT_FROM_0, json) && strcmp(json, "0") != 0;
    case TRUTH:
        return strcmp(json, "true") == 0 || strcmp(json, "false") == 0;
    case REAL:
        return strcmp(json, "0") == 0 || strcmp(json, "-0") == 0 || strcmp(json, "1.0") == 0 ||
               strcmp(json, "-1") == 0 || strcmp(json, "1e1") == 0;
    case LIST:
        return strcmp(json, "[]") == 0;
    }
    abort();
}

START_TEST(a_member_of_the_wrong_kind_refuses_the_message)
{
    static const char *const values[] = { "null", "true", "false", "0", "-0", "-1", "1.0", "1e1",
        "9007199254740991", "9007199254740992", "1e300", "\"\"", "\"1\"", "\"true\"", "\"a b\"",
        "\"a_b\"", "\"\\u00e9\"", "\"0123456789012345678901234567890123\"", "[]", "[1]", "[null]",
        "{}", "{\"position\":1}", "\"/\"", "\"a\\n\"" };
    for (size_t i = 0; i < MEMBERS; i++) {
        const enum message m = members[i].message;
        const char *name = members[i].name;
        for (size_t v = 0; v < sizeof values / sizeof values[0]; v++) {
            bool expected = fits(members[i].kind, values[v]);
            if (strcmp(name, "profile") == 0) expected = false; /* only 1, which isn't listed */
            if (strcmp(name, "needs") == 0) expected = false;
            const char *text = with_value(good[m], name, values[v]);
            const enum err err = read_text(m, text);
            ck_assert_msg((err == ERR_NONE) == expected, "%s: %s", text, problem.text);
            if (err == ERR_NONE) round_trip(m);
        }
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("payload_member");
    tcase_set_timeout(tc, 60);
    tcase_add_test(tc, a_message_without_a_member_that_it_needs_is_refused);
    tcase_add_test(tc, a_member_of_the_wrong_kind_refuses_the_message);
    return run_case(tc, "payload_member");
}
