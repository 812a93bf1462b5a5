/* Signs requests without a line of this program: RFC 8785 by the npm package "canonicalize" (whose authors
 * include an author of that RFC), HMAC-SHA-256 by Node's crypto, as docs/contract.md section 5 says.
 *
 * Each line in is {"topic":..., "key":..., "request":{...}}; each line out is the request with its "mac". */
import { createHmac } from "node:crypto";
import { readFileSync } from "node:fs";
import canonicalize from "canonicalize";

for (const line of readFileSync(0, "utf8").split("\n")) {
  if (line === "") continue;
  const { topic, key, request } = JSON.parse(line);
  const mac = createHmac("sha256", key).update(`${topic}\n${canonicalize(request)}`, "utf8").digest("hex");
  console.log(JSON.stringify({ mac, ...request }));
}
