/* dosewright reckon: stock arithmetic for people, nothing is started or changed. */
#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/reckon/reckon.h"
#include "daemon/tool/cmd.h"

static const struct reckon_topic *const single_topics[] = { &reckon_mix_topic, &reckon_stocks_topic,
    &reckon_acid_topic, &reckon_base_topic, &reckon_salts_topic };

enum { SINGLE_TOPICS = sizeof single_topics / sizeof single_topics[0] };

static const struct reckon_topic *find_topic(const char *name)
{
    for (size_t i = 0; i < SINGLE_TOPICS; i++) {
        if (strcmp(single_topics[i]->name, name) == 0) return single_topics[i];
    }
    for (const struct reckon_topic *t = reckon_bench_topics; t->name; t++) {
        if (strcmp(t->name, name) == 0) return t;
    }
    for (const struct reckon_topic *t = reckon_probe_topics; t->name; t++) {
        if (strcmp(t->name, name) == 0) return t;
    }
    return NULL;
}

static void list_topic(FILE *out, const struct reckon_topic *t)
{
    fprintf(out, "  %-11s %.*s\n", t->name, (int)strcspn(t->about, "\n"), t->about);
}

static int help(FILE *out, int code)
{
    fputs("usage: dosewright reckon TOPIC [...] [--json]\n\n"
          "Stock arithmetic: each figure with the equation or table that it rests on.\n\n",
        out);
    for (size_t i = 0; i < SINGLE_TOPICS; i++) {
        list_topic(out, single_topics[i]);
    }
    for (const struct reckon_topic *t = reckon_bench_topics; t->name; t++) {
        list_topic(out, t);
    }
    for (const struct reckon_topic *t = reckon_probe_topics; t->name; t++) {
        list_topic(out, t);
    }
    fputs("\n'dosewright reckon TOPIC --help' tells more. What is printed is arithmetic: the "
          "safety data\nsheets, local code and licensed practice stand above it.\n",
        out);
    return code;
}

int cmd_reckon(int argc, char **argv)
{
    struct reckon_args args;
    if (argc < 2) return help(stderr, EX_USAGE);
    if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "-h") == 0) return help(stdout, EX_OK);
    const struct reckon_topic *topic = find_topic(argv[1]);
    if (!topic) {
        char text[PROBLEM_TEXT_MAX];
        struct text t = text_over(text, sizeof text);
        text_add(&t, "there is no topic ");
        text_add_quoted(&t, argv[1], strlen(argv[1]), 40);
        fprintf(stderr, "dosewright reckon: %s\n\n", text);
        return help(stderr, EX_USAGE);
    }
    const int code = reckon_read(&args, topic, argc - 1, argv + 1);
    return code == RECKON_GO_ON ? topic->run(&args) : code;
}
