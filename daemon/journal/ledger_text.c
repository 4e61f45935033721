/* SPDX-License-Identifier: Apache-2.0
 *
 * ledger_text.c - the sentences of the ledger: what happened, in words that name what a reader can
 * touch. Pure.
 */
#include "ledger.h"

#include <ctype.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* The map's habit of counting is stated in `numbering`. */
static const char OFF_BY_ONE[] = "; its addresses may be off by one (counted from 0 or from 1)";

static const char *const UNIT_NAMES[] = {[SOURCE_NONE] = "unit",
                                         [SOURCE_GAUGE] = "surface unit",
                                         [SOURCE_DRIVE] = "drive",
                                         [SOURCE_WELLHEAD] = "wellhead unit"};

/** A sentence; what is longer than a cause may be is cut at its end. */
__attribute__((format(printf, 2, 3))) static void say_text(char into[static GAP_CAUSE_MAX],
                                                           const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(into, GAP_CAUSE_MAX, format, arguments);
    va_end(arguments);
}

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

/** " in uphole.yaml:9", or nothing where the plan came from no file. */
static void put_place(char *into, size_t room, const struct plan *plan, int config_line)
{
    into[0] = '\0';
    if (plan->config_file[0] != '\0' && config_line > 0)
        snprintf(into, room, " in %.40s:%d", plan->config_file, config_line);
}

/** What a line says is put together from. */
struct line_words {
    const struct line_plan *line;
    const struct source_entry *entry;
    const struct scan *scan;
    const char *unit;
    char settings[128];
    char at_entry[64], at_line[64]; /* places in the file */
};

/** No answer came: nothing at all, or bytes that are none. */
static void say_silence(char into[static GAP_CAUSE_MAX], const struct line_words *words)
{
    const char *unit = words->unit;
    if (words->line->medium == LINE_MEDIUM_TCP)
        snprintf(into, GAP_CAUSE_MAX,
                 "%.40s port %u accepts the connection and does not answer (unit id %u, %s). It "
                 "may still hold an earlier one of ours.",
                 words->line->host, words->line->port, words->entry->unit_id, words->line->name);
    else if (words->scan->stray > 0)
        say_text(into,
                 "No answer from the %s (%.80s): nothing that looks like an answer; stray bytes: "
                 "%u. Check the pair, speed%s, unit id.",
                 unit, words->settings, words->scan->stray, words->at_line);
    else if (words->at_entry[0] != '\0')
        say_text(into,
                 "No answer from the %s (%.60s). First compare unit id and speed%s with the %s.",
                 unit, words->settings, words->at_entry, unit);
    else
        say_text(into, "No answer from the %s (%.80s).", unit, words->settings);
}

/** On a line that is only listened to. */
static void say_unheard(char into[static GAP_CAUSE_MAX], const struct line_words *words)
{
    say_text(into,
             "Nothing of the %s was heard (%.80s): the other master does not read it, or it does "
             "not answer. Uphole only listens there.",
             words->unit, words->settings);
}

static void say_line(char into[static GAP_CAUSE_MAX], const struct line_words *words)
{
    const struct line_plan *line = words->line;
    const char *unit = words->unit, *settings = words->settings;
    switch (words->scan->outcome) {
    case OUTCOME_CUT_SHORT:
        say_text(into,
                 "Answers of the %s break off (%.80s). Check speed, response_timeout%s and the "
                 "pair.",
                 unit, settings, words->at_line);
        break;
    case OUTCOME_BAD_CHECKSUM:
        say_text(into,
                 "What arrives of the %s is garbled: no checksum is right (%.80s). Check the pair "
                 "(A/B swapped?), speed and parity%s.",
                 unit, settings, words->at_line);
        break;
    case OUTCOME_WRONG_REPLY:
        if (line->share_line == LINE_LISTENS)
            say_text(
                into,
                "What was heard of the %s may be late answers (%.80s), so it is left out until "
                "the line was quiet. Uphole only listens there.",
                unit, settings);
        else
            say_text(into, "What arrives does not answer what the %s was asked (%s).", unit,
                     settings);
        break;
    case OUTCOME_PATH_DOWN:
        say_text(into,
                 "The converter %s %.60s answers, but the %s behind it does not (exception %02X; "
                 "unit id %u).",
                 line->medium == LINE_MEDIUM_TCP ? "at" : "on",
                 line->medium == LINE_MEDIUM_TCP ? line->host : line->name, unit,
                 path_exception(words->scan), words->entry->unit_id);
        break;
    case OUTCOME_PORT_GONE:
        say_text(into, "The serial port of %s (%.80s) is gone or can't be opened.", line->name,
                 line->device);
        break;
    case OUTCOME_NO_CONNECTION:
        say_text(into, "No connection to %.80s port %u (%s).%s", line->host, line->port, line->name,
                 line->framing == LINE_FRAMING_RTU
                     ? " A server for one client at a time may still hold an earlier one of ours."
                     : "");
        break;
    default:
        if (line->share_line == LINE_LISTENS)
            say_unheard(into, words);
        else
            say_silence(into, words);
        break;
    }
}

void ledger_say_line(char into[static GAP_CAUSE_MAX], const struct ledger *ledger,
                     const struct scan *scan)
{
    struct line_words words = {.scan = scan, .unit = unit_name(scan->source)};
    const struct well_plan *well = plan_well_by_number(ledger->plan, scan->well);
    words.entry = well == NULL ? NULL : plan_entry_at(well, scan->source, scan->begun.utc_ms);
    if (words.entry == NULL || words.entry->line >= ledger->plan->n_lines) {
        say_text(into, "No answer from the %s.", words.unit);
        return;
    }
    words.line = &ledger->plan->lines[words.entry->line];
    put_settings(words.settings, sizeof words.settings, words.line, words.entry->unit_id);
    put_place(words.at_entry, sizeof words.at_entry, ledger->plan, words.entry->config_line);
    put_place(words.at_line, sizeof words.at_line, ledger->plan, words.line->config_line);
    say_line(into, &words);
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
        say_text(into, "%s", text);
    else
        say_text(into,
                 "The surface unit answers, but only with exception %02X%s. Line settings and unit "
                 "id are right. Check the map%s.",
                 scan->block[0].exception,
                 scan->block[0].exception == 0x02 ? " (illegal data address)" : "",
                 scan->block[0].exception == 0x02 ? OFF_BY_ONE : "");
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
        say_text(into, "%s: outside the instrument's range that the map states. Check the map%s.",
                 name, OFF_BY_ONE);
    else if (cause == CAUSE_EXCEPTION && exception == BLOCK_NO_ANSWER)
        say_text(into, "%s: its registers are not answered, others are.", name);
    else if (cause == CAUSE_EXCEPTION)
        say_text(into, "%s: its registers are answered with exception %02X%s%s.", name, exception,
                 exception == 0x02 ? " (illegal data address). Check the map" : "",
                 exception == 0x02 ? OFF_BY_ONE : "");
    else
        snprintf(
            into, GAP_CAUSE_MAX,
            "%s: flagged by the surface unit, or its register holds a fault or not-fitted value.",
            name);
}

/** "12.4 s", "3 min 5 s", "3 h 12 min". */
static void put_span(char into[static STAMP_TEXT_MAX], int64_t ms)
{
    if (ms < 60000)
        snprintf(into, STAMP_TEXT_MAX, "%d.%d s", (int)(ms / 1000), (int)(ms % 1000 / 100));
    else if (ms < 3600000)
        snprintf(into, STAMP_TEXT_MAX, "%d min %d s", (int)(ms / 60000), (int)(ms / 1000 % 60));
    else
        snprintf(into, STAMP_TEXT_MAX, "%lld h %d min", (long long)(ms / 3600000),
                 (int)(ms / 60000 % 60));
}

void ledger_say_not_read(char into[static GAP_CAUSE_MAX], uint16_t point)
{
    const struct point *row = point_get(point);
    say_text(into, "The registers of %s are not read any more, others are.",
             row == NULL ? "this source" : row->trade_name);
}

void ledger_say_clock(char into[static GAP_CAUSE_MAX], int64_t step_ms, int64_t utc_ms)
{
    char how_long[STAMP_TEXT_MAX], before[STAMP_TEXT_MAX], after[STAMP_TEXT_MAX];
    put_span(how_long, step_ms < 0 ? -step_ms : step_ms);
    say_text(into,
             "The clock moved %s %s at %s, to %s. Earlier records are marked and keep their order.",
             step_ms < 0 ? "back" : "forward", how_long, stamp_to_text(utc_ms - step_ms, before),
             stamp_to_text(utc_ms, after));
}

void ledger_say_count(char into[static GAP_CAUSE_MAX], uint8_t cause)
{
    static const struct {
        uint8_t cause;
        const char *text;
    } TEXTS[] = {
        {CAUSE_LINE_BUSY,
         "The line was still busy: with another unit, or waiting for an answer that did not come."},
        {CAUSE_STOPPED, "Due when Uphole was stopped, before its turn on the line came."},
        {CAUSE_ENTRY_ENDED, "Due when its entry in the configuration ended, before its turn on the "
                            "line came."},
        {CAUSE_BACK_OFF, "The unit does not answer, so it is asked less often."},
        {CAUSE_LISTENING, "Uphole listened for another master before it asked."},
        {CAUSE_ANOTHER_MASTER,
         "Frames that Uphole did not ask for are on the line, so it does not ask."},
        {CAUSE_RING_FULL, "Read, but lost in a full queue inside Uphole."},
        {CAUSE_DISK_REFUSED, "Read, but the disk refused to store it."},
        {CAUSE_PAUSED, "Paused by a person."},
        {CAUSE_SUSPENDED, "The box was suspended: it slept, and asked nobody."},
    };
    say_text(into, "Not asked.");
    for (size_t i = 0; i < sizeof TEXTS / sizeof *TEXTS; i++)
        if (TEXTS[i].cause == cause)
            say_text(into, "%s", TEXTS[i].text);
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
    say_text(into, "%s %s.", destination, what);
}

/* ---- the time without us ---- */

/** Adds a sentence, where it fits whole. */
static void add(char into[static GAP_CAUSE_MAX], const char *sentence)
{
    const size_t length = strlen(into);
    if (length + strlen(sentence) + 2 <= GAP_CAUSE_MAX)
        snprintf(into + length, GAP_CAUSE_MAX - length, "%s%s", length > 0 ? " " : "", sentence);
}

void ledger_add_sentence(char into[static GAP_CAUSE_MAX], const char *sentence)
{
    add(into, sentence);
}

static void say_stopped(char into[static GAP_CAUSE_MAX], const struct program_evidence *evidence)
{
    if (evidence->how[0] != '\0' && strcmp(evidence->how, "stopped") != 0)
        say_text(into, "Uphole was stopped (%.40s).", evidence->how);
    else
        say_text(into, "Uphole was stopped.");
}

/** "At most": what was stored last need not be the last that ran; spans are rounded up. */
static void add_off_time(char into[static GAP_CAUSE_MAX], const char *before, int64_t ms,
                         const char *behind)
{
    char how_long[STAMP_TEXT_MAX], text[80];
    if (ms < 0)
        return;
    put_span(how_long, ms < 60000 ? ms + 99 : ms < 3600000 ? ms + 999 : ms + 59999);
    snprintf(text, sizeof text, "%s%s%s", before, how_long, behind);
    add(into, text);
}

void ledger_say_program(char into[static GAP_CAUSE_MAX], const struct program_evidence *evidence)
{
    char text[96];
    const bool another = evidence->version[0] != '\0' && evidence->after[0] != '\0' &&
                         strcmp(evidence->version, evidence->after) != 0;
    into[0] = '\0';
    switch (evidence->cause) {
    case CAUSE_KILLED:
        add(into, "Uphole ended without a stop while the box kept running: it crashed or was "
                  "killed, or its disk took nothing more.");
        break;
    case CAUSE_POWER_OR_RESET:
        add(into, "The box lost power or was reset.");
        add_off_time(into, "It was off for at most ", evidence->to_boot_ms, ".");
        break;
    case CAUSE_REBOOTED:
        add(into, "Uphole was stopped, and the box was rebooted or switched off in order.");
        add_off_time(into, "The box started ", evidence->to_boot_ms, " after the stop.");
        break;
    default:
        say_stopped(into, evidence);
        break;
    }
    if (evidence->cause == CAUSE_UPGRADED && evidence->booted)
        add(into, "The box was rebooted meanwhile.");
    if (another) {
        snprintf(text, sizeof text, "Version %.23s ran before, %.23s after.", evidence->version,
                 evidence->after);
        add(into, text);
    }
    if (evidence->unsure)
        add(into, evidence->never_set
                      ? "The clock was not set then, so how long it took is not sure."
                      : "The clock was not synchronised then, so how long it took is not sure.");
}
