#include "lib/chain/message.h"

#include <string.h>

#include "lib/base/text.h"

enum { ACTIONS = CHAIN_IDENTIFY + 1, STATES = CHAIN_REFUSED + 1 };

static const char *const action_words[ACTIONS] = {
    [CHAIN_DOSE] = "dose",
    [CHAIN_CIRCULATE] = "circulate",
    [CHAIN_STOP] = "stop",
    [CHAIN_HALT] = "halt",
    [CHAIN_RESUME] = "resume",
    [CHAIN_IDENTIFY] = "identify",
};
static const char *const state_words[STATES] = {
    [CHAIN_ACCEPTED] = "accepted",
    [CHAIN_RUNNING] = "running",
    [CHAIN_DONE] = "done",
    [CHAIN_STOPPED] = "stopped",
    [CHAIN_REFUSED] = "refused",
};
static const char *const reason_words[CHAIN_REASON_COUNT] = {
    [CHAIN_NO_REASON] = "",
    [CHAIN_MALFORMED] = "malformed",
    [CHAIN_DUPLICATE] = "duplicate",
    [CHAIN_OTHER_REIGN] = "other-reign",
    [CHAIN_OTHER_BOOT] = "other-boot",
    [CHAIN_OTHER_EPOCH] = "other-epoch",
    [CHAIN_EXPIRED] = "expired",
    [CHAIN_NO_MODULE] = "no-module",
    [CHAIN_OTHER_SERIAL] = "other-serial",
    [CHAIN_NO_CHANNEL] = "no-channel",
    [CHAIN_HALTED] = "halted",
    [CHAIN_TOO_LONG] = "too-long",
    [CHAIN_NO_CIRCULATION] = "no-circulation",
    [CHAIN_FAULT] = "fault",
    [CHAIN_BUSY] = "busy",
};

const char *chain_action_word(enum chain_action action)
{
    return action_words[action];
}

const char *chain_state_word(enum chain_state state)
{
    return state_words[state];
}

const char *chain_reason_word(enum chain_reason reason)
{
    return reason_words[reason];
}

static size_t find(const char *const words[], size_t from, size_t count, const char *word)
{
    for (size_t i = from; i < count; i++) {
        if (text_same(words[i], word)) return i;
    }
    return SIZE_MAX;
}

bool chain_action_read(enum chain_action *ret, const char *word)
{
    const size_t i = find(action_words, 0, ACTIONS, word);
    if (i == SIZE_MAX) return false;
    *ret = (enum chain_action)i;
    return true;
}

bool chain_state_read(enum chain_state *ret, const char *word)
{
    const size_t i = find(state_words, 0, STATES, word);
    if (i == SIZE_MAX) return false;
    *ret = (enum chain_state)i;
    return true;
}

bool chain_reason_read(enum chain_reason *ret, const char *word)
{
    const size_t i =
        find(reason_words, CHAIN_NO_REASON + 1, CHAIN_REASON_COUNT, word); /* "" is no word */
    if (i == SIZE_MAX) return false;
    *ret = (enum chain_reason)i;
    return true;
}

static bool small_letter_or_digit(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-';
}

bool chain_key_valid(const char *s)
{
    size_t n = 0;
    for (; n < CHAIN_WORD_MAX && s[n]; n++) {
        if (!small_letter_or_digit(s[n])) return false;
    }
    return n >= 1 && n < CHAIN_WORD_MAX;
}

bool chain_id_valid(const char *s)
{
    size_t n = 0;
    for (; n < CHAIN_WORD_MAX && s[n]; n++) {
        if (!small_letter_or_digit(s[n]) && !(s[n] >= 'A' && s[n] <= 'Z')) return false;
    }
    return n >= 1 && n < CHAIN_WORD_MAX;
}
