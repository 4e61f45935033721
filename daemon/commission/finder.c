/* SPDX-License-Identifier: Apache-2.0
 *
 * finder.c - see finder.h. Every wait is cut into slices, so that a stop is heard at once, and
 * every loop ends by time, by bytes, or by requests.
 */
#include "finder.h"

#include <string.h>

#define AFTER_ANSWER_US 4000 /* for bytes that nobody asked for, behind an answer */
#define GAP_US 100000        /* converters pause within a frame */
#define ANSWER_MOST_US 4000000
#define SAY_EVERY_US 250000
#define DRAIN_LUMPS_MAX 64
#define READ_TRIES 3
#define OPEN_TRIES 10
#define OPEN_PAUSE_US 500000
#define BUSY_PAUSE_US 200000
#define MEAN_OF 4

int64_t finder_now_us(const struct finder *finder)
{
    return clock_boot_us(finder->options->clock);
}

static void tell(struct finder *finder)
{
    const struct find_options *options = finder->options;
    const int64_t now_us = finder_now_us(finder);
    if (options->progress == NULL || now_us - finder->said_us < SAY_EVERY_US)
        return;
    finder->said_us = now_us;
    const int64_t left_us = finder->deadline_us - now_us;
    const struct find_progress progress = {
        .phase = finder->phase,
        .unit_id = finder->asked_id,
        .line = &finder->line,
        .requests = finder->report->evidence.requests,
        .requests_at_most = options->at_most_requests,
        .elapsed_us = now_us - finder->report->began_us,
        .left_us = finder->phase_left_us < left_us ? finder->phase_left_us : left_us};
    options->progress(options->context, &progress);
}

bool finder_goes_on(struct finder *finder)
{
    const struct find_options *options = finder->options;
    tell(finder);
    if (finder->has_ended)
        return false;
    if (options->is_stopped != NULL && options->is_stopped(options->context))
        finder->report->was_stopped = finder->has_ended = true;
    else if (finder_now_us(finder) >= finder->deadline_us ||
             finder->report->evidence.requests >= options->at_most_requests)
        finder->report->ran_out = finder->has_ended = true;
    return !finder->has_ended;
}

/* ---- the port ---- */

static void take_errors(struct finder *finder)
{
    struct line_errors now;
    struct find_evidence *evidence = &finder->report->evidence;
    const struct find_ports *ports = &finder->options->ports;
    if (finder->port == NULL || ports->errors == NULL ||
        !ports->errors(ports->context, finder->port, &now))
        return;
    evidence->has_line_errors = true;
    evidence->line_errors.framing += now.framing - finder->errors_before.framing;
    evidence->line_errors.parity += now.parity - finder->errors_before.parity;
    evidence->line_errors.overruns += now.overruns - finder->errors_before.overruns;
    evidence->line_errors.breaks += now.breaks - finder->errors_before.breaks;
    finder->errors_before = now;
}

void finder_close(struct finder *finder)
{
    const struct find_ports *ports = &finder->options->ports;
    if (finder->port == NULL)
        return;
    take_errors(finder);
    finder->port->close(finder->port->context);
    ports->drop(ports->context, finder->port);
    finder->port = NULL;
}

/** A serial device server that takes one connection may hold the one before for a while. */
static enum up_rc open_patiently(struct finder *finder)
{
    enum up_rc rc = finder->port->open(finder->port->context, finder->error);
    for (int i = 0; i < OPEN_TRIES && rc != UP_OK && finder->has_opened &&
                    finder->line.medium == LINE_MEDIUM_TCP && finder_goes_on(finder);
         i++) {
        const struct up_clock *clock = finder->options->clock;
        clock->sleep_until(clock->context, clock_boot_us(clock) + OPEN_PAUSE_US);
        rc = finder->port->open(finder->port->context, finder->error);
    }
    finder->has_opened = finder->has_opened || rc == UP_OK;
    return rc;
}

bool finder_open(struct finder *finder, const struct line_plan *line)
{
    const struct find_ports *ports = &finder->options->ports;
    if (finder->has_ended)
        return false;
    if (finder->port != NULL && !settings_differ(&finder->line, line) &&
        finder->line.share_line == line->share_line)
        return true;
    finder_close(finder);
    finder->line = *line;
    finder->port = ports->make(ports->context, &finder->line);
    if (finder->port == NULL) {
        finder->rc = UP_FAIL(finder->error, UP_E_MEMORY, "no memory for a port");
    } else {
        finder->rc = open_patiently(finder);
        if (finder->rc != UP_OK) {
            ports->drop(ports->context, finder->port);
            finder->port = NULL;
        }
    }
    finder->has_ended = finder->rc != UP_OK;
    if (finder->has_ended)
        return false;
    if (ports->errors != NULL)
        (void)ports->errors(ports->context, finder->port, &finder->errors_before);
    finder_begin_hearing(finder);
    return true;
}

/** A connection that its other end closed is made anew; a serial port that vanished ends the
 * search. */
static bool lost(struct finder *finder)
{
    const struct line_plan line = finder->line;
    finder->rc = UP_OK;
    if (line.medium == LINE_MEDIUM_SERIAL) {
        finder->rc = finder->error->rc;
        finder->has_ended = true;
        finder_close(finder);
        return false;
    }
    finder_close(finder);
    return finder_open(finder, &line);
}

size_t finder_receive(struct finder *finder, int64_t until_us, uint8_t *bytes, size_t room)
{
    const int64_t slice_us = finder_now_us(finder) + SLICE_US;
    if (finder->port == NULL)
        return 0;
    const ssize_t n =
        finder->port->receive(finder->port->context, bytes, room,
                              until_us < slice_us ? until_us : slice_us, finder->error);
    if (n < 0) {
        (void)lost(finder);
        return 0;
    }
    if (n > 0)
        finder->heard_us = finder_now_us(finder);
    return (size_t)n;
}

/* ---- one question ---- */

/** False where another master was noticed and nobody agreed. */
static bool notice_master(struct finder *finder)
{
    struct find_report *report = finder->report;
    if (report->was_agreed)
        return true;
    report->heard.while_asking = true;
    report->was_agreed = finder->options->consent(finder->options->context, report);
    report->was_refused = finder->has_ended = !report->was_agreed;
    return report->was_agreed;
}

/** A run of bytes that is no answer may be another master's question at other settings: asking ends
 * until it is known, or agreed. */
static bool suspect_master(struct finder *finder, size_t run)
{
    struct find_report *report = finder->report;
    if (report->was_agreed || run < QUESTION_BYTES || !line_speaks_rtu(&finder->line))
        return true;
    const struct line_plan line = finder->line;
    const uint8_t phase = finder->phase;
    finder_listen_first(finder);
    finder->phase = phase;
    report->heard.has_runs = true;
    return notice_master(finder) && finder_open(finder, &line);
}

/** Of these, how many can't be an own question's late answer. */
static size_t foreign_bytes(const struct finder *finder, const uint8_t *bytes, size_t n)
{
    const struct asked nothing = {.is_rtu = true, .unit_id = 248};
    struct reply reply;
    reply_judge(&nothing, bytes, n, &reply);
    const bool is_own_late = reply.kind == REPLY_OTHER && reply.unit_id <= finder->asked_id;
    return is_own_late ? reply.stray : n;
}

bool finder_take_unasked(struct finder *finder, const uint8_t *bytes, size_t n)
{
    if (n == 0)
        return true;
    if (finder_hear(finder, bytes, n))
        return notice_master(finder);
    return suspect_master(finder, foreign_bytes(finder, bytes, n));
}

/** What came unasked before this question. */
static bool drain(struct finder *finder)
{
    uint8_t bytes[REPLY_ROOM];
    size_t n = 0;
    for (int i = 0; i < DRAIN_LUMPS_MAX && finder->port != NULL && n < sizeof bytes; i++) {
        const size_t got =
            finder_receive(finder, finder_now_us(finder), bytes + n, sizeof bytes - n);
        if (got == 0)
            break;
        n += got;
    }
    return finder_take_unasked(finder, bytes, n);
}

void finder_pause(struct finder *finder, int64_t for_us)
{
    uint8_t bytes[RTU_ADU_MAX];
    const int64_t end_us = finder_now_us(finder) + for_us;
    while (finder_now_us(finder) < end_us && finder_goes_on(finder) && finder->port != NULL) {
        const size_t n = finder_receive(finder, end_us, bytes, sizeof bytes);
        if (!finder_take_unasked(finder, bytes, n))
            return;
    }
}

static size_t read_reply(struct finder *finder, const struct asked *asked, uint32_t wait_ms,
                         uint8_t *bytes, struct reply *reply)
{
    const int64_t request_us = asked->is_rtu
                                   ? (int64_t)asked->n * INT64_C(1000000) *
                                         line_bits_per_character(&finder->line) / finder->line.baud
                                   : 0;
    const int64_t first_by_us = finder->sent_us + request_us + (int64_t)wait_ms * 1000;
    const int64_t all_by_us = first_by_us + ANSWER_MOST_US;
    int64_t until_us = first_by_us;
    size_t n = 0;
    reply_judge(asked, bytes, 0, reply);
    while (n < REPLY_ROOM) {
        const size_t got = finder_receive(finder, until_us, bytes + n, REPLY_ROOM - n);
        const int64_t now_us = finder_now_us(finder);
        if (got == 0 && (now_us >= until_us || finder->port == NULL || !finder_goes_on(finder)))
            break;
        if (got == 0)
            continue;
        n += got;
        reply_judge(asked, bytes, n, reply);
        if (reply->kind == REPLY_ANSWER || reply->kind == REPLY_EXCEPTION)
            until_us = now_us + AFTER_ANSWER_US + line_quiet_us(&finder->line);
        else if (reply->kind != REPLY_SILENT)
            until_us = now_us + GAP_US > first_by_us ? now_us + GAP_US : first_by_us;
        if (until_us > all_by_us)
            until_us = all_by_us;
    }
    return n;
}

static void count(struct finder *finder, const struct reply *reply, size_t n)
{
    struct find_evidence *evidence = &finder->report->evidence;
    uint32_t *const by_kind[] = {[REPLY_SILENT] = &evidence->silent,
                                 [REPLY_ANSWER] = &evidence->answers,
                                 [REPLY_EXCEPTION] = &evidence->exceptions,
                                 [REPLY_OTHER] = &evidence->other_unit,
                                 [REPLY_CUT] = &evidence->cut,
                                 [REPLY_BAD_CHECKSUM] = &evidence->bad_checksum,
                                 [REPLY_GARBAGE] = &evidence->garbage};
    const bool is_good = reply->kind == REPLY_ANSWER || reply->kind == REPLY_EXCEPTION;
    (*by_kind[reply->kind])++;
    evidence->bytes_heard += n;
    evidence->of_no_frame += reply->stray;
    evidence->zeros += reply->zeros;
    evidence->ones += reply->ones;
    evidence->echoes += reply->is_echoed;
    evidence->echo_only += reply->is_echoed && reply->kind == REPLY_SILENT;
    evidence->inverted += reply->is_inverted;
    evidence->strayed += is_good && reply->stray > 0;
    evidence->no_way +=
        reply->kind == REPLY_EXCEPTION && reply->exception == MODBUS_PATH_UNAVAILABLE;
    evidence->target_silent +=
        reply->kind == REPLY_EXCEPTION && reply->exception == MODBUS_TARGET_SILENT;
    if (!is_good)
        return;
    const int64_t took_us = finder_now_us(finder) - finder->sent_us;
    if (took_us > finder->slowest_us)
        finder->slowest_us = finder->report->unit.slowest_answer_us = took_us;
    finder->usual_us =
        finder->usual_us == 0 ? took_us : finder->usual_us + (took_us - finder->usual_us) / MEAN_OF;
}

bool finder_ask(struct finder *finder, const struct asked *asked, uint32_t wait_ms,
                struct reply *reply)
{
    uint8_t bytes[REPLY_ROOM];
    memset(reply, 0, sizeof *reply);
    if (asked->n == 0 || !finder->may_ask || !finder_goes_on(finder) || finder->port == NULL)
        return false;
    if (finder->report->was_agreed)
        finder_wait_for_gap(finder, exchange_wire_us(&finder->line, 4, 50000));
    if (!drain(finder) || finder->port == NULL)
        return false;
    finder->sent_us = finder_now_us(finder);
    finder->asked_id = asked->unit_id;
    if (finder->port->send(finder->port->context, asked->frame, asked->n, finder->error) != UP_OK) {
        if (!lost(finder) || finder->port->send(finder->port->context, asked->frame, asked->n,
                                                finder->error) != UP_OK) {
            finder->rc = finder->error->rc;
            finder->has_ended = true;
            return false;
        }
    }
    finder->report->evidence.requests++;
    finder->report->evidence.bytes_sent += asked->n;
    const size_t n = read_reply(finder, asked, wait_ms, bytes, reply);
    count(finder, reply, n);
    const size_t echo = reply->is_echoed && n >= asked->n ? asked->n : 0;
    if (asked->is_rtu && reply->stray > 0 && finder_hear(finder, bytes + echo, n - echo))
        return notice_master(finder) && !finder->report->was_stopped;
    if (reply->kind == REPLY_GARBAGE && !suspect_master(finder, reply->stray))
        return false;
    return !finder->report->was_stopped;
}

static bool wants_again(struct finder *finder, const struct reply *reply)
{
    const bool is_busy = reply->kind == REPLY_EXCEPTION && (reply->exception == MODBUS_BUSY ||
                                                            reply->exception == MODBUS_ACKNOWLEDGE);
    if (is_busy)
        finder_pause(finder, BUSY_PAUSE_US);
    const bool is_whole = reply->kind == REPLY_ANSWER || reply->kind == REPLY_EXCEPTION;
    return is_busy || !is_whole || (reply->stray > 0 && finder->report->was_agreed);
}

bool finder_read(struct finder *finder, uint8_t unit_id, const struct read_request *request,
                 struct reply *reply)
{
    const uint32_t slowest_ms = (uint32_t)(finder->slowest_us / 1000);
    const uint32_t wait_ms = finder->options->wait_ms > 2 * slowest_ms + SETTLE_MS / 2
                                 ? finder->options->wait_ms
                                 : 2 * slowest_ms + SETTLE_MS / 2;
    for (int i = 0; i < READ_TRIES; i++) {
        struct asked asked;
        asked_put_read(&asked, line_speaks_rtu(&finder->line), ++finder->transaction, unit_id,
                       request);
        if (!finder_ask(finder, &asked, wait_ms, reply))
            return false;
        if (!wants_again(finder, reply))
            return true;
    }
    return true;
}
