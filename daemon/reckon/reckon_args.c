#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "daemon/tool/tool_show.h"
#include "lib/base/decimal.h"

enum { HELP_INDENT = 4 };

/* --- saying no -------------------------------------------------------------------------------- */

int reckon_refuse(const struct reckon_args *args, int code, const char *where, const char *text)
{
    fprintf(stderr, "dosewright reckon %s: ", args->topic->name);
    show_safely(stderr, where, strlen(where));
    fprintf(stderr, "%s", where[0] ? ": " : "");
    show_safely(stderr, text, strlen(text));
    fputc('\n', stderr);
    return code;
}

int reckon_problem(
    const struct reckon_args *args, const char *where, enum err err, const struct problem *problem)
{
    const bool unread =
        err == ERR_SYNTAX || err == ERR_UNKNOWN || err == ERR_DUPLICATE || err == ERR_MISSING;
    return reckon_refuse(args, unread ? EX_USAGE : EX_DATAERR, where, problem->text);
}

static int misused(const struct reckon_args *args, const char *what, const char *word)
{
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, what);
    text_add_char(&t, ' ');
    text_add_quoted(&t, word, strlen(word), 80);
    text_add(&t, "; --help shows how it goes");
    return reckon_refuse(args, EX_USAGE, "", text);
}

/* --- help ------------------------------------------------------------------------------------- */

/* With as many decimals as it has, four at most. */
static void add_shortest(struct text *t, double value)
{
    unsigned decimals = 0;
    for (double scaled = value; decimals < 4 && fabs(scaled - round(scaled)) > 1e-6; decimals++) {
        scaled *= 10.0;
    }
    text_add_real(t, value, decimals);
}

/* What an option allows: "0.01 to 100000 L". */
static void add_range(struct text *t, const struct reckon_option *o)
{
    add_shortest(t, o->least);
    text_add(t, " to ");
    add_shortest(t, o->most);
    text_add(t, o->unit[0] ? " " : "");
    text_add(t, o->unit);
}

static void help_option(const struct reckon_option *o)
{
    char label[96], words[PROBLEM_TEXT_MAX * 2];
    struct text l = text_over(label, sizeof label), t = text_over(words, sizeof words);
    text_add(&l, o->name);
    if (o->kind != RECKON_FLAG) {
        text_add_char(&l, ' ');
        text_add(&l, o->kind == RECKON_NUMBER ? "N" : o->unit);
    }
    text_add(&t, o->help);
    if (o->kind == RECKON_NUMBER) {
        text_add(&t, " (");
        add_range(&t, o);
        text_add_char(&t, ')');
    }
    printf("  %s\n", label);
    show_folded(stdout, HELP_INDENT, "", words);
}

void reckon_help(const struct reckon_topic *topic)
{
    printf(
        "usage: dosewright reckon %s %s[--json]\n\n%s\n", topic->name, topic->words, topic->about);
    for (const struct reckon_option *o = topic->options; o && o->name; o++) {
        help_option(o);
    }
    puts(
        "  --json\n    the same as one JSON object\n\n"
        "exit codes: 0 done, 1 the answer is no (refused, out of reach), 64 written wrong, 65 what "
        "was\ngiven can't be");
}

/* --- reading ---------------------------------------------------------------------------------- */

bool reckon_decimal(double *ret, const char *text, size_t length)
{
    struct decimal d;
    if (!decimal_read_plain(&d, text, length)) return false;
    *ret = decimal_real(d);
    return true;
}

static bool is_option(const char *word)
{
    return word[0] == '-' && word[1] != '\0' && !(word[1] >= '0' && word[1] <= '9');
}

/* The option that 'word' names, with "=value" or without. */
static const struct reckon_option *find_option(
    const struct reckon_topic *topic, const char *word, const char **ret_value)
{
    for (const struct reckon_option *o = topic->options; o && o->name; o++) {
        const size_t length = strlen(o->name);
        if (strncmp(word, o->name, length) != 0) continue;
        if (word[length] != '\0' && word[length] != '=') continue;
        *ret_value = word[length] == '=' ? word + length + 1 : NULL;
        return o;
    }
    return NULL;
}

static int read_number(struct reckon_args *args, struct reckon_word *w)
{
    const struct reckon_option *o = w->option;
    const bool is_number = reckon_decimal(&w->number, w->text, strlen(w->text));
    if (is_number && w->number >= o->least && w->number <= o->most) return RECKON_GO_ON;
    char text[PROBLEM_TEXT_MAX];
    struct text t = text_over(text, sizeof text);
    text_add(&t, "found ");
    text_add_quoted(&t, w->text, strlen(w->text), 40);
    text_add(&t, is_number ? "" : ", not a plain decimal number");
    text_add(&t, "; allowed: ");
    add_range(&t, o);
    return reckon_refuse(args, EX_USAGE, o->name, text);
}

static int read_option(struct reckon_args *args, int argc, char **argv, int *at)
{
    const char *value = NULL;
    if (strcmp(argv[*at], "--json") == 0) {
        args->json = true;
        return RECKON_GO_ON;
    }
    if (strcmp(argv[*at], "--help") == 0 || strcmp(argv[*at], "-h") == 0) {
        reckon_help(args->topic);
        return EX_OK;
    }
    const struct reckon_option *o = find_option(args->topic, argv[*at], &value);
    if (!o) return misused(args, "there is no option", argv[*at]);
    if (o->kind == RECKON_FLAG && value) return misused(args, "no value belongs to", o->name);
    if (o->kind != RECKON_FLAG && !value) {
        if (*at + 1 >= argc) return misused(args, "a value is missing after", o->name);
        value = argv[++*at];
    }
    if (args->count == RECKON_WORDS_MAX) return reckon_refuse(args, EX_USAGE, "", "too many words");
    struct reckon_word *w = &args->word[args->count++];
    *w = (struct reckon_word){ .option = o, .text = value ? value : "" };
    return o->kind == RECKON_NUMBER ? read_number(args, w) : RECKON_GO_ON;
}

/* Where the usage line begins with a word, or with one that may be left out. */
static bool takes_words(const struct reckon_topic *topic)
{
    const char *first = topic->words + (topic->words[0] == '[');
    return *first >= 'A' && *first <= 'Z';
}

int reckon_read(struct reckon_args *ret, const struct reckon_topic *topic, int argc, char **argv)
{
    *ret = (struct reckon_args){ .topic = topic };
    bool only_words = false;
    for (int at = 1; at < argc; at++) {
        int code = RECKON_GO_ON;
        if (strlen(argv[at]) > RECKON_WORD_MAX)
            return reckon_refuse(ret, EX_USAGE, "", "a word is longer than 512 bytes");
        if (!only_words && strcmp(argv[at], "--") == 0)
            only_words = true;
        else if (!only_words && is_option(argv[at]))
            code = read_option(ret, argc, argv, &at);
        else if (!takes_words(topic))
            code = misused(ret, "it takes options only, so not", argv[at]);
        else if (ret->count == RECKON_WORDS_MAX)
            code = reckon_refuse(ret, EX_USAGE, "", "too many words");
        else
            ret->word[ret->count++] = (struct reckon_word){ .text = argv[at] };
        if (code != RECKON_GO_ON) return code;
    }
    return RECKON_GO_ON;
}

/* --- asking ----------------------------------------------------------------------------------- */

static const struct reckon_word *find(const struct reckon_args *args, const char *name)
{
    for (uint32_t i = args->count; i-- > 0;) {
        const struct reckon_option *o = args->word[i].option;
        if (o && strcmp(o->name, name) == 0) return &args->word[i];
    }
    return NULL;
}

double reckon_number(const struct reckon_args *args, const char *name, double fallback)
{
    const struct reckon_word *w = find(args, name);
    return w ? w->number : fallback;
}

const char *reckon_text(const struct reckon_args *args, const char *name, const char *fallback)
{
    const struct reckon_word *w = find(args, name);
    return w ? w->text : fallback;
}

bool reckon_given(const struct reckon_args *args, const char *name)
{
    return find(args, name) != NULL;
}

int reckon_need(const struct reckon_args *args, const char *const names[])
{
    for (size_t i = 0; names[i]; i++) {
        if (!reckon_given(args, names[i])) return misused(args, "this is missing:", names[i]);
    }
    return RECKON_GO_ON;
}
