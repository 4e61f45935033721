/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver.h - which row goes next, and how far a destination has accepted: a pure step machine for
 * one destination. No clock, no sockets.
 *
 * A lane is one well and stream of the destination. Its rows go strictly in the order of pos:
 *
 *   cursor (accepted) <= ... rows handed over, unsettled (the window) ... <= handed <= ... rows
 * asked for ... <= newest
 *
 *  1. The cursor moves only over a contiguous prefix of accepted messages: it never passes a row
 * that was refused or not yet answered.
 *  2. A row is handed over again only when its message was refused, or when nobody holds it any
 * more (deliver_forget): while the connection is away the library keeps what it has, and sends it
 * again by itself.
 *  3. A refused lane waits and tries again from its cursor; the other lanes go on.
 *  4. One want at a time, of at most DELIVER_ROWS_MAX rows: memory is bounded, and no lane starves
 * another. A few more may be asked for lanes that are behind (deliver_want.c); rows are used only
 * where they follow what was handed over.
 *  5. Until a lane's newest answer was an acceptance it has one message under way, so that a broker
 * which refuses all of it gets one at a time.
 *  6. A third lane of each well carries rows that an order sends once more (deliver_order.c). It
 * has a cursor of its own, asks only where no other lane has something to ask, has one message
 * under way, and gives up what it asked for when another lane could go: it never stands before a
 * live row.
 *  7. A late row goes only as the rate allows (deliver_rate.c). A lane that is behind then asks for
 * no more than may go, and holds up no live row of another lane.
 *  8. What is with the broker unanswered is bounded in bytes too, to a few seconds of what the
 * link carries (deliver_pace.c): so much stands before `latest` at most.
 *  9. A row that is larger than the broker takes is set aside: it counts as settled, so the cursor
 * passes it and the rows behind it go on. Whoever calls deliver_set_aside has told of it first.
 */
#ifndef UPHOLE_PUBLISH_DELIVER_H
#define UPHOLE_PUBLISH_DELIVER_H

#include "uphole/scan.h"
#include "uphole/wall.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define DELIVER_WINDOW_MAX 20 /* messages handed over and not settled */
/* Of their payloads, on a fast link; a slow one gets less (deliver_pace.c). */
#define DELIVER_BYTES_MAX 262144u
#define DELIVER_ROWS_MAX WALL_WANT_MAX
#define DELIVER_STALL_MS (5 * 60 * 1000) /* no answer to a message while connected */
#define DELIVER_WANT_TIMEOUT_MS (30 * 1000)
#define DELIVER_BACK_OFF_FIRST_MS 1000
#define DELIVER_BACK_OFF_MAX_MS (60 * 1000)

/* MQTT 5.0, 3.4.2.1 */
#define PUBACK_ACCEPTED 0x00
#define PUBACK_NO_SUBSCRIBER 0x10
#define PUBACK_FIRST_REFUSAL 0x80
#define PUBACK_PACKET_TOO_LARGE                                                                    \
    0x95 /* of DISCONNECT; ours for a row that the broker's limit does not let through */

struct deliver;

/** For wells 0 to n_wells - 1; `seed` is of the back-off's jitter. NULL without memory. */
struct deliver *deliver_create(uint16_t n_wells, uint32_t seed);
#define DELIVER_NEW_WELL UINT16_MAX
/** Goes on as `before` under a new plan (deliver_plan.c): `was` says which well of `before` each of
 * the n_wells is. NULL without memory; `before` stays the caller's. */
struct deliver *deliver_under_plan(const struct deliver *before, uint16_t n_wells,
                                   const uint16_t *was);
void deliver_destroy(struct deliver *deliver); /* NULL is fine */

/* ---- what the well side says; `well` is the index, `stream` STREAM_RECORD (1), STREAM_GAP (2) or
 * STREAM_ORDER (3) ---- */

#define DELIVER_RECORDS 1
#define DELIVER_GAPS 2
#define DELIVER_ORDERS 3
#define DELIVER_STREAMS 3

void deliver_see_cursor(struct deliver *deliver, uint16_t well, uint8_t stream, uint64_t pos,
                        uint64_t seq);
void deliver_see_more(struct deliver *deliver, uint16_t well, uint8_t stream, uint64_t newest_pos);
void deliver_see_record(struct deliver *deliver, uint16_t well, const struct wall_record *row);
/** Names no well: a row may concern all of them. The want under way tells whose it is. */
void deliver_see_gap(struct deliver *deliver, const struct wall_gap *row);
void deliver_see_end(struct deliver *deliver, uint16_t well, const struct wall_end_of_want *end,
                     int64_t now_ms);
/** An order that is not done; one already known is only looked at for what the well side missed. */
void deliver_see_order(struct deliver *deliver, uint16_t well, const struct wall_order *order);
/** Something of the wall was dropped on its way: what was asked for is asked for again. */
void deliver_see_lost(struct deliver *deliver);

/* ---- what the connection says ---- */

/** `window`: messages the broker takes unanswered, at least 1. */
void deliver_connected(struct deliver *deliver, uint16_t window, int64_t now_ms);
void deliver_disconnected(struct deliver *deliver);
/** Nobody holds unsettled messages any more (a new client object): every lane starts again at its
 * cursor. */
void deliver_forget(struct deliver *deliver);
/** The answer to message `mid`; an id that is not ours is ignored (false). */
bool deliver_answered(struct deliver *deliver, uint16_t mid, uint8_t code, int64_t now_ms);
/** A message of this id waits for its answer. */
bool deliver_waits_for(const struct deliver *deliver, uint16_t mid);
/** A message has waited for its answer for DELIVER_STALL_MS while connected, or `mid` was given
 * twice: take a new client object. */
bool deliver_stalled(const struct deliver *deliver, int64_t now_ms);

/* ---- what to do next ---- */

/** Fills `want` (but destination) and `well` (index); true: send it. */
bool deliver_next_want(struct deliver *deliver, int64_t now_ms, uint16_t *well,
                       struct wall_want *want);

struct deliver_message {
    uint16_t well;
    uint8_t stream;
    bool live;                    /* else late */
    uint8_t order_kind;           /* stream orders: enum order_kind */
    const char *by;               /* stream orders, revised rows: by what; else NULL */
    const struct record *records; /* n of them, stream records or orders */
    const struct gap *gap;        /* one, stream gaps */
    size_t n;
};
/** The rows to hand over next, at most `others` messages of other kinds being under way; true: pass
 * them on, then say so with one of the two below. */
bool deliver_next_message(const struct deliver *deliver, uint16_t others,
                          struct deliver_message *message);
/** How large a message of several late rows is best: a part of what may be unanswered. One row
 * alone may be larger. */
size_t deliver_batch_bytes(const struct deliver *deliver);
/** The first `used` rows of that message left as message `mid` with `bytes` of payload. */
void deliver_handed(struct deliver *deliver, uint16_t mid, size_t bytes, size_t used,
                    int64_t now_ms);
/** They can't be handed over as they are: the lane is refused with `code`, as if the broker had
 * said so. */
void deliver_not_handed(struct deliver *deliver, uint8_t code, int64_t now_ms);
/** The first of them is larger than the broker ever takes: it is passed over, settled in its turn
 * like an accepted one. */
void deliver_set_aside(struct deliver *deliver, int64_t now_ms);
/** At most so many late records a second; 0: as fast as the broker takes them. */
void deliver_set_rate(struct deliver *deliver, uint32_t records_per_s);
/** Time passed; call before asking what to do next. */
void deliver_refill(struct deliver *deliver, int64_t now_ms);
/** Bytes of the largest message that waits for its answer; *is_one_row: it can't be split. */
size_t deliver_largest(const struct deliver *deliver, bool *is_one_row);
uint16_t deliver_under_way(const struct deliver *deliver); /* messages */

enum deliver_event_kind { DELIVER_ACCEPTED = 1, DELIVER_REFUSED, DELIVER_RECOVERED };
struct deliver_event {
    uint8_t kind;
    uint16_t well;
    uint8_t stream;
    uint8_t code;      /* of refused, and of what it recovered from */
    uint64_t pos, seq; /* accepted: all up to here; refused: its first row */
    int64_t boot_ms;   /* of the accepted row */
    uint64_t order;    /* stream orders: which */
};
/** What the well side should hear; true while there is something. Newer acceptances of a lane
 * replace older ones. */
bool deliver_take_event(struct deliver *deliver, struct deliver_event *event);

/** When a lane's rest ends, in ms of the caller's clock; INT64_MAX: nothing waits for time. */
int64_t deliver_due_ms(const struct deliver *deliver);

#endif
