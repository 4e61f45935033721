/* SPDX-License-Identifier: Apache-2.0
 *
 * trace.h - the bytes of a line both ways with their times: a ring that is always on, its text, and the reader of that text.
 *
 * A trace stands between the line machine and its port: it forwards each call and notes it. It changes, delays and sends nothing. The text
 * (docs/trace.md) is for people and for replay: the line machine, put on a port that plays a trace, must do again what it did.
 *
 * To fetch one from outside: the question `trace text LINE` at the local socket gives the whole ring of a line as text. trace_explain adds
 * the column of comments for people. Inside the daemon: gather_trace, trace_copy_take, trace_put_head, trace_put_event.
 */
#ifndef UPHOLE_TRACE_H
#define UPHOLE_TRACE_H

#include "uphole/gather.h"

#define TRACE_RING_BYTES 32768 /* a line; some 10 min of a gauge that is polled every 10 s */
#define TRACE_BYTES_MAX 1024   /* of one event; more in one call become several events of the same time */
#define TRACE_WHY_MAX 120
#define TRACE_LINE_MAX 4096
#define TRACE_HINT_MAX 160
#define TRACE_FILE_MAX (64u * 1024 * 1024)
#define TRACE_VERSION 1

enum trace_kind {
    TRACE_NONE = 0,
    TRACE_OPEN,     /* the port is open */
    TRACE_NOT_OPEN, /* it could not be opened: why */
    TRACE_CLOSE,    /* we closed it */
    TRACE_SENT,     /* bytes; the time is the beginning of the call */
    TRACE_NOT_SENT, /* bytes that the port refused: why */
    TRACE_RECEIVED, /* bytes of one call; the time is its end */
    TRACE_TIMEOUT,  /* amount: so many us were waited without a byte; only the first such wait after a byte or a mark is noted */
    TRACE_FLUSH,    /* what the driver held was dropped */
    TRACE_GONE,     /* the port broke while reading: why */
    TRACE_CUT,      /* amount: so many events are missing here */
    TRACE_END,      /* the trace ends here on purpose: a file without it was cut off */
    TRACE_KINDS
};
const char *trace_kind_name(uint8_t kind); /* the word in the text */

/** Where a trace comes from: its head. */
struct trace_about {
    char line[NAME_LENGTH_MAX + 1];
    uint8_t medium, framing; /* enum line_medium, line_framing */
    uint32_t baud;           /* of RTU frames */
    uint8_t data_bits, stop_bits;
    char parity;
    char plan[65];           /* digest */
    uint64_t run;
    int64_t start_utc_ms;    /* of time zero: the line's start */
    int64_t grid_us;         /* when the grid of due times began, from time zero (0 or before it) */
    bool listens_first;
    uint32_t seed;           /* of the back-off's jitter */
};
struct trace_event {
    int64_t at_us; /* from time zero */
    uint8_t kind;
    uint16_t n;
    const uint8_t *bytes;
    const char *why; /* "" where there is none */
    int64_t amount;
};

/* ---- the ring and its port ---- */

struct trace; /* opaque */
/** A trace of the line that `options` describes, in front of options->port. Time zero is now. NULL without memory. */
struct trace *trace_create(const struct line_options *options);
void trace_destroy(struct trace *trace);
/** The port to hand to the line instead of its own. */
const struct port *trace_port(struct trace *trace);

/** The ring as it stood at one moment. Some 32 KiB: for a stack that has them, or allocated once. */
struct trace_copy {
    struct trace_about about;
    int64_t now_us;       /* from time zero, when it was taken */
    uint64_t first, next; /* number of the oldest event kept, and of the one to come; numbers of a later trace of this boot are greater */
    uint64_t oldest;      /* number that the trace began with: first - oldest events are gone */
    size_t n;
    uint8_t bytes[TRACE_RING_BYTES];
};
/** From any thread; holds the line for the time of one memcpy at most. */
void trace_copy_take(struct trace *trace, struct trace_copy *copy);
/** Walks a copy: `*at` starts at 0. `why_room` holds the event's reason until the next call. False at the end. */
bool trace_copy_next(const struct trace_copy *copy, size_t *at, char why_room[static TRACE_WHY_MAX + 1],
                     struct trace_event *event);

/* ---- text ---- */

/** The head, its lines ended by line feeds; returns its length. */
size_t trace_put_head(const struct trace_about *about, char into[static TRACE_LINE_MAX]);
/** One event as one line with its line feed; `hint` becomes the comment, "" or NULL none. Returns its length. */
size_t trace_put_event(const struct trace_event *event, const char *hint, char into[static TRACE_LINE_MAX]);

/** What a person wants to know of an event: what was asked, whether the checksum is good. Zero it, then set `is_rtu`. */
struct trace_hints {
    bool is_rtu, asked, answered;
    struct read_request request;
    uint8_t unit_id;
    uint16_t transaction;
    size_t n_question, n_heard;
    uint8_t question[TCP_ADU_MAX], heard[2 * RTU_ADU_MAX];
};
void trace_hint(struct trace_hints *hints, const struct trace_event *event, char into[static TRACE_HINT_MAX]);

/* ---- reading ---- */

struct trace_reader {
    const char *name; /* of the file, for messages */
    unsigned line;    /* read so far */
    unsigned head;    /* lines of the head read so far */
    bool ended;
    int64_t last_us;
    struct trace_about about;
    uint8_t bytes[TRACE_BYTES_MAX];
    char why[TRACE_WHY_MAX + 1];
};
void trace_reader_begin(struct trace_reader *reader, const char *name);
/** True once the head is complete. */
bool trace_reader_has_head(const struct trace_reader *reader);
/**
 * Reads one line (without its line feed). event->kind TRACE_NONE: it was no event. Bytes and reason of the event stand in the reader until
 * the next call. UP_E_INPUT with "file:line: what; expected what".
 */
UP_MUST enum up_rc trace_reader_line(struct trace_reader *reader, const char *text, size_t n,
                                     struct trace_event *event, struct up_error *error);

struct trace_file {
    struct trace_about about;
    bool ended;     /* `end` stands in it */
    bool cut_short; /* its last line has no line feed, and was left out */
    size_t n;
    struct trace_event *events;
    unsigned *lines; /* where each stands in the file, from 1 */
    uint8_t *store;
};
/** Reads a whole trace; a last line without line feed (a writer that was killed) is left out. */
UP_MUST enum up_rc trace_file_read(const char *text, size_t n, const char *name, struct trace_file *out,
                                   struct up_error *error);
void trace_file_free(struct trace_file *file);

#endif
