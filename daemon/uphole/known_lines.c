/* SPDX-License-Identifier: Apache-2.0
 *
 * known_lines.c - see known_lines.h. In doubt a line is listened to: it costs one refresh of data,
 * asking may cost a pump its supply.
 */
#include "known_lines.h"

#include <stdlib.h>
#include <string.h>

#define AWAY_AT_MOST_MS 600000

static bool is_trusted(uint8_t clock)
{
    return clock == CLOCK_STATE_SYNCHRONISED || clock == CLOCK_STATE_HOLDOVER;
}

static bool was_away_long(const struct last_run *last, const struct stamp *began)
{
    if (!last->exists)
        return true;
    int64_t away_ms = began->boot_ms - last->last.boot_ms;
    if (last->boot != began->boot) {
        if (!is_trusted(last->last.clock) || !is_trusted(began->clock))
            return true;
        away_ms = began->utc_ms - last->last.utc_ms;
    }
    return away_ms < 0 || away_ms > AWAY_AT_MOST_MS;
}

static bool is_same_stanza(const struct line_plan *a, const struct line_plan *b)
{
    return strcmp(a->name, b->name) == 0 && a->medium == b->medium &&
           strcmp(a->device, b->device) == 0 && strcmp(a->host, b->host) == 0 &&
           a->port == b->port && a->baud == b->baud && a->parity == b->parity &&
           a->data_bits == b->data_bits && a->stop_bits == b->stop_bits;
}

/** The plan of the last run, or NULL. */
static struct plan *read_last_plan(const char *directory)
{
    struct journal_reader *reader = NULL;
    struct plan *plan = NULL;
    char *text = NULL;
    char digest[65];
    size_t length = 0;
    if (journal_reader_open(directory, &reader, NULL) != UP_OK)
        return NULL;
    struct plan_faults *faults = calloc(1, sizeof *faults);
    const uint32_t id = journal_read_newest_plan(reader);
    if (faults != NULL && id != 0 &&
        journal_read_plan(reader, id, &text, &length, digest, NULL) == UP_OK &&
        plan_from_text("the last run's plan", text, length, &plan, faults) != UP_OK)
        plan = NULL;
    free(text);
    free(faults);
    journal_reader_close(reader);
    return plan;
}

void known_lines_compare(const struct plan *plan, const struct plan *before,
                         bool listen[static PLAN_LINES_MAX])
{
    for (uint16_t i = 0; i < plan->n_lines; i++) {
        listen[i] = true;
        for (uint16_t k = 0; before != NULL && k < before->n_lines; k++)
            if (is_same_stanza(&plan->lines[i], &before->lines[k]))
                listen[i] = false;
    }
}

void known_lines_judge(const struct plan *plan, const struct last_run *last,
                       const struct stamp *began, bool listen[static PLAN_LINES_MAX])
{
    const bool away = was_away_long(last, began);
    struct plan *before = away ? NULL : read_last_plan(plan->journal.path);
    known_lines_compare(plan, before, listen);
    plan_free(before);
}
