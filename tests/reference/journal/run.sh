#!/bin/sh
# Holds a journal against a verifier that shares nothing with this program (verify.mjs).
#
#     run.sh PROGRAM [WRITER]
#
# PROGRAM is dosewright; WRITER is the test program that writes a journal into a folder, by default the
# one beside it in the build (tests/reference.daemon.journal). Needs node and npm.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
program=$(realpath "$1")
writer=$(realpath "${2:-$(dirname "$1")/tests/reference.daemon.journal}")
. "$here/../npm.sh"
bring "$here" verify.mjs

mkdir journal
"$writer" "$work/journal"
node verify.mjs --compare "$program" journal
"$program" journal show --json journal >shown
node -e '
    const { readFileSync } = require("node:fs");
    const lines = readFileSync("shown", "utf8").trimEnd().split("\n").map((l) => JSON.parse(l));
    if (!lines.every((r, n) => n === 0 || r.seq === lines[n - 1].seq + 1)) process.exit(1);
    console.log(lines.length + " records shown, in order");'
node verify.mjs --mutants "$program" journal "${MUTANTS:-150}"
