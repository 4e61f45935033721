/* SPDX-License-Identifier: Apache-2.0
 *
 * wall.h - the one way between the well side and the SCADA side: a SOCK_SEQPACKET pair, one message a packet (the plan in pieces).
 *
 *  well side -> SCADA side: plan pieces, numbers, cursor, snapshot, records, gap, state, more, order, alive; at the end quiet, then stop
 *  SCADA side -> well side: want, accepted, refused, destination, alive
 *
 * Plans. Destinations are named by their index in the plan, and readings mean what the plan says, so each message bears the serial of the
 * plan by which it is meant (all but alive, quiet and stop). The well side gives each plan that it sends over one wall another serial. A new plan
 * on a running wall begins as the first one did: pieces, numbers, cursors (all with the new serial), then a snapshot of every well and the
 * state. The SCADA side goes over with the numbers, and drops what bears another serial than the one in force. The well side brings
 * acceptances, refusals and states of an earlier serial to the plan in force by the destination's name, and drops wants of it: the SCADA
 * side asks again. So nothing on its way is lost, or taken for another destination's. A destination whose stanza is unchanged keeps its
 * connection (destination_is_same).
 *
 * Both ends are the same binary on one machine, so messages are C structs. The well side trusts nothing that comes back: sizes, indices and
 * ranges are checked by wall_receive before anyone sees them. Nothing here blocks the well side.
 */
#ifndef UPHOLE_WALL_H
#define UPHOLE_WALL_H

#include "uphole/error.h"
#include "uphole/scan.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WALL_VERSION 5
#define WALL_FD 3
#define WALL_PIECE_MAX 16384
#define WALL_PEER_MAX 46 /* an address of IPv6 as text, with its NUL */
#define WALL_WANT_MAX 64
#define WALL_RECORDS_BYTES 32000 /* of records in one message: about 64 of 24 points, a whole want */
#define WALL_STREAM_USAGE 4 /* of a cursor, well 0: `pos` is a month (203103), `seq` the bytes that the destination cost in it */

enum wall_kind {
    WALL_PLAN = 1,    /* out, first of all, in pieces; later a new one, with another plan_serial */
    WALL_NUMBERS,     /* out: journal numbers of the plan's wells; run; version; again with the same plan_serial: a new run */
    WALL_CURSOR,      /* out: where a destination stands, a well and stream; then WALL_STATE */
    WALL_SNAPSHOT,    /* out */
    WALL_RECORD,      /* out, only against a want */
    WALL_GAP,         /* out, only against a want */
    WALL_END_OF_WANT, /* out: the want is served; count of what was sent, and whether more stands behind */
    WALL_STATE,       /* out: box state (clock, journal, days left), once a second with alive */
    WALL_MORE,        /* out: newest pos a well and stream */
    WALL_ALIVE,       /* both: once a second; 5 s without it stops the heartbeat */
    WALL_WANT,        /* back */
    WALL_ACCEPTED,    /* back */
    WALL_REFUSED,     /* back */
    WALL_DESTINATION, /* back: state of a destination */
    WALL_STOP,        /* out: orderly stop: publish "offline", close, exit */
    WALL_QUIET,       /* out, some time before WALL_STOP: tables take no new clients, and go on answering those connected */
    WALL_ORDER,       /* out: an order that this destination has not done yet */
    WALL_RECORDS,     /* out, only against a want: several records, as one message costs as much as a record does */
    WALL_PAUSE,       /* out: a destination leaves its broker for a while, by order */
    WALL_KINDS
};

struct wall_plan_piece { uint32_t total, offset, size; char bytes[WALL_PIECE_MAX]; };
struct wall_numbers { uint32_t version; uint64_t run; uint16_t n_wells; uint16_t number[128]; };
struct wall_cursor { uint16_t destination, well; uint8_t stream; uint64_t pos, seq; };
struct wall_want { uint16_t destination, well; uint8_t stream; uint32_t serial; uint64_t after; uint16_t n; uint64_t order; /* stream 3: its pos */ };
struct wall_end_of_want { uint16_t destination, well; uint8_t stream; uint32_t serial; uint16_t sent; uint64_t last_pos; bool more; };
/** A record as sent against a want: its destination index (same at both ends), the serial of the want, and the record's first n readings. */
struct wall_record { uint16_t destination; uint32_t serial; bool live; /* the newest of its well when it was read */ struct record record; };
/** Records against one want, one behind the other: `size` bytes that only wall_records_add writes and wall_records_take reads. The last pack of a want
 *  brings its end along (`ends`), as a message of its own would wake the other side once more. */
struct wall_records { uint16_t destination, n; uint32_t serial, size; bool ends; struct wall_end_of_want end; char bytes[WALL_RECORDS_BYTES]; };
struct wall_gap { uint16_t destination; uint32_t serial; struct gap gap; };
struct wall_accepted { uint16_t destination, well; uint8_t stream; uint64_t pos, seq; int64_t boot_ms; /* of the accepted row */ uint64_t order; /* stream 3 */ };
/** Rows that go out once more: those of `order` behind `after`, up to `to` (pos), each marked so. Said again every few seconds while it is not done. */
struct wall_order { uint16_t destination, well; uint64_t order, after, to; uint8_t kind; /* enum order_kind */ uint32_t revision; char by[80]; };
/** The destination closes its connection, as a cut of the network would, and stays away until then (CLOCK_BOOTTIME; 0, or a time that is past: it
 *  comes back at once). A SCADA side that starts again has forgotten it. `by`: who ordered it. */
#define PAUSE_MOST_MS 600000
struct wall_pause { uint16_t destination; int64_t until_boot_ms, until_utc_ms; char by[80]; };
/** `aside_seq` not 0: that record is larger than the broker ever takes; it was passed over, and the rows behind it go on. */
struct wall_refused { uint16_t destination, well; uint8_t stream; uint64_t pos; uint8_t code; char reason[120]; uint64_t aside_seq; struct stamp aside_at; };
struct wall_destination { uint16_t destination; uint8_t state; /* enum delivery_state, as far as the connection goes */ uint8_t cause; char reason[160]; int64_t since_boot_ms; uint32_t month; uint64_t month_bytes; /* what it cost in a month (203103), kept beside the cursors; 0: nothing said */
    /* of a table, since it is served: requests to write, and clients that `allow` doesn't name, all refused; the newest one's address */
    uint64_t writes, strangers; char writer[WALL_PEER_MAX], stranger[WALL_PEER_MAX]; };
struct wall_more { uint16_t well; uint64_t newest_scan_pos, newest_scan_seq, newest_gap_pos; };
/** What the daily audit of the books found (`uphole audit`). */
enum books_verdict {
    BOOKS_UNKNOWN = 0,  /* none has ended yet since the program began */
    BOOKS_HOLD,
    BOOKS_UNDECIDED,    /* they hold, but for an outage whose length no clock could tell */
    BOOKS_DO_NOT_HOLD
};
const char *books_verdict_name(uint8_t verdict);
struct wall_books {
    uint8_t verdict;
    int64_t at_utc_ms, from_utc_ms; /* when it ended; the interval's begin, up to the newest row then */
    uint64_t due, rows, never, damaged; /* of all wells and sources in the interval: the first is the sum of the others */
};
struct wall_state {
    uint8_t clock, journal_ok; /* journal: 1 ok, 0 refusing */
    uint16_t days_left;
    uint32_t heartbeat;        /* +1 each second, from the well side */
    uint16_t n_destinations;
    struct { uint8_t state; uint32_t waiting; int64_t oldest_boot_ms; } destination[8];
    struct wall_books books;
    uint16_t n_wells;
    struct { uint16_t well; uint8_t delivery; uint32_t waiting; uint16_t gaps_open; } well[128];
};

struct wall_message {
    uint32_t kind;
    uint32_t plan_serial; /* of the plan by which it is meant */
    union {
        struct wall_plan_piece plan;
        struct wall_numbers numbers;
        struct wall_cursor cursor;
        struct snapshot snapshot;
        struct wall_record record;
        struct wall_records records;
        struct wall_gap gap;
        struct wall_end_of_want end_of_want;
        struct wall_state state;
        struct wall_more more;
        struct wall_want want;
        struct wall_accepted accepted;
        struct wall_refused refused;
        struct wall_destination destination;
        struct wall_order order;
        struct wall_pause pause;
    };
};

/** Adds a record's first n readings; false: there is no room left. */
bool wall_records_add(struct wall_records *to, const struct record *record, bool live);
/** Takes the record at *at (0 to begin with) and moves *at behind it; *out is as if it had come alone, readings beyond its n are left as they were.
 *  False at the end, and where what stands there is not whole. */
bool wall_records_take(const struct wall_records *from, size_t *at, struct wall_record *out);

/** A pair of connected sockets, close-on-exec, with buffers wide enough for a full want. 0 or -1 with errno. */
int wall_pair(int fds[static 2]);
/**
 * Sends one message (only as many bytes as its kind and counts need). UP_OK; UP_E_FULL when the socket is full (nothing was sent: keep or
 * overwrite); UP_E_PORT when the other side is gone. Never blocks.
 */
UP_MUST enum up_rc wall_send(int fd, const struct wall_message *message);
/** As wall_send, but waits up to timeout_ms for room (the reader thread; the SCADA side). */
UP_MUST enum up_rc wall_send_wait(int fd, const struct wall_message *message, int timeout_ms);
/** Takes one message: UP_OK; UP_E_TIMEOUT when none is there; UP_E_PORT at the end; UP_E_FRAME for one that is not whole or out of bounds (dropped). */
UP_MUST enum up_rc wall_receive(int fd, struct wall_message *message);
/** Sends the plan's text in pieces; waits. */
UP_MUST enum up_rc wall_send_plan(int fd, uint32_t plan_serial, const char *text, size_t length, int timeout_ms);

#endif
