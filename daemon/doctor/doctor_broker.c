/* Is the broker there, at each of its addresses, and in the version of MQTT that is configured? */
#include <string.h>

#include "daemon/base/clock.h"
#include "daemon/config/broker_uri.h"
#include "daemon/doctor/doctor.h"
#include "daemon/mqtt/mqtt_secret.h"

enum { VERSION_5 = 5, VERSION_3_1_1 = 4 };

static const char *version_word(int version)
{
    return version == VERSION_5 ? "5" : "3.1.1";
}

/* A password that can't be read would only look like a broker that doesn't answer. */
static bool secrets_can_be_read(struct doctor *d)
{
    struct secret password = { .length = 0 };
    struct problem problem;
    if (!d->config->broker.password_file) return true;
    const enum err err = secret_read(&password, d->config->broker.password_file, &problem);
    secret_forget(&password);
    if (err == ERR_NONE) return true;
    doctor_see(d, "broker", "the password can't be used: %s: %s", problem.where, problem.text);
    doctor_judge(d, DOCTOR_FAIL,
        "look again as root or as the daemon's account; where the service manager keeps it "
        "(LoadCredential=), while the service runs, or name the folder with --credentials DIR");
    return false;
}

/* Words that say more than "look at everything", by what the connection said. */
static const char *remedy_for(const char *uri, const char *why)
{
    struct broker_uri read;
    if (strstr(why, "refused the connection"))
        return "the broker knows this account not, or with another password: compare "
               "broker.username, password_file and cert_file with its own list, and look at its "
               "log";
    if (broker_uri_read(&read, uri) && read.tls)
        return "look at the lines on certificates, if any: dates, ca_file, the name in the "
               "address; "
               "else: does the broker run, is that its address and its port for TLS, and does a "
               "firewall stand in between?";
    return "does the broker run, is that its address and port, and does a firewall or the "
           "service's own drop-in stand in between?";
}

static void judge_version(struct doctor *d, const char *uri)
{
    char why[DOCTOR_WHY_MAX];
    if (d->config->broker.version == VERSION_5) return;
    const struct doctor_wish wish = { .uri = uri, .version = VERSION_5 };
    struct mqtt *m = doctor_connect(d, &wish, why);
    doctor_see(d, "mqtt version",
        m ? "3.1.1 is configured, and the broker speaks 5, too"
          : "3.1.1, and the broker speaks nothing newer");
    if (m)
        doctor_judge(d, DOCTOR_WARN,
            "set broker.mqtt to 5: then messages that the broker kept are told from new ones, and "
            "a message that it refuses isn't lost silently");
    else
        doctor_judge(d, DOCTOR_OK, NULL);
    mqtt_close(m);
}

/* The address doesn't let the daemon in: would it, in the other version? */
static bool other_version(struct doctor *d, const char *uri)
{
    char why[DOCTOR_WHY_MAX];
    const int other = d->config->broker.version == VERSION_5 ? VERSION_3_1_1 : VERSION_5;
    const struct doctor_wish wish = { .uri = uri, .version = other };
    struct mqtt *m = doctor_connect(d, &wish, why);
    if (!m) return false;
    mqtt_close(m);
    doctor_see(d, "mqtt version", "%s speaks MQTT %s, not %s", uri, version_word(other),
        version_word(d->config->broker.version));
    doctor_judge(
        d, DOCTOR_FAIL, other == VERSION_5 ? "set broker.mqtt to 5" : "set broker.mqtt to 3.1.1");
    return true;
}

static bool answers(struct doctor *d, const char *uri)
{
    char why[DOCTOR_WHY_MAX];
    const struct doctor_wish wish = { .uri = uri, .version = d->config->broker.version };
    const struct mono before = clock_now().mono;
    struct mqtt *m = doctor_connect(d, &wish, why);
    if (!m) {
        doctor_see(d, "broker", "%s: %s", uri, why);
        doctor_judge(d, DOCTOR_FAIL, remedy_for(uri, why));
        (void)other_version(d, uri);
        return false;
    }
    mqtt_close(m);
    doctor_see(d, "broker", "%s answers in MQTT %s, and takes the daemon's account (%lld ms)", uri,
        version_word(wish.version), (long long)mono_since(clock_now().mono, before));
    doctor_judge(d, DOCTOR_OK, NULL);
    return true;
}

static void judge_plain(struct doctor *d, const char *text)
{
    struct broker_uri uri;
    if (!broker_uri_read(&uri, text) || !broker_uri_is_open(&uri)) return;
    doctor_see(d, "encryption", "%s is a plain connection to another machine", text);
    doctor_judge(d, DOCTOR_WARN,
        "whoever is on the way reads along and can move pumps: let the broker speak TLS, and write "
        "mqtts://");
}

const char *doctor_broker(struct doctor *d)
{
    const char *first = NULL;
    if (!secrets_can_be_read(d)) return NULL;
    for (uint32_t i = 0; i < d->config->broker.uri_count; i++) {
        const char *uri = d->config->broker.uri[i];
        judge_plain(d, uri);
        if (answers(d, uri) && !first) first = uri;
        doctor_tls_broker(d, uri);
    }
    if (first) judge_version(d, first);
    return first;
}
