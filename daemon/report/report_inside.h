/* What a report is made of. Private to daemon/report; worksheet_html.c cleans its texts with
 * report_clean. */
#ifndef DOSEWRIGHT_DAEMON_REPORT_INSIDE_H
#define DOSEWRIGHT_DAEMON_REPORT_INSIDE_H

#include <math.h>

#include "daemon/report/report.h"
#include "lib/base/text.h"

enum {
    REPORT_BINS_MAX = REPORT_POINTS_MAX / 2, /* each has a least and a greatest */
    REPORT_DAYS_MAX = 16384,                 /* days times stocks of one tank */
    REPORT_BOTTLES_MAX = 128,
    REPORT_STATES_MAX = 24,
    REPORT_STEPS_MAX = 128, /* of the histogram of spacings */
    REPORT_PENDING_MAX = 256,
    REPORT_HASH_MAX = 4096,
    REPORT_ID_LONGEST = 64,
    REPORT_WORD_MAX = 32,
    REPORT_UNDATED = -1, /* a day that isn't known */
};

/* How the files begin, by which they are known again. */
#define REPORT_HTML_START "<!doctype html>\n<!-- a dosewright report -->\n"
#define REPORT_JSON_START "{\"dosewright_report\":1,"
#define REPORT_CSV_START "time,until,tank,kind,name,value,unit,low,high,text"

/* A number that isn't known; isnan tells. */
#define REPORT_UNKNOWN ((double)NAN)

/* Outside of it the clock can't have been right: 2000-01-01T00:00:00Z to 9999-12-31T00:00:00Z. */
#define REPORT_DATED_MS INT64_C(946684800000)
#define REPORT_DATED_TO_MS INT64_C(253402214400000)
static inline bool report_is_dated(int64_t at_ms)
{
    return at_ms >= REPORT_DATED_MS && at_ms < REPORT_DATED_TO_MS;
}

/* --- lines (report_line.c) -------------------------------------------------------------------- */

/* Some time's readings. The times are those of the first, the last, the least, the greatest. */
struct report_bin {
    int64_t first_ms, last_ms, low_ms, high_ms;
    double low, high;
};

/* A line's bins, in the order of time; each is all that falls into one 2^shift milliseconds. */
struct report_line {
    struct report_bin *bin;
    uint32_t count, room;
    unsigned shift;
    int64_t readings;
    double low, high, last; /* of all, when there are any */
    int64_t last_ms;
};

/* Takes a reading. False: no memory. */
bool report_line_add(struct report_line *line, int64_t at_ms, double value);

/* A setpoint and its band: what held from first_ms to last_ms, which is when it was last seen. */
struct report_span {
    int64_t first_ms, last_ms;
    double low, high, set; /* of what was merged: the least, the greatest, the last */
};

struct report_band {
    struct report_span *span;
    uint32_t count, room;
    unsigned shift;
};

/* Takes what holds at an instant; the same again is the same span, if it comes within joins_ms. */
bool report_band_add(struct report_band *band, int64_t joins_ms, const struct report_span *one);

/* --- doses and alerts (report_mark.c) --------------------------------------------------------- */

enum report_purpose { REPORT_OTHER, REPORT_FEED, REPORT_ACID, REPORT_BASE, REPORT_PURPOSES };

/* One dose, or several of a stock that are close together. */
struct report_mark {
    int64_t from_ms, to_ms;
    int64_t ul;       /* that counted */
    int64_t asked_ul; /* that was granted */
    uint32_t doses;   /* how many it stands for */
    uint32_t failed;  /* of them: nothing moved */
    uint32_t unsure;  /* of them: counted in full because nobody knows */
    uint8_t stock;
    bool by_hand; /* at the module's switch */
    bool has_ec, has_ph;
    double ec_us_cm, ph; /* where the water was seen, of the last */
};

struct report_stock {
    char key[REPORT_KEY_LONGEST];
    enum report_purpose purpose;
    int64_t ul, hand_ul;
    int64_t doses, failed;
};

struct report_day {
    int64_t day; /* since 1970-01-01, or REPORT_UNDATED */
    int64_t ul;
    int32_t doses;
    uint8_t stock;
};

struct report_alert {
    char id[REPORT_ID_LONGEST];
    char text[REPORT_TEXT_MAX];
    int64_t from_ms, to_ms;
    bool stands;    /* not over when the records end */
    uint32_t times; /* how many episodes it stands for */
};

struct report_alerts {
    struct report_alert *item;
    uint32_t count, room;
    int64_t more; /* that found no room */
};

struct report_tank {
    char key[REPORT_KEY_LONGEST];
    char name[REPORT_TEXT_MAX];
    struct report_line line[REPORT_CHANNELS], truth[REPORT_CHANNELS];
    struct report_band band[REPORT_CHANNELS];                  /* none for the temperature */
    int64_t in_band[REPORT_CHANNELS], banded[REPORT_CHANNELS]; /* readings that had a band */
    int64_t water_ms;                   /* of the last water record; 0: none */
    uint32_t spacing[REPORT_STEPS_MAX]; /* how many water records came so long after another */
    int64_t gap_ms;                     /* longer than this is a gap; by report_finish */
    struct {
        char word[REPORT_WORD_MAX];
        int64_t count;
    } state[REPORT_STATES_MAX];
    uint32_t states;
    struct report_mark *mark;
    uint32_t marks, marks_room;
    unsigned mark_shift; /* 0: each dose has its own */
    struct report_stock stock[REPORT_STOCKS_MAX];
    uint32_t stocks;
    struct report_day *day;
    uint32_t days, days_room;
    struct report_alerts alerts;
};

/* A dose, and whether it counts; false when there is no memory. Its mark and all sums. */
struct report_dose {
    int64_t at_ms;
    uint8_t stock;
    int64_t ul;
    bool by_hand;
    bool has_ec, has_ph;
    double ec_us_cm, ph;
};
bool report_dose_add(struct report_tank *tank, const struct report_dose *dose);

/* What became of a dose that was added. */
struct report_end {
    int64_t at_ms; /* of the dose */
    uint8_t stock;
    int64_t asked_ul, ul;
    bool unsure;
};
void report_dose_end(struct report_tank *tank, const struct report_end *end);

/* Its place in tank->stock; -1 when there are too many. */
int report_stock_of(struct report_tank *tank, const char *key);

/* An alert comes (nothing changes if it stands already; false: no memory), or is over. */
bool report_alert_on(struct report_alerts *alerts, const char *id, const char *text, int64_t at_ms);
void report_alert_off(struct report_alerts *alerts, const char *id, int64_t at_ms);
/* All that stand are over; what was over before an instant is forgotten. */
void report_alert_restart(struct report_alerts *alerts, int64_t at_ms);
void report_alert_forget(struct report_alerts *alerts, int64_t before_ms);

/* --- the whole -------------------------------------------------------------------------------- */

struct report_bottle {
    char key[REPORT_KEY_LONGEST];
    int64_t used_ul; /* by all tanks, in the time of the report */
    int64_t left_ul; /* at its end */
    bool has_left;
    uint32_t refills;
};

/* A dose whose outcome isn't known yet. */
struct report_pending {
    char id[REPORT_ID_LONGEST];
    struct report_tank *tank; /* NULL: of one that isn't in the report, or before its time */
    int32_t bottle;           /* -1: none */
    bool counts;              /* in its time */
    struct report_end end;
};

struct report_section {
    char id[REPORT_KEY_LONGEST], heading[REPORT_TEXT_MAX];
    struct report_tank *tank; /* NULL: the whole report's */
    bool hidden;              /* of a tank that isn't in the report */
    uint32_t columns;
    bool headed;
    char column[REPORT_COLUMNS_MAX][REPORT_TEXT_MAX];
    char **cell; /* rows times columns, each its own */
    uint32_t rows, room;
};

struct report {
    char title[REPORT_TEXT_MAX], subtitle[REPORT_TEXT_MAX], truth_name[REPORT_TEXT_MAX];
    char only[REPORT_KEY_LONGEST]; /* "": all tanks */
    bool has_from, has_to;
    int64_t from_ms, to_ms;
    enum err failed;
    const char *failed_why;

    struct report_tank **tank;
    uint32_t tanks, tanks_room;
    uint16_t hash[REPORT_HASH_MAX]; /* index + 1; 0: free */
    struct report_alerts alerts;    /* of the site */
    struct report_bottle bottle[REPORT_BOTTLES_MAX];
    uint32_t bottles;
    struct report_pending *pending; /* a ring */
    uint32_t pending_next;
    char *note[REPORT_NOTES_MAX];
    uint32_t notes;
    struct report_section *section[REPORT_SECTIONS_MAX];
    uint32_t sections;
    bool any;
    int64_t first_ms, last_ms; /* of what was taken in its time; what the charts span */
    int64_t records, undated, unclaimed;
    int64_t back; /* how often time ran back by more than a minute */
    int64_t newest_ms;
};

/* Remembers what went wrong first. */
void report_fail(struct report *r, enum err err, const char *why);

/* The tank of this key, made if it is new; NULL when the report isn't of it, or has failed. */
struct report_tank *report_tank_of(struct report *r, const char *key);

/* Items with room for one more: these, or a longer copy of them in their stead. NULL, and these
 * stay as they are, when there is no memory or 'most' are there. */
void *report_grow(void *items, uint32_t count, uint32_t *room, size_t size, uint32_t most);

/* A copy without what doesn't belong in a line: control characters and line separators become
 * blanks; bytes that aren't UTF-8, characters that turn the direction of text, and U+FFFE and
 * U+FFFF become '?'. Cut between characters. */
void report_clean(char *to, size_t size, const char *from);

/* --- for all that write (report_write.c) ------------------------------------------------------ */

/* What a channel is called, its unit, what its values are divided by and the places shown. */
struct report_show {
    const char *word, *name, *unit;
    double scale;
    unsigned decimals;
};
const struct report_show *report_channel_show(enum report_channel channel);
const char *report_purpose_word(enum report_purpose purpose); /* "other", "feed", "acid", "base" */

/* A number with so many places. */
void report_put_real(FILE *out, double value, unsigned decimals);
/* Millilitres for people ("3.25", "120.4", "1250"), and exactly ("3.250"). */
void report_add_ml(struct text *t, int64_t ul);
void report_put_ml(FILE *out, int64_t ul);
void report_put_ml_exact(FILE *out, int64_t ul);
/* 2031-04-02T05:06:07.089Z */
void report_put_time(FILE *out, int64_t at_ms);

enum report_moment { REPORT_MINUTE, REPORT_DATE, REPORT_CLOCK, REPORT_SHORT_DATE };
/* For people, UTC: "2031-04-02 05:06", "2031-04-02", "05:06", "2 Apr". */
void report_moment(char ret[32], int64_t at_ms, enum report_moment form);
void report_day_text(char ret[32], int64_t day); /* "2031-04-02" or "undated" */

/* Ticks of an axis of time: all k * step + offset within. */
struct report_ticks {
    int64_t step_ms, first_ms;
    enum report_moment form;
};
struct report_ticks report_time_ticks(int64_t from_ms, int64_t to_ms, int most);
/* What is written at one of them. */
void report_tick_text(char ret[32], const struct report_ticks *ticks, int64_t at_ms);

/* A scale of values: from low to high, with marks at first, first + step, ... */
struct report_scale {
    double low, high, first, step;
    unsigned decimals;
};
/* Of a channel of a tank, in the unit shown: its readings, its second line and its band. False when
 * there is nothing to draw. */
bool report_scale_of(
    struct report_scale *ret, const struct report_tank *tank, enum report_channel channel);

/* May 'b' be joined to what ended at 'a'? */
bool report_joins(const struct report_tank *tank, int64_t a_ms, int64_t b_ms);
/* How many gaps a line has. */
uint32_t report_gaps(const struct report_tank *tank, const struct report_line *line);

/* The share of its readings within its band, in per cent; REPORT_UNKNOWN when it had none. */
double report_in_band(const struct report_tank *tank, enum report_channel channel);

/* Is this bottle one of the tanks' in the report? And would the caller's own section show it? */
bool report_shows_bottle(const struct report *r, const struct report_bottle *bottle);
bool report_shows_bottles(const struct report *r);
/* Days until it is empty at the rate of the report's time; REPORT_UNKNOWN when nobody can say. */
double report_days_left(const struct report *r, const struct report_bottle *bottle);

/* The forms. 'terminal' NULL: 80 columns of ASCII. */
void report_write_text(const struct report *r, FILE *out, const struct report_terminal *terminal);
void report_write_json(const struct report *r, FILE *out);
void report_write_csv(const struct report *r, FILE *out);
void report_write_html(const struct report *r, FILE *out);

#endif
