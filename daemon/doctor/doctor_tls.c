/* Certificates: those in the configuration's files, and the one that a broker shows. The latter is
 * looked at over a connection of its own, which ends after the handshake: the MQTT library tells no
 * dates. What doesn't verify is looked at all the same, so that an expired one can be named. */
#include <errno.h>
#include <openssl/err.h>
#include <openssl/pem.h>
#include <openssl/ssl.h>
#include <openssl/x509v3.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "daemon/config/broker_uri.h"
#include "daemon/doctor/doctor.h"

enum { SOON_DAYS = 30, CA_MOST = 512 };

struct dates {
    struct civil from, to;
};

static struct civil civil_of(const ASN1_TIME *at)
{
    struct tm tm;
    if (ASN1_TIME_to_tm(at, &tm) != 1) return (struct civil){ 0 };
    return (struct civil){ (int64_t)timegm(&tm) * 1000 };
}

static struct dates dates_of(const X509 *x)
{
    return (struct dates){ civil_of(X509_get0_notBefore(x)), civil_of(X509_get0_notAfter(x)) };
}

/* By its dates alone. 'renew': how one comes by a new one. */
static void judge_dates(
    struct doctor *d, const char *what, const char *name, struct dates dates, const char *renew)
{
    char from[DOCTOR_DATE_MAX], to[DOCTOR_DATE_MAX];
    const int64_t left_ms = dates.to.ms - d->now.civil.ms;
    doctor_date(from, dates.from);
    doctor_date(to, dates.to);
    if (dates.from.ms > d->now.civil.ms) {
        doctor_see(d, what, "%s holds from %s on only", name, from);
        doctor_judge(d, DOCTOR_FAIL, "is this machine's clock right? If so: that one is too new");
    } else if (left_ms <= 0) {
        doctor_see(d, what, "%s expired on %s", name, to);
        doctor_judge(d, DOCTOR_FAIL, renew);
    } else if (left_ms < SOON_DAYS * DAY_MS) {
        doctor_see(
            d, what, "%s expires on %s, in %lld days", name, to, (long long)(left_ms / DAY_MS));
        doctor_judge(d, DOCTOR_WARN, renew);
    } else {
        doctor_see(d, what, "%s holds until %s", name, to);
        doctor_judge(d, DOCTOR_OK, NULL);
    }
}

static const char *tls_says(void)
{
    const unsigned long code = ERR_peek_last_error();
    const char *reason = code ? ERR_reason_error_string(code) : NULL;
    return reason ? reason : "it can't be read";
}

/* --- files -------------------------------------------------------------------------------------
 */

static void cant_use(struct doctor *d, const char *what, const char *path, const char *why)
{
    doctor_see(d, what, "%s: %s", path, why);
    doctor_judge(d, DOCTOR_FAIL,
        "it must be a PEM file that the daemon's account may read; where the service manager keeps "
        "it look again as root, while the service runs");
}

/* The one that ends first of all in a file; false, and said, when there is none. */
static bool read_ca(struct doctor *d, const char *path, struct dates *ret)
{
    FILE *file = fopen(path, "re");
    if (!file) {
        cant_use(d, "CA", path, strerror(errno));
        return false;
    }
    int n = 0;
    X509 *x = NULL;
    for (; n < CA_MOST && (x = PEM_read_X509(file, NULL, NULL, NULL)) != NULL; n++) {
        const struct dates dates = dates_of(x);
        if (n == 0 || dates.to.ms < ret->to.ms) *ret = dates;
        X509_free(x);
    }
    fclose(file);
    ERR_clear_error(); /* the end of the file is one to it */
    if (n == 0) cant_use(d, "CA", path, "no certificate is in it");
    return n > 0;
}

/* The daemon has nobody to ask for a pass phrase, so none is asked for here. */
static int no_phrase(char *to, int size, int writes, void *context)
{
    (void)to;
    (void)size;
    (void)writes;
    *(bool *)context = true;
    return -1;
}

static void cant_use_key(struct doctor *d, const char *path, bool locked)
{
    if (!locked) {
        cant_use(d, "key", path, tls_says());
        return;
    }
    doctor_see(d, "key", "%s is locked with a pass phrase, which the daemon can't know", path);
    doctor_judge(d, DOCTOR_FAIL,
        "write it without one (openssl pkey -in KEY -out NEW), for the daemon's account alone");
}

static void judge_own(struct doctor *d, const char *cert, const char *key)
{
    FILE *file = fopen(cert, "re");
    X509 *x = file ? PEM_read_X509(file, NULL, NULL, NULL) : NULL;
    if (!x) {
        cant_use(d, "certificate", cert, file ? tls_says() : strerror(errno));
        if (file) fclose(file);
        return;
    }
    fclose(file);
    judge_dates(d, "certificate", cert, dates_of(x),
        "have a new one made for the daemon, put it in place of the old one, and restart the "
        "daemon");
    bool locked = false;
    file = key ? fopen(key, "re") : NULL;
    EVP_PKEY *pair = file ? PEM_read_PrivateKey(file, NULL, no_phrase, &locked) : NULL;
    if (!file) {
        cant_use(d, "key", key ? key : cert, strerror(errno));
    } else if (!pair) {
        cant_use_key(d, key, locked);
    } else if (X509_check_private_key(x, pair) != 1) {
        doctor_see(d, "key", "%s isn't the key of %s", key, cert);
        doctor_judge(
            d, DOCTOR_FAIL, "broker.key_file must be the one that cert_file was made with");
    }
    EVP_PKEY_free(pair);
    if (file) fclose(file);
    X509_free(x);
}

void doctor_tls_files(struct doctor *d)
{
    const struct broker_config *broker = &d->config->broker;
    struct dates dates = { { 0 }, { 0 } };
    if (broker->ca_file && read_ca(d, broker->ca_file, &dates))
        judge_dates(d, "CA", broker->ca_file, dates,
            "put the CA's new certificate beside the old one in broker.ca_file, then renew what it "
            "signs");
    if (broker->cert_file) judge_own(d, broker->cert_file, broker->key_file);
    ERR_clear_error();
}

/* --- the broker's ------------------------------------------------------------------------------
 */

/* What the broker's certificate must lead to, and the daemon's own. */
static SSL_CTX *context_of(const struct broker_config *broker)
{
    SSL_CTX *context = SSL_CTX_new(TLS_client_method());
    if (!context) return NULL;
    SSL_CTX_set_verify(context, SSL_VERIFY_NONE, NULL); /* looked at, whatever it is */
    if (broker->ca_file)
        (void)SSL_CTX_load_verify_locations(context, broker->ca_file, NULL);
    else
        (void)SSL_CTX_set_default_verify_paths(context);
    if (broker->cert_file && broker->key_file) {
        static bool locked; /* judged with the files */
        SSL_CTX_set_default_passwd_cb(context, no_phrase);
        SSL_CTX_set_default_passwd_cb_userdata(context, &locked);
        (void)SSL_CTX_use_certificate_chain_file(context, broker->cert_file);
        (void)SSL_CTX_use_PrivateKey_file(context, broker->key_file, SSL_FILETYPE_PEM);
    }
    return context;
}

/* An address is compared with addresses, a name with names. */
static void expect_name(SSL *ssl, const char *host)
{
    char name[256];
    (void)text_copy(name, sizeof name, host + (host[0] == '[' ? 1 : 0));
    name[strcspn(name, "]")] = '\0';
    X509_VERIFY_PARAM *wanted = SSL_get0_param(ssl);
    if (X509_VERIFY_PARAM_set1_ip_asc(wanted, name) == 1) return;
    ERR_clear_error();
    (void)X509_VERIFY_PARAM_set1_host(wanted, name, 0);
    (void)SSL_set_tlsext_host_name(ssl, name);
}

static void judge_shown(struct doctor *d, const char *uri, SSL *ssl)
{
    const char *what = "broker's cert.";
    const long verdict = SSL_get_verify_result(ssl);
    X509 *x = SSL_get1_peer_certificate(ssl);
    if (!x) {
        doctor_see(d, what, "%s shows none: %s", uri, tls_says());
        doctor_judge(
            d, DOCTOR_FAIL, "is that port one for TLS? Else write mqtt:// and its plain port");
        return;
    }
    const bool by_date = verdict == X509_V_OK || verdict == X509_V_ERR_CERT_HAS_EXPIRED ||
                         verdict == X509_V_ERR_CERT_NOT_YET_VALID;
    if (by_date) {
        judge_dates(
            d, what, uri, dates_of(x), "renew the broker's certificate, and restart the broker");
    } else {
        doctor_see(d, what, "%s: %s", uri, X509_verify_cert_error_string(verdict));
        doctor_judge(d, DOCTOR_FAIL,
            verdict == X509_V_ERR_HOSTNAME_MISMATCH || verdict == X509_V_ERR_IP_ADDRESS_MISMATCH
                ? "the certificate must name the broker as broker.uris does: change the one or the "
                  "other"
                : "broker.ca_file must hold the CA that signed the broker's certificate");
    }
    X509_free(x);
}

void doctor_tls_broker(struct doctor *d, const char *text)
{
    struct broker_uri uri;
    if (!broker_uri_read(&uri, text) || !uri.tls) return;
    const int fd = doctor_socket(&uri, d->wait_ms);
    if (fd < 0) return; /* the line on the broker tells */
    SSL_CTX *context = context_of(&d->config->broker);
    SSL *ssl = context ? SSL_new(context) : NULL;
    ERR_clear_error();
    if (ssl && SSL_set_fd(ssl, fd) == 1) {
        expect_name(ssl, uri.host);
        (void)SSL_connect(ssl);
        judge_shown(d, text, ssl);
        (void)SSL_shutdown(ssl);
    }
    SSL_free(ssl);
    SSL_CTX_free(context);
    ERR_clear_error();
    close(fd);
}
