#include "lib/chain/address.h"

#include <string.h>

static const char circulation_word[] = "circulation";

/* 1 to 'most' without leading zeros; the digits end where 'text' does or at a point. */
static bool read_number(uint32_t *ret, const char **text, uint32_t most)
{
    uint32_t value = 0;
    const char *at = *text;
    if (*at == '0') return false;
    for (; *at >= '0' && *at <= '9'; at++) {
        value = value * 10 + (uint32_t)(*at - '0');
        if (value > most) return false;
    }
    *text = at;
    *ret = value;
    return value > 0;
}

bool chain_address_read(struct chain_address_text *ret, const char *text)
{
    struct chain_address_text a = { .chain = "" };
    const char *slash = strchr(text, '/');
    if (!slash || (size_t)(slash - text) >= sizeof a.chain) return false;
    memcpy(a.chain, text, (size_t)(slash - text));
    if (!chain_key_valid(a.chain)) return false;

    const char *at = slash + 1;
    if (!read_number(&a.position, &at, CHAIN_MODULES_MAX) || *at != '.') return false;
    at++;
    if (text_same(at, circulation_word))
        a.channel = CHAIN_CIRCULATION_CHANNEL;
    else if (!read_number(&a.channel, &at, CHAIN_CHANNELS_MAX) || *at != '\0')
        return false;
    *ret = a;
    return true;
}

void chain_address_add(struct text *t, const char *chain, uint32_t position, uint32_t channel)
{
    text_add(t, chain);
    text_add_char(t, '/');
    text_add_int(t, position);
    text_add_char(t, '.');
    if (channel == CHAIN_CIRCULATION_CHANNEL)
        text_add(t, circulation_word);
    else
        text_add_int(t, channel);
}

bool chain_address_same(const struct chain_address *a, const struct chain_address *b)
{
    return a->chain == b->chain && a->position == b->position && a->channel == b->channel;
}
