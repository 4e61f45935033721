/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_text.c - the sentences of the ledger: what happened, in words that name what a reader can
 * touch. Pure.
 */
#include "ledger.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

static const char *const UNIT_NAMES[] = {[SOURCE_NONE] = "unit",
                                         [SOURCE_GAUGE] = "surface unit",
                                         [SOURCE_DRIVE] = "drive",
                                         [SOURCE_WELLHEAD] = "wellhead unit"};

static const char *unit_name(uint8_t source)
{
    return UNIT_NAMES[source < sizeof UNIT_NAMES / sizeof *UNIT_NAMES ? source : SOURCE_NONE];
}

/** "unit id 1, pad-line, 9600 8N1" or "unit id 1, skid-line, 192.0.2.7 port 502". */
static void put_settings(char *into, size_t room, const struct line_plan *line, uint8_t unit_id)
{
    if (line->medium == LINE_MEDIUM_SERIAL)
        snprintf(into, room, "unit id %u, %s, %u %u%c%u", unit_id, line->name, line->baud,
                 line->data_bits, line->parity, line->stop_bits);
    else
        snprintf(into, room, "unit id %u, %s, %.60s port %u", unit_id, line->name, line->host,
                 line->port);
}

static uint8_t path_exception(const struct scan *scan)
{
    for (unsigned i = 0; i < scan->n_blocks; i++)
        if (scan->block[i].exception == 0x0A || scan->block[i].exception == 0x0B)
            return scan->block[i].exception;
    return 0x0B;
}

void ledger_say_line(char into[static GAP_CAUSE_MAX], const struct ledger *ledger,
                     const struct scan *scan)
{
    char settings[128] = "";
    const struct well_plan *well = plan_well_by_number(ledger->plan, scan->well);
    const struct source_entry *entry =
        well == NULL ? NULL : plan_entry_at(well, scan->source, scan->begun.utc_ms);
    const char *unit = unit_name(scan->source);
    if (entry == NULL || entry->line >= ledger->plan->n_lines) {
        snprintf(into, GAP_CAUSE_MAX, "No answer from the %s.", unit);
        return;
    }
    const struct line_plan *line = &ledger->plan->lines[entry->line];
    put_settings(settings, sizeof settings, line, entry->unit_id);
    switch (scan->outcome) {
    case OUTCOME_CUT_SHORT:
        snprintf(into, GAP_CAUSE_MAX,
                 "Answers of the %s break off (%.80s). Check speed, response_timeout and the pair.",
                 unit, settings);
        break;
    case OUTCOME_BAD_CHECKSUM:
        snprintf(into, GAP_CAUSE_MAX,
                 "What arrives of the %s is garbled: no checksum is right (%.80s). Check the pair "
                 "(A/B swapped?), speed and parity.",
                 unit, settings);
        break;
    case OUTCOME_WRONG_REPLY:
        snprintf(into, GAP_CAUSE_MAX, "What arrives does not answer what the %s was asked (%s).",
                 unit, settings);
        break;
    case OUTCOME_PATH_DOWN:
        snprintf(into, GAP_CAUSE_MAX,
                 "The converter on %s answers, but the %s behind it does not (exception %02X; unit "
                 "id %u).",
                 line->name, unit, path_exception(scan), entry->unit_id);
        break;
    case OUTCOME_PORT_GONE:
        snprintf(into, GAP_CAUSE_MAX, "The serial port of %s (%.80s) is gone or can't be opened.",
                 line->name, line->device);
        break;
    case OUTCOME_NO_CONNECTION:
        snprintf(into, GAP_CAUSE_MAX, "No connection to %.80s port %u (%s).", line->host,
                 line->port, line->name);
        break;
    default:
        snprintf(into, GAP_CAUSE_MAX, "No answer from the %s (%s).", unit, settings);
        break;
    }
}

void ledger_say_gauge(char into[static GAP_CAUSE_MAX], uint8_t cause, const struct scan *scan)
{
    const char *text = "The surface unit answers, but hears nothing from the gauge.";
    if (cause == CAUSE_POWER_UP)
        text = "Starting: the surface unit answers, but its gauge data is not yet confirmed by a "
               "second refresh.";
    else if (cause == CAUSE_UNIT_FAULT)
        text = "The surface unit answers, but every channel of the gauge is at fault.";
    if (cause != CAUSE_EXCEPTION || scan->n_blocks == 0)
        snprintf(into, GAP_CAUSE_MAX, "%s", text);
    else
        snprintf(into, GAP_CAUSE_MAX,
                 "The surface unit answers, but only with exception %02X%s. Check the map.",
                 scan->block[0].exception,
                 scan->block[0].exception == 0x02 ? " (illegal data address)" : "");
}

void ledger_say_channel(char into[static GAP_CAUSE_MAX], uint16_t point, uint8_t cause,
                        uint8_t exception)
{
    const struct point *row = point_get(point);
    char name[80];
    snprintf(name, sizeof name, "%s",
             row == NULL ? "every channel of this source" : row->trade_name);
    name[0] = (char)toupper((unsigned char)name[0]);
    if (cause == CAUSE_OUT_OF_RANGE)
        snprintf(into, GAP_CAUSE_MAX, "%s: outside the instrument's range that the map states.",
                 name);
    else if (cause == CAUSE_EXCEPTION && exception == BLOCK_NO_ANSWER)
        snprintf(into, GAP_CAUSE_MAX, "%s: its registers are not answered, others are.", name);
    else if (cause == CAUSE_EXCEPTION)
        snprintf(into, GAP_CAUSE_MAX, "%s: its registers are answered with exception %02X%s.", name,
                 exception, exception == 0x02 ? " (illegal data address)" : "");
    else
        snprintf(
            into, GAP_CAUSE_MAX,
            "%s: flagged by the surface unit, or its register holds a fault or not-fitted value.",
            name);
}

void ledger_say_clock(char into[static GAP_CAUSE_MAX], int64_t step_ms, int64_t utc_ms)
{
    char how_long[STAMP_TEXT_MAX], when[STAMP_TEXT_MAX];
    const int64_t size_ms = step_ms < 0 ? -step_ms : step_ms;
    if (size_ms < 60000)
        snprintf(how_long, sizeof how_long, "%d.%d s", (int)(size_ms / 1000),
                 (int)(size_ms % 1000 / 100));
    else if (size_ms < 3600000)
        snprintf(how_long, sizeof how_long, "%d min %d s", (int)(size_ms / 60000),
                 (int)(size_ms / 1000 % 60));
    else
        snprintf(how_long, sizeof how_long, "%lld h %d min", (long long)(size_ms / 3600000),
                 (int)(size_ms / 60000 % 60));
    snprintf(into, GAP_CAUSE_MAX,
             "The clock moved %s %s at %s. Records keep their order; no data is missing.",
             step_ms < 0 ? "back" : "forward", how_long, stamp_to_text(utc_ms, when));
}

void ledger_say_count(char into[static GAP_CAUSE_MAX], uint8_t cause)
{
    static const struct {
        uint8_t cause;
        const char *text;
    } TEXTS[] = {
        {CAUSE_LINE_BUSY,
         "The line was still busy: with another unit, or waiting for an answer that did not come."},
        {CAUSE_BACK_OFF, "The unit does not answer, so it is asked less often."},
        {CAUSE_LISTENING, "Uphole listened for another master before it asked."},
        {CAUSE_ANOTHER_MASTER,
         "Frames that Uphole did not ask for are on the line, so it does not ask."},
        {CAUSE_RING_FULL, "Read, but lost in a full queue inside Uphole."},
        {CAUSE_DISK_REFUSED, "Read, but the disk refused to store it."},
        {CAUSE_PAUSED, "Paused by a person."},
    };
    snprintf(into, GAP_CAUSE_MAX, "Not asked.");
    for (size_t i = 0; i < sizeof TEXTS / sizeof *TEXTS; i++)
        if (TEXTS[i].cause == cause)
            snprintf(into, GAP_CAUSE_MAX, "%s", TEXTS[i].text);
}

void ledger_say_delivery(char into[static GAP_CAUSE_MAX], const char *destination, uint8_t cause)
{
    const char *what = "does not accept records";
    if (cause == CAUSE_UNREACHABLE)
        what = "is not reachable";
    else if (cause == CAUSE_NOT_AUTHORISED)
        what = "refuses records: no right to publish them";
    else if (cause == CAUSE_NO_SUBSCRIBER)
        what = "has nobody who listens to the records";
    else if (cause == CAUSE_QUOTA)
        what = "refuses records: its quota is reached";
    else if (cause == CAUSE_SCADA_SIDE_DOWN)
        what = "gets no records: the SCADA side of Uphole is not running";
    snprintf(into, GAP_CAUSE_MAX, "%s %s.", destination, what);
}

void ledger_say_program(char into[static GAP_CAUSE_MAX], uint8_t cause, const char *how,
                        bool unsure)
{
    const char *tail =
        unsure ? " The clock was not set when it came back, so how long it took is not sure." : "";
    if (cause == CAUSE_STOPPED && how[0] != '\0' && strcmp(how, "stopped") != 0)
        snprintf(into, GAP_CAUSE_MAX, "Uphole was stopped (%.40s).%s", how, tail);
    else
        snprintf(into, GAP_CAUSE_MAX, "%s%s",
                 cause == CAUSE_STOPPED  ? "Uphole was stopped."
                 : cause == CAUSE_KILLED ? "Uphole was killed or crashed."
                                         : "The box lost power or was reset.",
                 tail);
}
