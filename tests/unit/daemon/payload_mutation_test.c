/* Two hundred thousand damaged messages, the same ones every time. */
#include "lib/base/prng.h"
#include "tests/unit/daemon/messages.h"

static const char *const pieces[] = { "{", "}", "[", "]", ",", ":", "\"", "\\u0000", "\\u0041", "0",
    "1", "-", ".", "e", "1e999", "007", "null", "true", "false",
    "\"id\":", "\"serial\":", "\"a1f3\"", "9007199254740991", "9007199254740992",
    "\"action\":\"stop\"", "\"unsure\":true", " ", "\n", "\xC3\xA9", "\xC0\x80", "\x80", "\x01",
    "4294967296", "\"ml\":0.0005", "{\"position\":1}" };
enum { PIECES = sizeof pieces / sizeof pieces[0] };

static void mutate(struct prng *prng, char *text, size_t *length, size_t room)
{
    const size_t at = (size_t)prng_below(prng, (int64_t)*length + 1);
    const size_t span = (size_t)prng_below(prng, 8);
    const char *piece = pieces[prng_below(prng, PIECES)];
    const size_t n = strlen(piece);
    switch (prng_below(prng, 5)) {
    case 0: /* a bit turns */
        if (at < *length) text[at] = (char)((unsigned char)text[at] ^ 1U << prng_below(prng, 8));
        return;
    case 1: /* something is gone */
        if (at + span > *length) return;
        memmove(text + at, text + at + span, *length - at - span);
        *length -= span;
        return;
    case 2: /* something is there twice */
        if (at + span > *length || *length + span > room) return;
        memmove(text + at + span, text + at, *length - at);
        *length += span;
        return;
    case 3: /* a piece comes in */
        if (*length + n > room) return;
        memmove(text + at + n, text + at, *length - at);
        memcpy(text + at, piece, n);
        *length += n;
        return;
    case 4: /* a digit changes */
        for (size_t i = at; i < *length; i++) {
            if (text[i] < '0' || text[i] > '9') continue;
            text[i] = (char)('0' + prng_below(prng, 10));
            return;
        }
        return;
    }
}

/* 8 seeds of 26,000: whatever is accepted means the same when it is written and read again. */
START_TEST(no_mutated_message_breaks_anything)
{
    enum { ROUNDS = 26000, ROOM = 1024 };
    struct prng prng = prng_seed((uint64_t)_i + 1);
    static const struct probe_config probe_config = { .unit = UNIT_PH,
        .pointer = "/entries/1/ran_ms" };
    int accepted = 0, refused = 0;
    for (int n = 0; n < ROUNDS; n++) {
        const enum message m = (enum message)prng_below(&prng, MESSAGES);
        char text[ROOM];
        size_t length = strlen(good[m]);
        memcpy(text, good[m], length);
        for (int64_t edits = 1 + prng_below(&prng, 3); edits > 0; edits--) {
            mutate(&prng, text, &length, ROOM);
        }
        char *exact = malloc(length + 1); /* the sanitizer watches its end */
        memcpy(exact, text, length);
        const enum err err = read_payload(m, &value, (struct payload){ exact, length });
        if (err == ERR_NONE) {
            accepted++;
            round_trip(m);
        } else {
            refused++;
            ck_assert_uint_gt(strlen(problem.text), 0);
            if (m == COMMAND && value.command.id[0]) ck_assert(chain_id_valid(value.command.id));
        }
        double number;
        (void)payload_read_probe(&number, &probe_config, (struct payload){ exact, length });
        free(exact);
    }
    ck_assert_int_gt(accepted, ROUNDS / 50); /* both sides are really tried */
    ck_assert_int_gt(refused, ROUNDS / 4);
}
END_TEST

int main(void)
{
    TCase *tc = tcase_create("payload_mutation");
    tcase_set_timeout(tc, 60);
    tcase_add_loop_test(tc, no_mutated_message_breaks_anything, 0, 8);
    return run_case(tc, "payload_mutation");
}
