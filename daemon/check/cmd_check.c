/* dosewright check: would 'run' take this configuration, and what follows from it? */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/base/clock.h"
#include "daemon/base/misuse.h"
#include "daemon/base/problems.h"
#include "daemon/check/check_print.h"
#include "daemon/config/schema.h"
#include "daemon/hear/request_keys.h"
#include "daemon/tool/cmd.h"

static const char usage[] =
    "usage: dosewright check [--json] SITE.yaml\n"
    "       dosewright check --keys\n"
    "\n"
    "Reads a configuration with every file it names, starts nothing, changes nothing. Lists what\n"
    "is wrong (to standard error), what is legal but unwise, and what follows from the rest.\n"
    "\n"
    "  --json  everything as one JSON object\n"
    "  --keys  the reference of all keys, as Markdown\n"
    "\n"
    "exit codes: 0 'run' would take it, 78 it wouldn't, 64 a wrong argument\n";

enum { GO_ON = -1 };

struct arguments {
    bool keys, json;
    const char *file;
};

static int misused(const char *what, const char *word)
{
    misuse_say("check", usage, what, word);
    return EX_USAGE;
}

static int read_arguments(struct arguments *ret, int argc, char **argv)
{
    *ret = (struct arguments){ 0 };
    for (int i = 1; i < argc; i++) {
        if (misuse_asks_help(argv[i])) {
            fputs(usage, stdout);
            return EXIT_SUCCESS;
        }
        if (strcmp(argv[i], "--keys") == 0)
            ret->keys = true;
        else if (strcmp(argv[i], "--json") == 0)
            ret->json = true;
        else if (argv[i][0] == '-')
            return misused("there is no option", argv[i]);
        else if (ret->file)
            return misused("one site only, so not also", argv[i]);
        else
            ret->file = argv[i];
    }
    if (ret->keys && ret->file) return misused("--keys needs no file, so not", ret->file);
    return ret->keys || ret->file ? GO_ON : misused("which site?", NULL);
}

static void put(void *out, const char *text)
{
    fputs(text, out);
}

static bool print(const struct arguments *a, const struct config *config,
    const struct problem_list *errors, const struct check_found *found, struct now now)
{
    const struct check_shown shown = {
        .path = a->file, .config = config, .errors = errors, .found = found, .now = now
    };
    if (a->json) return check_print_json(stdout, &shown);
    problems_say(errors);
    if (config) problems_warn(&config->unwise);
    if (!config) return true;
    printf("%s is valid, with %u warning%s\n\n", a->file,
        config->unwise.count + config->unwise.more, config->unwise.count == 1 ? "" : "s");
    check_print_found(stdout, config, found);
    return check_print_text(stdout, config, now);
}

int cmd_check(int argc, char **argv)
{
    struct arguments a;
    const int said = read_arguments(&a, argc, argv);
    if (said != GO_ON) return said;
    if (a.keys) {
        schema_page(put, stdout);
        return fflush(stdout) == 0 ? EXIT_SUCCESS : EX_IOERR;
    }
    struct problem_list *errors = calloc(1, sizeof *errors);
    struct config *config = NULL;
    if (!errors) return EX_OSERR;
    enum err err = config_load(&config, a.file, true, errors);
    if (config) request_keys_check(config, errors, &config->unwise);
    if (errors->count > 0 && err == ERR_NONE) {
        err = errors->item[0].err;
        config_free(config);
        config = NULL;
    }
    int code = err == ERR_NONE ? EXIT_SUCCESS : EX_CONFIG;
    struct check_found found = { .read = false };
    const struct now now = clock_now();
    if (config && !check_find(&found, config, now)) code = EX_OSERR;
    if (!print(&a, config, errors, &found, now)) code = EX_OSERR;
    free(found.item);
    if (fflush(stdout) != 0) code = EX_IOERR;
    config_free(config);
    free(errors);
    return code;
}
