#!/usr/bin/python3
"""The least that a client in Python could do with readings: parses each and publishes it again, retained
at QoS 1.

    peer.py PORT FILTER...        a reading on TOPIC comes back on peer-python/TOPIC
"""

import math
import sys

import paho.mqtt.client as mqtt


def on_message(client, _data, message):
    try:
        value = float(message.payload)
    except ValueError:
        return
    if math.isfinite(value):
        client.publish("peer-python/" + message.topic, "%.2f" % value, qos=1, retain=True)


def main():
    client = mqtt.Client(client_id="peer-python")
    client.on_message = on_message
    client.on_connect = lambda *_: client.subscribe([(f, 1) for f in sys.argv[2:]])
    client.on_subscribe = lambda *_: print("subscribed", flush=True)
    client.connect("127.0.0.1", int(sys.argv[1]), 5)
    client.loop_forever()


if __name__ == "__main__":
    main()
