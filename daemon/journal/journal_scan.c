/* For SEEK_DATA. */
#define _GNU_SOURCE
#include "daemon/journal/journal_scan.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "daemon/base/digest.h"
#include "lib/base/invariant.h"
#include "lib/base/text.h"

/* A line as it was found. */
struct found {
    char *bytes;
    size_t length; /* without its line feed */
    int64_t at;    /* in the file */
    bool ended;    /* by a line feed */
    bool whole;    /* not too long to be looked at */
    bool last;     /* of its file */
};

void journal_sha256(const void *bytes, size_t count, uint8_t ret[LINK_HASH_BYTES])
{
    digest_bytes(bytes, count, ret);
}

struct journal_scan *journal_scan_new(int dir_fd, journal_visit visit, void *context)
{
    struct journal_scan *s = calloc(1, sizeof *s);
    if (!s) return NULL;
    s->dir_fd = dir_fd;
    s->visit = visit;
    s->context = context;
    s->tip = s->before = link_start();
    return s;
}

void journal_scan_within(struct journal_scan *s, const struct scan_piece *piece)
{
    s->piece = piece;
}

void journal_scan_free(struct journal_scan *s)
{
    if (s) segments_free(&s->segments);
    free(s);
}

/* --- broken places ---------------------------------------------------------------------------- */

static void set_place(
    struct problem *ret, const struct segment *segment, int64_t line, const struct problem *why)
{
    char name[SEGMENT_NAME_MAX], where[PROBLEM_WHERE_MAX], words[PROBLEM_TEXT_MAX];
    struct text w = text_over(where, sizeof where), t = text_over(words, sizeof words);
    segment_name(name, segment);
    text_add(&w, name);
    text_add_char(&w, ':');
    text_add_int(&w, line);
    if (why->where[0]) {
        text_add(&t, why->where);
        text_add(&t, ": ");
    }
    text_add(&t, why->text);
    (void)problem_set(ret, ERR_DAMAGED, where, words);
}

/* The chain is broken after the tip; what follows until the next good record is the same place. */
static void lose(struct journal_scan *s, size_t segment, int64_t line, const struct problem *why)
{
    if (s->lost) return;
    s->lost = true;
    s->begun = true;
    if (s->places++ >= SCAN_PLACES_MAX) return;
    struct scan_place *place = &s->place[s->places - 1];
    *place = (struct scan_place){ .gap = { .after = s->tip.seq } };
    set_place(&place->problem, &s->segments.item[segment], line, why);
}

/* The first good record after a broken place. */
static void regain(struct journal_scan *s)
{
    if (s->lost && s->places <= SCAN_PLACES_MAX) s->place[s->places - 1].gap.next = s->tip.seq;
    s->lost = false;
}

/* --- records that change what is expected ----------------------------------------------------- */

static void take_note(struct journal_scan *s)
{
    struct scan_gap gap;
    if (!record_int(&s->record, "after_seq", &gap.after)) return;
    if (!record_int(&s->record, "next_seq", &gap.next)) return;
    const uint32_t at = s->noted++ % SCAN_PLACES_MAX; /* the newest are kept */
    s->note[at].gap = gap;
    s->note[at].by = s->tip.seq;
}

static void take_pruned(struct journal_scan *s)
{
    int64_t first;
    const char *prev;
    if (!record_int(&s->record, "first_seq", &first) || first > s->tip.seq) return;
    if (!record_text(&s->record, "first_prev", &prev)) return;
    s->pruned_first = first;
    (void)text_copy(s->pruned_prev, sizeof s->pruned_prev, prev);
}

/* The first record of a segment tells its version; without that it is the first. */
static void take_format(struct journal_scan *s)
{
    s->format = 1;
    (void)record_int(&s->record, "format", &s->format);
}

static void accept(struct journal_scan *s, const struct found *f)
{
    struct segment *segment = &s->segments.item[s->segment];
    s->begun = true;
    s->records++;
    regain(s);
    struct now at;
    const char *boot;
    int64_t seq;
    const bool has_header = link_header(&s->record, &seq, &at, &boot);
    INVARIANT(has_header); /* link_follow wouldn't have let it through */
    const int64_t place_ms = recover_place(&s->time, boot, at);
    if (segment->first_seq == 0) {
        take_format(s);
        segment->begun_ms = place_ms;
        segment->first_seq = s->tip.seq;
        (void)text_copy(segment->first_prev, sizeof segment->first_prev,
            record_text_or_empty(&s->record, "prev"));
    }
    if (record_is(&s->record, "damage")) take_note(s);
    if (record_is(&s->record, "pruned")) take_pruned(s);
    f->bytes[f->length] = '\0'; /* over the line feed */
    if (s->visit) s->visit(s->context, &s->record, f->bytes);
}

/* --- lines ------------------------------------------------------------------------------------ */

static enum err follow(struct journal_scan *s, struct link_tip *tip, const struct found *f,
    size_t length, struct problem *problem)
{
    return link_follow(tip, &s->record, f->bytes, length, journal_sha256, problem);
}

/* A record that fits its own hash and comes later than the tip, by its own word: where the chain
 * stood before it, and stands after it. */
static bool take_up(struct journal_scan *s, const struct found *f, struct link_tip *ret_before,
    struct link_tip *ret_tip)
{
    if (!f->ended || !link_before(ret_before, f->bytes, f->length)) return false;
    if (ret_before->seq < s->tip.seq) return false;
    *ret_tip = *ret_before;
    return follow(s, ret_tip, f, f->length, NULL) == ERR_NONE;
}

/* Not written to its end? A line that would be good without its last byte was: that byte was the
 * line feed, and has changed since. */
static bool is_torn(struct journal_scan *s, const struct found *f)
{
    if (!f->last) return false;
    if (f->ended) return memchr(f->bytes, 0, f->length) != NULL;
    struct link_tip tip = s->tip;
    return !f->whole || follow(s, &tip, f, f->length - 1, NULL) != ERR_NONE;
}

/* A bad last line is kept back until it is known that nothing follows in a later file. */
static void refuse(struct journal_scan *s, const struct found *f, const struct problem *why)
{
    if (!is_torn(s, f)) {
        lose(s, s->segment, s->line, why);
        return;
    }
    s->torn = (struct scan_torn){ .segment = s->segment,
        .line = s->line,
        .at = f->at,
        .bytes = s->segment_size - f->at,
        .problem = *why };
}

static enum err judge(struct journal_scan *s, const struct found *f, struct problem *problem)
{
    if (!f->whole) return problem_set(problem, ERR_SYNTAX, "", "the line is too long");
    if (f->ended) return follow(s, &s->tip, f, f->length, problem);
    return problem_set(problem, ERR_SYNTAX, "", "the line isn't ended: it was cut short");
}

static void take_line(struct journal_scan *s, const struct found *f)
{
    struct problem why;
    struct link_tip before, tip;
    s->line++;
    if (s->torn.bytes > 0) { /* in an earlier file: it wasn't the end */
        lose(s, s->torn.segment, s->torn.line, &s->torn.problem);
        s->torn.bytes = 0;
    }
    if (judge(s, f, &why) == ERR_NONE) {
        accept(s, f);
        return;
    }
    if (!f->whole || !take_up(s, f, &before, &tip)) {
        refuse(s, f, &why);
        return;
    }
    if (s->begun)
        lose(s, s->segment, s->line, &why);
    else
        s->before = before; /* the beginning may have been pruned: that is looked at in the end */
    s->tip = tip;
    accept(s, f);
}

/* --- files ------------------------------------------------------------------------------------ */

struct reading {
    int fd;
    int64_t base;     /* of the buffer, in the file */
    size_t held;      /* in the buffer */
    int64_t skipping; /* where a line began that is longer than the buffer; -1: none */
};

/* The lines that are whole in the buffer; at the end of the file what is left is one too. */
static size_t take_lines(struct journal_scan *s, struct reading *r, bool at_end)
{
    size_t used = 0;
    while (used < r->held) {
        char *start = s->buffer + used;
        const char *feed = memchr(start, '\n', r->held - used);
        if (!feed && !at_end) break;
        const bool whole = r->skipping < 0;
        struct found f = { .bytes = start, .ended = feed != NULL, .whole = whole };
        f.length = feed ? (size_t)(feed - start) : r->held - used;
        f.at = whole ? r->base + (int64_t)used : r->skipping;
        used += f.length + (feed ? 1 : 0);
        f.last = at_end && used == r->held;
        r->skipping = -1;
        take_line(s, &f);
    }
    return used;
}

/* Of a piece no more than is its own, of a file no more than it held when it was opened: a daemon
 * may be writing to it. */
static size_t room_left(const struct journal_scan *s, const struct reading *r)
{
    const size_t room = SCAN_BUFFER - r->held;
    const int64_t left = s->segment_size - r->base - (int64_t)r->held;
    return left < (int64_t)room ? (size_t)left : room;
}

/* In a line that is too long for any record: a hole in the file, which reads as zeros, has no line
 * feed in it, and a huge one would take long to read. Without one, or where the file system can't
 * tell, it reads on. */
static void skip_hole(struct journal_scan *s, struct reading *r)
{
    const int64_t left = s->segment_size - r->base - (int64_t)r->held;
    const off_t here = lseek(r->fd, 0, SEEK_CUR);
    if (here < 0) return;
    const off_t data = lseek(r->fd, here, SEEK_DATA);
    int64_t hole = data < 0 && errno == ENXIO ? left : (int64_t)(data - here);
    if (hole > left) hole = left;
    if (hole < 0) hole = 0;
    if (lseek(r->fd, here + (off_t)hole, SEEK_SET) < 0 || hole == 0) return;
    r->base += hole;
    s->buffer[0] = '\0';
}

static enum err read_file(struct journal_scan *s, struct reading *r, struct problem *problem)
{
    bool at_end = false;
    while (!at_end) {
        ssize_t n = read(r->fd, s->buffer + r->held, room_left(s, r));
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) return problem_set(problem, ERR_IO, "", strerror(errno));
        r->held += (size_t)n;
        at_end = n == 0 || r->base + (int64_t)r->held >= s->segment_size;
        size_t used = take_lines(s, r, at_end);
        if (used == 0 && r->held == SCAN_BUFFER) { /* no record is that long: its start will do */
            if (r->skipping < 0) r->skipping = r->base;
            used = r->held - 1; /* one byte stays, a NUL if there was one: is_torn looks for it */
            s->buffer[0] = memchr(s->buffer, 0, r->held) ? '\0' : s->buffer[used];
        } else {
            memmove(s->buffer, s->buffer + used, r->held - used);
        }
        r->base += (int64_t)used;
        r->held -= used;
        if (r->skipping >= 0) skip_hole(s, r);
    }
    return ERR_NONE;
}

static enum err read_piece(struct journal_scan *s, struct problem *problem)
{
    const struct scan_piece *piece = &s->piece[s->segment];
    struct reading r = { .fd = s->dir_fd, .skipping = -1 };
    s->segment_size = piece->bytes;
    s->line = 0;
    if (lseek(r.fd, (off_t)piece->at, SEEK_SET) < 0)
        return problem_set(problem, ERR_IO, "", strerror(errno));
    return read_file(s, &r, problem);
}

static enum err read_segment(struct journal_scan *s, struct problem *problem)
{
    char name[SEGMENT_NAME_MAX];
    struct stat st;
    if (s->piece) return read_piece(s, problem);
    segment_name(name, &s->segments.item[s->segment]);
    struct reading r = { .fd = openat(s->dir_fd, name,
                             O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY),
        .skipping = -1 };
    if (r.fd < 0 && errno == ENOENT && !s->begun) return ERR_NONE; /* pruned just now */
    enum err err;
    const bool link = r.fd < 0 && errno == ELOOP; /* which isn't followed */
    if (!link && (r.fd < 0 || fstat(r.fd, &st) != 0)) {
        err = problem_set(problem, ERR_IO, "", strerror(errno));
    } else if (link || !S_ISREG(st.st_mode)) {
        err = problem_set(problem, ERR_IO, "", "it isn't a plain file");
    } else {
        s->segment_size = st.st_size;
        s->line = 0;
        err = read_file(s, &r, problem);
    }
    if (r.fd >= 0) close(r.fd);
    if (err != ERR_NONE && problem) (void)text_copy(problem->where, sizeof problem->where, name);
    return err;
}

/* --- the whole -------------------------------------------------------------------------------- */

/* A chain that doesn't begin at record 1: does a record say that what was before it was pruned? An
 * interrupted pruning may have left more than it says, never less. */
static void check_beginning(struct journal_scan *s)
{
    const int64_t first = s->before.seq + 1;
    const char *text = "the journal begins here, and none of its records says that the ones before "
                       "were pruned";
    if (s->before.seq == 0 && text_same(s->before.hash, link_start().hash)) return;
    if (s->pruned_first > first) return;
    if (s->pruned_first == first && text_same(s->pruned_prev, s->before.hash)) return;
    if (s->pruned_first == first)
        text = "the journal begins here, and not as the record says that was made at pruning";
    const uint32_t at = s->places++;
    if (at >= SCAN_PLACES_MAX) return;
    struct problem why = { .err = ERR_DAMAGED };
    (void)text_copy(why.text, sizeof why.text, text);
    size_t segment = 0;
    while (s->segments.item[segment].first_seq == 0) { /* one has a record: it gave 'before' */
        segment++;
    }
    s->place[at] = (struct scan_place){ .gap = { .after = 0, .next = first } };
    set_place(&s->place[at].problem, &s->segments.item[segment], 1, &why);
}

/* Where the records before a broken place were pruned, the note still names the last of them. */
static bool tells_of(
    const struct journal_scan *s, const struct scan_gap *note, const struct scan_gap *place)
{
    if (note->next != place->next) return false;
    if (note->after == place->after) return true;
    return place->after == 0 && s->pruned_first == place->next;
}

static void match_notes(struct journal_scan *s)
{
    const uint32_t notes = s->noted < SCAN_PLACES_MAX ? s->noted : SCAN_PLACES_MAX;
    for (uint32_t p = 0; p < s->places && p < SCAN_PLACES_MAX; p++) {
        for (uint32_t n = 0; n < notes; n++) {
            if (tells_of(s, &s->note[n].gap, &s->place[p].gap))
                s->place[p].noted_by = s->note[n].by;
        }
    }
}

static enum err refuse_newer(const struct journal_scan *s, struct problem *problem)
{
    char name[SEGMENT_NAME_MAX], words[PROBLEM_TEXT_MAX];
    struct text t = text_over(words, sizeof words);
    segment_name(name, &s->segments.item[s->segment]);
    text_add(&t, "a newer dosewright wrote this (format ");
    text_add_int(&t, s->format);
    text_add(&t, "; this one reads up to ");
    text_add_int(&t, JOURNAL_FORMAT);
    text_add(&t,
        "). Nothing was changed. Install that version again, or put a backup back that was "
        "made before it ('dosewright restore')");
    return problem_set(problem, ERR_RANGE, name, words);
}

enum err journal_scan_run(struct journal_scan *s, struct problem *problem)
{
    enum err err = s->piece ? ERR_NONE : segments_list(&s->segments, s->dir_fd, problem);
    for (s->segment = 0; s->segment < s->segments.count && err == ERR_NONE; s->segment++) {
        err = read_segment(s, problem);
        if (err == ERR_NONE && s->format > JOURNAL_FORMAT) err = refuse_newer(s, problem);
    }
    if (err != ERR_NONE) return err;
    check_beginning(s);
    match_notes(s);
    return ERR_NONE;
}

uint32_t journal_scan_unnoted(const struct journal_scan *s, const struct scan_place **ret_first)
{
    uint32_t count = s->places > SCAN_PLACES_MAX ? s->places - SCAN_PLACES_MAX : 0;
    if (count > 0 && ret_first) *ret_first = &s->place[SCAN_PLACES_MAX - 1];
    for (uint32_t p = s->places < SCAN_PLACES_MAX ? s->places : SCAN_PLACES_MAX; p > 0; p--) {
        if (s->place[p - 1].noted_by != 0) continue;
        count++;
        if (ret_first) *ret_first = &s->place[p - 1];
    }
    return count;
}
