/* The local door: what a client writes into the Unix socket, in pieces, until it gets an answer or
 * is let go. The first byte: how the bytes are cut into pieces; bit 7: the client leaves before the
 * answer.
 *
 * Held: one line is at most one call; a call names a tank, chain, stock or address that the site
 * has; whoever stays gets exactly one line of JSON; the same bytes read without the socket say the
 * same. */
#include <cjson/cJSON.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "daemon/door/door_call.h"
#include "tests/fuzz/fuzz.h"

enum { ANSWER_MAX = 64 * 1024 };

static struct door *door;
static struct core *core;
static char path[108], answer[ANSWER_MAX];
static const struct now noon = { { 1000000 }, { INT64_C(1932897600000) }, CLOCK_SYNCED };

static void close_door(void)
{
    door_close(door);
    free(core);
}

static void open_door(void)
{
    static struct actions actions;
    const struct core_identity identity = { .by = "fuzz", .boot = "boot" };
    struct problem problem;
    if (door) return;
    if (!text_copy(path, sizeof path, fuzz_path("door.sock")) ||
        door_open(&door, path, &problem) != ERR_NONE || atexit(close_door) != 0)
        exit(2);
    core = core_init(malloc(core_size(&fuzz_site()->site)), &fuzz_site()->site, &identity, noon);
    core_restored(core, true, noon, &actions);
}

static void check_call(const struct door_call *call)
{
    const struct site *site = &fuzz_site()->site;
    const struct event_request *r = &call->request;
    if (call->kind != DOOR_REQUEST) return;
    HOLDS(r->kind < REQUEST_COUNT && strcmp(r->origin.by, "socket") == 0 && !r->origin.retained);
    HOLDS(
        r->tank < site->tank_count && r->chain < site->chain_count && r->stock < site->stock_count);
    HOLDS(isfinite(r->value) && r->span_ms >= 0 && r->ul >= 0);
    HOLDS(r->kind != REQUEST_IDENTIFY || r->address.chain < site->chain_count);
}

static void give_answer(const struct door_call *call)
{
    static const struct door_shell shell = {
        .broker_why = "", .config_path = "site.yaml", .config_error = "", .journal_hash = ""
    };
    if (call->kind == DOOR_STATUS)
        door_answer_status(door, call->ticket, core, &fuzz_site()->site, &shell, noon);
    else
        door_answer(door, call->ticket, true, "done", "as asked");
}

/* How many calls the door has for us now. */
static uint32_t serve(void)
{
    struct door_call call;
    uint32_t calls = 0;
    while (door_take(door, &fuzz_site()->site, noon, &call)) {
        check_call(&call);
        give_answer(&call);
        calls++;
    }
    return calls;
}

static int knock(void)
{
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    const int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0 || !text_copy(address.sun_path, sizeof address.sun_path, path) ||
        connect(fd, (struct sockaddr *)&address, sizeof address) != 0)
        exit(2);
    return fd;
}

/* Sends in pieces while the door listens; returns how many calls came of it. */
static uint32_t send_pieces(int fd, const uint8_t *at, size_t left, size_t piece)
{
    uint32_t calls = 0;
    while (left > 0) {
        const size_t wanted = left < piece ? left : piece;
        const ssize_t n = send(fd, at, wanted, MSG_NOSIGNAL | MSG_DONTWAIT);
        if (n <= 0) break; /* it has answered, and doesn't listen any more */
        at += n;
        left -= (size_t)n;
        calls += serve();
    }
    return calls;
}

static bool has_whole_line(const uint8_t *at, size_t length)
{
    const size_t most = DOOR_CALL_MAX + 2;
    return (length > 0 && memchr(at, '\n', length)) || length >= most;
}

static void read_answer(int fd, bool due)
{
    size_t length = 0;
    for (;;) {
        const ssize_t n = recv(fd, answer + length, sizeof answer - 1 - length, MSG_DONTWAIT);
        if (n <= 0) break;
        length += (size_t)n;
        HOLDS(length < sizeof answer - 1);
        (void)serve();
    }
    answer[length] = '\0';
    HOLDS(due == (length > 0));
    if (!due) return;
    HOLDS(strchr(answer, '\n') == answer + length - 1);
    cJSON *json = cJSON_Parse(answer);
    HOLDS(cJSON_IsObject(json));
    cJSON_Delete(json);
}

/* The line by itself, at the end of its memory. */
static bool read_alone(const uint8_t *at, size_t length)
{
    struct door_call call;
    struct request_refusal no = { 0 };
    uint32_t from;
    const uint8_t *feed = length > 0 ? memchr(at, '\n', length) : NULL;
    if (!feed) return false;
    const size_t line_length = (size_t)(feed - at);
    char *line = fuzz_exact(at, line_length);
    const bool good = door_read_call(&call, &from, line, line_length, &fuzz_site()->site, &no);
    if (good) check_call(&call);
    HOLDS(good || (no.reason[0] != '\0' && no.text[0] != '\0'));
    free(line);
    return good;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct bites b = { data, data + size };
    const uint8_t how = bites_byte(&b);
    const size_t length = (size_t)(b.end - b.at), piece = how & 0x40 ? 1 + (how & 0x3F) : 8192;
    const bool leaves = how & 0x80;
    open_door();
    const bool good = length <= DOOR_CALL_MAX && read_alone(b.at, length);
    const int fd = knock();
    uint32_t calls = serve();
    calls += send_pieces(fd, b.at, length, piece);
    HOLDS(calls <= 1);
    if (length <= DOOR_CALL_MAX) HOLDS(calls == (good ? 1 : 0));
    if (!leaves) read_answer(fd, has_whole_line(b.at, length));
    close(fd);
    HOLDS(serve() == 0);
    return 0;
}
