#include "daemon/tool_show.h"

#include <math.h>
#include <string.h>

static bool is_control(const char *s, size_t left)
{
    const unsigned char c = (unsigned char)s[0];
    if (c < 0x20 || c == 0x7F) return true;
    /* U+0080 to U+009F: some terminals obey these, too */
    return c == 0xC2 && left > 1 && (unsigned char)s[1] < 0xA0;
}

void show_safely(FILE *out, const char *s, size_t length)
{
    for (size_t i = 0; i < length; i++) {
        if (!is_control(s + i, length - i)) {
            fputc(s[i], out);
            continue;
        }
        fputc('?', out);
        if ((unsigned char)s[i] == 0xC2) i++;
    }
}

/* Columns that UTF-8 takes, counting one for each character. */
static int columns_of(const char *s, size_t length)
{
    int columns = 0;
    for (size_t i = 0; i < length; i++) {
        columns += ((unsigned char)s[i] & 0xC0) != 0x80 ? 1 : 0;
    }
    return columns;
}

void show_folded(FILE *out, int indent, const char *label, const char *words)
{
    const int label_columns = columns_of(label, strlen(label));
    show_safely(out, label, strlen(label));
    int column = label_columns;
    bool fresh = true; /* no word on this line yet */
    if (column > 0 && column >= indent && words[0]) {
        fputc(' ', out);
        column++;
    }
    for (; column < indent; column++) {
        fputc(' ', out);
    }
    while (*words) {
        const size_t length = strcspn(words, " \n");
        const int columns = columns_of(words, length);
        if (!fresh && column + 1 + columns > SHOW_COLUMNS) {
            fprintf(out, "\n%*s", indent, "");
            column = indent;
            fresh = true;
        }
        if (length > 0) {
            if (!fresh) fputc(' ', out);
            show_safely(out, words, length);
            column += columns + (fresh ? 0 : 1);
            fresh = false;
        }
        words += length;
        if (*words) words++;
    }
    fputc('\n', out);
}

const cJSON *show_member(const cJSON *object, const char *name)
{
    return cJSON_GetObjectItemCaseSensitive(object, name);
}

const char *show_string(const cJSON *object, const char *name)
{
    const cJSON *item = show_member(object, name);
    return cJSON_IsString(item) ? item->valuestring : "";
}

double show_number(const cJSON *object, const char *name)
{
    const cJSON *item = show_member(object, name);
    return cJSON_IsNumber(item) ? item->valuedouble : (double)NAN;
}

bool show_true(const cJSON *object, const char *name)
{
    return cJSON_IsTrue(show_member(object, name));
}
