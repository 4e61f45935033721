/* SPDX-License-Identifier: Apache-2.0
 *
 * trace.c - a ring of what went over a line's port, and the port that notes it.
 *
 * Entries stand one behind the other in a ring of bytes: a head of fixed size, then bytes or a
 * reason. The newest pushes out whole oldest ones. The line's thread writes, anybody copies: the
 * lock is held for one entry or one copy. Invariant: `used` bytes from `tail` on are whole entries,
 * numbered `first` to `next - 1`, in the order of the calls.
 */
#include "uphole/trace.h"

#include <pthread.h>
#include <stdlib.h>
#include <string.h>

/** Before each entry's `n` bytes and the `n_why` characters of its reason. */
struct entry_head {
    int64_t at_us;
    uint16_t n;
    uint8_t n_why, kind;
};
#define ENTRY_HEAD (sizeof(int64_t) + sizeof(uint16_t) + 2 * sizeof(uint8_t))
_Static_assert(TRACE_RING_BYTES > 8 * (TRACE_BYTES_MAX + ENTRY_HEAD + TRACE_WHY_MAX + 1), "room");

struct trace {
    struct port port; /* ours; its context is this struct */
    const struct port *inner;
    const struct up_clock *clock;
    int64_t start_us, quiet_us;
    bool is_open, waited; /* waited: noted since the last byte or mark */
    struct trace_about about;
    pthread_mutex_t lock; /* of all below */
    uint64_t oldest, first, next;
    size_t tail, used;
    uint8_t ring[TRACE_RING_BYTES];
};

/* ---- the ring ---- */

static void ring_write(struct trace *trace, const void *bytes, size_t n)
{
    const size_t at = (trace->tail + trace->used) % TRACE_RING_BYTES;
    const size_t before_end = n < TRACE_RING_BYTES - at ? n : TRACE_RING_BYTES - at;
    memcpy(trace->ring + at, bytes, before_end);
    memcpy(trace->ring, (const uint8_t *)bytes + before_end, n - before_end);
    trace->used += n;
}

static void head_to_bytes(const struct entry_head *head, uint8_t bytes[static ENTRY_HEAD])
{
    memcpy(bytes, &head->at_us, sizeof head->at_us);
    memcpy(bytes + 8, &head->n, sizeof head->n);
    bytes[10] = head->n_why;
    bytes[11] = head->kind;
}

static struct entry_head head_from_bytes(const uint8_t bytes[static ENTRY_HEAD])
{
    struct entry_head head = {.n_why = bytes[10], .kind = bytes[11]};
    memcpy(&head.at_us, bytes, sizeof head.at_us);
    memcpy(&head.n, bytes + 8, sizeof head.n);
    return head;
}

static void drop_oldest(struct trace *trace)
{
    uint8_t bytes[ENTRY_HEAD];
    for (size_t i = 0; i < ENTRY_HEAD; i++)
        bytes[i] = trace->ring[(trace->tail + i) % TRACE_RING_BYTES];
    const struct entry_head head = head_from_bytes(bytes);
    const size_t whole = ENTRY_HEAD + head.n + head.n_why;
    trace->tail = (trace->tail + whole) % TRACE_RING_BYTES;
    trace->used -= whole;
    trace->first++;
}

static void put(struct trace *trace, int64_t at_us, uint8_t kind, const void *bytes, size_t n,
                const char *why)
{
    const struct entry_head head = {.at_us = at_us - trace->start_us,
                                    .n = (uint16_t)n,
                                    .n_why = (uint8_t)strnlen(why, TRACE_WHY_MAX),
                                    .kind = kind};
    uint8_t head_bytes[ENTRY_HEAD];
    head_to_bytes(&head, head_bytes);
    pthread_mutex_lock(&trace->lock);
    while (trace->used + ENTRY_HEAD + head.n + head.n_why > TRACE_RING_BYTES)
        drop_oldest(trace);
    ring_write(trace, head_bytes, ENTRY_HEAD);
    ring_write(trace, bytes, n);
    ring_write(trace, why, head.n_why);
    trace->next++;
    pthread_mutex_unlock(&trace->lock);
    trace->waited = kind == TRACE_TIMEOUT;
}

static void note(struct trace *trace, int64_t at_us, uint8_t kind, const uint8_t *bytes, size_t n)
{
    size_t done = 0;
    do {
        const size_t part = n - done < TRACE_BYTES_MAX ? n - done : TRACE_BYTES_MAX;
        put(trace, at_us, kind, bytes + done, part, "");
        done += part;
    } while (done < n);
}

static void note_failure(struct trace *trace, int64_t at_us, uint8_t kind, const uint8_t *bytes,
                         size_t n, const struct up_error *error)
{
    if (n > TRACE_BYTES_MAX)
        n = TRACE_BYTES_MAX;
    put(trace, at_us, kind, bytes, n, error != NULL ? error->why : "");
}

/* ---- the port ---- */

static enum up_rc traced_open(void *context, struct up_error *error)
{
    struct trace *trace = context;
    const enum up_rc rc = trace->inner->open(trace->inner->context, error);
    const int64_t at_us = clock_boot_us(trace->clock);
    trace->is_open = rc == UP_OK;
    if (rc == UP_OK)
        note(trace, at_us, TRACE_OPEN, (const uint8_t *)"", 0);
    else
        note_failure(trace, at_us, TRACE_NOT_OPEN, (const uint8_t *)"", 0, error);
    return rc;
}

static void traced_close(void *context)
{
    struct trace *trace = context;
    trace->inner->close(trace->inner->context);
    if (trace->is_open)
        note(trace, clock_boot_us(trace->clock), TRACE_CLOSE, (const uint8_t *)"", 0);
    trace->is_open = false;
}

static enum up_rc traced_send(void *context, const uint8_t *bytes, size_t n, struct up_error *error)
{
    struct trace *trace = context;
    const int64_t at_us = clock_boot_us(trace->clock);
    const enum up_rc rc = trace->inner->send(trace->inner->context, bytes, n, error);
    if (rc == UP_OK)
        note(trace, at_us, TRACE_SENT, bytes, n);
    else
        note_failure(trace, at_us, TRACE_NOT_SENT, bytes, n, error);
    return rc;
}

static ssize_t traced_receive(void *context, uint8_t *into, size_t room, int64_t deadline_us,
                              struct up_error *error)
{
    struct trace *trace = context;
    const int64_t from_us = clock_boot_us(trace->clock);
    const ssize_t n = trace->inner->receive(trace->inner->context, into, room, deadline_us, error);
    const int64_t at_us = clock_boot_us(trace->clock);
    if (n > 0) {
        note(trace, at_us, TRACE_RECEIVED, into, (size_t)n);
    } else if (n < 0) {
        note_failure(trace, at_us, TRACE_GONE, (const uint8_t *)"", 0, error);
    } else if (deadline_us - from_us > trace->quiet_us && !trace->waited) {
        const int64_t waited_us = at_us - from_us; /* a look, or the quiet behind a frame, is no
                                                      time-out */
        put(trace, at_us, TRACE_TIMEOUT, &waited_us, sizeof waited_us, "");
    }
    return n;
}

static void traced_flush(void *context)
{
    struct trace *trace = context;
    trace->inner->flush(trace->inner->context);
    note(trace, clock_boot_us(trace->clock), TRACE_FLUSH, (const uint8_t *)"", 0);
}

/* ---- life ---- */

static void fill_about(struct trace_about *about, const struct line_options *options)
{
    const struct line_plan *line = &options->plan->lines[options->index];
    *about = (struct trace_about){.medium = line->medium,
                                  .framing = line->framing,
                                  .baud = line->baud,
                                  .data_bits = line->data_bits,
                                  .stop_bits = line->stop_bits,
                                  .parity = line->parity,
                                  .run = options->run,
                                  .listens_first = options->listen_first,
                                  .seed = options->seed};
    memcpy(about->line, line->name, sizeof about->line);
    memcpy(about->plan, options->plan->digest, sizeof about->plan);
    about->start_utc_ms = options->clock->utc_us(options->clock->context) / 1000;
}

struct trace *trace_create(const struct line_options *options)
{
    const struct line_plan *line = &options->plan->lines[options->index];
    struct trace *trace = calloc(1, sizeof *trace);
    if (trace == NULL)
        return NULL;
    if (pthread_mutex_init(&trace->lock, NULL) != 0) {
        free(trace);
        return NULL;
    }
    trace->inner = options->port;
    trace->clock = options->clock;
    trace->start_us = clock_boot_us(options->clock);
    trace->quiet_us = line_speaks_rtu(line) ? line_quiet_us(line) : 0;
    trace->oldest = trace->first = trace->next = (uint64_t)trace->start_us;
    fill_about(&trace->about, options);
    trace->about.grid_us = options->grid_start_us - trace->start_us;
    trace->port = (struct port){.open = traced_open,
                                .close = traced_close,
                                .send = traced_send,
                                .receive = traced_receive,
                                .flush = traced_flush,
                                .context = trace};
    return trace;
}

void trace_destroy(struct trace *trace)
{
    if (trace == NULL)
        return;
    pthread_mutex_destroy(&trace->lock);
    free(trace);
}

const struct port *trace_port(struct trace *trace)
{
    return &trace->port;
}

/* ---- looking ---- */

void trace_copy_take(struct trace *trace, struct trace_copy *copy)
{
    copy->about = trace->about;
    pthread_mutex_lock(&trace->lock);
    copy->now_us = clock_boot_us(trace->clock) - trace->start_us; /* after all that is kept */
    const size_t before_end =
        trace->used < TRACE_RING_BYTES - trace->tail ? trace->used : TRACE_RING_BYTES - trace->tail;
    memcpy(copy->bytes, trace->ring + trace->tail, before_end);
    memcpy(copy->bytes + before_end, trace->ring, trace->used - before_end);
    copy->n = trace->used;
    copy->oldest = trace->oldest;
    copy->first = trace->first;
    copy->next = trace->next;
    pthread_mutex_unlock(&trace->lock);
}

bool trace_copy_next(const struct trace_copy *copy, size_t *at,
                     char why_room[static TRACE_WHY_MAX + 1], struct trace_event *event)
{
    if (*at >= copy->n)
        return false;
    const struct entry_head head = head_from_bytes(copy->bytes + *at);
    const uint8_t *bytes = copy->bytes + *at + ENTRY_HEAD;
    *at += ENTRY_HEAD + head.n + head.n_why;
    memcpy(why_room, bytes + head.n, head.n_why);
    why_room[head.n_why] = '\0';
    *event = (struct trace_event){
        .at_us = head.at_us, .kind = head.kind, .n = head.n, .bytes = bytes, .why = why_room};
    if (head.kind == TRACE_TIMEOUT) {
        memcpy(&event->amount, bytes, sizeof event->amount);
        event->n = 0;
    }
    return true;
}
