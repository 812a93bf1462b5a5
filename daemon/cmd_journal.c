#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#include "daemon/cmd.h"
#include "daemon/journal_file.h"
#include "lib/base/text.h"

static const char usage_text[] =
    "usage: dosewright journal verify DIR [--tip HASH] [--json]\n"
    "       dosewright journal show DIR [--from SEQ] [--to SEQ] [--kind KIND] [--json]\n\n"
    "verify reads every record of the journal in DIR and checks form, order and hash chain: exit 0 "
    "when\n"
    "it is whole, 1 when it isn't. With --tip it must also hold the record of that hash: without a "
    "tip\n"
    "kept elsewhere, a chain shows damage, not a rewrite by somebody who may write the directory.\n"
    "show prints the records, one a line; with --json as they are on disk.\n";

struct options {
    const char *dir, *tip, *kind;
    long long from, to;
    bool json, verify;
};

struct reading {
    const struct options *options;
    bool tip_seen;
};

static bool header(const char *key)
{
    static const char *const keys[] = { "seq", "time", "kind", "prev", "hash", "mono_ms", "boot",
        "clock" };
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++) {
        if (strcmp(keys[i], key) == 0) return true;
    }
    return false;
}

static void print_field(const struct record *r, const struct record_field *f)
{
    char value[1200];
    struct text t = text_over(value, sizeof value);
    switch (f->kind) {
    case FIELD_INTEGER:
    case FIELD_DECIMAL:
        text_add_scaled(&t, f->number, f->decimals);
        break;
    case FIELD_TEXT:
        text_add(&t, r->pool + f->text_at);
        break;
    case FIELD_TRUTH:
        text_add(&t, f->number ? "yes" : "no");
        break;
    }
    printf("  %s=%s", f->key, value);
}

static void visit(void *context, const struct record *r, const char *line)
{
    struct reading *reading = context;
    const struct options *o = reading->options;
    if (o->tip && strcmp(record_text_or_empty(r, "hash"), o->tip) == 0) reading->tip_seen = true;
    if (o->verify) return;
    int64_t seq = 0;
    (void)record_int(r, "seq", &seq);
    if (seq < o->from || seq > o->to || (o->kind && !record_is(r, o->kind))) return;
    if (o->json) {
        puts(line);
        return;
    }
    printf("%s %6lld %-10s", record_text_or_empty(r, "time"), (long long)seq,
        record_text_or_empty(r, "kind"));
    for (uint32_t i = 0; i < r->count; i++) {
        if (!header(r->field[i].key)) print_field(r, &r->field[i]);
    }
    putchar('\n');
}

static int verdict(const struct options *o, const struct journal_report *report, bool tip_seen)
{
    const bool tip_lost = o->tip && !tip_seen;
    const bool whole = !report->damaged && !report->torn && !tip_lost;
    if (o->json) {
        printf("{\"whole\":%s,\"records\":%lld,\"segments\":%lld,\"seq\":%lld,\"hash\":\"%s\","
               "\"torn_bytes\":%lld}\n",
            whole ? "true" : "false", (long long)report->records, (long long)report->segments,
            (long long)report->tip.seq, report->tip.hash, (long long)report->torn_bytes);
        return whole ? EX_OK : 1;
    }
    if (report->damaged) printf("damaged: %s: %s\n", report->problem.where, report->problem.text);
    if (report->torn)
        printf("the last line is cut short by %lld bytes: the daemon repairs that at its next "
               "start (or is "
               "writing it now)\n",
            (long long)report->torn_bytes);
    if (tip_lost)
        printf("the record with hash %s isn't in it: records were cut off or replaced\n", o->tip);
    printf("%s: %lld records in %lld segments, tip %lld %s\n", whole ? "whole" : "NOT whole",
        (long long)report->records, (long long)report->segments, (long long)report->tip.seq,
        report->tip.hash);
    return whole ? EX_OK : 1;
}

static int read_journal(const struct options *o)
{
    struct reading reading = { .options = o };
    struct journal_report report;
    struct problem problem;
    if (journal_scan(o->dir, visit, &reading, &report, &problem) != ERR_NONE) {
        fprintf(stderr, "dosewright journal: %s: %s\n", problem.where, problem.text);
        return EX_NOINPUT;
    }
    if (report.segments == 0) {
        fprintf(stderr, "dosewright journal: %s: there is no journal here\n", o->dir);
        return EX_NOINPUT;
    }
    if (o->verify) return verdict(o, &report, reading.tip_seen);
    if (!report.damaged) return EX_OK;
    fprintf(stderr, "damaged: %s: %s\n", report.problem.where, report.problem.text);
    return 1;
}

static bool read_seq(long long *ret, const char *text)
{
    char *end;
    if (!text || *text < '0' || *text > '9') return false;
    *ret = strtoll(text, &end, 10);
    return *end == '\0';
}

static bool read_options(struct options *o, int argc, char **argv)
{
    if (argc < 3) return false;
    o->verify = strcmp(argv[1], "verify") == 0;
    if (!o->verify && strcmp(argv[1], "show") != 0) return false;
    for (int i = 2; i < argc; i++) {
        const char *next = i + 1 < argc ? argv[i + 1] : NULL;
        if (strcmp(argv[i], "--json") == 0) {
            o->json = true;
        } else if (o->verify && strcmp(argv[i], "--tip") == 0 && next) {
            o->tip = argv[++i];
        } else if (!o->verify && strcmp(argv[i], "--kind") == 0 && next) {
            o->kind = argv[++i];
        } else if (!o->verify && strcmp(argv[i], "--from") == 0 && read_seq(&o->from, next)) {
            i++;
        } else if (!o->verify && strcmp(argv[i], "--to") == 0 && read_seq(&o->to, next)) {
            i++;
        } else if (argv[i][0] != '-' && !o->dir) {
            o->dir = argv[i];
        } else {
            fprintf(stderr, "dosewright journal: unexpected '%s'\n", argv[i]);
            return false;
        }
    }
    return o->dir != NULL;
}

int cmd_journal(int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--help") != 0) continue;
        fputs(usage_text, stdout);
        return EX_OK;
    }
    struct options o = { .to = INT64_MAX };
    if (!read_options(&o, argc, argv)) {
        fputs(usage_text, stderr);
        return EX_USAGE;
    }
    return read_journal(&o);
}
