/* A plain output of a general relay or pump board. */
#include "daemon/config/schema_rows.h"

#define OUTPUT(member) offsetof(struct plain_output, member)
#define COUNT(rows) (uint32_t)(sizeof(rows) / sizeof *(rows))

static const struct schema_row state_rows[] = {
    { "topic", SCHEMA_TOPIC, NULL, 0, 0, 0, SCHEMA_REQUIRED, OUTPUT(state_topic), NULL, NULL,
        "Where the board tells, at each change, whether the output is on or off." },
    { "pointer", SCHEMA_POINTER, NULL, 0, 0, 0, "", OUTPUT(state_pointer), NULL, NULL,
        "Where in a JSON message that stands; without it the message itself is it. Words: true, "
        "false, on, off, 1, 0, in any case." },
};
static const struct schema_table state_table = { "tanks.<tank>.pumps.<stock>.address.state",
    "Where the board reports.", state_rows, COUNT(state_rows), NULL };

static const struct schema_row board_rows[] = {
    { "topic", SCHEMA_TOPIC, NULL, 0, 0, 0, SCHEMA_REQUIRED, OUTPUT(topic), NULL, NULL,
        "Where the board takes its orders." },
    { "payload", SCHEMA_TEMPLATE, NULL, 1, 256, 0, SCHEMA_REQUIRED, OUTPUT(payload), NULL, NULL,
        "What starts a run. ${seconds} (such as 4.2), ${ms} (whole) or ${ml} (such as 3.5) is "
        "filled in; the board must switch itself off after that. Without one of them it needs "
        "auto_off_s." },
    { "off_payload", SCHEMA_TEXT, NULL, 1, 256, 0, SCHEMA_REQUIRED, OUTPUT(off_payload), NULL, NULL,
        "What switches the output off, whatever it does." },
    { "auto_off_s", SCHEMA_WHOLE, "s", 0.5, 3600, 1000, SCHEMA_OPTIONAL, OUTPUT(auto_off_ms), NULL,
        NULL,
        "After so long the board switches the output off by itself, whatever it was told: its own "
        "setting, which this daemon can't check. No run is longer. Without it a self-timed output "
        "runs for 120 s at most, circulation for 600 s." },
    { "step_s", SCHEMA_WHOLE, "s", 0.001, 60, 1000, "0.001", OUTPUT(step_ms), NULL, NULL,
        "The board counts in steps of this: runs are rounded down to it." },
    { "state", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &state_table,
        "Where the board reports on and off, if it does." },
};
const struct schema_table schema_board = { "tanks.<tank>.pumps.<stock>.address",
    "A plain output: a timed output of a general relay or pump board that speaks no contract. Less "
    "can be promised for it than for a module: docs/plain-outputs.md.",
    board_rows, COUNT(board_rows), NULL };
