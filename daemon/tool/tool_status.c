/* A whole status: the site, its bottles, chains and daemon around the tanks. */
#include <math.h>
#include <string.h>

#include "daemon/tool/tool_lines.h"
#include "daemon/tool/tool_show.h"

void show_heading(FILE *out, const cJSON *answer)
{
    const cJSON *site = show_member(answer, "site");
    struct line line;
    struct text *t = line_begin(&line);
    text_add(t, show_string(site, "name"));
    text_add(t, " (");
    text_add(t, show_string(site, "key"));
    text_add(t, "), ");
    line_add_instant(t, show_string(answer, "time"));
    show_folded(out, 0, "", line.bytes);
    if (show_true(site, "halted")) {
        show_folded(
            out, 0, "", "HALTED: every pump is stopped and stays so until 'dosewright release'.");
    }
    if (show_true(site, "standby")) {
        show_folded(out, 0, "",
            "STANDBY: another daemon commands these chains; this one only watches. To take a chain "
            "over: 'dosewright ask claim CHAIN'.");
        show_folded(out, 0, "",
            show_true(site, "follows")
                ? "It follows the other's journal, and nothing of it is missing."
                : "It doesn't have all of the other's journal: limits that it isn't sure of would "
                  "count as used up for a day.");
    }
    fputc('\n', out);
}

static void show_alerts(FILE *out, const cJSON *answer)
{
    const cJSON *alerts = show_member(answer, "alerts"), *alert;
    const int count = cJSON_GetArraySize(alerts);
    if (count == 0) {
        fputs("No alerts.\n\n", out);
        return;
    }
    fprintf(out, "%d alert%s:\n", count, count == 1 ? "" : "s");
    cJSON_ArrayForEach(alert, alerts)
    {
        struct line line;
        struct text *t = line_begin(&line);
        text_add(t, show_string(alert, "id"));
        text_add(t, ": ");
        text_add(t, show_string(alert, "text"));
        show_folded(out, 4, "  !", line.bytes);
    }
    fputc('\n', out);
}

static void show_broker(FILE *out, const cJSON *answer)
{
    const cJSON *broker = show_member(answer, "broker");
    struct line line;
    struct text *t = line_begin(&line);
    const char *why = show_string(broker, "why");
    text_add(t, show_true(broker, "up") ? "up, " : "DOWN, ");
    text_add(t, show_string(broker, "uri"));
    if (!show_true(broker, "up") && why[0]) {
        text_add(t, ": ");
        text_add(t, why);
    }
    if (show_true(broker, "plain_remote")) {
        text_add(t, "; NOT ENCRYPTED, and the broker is another host");
    }
    line_end(out, &line, "broker");
}

static void show_journal(FILE *out, const cJSON *answer)
{
    const cJSON *journal = show_member(answer, "journal");
    struct line line;
    struct text *t = line_begin(&line);
    const char *hash = show_string(journal, "hash");
    if (!show_true(journal, "ok")) text_add(t, "CAN'T BE WRITTEN: no dosing; ");
    text_add(t, "record ");
    text_add_real(t, show_number(journal, "seq"), 0);
    if (hash[0]) {
        text_add(t, ", hash ");
        text_add_bytes(t, hash, strnlen(hash, 12));
    }
    line_end(out, &line, "journal");
}

static void show_config(FILE *out, const cJSON *answer)
{
    const cJSON *config = show_member(answer, "config");
    struct line line;
    struct text *t = line_begin(&line);
    const char *error = show_string(config, "error");
    text_add(t, show_string(config, "path"));
    text_add(t, ", taken ");
    line_add_instant(t, show_string(config, "loaded"));
    line_end(out, &line, "config");
    if (!error[0]) return;
    t = line_begin(&line);
    text_add(t, "A NEWER FILE WAS REFUSED, the former one stays in force:");
    line_end(out, &line, "");
    while (*error) {
        const size_t length = strcspn(error, "\n");
        t = line_begin(&line);
        text_add_bytes(t, error, length);
        line_end(out, &line, "");
        error += length;
        if (*error) error++;
    }
}

static void show_clock(FILE *out, const cJSON *answer)
{
    const char *clock = show_string(answer, "clock");
    struct line line;
    struct text *t = line_begin(&line);
    if (strcmp(clock, "synced") == 0) return;
    text_add(t, strcmp(clock, "unset") == 0 ? "NOT SET; dates and days are unknown"
                                            : "set, but nothing keeps it in step (no NTP)");
    line_end(out, &line, "clock");
}

static void show_refused(FILE *out, const cJSON *answer)
{
    const cJSON *broker = show_member(answer, "broker");
    const struct {
        double count;
        const char *words;
    } counts[] = { { show_number(show_member(answer, "site"), "refused_messages"), " refused" },
        { show_number(broker, "unread"), " too long or broken" },
        { show_number(broker, "ignored"), " ignored as nonsense" } };
    struct line line;
    struct text *t = line_begin(&line);
    for (size_t i = 0; i < sizeof counts / sizeof *counts; i++) {
        if (!(counts[i].count > 0)) continue;
        if (t->length > 0) text_add(t, ", ");
        text_add_real(t, counts[i].count, 0);
        text_add(t, counts[i].words);
    }
    if (t->length == 0) return;
    text_add(t, "; since the start");
    line_end(out, &line, "messages");
}

/* Nothing where requests needn't be signed. */
static void show_requests(FILE *out, const cJSON *answer)
{
    const cJSON *site = show_member(answer, "site");
    const double signers = show_number(site, "signers"), muted = show_number(site, "muted");
    struct line line;
    struct text *t = line_begin(&line);
    if (signers > 0) {
        text_add(t, "over the broker they must be signed, keys: ");
        text_add_real(t, signers, 0);
    }
    if (muted > 0) {
        text_add(t, signers > 0 ? "; senders that aren't listened to: "
                                : "senders that aren't listened to: ");
        text_add_real(t, muted, 0);
    }
    if (t->length > 0) line_end(out, &line, "requests");
}

static void add_power(struct text *t, const cJSON *chain)
{
    const double volts = show_number(chain, "volts"), amps = show_number(chain, "amps");
    if (line_is_known(volts)) {
        text_add(t, ", ");
        text_add_real(t, volts, 1);
        text_add(t, " V");
    }
    if (line_is_known(amps)) {
        text_add(t, ", ");
        text_add_real(t, amps, 2);
        text_add(t, " A");
    }
}

/* An answer without "roll_call" is an older daemon's. */
static void add_roll(struct text *t, const cJSON *chain)
{
    if (show_true(chain, "adopted"))
        text_add(t, show_true(chain, "bound") ? ", modules as adopted (differs from the file)"
                                              : ", MODULES DON'T MATCH what was adopted");
    else if (show_true(chain, "bound"))
        text_add(t, ", modules as configured");
    else if (cJSON_IsFalse(show_member(chain, "roll_call")))
        text_add(t, ", no roll-call yet");
    else
        text_add(t, ", MODULES DON'T MATCH");
}

/* Nobody answers for plain outputs: what is said of them is what they were told. */
static void show_plain(FILE *out, const cJSON *chain)
{
    struct line line;
    struct text *t = line_begin(&line);
    const char *why = show_string(chain, "why");
    text_add_real(t, show_number(chain, "plain_outputs"), 0);
    text_add(t, " plain outputs, of which ");
    text_add_real(t, show_number(chain, "reporting"), 0);
    text_add(t, " report; every run counts in full");
    if (show_true(chain, "halted")) text_add(t, ", HALTED");
    if (why[0]) {
        text_add(t, ": ");
        text_add(t, why);
    }
    line_end(out, &line, show_string(chain, "key"));
}

static void show_chain(FILE *out, const cJSON *chain)
{
    if (show_member(chain, "plain_outputs")) {
        show_plain(out, chain);
        return;
    }
    struct line line;
    struct text *t = line_begin(&line);
    const char *why = show_string(chain, "why"), *by = show_string(chain, "by");
    const bool ours = show_true(chain, "ours");
    text_add(t, show_true(chain, "ready") ? "head ready" : "HEAD NOT READY");
    add_roll(t, chain);
    if (ours) {
        text_add(t, ", commanded from here");
    } else if (by[0]) {
        text_add(t, ", commanded by ");
        text_add(t, by);
        text_add(t, " of site ");
        text_add(t, show_string(chain, "site"));
    } else {
        text_add(t, ", commanded by nobody");
    }
    if (show_true(chain, "halted")) text_add(t, ", HALTED");
    add_power(t, chain);
    if (why[0]) {
        text_add(t, ": ");
        text_add(t, why);
    }
    line_end(out, &line, show_string(chain, "key"));
}

static void show_stock(FILE *out, const cJSON *stock)
{
    struct line line;
    struct text *t = line_begin(&line);
    const double days = show_number(stock, "days_left");
    line_add_ml(t, show_number(stock, "remaining_ml"));
    text_add(t, " of ");
    line_add_ml(t, show_number(stock, "bottle_ml"));
    text_add(t, " mL left");
    if (show_true(stock, "low")) text_add(t, ", LOW");
    if (line_is_known(days)) {
        text_add(t, ", for about ");
        text_add_real(t, days, 0);
        text_add(t, " days");
    }
    line_end(out, &line, show_string(stock, "key"));
}

void show_status(FILE *out, const cJSON *answer)
{
    const cJSON *item;
    show_heading(out, answer);
    show_alerts(out, answer);
    cJSON_ArrayForEach(item, show_member(answer, "tanks"))
    {
        show_tank(out, item, show_string(answer, "time"));
    }
    fputs("Bottles\n", out);
    cJSON_ArrayForEach(item, show_member(answer, "stocks"))
    {
        show_stock(out, item);
    }
    fputs("\nChains\n", out);
    cJSON_ArrayForEach(item, show_member(answer, "chains"))
    {
        show_chain(out, item);
    }
    fputs("\nDaemon\n", out);
    show_broker(out, answer);
    show_journal(out, answer);
    show_config(out, answer);
    show_clock(out, answer);
    show_refused(out, answer);
    show_requests(out, answer);
}
