/* What the daemon is measured against: a client of the same library that connects, subscribes and
 * does nothing more.
 *
 *     bare_client URI [--ca FILE] FILTER... */
#include <MQTTAsync.h>
#include <stdio.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

static int take(void *context, char *topic, int length, MQTTAsync_message *message)
{
    (void)context;
    (void)length;
    MQTTAsync_freeMessage(&message);
    MQTTAsync_free(topic);
    return 1;
}

static volatile int connected;

static void on_connected(void *context, MQTTAsync_successData *data)
{
    (void)context;
    (void)data;
    connected = 1;
}

int main(int count, char **words)
{
    if (count < 2) return EX_USAGE;
    MQTTAsync client;
    MQTTAsync_SSLOptions tls = MQTTAsync_SSLOptions_initializer;
    MQTTAsync_connectOptions options = MQTTAsync_connectOptions_initializer;
    int at = 2;
    if (count > 3 && strcmp(words[2], "--ca") == 0) {
        tls.trustStore = words[3];
        tls.verify = 1;
        options.ssl = &tls;
        at = 4;
    }
    options.keepAliveInterval = 5;
    options.onSuccess = on_connected;
    if (MQTTAsync_create(&client, words[1], "bare-client", MQTTCLIENT_PERSISTENCE_NONE, NULL) ||
        MQTTAsync_setCallbacks(client, NULL, NULL, take, NULL) ||
        MQTTAsync_connect(client, &options))
        return EX_SOFTWARE;
    for (int wait = 0; wait < 100 && !connected; wait++) {
        usleep(100000);
    }
    if (!connected) return EX_UNAVAILABLE;
    for (; at < count; at++) {
        MQTTAsync_responseOptions none = MQTTAsync_responseOptions_initializer;
        if (MQTTAsync_subscribe(client, words[at], 1, &none)) return EX_SOFTWARE;
    }
    puts("subscribed");
    fflush(stdout);
    for (;;) {
        pause();
    }
}
