/* TCP_NODELAY on what is connected over TCP. The MQTT library (read in the source of 1.3.12) never
 * sets it and doesn't give its socket away, so that the kernel holds a small packet back until the
 * one before is acknowledged: a command at QoS 1 then waits behind the library's own PUBACK, up to
 * 40 ms with the peer's delayed acknowledgement (Nagle's algorithm, RFC 896; TCP_NODELAY, tcp(7)).
 */
#ifndef DOSEWRIGHT_DAEMON_MQTT_NODELAY_H
#define DOSEWRIGHT_DAEMON_MQTT_NODELAY_H

/* Sets it on each TCP socket of this process, found in /proc/self/fd. How many there are, or -1
 * when the list can't be read. */
int mqtt_set_nodelay(void);

#endif
