/* SPDX-License-Identifier: Apache-2.0
 *
 * replay.c - see replay.h.
 */
#include "replay.h"

#include "check.h"

#include <stdarg.h>
#include <stdlib.h>

/* So long after its deadline a call in the recording may have ended: what it brought then it brings
 * now. */
#define SLACK_US 5000
/* So late a thread may have been woken before it sent. */
#define WOKEN_LATE_US 20000
#define STEPS_ON_THE_SPOT_MAX 1000

struct replay {
    const struct trace_file *file;
    const char *name;
    struct replay_result *result;
    struct up_clock clock;
    struct port port;
    int64_t now_us, quiet_us;
    size_t at, offset; /* next event; bytes of it that were taken */
    bool is_open;
};

__attribute__((format(printf, 2, 3))) static void fail_at(struct replay *replay, const char *format,
                                                          ...)
{
    if (replay->result->failed)
        return;
    const struct trace_file *file = replay->file;
    const unsigned line = file->n == 0           ? 0
                          : replay->at < file->n ? file->lines[replay->at]
                                                 : file->lines[file->n - 1];
    char text[480];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    replay->result->failed = true;
    snprintf(replay->result->failure, sizeof replay->result->failure, "%s:%u: %s", replay->name,
             line, text);
}

/* ---- time ---- */

static int64_t boot_us(void *context)
{
    return ((struct replay *)context)->now_us;
}
static int64_t utc_us(void *context)
{
    const struct replay *replay = context;
    return replay->file->about.start_utc_ms * 1000 + (replay->now_us - REPLAY_BOOT_US);
}
static bool is_synchronised(void *context)
{
    (void)context;
    return true;
}
static void move_to(struct replay *replay, int64_t us)
{
    if (us > replay->now_us)
        replay->now_us = us;
}
static void sleep_until(void *context, int64_t us)
{
    move_to(context, us);
}

static const struct trace_event *next_event(const struct replay *replay)
{
    return replay->at < replay->file->n ? &replay->file->events[replay->at] : NULL;
}
static int64_t instant_of(const struct trace_event *event)
{
    return REPLAY_BOOT_US + event->at_us;
}

/* ---- the port ---- */

/** The next event, where it is of either kind; the clock moves to it. NULL: the trace is over, or
 * it fails. */
static const struct trace_event *expect(struct replay *replay, uint8_t kind, uint8_t or_kind,
                                        bool may_take_long)
{
    const struct trace_event *event = next_event(replay);
    if (event == NULL || event->kind == TRACE_END)
        return NULL;
    if (event->kind != kind && event->kind != or_kind) {
        fail_at(replay, "the trace has '%s' here, and the line now does '%s', %+.6f s from it",
                trace_kind_name(event->kind), trace_kind_name(kind),
                (double)(replay->now_us - instant_of(event)) / 1e6);
        return NULL;
    }
    const int64_t late_us = replay->now_us - instant_of(event);
    if (late_us > REPLAY_TOLERANCE_US || (!may_take_long && late_us < -REPLAY_TOLERANCE_US)) {
        fail_at(replay, "'%s' comes %.6f s %s than recorded", trace_kind_name(event->kind),
                (double)(late_us > 0 ? late_us : -late_us) / 1e6,
                late_us > 0 ? "later" : "earlier");
        return NULL;
    }
    move_to(replay, instant_of(event));
    replay->at++;
    return event;
}

static enum up_rc play_open(void *context, struct up_error *error)
{
    struct replay *replay = context;
    const struct trace_event *event = expect(replay, TRACE_OPEN, TRACE_NOT_OPEN, true);
    replay->is_open = event != NULL && event->kind == TRACE_OPEN;
    return replay->is_open ? UP_OK
                           : UP_FAIL(error, UP_E_PORT, "%s", event != NULL ? event->why : "over");
}

static void play_close(void *context)
{
    struct replay *replay = context;
    if (replay->is_open)
        (void)expect(replay, TRACE_CLOSE, TRACE_CLOSE, false);
    replay->is_open = false;
}

static void to_hex(const uint8_t *bytes, size_t n, char *into, size_t room)
{
    into[0] = '\0';
    for (size_t i = 0; i < n && 3 * i + 4 < room; i++)
        snprintf(into + 3 * i, 4, " %02X", bytes[i]);
}

static enum up_rc play_send(void *context, const uint8_t *bytes, size_t n, struct up_error *error)
{
    struct replay *replay = context;
    const struct trace_event *event = expect(replay, TRACE_SENT, TRACE_NOT_SENT, false);
    if (event == NULL)
        return UP_FAIL(error, UP_E_PORT, "over");
    if (event->n != n || memcmp(event->bytes, bytes, n) != 0) {
        char recorded[120], now[120];
        to_hex(event->bytes, event->n, recorded, sizeof recorded);
        to_hex(bytes, n, now, sizeof now);
        replay->at--;
        fail_at(replay, "the request was%s, and now is%s", recorded, now);
        return UP_FAIL(error, UP_E_PORT, "another request");
    }
    return event->kind == TRACE_SENT ? UP_OK : UP_FAIL(error, UP_E_PORT, "%s", event->why);
}

static ssize_t take_bytes(struct replay *replay, const struct trace_event *event, uint8_t *into,
                          size_t room)
{
    const size_t left = event->n - replay->offset, n = left < room ? left : room;
    memcpy(into, event->bytes + replay->offset, n);
    replay->offset += n;
    if (replay->offset == event->n) {
        replay->offset = 0;
        replay->at++;
    }
    move_to(replay, instant_of(event));
    return (ssize_t)n;
}

/** A wait that ends without a byte: the tracer notes it by this rule, unless it noted one just
 * before. */
static void play_wait(struct replay *replay, int64_t until_us)
{
    const struct trace_event *event = next_event(replay);
    const bool is_noted = until_us - replay->now_us > replay->quiet_us;
    move_to(replay, until_us);
    if (event == NULL || instant_of(event) > until_us + REPLAY_TOLERANCE_US)
        return;
    if (event->kind == TRACE_TIMEOUT && is_noted) {
        if (instant_of(event) < until_us - REPLAY_TOLERANCE_US)
            fail_at(replay, "the line waits %.6f s longer than recorded",
                    (double)(until_us - instant_of(event)) / 1e6);
        replay->at++;
        move_to(replay, instant_of(event));
    } else if (event->kind == TRACE_SENT && instant_of(event) <= until_us + WOKEN_LATE_US) {
        move_to(replay, instant_of(event)); /* the line looks just before it asks */
    }
}

static ssize_t play_receive(void *context, uint8_t *into, size_t room, int64_t deadline_us,
                            struct up_error *error)
{
    struct replay *replay = context;
    const struct trace_event *event = next_event(replay);
    const int64_t until_us = deadline_us > replay->now_us ? deadline_us : replay->now_us;
    const bool has_come = event != NULL && instant_of(event) <= until_us + SLACK_US;
    if (has_come && event->kind == TRACE_RECEIVED)
        return take_bytes(replay, event, into, room);
    if (has_come && event->kind == TRACE_GONE) {
        move_to(replay, instant_of(event));
        replay->at++;
        up_fail(error, UP_E_PORT, 0, __FILE__, __LINE__, "%s", event->why);
        return -1;
    }
    play_wait(replay, until_us);
    return 0;
}

static void play_flush(void *context)
{
    (void)expect(context, TRACE_FLUSH, TRACE_FLUSH, false);
}

/* ---- the run ---- */

static struct line *make_line(struct replay *replay, const struct plan *plan, struct ring *ring)
{
    const struct trace_about *about = &replay->file->about;
    struct line_options options = {.plan = plan,
                                   .clock = &replay->clock,
                                   .port = &replay->port,
                                   .ring = ring,
                                   .wake_fd = -1,
                                   .run = about->run,
                                   .grid_start_us = REPLAY_BOOT_US + about->grid_us,
                                   .listen_first = about->listens_first,
                                   .seed = about->seed};
    while (options.index < plan->n_lines &&
           strcmp(plan->lines[options.index].name, about->line) != 0)
        options.index++;
    if (options.index == plan->n_lines) {
        fail_at(replay, "the configuration has no line %s", about->line);
        return NULL;
    }
    const struct line_plan *line = &plan->lines[options.index];
    const bool has_speed =
        about->medium == LINE_MEDIUM_SERIAL || about->framing == LINE_FRAMING_RTU;
    if (line->medium != about->medium || line->framing != about->framing ||
        (has_speed && (line->baud != about->baud || line->parity != about->parity ||
                       line->data_bits != about->data_bits || line->stop_bits != about->stop_bits)))
        fail_at(replay, "line %s has other settings than when it was recorded", about->line);
    replay->quiet_us = line_speaks_rtu(line) ? line_quiet_us(line) : 0;
    struct up_error error = {0};
    struct line *made = replay->result->failed ? NULL : line_create(&options, &error);
    if (made == NULL)
        fail_at(replay, "no line: %s", error.why);
    return made;
}

static bool is_whole(struct replay *replay)
{
    for (replay->at = 0; replay->at < replay->file->n; replay->at++)
        if (next_event(replay)->kind == TRACE_CUT)
            fail_at(replay, "events are missing; only a trace from the line's start can be played");
    if (!replay->file->ended)
        fail_at(replay, "the trace has no end; it can't be told whether it is whole");
    replay->at = 0;
    return !replay->result->failed;
}

static void step_to_end(struct replay *replay, struct line *line, struct ring *ring,
                        void (*item)(void *context, const struct gathered *item), void *context)
{
    const int64_t end_us = instant_of(&replay->file->events[replay->file->n - 1]);
    int64_t stuck_us = 0;
    unsigned on_the_spot = 0;
    static struct gathered gathered;
    while (replay->now_us < end_us) {
        const int64_t next_us = line_step(line);
        if (replay->result->failed)
            return;
        while (replay->now_us <= end_us && ring_get(ring, &gathered))
            item(context, &gathered);
        move_to(replay, next_us);
        on_the_spot = replay->now_us == stuck_us ? on_the_spot + 1 : 0;
        stuck_us = replay->now_us;
        if (on_the_spot > STEPS_ON_THE_SPOT_MAX)
            fail_at(replay, "the line turns on the spot");
    }
    if (next_event(replay) != NULL && next_event(replay)->kind != TRACE_END)
        fail_at(replay, "the line never came to this '%s'",
                trace_kind_name(next_event(replay)->kind));
}

void replay_run(const struct trace_file *file, const char *name, const struct plan *plan,
                void (*item)(void *context, const struct gathered *item), void *context,
                struct replay_result *result)
{
    struct replay replay = {.file = file,
                            .name = name,
                            .result = result,
                            .now_us = REPLAY_BOOT_US,
                            .clock = {.boot_us = boot_us,
                                      .utc_us = utc_us,
                                      .is_synchronised = is_synchronised,
                                      .sleep_until = sleep_until,
                                      .boot = 1},
                            .port = {.open = play_open,
                                     .close = play_close,
                                     .send = play_send,
                                     .receive = play_receive,
                                     .flush = play_flush}};
    replay.clock.context = replay.port.context = &replay;
    memset(result, 0, sizeof *result);
    if (!is_whole(&replay))
        return;
    struct ring *ring = ring_create(REPLAY_RING_SLOTS, sizeof(struct gathered));
    assert_non_null(ring);
    struct line *line = make_line(&replay, plan, ring);
    if (line != NULL)
        step_to_end(&replay, line, ring, item, context);
    line_destroy(line);
    ring_destroy(ring);
}
