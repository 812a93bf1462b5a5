// The least that a client in JavaScript could do with readings: parses each and publishes it again,
// retained at QoS 1.
//
//     node peer.mjs PORT FILTER...        a reading on TOPIC comes back on peer-node/TOPIC
import mqtt from "mqtt";

const [port, ...filters] = process.argv.slice(2);
const client = mqtt.connect(`mqtt://127.0.0.1:${port}`, { clientId: "peer-node", keepalive: 5 });

client.on("message", (topic, payload) => {
  const value = Number(payload.toString());
  if (Number.isFinite(value)) client.publish(`peer-node/${topic}`, value.toFixed(2), { qos: 1, retain: true });
});
client.on("connect", () =>
  client.subscribe(filters, { qos: 1 }, (error) => {
    if (error) throw error;
    console.log("subscribed");
  }),
);
