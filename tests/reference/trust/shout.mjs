/* A client of npm's "mqtt": connects as it is told to on standard input, listens to everything, says what it is
 * told, and prints what it heard. For tests/system/trust_test.py. */
import { readFileSync } from "node:fs";
import mqtt from "mqtt";

const { url, files, more, messages } = JSON.parse(readFileSync(0, "utf8"));
const options = { protocolVersion: 5, connectTimeout: 5000, reconnectPeriod: 0, ...more };
for (const [name, path] of Object.entries(files)) options[name] = readFileSync(path);

const heard = [];
try {
  const client = await mqtt.connectAsync(url, options, false);
  client.on("message", (topic) => heard.push(topic));
  await client.subscribeAsync("#", { qos: 1 }).catch(() => {});
  let refused = 0;
  for (const { topic, payload, retain } of messages) {
    await client.publishAsync(topic, payload, { qos: 1, retain }).catch(() => refused++);
  }
  await new Promise((resolve) => setTimeout(resolve, 1000));
  await client.endAsync();
  console.log(JSON.stringify({ connected: true, refused, heard }));
} catch (error) {
  console.log(JSON.stringify({ connected: false, error: String(error) }));
  process.exit(0);
}
