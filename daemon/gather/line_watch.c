/* SPDX-License-Identifier: Apache-2.0
 *
 * line_watch.c - bytes that nobody here asked for: late answers, other masters, noise; and the
 * quiet that follows a fault.
 *
 * The rest: after a failed question the line must be quiet for longer than the slowest answer, so
 * that an answer that is still on its way can't be taken for the next one. Whatever comes meanwhile
 * is counted, named, and starts the quiet anew.
 */
#include "line_inside.h"

#include "uphole/say.h"

#include <string.h>

#define ECHOES_MEAN_CONVERTER 3
#define SLICE_US 250000 /* longest wait in one step, so that a stop is heard soon */
#define SLOWEST_MOST_US (30 * INT64_C(1000000))
#define SLOWEST_MOST_TIMEOUTS 10
#define MASTER_AGAIN_US (600 * INT64_C(1000000))
#define REMEMBER_US                                                                                \
    (10 * INT64_C(1000000)) /* so long after our last question an answer may still be ours */

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* ---- whose frame is this? ---- */

static bool answers(const struct heard_frame *frame, uint8_t unit_id,
                    const struct read_request *request)
{
    if (!frame->as_answer || frame->bytes[0] != unit_id)
        return false;
    return frame->bytes[1] == (request->function | 0x80) ||
           (frame->bytes[1] == request->function && frame->n == pdu_answer_length(request) + 3);
}

static bool answers_any_of_ours(const struct line *line, const struct heard_frame *frame)
{
    for (size_t i = 0; i < line->n; i++) {
        const struct asked_source *source = &line->sources[i];
        if (!line->turns[i].is_active)
            continue;
        for (unsigned r = 0; r < source->reads.n; r++)
            if (answers(frame, source->entry->unit_id, &source->reads.range[r].request))
                return true;
    }
    return false;
}

static struct asked_source *source_of_unit(struct line *line, uint8_t unit_id)
{
    for (size_t i = 0; i < line->n; i++)
        if (line->turns[i].is_active && line->sources[i].entry->unit_id == unit_id)
            return &line->sources[i];
    return NULL;
}

void watch_slow_answer(struct line *line, struct asked_source *source, int64_t took_us)
{
    int64_t most_us = least(SLOWEST_MOST_US, SLOWEST_MOST_TIMEOUTS * 1000 *
                                                 (int64_t)line->plan->response_timeout_ms);
    took_us = least(took_us, most_us);
    if (took_us > line->totals.slowest_answer_us)
        line->totals.slowest_answer_us = took_us;
    if (source != NULL && took_us > source->counts.slowest_answer_us)
        source->counts.slowest_answer_us = took_us;
}

/** An answer to a question that was given up: the site's response_timeout is too short. Said once,
 * and again when it gets twice as bad. */
static void late_answer(struct line *line, int64_t took_us)
{
    struct question *last = &line->wire.last;
    struct asked_source *source = source_of_unit(line, last->unit_id);
    if (last->answered)
        return; /* the same answer a second time says nothing about speed */
    last->answered = true;
    last->answered_us = line->wire.listener.heard_us;
    watch_slow_answer(line, source, took_us);
    if (source == NULL || took_us < 2 * source->told_slow_us)
        return;
    source->told_slow_us = took_us;
    line_tell(line, SAY_WARNING, "slow_answer",
              "Unit id %u on %s answered after %.1f s; response_timeout is %.1f s. The late answer "
              "was thrown away. "
              "Set response_timeout to %.1f s or more.",
              last->unit_id, line->plan->name, (double)took_us / 1e6,
              (double)line->plan->response_timeout_ms / 1e3, (double)took_us * 1.5 / 1e6);
}

/** Says that another master is there, at most once in MASTER_AGAIN_US: a pair with a few foreign
 * frames now and then would fill the log. What came between is counted in the next sentence. */
static void tell_another_master(struct line *line, int64_t now_us)
{
    if (line->is_master_told)
        return;
    if (line->was_master_told && now_us - line->master_told_us < MASTER_AGAIN_US)
        return;
    line->is_master_told = line->was_master_told = true;
    line->master_told_us = now_us;
    char since[STAMP_TEXT_MAX];
    uint32_t untold = line->masters_untold - 1; /* without this one */
    line->masters_untold = 0;
    stamp_to_short_text(line->master_since.utc_ms, since);
    if (untold == 0)
        line_tell(
            line, SAY_WARNING, "second_master",
            "Another master is on %s since %s. Uphole stopped asking: it can spoil the drive's "
            "answers. Agree with the drive's owner and set share_line, or use another port.",
            line->plan->name, since);
    else
        line_tell(line, SAY_WARNING, "second_master",
                  "Another master is on %s since %s; times it came and went before: %u. Uphole "
                  "stopped asking. Agree with the drive's owner and set share_line, or use another "
                  "port.",
                  line->plan->name, since, untold);
}

static void another_master(struct line *line, int64_t now_us)
{
    line->foreign_us = now_us;
    if (line->another_master || line->plan->share_line)
        return;
    line_account(line, now_us);
    line->another_master = true;
    line->is_listening = false;
    line->master_since = line_stamp(line);
    line->is_master_told = false;
    line->masters_untold++;
    tell_another_master(line, now_us);
}

static void judge_frame(struct line *line, const struct heard_frame *frame)
{
    const struct question *last = &line->wire.last;
    int64_t now_us = line->wire.listener.heard_us;
    int64_t remember_us = 4 * line_rest_us(line);
    /* While the box slept nobody waited; and how fast the unit is can't be told then. */
    struct sleep_watch sleep = {.seen_us = last->asleep_us};
    int64_t slept_us = sleep_watch_step(&sleep, clock_asleep_us(line->options.clock));
    int64_t age_us = now_us - last->sent_us - slept_us;
    bool asked_lately =
        last->asked && age_us <= (remember_us > REMEMBER_US ? remember_us : REMEMBER_US);
    /* An echo comes before the answer: long after it, another master has asked the same. */
    bool may_be_echo = asked_lately && (!last->answered || slept_us > 0 ||
                                        now_us - last->answered_us <= line_rest_us(line));
    if (may_be_echo && frame->n == last->n && memcmp(frame->bytes, last->frame, last->n) == 0)
        return; /* of a two-wire converter */
    bool answers_last = asked_lately && answers(frame, last->unit_id, &last->request);
    if (answers_last || (asked_lately && answers_any_of_ours(line, frame))) {
        line->totals.late_replies++;
        struct asked_source *source = source_of_unit(line, frame->bytes[0]);
        if (source != NULL)
            source->counts.late_replies++;
        if (answers_last && slept_us == 0)
            late_answer(line, age_us);
        return;
    }
    line->totals.foreign_frames++;
    if (line_is_scanning(line))
        line->sources[line->poll.source].counts.foreign_frames++;
    another_master(line, now_us);
}

void watch_stray(struct line *line, uint32_t n)
{
    int64_t now_us = line_now_us(line);
    line->totals.stray_bytes += n;
    if (line_is_scanning(line)) {
        line->sources[line->poll.source].counts.stray_bytes += n;
        line->poll.out.scan.stray += n;
    } else if (n > 0) {
        if (now_us - line->recent_stray_us >= line_rest_us(line))
            line->recent_stray = 0;
        line->recent_stray += n;
        line->recent_stray_us = now_us;
    }
    if (!line->wire.is_rtu)
        return;
    struct heard_frame frame;
    while (listener_next(&line->wire.listener, &frame))
        judge_frame(line, &frame);
}

/* Once may be another master with the same question; always is a converter. */
void watch_echo(struct line *line, bool is_echoed)
{
    line->echoes_in_row = is_echoed ? line->echoes_in_row + 1 : 0;
    if (line->plan->strip_echo || line->is_echo_told || line->echoes_in_row < ECHOES_MEAN_CONVERTER)
        return;
    line->is_echo_told = true;
    line_tell(line, SAY_WARNING, "echo",
              "The last %u questions on %s came back before the answer: looks like an echo of a "
              "two-wire converter. Set strip_echo: yes on this line.",
              line->echoes_in_row, line->plan->name);
}

/* ---- quiet ---- */

void watch_rest(struct line *line, int64_t from_us)
{
    line->is_resting = true;
    line->rest_from_us = from_us;
}

/** Hears until `until_us` at most, one slice; false where the port is gone. */
static bool hear(struct line *line, int64_t now_us, int64_t until_us)
{
    ssize_t n = wire_hear(&line->wire, least(until_us, now_us + SLICE_US));
    if (n > 0)
        watch_stray(line, (uint32_t)n);
    if (n >= 0)
        return true;
    if (line_is_scanning(line)) {
        line->poll.failure = OUTCOME_PORT_GONE;
        scan_end(line);
    }
    port_lose(line, false);
    return false;
}

void watch_step_rest(struct line *line)
{
    int64_t now_us = line_now_us(line);
    int64_t quiet_since_us =
        line->wire.active_us > line->rest_from_us ? line->wire.active_us : line->rest_from_us;
    int64_t end_us = quiet_since_us + line_rest_us(line);
    if (now_us < end_us) {
        hear(line, now_us, end_us);
        return;
    }
    line->options.port->flush(line->options.port->context);
    line->is_resting = false;
}

static void end_of_another_master(struct line *line, int64_t now_us)
{
    line_account(line, now_us);
    line->another_master = false;
    if (!line->is_master_told)
        return;
    char since[STAMP_TEXT_MAX];
    line_tell(
        line, SAY_INFO, "second_master",
        "No frame of another master on %s any more (it was there since %s). Uphole asks again.",
        line->plan->name, stamp_to_short_text(line->master_since.utc_ms, since));
}

void watch_step_listen(struct line *line)
{
    int64_t now_us = line_now_us(line);
    int64_t until_us = line->listen_until_us;
    if (line->another_master) {
        tell_another_master(line, now_us); /* one that stays is told once it may be */
        int64_t quiet_us = (int64_t)line->plan->listen_first_ms * 1000;
        until_us =
            line->foreign_us + (quiet_us > line_rest_us(line) ? quiet_us : line_rest_us(line));
    }
    if (now_us < until_us) {
        if (line_is_scanning(line))
            scan_end(line); /* the poll that another master cut off */
        hear(line, now_us, until_us);
    } else if (line->another_master) {
        end_of_another_master(line, now_us);
    } else {
        line_account(line, now_us);
        line->is_listening = false;
    }
}
