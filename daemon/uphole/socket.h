/* SPDX-License-Identifier: Apache-2.0
 *
 * socket.h - the well side's local socket: how `status`, `read` and `watch` hear what the daemon
 * knows, without a question on the line and without touching the journal; and where orders are
 * given.
 *
 * A stream socket DIRECTORY/uphole.socket, 0660. A client sends one line, `NAME FORMAT [WELL]` with
 * FORMAT `text` or `json`, or an order (order.h), `order NAME ARGUMENTS`; the answer is `CODE
 * LENGTH` and a line feed, then LENGTH bytes: the body where CODE is 0, else a sentence, CODE being
 * that of sysexits.h. Then the daemon closes.
 *
 * Invariants: served by core's thread, which never waits for a client; at most SOCKET_CLIENTS_MAX
 * at a time, one answer made a pass, each client closed after SOCKET_PATIENCE_MS whatever it does.
 */
#ifndef UPHOLE_SOCKET_H
#define UPHOLE_SOCKET_H

#include "order.h"
#include "status_view.h"

#include "uphole/error.h"

#include <poll.h>
#include <sys/un.h>

#define SOCKET_FILE "uphole.socket"
#define SOCKET_CLIENTS_MAX 8
#define SOCKET_FDS_MAX (SOCKET_CLIENTS_MAX + 1)
#define SOCKET_REQUEST_MAX                                                                         \
    1536 /* an order with a note of 200 characters, of 4 bytes each at most */
#define SOCKET_ANSWER_MAX (512 * 1024)
#define SOCKET_PATIENCE_MS 5000

struct local_socket; /* opaque */

/** Fills the address of a directory's socket. UP_E_CONFIG where the name is too long for one. */
UP_MUST enum up_rc socket_address(const char *directory, struct sockaddr_un *out,
                                  struct up_error *error);
/**
 * Opens the socket. A file of that name that nobody answers at is left from a run that ended badly
 * and is replaced; UP_E_LOCKED where somebody answers; whatever is no socket is left alone.
 */
UP_MUST enum up_rc socket_open(const char *directory, const struct up_clock *clock,
                               struct local_socket **out, struct up_error *error);
/** The same for the daemon, which does all of its work without the socket too: NULL where it can't
 * be opened, which is said. */
struct local_socket *socket_start(const char *directory, const struct up_clock *clock);
/** Closes all clients and removes the file, if it still is this socket's. NULL is fine. */
void socket_close(struct local_socket *socket);
/** What to wait on; at most SOCKET_FDS_MAX. NULL gives 0. */
size_t socket_fds(const struct local_socket *socket, struct pollfd into[static SOCKET_FDS_MAX]);
/** Takes, reads, answers, sends, closes: whatever goes without waiting. NULL is fine. */
void socket_step(struct local_socket *socket, const struct status_view *view,
                 struct order_view *orders);

#endif
