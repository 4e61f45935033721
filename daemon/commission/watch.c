/* SPDX-License-Identifier: Apache-2.0
 *
 * watch.c - reads what answers over and over for a while: how registers change tells what they are.
 *
 * A unit that falls silent in between, and comes back, is evidence of a supply that dips.
 */
#include "finder.h"

#include "uphole/wire.h"

#define BLOCK_USUAL 60
#define SILENT_FOR_A_DIP 2

static bool read_block(struct finder *finder, uint8_t table, unsigned first, unsigned n,
                       bool *is_new)
{
    struct reply reply;
    uint16_t words[125];
    const struct read_request request = {
        .function = table, .first = (uint16_t)first, .count = (uint16_t)n};
    if (!finder_read(finder, finder->report->unit.unit_id, &request, &reply) ||
        reply.kind != REPLY_ANSWER)
        return false;
    for (unsigned i = 0; i < n; i++)
        words[i] = get_u16(reply.pdu + 2 + 2 * i);
    (void)book_put(&finder->report->book, *is_new, finder_now_us(finder), table, (uint16_t)first,
                   words, n);
    *is_new = false;
    return true;
}

/** One sample; the count of blocks that gave no data. */
static unsigned read_all(struct finder *finder)
{
    const struct find_unit *unit = &finder->report->unit;
    const unsigned largest = unit->largest_read != 0 ? unit->largest_read : BLOCK_USUAL;
    bool is_new = true;
    unsigned failed = 0, registers = 0;
    for (unsigned i = 0; i < unit->n_ranges; i++) {
        const struct register_range *range = &unit->range[i];
        for (unsigned at = range->first; at <= range->last && registers < BOOK_REGISTERS_MAX;) {
            const unsigned left = range->last - at + 1u;
            const unsigned n = left < largest ? left : largest;
            if (!finder_goes_on(finder))
                return failed;
            failed += !read_block(finder, range->table, at, n, &is_new);
            at += n;
            registers += n;
        }
    }
    return failed;
}

void watch_run(struct finder *finder)
{
    const struct find_options *options = finder->options;
    const int64_t end_us = finder_now_us(finder) + (int64_t)options->watch_ms * 1000;
    unsigned silent = 0;
    finder->phase = FIND_WATCHES;
    for (bool is_first = true; is_first || finder_now_us(finder) < end_us; is_first = false) {
        const int64_t next_us = finder_now_us(finder) + (int64_t)options->watch_every_ms * 1000;
        finder->phase_left_us = end_us - finder_now_us(finder);
        const unsigned failed = finder->report->unit.n_ranges > 0 ? read_all(finder) : 0;
        if (failed == 0 && silent >= SILENT_FOR_A_DIP)
            finder->report->evidence.dips++;
        silent = failed > 0 ? silent + failed : 0;
        while (finder_now_us(finder) < next_us && finder_now_us(finder) < end_us &&
               finder_goes_on(finder) && finder->port != NULL)
            finder_pause(finder, next_us - finder_now_us(finder) < end_us - finder_now_us(finder)
                                     ? next_us - finder_now_us(finder)
                                     : end_us - finder_now_us(finder));
        if (!finder_goes_on(finder))
            return;
    }
}
