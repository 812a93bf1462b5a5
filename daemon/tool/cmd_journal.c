/* journal verify, journal show, and the way to journal report. All only read, and need no daemon.
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#include "daemon/base/misuse.h"
#include "daemon/tool/cmd.h"
#include "daemon/tool/cmd_journal.h"
#include "lib/journal/canon.h"

enum { TRIES_MAX = 3, TRY_AGAIN_MS = 200, GO_ON = JOURNAL_GO_ON };

static const char usage[] =
    "usage: dosewright journal verify DIR [--tip HASH] [--json]\n"
    "       dosewright journal show DIR [--from SEQ] [--to SEQ] [--kind KIND] [--json]\n"
    "       dosewright journal report DIR ...\n"
    "\n"
    "verify reads every record of the journal in DIR and checks its form, its place in the\n"
    "chain and its hash. Exit code 0: whole; 1: not, and each place is told.\n"
    "\n"
    "  --tip HASH   a hash noted elsewhere earlier: the record must still be there. Without\n"
    "               one, a chain shows damage, not a rewrite by somebody who may write DIR,\n"
    "               nor records missing at its end\n"
    "\n"
    "show prints the records, one a line: time (UTC), number, kind, fields. Exit code 1 when\n"
    "some of the journal is damaged and was left out.\n"
    "\n"
    "  --from SEQ, --to SEQ   only these numbers, both included\n"
    "  --kind KIND            only this kind: dose, outcome, request, alert ...\n"
    "\n"
    "report draws charts of it: 'dosewright journal report --help'.\n"
    "\n"
    "  --json   show: the lines as they are on disk; verify: the verdict as one line of JSON\n";

struct options {
    bool verify, json;
    const char *dir, *kind;
    char tip[LINK_HASH_HEX]; /* "": none */
    int64_t from, to;
};

/* --- the command line ------------------------------------------------------------------------- */

static int misused(const char *what, const char *word)
{
    misuse_say("journal", usage, what, word);
    return EX_USAGE;
}

static bool read_hash(char ret[LINK_HASH_HEX], const char *word)
{
    if (strlen(word) != LINK_HASH_HEX - 1) return false;
    for (size_t i = 0; i < LINK_HASH_HEX - 1; i++) {
        const char c = word[i] >= 'A' && word[i] <= 'F' ? (char)(word[i] - 'A' + 'a') : word[i];
        if (!((c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'))) return false;
        ret[i] = c;
    }
    ret[LINK_HASH_HEX - 1] = '\0';
    return true;
}

static bool read_seq(int64_t *ret, const char *word)
{
    const size_t length = strlen(word);
    int64_t value = 0;
    if (length == 0 || length > 15 || strspn(word, "0123456789") != length) return false;
    for (; *word; word++) {
        value = value * 10 + (*word - '0');
    }
    *ret = value;
    return true;
}

/* An option that takes a word. */
static bool read_value(struct options *o, const char *name, const char *word)
{
    if (strcmp(name, "--kind") == 0) {
        o->kind = word;
        return true;
    }
    if (strcmp(name, "--from") == 0) return read_seq(&o->from, word);
    if (strcmp(name, "--to") == 0) return read_seq(&o->to, word);
    return read_hash(o->tip, word);
}

static bool takes_value(const struct options *o, const char *name)
{
    if (o->verify) return strcmp(name, "--tip") == 0;
    return strcmp(name, "--from") == 0 || strcmp(name, "--to") == 0 || strcmp(name, "--kind") == 0;
}

static int read_options(struct options *o, int argc, char **argv)
{
    for (int i = 2; i < argc; i++) {
        if (strcmp(argv[i], "--json") == 0) {
            o->json = true;
        } else if (takes_value(o, argv[i])) {
            if (i + 1 == argc) return misused("a value is missing after", argv[i]);
            if (!read_value(o, argv[i], argv[i + 1]))
                return misused(o->verify ? "--tip takes the 64 hexadecimal digits of a hash, not"
                                         : "--from and --to take a record's number, not",
                    argv[i + 1]);
            i++;
        } else if (argv[i][0] == '-') {
            return misused("there is no option", argv[i]);
        } else if (o->dir) {
            return misused("one directory only, so not also", argv[i]);
        } else {
            o->dir = argv[i];
        }
    }
    return o->dir ? GO_ON : misused("which directory?", NULL);
}

static int read_command(struct options *o, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        if (!misuse_asks_help(argv[i])) continue;
        fputs(usage, stdout);
        return EX_OK;
    }
    if (argc < 2) return misused("which of verify, show and report?", NULL);
    o->verify = strcmp(argv[1], "verify") == 0;
    if (!o->verify && strcmp(argv[1], "show") != 0)
        return misused("it knows verify, show and report, but not", argv[1]);
    return read_options(o, argc, argv);
}

/* --- show ------------------------------------------------------------------------------------- */

static bool is_bare(const char *s)
{
    for (; *s; s++) {
        if (*s <= ' ' || *s == '"' || *s == '\\' || *s == 0x7f) return false;
    }
    return true;
}

/* A text for people: as it is when it is plain ASCII without blanks, else quoted. Control
 * characters never reach the terminal: those below U+0020, U+007F, and U+0080 to U+009F (0xC2 and a
 * byte up to 0x9F). */
static void print_text(const char *s)
{
    if (*s && is_bare(s)) {
        fputs(s, stdout);
        return;
    }
    putchar('"');
    for (; *s; s++) {
        const unsigned char c = (unsigned char)s[0], next = (unsigned char)s[1];
        if (c < ' ' || c == 0x7f) {
            printf("\\x%02x", (unsigned)c);
        } else if (c == 0xc2 && next < 0xa0) {
            printf("\\x%02x", (unsigned)next);
            s++;
        } else {
            if (c == '"' || c == '\\') putchar('\\');
            putchar(c);
        }
    }
    putchar('"');
}

static void print_field(const struct record *r, const struct record_field *f)
{
    char number[32];
    struct text t = text_over(number, sizeof number);
    printf(" %s=", f->key);
    switch (f->kind) {
    case FIELD_TEXT:
        print_text(r->pool + f->text_at);
        return;
    case FIELD_INTEGER:
    case FIELD_DECIMAL:
        text_add_scaled(&t, f->number, f->decimals);
        break;
    case FIELD_TRUTH:
        text_add(&t, f->number ? "yes" : "no");
        break;
    }
    fputs(number, stdout);
}

/* The header's members are shown in front, or aren't worth a line's room. */
static bool is_header(const char *key)
{
    static const char *const keys[] = { "boot", "clock", "format", "hash", "kind", "mono_ms",
        "prev", "seq", "time" };
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++) {
        if (strcmp(keys[i], key) == 0) return true;
    }
    return false;
}

static void show_record(void *context, const struct record *r, const char *line)
{
    const struct options *o = context;
    int64_t seq = 0;
    (void)record_int(r, "seq", &seq);
    if (seq < o->from || seq > o->to || (o->kind && !record_is(r, o->kind))) return;
    if (o->json) {
        puts(line);
        return;
    }
    const char *clock = record_text_or_empty(r, "clock");
    printf("%s %lld ", record_text_or_empty(r, "time"), (long long)seq);
    print_text(record_text_or_empty(r, "kind"));
    for (uint32_t i = 0; i < r->count; i++) {
        if (!is_header(r->field[i].key)) print_field(r, &r->field[i]);
    }
    if (strcmp(clock, "synced") != 0) printf(" clock=%s", clock);
    putchar('\n');
}

/* --- verify ----------------------------------------------------------------------------------- */

struct tip_search {
    const char *wanted;
    bool found;
};

static void look_for_tip(void *context, const struct record *r, const char *line)
{
    (void)line;
    struct tip_search *search = context;
    if (strcmp(record_text_or_empty(r, "hash"), search->wanted) == 0) search->found = true;
}

static void print_place(FILE *out, const struct scan_place *place)
{
    const struct scan_gap *gap = &place->gap;
    fprintf(out, "%s: %s", place->problem.where, place->problem.text);
    fprintf(out, " (last good record before it %lld", (long long)gap->after);
    if (gap->next > 0)
        fprintf(out, ", next good one %lld", (long long)gap->next);
    else
        fputs(", none after it", out);
    if (place->noted_by > 0) fprintf(out, "; noted by record %lld", (long long)place->noted_by);
    fputs(")\n", out);
}

void journal_print_broken(FILE *out, const struct journal_scan *s)
{
    for (uint32_t p = 0; p < s->places && p < SCAN_PLACES_MAX; p++) {
        print_place(out, &s->place[p]);
    }
    if (s->places > SCAN_PLACES_MAX)
        fprintf(out, "and %u more places\n", (unsigned)(s->places - SCAN_PLACES_MAX));
    if (s->torn.bytes == 0) return;
    char name[SEGMENT_NAME_MAX];
    segment_name(name, &s->segments.item[s->torn.segment]);
    fprintf(out,
        "%s:%lld: the last line (%lld bytes) was cut short; the daemon sets it aside at "
        "its next start\n",
        name, (long long)s->torn.line, (long long)s->torn.bytes);
}

static void print_verdict(
    const struct options *o, const struct journal_scan *s, bool whole, bool tip_found)
{
    journal_print_broken(stdout, s);
    if (!tip_found)
        printf("no record has the hash %s: the journal was rewritten, its end is missing, or that "
               "record has been pruned\n",
            o->tip);
    printf("%s: %lld records in %lld segment%s", whole ? "whole" : "not whole",
        (long long)s->records, (long long)s->segments.count, s->segments.count == 1 ? "" : "s");
    if (s->before.seq > 0)
        printf(", the ones before record %lld pruned", (long long)s->before.seq + 1);
    printf("; tip %lld %s\n", (long long)s->tip.seq, s->tip.hash);
}

/* A flat object by the journal's own writer. */
static void print_object(const struct record *r)
{
    char buffer[RECORD_LINE_MAX];
    struct text t = text_over(buffer, sizeof buffer);
    canon_add(&t, r, "kind");
    fputs(buffer, stdout);
}

static void print_json(
    const struct options *o, const struct journal_scan *s, bool whole, bool tip_found)
{
    struct record r;
    fputs("{\"broken\":[", stdout);
    for (uint32_t p = 0; p < s->places && p < SCAN_PLACES_MAX; p++) {
        const struct scan_place *place = &s->place[p];
        record_start(&r, "place");
        record_add_text(&r, "where", place->problem.where);
        record_add_text(&r, "text", place->problem.text);
        record_add_int(&r, "after_seq", place->gap.after);
        record_add_int(&r, "next_seq", place->gap.next);
        record_add_int(&r, "noted_by", place->noted_by);
        if (p > 0) putchar(',');
        print_object(&r);
    }
    printf("],\"broken_count\":%u,\"first_seq\":%lld,\"hash\":\"%s\",\"records\":%lld,"
           "\"segments\":%lld,\"seq\":%lld,",
        (unsigned)s->places, (long long)s->before.seq + 1, s->tip.hash, (long long)s->records,
        (long long)s->segments.count, (long long)s->tip.seq);
    if (o->tip[0]) printf("\"tip_found\":%s,", tip_found ? "true" : "false");
    printf(
        "\"torn_bytes\":%lld,\"whole\":%s}\n", (long long)s->torn.bytes, whole ? "true" : "false");
}

/* --- both ------------------------------------------------------------------------------------- */

int journal_cant_read(const char *dir, const char *file, const char *what)
{
    fprintf(stderr, "dosewright journal: %s%s%s: %s\n", dir, file[0] ? "/" : "", file, what);
    return EX_IOERR;
}

int journal_run_scan(const char *dir, struct journal_scan *s)
{
    struct problem problem = { .err = ERR_NONE };
    if (!s) return journal_cant_read(dir, "", "there is no memory left");
    if (journal_scan_run(s, &problem) != ERR_NONE)
        return journal_cant_read(dir, problem.where, problem.text);
    if (s->segments.count > 0) return GO_ON;
    (void)journal_cant_read(dir, "", "there is no journal here");
    return EX_NOINPUT;
}

int journal_open_dir(const char *dir, int *ret_code)
{
    const int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) return fd;
    const bool missing = errno == ENOENT || errno == ENOTDIR;
    (void)journal_cant_read(dir, "", strerror(errno));
    *ret_code = missing ? EX_NOINPUT : EX_IOERR;
    return -1;
}

/* A daemon may be writing the last line at this moment: that is no torn one, and is looked at
 * again. */
static int verify(const struct options *o, int dir_fd)
{
    int code = GO_ON;
    for (int tries = 1; code == GO_ON; tries++) {
        struct tip_search search = { .wanted = o->tip, .found = o->tip[0] == '\0' };
        struct journal_scan *s = journal_scan_new(dir_fd, look_for_tip, &search);
        code = journal_run_scan(o->dir, s);
        if (code == GO_ON && (s->torn.bytes == 0 || tries == TRIES_MAX)) {
            if (s->before.seq > 0 && strcmp(s->before.hash, o->tip) == 0) search.found = true;
            const bool whole = s->places == 0 && s->torn.bytes == 0 && search.found;
            (o->json ? print_json : print_verdict)(o, s, whole, search.found);
            code = whole ? EX_OK : 1;
        }
        journal_scan_free(s);
        if (code == GO_ON) poll(NULL, 0, TRY_AGAIN_MS);
    }
    return code;
}

static int show(struct options *o, int dir_fd)
{
    struct journal_scan *s = journal_scan_new(dir_fd, show_record, o);
    int code = journal_run_scan(o->dir, s);
    if (code == GO_ON) {
        fflush(stdout);
        journal_print_broken(stderr, s);
        code = s->places > 0 ? 1 : EX_OK;
    }
    journal_scan_free(s);
    return code;
}

int cmd_journal(int argc, char **argv)
{
    struct options o = { .to = INT64_MAX };
    if (argc > 1 && strcmp(argv[1], "report") == 0) return journal_report_command(argc, argv);
    int code = read_command(&o, argc, argv);
    if (code != GO_ON) return code;
    const int dir_fd = journal_open_dir(o.dir, &code);
    if (dir_fd < 0) return code;
    code = o.verify ? verify(&o, dir_fd) : show(&o, dir_fd);
    close(dir_fd);
    if (fflush(stdout) != 0 || ferror(stdout)) return EX_IOERR;
    return code;
}
