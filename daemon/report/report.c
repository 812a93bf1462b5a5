#include "daemon/report/report.h"

#include <stdlib.h>
#include <string.h>

#include "daemon/report/report_inside.h"
#include "lib/journal/utf8.h"

/* --- texts ------------------------------------------------------------------------------------ */

static uint32_t code_of(const unsigned char *s, size_t step)
{
    switch (step) {
    case 2:
        return (s[0] & 0x1fU) << 6 | (s[1] & 0x3fU);
    case 3:
        return (s[0] & 0x0fU) << 12 | (s[1] & 0x3fU) << 6 | (s[2] & 0x3fU);
    case 4:
        return (s[0] & 0x07U) << 18 | (s[1] & 0x3fU) << 12 | (s[2] & 0x3fU) << 6 | (s[3] & 0x3fU);
    default:
        return s[0];
    }
}

static bool is_blank(uint32_t code)
{
    return code < 0x20 || (code >= 0x7f && code < 0xa0) || code == 0x2028 || code == 0x2029;
}

static bool is_unwanted(uint32_t code)
{
    const bool turns = code == 0x061c || (code >= 0x200b && code <= 0x200f) ||
                       (code >= 0x202a && code <= 0x202e) || (code >= 0x2060 && code <= 0x206f);
    return turns || code == 0xfeff || (code & 0xfffe) == 0xfffe;
}

void report_clean(char *to, size_t size, const char *from)
{
    size_t used = 0;
    while (*from && used + 1 < size) {
        const size_t step = utf8_step(from, strlen(from));
        const uint32_t code = step > 0 ? code_of((const unsigned char *)from, step) : 0xfeff;
        if (is_blank(code) || is_unwanted(code)) {
            to[used++] = is_blank(code) ? ' ' : '?';
        } else {
            if (used + step + 1 > size) break;
            memcpy(to + used, from, step);
            used += step;
        }
        from += step > 0 ? step : 1;
    }
    to[used] = '\0';
}

static char *clean_copy(const char *from)
{
    char clean[REPORT_TEXT_MAX];
    report_clean(clean, sizeof clean, from);
    const size_t size = strlen(clean) + 1;
    char *copy = malloc(size);
    if (copy) memcpy(copy, clean, size);
    return copy;
}

/* --- room ------------------------------------------------------------------------------------- */

void report_fail(struct report *r, enum err err, const char *why)
{
    if (r->failed != ERR_NONE) return;
    r->failed = err;
    r->failed_why = why;
}

void *report_grow(void *items, uint32_t count, uint32_t *room, size_t size, uint32_t most)
{
    static const uint32_t first = 16;
    if (count < *room) return items;
    if (count >= most) return NULL;
    uint32_t wanted = *room ? *room * 2 : first;
    if (wanted > most) wanted = most;
    void *grown = realloc(items, wanted * size);
    if (grown) *room = wanted;
    return grown;
}

/* --- from empty to gone ----------------------------------------------------------------------- */

static void take_text(char *to, size_t size, const char *from, const char *otherwise)
{
    report_clean(to, size, from ? from : otherwise);
}

struct report *report_new(const struct report_want *want)
{
    struct report *r = calloc(1, sizeof *r);
    if (!r) return NULL;
    r->pending = calloc(REPORT_PENDING_MAX, sizeof *r->pending);
    if (!r->pending) {
        free(r);
        return NULL;
    }
    take_text(r->title, sizeof r->title, want->title, "Report");
    take_text(r->subtitle, sizeof r->subtitle, want->subtitle, "");
    take_text(r->truth_name, sizeof r->truth_name, want->truth, "true");
    take_text(r->only, sizeof r->only, want->tank, "");
    r->has_from = want->has_from;
    r->has_to = want->has_to;
    r->from_ms = want->from.ms;
    r->to_ms = want->to.ms;
    return r;
}

static void free_tank(struct report_tank *t)
{
    for (int c = 0; c < REPORT_CHANNELS; c++) {
        free(t->line[c].bin);
        free(t->truth[c].bin);
        free(t->band[c].span);
    }
    free(t->mark);
    free(t->day);
    free(t->alerts.item);
    free(t);
}

static void free_section(struct report_section *s)
{
    for (uint32_t i = 0; i < s->rows * s->columns; i++) {
        free(s->cell[i]);
    }
    free((void *)s->cell);
    free(s);
}

void report_free(struct report *r)
{
    if (!r) return;
    for (uint32_t i = 0; i < r->tanks; i++) {
        free_tank(r->tank[i]);
    }
    for (uint32_t i = 0; i < r->sections; i++) {
        free_section(r->section[i]);
    }
    for (uint32_t i = 0; i < r->notes; i++) {
        free(r->note[i]);
    }
    free((void *)r->tank);
    free(r->alerts.item);
    free(r->pending);
    free(r);
}

/* --- tanks ------------------------------------------------------------------------------------ */

/* FNV-1a, 32 bits (G. Fowler, L. C. Noll, P. Vo; constants from memory): a place, not a secret. */
static uint32_t hash_of(const char *key)
{
    uint32_t h = UINT32_C(2166136261);
    for (; *key; key++) {
        h = (h ^ (unsigned char)*key) * UINT32_C(16777619);
    }
    return h % REPORT_HASH_MAX;
}

static struct report_tank *new_tank(struct report *r, const char *key, uint32_t at)
{
    if (r->tanks >= REPORT_TANKS_MAX) {
        report_fail(r, ERR_FULL, "more tanks than one report shows (1024): ask for one of them");
        return NULL;
    }
    struct report_tank *t = calloc(1, sizeof *t);
    struct report_tank **grown =
        t ? report_grow(r->tank, r->tanks, &r->tanks_room, sizeof(void *), REPORT_TANKS_MAX) : NULL;
    if (!grown) {
        free(t);
        report_fail(r, ERR_FULL, "there is no memory left");
        return NULL;
    }
    r->tank = grown;
    text_copy(t->key, sizeof t->key, key);
    r->tank[r->tanks] = t;
    r->hash[at] = (uint16_t)++r->tanks;
    return t;
}

struct report_tank *report_tank_of(struct report *r, const char *key)
{
    char clean[REPORT_KEY_LONGEST];
    if (r->failed != ERR_NONE || !key[0]) return NULL;
    report_clean(clean, sizeof clean, key);
    if (r->only[0] && !text_same(r->only, clean)) return NULL;
    uint32_t at = hash_of(clean);
    for (; r->hash[at]; at = (at + 1) % REPORT_HASH_MAX) {
        struct report_tank *t = r->tank[r->hash[at] - 1];
        if (text_same(t->key, clean)) return t;
    }
    return new_tank(r, clean, at);
}

void report_name_tank(struct report *r, const char *tank, const char *name)
{
    struct report_tank *t = report_tank_of(r, tank);
    if (t) report_clean(t->name, sizeof t->name, name);
}

/* --- what the caller adds --------------------------------------------------------------------- */

void report_note(struct report *r, const char *text)
{
    if (r->failed != ERR_NONE || r->notes >= REPORT_NOTES_MAX) return;
    r->note[r->notes] = clean_copy(text);
    if (r->note[r->notes])
        r->notes++;
    else
        report_fail(r, ERR_FULL, "there is no memory left");
}

int report_section(struct report *r, const struct report_table *table)
{
    if (r->failed != ERR_NONE || r->sections >= REPORT_SECTIONS_MAX) return -1;
    struct report_section *s = calloc(1, sizeof *s);
    if (!s) {
        report_fail(r, ERR_FULL, "there is no memory left");
        return -1;
    }
    s->tank = table->tank ? report_tank_of(r, table->tank) : NULL;
    s->hidden = table->tank && !s->tank;
    report_clean(s->id, sizeof s->id, table->id ? table->id : "section");
    report_clean(s->heading, sizeof s->heading, table->heading ? table->heading : s->id);
    s->headed = table->column != NULL && table->columns > 0;
    s->columns = s->headed ? table->columns : 2;
    if (s->columns > REPORT_COLUMNS_MAX) s->columns = REPORT_COLUMNS_MAX;
    for (uint32_t i = 0; s->headed && i < s->columns; i++) {
        report_clean(s->column[i], sizeof s->column[i], table->column[i] ? table->column[i] : "");
    }
    r->section[r->sections] = s;
    return (int)r->sections++;
}

void report_row(struct report *r, int section, const char *const *cells)
{
    if (r->failed != ERR_NONE || section < 0 || (uint32_t)section >= r->sections) return;
    struct report_section *s = r->section[section];
    if (s->rows >= REPORT_ROWS_MAX) return;
    if (s->rows == s->room) {
        const uint32_t wanted = s->room ? s->room * 2 : 8;
        char **grown = realloc((void *)s->cell, wanted * s->columns * sizeof *grown);
        if (!grown) {
            report_fail(r, ERR_FULL, "there is no memory left");
            return;
        }
        s->cell = grown;
        s->room = wanted;
    }
    char **row = s->cell + (size_t)s->rows * s->columns;
    bool whole = true;
    for (uint32_t i = 0; i < s->columns; i++) {
        row[i] = clean_copy(cells[i] ? cells[i] : "");
        if (!row[i]) whole = false;
    }
    s->rows++; /* what is NULL in it is freed as such, and never written: the report has failed */
    if (!whole) report_fail(r, ERR_FULL, "there is no memory left");
}

void report_pair(struct report *r, int section, const char *name, const char *value)
{
    const char *const cells[REPORT_COLUMNS_MAX] = { name, value };
    report_row(r, section, cells);
}

void report_truth(
    struct report *r, const char *tank, enum report_channel channel, struct civil at, double value)
{
    static const double most = 1e6;
    struct report_tank *t = report_tank_of(r, tank);
    if (!t || !report_is_dated(at.ms) || !(value >= -most && value <= most)) return;
    if ((r->has_from && at.ms < r->from_ms) || (r->has_to && at.ms >= r->to_ms)) return;
    if (!report_line_add(&t->truth[channel], at.ms, value))
        report_fail(r, ERR_FULL, "there is no memory left");
}
