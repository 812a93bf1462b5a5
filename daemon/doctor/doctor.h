/* What 'dosewright doctor' looks at, and how it says what it saw: one line a matter, each with a
 * verdict, and what to do where that isn't "ok". Private to daemon/doctor.
 *
 * It changes nothing. What it publishes (doctor_acl.c) no head and no daemon acts on, and it never
 * takes the daemon's client id. It works beside a running daemon and without one, as root, as the
 * daemon's account or as another: what it may not see it says. */
#ifndef DOSEWRIGHT_DAEMON_DOCTOR_H
#define DOSEWRIGHT_DAEMON_DOCTOR_H

#include <cjson/cJSON.h>
#include <stdio.h>

#include "daemon/config/broker_uri.h"
#include "daemon/config/config.h"
#include "daemon/mqtt/mqtt.h"
#include "lib/base/text.h"

enum doctor_verdict { DOCTOR_OK, DOCTOR_WARN, DOCTOR_FAIL, DOCTOR_VERDICTS };

enum { DOCTOR_FOUND_MAX = 768, DOCTOR_WHAT_MAX = 24 };

struct doctor {
    /* given */
    FILE *out;
    bool json;
    struct now now;
    int64_t wait_ms;      /* for whatever others should say: 1 to 120 s */
    bool silent;          /* publishes nothing */
    const char *unit_dir; /* where the service's drop-ins lie */
    /* found on the way */
    const struct config *config;
    const cJSON *status; /* of the running daemon; NULL: none answers */
    uint32_t count[DOCTOR_VERDICTS];
    char what[DOCTOR_WHAT_MAX]; /* of the line that is being made */
    char found[DOCTOR_FOUND_MAX];
};

/* --- doctor.c: lines ---------------------------------------------------------------------------
 */

/* What was looked at ("disk"), and what was found, printf-like; foreign text in it is made safe
 * when it is printed. Then the verdict; 'remedy' is NULL for DOCTOR_OK alone. */
void doctor_see(struct doctor *d, const char *what, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
void doctor_judge(struct doctor *d, enum doctor_verdict verdict, const char *remedy);

/* Before the first line and after the last. The end gives the exit code: 0 all is ok, 1 something
 * is a warning, 2 something fails. */
void doctor_begin(struct doctor *d);
int doctor_end(struct doctor *d);

/* "2031-04-02" of an instant. */
enum { DOCTOR_DATE_MAX = 40 };
const char *doctor_date(char ret[DOCTOR_DATE_MAX], struct civil at);

/* --- doctor_machine.c: clock, disk, journal ----------------------------------------------------
 */

void doctor_clock(struct doctor *d);
void doctor_disk(struct doctor *d);
void doctor_journal(struct doctor *d);

/* --- doctor_tls.c: certificates ----------------------------------------------------------------
 */

/* Those in the files that the configuration names. */
void doctor_tls_files(struct doctor *d);

/* The one that a broker shows at an address with TLS that answers. */
void doctor_tls_broker(struct doctor *d, const char *uri);

/* --- doctor_client.c: a client of the broker ----------------------------------------------------
 */

/* A client at one address of the broker, with the site's own account. It waits at most d->wait_ms
 * (but 5 s at least) for its connection and the subscriptions. NULL, with the reason in 'why', when
 * it got none. 'version' is Paho's: 5 or 4. */
struct doctor_wish {
    const char *uri;
    int version;
    const struct mqtt_subscription *filter; /* NULL: none */
    uint32_t filters;
};
enum { DOCTOR_WHY_MAX = 256 };
struct mqtt *doctor_connect(
    const struct doctor *d, const struct doctor_wish *wish, char why[DOCTOR_WHY_MAX]);

/* One turn of it: returns when something came, or at 'until' at the latest. */
void doctor_turn(struct mqtt *m, struct mono until);

/* Publishes at QoS 1, never retained, and waits a little for room. */
bool doctor_publish(struct mqtt *m, const char *topic, const char *payload);

/* --- doctor_stranger.c: a client without an account ---------------------------------------------
 */

/* A TCP connection within that time; -1 when there is none. */
int doctor_socket(const struct broker_uri *uri, int64_t wait_ms);

/* Says one thing at QoS 0. False when it isn't let in; whether the broker passed it on isn't known.
 */
bool doctor_stranger_says(
    const struct doctor *d, const char *uri, const char *topic, const char *payload);

/* --- doctor_broker.c: is it there? --------------------------------------------------------------
 */

/* Every address. Gives the first that answers, or NULL. */
const char *doctor_broker(struct doctor *d);

/* --- doctor_acl.c: who may say what -------------------------------------------------------------
 */

void doctor_acl(struct doctor *d, const char *uri);

/* --- doctor_kept.c: what the broker keeps -------------------------------------------------------
 */

void doctor_kept(struct doctor *d, const char *uri);

/* --- doctor_board.c: what it keeps for boards of plain outputs ----------------------------------
 */

/* No line where the site has none. */
void doctor_boards(struct doctor *d, const char *uri);

/* --- doctor_live.c, doctor_idle.c: probes, chains, calibrations ---------------------------------
 */

void doctor_live(struct doctor *d);                  /* as the running daemon sees them */
void doctor_idle(struct doctor *d, const char *uri); /* without one; 'uri' may be NULL */

/* --- doctor_unit.c: what the service may reach --------------------------------------------------
 */

void doctor_unit(struct doctor *d);

/* The drop-in for this configuration's broker; false, with the reason said on standard error, when
 * a name of it can't be looked up. */
bool doctor_drop_in(FILE *out, const struct config *config);

#endif
