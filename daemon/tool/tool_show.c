#include "daemon/tool/tool_show.h"

#include <math.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include "daemon/report/report.h"

static int last_column = SHOW_COLUMNS;
static bool only_ascii = false;

void show_set_terminal(int columns, bool ascii)
{
    last_column = columns < SHOW_COLUMNS_LEAST ? SHOW_COLUMNS_LEAST
                  : columns > SHOW_COLUMNS     ? SHOW_COLUMNS
                                               : columns;
    only_ascii = ascii;
}

int show_columns(void)
{
    return last_column;
}

void show_set_terminal_here(void)
{
    const struct report_terminal terminal = report_terminal_here();
    struct winsize size;
    const bool told = ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 0;
    show_set_terminal(told ? size.ws_col : terminal.columns, terminal.ascii);
}

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
        const unsigned char c = (unsigned char)s[i];
        if (only_ascii && (c & 0xC0) == 0x80) continue; /* its first byte was a '?' */
        if (!is_control(s + i, length - i) && !(only_ascii && c >= 0x80)) {
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
        if (!fresh && column + 1 + columns > last_column) {
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
