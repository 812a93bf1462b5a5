/* The least that a client of the daemon's own library could do with readings: it parses each and
 * publishes it again, retained at QoS 1 as the daemon must. No trust, no median, no record.
 *
 *     peer NAME QOS PORT FILTER...        a reading on TOPIC comes back on NAME/TOPIC
 *
 * At QoS 0 it does less than the daemon owes to whoever listens; that is the way to see what the
 * library does without its list of unacknowledged messages. With PEER_JOURNAL in the environment
 * each value is appended to that file and synced before it is published. */
#include <MQTTAsync.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

enum { TOPIC_MAX = 256 };

static MQTTAsync client;
static const char *name;
static int qos;
static int journal = -1;

/* As the daemon does before it commands: nothing leaves that isn't on disk. */
static void put_on_disk(const char *payload, int bytes)
{
    if (journal >= 0 &&
        (write(journal, payload, (size_t)bytes) != bytes || fdatasync(journal) != 0))
        exit(EX_IOERR);
}
static volatile int connected;

static int take(void *context, char *topic, int length, MQTTAsync_message *message)
{
    (void)context;
    (void)length;
    char payload[32], to[TOPIC_MAX], *end;
    const int kept = message->payloadlen < 31 ? message->payloadlen : 31;
    memcpy(payload, message->payload, (size_t)kept);
    payload[kept] = '\0';
    const double value = strtod(payload, &end);
    if (end != payload && *end == '\0' && isfinite(value)) {
        (void)snprintf(to, sizeof to, "%s/%s", name, topic);
        const int bytes = snprintf(payload, sizeof payload, "%.2f", value);
        put_on_disk(payload, bytes);
        (void)MQTTAsync_send(client, to, bytes, payload, qos, 1, NULL);
    }
    MQTTAsync_freeMessage(&message);
    MQTTAsync_free(topic);
    return 1;
}

static void on_connected(void *context, MQTTAsync_successData *data)
{
    (void)context;
    (void)data;
    connected = 1;
}

int main(int count, char **words)
{
    enum { NAME = 1, QOS, PORT, FILTERS };
    if (count <= FILTERS) return EX_USAGE;
    name = words[NAME];
    qos = atoi(words[QOS]);
    const char *path = getenv("PEER_JOURNAL");
    if (path) journal = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    char uri[64];
    (void)snprintf(uri, sizeof uri, "tcp://127.0.0.1:%s", words[PORT]);
    MQTTAsync_connectOptions options = MQTTAsync_connectOptions_initializer;
    options.keepAliveInterval = 5;
    options.onSuccess = on_connected;
    if (MQTTAsync_create(&client, uri, name, MQTTCLIENT_PERSISTENCE_NONE, NULL) ||
        MQTTAsync_setCallbacks(client, NULL, NULL, take, NULL) ||
        MQTTAsync_connect(client, &options))
        return EX_SOFTWARE;
    for (int wait = 0; wait < 100 && !connected; wait++) {
        usleep(100000);
    }
    if (!connected) return EX_UNAVAILABLE;
    for (int i = FILTERS; i < count; i++) {
        MQTTAsync_responseOptions none = MQTTAsync_responseOptions_initializer;
        if (MQTTAsync_subscribe(client, words[i], 1, &none)) return EX_SOFTWARE;
    }
    puts("subscribed");
    fflush(stdout);
    for (;;) {
        pause();
    }
}
