#include <stdio.h>
#include <string.h>

#include "daemon/tool/ask.h"
#include "daemon/tool/cmd.h"
#include "lib/base/decimal.h"
#include "lib/base/units.h"

enum { ASK_MINUTES_MOST = 366 * 24 * 60 };

static const char usage[] = "usage: dosewright ask REQUEST [...] [--socket PATH] [--json]\n"
                            "\n" ASK_REQUESTS "\n"
                            "Every request passes the limits and interlocks of the configuration. "
                            "Goggles and gloves before\n"
                            "a line with acid or base is opened: docs/commissioning.md.\n";

/* What one request works with. */
struct asking {
    struct tool *tool;
    const char *span; /* --for, or NULL */
    char quoted[TOOL_PATH_MAX * 2];
};

static int ask_done(
    const struct asking *a, const char *request, const char *const members[], const char *done)
{
    char line[TOOL_LINE_MAX];
    if (!tool_request(line, request, members)) return tool_misused(a->tool, "a word is too long");
    return tool_ask(a->tool, line, TOOL_WAIT_MS, done);
}

static int ask(const struct asking *a, const char *request, const char *const members[])
{
    return ask_done(a, request, members, "Done.");
}

/* "90min", "8h" or "2d" in minutes, as digits. */
static bool read_span(struct text *ret, const char *span)
{
    static const struct {
        const char *unit;
        int64_t minutes;
    } units[] = { { "min", 1 }, { "h", 60 }, { "d", 24 * 60 } };
    const size_t digits = strspn(span, "0123456789");
    struct decimal d;
    int64_t value;
    if (!decimal_read_plain(&d, span, digits) || !decimal_scaled(&value, d, 0)) return false;
    for (size_t i = 0; i < sizeof units / sizeof *units; i++) {
        if (strcmp(span + digits, units[i].unit) != 0) continue;
        if (value < 1 || value > ASK_MINUTES_MOST / units[i].minutes) return false;
        text_add_int(ret, value * units[i].minutes);
        return true;
    }
    return false;
}

static bool is_number(const char *word)
{
    struct decimal d;
    return decimal_read_plain(&d, word, strlen(word));
}

/* The span first: a setpoint that stands for another span than was asked for would be worse than
 * none. Its answer is said only when it is a no. */
static int ask_span(struct asking *a, const char *tank)
{
    char minutes[32], line[TOOL_LINE_MAX];
    struct text t = text_over(minutes, sizeof minutes);
    if (!read_span(&t, a->span)) {
        return tool_misused(a->tool, "a span is a whole number and min, h or d: 90min, 8h, 2d");
    }
    const char *const members[] = { "tank", tank, "minutes", minutes, NULL };
    if (!tool_request(line, "override-for", members)) {
        return tool_misused(a->tool, "a word is too long");
    }
    return tool_ask_first(a->tool, line, TOOL_WAIT_MS);
}

static int ask_set(struct asking *a)
{
    const char *const *word = a->tool->word;
    if (a->tool->count != 4) return tool_misused(a->tool, "set wants TANK, ec or ph, and VALUE");
    const bool ec = strcmp(word[2], "ec") == 0;
    if (!ec && strcmp(word[2], "ph") != 0) {
        return tool_misused(a->tool, "only ec and ph can be set");
    }
    if (!is_number(word[3])) return tool_misused(a->tool, "VALUE is a plain number such as 1.4");
    const char *tank = tool_quote(a->quoted, word[1]);
    if (a->span) {
        const int code = ask_span(a, tank);
        if (code != 0) return code;
    }
    const char *const members[] = { "tank", tank, "property",
        ec ? "\"setpoint/ec\"" : "\"setpoint/ph\"", "value", word[3], NULL };
    return ask(a, "set", members);
}

static int ask_service(struct asking *a)
{
    const char *const *word = a->tool->word;
    const bool on = a->tool->count == 3 && strcmp(word[2], "on") == 0;
    if (a->tool->count != 3 || (!on && strcmp(word[2], "off") != 0)) {
        return tool_misused(a->tool, "service wants TANK and on or off");
    }
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]), "on",
        on ? "true" : "false", NULL };
    return ask_done(a, "service", members,
        on ? "Service lock: nothing moves there until 'dosewright ask service TANK off'."
           : "The service lock is off; dosing may go on.");
}

static int ask_refilled(struct asking *a)
{
    const char *const *word = a->tool->word;
    if (a->tool->count < 2 || a->tool->count > 3) {
        return tool_misused(a->tool, "refilled wants STOCK, and mL if it isn't full");
    }
    if (a->tool->count == 3 && !is_number(word[2])) {
        return tool_misused(a->tool, "ML is a plain number of millilitres such as 5000");
    }
    const char *const members[] = { "stock", tool_quote(a->quoted, word[1]),
        a->tool->count == 3 ? "ml" : NULL, word[2], NULL };
    return ask(a, "refilled", members);
}

static int ask_tube_changed(struct asking *a)
{
    char stock[TOOL_PATH_MAX * 2];
    const char *const *word = a->tool->word;
    if (a->tool->count != 3) return tool_misused(a->tool, "tube-changed wants TANK and STOCK");
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]), "stock",
        tool_quote(stock, word[2]), NULL };
    return ask(a, "tube-changed", members);
}

static int ask_water_changed(struct asking *a)
{
    const char *const *word = a->tool->word;
    if (a->tool->count < 2 || a->tool->count > 3) {
        return tool_misused(a->tool, "water-changed wants TANK, and litres if it wasn't all");
    }
    if (a->tool->count == 3 && !is_number(word[2])) {
        return tool_misused(a->tool, "LITRES is a plain number such as 40");
    }
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]),
        a->tool->count == 3 ? "litres" : NULL, word[2], NULL };
    return ask(a, "water-changed", members);
}

/* Those that want one name. */
static int ask_one(struct asking *a, const char *request, const char *member, const char *what)
{
    if (a->tool->count != 2) return tool_misused(a->tool, what);
    const char *const members[] = { member, tool_quote(a->quoted, a->tool->word[1]), NULL };
    return ask(a, request, members);
}

static int ask_override_end(struct asking *a)
{
    if (a->tool->count != 2) return tool_misused(a->tool, "override-end wants TANK");
    const char *const members[] = { "tank", tool_quote(a->quoted, a->tool->word[1]), "minutes", "0",
        NULL };
    return ask(a, "override-for", members);
}

static int ask_acknowledge(struct asking *a)
{
    return ask_one(a, "acknowledge", "alert", "acknowledge wants the name of an alert");
}

static int ask_claim(struct asking *a)
{
    return ask_one(a, "claim", "chain", "claim wants CHAIN");
}

static int ask_cancel(struct asking *a)
{
    return ask_one(a, "cancel", "tank", "cancel wants TANK");
}

static int ask_strainer_cleaned(struct asking *a)
{
    return ask_one(a, "strainer-cleaned", "tank", "strainer-cleaned wants TANK");
}

static int ask_identify(struct asking *a)
{
    return ask_one(a, "identify", "address", "identify wants an address such as west/2.3");
}

/* Without 'yes' it is only shown what would be. */
static int ask_adopt(struct asking *a)
{
    const char *const *word = a->tool->word;
    const bool yes = a->tool->count == 3 && strcmp(word[2], "yes") == 0;
    if (a->tool->count != 2 && !yes) {
        return tool_misused(
            a->tool, "adopt wants CHAIN, and yes once you have seen what it would do");
    }
    const char *const members[] = { "chain", tool_quote(a->quoted, word[1]), "on",
        yes ? "true" : "false", NULL };
    return ask(a, "adopt", members);
}

static int ask_bench(struct asking *a)
{
    const char *const *word = a->tool->word;
    const bool on = a->tool->count == 3 && strcmp(word[2], "on") == 0;
    if (a->tool->count != 3 || (!on && strcmp(word[2], "off") != 0))
        return tool_misused(a->tool, "bench wants TANK and on or off");
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]), "on",
        on ? "true" : "false", NULL };
    return ask_done(a, "bench", members,
        on ? "On the bench: nothing moves there but what you ask for."
           : "Off the bench: the line is flushed before anything is dosed.");
}

/* TANK STOCK ML, and cup or tank where 'into'. */
static int ask_volume(struct asking *a, const char *request, const char *volume, bool into)
{
    const char *const *word = a->tool->word;
    char stock[TOOL_PATH_MAX * 2];
    const bool cup = into && a->tool->count == 5 && strcmp(word[4], "cup") == 0;
    const bool tank = into && a->tool->count == 5 && strcmp(word[4], "tank") == 0;
    if (into && !cup && !tank)
        return tool_misused_word(a->tool, "TANK, STOCK, ML, and 'cup' or 'tank' go with", word[0]);
    if (!into && a->tool->count != 4)
        return tool_misused_word(a->tool, "TANK, STOCK and ML go with", word[0]);
    if (!is_number(word[3]))
        return tool_misused(a->tool, "ML is a plain number of millilitres such as 12.5");
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]), "stock",
        tool_quote(stock, word[2]), volume, word[3], into ? "into" : NULL,
        cup ? "\"cup\"" : "\"tank\"", NULL };
    return ask(a, request, members);
}

static int ask_dose(struct asking *a)
{
    return ask_volume(a, "dose", "ml", false);
}

static int ask_prime(struct asking *a)
{
    return ask_volume(a, "prime", "ml", true);
}

static int ask_run(struct asking *a)
{
    return ask_volume(a, "calibrate-pump", "ml", true);
}

static int ask_measured(struct asking *a)
{
    return ask_volume(a, "calibrate-pump", "measured_ml", false);
}

static int ask_circulate(struct asking *a)
{
    const char *const *word = a->tool->word;
    if (a->tool->count != 3 || !is_number(word[2]))
        return tool_misused(a->tool, "circulate wants TANK and a number of seconds");
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]), "for_s", word[2],
        NULL };
    return ask(a, "circulate", members);
}

static int ask_run_flow(struct asking *a)
{
    const char *const *word = a->tool->word;
    if (a->tool->count != 3 || !is_number(word[2]))
        return tool_misused(a->tool, "run-flow wants TANK and a number of seconds");
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]), "for_s", word[2],
        NULL };
    return ask(a, "calibrate-flow", members);
}

static int ask_flow(struct asking *a)
{
    const char *const *word = a->tool->word;
    const uint32_t count = (uint32_t)a->tool->count;
    if (count < 3 || count > 4 || !is_number(word[2]) || (count == 4 && !is_number(word[3])))
        return tool_misused(
            a->tool, "flow wants TANK, litres, and the seconds if the bucket was full earlier");
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]), "measured_l", word[2],
        count == 4 ? "seconds" : NULL, word[3], NULL };
    return ask(a, "calibrate-flow", members);
}

static int ask_bath(struct asking *a)
{
    const char *const *word = a->tool->word;
    char probe[TOOL_PATH_MAX * 2], point[TOOL_PATH_MAX * 2];
    if (a->tool->count < 4 || a->tool->count > 5)
        return tool_misused(a->tool, "bath wants TANK, ec or ph, and what the bath is");
    if (a->tool->count == 5 && !is_number(word[4]))
        return tool_misused(a->tool, "DEGC is the bath's temperature, such as 21.5");
    const char *const members[] = { "tank", tool_quote(a->quoted, word[1]), "probe",
        tool_quote(probe, word[2]), "point", tool_quote(point, word[3]),
        a->tool->count == 5 ? "degc" : NULL, word[4], NULL };
    return ask(a, "calibrate-probe", members);
}

static const struct {
    const char *word;
    int (*ask)(struct asking *a);
} requests[] = {
    { "set", ask_set },
    { "override-end", ask_override_end },
    { "service", ask_service },
    { "acknowledge", ask_acknowledge },
    { "claim", ask_claim },
    { "refilled", ask_refilled },
    { "identify", ask_identify },
    { "adopt", ask_adopt },
    { "bench", ask_bench },
    { "cancel", ask_cancel },
    { "dose", ask_dose },
    { "prime", ask_prime },
    { "circulate", ask_circulate },
    { "run", ask_run },
    { "measured", ask_measured },
    { "run-flow", ask_run_flow },
    { "flow", ask_flow },
    { "bath", ask_bath },
    { "tube-changed", ask_tube_changed },
    { "strainer-cleaned", ask_strainer_cleaned },
    { "water-changed", ask_water_changed },
};

int ask_words(struct tool *tool, const char *span)
{
    if (tool->count == 0) return tool_misused(tool, "a request is wanted");
    struct asking a = { .tool = tool, .span = span };
    if (span && strcmp(tool->word[0], "set") != 0) {
        return tool_misused(tool, "--for goes with 'set' only");
    }
    for (size_t i = 0; i < sizeof requests / sizeof *requests; i++) {
        if (strcmp(tool->word[0], requests[i].word) == 0) return requests[i].ask(&a);
    }
    return tool_misused_word(tool, "there is no request", tool->word[0]);
}

int cmd_ask(int argc, char **argv)
{
    const char *span = NULL;
    const struct tool_option options[] = { { "--for", &span, NULL }, { NULL, NULL, NULL } };
    struct tool tool = { .usage = usage, .option = options };
    const int code = tool_read(&tool, argc, argv);
    return code == TOOL_GO_ON ? ask_words(&tool, span) : code;
}
