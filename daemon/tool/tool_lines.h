/* Lines of a status: a label and words that fold beside it. Private to tool_*.c that show.
 */
#ifndef DOSEWRIGHT_DAEMON_TOOL_LINES_H
#define DOSEWRIGHT_DAEMON_TOOL_LINES_H

#include <cjson/cJSON.h>
#include <stdio.h>

#include "lib/base/text.h"

enum { LINE_MAX_BYTES = 2048, LABEL_COLUMNS = 14 };

struct line {
    char bytes[LINE_MAX_BYTES];
    struct text t;
};

/* Starts a line anew. */
struct text *line_begin(struct line *line);

/* Writes it, two columns from the left, beside its label. */
void line_end(FILE *out, const struct line *line, const char *label);

/* Millilitres without needless zeros: 3.5, 120, 0.25. */
void line_add_ml(struct text *t, double ml);

/* "2031-04-02 05:06:07 UTC" of "2031-04-02T05:06:07.089Z". */
void line_add_instant(struct text *t, const char *time);

/* The span between two such times: "5 min"; false, and nothing, when one can't be read or the clock
 * was set back between them. */
bool line_add_since(struct text *t, const char *then, const char *now);

/* Neither missing nor null. */
bool line_is_known(double value);

/* How a value stands against a band around its setpoint. */
enum line_stand { STAND_UNKNOWN, STAND_LOW, STAND_IN_BAND, STAND_HIGH };

/* Of a reading with "value", "setpoint" and "band"; unknown when one of them is. */
enum line_stand line_stand(const cJSON *reading);

/* Dates of calibration and upkeep of one tank (tool_care.c); nothing that the answer hasn't got. */
void show_care(FILE *out, const cJSON *tank, const char *time);

#endif
