/* A status with one line for each tank: for sites with many of them, and for small windows. Words
 * stand beside the values, so that nothing rests on colour; columns that find no room are left out,
 * the least needed first. */
#include <stdlib.h>
#include <string.h>

#include "daemon/tool/tool_lines.h"
#include "daemon/tool/tool_show.h"

enum {
    KEY_LEAST = 8,
    KEY_MOST = 16,
    MARK = 2, /* columns before a tank's key, and after it */
    GAP = 2,
    STATES_MAX = 20,
    ALERTS_SHOWN = 6,
};

struct row {
    const cJSON *tank, *answer;
    const char *time;
};

/* --- cells ------------------------------------------------------------------------------------ */

/* "ok", "low", "high"; "old" and so on for a value that isn't to be trusted. */
static const char *word_of(const cJSON *reading)
{
    const char *quality = show_string(reading, "quality");
    if (strcmp(quality, "stale") == 0) return " old";
    if (strcmp(quality, "suspect") == 0) return " odd";
    if (strcmp(quality, "good") != 0) return " bad";
    switch (line_stand(reading)) {
    case STAND_LOW:
        return " low";
    case STAND_HIGH:
        return " high";
    case STAND_IN_BAND:
        return " ok";
    case STAND_UNKNOWN:
        break;
    }
    return "";
}

static void add_value(struct text *t, const cJSON *reading, unsigned decimals, const char *word)
{
    const double value = show_number(reading, "value");
    if (!line_is_known(value)) {
        text_add(t, "none");
        return;
    }
    text_add_real(t, value, decimals);
    text_add(t, word);
}

static void add_state(struct text *t, const struct row *row)
{
    text_add(t, show_string(row->tank, "state"));
}

static void add_ec(struct text *t, const struct row *row)
{
    const cJSON *reading = show_member(row->tank, "ec");
    add_value(t, reading, 2, word_of(reading));
}

static void add_ph(struct text *t, const struct row *row)
{
    const cJSON *reading = show_member(row->tank, "ph");
    add_value(t, reading, 2, word_of(reading));
}

static void add_degc(struct text *t, const struct row *row)
{
    const cJSON *reading = show_member(row->tank, "temperature");
    const double value = show_number(reading, "value");
    const char *word = word_of(reading);
    if (word[0] == '\0' && value < show_number(reading, "least")) word = " cold";
    if (word[0] == '\0' && value > show_number(reading, "most")) word = " hot";
    add_value(t, reading, 1, word[0] ? word : " ok");
}

static void add_last(struct text *t, const struct row *row)
{
    const cJSON *last = show_member(row->tank, "last");
    if (!cJSON_IsObject(last) || !line_add_since(t, show_string(last, "at"), row->time))
        text_add(t, "-");
}

static bool has_locked_pump(const cJSON *tank)
{
    const cJSON *pump;
    cJSON_ArrayForEach(pump, show_member(tank, "pumps"))
    {
        if (show_true(pump, "locked")) return true;
    }
    return false;
}

static void add_note(struct text *t, const struct row *row)
{
    const struct {
        bool holds;
        const char *words;
    } notes[] = { { show_true(row->tank, "service"), "SERVICE" },
        { show_true(row->tank, "bench"), "BENCH" }, { show_true(row->tank, "paused"), "PAUSED" },
        { has_locked_pump(row->tank), "STOPPED" }, { !show_true(row->tank, "planted"), "no crop" },
        { show_true(row->tank, "override"), "override" } };
    for (size_t i = 0; i < sizeof notes / sizeof *notes; i++) {
        if (!notes[i].holds) continue;
        text_add(t, t->length > 0 ? ", " : "");
        text_add(t, notes[i].words);
    }
}

/* --- the table -------------------------------------------------------------------------------- */

struct column {
    const char *head;
    int wide;
    void (*add)(struct text *t, const struct row *row);
};

enum { STATE, EC, PH, DEGC, LAST, NOTE, COLUMNS };

static const struct column columns[COLUMNS] = { { "state", 12, add_state }, { "EC", 10, add_ec },
    { "pH", 10, add_ph }, { "degC", 10, add_degc }, { "dosed ago", 10, add_last },
    { "", 8, add_note } };

/* What finds room in the window. */
struct layout {
    int key_wide;
    bool shown[COLUMNS];
};

static int key_width(const cJSON *tanks)
{
    int widest = KEY_LEAST;
    const cJSON *tank;
    cJSON_ArrayForEach(tank, tanks)
    {
        const int wide = (int)strlen(show_string(tank, "key"));
        if (wide > widest) widest = wide;
    }
    return widest < KEY_MOST ? widest : KEY_MOST;
}

/* The columns that are needed most come first; the key shrinks for EC and pH. */
static struct layout lay_out(const cJSON *tanks)
{
    static const int wanted[COLUMNS] = { EC, PH, STATE, NOTE, DEGC, LAST };
    struct layout l = { .key_wide = key_width(tanks) };
    const int values = columns[EC].wide + columns[PH].wide;
    const int most = show_columns() - MARK - GAP - values;
    if (l.key_wide > most) l.key_wide = most;
    int room = show_columns() - MARK - l.key_wide - GAP;
    for (int i = 0; i < COLUMNS; i++) {
        if (columns[wanted[i]].wide > room) continue;
        l.shown[wanted[i]] = true;
        room -= columns[wanted[i]].wide;
    }
    return l;
}

/* Words and blanks to 'wide'; longer ones are cut, so that columns stay under each other. */
static void put_cell(FILE *out, const char *words, int wide)
{
    const int length = (int)strlen(words);
    const int shown = wide > 0 && length >= wide ? wide - 1 : length;
    show_safely(out, words, (size_t)shown);
    for (int i = shown; i < wide; i++) {
        fputc(' ', out);
    }
}

static bool has_alert(const struct row *row)
{
    const cJSON *alert;
    const char *key = show_string(row->tank, "key");
    cJSON_ArrayForEach(alert, show_member(row->answer, "alerts"))
    {
        if (key[0] && strcmp(show_string(alert, "tank"), key) == 0) return true;
    }
    return false;
}

/* A row of heads when 'row' is NULL; no blanks at its end. */
static void put_row(FILE *out, const struct row *row, const struct layout *l)
{
    struct line line;
    char *bytes = NULL;
    size_t size = 0;
    FILE *cells = open_memstream(&bytes, &size);
    if (!cells) return;
    fputs(row && has_alert(row) ? "! " : "  ", cells);
    put_cell(cells, row ? show_string(row->tank, "key") : "tank", l->key_wide + GAP);
    for (int i = 0; i < COLUMNS; i++) {
        struct text *t = line_begin(&line);
        if (!l->shown[i]) continue;
        if (row)
            columns[i].add(t, row);
        else
            text_add(t, columns[i].head);
        put_cell(cells, line.bytes, i == NOTE ? 0 : columns[i].wide);
    }
    if (fclose(cells) == 0 && bytes) {
        if (size > (size_t)show_columns()) size = (size_t)show_columns(); /* a long note */
        while (size > 0 && bytes[size - 1] == ' ') {
            size--;
        }
        fprintf(out, "%.*s\n", (int)size, bytes);
    }
    free(bytes);
}

/* --- above it --------------------------------------------------------------------------------- */

struct states {
    const char *word[STATES_MAX];
    int tanks[STATES_MAX];
    size_t count;
};

static void count_state(struct states *s, const char *word)
{
    for (size_t i = 0; i < s->count; i++) {
        if (strcmp(s->word[i], word) != 0) continue;
        s->tanks[i]++;
        return;
    }
    if (s->count == STATES_MAX) return;
    s->word[s->count] = word;
    s->tanks[s->count++] = 1;
}

/* "30 tanks: 27 holding, 2 mixing, 1 locked" */
static void add_states(struct text *t, const cJSON *tanks)
{
    struct states s = { .count = 0 };
    const cJSON *tank;
    cJSON_ArrayForEach(tank, tanks)
    {
        count_state(&s, show_string(tank, "state"));
    }
    text_add_int(t, cJSON_GetArraySize(tanks));
    text_add(t, cJSON_GetArraySize(tanks) == 1 ? " tank" : " tanks");
    for (size_t i = 0; i < s.count; i++) {
        text_add(t, i == 0 ? ": " : ", ");
        text_add_int(t, s.tanks[i]);
        text_add_char(t, ' ');
        text_add(t, s.word[i]);
    }
    text_add(t, ".");
}

static void add_chains(struct text *t, const cJSON *chains)
{
    const cJSON *chain;
    int wrong = 0;
    cJSON_ArrayForEach(chain, chains)
    {
        const char *why = show_string(chain, "why");
        if (why[0] == '\0') continue;
        text_add(t, wrong++ == 0 ? " CHAINS NOT READY: " : "; ");
        text_add(t, why); /* it names the chain */
    }
    if (wrong > 0)
        text_add(t, ".");
    else if (cJSON_GetArraySize(chains) > 0)
        text_add(t, " Chains ready.");
}

static void add_low_bottles(struct text *t, const cJSON *stocks)
{
    const cJSON *stock;
    int low = 0;
    cJSON_ArrayForEach(stock, stocks)
    {
        if (!show_true(stock, "low")) continue;
        text_add(t, low++ == 0 ? " BOTTLES LOW: " : ", ");
        text_add(t, show_string(stock, "key"));
    }
    if (low > 0) text_add(t, ".");
}

static void show_summary(FILE *out, const cJSON *answer)
{
    struct line line;
    struct text *t = line_begin(&line);
    add_states(t, show_member(answer, "tanks"));
    add_chains(t, show_member(answer, "chains"));
    add_low_bottles(t, show_member(answer, "stocks"));
    if (!show_true(show_member(answer, "broker"), "up")) text_add(t, " BROKER DOWN.");
    if (!show_true(show_member(answer, "journal"), "ok")) text_add(t, " JOURNAL CAN'T BE WRITTEN.");
    show_folded(out, 0, "", line.bytes);
}

static void show_alerts(FILE *out, const cJSON *answer)
{
    const cJSON *alerts = show_member(answer, "alerts"), *alert;
    int shown = 0;
    cJSON_ArrayForEach(alert, alerts)
    {
        struct line line;
        struct text *t = line_begin(&line);
        if (shown++ == ALERTS_SHOWN) break;
        text_add(t, show_string(alert, "id"));
        text_add(t, ": ");
        text_add(t, show_string(alert, "text"));
        show_folded(out, 4, "  !", line.bytes);
    }
    const int more = cJSON_GetArraySize(alerts) - ALERTS_SHOWN;
    if (more > 0) fprintf(out, "  ! and %d more alerts\n", more);
    fputc('\n', out);
}

void show_brief(FILE *out, const cJSON *answer)
{
    const cJSON *tanks = show_member(answer, "tanks"), *tank;
    const struct layout l = lay_out(tanks);
    show_heading(out, answer);
    show_summary(out, answer);
    show_alerts(out, answer);
    put_row(out, NULL, &l);
    cJSON_ArrayForEach(tank, tanks)
    {
        const struct row row = { tank, answer, show_string(answer, "time") };
        put_row(out, &row, &l);
    }
}
