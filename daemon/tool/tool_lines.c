#include "daemon/tool/tool_lines.h"

#include <math.h>
#include <string.h>

#include "daemon/tool/tool_show.h"
#include "lib/base/calendar.h"

struct text *line_begin(struct line *line)
{
    line->t = text_over(line->bytes, sizeof line->bytes);
    return &line->t;
}

void line_end(FILE *out, const struct line *line, const char *label)
{
    char indented[64];
    struct text t = text_over(indented, sizeof indented);
    text_add(&t, "  ");
    text_add(&t, label);
    show_folded(out, LABEL_COLUMNS, indented, line->bytes);
}

/* Millilitres without needless zeros: 3.5, 120, 0.25. */
void line_add_ml(struct text *t, double ml)
{
    if (!(fabs(ml) < 1e9)) {
        text_add(t, "?");
        return;
    }
    const int64_t hundredths = nearest(ml * 100);
    if (hundredths % 100 == 0)
        text_add_int(t, hundredths / 100);
    else if (hundredths % 10 == 0)
        text_add_scaled(t, hundredths / 10, 1);
    else
        text_add_scaled(t, hundredths, 2);
}

/* "2031-04-02 05:06:07 UTC" of "2031-04-02T05:06:07.089Z". */
void line_add_instant(struct text *t, const char *time)
{
    if (strlen(time) != 24) {
        text_add(t, "?");
        return;
    }
    text_add_bytes(t, time, 10);
    text_add_char(t, ' ');
    text_add_bytes(t, time + 11, 8);
    text_add(t, " UTC");
}

bool line_add_since(struct text *t, const char *then, const char *now)
{
    struct civil from, to;
    if (!calendar_read_civil(&from, then) || !calendar_read_civil(&to, now)) return false;
    if (to.ms < from.ms) return false; /* the clock was set back since */
    text_add_span(t, to.ms - from.ms);
    return true;
}

bool line_is_known(double value)
{
    return isfinite(value);
}

enum line_stand line_stand(const cJSON *reading)
{
    const double value = show_number(reading, "value"), band = show_number(reading, "band");
    const double off = value - show_number(reading, "setpoint");
    if (!line_is_known(off) || !line_is_known(band)) return STAND_UNKNOWN;
    if (fabs(off) <= band + 1e-6) return STAND_IN_BAND;
    return off > 0 ? STAND_HIGH : STAND_LOW;
}
