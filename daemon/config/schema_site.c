/* The site file: the site itself, its broker, chains and stocks. */
#include "daemon/config/schema_rows.h"

#define SITE(member) offsetof(struct draft_site, member)
#define CHAIN(member) offsetof(struct draft_chain, member)
#define MODULE(member) offsetof(struct draft_module, member)
#define STOCK(member) offsetof(struct draft_stock, member)
#define COUNT(rows) (uint32_t)(sizeof(rows) / sizeof *(rows))

static const char *const versions[] = { "5", "3.1.1", NULL };
static const char *const discoveries[] = { "none", "home-assistant", NULL };

const struct schema_row schema_uri = { "uris", SCHEMA_TEXT, NULL, 8, 255, 0, SCHEMA_REQUIRED, 0,
    NULL, NULL, "" };

static const struct schema_row broker_rows[] = {
    { "uris", SCHEMA_LIST, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, NULL,
        "1 to 8 addresses of one broker, mqtts://host:port or mqtt://host:port, tried in this "
        "order; a plain one never follows one with TLS." },
    { "mqtt", SCHEMA_WORD, NULL, 0, 0, 0, "5", SITE(version), versions, NULL,
        "The version of MQTT to speak; it's never changed by itself." },
    { "username", SCHEMA_TEXT, NULL, 1, 128, 0, SCHEMA_OPTIONAL, SITE(username), NULL, NULL,
        "Who the daemon is to the broker." },
    { "password_file", SCHEMA_SECRET, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SITE(password_file), NULL,
        NULL, "A file whose first line is the password; needs a username." },
    { "ca_file", SCHEMA_SECRET, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SITE(ca_file), NULL, NULL,
        "Certificates (PEM) that the broker's must lead to; without it the system's." },
    { "cert_file", SCHEMA_SECRET, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SITE(cert_file), NULL, NULL,
        "The daemon's own certificate (PEM), where the broker asks for one; goes with key_file." },
    { "key_file", SCHEMA_SECRET, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SITE(key_file), NULL, NULL,
        "The private key of cert_file (PEM)." },
    { "insecure_plain", SCHEMA_BOOL, NULL, 0, 0, 0, "false", SITE(insecure_plain), NULL, NULL,
        "Must be true for a plain mqtt:// address of another machine: anybody on the way can then "
        "read along and move pumps." },
    { "keepalive_s", SCHEMA_WHOLE, "s", 5, 60, 0, "5", SITE(keepalive_s), NULL, NULL,
        "How often the connection is proved alive; a dead one is noticed after two to three times "
        "this." },
};
const struct schema_table schema_broker = { "broker",
    "The MQTT broker that everything goes through.", broker_rows, COUNT(broker_rows), NULL };

static const struct schema_row journal_rows[] = {
    { "dir", SCHEMA_PATH, NULL, 0, 0, 0, "/var/lib/dosewright", SITE(journal_dir), NULL, NULL,
        "The folder of the journal; one daemon only." },
    { "keep_days", SCHEMA_WHOLE, "d", 7, 36500, 0, "400", SITE(keep_days), NULL, NULL,
        "How long records are kept at least." },
    { "water_every_min", SCHEMA_REAL, "min", 0, 1440, 60000, "10", SITE(water_every_ms), NULL, NULL,
        "How often each tank's readings are recorded, for reports; 0: never." },
    { "summary_at", SCHEMA_TIME, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SITE(summary_at_ms), NULL, NULL,
        "When each tank's last day is summed up, in its schedule's zone; without it never." },
};
static const struct schema_table journal_table = { "journal",
    "The record of everything that moved.", journal_rows, COUNT(journal_rows), NULL };

const struct schema_row schema_signer = { "keys", SCHEMA_SECRET, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0,
    NULL, NULL, "" };

static const struct schema_row requests_rows[] = {
    { "keys", SCHEMA_EACH, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, NULL,
        "1 to 16 senders, each with the file of its key: `phone: \"${CREDENTIALS_DIRECTORY}/"
        "phone-key\"`, at least 32 bytes, not open to everyone (docs/security.md)." },
};
static const struct schema_table requests_table = { "requests",
    "Where this is given, nothing but a halt is acted on over the broker that isn't signed with "
    "one of these keys. The local socket is as before.",
    requests_rows, COUNT(requests_rows), NULL };

static const struct schema_row standby_rows[] = {
    { "after_s", SCHEMA_WHOLE, "s", 15, 3600, 1000, "15", SITE(silence_ms), NULL, NULL,
        "How long nothing must have been heard of the daemon that commands before this one takes "
        "over." },
};
static const struct schema_table standby_table = { "standby",
    "Of a board that stands by for another one with the same site file (docs/boards.md).",
    standby_rows, COUNT(standby_rows), NULL };

static const struct schema_row metrics_rows[] = {
    { "file", SCHEMA_PATH, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SITE(metrics_file), NULL, NULL,
        "Where they are written; the collector takes files that end in .prom. Without it none "
        "are." },
    { "every_s", SCHEMA_WHOLE, "s", 1, 3600, 1000, "15", SITE(metrics_every_ms), NULL, NULL,
        "How often." },
};
static const struct schema_table metrics_table = { "metrics",
    "Figures in a file for a Prometheus server's textfile collector (docs/metrics.md).",
    metrics_rows, COUNT(metrics_rows), NULL };

static const struct schema_row site_rows[] = {
    { "site", SCHEMA_KEY, NULL, 0, 0, 0, SCHEMA_REQUIRED, SITE(key), NULL, NULL,
        "The site's key; also its device id on the broker." },
    { "name", SCHEMA_TEXT, NULL, 1, 64, 0, SCHEMA_OPTIONAL, SITE(name), NULL, NULL,
        "A name for people; without it the key." },
    { "broker", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_broker,
        "The MQTT broker." },
    { "journal", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &journal_table,
        "Where the journal is kept, and for how long." },
    { "socket", SCHEMA_PATH, NULL, 0, 0, 0, SCHEMA_OPTIONAL, SITE(socket_path), NULL, NULL,
        "The local door for the command-line tools; without it /run/dosewright/<site>.sock." },
    { "metrics", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &metrics_table,
        "Figures for a Prometheus server." },
    { "homie_domain", SCHEMA_KEY, NULL, 0, 0, 0, "homie", SITE(homie_domain), NULL, NULL,
        "The first level of the topics." },
    { "discovery", SCHEMA_WORD, NULL, 0, 0, 0, "none", SITE(discovery), discoveries, NULL,
        "Announce the devices to a home hub, too, by its own discovery (docs/hubs.md)." },
    { "discovery_prefix", SCHEMA_KEY, NULL, 0, 0, 0, "homeassistant", SITE(discovery_prefix), NULL,
        NULL, "The first level of the topics on which that hub looks for devices." },
    { "requests", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &requests_table,
        "Requests over the broker must be signed; without it the broker's access list alone says "
        "who may ask." },
    { "standby", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &standby_table,
        "When a board that stands by takes over." },
    { "chains", SCHEMA_EACH, NULL, 0, 0, 0, SCHEMA_OPTIONAL, 0, NULL, &schema_chain,
        "Each chain of dosing modules, by a key of your choice; at most 64, counting each tank "
        "with plain outputs. Needed unless all outputs are plain." },
    { "stocks", SCHEMA_EACH, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_stock,
        "Each bottle of stock solution, by a key of your choice; at most 64." },
    { "tanks", SCHEMA_OTHER, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_tank,
        "Each tank by its key; or a list of files or patterns such as [tanks/*.yaml], one tank a "
        "file, its key the file's name without .yaml." },
};
const struct schema_table schema_site = { "", "The site file.", site_rows, COUNT(site_rows), NULL };

static const struct schema_row supply_rows[] = {
    { "volts", SCHEMA_REAL, "V", 3, 60, 0, SCHEMA_REQUIRED, CHAIN(volts), NULL, NULL,
        "What the supply gives at the head." },
    { "amps", SCHEMA_REAL, "A", 0.1, 100, 0, SCHEMA_REQUIRED, CHAIN(amps), NULL, NULL,
        "Its rating." },
    { "usable_percent", SCHEMA_REAL, "%", 10, 100, 0, "80", CHAIN(usable_percent), NULL, NULL,
        "How much of the rating may be planned." },
    { "start_factor", SCHEMA_REAL, NULL, 1, 12, 0, "5", CHAIN(start_factor), NULL, NULL,
        "How many times its running current a motor draws for the moment in which it starts; "
        "'check' "
        "shows what that does to the volts, and no two motors of a chain are started at once." },
};
static const struct schema_table supply_table = { "chains.<chain>.supply",
    "The supply that feeds the whole chain.", supply_rows, COUNT(supply_rows), NULL };

static const struct schema_row chain_rows[] = {
    { "device", SCHEMA_KEY, NULL, 0, 0, 0, SCHEMA_OPTIONAL, CHAIN(device), NULL, NULL,
        "The device id of the chain head on the broker; without it the chain's key." },
    { "supply", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &supply_table,
        "The supply of the chain." },
    { "modules", SCHEMA_ITEMS, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &schema_module,
        "Each module of the chain; at most 16." },
};
const struct schema_table schema_chain = { "chains.<chain>",
    "Dosing modules on one cable and one supply, reached through their chain head.", chain_rows,
    COUNT(chain_rows), NULL };

static const struct schema_row cable_rows[] = {
    { "awg", SCHEMA_WHOLE, "AWG", 10, 30, 0, SCHEMA_REQUIRED, MODULE(awg), NULL, NULL,
        "Gauge of each of the two power conductors." },
    { "length_m", SCHEMA_REAL, "m", 0, 100, 0, SCHEMA_REQUIRED, MODULE(length_m), NULL, NULL,
        "Length of the cable from the former module, or from the supply for the first." },
};
static const struct schema_table cable_table = { "chains.<chain>.modules[].cable",
    "The link from the former module or the supply.", cable_rows, COUNT(cable_rows), NULL };

static const struct schema_row module_rows[] = {
    { "serial", SCHEMA_KEY, NULL, 0, 0, 0, SCHEMA_REQUIRED, MODULE(serial), NULL, NULL,
        "The module's serial number: no pump of the chain runs while another module answers at "
        "this position." },
    { "position", SCHEMA_WHOLE, NULL, 1, CHAIN_MODULES_MAX, 0, SCHEMA_REQUIRED, MODULE(position),
        NULL, NULL, "1 for the module next to the head, 2 for the next one, without gaps." },
    { "cable", SCHEMA_TABLE, NULL, 0, 0, 0, SCHEMA_REQUIRED, 0, NULL, &cable_table,
        "The link that feeds this module." },
    { "min_volts", SCHEMA_REAL, "V", 1, 60, 0, SCHEMA_REQUIRED, MODULE(power.min_volts), NULL, NULL,
        "Below this the module must not be run." },
    { "idle_amps", SCHEMA_REAL, "A", 0, 10, 0, SCHEMA_REQUIRED, MODULE(power.idle_amps), NULL, NULL,
        "What it draws with everything off." },
    { "pump_amps", SCHEMA_REAL, "A", 0.01, 20, 0, SCHEMA_REQUIRED, MODULE(power.pump_amps), NULL,
        NULL, "What each running pump draws." },
    { "circulation_amps", SCHEMA_REAL, "A", 0.01, 50, 0, SCHEMA_OPTIONAL,
        MODULE(power.circulation_amps), NULL, NULL,
        "What its circulation output draws; needed where a tank uses it." },
};
const struct schema_table schema_module = { "chains.<chain>.modules[]", "One dosing module.",
    module_rows, COUNT(module_rows), NULL };

static const struct schema_row stock_rows[] = {
    { "solution", SCHEMA_PATH, NULL, 0, 0, 0, SCHEMA_REQUIRED, STOCK(solution), NULL, NULL,
        "The file that says what is in the bottle." },
    { "bottle_ml", SCHEMA_WHOLE, "mL", 10, 1000000, 1000, SCHEMA_REQUIRED, STOCK(bottle_ul), NULL,
        NULL, "How much a full bottle holds." },
    { "low_ml", SCHEMA_WHOLE, "mL", 0, 1000000, 1000, SCHEMA_OPTIONAL, STOCK(low_ul), NULL, NULL,
        "With so much left there is an alert; without it a tenth of bottle_ml; 0: none." },
    { "low_days", SCHEMA_REAL, "d", 0, 365, 0, "3", STOCK(low_days), NULL, NULL,
        "The same when half of it or less is left and will last no longer, at the use of the last "
        "days; 0: none." },
};
const struct schema_table schema_stock = { "stocks.<stock>", "A bottle of stock solution.",
    stock_rows, COUNT(stock_rows), NULL };
