#!/bin/sh
# Has requests signed by a signer that shares nothing with this program (sign.mjs), and the daemon judge them.
#
#     run.sh PROGRAM
#
# PROGRAM is dosewright. Needs node, npm, mosquitto and the system's Python with its MQTT client.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
DOSEWRIGHT=$(realpath "$1")
. "$here/../npm.sh"
bring "$here" sign.mjs

NODE_SIGNER=$work/sign.mjs
export DOSEWRIGHT NODE_SIGNER
/usr/bin/python3 -B "$here/../../system/signed_test.py" -v NodeSigner
