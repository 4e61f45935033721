/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_page_tables.c - the two tables of a loop check's page: channels, and outages with the rows
 * that they left in the ledger.
 */
#include "loop_page.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

static void put_number(FILE *out, double value, double resolution)
{
    char text[NUMBER_TEXT_MAX];
    if (number_to_text(value, resolution, text) == 0)
        fputs("&ndash;", out);
    else
        fputs(text, out);
}

/** With a digit more than what is sent, so that a difference below it can be seen. */
static void put_small(FILE *out, double value, double resolution)
{
    put_number(out, value, resolution / 10);
}

static void put_heard(FILE *out, const struct loop_heard *heard, const char *point_unit,
                      double resolution)
{
    if (!heard->done) {
        fputs("<td class=n>&ndash;</td>", out);
        return;
    }
    fputs("<td class=n>", out);
    if (isfinite(heard->value)) {
        put_number(out, heard->value,
                   strcmp(heard->unit, point_unit) == 0 ? resolution : resolution / 100);
        if (strcmp(heard->unit, point_unit) != 0) {
            fputc(' ', out);
            page_text(out, heard->unit);
        }
    } else {
        fputs("none", out);
    }
    fprintf(out, " <small>%s</small></td>",
            heard->agrees ? quality_name(heard->quality) : "DIFFERS");
}

static void put_raw(FILE *out, const struct loop_channel *channel)
{
    fprintf(out, "<td class=w>%s %u <span class=hex>",
            channel->table == TABLE_INPUT ? "in" : "hold", channel->address);
    for (unsigned i = 0; i < channel->n_words && i < 4; i++)
        fprintf(out, "%s%04X", i > 0 ? " " : "", channel->words[i]);
    fputs("</span></td>", out);
}

static const char *result_text(uint8_t result)
{
    return result == LOOP_NOT_FITTED ? "not fitted" : loop_result_name(result);
}

static void put_channel(FILE *out, const struct loop_channel *channel)
{
    const struct point *point = point_get(channel->point);
    fputs("<tr><td>", out);
    page_text(out, point->id);
    fputs("</td><td>", out);
    page_text(out, channel->expected[0] != '\0' ? channel->expected : "not fitted");
    if (channel->given_by[0] != '\0' && strcmp(channel->given_by, "screen") != 0) {
        fputs(" <small>by ", out);
        page_text(out, channel->given_by);
        fputs("</small>", out);
    }
    fputs("</td>", out);
    put_raw(out, channel);
    fputs("<td class=n>", out);
    put_number(out, channel->value, point->resolution);
    fputs("</td><td>", out);
    page_text(out, point->unit);
    fputs("</td><td class=n>", out);
    put_small(out, channel->difference, point->resolution);
    fputs("</td><td class=n>", out);
    put_small(out, channel->tolerance, point->resolution);
    fputs("</td>", out);
    put_heard(out, &channel->mqtt, point->unit, point->resolution);
    put_heard(out, &channel->served, point->unit, point->resolution);
    if (channel->served.done)
        fprintf(out, "<td class=n>%u</td>", channel->served_register);
    else
        fputs("<td class=n>&ndash;</td>", out);
    fprintf(out, "<td class=r>%s%s</td></tr>\n", result_text(channel->result),
            channel->tries > 1 ? " *" : "");
    if (channel->result == LOOP_FAIL) {
        fputs("<tr><td></td><td colspan=10>", out);
        page_text(out, channel->sentence);
        fputs("</td></tr>\n", out);
    }
}

static void put_first_tries(FILE *out, const struct loop_record *record)
{
    bool any = false;
    for (unsigned i = 0; i < record->n_channels; i++) {
        const struct loop_channel *channel = &record->channel[i];
        if (channel->tries < 2 || channel->first_try[0] == '\0')
            continue;
        fprintf(out, "%s%s (%u tries): first ", any ? "; " : "<small>* ",
                point_get(channel->point)->id, channel->tries);
        page_text(out, channel->first_try);
        any = true;
    }
    if (any)
        fputs("</small>\n", out);
}

void page_channels(FILE *out, const struct loop_record *record)
{
    unsigned shown = 0;
    fputs("<h2>Channels: from the screen over the wire to what SCADA reads, at one and the same "
          "scan</h2>\n"
          "<table>\n<thead><tr><th>Channel</th><th>Screen</th><th>Register, raw</th><th class=n>As "
          "read</th><th></th><th class=n>Off by</th><th class=n>Allowed</th><th "
          "class=n>MQTT</th><th class=n>Table</th><th class=n>At</th><th>Result</th></tr></thead>\n"
          "<tbody>\n",
          out);
    for (unsigned i = 0; i < record->n_channels; i++)
        if (record->channel[i].result != LOOP_SKIPPED && record->channel[i].result != LOOP_OPEN) {
            put_channel(out, &record->channel[i]);
            shown++;
        }
    if (shown == 0)
        fputs("<tr><td colspan=11>none</td></tr>\n", out);
    fputs("</tbody></table>\n", out);
    put_first_tries(out, record);
}

/** The time of day alone, where the day is that of the record's begin. */
static void put_clock(FILE *out, int64_t utc_ms, int64_t day_ms)
{
    char text[STAMP_TEXT_MAX], day[STAMP_TEXT_MAX];
    if (utc_ms == 0) {
        fputs("open", out);
        return;
    }
    stamp_to_short_text(utc_ms, text);
    stamp_to_short_text(day_ms, day);
    fputs(strncmp(text, day, 11) == 0 ? text + 11 : text, out);
}

static void put_row(FILE *out, const struct loop_row *row, int64_t day_ms)
{
    fprintf(out, "%s ", gap_kind_name(row->kind));
    page_text(out, row->source != SOURCE_NONE ? source_name(row->source) : row->destination);
    fputs(", ", out);
    put_clock(out, row->start_utc_ms, day_ms);
    fputs(" to ", out);
    put_clock(out, row->is_open ? 0 : row->end_utc_ms, day_ms);
    if (row->kind == GAP_DELIVERY)
        fprintf(out, ": %u late, %u came", row->scans, row->recovered);
    else
        fprintf(out, ": %u scan%s missed", row->scans, row->scans == 1 ? "" : "s");
    fprintf(out, ", %s <span class=hex>%06" PRIx64 ":%" PRIu64 "</span><br>",
            row->delivered ? "told" : "not told", row->run >> 40, row->id);
}

static void put_outage(FILE *out, const struct loop_outage *outage, int64_t day_ms)
{
    static const char *const NAMES[LOOP_OUTAGE_KINDS] = {"", "Asking stopped", "Network cut",
                                                         "Program stopped"};
    fprintf(out, "<tr><td class=w>%s</td><td>",
            outage->kind < LOOP_OUTAGE_KINDS ? NAMES[outage->kind] : "");
    page_text(out, outage->how);
    fputs("</td><td class=w>", out);
    put_clock(out, outage->began_utc_ms, day_ms);
    fputs("<br>", out);
    put_clock(out, outage->ended_utc_ms, day_ms);
    fputs("</td><td>", out);
    for (unsigned i = 0; i < outage->n_rows; i++)
        put_row(out, &outage->row[i], day_ms);
    if (outage->result == LOOP_FAIL || outage->n_rows == 0)
        page_text(out, outage->sentence);
    fprintf(out, "</td><td class=r>%s</td></tr>\n", result_text(outage->result));
}

void page_outages(FILE *out, const struct loop_record *record)
{
    bool any = false;
    for (unsigned i = 0; i < record->n_outages; i++) {
        const struct loop_outage *outage = &record->outage[i];
        if (outage->result == LOOP_SKIPPED || outage->result == LOOP_OPEN)
            continue;
        if (!any)
            fputs("<h2>Outages that were made, and the rows that they left in the ledger "
                  "<small>(told: read back, closed, on the gap topic)</small></h2>\n"
                  "<table>\n<thead><tr><th>Test</th><th style=\"width:27%\">How</th><th>From, "
                  "to</th><th>Ledger</th><th>Result</th></tr></thead>\n<tbody>\n",
                  out);
        any = true;
        put_outage(out, outage, record->begun_utc_ms);
    }
    if (any)
        fputs("</tbody></table>\n", out);
}
