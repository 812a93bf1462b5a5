#include "daemon/report/report_paper.h"

#include <stdlib.h>
#include <string.h>

#include "lib/base/decimal.h"

/* --- the terminal ----------------------------------------------------------------------------- */

static bool says_utf8(void)
{
    static const char *const names[] = { "LC_ALL", "LC_CTYPE", "LANG" };
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        const char *value = getenv(names[i]);
        if (!value || !value[0]) continue;
        return strstr(value, "UTF-8") || strstr(value, "utf8") || strstr(value, "utf-8") ||
               strstr(value, "UTF8");
    }
    return false;
}

struct report_terminal report_terminal_here(void)
{
    const char *columns = getenv("COLUMNS");
    struct decimal d;
    struct report_terminal terminal = { .columns = PAPER_COLUMNS_USUAL, .ascii = !says_utf8() };
    if (columns && decimal_read_plain(&d, columns, strlen(columns)) && d.decimals == 0 &&
        d.scaled >= PAPER_COLUMNS_LEAST && d.scaled <= PAPER_COLUMNS_MOST)
        terminal.columns = (int)d.scaled;
    return terminal;
}

/* --- words ------------------------------------------------------------------------------------ */

static bool begins_character(char c)
{
    return ((unsigned char)c & 0xc0) != 0x80;
}

int paper_width(const char *s)
{
    int width = 0;
    for (; *s; s++) {
        if (begins_character(*s)) width++;
    }
    return width;
}

int paper_put(const struct paper *p, const char *s, int most)
{
    int width = 0;
    for (; *s; s++) {
        const bool begins = begins_character(*s), plain = (unsigned char)*s < 0x80;
        if (begins && width == most) break;
        if (begins) width++;
        if (plain || !p->ascii)
            putc(*s, p->out);
        else if (begins)
            putc('?', p->out);
    }
    return width;
}

void paper_put_blanks(const struct paper *p, int count)
{
    for (int i = 0; i < count; i++) {
        putc(' ', p->out);
    }
}

/* The bytes of at most 'most' characters of a text of 'length' bytes. */
static size_t bytes_of(const char *s, size_t length, int most)
{
    size_t bytes = 0;
    for (int width = 0; bytes < length; bytes++) {
        if (begins_character(s[bytes]) && ++width > most) break;
    }
    return bytes;
}

void paper_put_folded(const struct paper *p, int indent, const char *words)
{
    char part[REPORT_TEXT_MAX];
    const int room = p->columns - indent;
    int at = 0;
    while (*words) {
        size_t length = bytes_of(words, strcspn(words, " "), room); /* a longer word is broken */
        if (length >= sizeof part) length = sizeof part - 1;
        text_copy(part, length + 1, words);
        const int wide = paper_width(part);
        if (at > 0 && at + 1 + wide > room) {
            putc('\n', p->out);
            at = 0;
        }
        if (at == 0 && length > 0) paper_put_blanks(p, indent);
        if (at > 0 && length > 0) putc(' ', p->out);
        at += paper_put(p, part, wide) + (at > 0);
        words += length;
        words += strspn(words, " ");
    }
    putc('\n', p->out);
}
