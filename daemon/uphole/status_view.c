/* SPDX-License-Identifier: Apache-2.0
 *
 * status_view.c - see status_view.h.
 */
#include "status_view.h"

#include "core_inside.h"
#include "unit_words.h"

void status_delivery_of(const struct core *core, uint16_t destination, uint16_t well_index,
                        int64_t now_boot_ms, struct status_delivery *out)
{
    const struct core_destination *to = &core->destinations[destination];
    const struct core_cursor *cursor = &to->cursor[0][well_index];
    *out =
        (struct status_delivery){.state = core->wall_up ? to->state : DELIVERY_DOWN,
                                 .acknowledges = core_destination_acknowledges(core, destination),
                                 .pos = cursor->pos,
                                 .seq = cursor->seq,
                                 .gap_pos = to->cursor[1][well_index].pos,
                                 .since = to->since,
                                 .reason = to->reason};
    if (!out->acknowledges)
        return;
    if (core->wall_up && to->state == DELIVERY_UP)
        for (int s = 1; s >= 0; s--) /* records before ledger rows */
            if (to->cursor[s][well_index].refusal[0] != '\0')
                out->reason = to->cursor[s][well_index].refusal;
    out->waiting = core_waiting(core, destination, well_index);
    if (out->waiting > 0 && cursor->waiting_since.boot_ms != 0 &&
        cursor->waiting_since.boot_ms < now_boot_ms)
        out->waiting_ms = now_boot_ms - cursor->waiting_since.boot_ms;
    if (out->state == DELIVERY_UP && out->waiting_ms > DELIVERY_GAP_AFTER_MS)
        out->state = DELIVERY_CATCHING_UP;
}

void status_snapshot(const struct core *core, uint16_t well_index, const struct stamp *now,
                     struct snapshot *out)
{
    const struct core_well *well = &core->wells[well_index];
    measure_at(well->fold, core->options.plan, well->plan, core->options.run, now, !core->refusing,
               out);
    if (core->refusing) /* the refused scan's number was never stored: another will bear it */
        out->seq = 0;
    out->gaps_open = (uint32_t)ledger_open_of_well(core->options.ledger, well->plan->number);
}

size_t status_unit_doubts(const struct core *core, uint16_t well_index, const struct stamp *now,
                          struct unit_doubt_now *into)
{
    const struct core_well *well = &core->wells[well_index];
    size_t n = 0;
    const size_t all = measure_units(well->fold, core->options.plan, well->plan, now, into);
    for (size_t i = 0; i < all; i++)
        if (unit_is_in_doubt(&into[i]))
            into[n++] = into[i];
    return n;
}

bool status_unit_word(const struct core *core, uint16_t well_index, uint8_t source, unsigned index,
                      uint16_t *word)
{
    return fold_unit_word(core->wells[well_index].fold, source, index, word);
}

const struct scan *status_newest_scan(const struct core *core, uint16_t well_index, uint8_t source)
{
    const struct scan *scan = &core->wells[well_index].newest_scan[source];
    return scan->outcome != OUTCOME_NONE && scan->run == core->options.run ? scan : NULL;
}

bool status_port_is_free(const struct status_view *view, uint16_t line)
{
    return view->gatherers[line] == NULL || gather_is_held(view->gatherers[line]);
}

void status_space_of(const struct core *core, struct status_space *out)
{
    *out = (struct status_space){.bytes = core->space_now.bytes,
                                 .free_bytes = core->space_now.free_bytes,
                                 .bytes_a_day = space_planned_bytes_a_day(core->options.plan),
                                 .days_left = core->days_left,
                                 .grown_bytes = (int64_t)core->space_now.bytes -
                                                (int64_t)core->space_first.bytes,
                                 .grown_ms = core->space_now.boot_ms - core->space_first.boot_ms};
    journal_room_of(core->options.journal, &out->room);
}

const char *status_outcome_words(uint8_t outcome)
{
    static const char *const OUTCOME_WORDS[OUTCOME_COUNT] = {
        [OUTCOME_ANSWERED] = "answered",
        [OUTCOME_PARTIAL] = "answered in part",
        [OUTCOME_SILENT] = "not answered",
        [OUTCOME_CUT_SHORT] = "cut short",
        [OUTCOME_BAD_CHECKSUM] = "garbled",
        [OUTCOME_WRONG_REPLY] = "answered by the wrong reply",
        [OUTCOME_EXCEPTION] = "refused with an exception",
        [OUTCOME_PATH_DOWN] = "answered by the converter alone",
        [OUTCOME_PORT_GONE] = "without a port",
        [OUTCOME_NO_CONNECTION] = "without a connection",
    };
    return outcome < OUTCOME_COUNT && OUTCOME_WORDS[outcome] != NULL ? OUTCOME_WORDS[outcome]
                                                                     : "not asked";
}

const uint64_t *status_outcomes(const struct core *core, uint16_t well_index, uint8_t source)
{
    return core->wells[well_index].outcomes[source];
}

const struct gap *status_open_row(const struct core *core, uint16_t well_index, uint8_t source,
                                  uint8_t kind)
{
    const uint16_t well = core->wells[well_index].plan->number;
    const struct gap *row = NULL;
    for (size_t i = 0; (row = ledger_open_row(core->options.ledger, i)) != NULL; i++)
        if (row->kind == kind && row->well == well && row->source == source)
            return row;
    return NULL;
}

const struct row_order *status_order_of(const struct core *core, uint16_t destination,
                                        uint16_t well_index, uint64_t *left)
{
    return resend_under_way(core, destination, well_index, left);
}

const uint16_t *status_words(const struct scan *scan, const struct channel *channel, uint16_t *bit)
{
    const uint32_t first = channel->address, n = channel->n_words;
    for (unsigned i = 0; n > 0 && i < scan->n_blocks && i < SCAN_BLOCKS_MAX; i++) {
        const struct block *block = &scan->block[i];
        const bool bits = block->function <= TABLE_DISCRETE;
        const unsigned words = bits ? (block->count + 15u) / 16u : block->count;
        if (block->function != channel->table || block->exception != 0 || first < block->first ||
            first + n > (uint32_t)block->first + block->count ||
            block->at + words > scan->n_words || scan->n_words > SCAN_WORDS_MAX)
            continue;
        const unsigned offset = (unsigned)(first - block->first);
        if (!bits)
            return &scan->words[block->at + offset];
        *bit = scan->words[block->at + offset / 16] >> (offset % 16) & 1;
        return bit;
    }
    return NULL;
}
