#include "daemon/config/schema_value.h"

#include <string.h>

#include "lib/base/calendar.h"
#include "lib/base/decimal.h"
#include "lib/chain/message.h"

#define CREDENTIALS "${CREDENTIALS_DIRECTORY}/"

enum { ALLOWED_BYTES = 160, TIME_BYTES = 5 };

/* --- what is allowed, in words ---------------------------------------------------------------- */

/* As short as it can be: "100000", "0.05". */
static void add_number(struct text *t, double value)
{
    char digits[40];
    struct text number = text_over(digits, sizeof digits);
    text_add_real(&number, value, 4);
    size_t length = number.length;
    while (length > 0 && digits[length - 1] == '0') {
        length--;
    }
    if (length > 0 && digits[length - 1] == '.') length--;
    text_add_bytes(t, digits, length);
}

static void add_range(struct text *t, const struct schema_row *row)
{
    add_number(t, row->least);
    text_add(t, " to ");
    add_number(t, row->most);
    if (row->unit) {
        text_add_char(t, ' ');
        text_add(t, row->unit);
    }
}

static void add_words(struct text *t, const struct schema_row *row)
{
    for (uint32_t i = 0; row->words[i]; i++) {
        if (i > 0) text_add(t, ", ");
        text_add(t, row->words[i]);
    }
}

static const char *fixed_words(enum schema_kind kind)
{
    switch (kind) {
    case SCHEMA_KEY:
        return "1 to 32 of a to z, 0 to 9 and -";
    case SCHEMA_TOPIC:
        return "an MQTT topic without + and #";
    case SCHEMA_POINTER:
        return "a JSON Pointer such as /water/ph (RFC 6901)";
    case SCHEMA_TEMPLATE:
        return "a text in quotes, of at most 256 bytes, with ${seconds}, ${ms} or ${ml} at most "
               "once";
    case SCHEMA_PATH:
        return "a file's path";
    case SCHEMA_SECRET:
        return "a file's path, or \"${CREDENTIALS_DIRECTORY}/name\"";
    case SCHEMA_BOOL:
        return "true or false";
    case SCHEMA_DATE:
        return "a date such as 2031-03-05";
    case SCHEMA_TIME:
        return "a time of day such as \"06:30\"";
    case SCHEMA_TABLE:
    case SCHEMA_EACH:
        return "a mapping (key: value)";
    case SCHEMA_ITEMS:
    case SCHEMA_LIST:
        return "a list";
    case SCHEMA_OTHER:
        return "see below";
    case SCHEMA_LATER:
        return "nothing yet";
    case SCHEMA_TEXT:
    case SCHEMA_REAL:
    case SCHEMA_WHOLE:
    case SCHEMA_WORD:
    case SCHEMA_PAIR:
    case SCHEMA_RAMP:
        break;
    }
    return NULL;
}

void schema_add_allowed(struct text *t, const struct schema_row *row)
{
    const char *fixed = fixed_words(row->kind);
    if (row->words) {
        add_words(t, row);
    } else if (fixed) {
        text_add(t, fixed);
    } else if (row->kind == SCHEMA_TEXT) {
        text_add(t, "a text of ");
        add_number(t, row->least);
        text_add(t, " to ");
        add_number(t, row->most);
        text_add(t, " bytes");
    } else {
        if (row->kind == SCHEMA_WHOLE && row->scale <= 1.0) text_add(t, "a whole number, ");
        if (row->kind == SCHEMA_PAIR) text_add(t, "two rising numbers [least, most], each ");
        if (row->kind == SCHEMA_RAMP) text_add(t, "a number, or [from, to], each ");
        add_range(t, row);
    }
}

static bool refuse(struct schema_reader *r, const struct schema_row *row,
    const struct tree_node *node, enum err err)
{
    char allowed[ALLOWED_BYTES];
    struct text t = text_over(allowed, sizeof allowed);
    schema_add_allowed(&t, row);
    schema_error(r, node, err, "found %s; allowed: %s", schema_found(node).text, allowed);
    return false;
}

/* --- texts ------------------------------------------------------------------------------------ */

static bool topic_valid(const char *s)
{
    return s[0] != '\0' && s[0] != '$' && s[0] != '/' && !strpbrk(s, "+#");
}

static bool pointer_valid(const char *s)
{
    if (s[0] != '\0' && s[0] != '/') return false;
    for (; *s; s++) {
        if (*s == '~' && s[1] != '0' && s[1] != '1') return false;
    }
    return true;
}

static bool text_valid(const struct schema_row *row, const struct tree_node *node)
{
    if (row->kind == SCHEMA_KEY) return chain_key_valid(node->text);
    if (row->kind == SCHEMA_TOPIC) return topic_valid(node->text);
    if (row->kind == SCHEMA_POINTER) return pointer_valid(node->text);
    if (row->kind == SCHEMA_TEXT || row->kind == SCHEMA_TEMPLATE)
        return (double)node->length >= row->least && (double)node->length <= row->most;
    return node->length > 0;
}

static bool store_text(
    struct schema_reader *r, const struct tree_node *node, const char *text, void *at)
{
    const char *copy = arena_copy(r->arena, text, strlen(text));
    if (!copy) {
        schema_error(r, node, ERR_FULL, "no memory left");
        return false;
    }
    memcpy(at, &copy, sizeof copy);
    return true;
}

static bool read_secret(struct schema_reader *r, const struct tree_node *node, void *at)
{
    const char *name = node->text + strlen(CREDENTIALS);
    char path[2 * TREE_SCALAR_MAX];
    struct text t = text_over(path, sizeof path);
    if (!r->credentials && !r->forgive_credentials) {
        schema_error(r, node, ERR_MISSING,
            "CREDENTIALS_DIRECTORY isn't set: the service manager sets it (LoadCredential=)");
        return false;
    }
    if (!r->credentials) {
        schema_warn(
            r, node, "CREDENTIALS_DIRECTORY isn't set here; 'run' refuses to start without it");
        return store_text(r, node, node->text, at);
    }
    text_add(&t, r->credentials);
    text_add_char(&t, '/');
    text_add(&t, name);
    if (t.cut || strstr(name, "${")) {
        schema_error(r, node, ERR_SYNTAX, "the path is too long, or names a second variable");
        return false;
    }
    return store_text(r, node, path, at);
}

static bool read_text(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    if (node->kind != TREE_SCALAR || !text_valid(row, node))
        return refuse(r, row, node, ERR_SYNTAX);
    if (row->kind == SCHEMA_SECRET && strncmp(node->text, CREDENTIALS, strlen(CREDENTIALS)) == 0)
        return read_secret(r, node, at);
    if (row->kind != SCHEMA_TEMPLATE && strstr(node->text, "${")) {
        schema_error(r, node, ERR_UNKNOWN,
            "found %s; only ${CREDENTIALS_DIRECTORY}/ expands, at the start of a file that holds "
            "a secret",
            schema_found(node).text);
        return false;
    }
    return store_text(r, node, node->text, at);
}

/* --- numbers ---------------------------------------------------------------------------------- */

static double scale_of(const struct schema_row *row)
{
    return row->scale > 0.0 ? row->scale : 1.0;
}

/* A plain decimal within the row's range. */
static bool read_decimal(struct schema_reader *r, const struct schema_row *row,
    const struct tree_node *node, struct decimal *ret)
{
    if (node->kind != TREE_SCALAR || node->quoted ||
        !decimal_read_plain(ret, node->text, node->length))
        return refuse(r, row, node, ERR_SYNTAX);
    const double value = decimal_real(*ret);
    if (value < row->least || value > row->most) return refuse(r, row, node, ERR_RANGE);
    return true;
}

static bool read_real(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    struct decimal d;
    if (!read_decimal(r, row, node, &d)) return false;
    const double value = decimal_real(d) * scale_of(row);
    memcpy(at, &value, sizeof value);
    return true;
}

static bool read_whole(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    struct decimal d;
    if (!read_decimal(r, row, node, &d)) return false;
    int64_t value;
    const bool fits = !__builtin_mul_overflow(d.scaled, (int64_t)scale_of(row), &d.scaled);
    if (!fits || !decimal_scaled(&value, d, 0)) {
        if (row->scale <= 1.0) return refuse(r, row, node, ERR_SYNTAX);
        schema_error(r, node, ERR_RANGE, "found %s; that has more decimals than are kept",
            schema_found(node).text);
        return false;
    }
    memcpy(at, &value, sizeof value);
    return true;
}

static bool read_two(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    double value[2];
    if (node->kind != TREE_LIST || node->count != 2) return refuse(r, row, node, ERR_SYNTAX);
    const bool first = read_real(r, row, node->first, &value[0]);
    if (!read_real(r, row, node->last, &value[1]) || !first) return false;
    memcpy(at, value, sizeof value);
    return true;
}

static bool read_pair(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    double value[2];
    if (!read_two(r, row, node, value)) return false;
    if (!(value[0] < value[1])) {
        schema_error(r, node, ERR_RANGE, "found [%s, %s]; the second must be above the first",
            node->first->text, node->last->text);
        return false;
    }
    memcpy(at, value, sizeof value);
    return true;
}

static bool read_ramp(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    if (node->kind == TREE_LIST) return read_two(r, row, node, at);
    double value[2];
    if (!read_real(r, row, node, &value[0])) return false;
    value[1] = value[0];
    memcpy(at, value, sizeof value);
    return true;
}

/* --- words, dates, times ---------------------------------------------------------------------- */

static bool read_bool(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    const bool scalar = node->kind == TREE_SCALAR && !node->quoted;
    const bool yes = scalar && strcmp(node->text, "true") == 0;
    if (!yes && !(scalar && strcmp(node->text, "false") == 0))
        return refuse(r, row, node, ERR_SYNTAX);
    memcpy(at, &yes, sizeof yes);
    return true;
}

static bool read_word(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    if (node->kind != TREE_SCALAR) return refuse(r, row, node, ERR_SYNTAX);
    for (uint32_t i = 0; row->words[i]; i++) {
        if (strcmp(row->words[i], node->text) != 0) continue;
        memcpy(at, &i, sizeof i);
        return true;
    }
    return refuse(r, row, node, ERR_UNKNOWN);
}

static bool read_date(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    struct civil date;
    if (node->kind != TREE_SCALAR || !calendar_read_date(&date, node->text))
        return refuse(r, row, node, ERR_SYNTAX);
    memcpy(at, &date, sizeof date);
    return true;
}

static int64_t two_digits(const char *s)
{
    if (s[0] < '0' || s[0] > '9' || s[1] < '0' || s[1] > '9') return -1;
    return (s[0] - '0') * 10 + (s[1] - '0');
}

static bool read_time(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *at)
{
    if (node->kind != TREE_SCALAR || node->length != TIME_BYTES || node->text[2] != ':')
        return refuse(r, row, node, ERR_SYNTAX);
    const int64_t hour = two_digits(node->text), minute = two_digits(node->text + 3);
    if (hour < 0 || hour > 23 || minute < 0 || minute > 59) return refuse(r, row, node, ERR_RANGE);
    const int64_t ms = hour * HOUR_MS + minute * MINUTE_MS;
    memcpy(at, &ms, sizeof ms);
    return true;
}

/* --- shapes that code reads ------------------------------------------------------------------- */

static bool read_shape(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node)
{
    if (row->kind == SCHEMA_LATER) {
        schema_error_at_key(r, node, ERR_UNKNOWN, "not supported yet: %s", row->about);
        return false;
    }
    if (row->kind == SCHEMA_OTHER) return true;
    const bool map = row->kind == SCHEMA_EACH || row->kind == SCHEMA_TABLE;
    if (node->kind == (map ? TREE_MAP : TREE_LIST)) return true;
    return refuse(r, row, node, ERR_SYNTAX);
}

bool schema_read_value(
    struct schema_reader *r, const struct schema_row *row, const struct tree_node *node, void *into)
{
    void *at = (char *)into + row->offset;
    switch (row->kind) {
    case SCHEMA_KEY:
    case SCHEMA_TEXT:
    case SCHEMA_TOPIC:
    case SCHEMA_POINTER:
    case SCHEMA_TEMPLATE:
    case SCHEMA_PATH:
    case SCHEMA_SECRET:
        return read_text(r, row, node, at);
    case SCHEMA_REAL:
        return read_real(r, row, node, at);
    case SCHEMA_WHOLE:
        return read_whole(r, row, node, at);
    case SCHEMA_BOOL:
        return read_bool(r, row, node, at);
    case SCHEMA_WORD:
        return read_word(r, row, node, at);
    case SCHEMA_DATE:
        return read_date(r, row, node, at);
    case SCHEMA_TIME:
        return read_time(r, row, node, at);
    case SCHEMA_PAIR:
        return read_pair(r, row, node, at);
    case SCHEMA_RAMP:
        return read_ramp(r, row, node, at);
    case SCHEMA_TABLE:
    case SCHEMA_EACH:
    case SCHEMA_ITEMS:
    case SCHEMA_LIST:
    case SCHEMA_OTHER:
    case SCHEMA_LATER:
        return read_shape(r, row, node);
    }
    return false;
}
