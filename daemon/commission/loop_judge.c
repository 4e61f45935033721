/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_judge.c - what a loop check makes of what came back: a value at the far end, and the rows
 * that an outage left. Pure.
 */
#include "uphole/loop.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

/** Beyond half a step of what is sent: the rounding of a float32 (24 bits) and of conversions. */
#define FLOAT_ROUNDING 2.4e-7

bool loop_values_agree(double value, unit_number unit, double heard, unit_number heard_unit,
                       double resolution)
{
    if (!isfinite(value) || !isfinite(heard))
        return !isfinite(value) && !isfinite(heard);
    const double here = unit == heard_unit ? value : unit_convert(value, unit, heard_unit);
    const double room = resolution * 0.5000001 + fabs(here) * FLOAT_ROUNDING + 1e-9;
    return isfinite(here) && fabs(here - heard) <= room;
}

__attribute__((format(printf, 2, 3))) static void fails(struct loop_outage *outage,
                                                        const char *format, ...)
{
    va_list arguments;
    if (outage->result == LOOP_FAIL)
        return; /* the first reason stands */
    outage->result = LOOP_FAIL;
    va_start(arguments, format);
    vsnprintf(outage->sentence, sizeof outage->sentence, format, arguments);
    va_end(arguments);
}

static bool is_near(int64_t a_ms, int64_t b_ms, int64_t within_ms)
{
    return llabs(a_ms - b_ms) <= within_ms;
}

/** Due polls in [start, end) of a row, one more or less. */
static bool count_fits(const struct loop_row *row, uint32_t poll_ms)
{
    const int64_t due = (row->end_utc_ms - row->start_utc_ms + poll_ms / 2) / poll_ms;
    return llabs((int64_t)row->scans - due) <= 1;
}

static void judge_row(struct loop_outage *outage, const struct loop_seen *seen,
                      const struct loop_row *row)
{
    const char *name = gap_kind_name(row->kind);
    char at[STAMP_TEXT_MAX];
    const uint32_t poll_ms = seen->poll_ms[row->source < SOURCE_KINDS ? row->source : 0];
    const int64_t within_ms = poll_ms + seen->slack_ms;
    const bool is_delivery = row->kind == GAP_DELIVERY;
    if (row->is_open)
        fails(outage, "The ledger's %s row is still open.", name);
    else if (!is_near(row->start_utc_ms, seen->began_utc_ms, within_ms))
        fails(outage, "The ledger's %s row begins at %s, more than one poll from the outage.", name,
              stamp_to_short_text(row->start_utc_ms, at));
    else if (!is_near(row->end_utc_ms, seen->ended_utc_ms, within_ms))
        fails(outage, "The ledger's %s row ends at %s, more than one poll from the outage.", name,
              stamp_to_short_text(row->end_utc_ms, at));
    else if (is_delivery && (row->lost || row->recovered != row->scans || row->scans == 0))
        fails(outage, "Of %u late records %u came.", row->scans, row->recovered);
    else if (!is_delivery && !count_fits(row, poll_ms))
        fails(outage, "The ledger's %s row counts %u polls, which its time does not hold.", name,
              row->scans);
    else if (seen->has_broker && !row->delivered)
        fails(outage, "The ledger's %s row was not read back, closed, on the gap topic.", name);
}

static bool is_wanted(const struct loop_outage *outage, const struct loop_row *row)
{
    return row->kind == (outage->kind == LOOP_NETWORK ? GAP_DELIVERY : GAP_PROGRAM);
}

void loop_judge_outage(struct loop_outage *outage, const struct loop_seen *seen)
{
    unsigned wanted = 0;
    const bool is_short =
        seen->ended_utc_ms - seen->began_utc_ms < seen->poll_ms[0] + seen->slack_ms;
    outage->result = LOOP_PASS;
    outage->sentence[0] = '\0';
    for (unsigned i = 0; i < outage->n_rows; i++) {
        if (!is_wanted(outage, &outage->row[i]))
            continue;
        wanted++;
        judge_row(outage, seen, &outage->row[i]);
    }
    if (wanted == 0 && outage->kind == LOOP_PROGRAM && is_short)
        snprintf(outage->sentence, sizeof outage->sentence,
                 "Uphole was away for less than a poll: no due time fell into it, so the ledger "
                 "needs no row.");
    else if (wanted == 0)
        fails(outage, "The ledger has no %s row for it.",
              outage->kind == LOOP_NETWORK ? "delivery" : "program");
    if (seen->has_broker && outage->has_hole)
        fails(outage,
              "Records are missing between seq %" PRIu64 " and %" PRIu64
              ", as they were read back.",
              outage->from_seq, outage->to_seq);
    if (seen->has_broker && outage->kind == LOOP_NETWORK && !outage->offline_heard)
        fails(outage, "The broker did not tell that the box was away (the last will on the box "
                      "topic).");
    if (outage->result == LOOP_PASS && outage->sentence[0] == '\0')
        snprintf(outage->sentence, sizeof outage->sentence,
                 "%u row%s of the ledger, begin and end within one poll, counts as due%s.", wanted,
                 wanted == 1 ? "" : "s", seen->has_broker ? "; no record is missing" : "");
}
