/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_tls.h - TLS between the box and a broker, on a connecting descriptor that never waits.
 *
 * It is ours and not the client library's: the library ends silently where TLS fails, turns in a
 * circle where nobody listens, and can't say which of certificate authority, name and date was
 * wrong. Files are read anew at each connection, so a renewed certificate needs no restart.
 */
#ifndef UPHOLE_PUBLISH_MQTT_TLS_H
#define UPHOLE_PUBLISH_MQTT_TLS_H

#include "mqtt_words.h"

#include <stdbool.h>
#include <stddef.h>
#include <sys/types.h>

struct mqtt_tls;

/** NULL (trouble filled: MQTT_SECRET) where a file can't be used or memory fails. Names without a
 * slash are credentials, see mqtt_secret_path. */
struct mqtt_tls *mqtt_tls_open(const struct destination_plan *to, int fd,
                               struct mqtt_trouble *trouble);
void mqtt_tls_close(struct mqtt_tls *tls); /* NULL is fine */

enum tls_step { TLS_WAITS = 0, TLS_STANDS, TLS_FAILED };
/** One step of the handshake. */
enum tls_step mqtt_tls_shake(struct mqtt_tls *tls);
/** What poll should wait for, beside what the caller has to read or write. */
short mqtt_tls_wants(const struct mqtt_tls *tls);
/** As recv and send on a descriptor that never waits: -1 with EAGAIN, 0 at the end; EPROTO where
 * TLS itself failed. */
ssize_t mqtt_tls_read(struct mqtt_tls *tls, void *into, size_t room);
ssize_t mqtt_tls_write(struct mqtt_tls *tls, const void *bytes, size_t n);
/** Says goodbye, if that needs no waiting. */
void mqtt_tls_end(struct mqtt_tls *tls);
/** Why it failed, as a trouble of kind MQTT_TLS; false: TLS didn't fail (the connection did). */
bool mqtt_tls_trouble(const struct mqtt_tls *tls, struct mqtt_trouble *trouble);

#endif
