/* JSON of the chain contract and the structs of lib/chain/message.h, both directions; and the value
 * that a probe's payload holds. Nothing nested over 8 levels, over 4 KiB, not UTF-8, with a
 * duplicate member or a number that isn't finite gets through; unknown members are ignored, a
 * missing or mistyped required one refuses the message. */
#ifndef DOSEWRIGHT_DAEMON_PAYLOAD_H
#define DOSEWRIGHT_DAEMON_PAYLOAD_H

#include "lib/base/problem.h"
#include "lib/base/text.h"
#include "lib/chain/message.h"
#include "lib/sense/probe.h"

enum { PAYLOAD_MAX = 4096, PAYLOAD_DEPTH_MAX = 8 };

struct payload { /* bytes as they came */
    const char *bytes;
    size_t length;
};

/* What a head or a controller publishes. On failure 'ret' is all zeros and the problem names the
 * member or the byte. */
enum err payload_read_roll(struct chain_roll *ret, struct payload p, struct problem *problem);
enum err payload_read_beat(struct chain_beat *ret, struct payload p, struct problem *problem);
enum err payload_read_claim(struct chain_claim *ret, struct payload p, struct problem *problem);
enum err payload_read_report(struct chain_report *ret, struct payload p, struct problem *problem);
enum err payload_read_ledger(struct chain_ledger *ret, struct payload p, struct problem *problem);
enum err payload_read_manual(struct chain_manual *ret, struct payload p, struct problem *problem);

/* On failure ret->id is still filled when the message has a usable one, else "". A command that
 * isn't 'stop' or 'halt' needs every member; those two need only id and action. */
enum err payload_read_command(struct chain_command *ret, struct payload p, struct problem *problem);

/* Each appends one JSON object; t->cut tells when it did not fit. */
void payload_add_roll(struct text *t, const struct chain_roll *roll);
void payload_add_beat(struct text *t, const struct chain_beat *beat);
void payload_add_claim(struct text *t, const struct chain_claim *claim);
void payload_add_report(struct text *t, const struct chain_report *report);
void payload_add_ledger(struct text *t, const struct chain_ledger *ledger);
void payload_add_manual(struct text *t, const struct chain_manual *manual);
void payload_add_command(struct text *t, const struct chain_command *command);

/* The number that a probe's message holds, by the probe's pointer and unit. */
enum probe_verdict payload_read_probe(
    double *ret, const struct probe_config *config, struct payload p);

/* A JSON string with its quotes, escaped. */
void payload_add_string(struct text *t, const char *s);

#endif
