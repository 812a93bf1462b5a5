/* Verifies a journal without a line of this program: JSON by Node, RFC 8785 by the npm package
 * "canonicalize" (whose authors include an author of that RFC), SHA-256 by Node's crypto, and the rules
 * of docs/journal.md written down once more.
 *
 *     node verify.mjs DIR      prints {"whole":..., "records":..., "seq":..., "hash":...}; exit 0 or 1
 *     node verify.mjs --mutants PROGRAM DIR COUNT      both verifiers must refuse each changed copy
 */
import { spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { cpSync, mkdtempSync, readFileSync, readdirSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import canonicalize from "canonicalize";

const NAME = /^journal-(\d{4}-\d{2}-\d{2})(?:-([1-9]\d*))?\.jsonl$/;
const HEADER = ["boot", "clock", "hash", "kind", "mono_ms", "prev", "seq", "time"];

function segments(dir) {
  return readdirSync(dir)
    .map((name) => ({ name, match: NAME.exec(name) }))
    .filter((s) => s.match)
    .map((s) => ({ name: s.name, date: s.match[1], number: Number(s.match[2] ?? 1) }))
    .sort((a, b) => (a.date < b.date ? -1 : a.date > b.date ? 1 : a.number - b.number))
    .map((s) => s.name);
}

const utf8 = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });

function checkLine(line, before) {
  const record = JSON.parse(line);
  if (canonicalize(record) !== line) throw new Error("not the RFC 8785 form");
  for (const key of HEADER) if (!(key in record)) throw new Error(`no ${key}`);
  for (const value of Object.values(record)) {
    if (!["string", "number", "boolean"].includes(typeof value)) throw new Error("not flat");
  }
  const { hash, ...rest } = record;
  const own = createHash("sha256").update(canonicalize(rest), "utf8").digest("hex");
  if (own !== hash) throw new Error("hash");
  if (before && record.seq !== before.seq + 1) throw new Error("seq");
  if (before && record.prev !== before.hash) throw new Error("prev");
  if (!Number.isInteger(record.seq) || record.seq < 1) throw new Error("seq is no count");
  return record;
}

function verify(dir) {
  let first = null;
  let before = null;
  let pruned = null;
  let records = 0;
  for (const name of segments(dir)) {
    const text = utf8.decode(readFileSync(join(dir, name)));
    const lines = text.split("\n");
    if (lines.pop() !== "") throw new Error(`${name}: the last line isn't ended`);
    lines.forEach((line, n) => {
      try {
        before = checkLine(line, before);
      } catch (e) {
        throw new Error(`${name}:${n + 1}: ${e.message}`);
      }
      first ??= before;
      if (before.kind === "pruned") pruned = before;
      records++;
    });
  }
  if (first && first.seq === 1 && first.prev !== "0".repeat(64)) throw new Error("first prev");
  if (first && first.seq > 1) {
    const told = pruned && pruned.first_seq >= first.seq;
    if (!told) throw new Error("the beginning is missing");
    if (pruned.first_seq === first.seq && pruned.first_prev !== first.prev) throw new Error("prev");
  }
  return { whole: true, records, seq: before?.seq ?? 0, hash: before?.hash ?? "0".repeat(64) };
}

function verdict(dir) {
  try {
    return verify(dir);
  } catch (e) {
    return { whole: false, why: e.message };
  }
}

function programSays(program, dir) {
  const run = spawnSync(program, ["journal", "verify", "--json", dir], { encoding: "utf8" });
  const answer = JSON.parse(run.stdout);
  if (answer.whole !== (run.status === 0)) throw new Error(`exit code ${run.status}`);
  return answer;
}

/* A small generator of its own, so that a run can be repeated: mulberry32, from memory. */
function chance(seed) {
  return () => {
    seed = (seed + 0x6d2b79f5) | 0;
    let t = Math.imul(seed ^ (seed >>> 15), 1 | seed);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

function mutants(program, dir, count) {
  const next = chance(20310402);
  const copy = mkdtempSync(join(tmpdir(), "dosewright-mutants-"));
  const names = segments(dir);
  let missed = 0;
  try {
    for (let n = 0; n < count; n++) {
      const name = names[Math.floor(next() * names.length)];
      cpSync(dir, copy, { recursive: true });
      const bytes = readFileSync(join(dir, name));
      const at = Math.floor(next() * bytes.length);
      let what;
      if (n % 3 === 0) {
        bytes[at] ^= 1 << Math.floor(next() * 8);
        what = "flipped a bit";
      } else if (n % 3 === 1) {
        bytes[at] = (bytes[at] + 1 + Math.floor(next() * 255)) & 255;
        what = "changed a byte";
      } else {
        what = "took a byte out";
      }
      const changed =
        n % 3 === 2 ? Buffer.concat([bytes.subarray(0, at), bytes.subarray(at + 1)]) : bytes;
      writeFileSync(join(copy, name), changed);
      const ours = programSays(program, copy).whole;
      const theirs = verdict(copy).whole;
      if (!ours && !theirs) continue;
      missed++;
      console.error(`${name}: ${what} at ${at}: program ${ours}, reference ${theirs}`);
    }
  } finally {
    rmSync(copy, { recursive: true });
  }
  console.log(`${count} changed journals, ${missed} taken for whole`);
  return missed === 0;
}

const words = process.argv.slice(2);
if (words[0] === "--mutants") {
  process.exitCode = mutants(words[1], words[2], Number(words[3])) ? 0 : 1;
} else if (words[0] === "--compare") {
  const ours = programSays(words[1], words[2]);
  const theirs = verdict(words[2]);
  console.log(JSON.stringify(theirs));
  const same = ["whole", "records", "seq", "hash"].every((key) => ours[key] === theirs[key]);
  if (!same) console.error("the program says", JSON.stringify(ours));
  process.exitCode = same && theirs.whole ? 0 : 1;
} else {
  const theirs = verdict(words[0]);
  console.log(JSON.stringify(theirs));
  process.exitCode = theirs.whole ? 0 : 1;
}
