/* What strangers send: the six messages of a chain head, commands (the rig reads those), and a
 * probe's value. The first byte tells which: R roll-call, B beat, C claim, P report, L ledger, M
 * manual, D command, and for everything else a probe, by the letter's bits.
 *
 * Held: what is refused leaves nothing behind but a reason; what is accepted is written and read
 * back as the same bytes of the same struct; its words are valid; a probe's number is finite. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "daemon/payload/payload.h"
#include "tests/fuzz/fuzz.h"

union any {
    struct chain_roll roll;
    struct chain_beat beat;
    struct chain_claim claim;
    struct chain_report report;
    struct chain_ledger ledger;
    struct chain_manual manual;
    struct chain_command command;
};

static union any value, again, nothing;

static enum err read_any(union any *ret, uint8_t kind, struct payload p, struct problem *problem)
{
    memset(ret, 0x5A, sizeof *ret);
    switch (kind) {
    case 'R':
        return payload_read_roll(&ret->roll, p, problem);
    case 'B':
        return payload_read_beat(&ret->beat, p, problem);
    case 'C':
        return payload_read_claim(&ret->claim, p, problem);
    case 'P':
        return payload_read_report(&ret->report, p, problem);
    case 'L':
        return payload_read_ledger(&ret->ledger, p, problem);
    case 'M':
        return payload_read_manual(&ret->manual, p, problem);
    default:
        return payload_read_command(&ret->command, p, problem);
    }
}

static size_t add_any(struct text *t, uint8_t kind, const union any *v)
{
    switch (kind) {
    case 'R':
        payload_add_roll(t, &v->roll);
        return sizeof v->roll;
    case 'B':
        payload_add_beat(t, &v->beat);
        return sizeof v->beat;
    case 'C':
        payload_add_claim(t, &v->claim);
        return sizeof v->claim;
    case 'P':
        payload_add_report(t, &v->report);
        return sizeof v->report;
    case 'L':
        payload_add_ledger(t, &v->ledger);
        return sizeof v->ledger;
    case 'M':
        payload_add_manual(t, &v->manual);
        return sizeof v->manual;
    default:
        payload_add_command(t, &v->command);
        return sizeof v->command;
    }
}

static void check_message(uint8_t kind, struct payload p)
{
    static char line[4 * PAYLOAD_MAX];
    struct problem problem = { 0 };
    const enum err err = read_any(&value, kind, p, &problem);
    struct text t = text_over(line, sizeof line);
    if (err != ERR_NONE) {
        HOLDS(problem.text[0] != '\0');
        const size_t size = add_any(&t, kind, &nothing);
        if (kind != 'D') HOLDS(memcmp(&value, &nothing, size) == 0);
        if (kind == 'D') HOLDS(value.command.id[0] == '\0' || chain_id_valid(value.command.id));
        return;
    }
    const size_t size = add_any(&t, kind, &value);
    HOLDS(!t.cut);
    /* Totals of many outputs: what a head sends shorter may be too long in our words. */
    if (t.length > PAYLOAD_MAX) return;
    HOLDS(read_any(&again, kind, (struct payload){ line, t.length }, &problem) == ERR_NONE);
    HOLDS(memcmp(&value, &again, size) == 0);
    if (kind == 'P') HOLDS(chain_id_valid(value.report.id));
}

static void check_probe(uint8_t bits, struct payload p)
{
    static const char *const pointers[] = { "", "/ph/mv", "/a~1b/0", "/ec" };
    struct probe_config config = { .present = true, .pointer = pointers[bits & 3] };
    config.unit = (enum probe_unit)((bits >> 2) % UNIT_COUNT);
    config.decimal_comma = bits & 4;
    config.number_in_string = bits & 8;
    config.nothing_word[0] = "unknown";
    config.nothing_count = bits & 16 ? 1 : 0;
    config.sentinel[0] = -127;
    config.sentinel_count = 1;
    double number = 1;
    if (payload_read_probe(&number, &config, p) == PROBE_OK) HOLDS(isfinite(number));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bites b = { data, data + size };
    const uint8_t kind = bites_byte(&b);
    const size_t length = (size_t)(b.end - b.at);
    char *bytes = fuzz_exact(b.at, length);
    const struct payload p = { bytes, length };
    if (kind && strchr("RBCPLMD", kind))
        check_message(kind, p);
    else
        check_probe(kind, p);
    free(bytes);
    return 0;
}
