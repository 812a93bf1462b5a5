/* The words of the rig's faults. */
#include "daemon/rig/rig_fault.h"

#include "tests/unit/daemon/rig_fixture.h"

static struct rig_fault read_good(const char *word)
{
    struct rig_fault f;
    struct problem problem = { 0 };
    const enum err err = rig_fault_read(&f, word, &fixture_site, &problem);
    ck_assert_msg(err == ERR_NONE, "%s: %s", word, problem.text);
    return f;
}

START_TEST(every_word_is_read)
{
    struct rig_fault f = read_good("empty:leaf-b");
    ck_assert(f.kind == RIG_EMPTY && f.stock == LEAF_B && !f.heal && !f.has_after);
    f = read_good("-stuck:lettuce-wall.ph");
    ck_assert(f.kind == RIG_STUCK && f.tank == 1 && f.probe == PROBE_PH && f.heal);
    f = read_good("silent:basil-bench.ec@2.5");
    ck_assert(f.kind == RIG_SILENT && f.probe == PROBE_EC && f.has_after && f.after_ms == 2500);
    f = read_good("jump:basil-bench.ph=-1.25@0");
    ck_assert(f.kind == RIG_JUMP && f.has_after && f.after_ms == 0);
    ck_assert_double_eq_tol(f.value, -1.25, 1e-12);
    ck_assert_str_eq(f.word, "jump:basil-bench.ph=-1.25");
    f = read_good("swap:west.2=c91d");
    ck_assert(f.kind == RIG_SWAP && f.position == 2);
    ck_assert_str_eq(f.serial, "c91d");
    f = read_good("order:west.1.2");
    ck_assert(f.kind == RIG_ORDER && f.position == 1 && f.other == 2);
    ck_assert_int_eq(read_good("remove:west.1").kind, RIG_REMOVE);
    ck_assert_int_eq(read_good("reboot:west").kind, RIG_REBOOT);
    ck_assert_int_eq(read_good("mute:west").kind, RIG_MUTE);
    ck_assert_int_eq(read_good("-deaf:west").kind, RIG_DEAF);
    ck_assert_int_eq(read_good("gone:west").kind, RIG_DROP);
    f = read_good("hand:west/2.4");
    ck_assert(f.kind == RIG_HAND && f.position == 2 && f.channel == 4);
    f = read_good("hand:west/1.circulation");
    ck_assert(f.position == 1 && f.channel == 0);
    ck_assert_int_eq(read_good("stopswitch:west").kind, RIG_STOP_SWITCH);
    f = read_good("slow:west/1.1=0.5");
    ck_assert(f.kind == RIG_SLOW && f.value == 0.5);
    ck_assert_int_eq(read_good("leak:basil-bench").kind, RIG_LEAK);
    ck_assert_int_eq(read_good("level:basil-bench=35").kind, RIG_LEVEL);
    f = read_good("bath:basil-bench.ph=7");
    ck_assert(f.kind == RIG_BATH && f.probe == PROBE_PH && f.value > 6.9 && f.value < 7.1);
    f = read_good("-cup:west/1.1");
    ck_assert(f.kind == RIG_CUP && f.heal && f.position == 1 && f.channel == 1);
    f = read_good("air:west/1.1=12");
    ck_assert(f.kind == RIG_AIR && f.channel == 1 && f.value > 11.9 && f.value < 12.1);
    f = read_good("bottles:leaf-a.acid");
    ck_assert(f.kind == RIG_BOTTLES && f.stock == 0 && f.other_stock == 2);
    f = read_good("weak:west=1.5");
    ck_assert(f.kind == RIG_WEAK && f.value > 1.4 && f.value < 1.6);
    f = read_good("thin:west.2=3");
    ck_assert(f.kind == RIG_THIN && f.position == 2);
    f = read_good("unplugged:west/1.circulation");
    ck_assert(f.kind == RIG_UNPLUGGED && f.position == 1 && f.channel == 0);
    ck_assert_int_eq(read_good("refill:basil-bench=1.5").kind, RIG_REFILL);
    f = read_good("water-change:lettuce-wall=0.3");
    ck_assert(f.kind == RIG_WATER_CHANGE && f.tank == 1);
}
END_TEST

START_TEST(what_is_taken_back_needs_no_value)
{
    ck_assert(read_good("-swap:west.2").heal);
    ck_assert(read_good("-jump:basil-bench.ph").heal);
    ck_assert(read_good("-slow:west/1.1=0.5").heal);
    ck_assert(read_good("-level:basil-bench@3").heal);
}
END_TEST

START_TEST(what_makes_no_sense_is_refused_and_says_what_is_known)
{
    static const struct {
        const char *word;
        enum err err;
        const char *says;
    } table[] = {
        { "", ERR_UNKNOWN, "stopswitch" },
        { "-", ERR_UNKNOWN, "stopswitch" },
        { "bananas:west", ERR_UNKNOWN, "empty stuck silent" },
        { "Empty:leaf-a", ERR_UNKNOWN, "empty stuck" },
        { "empty", ERR_SYNTAX, "STOCK" },
        { "empty:", ERR_UNKNOWN, "leaf-a, leaf-b, acid" },
        { "empty:leaf-c", ERR_UNKNOWN, "leaf-a, leaf-b, acid" },
        { "empty:leaf-a=1", ERR_SYNTAX, "no value" },
        { "stuck:bench.ec", ERR_UNKNOWN, "basil-bench, lettuce-wall" },
        { "stuck:basil-bench", ERR_UNKNOWN, "ec, ph" },
        { "stuck:basil-bench.flow", ERR_UNKNOWN, "ec, ph" },
        { "jump:basil-bench.ph", ERR_RANGE, "a number" },
        { "jump:basil-bench.ph=", ERR_RANGE, "a number" },
        { "jump:basil-bench.ph=1e3", ERR_RANGE, "a number" },
        { "swap:west.2", ERR_SYNTAX, "serial" },
        { "swap:west.2=C91D", ERR_SYNTAX, "serial" },
        { "swap:west.0=a", ERR_UNKNOWN, "1 to 2" },
        { "swap:west.3=a", ERR_UNKNOWN, "1 to 2" },
        { "swap:west=a", ERR_UNKNOWN, "1 to 2" },
        { "order:west.1", ERR_UNKNOWN, "1 to 2" },
        { "order:west.1.1", ERR_RANGE, "different" },
        { "bottles:leaf-a", ERR_UNKNOWN, "leaf-a, leaf-b, acid" },
        { "bottles:leaf-a.leaf-c", ERR_UNKNOWN, "leaf-a, leaf-b, acid" },
        { "bottles:acid.acid", ERR_RANGE, "different" },
        { "air:west/1.1=-1", ERR_RANGE, "0 to 10000" },
        { "reboot:east", ERR_UNKNOWN, "west" },
        { "-reboot:west", ERR_SYNTAX, "taken back" },
        { "-refill:basil-bench=1", ERR_SYNTAX, "taken back" },
        { "hand:west", ERR_SYNTAX, "CHAIN/POSITION.CHANNEL" },
        { "hand:west/3.1", ERR_UNKNOWN, "position" },
        { "hand:east/1.1", ERR_UNKNOWN, "west" },
        { "slow:west/1.1=11", ERR_RANGE, "0 to 10" },
        { "slow:west/1.1=-1", ERR_RANGE, "0 to 10" },
        { "water-change:basil-bench=1.1", ERR_RANGE, "0 to 1" },
        { "level:basil-bench=x", ERR_RANGE, "0 to 200" },
        { "empty:acid@", ERR_RANGE, "seconds" },
        { "empty:acid@-1", ERR_RANGE, "seconds" },
        { "empty:acid@1000001", ERR_RANGE, "seconds" },
        { "empty:acid@1@2", ERR_RANGE, "seconds" },
        { "empty:acid@0.0001", ERR_RANGE, "seconds" },
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        struct rig_fault f = { .position = 77 };
        struct problem problem = { 0 };
        const enum err err = rig_fault_read(&f, table[i].word, &fixture_site, &problem);
        ck_assert_msg(err == table[i].err && problem.err == err, "'%s': %d %s", table[i].word, err,
            problem.text);
        ck_assert_msg(strstr(problem.text, table[i].says), "'%s': %s", table[i].word, problem.text);
        ck_assert_int_eq(f.position, 77);
    }
}
END_TEST

START_TEST(a_word_of_any_length_is_answered)
{
    char word[400];
    for (size_t length = 1; length < sizeof word; length++) {
        memset(word, 'a', length);
        word[length] = '\0';
        struct rig_fault f;
        struct problem problem = { 0 };
        ck_assert(rig_fault_read(&f, word, &fixture_site, &problem) != ERR_NONE);
        if (length > 7) memcpy(word, "empty:", 6);
        ck_assert(rig_fault_read(&f, word, &fixture_site, &problem) != ERR_NONE);
        ck_assert(strlen(problem.text) > 0);
    }
}
END_TEST

START_TEST(the_list_names_each_fault_once)
{
    char bytes[2048];
    struct text t = text_over(bytes, sizeof bytes);
    rig_fault_list(&t, " ");
    ck_assert(!t.cut);
    int colons = 0;
    for (const char *c = bytes; *c; c++) {
        colons += *c == ':';
    }
    ck_assert_int_eq(colons, RIG_FAULT_KINDS);
    ck_assert_ptr_nonnull(strstr(bytes, "hand:CHAIN/POSITION.CHANNEL"));
    ck_assert_ptr_nonnull(strstr(bytes, "swap:CHAIN.POSITION=SERIAL"));
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("rig fault");
    tcase_add_checked_fixture(tc, fixture_site_make, NULL);
    tcase_add_test(tc, every_word_is_read);
    tcase_add_test(tc, what_is_taken_back_needs_no_value);
    tcase_add_test(tc, what_makes_no_sense_is_refused_and_says_what_is_known);
    tcase_add_test(tc, a_word_of_any_length_is_answered);
    tcase_add_test(tc, the_list_names_each_fault_once);
    return run_case(tc, "rig fault");
}
