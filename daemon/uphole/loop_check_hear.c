/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_hear.c - what the broker sends to `uphole loop-check`: rows of records, rows of the
 * ledger, and whether the box runs. The newest are kept; that none was missing is counted as they
 * come.
 */
#include "loop_check.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define NODES_MAX LOOP_NODES_MAX
#define MESSAGES_A_STEP 64

static uint64_t run_of(const struct json_doc *doc, uint32_t node)
{
    char text[24];
    return json_get_text(doc, json_member(doc, node, "run"), text, sizeof text)
               ? strtoull(text, NULL, 16)
               : 0;
}

static uint8_t source_of(const struct json_doc *doc, uint32_t node)
{
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
        if (json_is_text(doc, json_member(doc, node, "source"), source_name(s)))
            return s;
    return SOURCE_NONE;
}

static void take_values(const struct json_doc *doc, uint32_t set, uint32_t node,
                        struct heard_row *row)
{
    const uint32_t points = json_member(doc, set, "points"), units = json_member(doc, set, "units");
    const uint32_t values = json_member(doc, node, "values"),
                   qualities = json_member(doc, node, "qualities");
    uint32_t point = json_first(doc, points), unit = json_first(doc, units);
    uint32_t value = json_first(doc, values), quality = json_first(doc, qualities);
    while (point != JSON_MISSING && row->n < RECORD_READINGS_MAX) {
        struct heard_value *heard = &row->value[row->n];
        char name[64];
        uint64_t code = 0;
        *heard = (struct heard_value){.value = NAN};
        if (json_get_text(doc, point, name, sizeof name))
            heard->point = (uint16_t)point_find(name, strlen(name));
        (void)json_get_text(doc, unit, heard->unit, sizeof heard->unit);
        (void)json_get_number(doc, value, &heard->value);
        (void)json_get_unsigned(doc, quality, &code);
        heard->quality = (uint8_t)code;
        row->n++;
        point = json_next(doc, points, point);
        unit = json_next(doc, units, unit);
        value = json_next(doc, values, value);
        quality = json_next(doc, qualities, quality);
    }
}

/** A row that comes again changes nothing; one beyond the next leaves a hole. */
static void count_row(struct loop_hearing *hearing, uint64_t run, uint64_t seq, bool late)
{
    if (hearing->seq != 0 && seq <= hearing->seq)
        return;
    if (hearing->seq != 0 && seq != hearing->seq + 1)
        hearing->has_hole = true;
    if (hearing->from_seq == 0)
        hearing->from_seq = seq;
    hearing->run = run;
    hearing->seq = seq;
    hearing->n_late += late;
}

static void take_record(struct loop_hearing *hearing, const struct json_doc *doc)
{
    const uint64_t run = run_of(doc, 0);
    const bool late = json_is_text(doc, json_member(doc, 0, "sent"), "late");
    const uint32_t rows = json_member(doc, 0, "rows"), sets = json_member(doc, 0, "sets");
    if (!late && !json_is_text(doc, json_member(doc, 0, "sent"), "live"))
        return; /* sent again: not this check's */
    for (uint32_t item = json_first(doc, rows); item != JSON_MISSING;
         item = json_next(doc, rows, item)) {
        struct heard_row *row = &hearing->row[hearing->n_rows % LOOP_ROWS_KEPT];
        *row = (struct heard_row){.run = run, .source = source_of(doc, item)};
        if (!json_get_unsigned(doc, json_member(doc, item, "seq"), &row->seq))
            continue;
        take_values(doc, json_member(doc, sets, source_name(row->source)), item, row);
        hearing->n_rows++;
        count_row(hearing, run, row->seq, late);
    }
}

static void take_gap(struct loop_hearing *hearing, const struct json_doc *doc)
{
    struct heard_gap *gap = &hearing->gap[hearing->n_gaps % LOOP_GAPS_KEPT];
    *gap = (struct heard_gap){.run = run_of(doc, 0), .is_open = true};
    if (!json_get_unsigned(doc, json_member(doc, 0, "id"), &gap->id))
        return;
    (void)json_get_boolean(doc, json_member(doc, 0, "open"), &gap->is_open);
    hearing->n_gaps++;
}

static void take_box(struct loop_hearing *hearing, const struct json_doc *doc, int64_t came_ms)
{
    bool running = false;
    if (!json_get_boolean(doc, json_member(doc, 0, "running"), &running))
        return;
    if (running)
        hearing->online_ms = came_ms;
    else
        hearing->offline_ms = came_ms;
}

static void take(struct loop_check *check, const struct read_back_message *message)
{
    struct loop_hearing *hearing = &check->hearing;
    struct json_doc doc;
    if (json_read(&doc, message->payload, message->length, hearing->nodes, NODES_MAX, NULL) !=
        UP_OK)
        return; /* not Uphole's; a row that is missing for it is a hole */
    if (message->topic == READ_BACK_RECORD && !message->retained)
        take_record(hearing, &doc);
    else if (message->topic == READ_BACK_GAP && !message->retained)
        take_gap(hearing, &doc);
    else if (message->topic == READ_BACK_BOX && !message->retained)
        take_box(hearing, &doc, message->came_boot_ms);
}

enum up_rc hear_open(struct loop_check *check, struct up_error *error)
{
    struct loop_hearing *hearing = &check->hearing;
    if (hearing->session != NULL)
        return UP_OK;
    if (hearing->nodes == NULL)
        hearing->nodes = malloc(NODES_MAX * sizeof *hearing->nodes);
    if (hearing->nodes == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for what the broker sends");
    hearing->seq = hearing->run = 0; /* what was sent meanwhile is not known: no hole, no row */
    const struct read_back_options options = {.plan = check->plan,
                                              .destination = (uint16_t)check->mqtt,
                                              .well = check->well->id,
                                              .user = check->reader_user,
                                              .password_file = check->reader_password_file,
                                              .clock = &check->clock,
                                              .is_stopped = &loop_is_stopped};
    return read_back_open(&options, &hearing->session, error);
}

void hear_close(struct loop_check *check)
{
    read_back_close(check->hearing.session);
    check->hearing.session = NULL;
    free(check->hearing.nodes);
    check->hearing.nodes = NULL;
}

int hear_fd(const struct loop_check *check)
{
    return check->hearing.session != NULL ? read_back_fd(check->hearing.session) : -1;
}

void hear_step(struct loop_check *check, int wait_ms)
{
    struct read_back_message message;
    struct up_error error = {0};
    for (int i = 0; i < MESSAGES_A_STEP && check->hearing.session != NULL; i++) {
        const enum up_rc rc =
            read_back_next(check->hearing.session, i == 0 ? wait_ms : 0, &message, &error);
        if (rc == UP_E_TIMEOUT)
            return;
        if (rc == UP_OK) {
            take(check, &message);
            continue;
        }
        loop_say(2, "(The reader's session is over: %s. It is opened again where it is needed.)",
                 error.why);
        read_back_close(check->hearing.session);
        check->hearing.session = NULL;
    }
}

const struct heard_row *hear_find(const struct loop_check *check, uint64_t run, uint64_t seq)
{
    const struct loop_hearing *hearing = &check->hearing;
    const uint64_t kept = hearing->n_rows < LOOP_ROWS_KEPT ? hearing->n_rows : LOOP_ROWS_KEPT;
    for (uint64_t i = 1; i <= kept; i++) {
        const struct heard_row *row = &hearing->row[(hearing->n_rows - i) % LOOP_ROWS_KEPT];
        if (row->run == run && row->seq == seq)
            return row;
    }
    return NULL;
}

const struct heard_value *heard_point(const struct heard_row *row, unsigned point)
{
    for (uint16_t i = 0; i < row->n; i++)
        if (row->value[i].point == point)
            return &row->value[i];
    return NULL;
}

void hear_begin_count(struct loop_check *check)
{
    check->hearing.has_hole = false;
    check->hearing.from_seq = check->hearing.seq;
    check->hearing.n_late = 0;
}

bool hear_gap_closed(const struct loop_check *check, uint64_t run, uint64_t id)
{
    const struct loop_hearing *hearing = &check->hearing;
    const size_t kept = hearing->n_gaps < LOOP_GAPS_KEPT ? hearing->n_gaps : LOOP_GAPS_KEPT;
    for (size_t i = 1; i <= kept; i++) {
        const struct heard_gap *gap = &hearing->gap[(hearing->n_gaps - i) % LOOP_GAPS_KEPT];
        if (gap->run == run && gap->id == id)
            return !gap->is_open;
    }
    return false;
}
