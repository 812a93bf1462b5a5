#!/bin/sh
# Has a client of another family (shout.mjs) say what it may not, on the shipped broker configuration.
#
#     run.sh PROGRAM
#
# PROGRAM is dosewright. Needs node, npm, mosquitto with its clients, openssl and the system's Python with its
# MQTT client.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
DOSEWRIGHT=$(realpath "$1")
. "$here/../npm.sh"
bring "$here" shout.mjs

NODE_CLIENT=$work/shout.mjs
export DOSEWRIGHT NODE_CLIENT
/usr/bin/python3 -B "$here/../../system/trust_test.py" -v NodeClient
