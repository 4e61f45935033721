/* SPDX-License-Identifier: Apache-2.0
 *
 * search.c - asks in the order of likelihood until a first valid answer comes.
 *
 * A wait is short, since most questions have no answer; yet a unit that is slower is not missed: a
 * late frame bears its unit id, and after each batch the line is heard for a second more, at the
 * same settings.
 */
#include "finder.h"

#include <string.h>

#define SURE_ANSWERS 2 /* of as many questions: a checksum fits by chance once in 65,536 */
#define OTHER_IDS 2

/** The first question to a unit id: one register that may be read. */
static bool first_question(const struct finder *finder, uint8_t function,
                           struct read_request *request)
{
    const struct map *map = finder->options->map;
    *request = (struct read_request){.function = function, .first = 0, .count = 1};
    if (map == NULL)
        return true;
    for (unsigned i = 0; i < map->n_channels; i++) {
        const struct channel *channel = &map->channel[i];
        if (channel->table != function)
            continue;
        request->first = channel->address;
        request->count = channel->n_words;
        return true;
    }
    return never_allows(finder, function, 0, 1);
}

static bool is_path_down(const struct reply *reply)
{
    return reply->kind == REPLY_EXCEPTION && (reply->exception == MODBUS_PATH_UNAVAILABLE ||
                                              reply->exception == MODBUS_TARGET_SILENT);
}

static bool is_valid(const struct reply *reply)
{
    return (reply->kind == REPLY_ANSWER || reply->kind == REPLY_EXCEPTION) && !is_path_down(reply);
}

/** Asks the unit id again, with patience: it is found where it answers as often as it must. */
static bool confirm(struct finder *finder, const struct batch *batch, uint8_t unit_id)
{
    struct read_request request;
    struct reply reply;
    unsigned answers = 0;
    if (!first_question(finder, batch->function, &request))
        return false;
    for (int i = 0; i < SURE_ANSWERS + 1 && answers < SURE_ANSWERS; i++) {
        struct asked asked;
        asked_put_read(&asked, line_speaks_rtu(&finder->line), ++finder->transaction, unit_id,
                       &request);
        if (!finder_ask(finder, &asked, finder->options->wait_ms + SETTLE_MS, &reply))
            return false;
        answers += is_valid(&reply);
    }
    if (answers < SURE_ANSWERS)
        return false;
    finder->report->has_unit = true;
    finder->report->unit = (struct find_unit){
        .unit_id = unit_id, .line = finder->line, .slowest_answer_us = finder->slowest_us};
    finder->report->found_us = finder_now_us(finder);
    return true;
}

/** A frame of a unit that was asked before: its answer came late. */
static bool is_late(const struct reply *reply, const struct batch *batch, unsigned asked_up_to)
{
    return reply->kind == REPLY_OTHER && reply->unit_id >= batch->low &&
           reply->unit_id <= asked_up_to && reply->n >= 2 &&
           (reply->pdu[0] & 0x7F) == batch->function;
}

/** The rest behind a batch: late answers come at the settings at which they were asked for. */
static uint8_t hear_late(struct finder *finder, const struct batch *batch)
{
    struct asked nothing = {.is_rtu = line_speaks_rtu(&finder->line), .unit_id = 248};
    uint8_t bytes[REPLY_ROOM];
    size_t n = 0;
    const int64_t end_us = finder_now_us(finder) + INT64_C(1000) * SETTLE_MS;
    while (finder_now_us(finder) < end_us && n < sizeof bytes && finder->port != NULL &&
           finder_goes_on(finder)) {
        struct reply reply;
        n += finder_receive(finder, end_us, bytes + n, sizeof bytes - n);
        reply_judge(&nothing, bytes, n, &reply);
        if (n > 0 && is_late(&reply, batch, batch->high))
            return reply.unit_id;
    }
    (void)finder_take_unasked(finder, bytes, n);
    return 0;
}

/** A device server or converter that answers in a unit's place answers to any unit id. */
static void ask_other_ids(struct finder *finder, const struct batch *batch)
{
    struct read_request request;
    uint8_t unit_id = finder->report->unit.unit_id;
    if (unit_id == 0 || unit_id > 247 || !first_question(finder, batch->function, &request))
        return;
    for (int i = 0; i < OTHER_IDS; i++) {
        struct asked asked;
        struct reply reply;
        unit_id = (uint8_t)((unit_id + 102) % 247 + 1);
        asked_put_read(&asked, line_speaks_rtu(&finder->line), ++finder->transaction, unit_id,
                       &request);
        if (!finder_ask(finder, &asked, finder->options->wait_ms, &reply) || !is_valid(&reply))
            return;
        finder->report->evidence.any_id++;
    }
}

static bool run_batch(struct finder *finder, const struct batch *batch)
{
    struct read_request request;
    bool is_opened = finder_open(finder, &batch->line);
    if (!is_opened || !first_question(finder, batch->function, &request))
        return false;
    for (unsigned id = batch->low; id <= batch->high && finder_goes_on(finder); id++) {
        struct asked asked;
        struct reply reply;
        asked_put_read(&asked, line_speaks_rtu(&finder->line), ++finder->transaction, (uint8_t)id,
                       &request);
        if (!finder_ask(finder, &asked, finder->options->wait_ms, &reply))
            return false;
        const bool late = is_late(&reply, batch, id);
        finder->report->evidence.late += late;
        if (is_valid(&reply) ? confirm(finder, batch, (uint8_t)id)
                             : late && confirm(finder, batch, reply.unit_id))
            return true;
    }
    const uint8_t late_id = hear_late(finder, batch);
    return late_id != 0 && confirm(finder, batch, late_id);
}

/** What another master asks is there, at its settings: no hunting where that answers. */
static bool ask_heard_units(struct finder *finder)
{
    const struct find_heard *heard = &finder->report->heard;
    for (unsigned i = 0; i < heard->n_questions; i++) {
        const struct heard_question *question = &heard->question[i];
        if (i > 0 && question->unit_id == heard->question[i - 1].unit_id)
            continue;
        struct batch batch = {.line = heard->line,
                              .function = MODBUS_READ_INPUT_REGISTERS,
                              .low = question->unit_id,
                              .high = question->unit_id};
        batch.line.share_line = finder->options->line.share_line;
        if (run_batch(finder, &batch))
            return true;
    }
    return false;
}

void search_run(struct finder *finder)
{
    struct batches *batches = &finder->batches;
    int64_t left_us = 0;
    finder->phase = FIND_ASKS;
    batches_make(finder->options, batches);
    finder->report->batches = batches->n;
    for (unsigned i = 0; i < batches->n; i++)
        left_us += batch_silent_us(finder->options, &batches->batch[i]);
    if (ask_heard_units(finder))
        return;
    for (unsigned i = 0; i < batches->n && finder_goes_on(finder); i++) {
        finder->phase_left_us = left_us;
        if (run_batch(finder, &batches->batch[i])) {
            ask_other_ids(finder, &batches->batch[i]);
            return;
        }
        left_us -= batch_silent_us(finder->options, &batches->batch[i]);
        finder->report->batches_done++;
    }
}
