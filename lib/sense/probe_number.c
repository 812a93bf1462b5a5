#include <string.h>

#include "lib/base/decimal.h"
#include "lib/base/invariant.h"
#include "lib/sense/probe.h"

enum { NUMBER_LENGTH_MAX = 64 };

struct span {
    const char *at;
    size_t length;
};

static bool blank(char c)
{
    return c == ' ' || c == '\t' || c == '\n' || c == '\r';
}

/* JSON allows blanks around a value, and many publishers end theirs with a line feed. */
static struct span trim(struct span s)
{
    while (s.length > 0 && blank(s.at[0])) {
        s.at++;
        s.length--;
    }
    while (s.length > 0 && blank(s.at[s.length - 1])) {
        s.length--;
    }
    return s;
}

static bool is_word(struct span s, const char *word)
{
    return strlen(word) == s.length && memcmp(s.at, word, s.length) == 0;
}

static bool is_word_any_case(struct span s, const char *word)
{
    if (strlen(word) != s.length) return false;
    for (size_t i = 0; i < s.length; i++) {
        const char c = s.at[i];
        if ((c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c) != word[i]) return false;
    }
    return true;
}

/* "6,2" becomes "6.2"; "1,800.5" becomes "1.800.5", which is no number. */
static bool read_comma(double *ret, struct span s)
{
    char text[NUMBER_LENGTH_MAX];
    if (s.length > sizeof text) return false;
    for (size_t i = 0; i < s.length; i++) {
        text[i] = s.at[i] == ',' ? '.' : s.at[i];
    }
    return decimal_read_json(ret, text, s.length);
}

static bool read_bool(double *ret, struct span s, bool digits)
{
    static const struct {
        const char *word;
        double value;
    } words[] = { { "true", 1.0 }, { "false", 0.0 }, { "on", 1.0 }, { "off", 0.0 }, { "1", 1.0 },
        { "0", 0.0 } };
    enum { WORDS = sizeof words / sizeof words[0], WORDS_OF_LETTERS = 4 };
    for (size_t i = 0; i < (digits ? (size_t)WORDS : (size_t)WORDS_OF_LETTERS); i++) {
        if (!is_word_any_case(s, words[i].word)) continue;
        *ret = words[i].value;
        return true;
    }
    return false;
}

static bool means_nothing(const struct probe_config *config, struct span s)
{
    INVARIANT(config->nothing_count <= PROBE_WORDS_MAX);
    for (uint32_t i = 0; i < config->nothing_count; i++) {
        if (is_word(s, config->nothing_word[i])) return true;
    }
    return false;
}

enum probe_verdict probe_number(
    double *ret, const struct probe_config *config, const char *text, size_t length, bool quoted)
{
    struct span s = { text, length };
    if (!quoted) s = trim(s);
    if (means_nothing(config, s)) return PROBE_NOTHING;

    const bool digits = !quoted || config->number_in_string;
    double number;
    bool read;
    if (config->unit == UNIT_BOOL)
        read = read_bool(&number, s, digits);
    else if (config->decimal_comma)
        read = digits && read_comma(&number, s);
    else
        read = digits && decimal_read_json(&number, s.at, s.length);
    if (!read) return PROBE_NOT_A_NUMBER;
    *ret = number;
    return PROBE_OK;
}
