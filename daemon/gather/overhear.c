/* SPDX-License-Identifier: Apache-2.0
 *
 * overhear.c - see overhear.h.
 *
 * Only what stands at the front of the bytes is looked at: as the answer to the question before it
 * or as a new question. What is neither costs one byte and puts every unit in doubt.
 */
#include "uphole/overhear.h"

#include "uphole/gather.h"
#include "uphole/wire.h"

#include <string.h>

#define GAP_LEAST_US 50000 /* converters pause 16 to 30 ms within a frame */
#define EXCEPTION_FRAME 5
#define USUAL_TIMES 4
#define MEAN_OF 8
#define KNOWN_AFTER 3 /* times a question was heard before it counts as this master's habit */

static int64_t greater(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

void overhear_init(struct overhearer *overhearer, const struct line_plan *line, int64_t now_us)
{
    const int64_t character_us =
        line->baud > 0 ? INT64_C(1000000) * line_bits_per_character(line) / line->baud : 0;
    memset(overhearer, 0, sizeof *overhearer);
    overhearer->gap_us = greater(GAP_LEAST_US, 4 * line_quiet_us(line));
    overhearer->window_us =
        (int64_t)line->response_timeout_ms * 1000 + overhearer->gap_us + RTU_ADU_MAX * character_us;
    overhear_begin_again(overhearer, now_us);
}

void overhear_begin_again(struct overhearer *overhearer, int64_t now_us)
{
    overhearer->heard_us = now_us;
    overhearer->n = 0;
    overhearer->has_question = false;
    memset(overhearer->is_in_doubt, true, sizeof overhearer->is_in_doubt);
}

/* ---- doubt ---- */

static void not_answered(struct overhearer *overhearer)
{
    if (!overhearer->has_question)
        return;
    overhearer->has_question = false;
    overhearer->is_in_doubt[overhearer->unit_id] = true;
    overhearer->counts.unanswered++;
}

/** Bytes of no frame: a question may have been among them, of any unit. */
static void fault(struct overhearer *overhearer, size_t bytes)
{
    overhearer->has_question = false;
    overhearer->counts.faults++;
    overhearer->counts.unused_bytes += bytes;
    memset(overhearer->is_in_doubt, true, sizeof overhearer->is_in_doubt);
}

static void drop_front(struct overhearer *overhearer, size_t n)
{
    overhearer->n -= n;
    memmove(overhearer->bytes, overhearer->bytes + n, overhearer->n);
}

void overhear_take(struct overhearer *overhearer, const uint8_t *bytes, size_t n, int64_t now_us)
{
    const int64_t quiet_us = now_us - overhearer->heard_us;
    if (overhearer->n > 0 && quiet_us > overhearer->gap_us) {
        fault(overhearer, overhearer->n); /* it broke off */
        overhearer->n = 0;
    }
    if (overhearer->has_question && overhearer->n == 0 &&
        now_us - overhearer->asked_us > overhearer->window_us)
        not_answered(overhearer);
    if (quiet_us > greater(overhearer->window_us, 2 * overhearer->slowest_us))
        memset(overhearer->is_in_doubt, false, sizeof overhearer->is_in_doubt);
    overhearer->heard_us = now_us;
    if (overhearer->n + n > OVERHEAR_ROOM) {
        fault(overhearer, overhearer->n);
        overhearer->n = 0;
    }
    if (n > OVERHEAR_ROOM) {
        bytes += n - OVERHEAR_ROOM;
        n = OVERHEAR_ROOM;
    }
    memcpy(overhearer->bytes + overhearer->n, bytes, n);
    overhearer->n += n;
}

/* ---- what this master asks ---- */

static bool is_same(const struct known_question *known, uint8_t unit_id,
                    const struct read_request *request)
{
    return known->unit_id == unit_id && known->request.function == request->function &&
           known->request.first == request->first && known->request.count == request->count;
}

static void note_question(struct overhearer *overhearer)
{
    for (unsigned i = 0; i < overhearer->n_questions; i++) {
        struct known_question *known = &overhearer->questions[i];
        if (!is_same(known, overhearer->unit_id, &overhearer->request))
            continue;
        known->times = (uint8_t)(known->times + (known->times < UINT8_MAX));
        return;
    }
    if (overhearer->n_questions == OVERHEAR_QUESTIONS_MAX) {
        overhearer->is_full = true;
        return;
    }
    overhearer->questions[overhearer->n_questions++] = (struct known_question){
        .unit_id = overhearer->unit_id, .times = 1, .request = overhearer->request};
}

static bool is_known_habit(const struct overhearer *overhearer)
{
    for (unsigned i = 0; i < overhearer->n_questions; i++)
        if (is_same(&overhearer->questions[i], overhearer->unit_id, &overhearer->request))
            return overhearer->questions[i].times >= KNOWN_AFTER;
    return false;
}

/** A habit of this master, and no other question of its is answered by as many bytes. */
static bool fits_only_this_question(const struct overhearer *overhearer)
{
    const size_t length = pdu_answer_length(&overhearer->request);
    for (unsigned i = 0; i < overhearer->n_questions; i++) {
        const struct known_question *known = &overhearer->questions[i];
        if (!is_same(known, overhearer->unit_id, &overhearer->request) &&
            known->unit_id == overhearer->unit_id &&
            known->request.function == overhearer->request.function &&
            pdu_answer_length(&known->request) == length)
            return false;
    }
    return is_known_habit(overhearer) && !overhearer->is_full;
}

/* ---- frames at the front ---- */

enum fit { FIT_NONE, FIT_SO_FAR, FIT_WHOLE };

static enum fit fit_of(const struct overhearer *overhearer, int length)
{
    if (length == 0 || (length > 0 && (size_t)length > overhearer->n))
        return FIT_SO_FAR;
    return length > 0 && rtu_crc_is_right(overhearer->bytes, (size_t)length) ? FIT_WHOLE : FIT_NONE;
}

/** The front as the answer to the question before it. */
static enum fit as_answer(const struct overhearer *overhearer, int *length)
{
    const uint8_t *at = overhearer->bytes;
    if (at[0] != overhearer->unit_id)
        return FIT_NONE;
    if (overhearer->n < 2)
        return FIT_SO_FAR;
    if (at[1] == (overhearer->function | 0x80)) {
        *length = EXCEPTION_FRAME;
        if (overhearer->n > 2 && !exception_is_a_code(at[2]))
            return FIT_NONE;
        return fit_of(overhearer, *length);
    }
    if (at[1] != overhearer->function)
        return FIT_NONE;
    *length = rtu_answer_length(at, overhearer->n);
    if (*length > 0 && overhearer->is_read &&
        (size_t)*length != pdu_answer_length(&overhearer->request) + 3)
        return FIT_NONE;
    return fit_of(overhearer, *length);
}

static struct read_request request_at(const uint8_t *at)
{
    return (struct read_request){
        .function = at[1], .first = get_u16(at + 2), .count = get_u16(at + 4)};
}

/** The front as a question; one that no unit can answer is none. */
static enum fit as_question(const struct overhearer *overhearer, int *length)
{
    *length = rtu_request_length(overhearer->bytes, overhearer->n);
    const enum fit fit = fit_of(overhearer, *length);
    if (fit != FIT_WHOLE || overhearer->bytes[1] > MODBUS_READ_INPUT_REGISTERS)
        return fit;
    uint8_t pdu[PDU_MAX];
    const struct read_request request = request_at(overhearer->bytes);
    return pdu_put_read(pdu, &request) > 0 ? FIT_WHOLE : FIT_NONE;
}

static void take_question(struct overhearer *overhearer)
{
    const uint8_t *at = overhearer->bytes;
    not_answered(overhearer); /* the one before, if it still waits */
    overhearer->unit_id = at[0];
    overhearer->function = at[1];
    overhearer->is_read = at[1] <= MODBUS_READ_INPUT_REGISTERS;
    overhearer->has_question = at[0] != 0; /* a broadcast has no answer */
    overhearer->asked_us = overhearer->heard_us;
    overhearer->request = (struct read_request){0};
    if (!overhearer->is_read)
        return;
    overhearer->request = request_at(at);
    if (overhearer->has_question)
        note_question(overhearer);
}

static void put_words(const uint8_t *frame, struct heard_pair *pair)
{
    const size_t n_bytes = frame[2];
    pair->n_words = 0;
    for (size_t i = 0; i < n_bytes && pair->n_words < PAIR_WORDS_MAX; i += 2) {
        const uint8_t *at = frame + 3 + i;
        const bool is_bits = pair->request.function <= MODBUS_READ_DISCRETE_INPUTS;
        pair->words[pair->n_words++] =
            is_bits ? (uint16_t)(at[0] | (i + 1 < n_bytes ? (unsigned)at[1] << 8 : 0))
                    : get_u16(at);
    }
}

/** The answer at the front, with its question; false where it is no read, or in doubt. */
static bool take_answer(struct overhearer *overhearer, struct heard_pair *pair)
{
    const uint8_t *at = overhearer->bytes;
    bool *is_in_doubt = &overhearer->is_in_doubt[overhearer->unit_id];
    const bool is_exception = (at[1] & 0x80) != 0;
    const int64_t took_us = overhearer->heard_us - overhearer->asked_us;
    const bool is_slow = took_us > USUAL_TIMES * overhearer->usual_us + overhearer->gap_us;
    overhearer->has_question = false;
    overhearer->slowest_us = greater(overhearer->slowest_us, took_us);
    overhearer->usual_us += (took_us - overhearer->usual_us) / MEAN_OF;
    if (!overhearer->is_read)
        return false;
    *is_in_doubt = *is_in_doubt || is_slow;
    /* An exception makes no value, so a habit is enough; it ends no doubt. */
    if (*is_in_doubt &&
        !(is_exception ? is_known_habit(overhearer) : fits_only_this_question(overhearer))) {
        overhearer->counts.in_doubt++;
        return false;
    }
    if (!is_exception)
        *is_in_doubt = false; /* a unit answers in order: no older answer is still to come */
    *pair = (struct heard_pair){.unit_id = overhearer->unit_id,
                                .exception = is_exception ? at[2] : 0,
                                .request = overhearer->request,
                                .asked_us = overhearer->asked_us,
                                .answered_us = overhearer->heard_us};
    if (!is_exception)
        put_words(at, pair);
    overhearer->counts.pairs++;
    return true;
}

bool overhear_next(struct overhearer *overhearer, struct heard_pair *pair)
{
    while (overhearer->n > 0) {
        int length = 0, question_length = 0;
        const enum fit question = as_question(overhearer, &question_length);
        enum fit answer = FIT_NONE;
        if (overhearer->has_question)
            answer = as_answer(overhearer, &length);
        const bool is_echo_of_write = !overhearer->is_read;
        if (answer == FIT_WHOLE && question == FIT_WHOLE && !is_echo_of_write) {
            fault(overhearer, 0); /* the bytes would do as either */
            drop_front(overhearer, (size_t)greater(length, question_length));
        } else if (answer == FIT_WHOLE) {
            const bool is_good = take_answer(overhearer, pair);
            drop_front(overhearer, (size_t)length);
            if (is_good)
                return true;
        } else if (question == FIT_WHOLE) {
            take_question(overhearer);
            drop_front(overhearer, (size_t)question_length);
        } else if (answer == FIT_SO_FAR || question == FIT_SO_FAR) {
            return false;
        } else {
            fault(overhearer, 1);
            drop_front(overhearer, 1);
        }
    }
    return false;
}
