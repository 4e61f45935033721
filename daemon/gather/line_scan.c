/* SPDX-License-Identifier: Apache-2.0
 *
 * line_scan.c - one poll of one source: its ranges in order, each asked twice at most, and what
 * became of them.
 *
 * Invariant: words enter the scan only from an answer that exchange_run found right for the very
 * range they are stored under.
 */
#include "line_inside.h"

#include "uphole/say.h"
#include "uphole/wire.h"

#include <string.h>

#define TRIES_MAX 2
#define BUSY_RETRIES_MAX 2
#define TURN_AROUND_US                                                                             \
    100000 /* after "busy"; a master's usual turn-around is 100 to 200 ms (common practice, no     \
              source) */

static struct asked_source *source_asked(struct line *line)
{
    return &line->sources[line->poll.source];
}
static const struct read_range *range_asked(struct line *line)
{
    return &source_asked(line)->reads.range[line->poll.range];
}

/* ---- begin ---- */

void scan_begin(struct line *line, int index)
{
    struct poll_state *poll = &line->poll;
    struct asked_source *source = &line->sources[index];
    const struct plan *plan = line->options.plan;
    struct stamp begun = line_stamp(line);
    /* The scan is measured with the entry valid at its begin: no other unit may be asked, even in
     * the millisecond of the change. */
    if (plan_entry_at(&plan->wells[source->well], source->source, begun.utc_ms) != source->entry)
        return;
    line_account(line, begun.boot_ms * 1000);
    turn_claim(&line->turns[index], begun.boot_ms, ++line->served);
    memset(poll, 0, sizeof *poll);
    poll->source = index;
    poll->begun_us = poll->ended_us = line_now_us(line);
    poll->out.kind = GATHERED_SCAN;
    struct scan *scan = &poll->out.scan;
    scan->run = line->options.run;
    scan->begun = begun;
    scan->plan = plan->id;
    scan->well = plan->wells[source->well].number;
    scan->source = source->source;
    if (begun.boot_ms * 1000 - line->recent_stray_us < line_rest_us(line))
        scan->stray = line->recent_stray;
    line->recent_stray = 0;
}

/* ---- end ---- */

static void add_block(struct scan *scan, const struct read_request *request, uint8_t exception)
{
    if (scan->n_blocks >= SCAN_BLOCKS_MAX)
        return;
    scan->block[scan->n_blocks++] = (struct block){.function = request->function,
                                                   .exception = exception,
                                                   .first = request->first,
                                                   .count = request->count,
                                                   .at = scan->n_words};
}

static uint8_t outcome_of(const struct line *line, const struct scan *scan)
{
    unsigned data = 0, exceptions = 0, path_down = 0;
    for (unsigned i = 0; i < scan->n_blocks; i++) {
        uint8_t exception = scan->block[i].exception;
        data += exception == 0;
        path_down += exception == MODBUS_PATH_UNAVAILABLE || exception == MODBUS_TARGET_SILENT;
        exceptions += exception != 0 && exception != BLOCK_NO_ANSWER;
    }
    if (data > 0)
        return data == scan->n_blocks ? OUTCOME_ANSWERED : OUTCOME_PARTIAL;
    if (path_down > 0)
        return OUTCOME_PATH_DOWN;
    if (exceptions > 0)
        return OUTCOME_EXCEPTION;
    if (line->poll.failure == OUTCOME_PORT_GONE && line->wire.is_tcp)
        return OUTCOME_NO_CONNECTION;
    /* Nothing was tried: another master began to speak first, or the program stops. */
    return line->poll.failure != OUTCOME_NONE ? line->poll.failure : OUTCOME_WRONG_REPLY;
}

void scan_end(struct line *line)
{
    scan_end_told(line, line_now_us(line));
}

void scan_end_told(struct line *line, int64_t until_us)
{
    struct poll_state *poll = &line->poll;
    struct scan *scan = &poll->out.scan;
    struct asked_source *source = source_asked(line);
    for (unsigned i = scan->n_blocks; i < source->reads.n; i++)
        add_block(scan, &source->reads.range[i].request, BLOCK_NO_ANSWER);
    scan->outcome = outcome_of(line, scan);
    source->was_silent = scan->outcome == OUTCOME_SILENT && scan->stray == 0;
    scan->took_ms = (uint32_t)((poll->ended_us - poll->begun_us + 500) / 1000);
    line_put(line, &poll->out);
    struct turn *turn = &line->turns[poll->source];
    poll->source = -1;
    line_account(line, until_us); /* what passed meanwhile goes behind its scan */
    /* A lost port says nothing about the source: the port's own waiting is enough. */
    if (scan->outcome != OUTCOME_PORT_GONE && scan->outcome != OUTCOME_NO_CONNECTION)
        turn_end(turn, outcome_is_heard(scan->outcome), line_now_us(line),
                 (int64_t)line->plan->response_timeout_ms * 1000 + line_rest_us(line),
                 line_random(line));
}

void scan_without_port(struct line *line, int source)
{
    scan_begin(line, source);
    if (!line_is_scanning(line))
        return;
    line->poll.failure = OUTCOME_PORT_GONE;
    scan_end(line);
}

static void next_range(struct line *line)
{
    line->poll.tries_of_range = 0;
    line->poll.range++;
    if (line->poll.range >= source_asked(line)->reads.n)
        scan_end(line);
}

/* ---- answers ---- */

static void store_words(struct scan *scan, const struct read_request *request,
                        const struct exchange *exchange)
{
    const uint8_t *data = exchange->pdu + 2;
    size_t n_bytes = exchange->n - 2;
    add_block(scan, request, 0);
    if (request->function > MODBUS_READ_DISCRETE_INPUTS) {
        for (size_t i = 0; i + 1 < n_bytes; i += 2)
            scan->words[scan->n_words++] = get_u16(data + i);
        return;
    }
    for (size_t i = 0; i < n_bytes; i += 2) /* bits, sixteen a word, the first one lowest */
        scan->words[scan->n_words++] =
            (uint16_t)(data[i] | (i + 1 < n_bytes ? (unsigned)data[i + 1] << 8 : 0));
}

/** Exception 02 on a range with registers that nothing needs: leaves these out from now on, and
 * begins the poll's ranges again. */
static bool split_range(struct line *line)
{
    struct asked_source *source = source_asked(line);
    const struct read_range *range = range_asked(line);
    const struct map *map = &line->options.plan->maps[source->entry->map];
    if (!range->may_split || source->n_avoid >= AVOID_MAX)
        return false;
    const struct read_request refused = range->request;
    source->avoid[source->n_avoid] =
        (struct register_range){.table = refused.function,
                                .first = refused.first,
                                .last = (uint16_t)(refused.first + refused.count - 1)};
    struct read_plan reads;
    if (read_plan_make_avoiding(map, line->plan, source->avoid, source->n_avoid + 1, &reads,
                                NULL) != UP_OK)
        return false;
    source->n_avoid++;
    source->reads = reads;
    struct poll_state *poll = &line->poll;
    poll->range = poll->tries_of_range = poll->silent_in_row = 0;
    poll->out.scan.n_blocks = poll->out.scan.n_words = 0;
    char names[80];
    read_plan_name_unneeded(map, &refused, names, sizeof names);
    line_tell(line, SAY_WARNING, "split_range",
              "Unit id %u on %s refuses register %s (exception 02). The map needs none of them: "
              "they are left out "
              "from now on. Set them under `never`.",
              source->entry->unit_id, line->plan->name, names);
    return true;
}

static void take_exception(struct line *line, uint8_t code)
{
    struct poll_state *poll = &line->poll;
    const struct read_range *range = range_asked(line);
    LINE_COUNT(line, source_asked(line), exceptions[code]);
    if (code == MODBUS_BUSY && poll->busy_retries < BUSY_RETRIES_MAX &&
        poll->tries_of_range < TRIES_MAX) {
        poll->busy_retries++;
        line->pause_until_us = line_now_us(line) + TURN_AROUND_US;
        return;
    }
    if (code == MODBUS_ILLEGAL_ADDRESS && split_range(line))
        return;
    bool is_path_down = code == MODBUS_PATH_UNAVAILABLE || code == MODBUS_TARGET_SILENT;
    add_block(&poll->out.scan, &range->request, code);
    if (is_path_down && poll->range == 0)
        scan_end(
            line); /* the unit behind the converter is silent: the other ranges would be as well */
    else
        next_range(line);
}

static void take_clean(struct line *line, const struct exchange *exchange)
{
    struct poll_state *poll = &line->poll;
    struct asked_source *source = source_asked(line);
    const struct read_range *range = range_asked(line);
    bool stands_alone = range->stands_alone;
    poll->ended_us = exchange->ended_us;
    poll->silent_in_row = 0;
    line->was_good = true;
    line->open_failures = 0;
    LINE_COUNT(line, source, answers);
    watch_slow_answer(line, source, exchange->ended_us - exchange->sent_us);
    if (exchange->verdict == OUTCOME_EXCEPTION) {
        take_exception(line, exchange->exception);
    } else {
        store_words(&poll->out.scan, &range->request, exchange);
        next_range(line);
    }
    if (stands_alone && line->wire.is_rtu)
        watch_rest(line, exchange->ended_us);
}

/* ---- failures ---- */

static void count_failure(struct line *line, uint8_t verdict)
{
    struct asked_source *source = source_asked(line);
    switch (verdict) {
    case OUTCOME_SILENT:
        LINE_COUNT(line, source, silent);
        break;
    case OUTCOME_CUT_SHORT:
        LINE_COUNT(line, source, cut_short);
        break;
    case OUTCOME_BAD_CHECKSUM:
        LINE_COUNT(line, source, bad_checksum);
        break;
    case OUTCOME_WRONG_REPLY:
        LINE_COUNT(line, source, wrong_reply);
        break;
    default: /* a lost port is counted where it is closed */
        source->counts.port_losses++;
        break;
    }
}

/** A range that nobody answered: the next one, or none where the unit seems to be dead. */
static void give_up_range(struct line *line, uint8_t verdict)
{
    struct poll_state *poll = &line->poll;
    add_block(&poll->out.scan, &range_asked(line)->request, BLOCK_NO_ANSWER);
    poll->silent_in_row = verdict == OUTCOME_SILENT ? poll->silent_in_row + 1 : 0;
    bool seems_dead = verdict == OUTCOME_SILENT && (poll->range == 0 || poll->silent_in_row > 1);
    if (seems_dead || verdict == OUTCOME_PORT_GONE)
        scan_end(line);
    else
        next_range(line);
}

static void take_failure(struct line *line, const struct exchange *exchange)
{
    struct poll_state *poll = &line->poll;
    bool is_gone = exchange->verdict == OUTCOME_PORT_GONE;
    bool is_tcp = line->wire.is_tcp;
    /* Two tries are against noise; where the scan before was all silence, one tells the same. */
    bool is_probe = poll->range == 0 &&
                    (turn_is_down(&line->turns[poll->source]) || source_asked(line)->was_silent);
    poll->failure = exchange->verdict;
    poll->ended_us = line_now_us(line);
    count_failure(line, exchange->verdict);
    if (is_gone && is_tcp && !exchange->was_sent && !poll->was_reopened) {
        poll->was_reopened =
            true; /* the other end closed an idle connection: nothing was asked yet */
        poll->tries_of_range = 0;
        port_lose(line, false);
        return;
    }
    if ((is_gone && !is_tcp) || poll->tries_of_range >= (is_probe ? 1 : TRIES_MAX))
        give_up_range(line, exchange->verdict);
    if (is_gone || is_tcp)
        port_lose(line, !is_gone); /* TCP: the connection can't be trusted any more */
    else
        watch_rest(line, line_now_us(line));
}

bool scan_must_rest(struct line *line, const struct read_range *range)
{
    if (!range->stands_alone || !line->wire.is_rtu ||
        line_now_us(line) >= line->wire.active_us + line_rest_us(line))
        return false;
    watch_rest(line, line->wire.active_us);
    return true;
}

void scan_ask(struct line *line)
{
    struct poll_state *poll = &line->poll;
    struct asked_source *source = source_asked(line);
    const struct read_range *range = range_asked(line);
    if (scan_must_rest(line, range))
        return;
    struct exchange exchange;
    poll->tries_of_range++;
    exchange_run(&line->wire, source->entry->unit_id, &range->request, &exchange);
    if (exchange.was_sent) {
        LINE_COUNT(line, source, requests);
        if (poll->out.scan.tries < UINT8_MAX)
            poll->out.scan.tries++;
    }
    watch_stray(line, exchange.stray);
    watch_echo(line, exchange.is_echoed);
    if (exchange.verdict == OUTCOME_ANSWERED || exchange.verdict == OUTCOME_EXCEPTION)
        take_clean(line, &exchange);
    else
        take_failure(line, &exchange);
    if (line_is_scanning(line) && line->another_master)
        scan_end(line);
}
