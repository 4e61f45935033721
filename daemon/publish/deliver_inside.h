/* SPDX-License-Identifier: Apache-2.0
 *
 * deliver_inside.h - the state of one destination's delivery, shared by deliver.c (which row goes
 * next), deliver_want.c (what is asked for) and deliver_answer.c (what the broker said). Nobody
 * else includes it.
 */
#ifndef UPHOLE_PUBLISH_DELIVER_INSIDE_H
#define UPHOLE_PUBLISH_DELIVER_INSIDE_H

#include "deliver.h"

#define WANT_AGAIN_MS 200 /* after a want that brought nothing, or not what it said */

enum entry_state { ENTRY_OUT = 1, ENTRY_ACCEPTED, ENTRY_REFUSED };

struct entry {
    uint16_t mid;
    uint16_t lane;
    uint8_t state;
    bool set_aside; /* settled by us, not by the broker */
    uint64_t first_pos, last_pos, last_seq;
    int64_t last_boot_ms, since_ms;
    size_t bytes;
};

struct lane {
    bool known;  /* its cursor came */
    bool proven; /* the newest answer was an acceptance */
    bool late;   /* what it asked for last held late rows */
    bool broken; /* one of its messages was refused: the rest of them settles, then it starts again
                    at the cursor */
    uint64_t accepted_pos, accepted_seq, handed_pos, newest_pos, refused_pos;
    int64_t accepted_boot_ms, not_before_ms;
    uint32_t back_off_ms;
    uint16_t under_way;
    uint8_t code, recovered_from;
    bool tell_accepted, tell_refused, tell_recovered;
    /* of a lane of orders */
    uint64_t order, order_to;
    bool order_ends; /* behind newest_pos the order has no row */
    uint8_t order_kind;
    char by[sizeof((struct wall_order *)0)->by];
};

enum want_phase { WANT_NONE = 0, WANT_ASKED, WANT_READY };

#define WANTS_MAX 4       /* with their rows */
#define WANTS_ASKED_MAX 2 /* under way: INBOX_ROWS_MAX has room for so many */

/** A want, and the rows that came for it and have not been handed over. */
struct wanted {
    uint8_t phase;
    uint16_t lane;
    uint32_t serial;
    int64_t since_ms;
    bool off; /* what came is not in order: none of it is used */
    size_t received, head, n;
    uint64_t after, last_pos; /* asked for behind; of the newest row that came */
    bool live[DELIVER_ROWS_MAX];
    union {
        struct record record[DELIVER_ROWS_MAX];
        struct gap gap[DELIVER_ROWS_MAX];
    };
};

/** How much may be with the broker unanswered (deliver_pace.c). */
struct pace {
    size_t limit;     /* bytes */
    int64_t least_ms; /* the shortest wait for an answer, since: */
    int64_t least_since_ms;
    int64_t least_before_ms; /* and in the time before that */
    bool is_cut;        /* a message held fewer rows than were at hand, since the limit changed */
    int64_t changed_ms; /* messages handed over before tell nothing about the present limit */
};

struct deliver {
    uint16_t n_lanes, window, n_entries, next_lane, next_event;
    uint8_t front, n_wanted; /* of `wanted`: whose rows are handed over; how many are in use */
    uint32_t serial;         /* of the newest want */
    bool connected, mid_twice;
    uint32_t random;
    uint32_t rate;        /* late records a second; 0: no limit */
    int64_t budget_milli; /* late records that may go now, in thousandths */
    int64_t refilled_ms;
    size_t bytes;
    struct pace pace;
    struct entry entry[DELIVER_WINDOW_MAX];
    struct wanted wanted[WANTS_MAX]; /* a ring, in the order of asking */
    struct lane lane[];              /* three a well: records, gaps, orders */
};

static inline uint8_t deliver_stream_of(uint16_t lane)
{
    return (uint8_t)(lane % DELIVER_STREAMS + 1);
}

static inline bool deliver_is_order(uint16_t lane)
{
    return deliver_stream_of(lane) == DELIVER_ORDERS;
}

static inline struct wanted *deliver_wanted(struct deliver *deliver, unsigned i)
{
    return &deliver->wanted[(deliver->front + i) % WANTS_MAX];
}

/** The want whose rows are handed over; of phase WANT_NONE where there is none. */
static inline struct wanted *deliver_front(struct deliver *deliver)
{
    return deliver_wanted(deliver, 0);
}

/* ---- deliver_want.c ---- */

/** The want of that serial whose end has not come, or NULL. */
struct wanted *deliver_asked(struct deliver *deliver, uint32_t serial);
/** Its rows are not used, or all handed over; those behind it follow, as far as they still can. */
void deliver_drop(struct deliver *deliver, struct wanted *wanted);
void deliver_drop_lane(struct deliver *deliver, uint16_t index);
void deliver_drop_asked(struct deliver *deliver);
void deliver_drop_all(struct deliver *deliver);

/* ---- deliver_pace.c ---- */

/** A connection stands. */
void deliver_pace_begin(struct deliver *deliver, int64_t now_ms);
/** Before `entry`, which was answered, leaves the window. */
void deliver_pace_take(struct deliver *deliver, const struct entry *entry, int64_t now_ms);
/** The broker answers fast enough that rows are better asked for ahead. */
bool deliver_pace_is_fast(const struct deliver *deliver);

/* ---- deliver_rate.c ---- */

/** The lane at `index` may ask now, as far as the rate goes. */
bool deliver_rate_lets(const struct deliver *deliver, uint16_t index);
/** Late rows that may go now, at most DELIVER_ROWS_MAX. */
uint16_t deliver_rate_rows(const struct deliver *deliver);
/** So many late rows went. */
void deliver_rate_spend(struct deliver *deliver, size_t rows);
/** The rows at hand are late and none may go: they stand in nobody's way. */
void deliver_rate_yield(struct deliver *deliver);

/* ---- deliver_order.c ---- */

/** An order's lane may ask now: the well's own records have gone before it. */
bool deliver_order_may_go(const struct deliver *deliver, uint16_t index);
/** The end of a want of an order; true: there are rows to hand over. */
bool deliver_order_end(struct deliver *deliver, const struct wanted *wanted,
                       const struct wall_end_of_want *end, int64_t now_ms);
/** After an acceptance: beyond its last row an order is done up to its end. */
void deliver_order_settle(struct lane *lane);

/** Moves the cursor over the settled prefix; a broken lane starts again once nothing of it is out.
 */
void deliver_settle_lane(struct deliver *deliver, uint16_t index);
/** The lane at `index` is refused from `pos` on: it rests, and starts again at its cursor once
 * nothing of it is out. */
void deliver_break_lane(struct deliver *deliver, uint16_t index, uint64_t pos, uint8_t code,
                        int64_t now_ms);

#endif
