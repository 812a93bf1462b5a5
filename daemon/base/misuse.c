#include "daemon/base/misuse.h"

#include <stdio.h>
#include <string.h>

#include "lib/base/text.h"

enum { WORD_SHOWN_MAX = 80, WORD_TEXT_MAX = 4 * WORD_SHOWN_MAX + 8 };

bool misuse_asks_help(const char *word)
{
    return strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0;
}

void misuse_say(const char *command, const char *usage, const char *what, const char *word)
{
    char quoted[WORD_TEXT_MAX];
    struct text t = text_over(quoted, sizeof quoted);
    if (word) {
        text_add_char(&t, ' ');
        text_add_quoted(&t, word, strlen(word), WORD_SHOWN_MAX);
    }
    const char *rest = strstr(usage, "\n\n");
    const size_t length = rest ? (size_t)(rest - usage) + 1 : strlen(usage);
    fprintf(stderr, "dosewright %s: %s%s\n%.*s'dosewright %s --help' tells more\n", command, what,
        quoted, (int)length, usage, command);
}
