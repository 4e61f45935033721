/* SPDX-License-Identifier: Apache-2.0
 *
 * gather.h - what did the surface unit say, and when? One owner a line: read plans, due times, the quiet rule, back-off, listening.
 *
 * A line is a machine that is stepped: `line_step` does at most one exchange or one wait's worth of work and says when it wants to be
 * stepped again. `gather_start` runs one in a thread on a real port; the lock-step harness steps it on a port of its own.
 */
#ifndef UPHOLE_GATHER_H
#define UPHOLE_GATHER_H

#include "uphole/pdu.h"
#include "uphole/plan.h"
#include "uphole/ring.h"
#include "uphole/scan.h"

#include <sys/types.h>

/* ---- read plans (pure) ---- */

struct read_range {
    struct read_request request;
    bool is_status;     /* read first */
    bool is_status_again; /* the same status, read last */
    bool stands_alone;  /* its length equals another's: its answer could be taken for that one's, so the line rests before and after it */
    bool may_split;     /* merged over a hole: on exception 02 it is split once */
};
struct read_plan {
    uint16_t n;
    struct read_range range[SCAN_BLOCKS_MAX];
};
/**
 * Ranges that read every mapped channel, status, counter and unit register of `map`, merged where the bytes of a hole cost less than another
 * exchange, T(N) = (13 + 2N) * bits / baud + 2 * t3.5 + reply delay, never over forbidden registers, never beyond largest_read, a channel never
 * split; status first, and again last where there are other ranges. Lengths pairwise different a function by padding into readable registers.
 * The status read last is padded or shortened to differ from the first where the map allows.
 * UP_E_CONFIG where the map does not fit in SCAN_BLOCKS_MAX ranges or SCAN_WORDS_MAX words.
 */
UP_MUST enum up_rc read_plan_make(const struct map *map, const struct line_plan *line,
                                  struct read_plan *out, struct up_error *error);
/** Wire time of one exchange of `count` registers by the formula above, us; on TCP 0 bits, only `reply_delay_us`. */
int64_t exchange_wire_us(const struct line_plan *line, unsigned count, int64_t reply_delay_us);
/** Wire time of one whole scan of a source, us. */
int64_t read_plan_wire_us(const struct read_plan *reads, const struct line_plan *line, int64_t reply_delay_us);
/** One round of a line: all its sources once, plus the longest probe of a dead one (response_timeout + rest), us. */
int64_t line_round_us(const struct plan *plan, uint16_t line);

/* ---- ports ---- */

/**
 * A port moves bytes; it decides nothing. All deadlines are CLOCK_BOOTTIME in us, by the line's clock.
 * receive: bytes read (1 to room), 0 when the deadline passed without one, -1 when the port is gone (error filled).
 */
struct port {
    enum up_rc (*open)(void *context, struct up_error *error);
    void (*close)(void *context); /* safe when closed */
    enum up_rc (*send)(void *context, const uint8_t *bytes, size_t n, struct up_error *error);
    ssize_t (*receive)(void *context, uint8_t *into, size_t room, int64_t deadline_us, struct up_error *error);
    void (*flush)(void *context); /* drops what the driver holds */
    void *context;
};

/** A real port for a line of the plan: libmodbus opens and configures it; takes TIOCEXCL and flock. NULL without memory. */
struct port *port_for_line(const struct line_plan *line, const struct up_clock *clock, int stop_fd);
void port_free(struct port *port);
/** An equal stanza in another place: a new plan's. By the port's owner. */
void port_take_line(struct port *port, const struct line_plan *line);

/** What a serial driver counted since the system started. */
struct line_errors {
    uint32_t framing, parity, overruns, breaks;
};
/** False where the port is closed, no serial one, or its driver counts nothing (a pseudo-terminal). */
bool port_errors(const struct port *port, struct line_errors *out);

/* ---- what a line hands over ---- */

enum gathered_kind { GATHERED_SCAN = 1, GATHERED_SKIP = 2, GATHERED_NOTICE = 3 };

/** Due polls that were never attempted, with their cause; contiguous due times of one source. */
struct skip {
    uint16_t well;
    uint8_t source, cause; /* enum gap_cause: LINE_BUSY, BACK_OFF, LISTENING, ANOTHER_MASTER, STOPPED, ENTRY_ENDED; PAUSED, SUSPENDED */
    uint32_t count;
    struct stamp first_due, last_due;
};
/** One sentence of the line's, said once an event, for the log and the journal's events. */
struct notice {
    uint8_t level; /* enum say_level */
    uint16_t line;
    struct stamp at;
    char kind[24]; /* "second_master", "slow_answer", "split_range", "port_gone", "port_back" */
    char text[GAP_CAUSE_MAX];
};
struct gathered {
    uint8_t kind;
    union {
        struct scan scan;
        struct skip skip;
        struct notice notice;
    };
};

/** Counts by kind, a source; for status and tests. Read only by the line's owner, or after it stopped. */
struct line_counts {
    uint64_t requests, answers, silent, cut_short, bad_checksum, wrong_reply, stray_bytes, foreign_frames, late_replies, port_losses;
    uint64_t exceptions[256];
    int64_t slowest_answer_us;
    int64_t busy_us;  /* time spent in exchanges and rests */
    int64_t since_us; /* boot time from which a line's totals count; 0: not told yet */
};

struct line; /* opaque */

/** Where the due times of a source go on: what was due before has ended as a scan or a skip of an earlier line. */
struct due_start {
    uint16_t well; /* journal's number */
    uint8_t source;
    int64_t from_ms;
};

struct line_options {
    const struct plan *plan;   /* borrowed for the line's life */
    uint16_t index;            /* of plan->lines */
    const struct up_clock *clock;
    const struct port *port;   /* borrowed */
    struct ring *ring;         /* of struct gathered; borrowed; this line is its only producer */
    int wake_fd;               /* eventfd written after each put, or -1 */
    uint64_t run;
    int64_t grid_start_us;     /* due times are this + n x period, CLOCK_BOOTTIME */
    bool listen_first;         /* the stanza is new, or more than 10 min passed without us */
    int64_t floor_utc_ms;      /* for the clock's state */
    uint32_t seed;             /* of the back-off's jitter */
    int64_t from_ms;           /* first due times are at or after it, CLOCK_BOOTTIME; 0: the grid's start */
    const struct due_start *starts; /* sources that go on elsewhere on their grid; borrowed by line_create only */
    size_t n_starts;
    int64_t hold_until_us;     /* held from the start until then, CLOCK_BOOTTIME; 0: not held */
};
struct line *line_create(const struct line_options *options, struct up_error *error);
void line_destroy(struct line *line);
/** One exchange, one wait of listening, or nothing; returns the CLOCK_BOOTTIME (us) at which it wants the next step (now: at once). */
int64_t line_step(struct line *line);
/** Holds the line until then (CLOCK_BOOTTIME): once the poll under way has ended its port is closed and free for others, and due times pass with the
 *  cause PAUSED. A time that is past ends the hold. By the line's owner. */
void line_hold(struct line *line, int64_t until_us);
bool line_is_held(const struct line *line); /* the port is closed by a hold */
/** Ends the poll under way and accounts for what is due until now; a due time that is still open is cut off by the stop (cause STOPPED). */
void line_finish(struct line *line);
/** Ends the poll under way and closes the port, but accounts for nothing: each source's open due times are handed on (line_next_due) or ended
 *  (line_account_source). */
void line_leave(struct line *line);
/** First due time of a source that has not ended; false where it is not asked on this line now. */
bool line_next_due(const struct line *line, uint16_t well_number, uint8_t source, int64_t *due_ms);
/** Skips for all due times of a source up to now, the open one too: it is asked no more. */
void line_account_source(struct line *line, uint16_t well_number, uint8_t source);
/**
 * Goes over to another plan in which this line is the same (plan_line_is_same), at index `index`; false while a poll is under way. Ports, waits,
 * back-off and due times stay. The old plan is no longer used.
 */
bool line_take_plan(struct line *line, const struct plan *plan, uint16_t index);
const struct line_counts *line_counts_of(const struct line *line, uint16_t well_index, uint8_t source); /* NULL: not on this line */
const struct line_counts *line_totals(const struct line *line);

struct gatherer; /* a line in a thread of its own, on a real port */
UP_MUST enum up_rc gather_start(const struct line_options *options /* port is made here */, struct gatherer **out,
                                struct up_error *error);
/** Lets the exchange under way end, accounts for the rest, joins the thread. */
void gather_stop(struct gatherer *gatherer);
/** The same in two steps, for many lines at once: tell all, then wait for each. gather_end returns false where the thread did not end in time (it
 *  hangs in a name lookup): it is let go with its memory. NULL is fine in both. */
void gather_ask_stop(struct gatherer *gatherer);
bool gather_end(struct gatherer *gatherer, int64_t until_us);

/* ---- while the daemon runs on: another plan ---- */

/** The line's thread goes over to `plan` between two scans (line_take_plan); heard at once. Both plans must stay until gather_uses_plan says no. */
void gather_take_plan(struct gatherer *gatherer, const struct plan *plan, uint16_t index);
bool gather_uses_plan(struct gatherer *gatherer, const struct plan *plan);
/** Asks the thread to end its poll and leave the line (line_leave). */
void gather_ask_leave(struct gatherer *gatherer);
bool gather_has_ended(struct gatherer *gatherer);
/** After that, from the caller's thread: as line_next_due and line_account_source. */
bool gather_next_due(const struct gatherer *gatherer, uint16_t well_number, uint8_t source, int64_t *due_ms);
void gather_account_source(struct gatherer *gatherer, uint16_t well_number, uint8_t source);
/** Start of the newest pass of its loop, CLOCK_BOOTTIME us: what a thread that hangs has accounted for. */
int64_t gather_pass_began_us(const struct gatherer *gatherer);
/** line_hold, from any thread; heard at once. gather_is_held says when the port is free. */
void gather_hold(struct gatherer *gatherer, int64_t until_us);
bool gather_is_held(const struct gatherer *gatherer);
/** Version of the libmodbus that is loaded, as text. */
void gather_modbus_version(char *into, size_t room);
/** Passes of the line's loop so far, for the watchdog (atomic). */
uint64_t gather_passes(const struct gatherer *gatherer);
/** A copy of the line's totals, at most a second old; from any thread. */
void gather_totals(struct gatherer *gatherer, struct line_counts *into);

struct trace;
/** What goes over the line's port, always on (trace.h); it lives as long as the gatherer. */
struct trace *gather_trace(struct gatherer *gatherer);

#endif
