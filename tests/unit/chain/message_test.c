#include "lib/chain/message.h"

#include <string.h>

#include "lib/base/text.h"
#include "tests/unit/support.h"

START_TEST(each_word_of_the_contract_comes_back)
{
    static const char *const actions[] = { "dose", "circulate", "stop", "halt", "resume",
        "identify" };
    static const char *const states[] = { "accepted", "running", "done", "stopped", "refused" };
    static const char *const reasons[] = { "malformed", "duplicate", "other-reign", "other-boot",
        "other-epoch", "expired", "no-module", "other-serial", "no-channel", "halted", "too-long",
        "no-circulation", "fault", "busy" };
    for (int i = 0; i < 6; i++) {
        enum chain_action action;
        ck_assert_str_eq(chain_action_word((enum chain_action)i), actions[i]);
        ck_assert(chain_action_read(&action, actions[i]));
        ck_assert_int_eq(action, i);
    }
    for (int i = 0; i < 5; i++) {
        enum chain_state state;
        ck_assert_str_eq(chain_state_word((enum chain_state)i), states[i]);
        ck_assert(chain_state_read(&state, states[i]));
        ck_assert_int_eq(state, i);
    }
    for (int i = 0; i < 14; i++) {
        enum chain_reason reason;
        ck_assert_str_eq(chain_reason_word((enum chain_reason)(i + 1)), reasons[i]);
        ck_assert(chain_reason_read(&reason, reasons[i]));
        ck_assert_int_eq(reason, i + 1);
    }
    ck_assert_int_eq(CHAIN_REASON_COUNT, 15);
    ck_assert_str_eq(chain_reason_word(CHAIN_NO_REASON), "");
}
END_TEST

START_TEST(other_words_are_not_read)
{
    static const char *const others[] = { "", "Dose", "dose ", "dos", "none", "other_boot" };
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++) {
        enum chain_action action = CHAIN_HALT;
        enum chain_state state = CHAIN_DONE;
        enum chain_reason reason = CHAIN_FAULT;
        ck_assert(!chain_action_read(&action, others[i]));
        ck_assert(!chain_state_read(&state, others[i]));
        ck_assert(!chain_reason_read(&reason, others[i]));
        ck_assert(action == CHAIN_HALT && state == CHAIN_DONE && reason == CHAIN_FAULT);
    }
}
END_TEST

START_TEST(keys_and_ids_have_1_to_32_characters_of_their_alphabet)
{
    ck_assert(chain_key_valid("a") && chain_key_valid("-") && chain_key_valid("tern-hall-09"));
    ck_assert(chain_id_valid("a") && chain_id_valid("9F2c-Z"));
    ck_assert(!chain_key_valid("A") && !chain_key_valid("aZ"));
    static const char longest[] = "01234567890123456789012345678901";
    static const char too_long[] = "012345678901234567890123456789012";
    ck_assert_uint_eq(strlen(longest), 32);
    ck_assert(chain_key_valid(longest) && chain_id_valid(longest));
    ck_assert(!chain_key_valid(too_long) && !chain_id_valid(too_long));
    static const char *const bad[] = { "", "a b", "a_b", "a/b", "a+", "#", "a.b", "\xC3\xA9", "a\n",
        "`", "{", "@", "[", ":" };
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        ck_assert_msg(!chain_key_valid(bad[i]) && !chain_id_valid(bad[i]), "%s", bad[i]);
    }
    for (int c = 1; c < 256; c++) {
        const char s[] = { (char)c, '\0' };
        const bool small = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-';
        ck_assert_int_eq(chain_key_valid(s), small);
        ck_assert_int_eq(chain_id_valid(s), small || (c >= 'A' && c <= 'Z'));
    }
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("message");
    tcase_add_test(tc, each_word_of_the_contract_comes_back);
    tcase_add_test(tc, other_words_are_not_read);
    tcase_add_test(tc, keys_and_ids_have_1_to_32_characters_of_their_alphabet);
    return run_case(tc, "message");
}
