/* SPDX-License-Identifier: Apache-2.0
 *
 * day_books.c - the books from outside: dues by plain arithmetic on the runs' starts, rows and
 * ledger as the journal's readers give them.
 */
#include "day_inside.h"

#include "check.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>

#define LEDGER_MAX 32768

size_t day_ledger(struct day *day, struct gap *into, size_t room)
{
    struct up_error error = {0};
    struct journal_reader *reader = NULL;
    size_t n = 0, got = 1;
    core_flush(day->core);
    if (journal_reader_open(day->directory, &reader, &error) != UP_OK)
        fail_msg("%s", error.why);
    while (got > 0 && n < room) {
        const size_t left = room - n < 64 ? room - n : 64;
        if (journal_read_ledger(reader, INT64_MIN, INT64_MAX, n, left, into + n, &got, &error) !=
            UP_OK)
            fail_msg("%s", error.why);
        n += got;
    }
    journal_reader_close(reader);
    assert_true(n < room); /* else rows were left out, and sums would be wrong */
    return n;
}

size_t day_count_gaps(struct day *day, uint8_t kind, uint8_t source)
{
    struct gap *rows = calloc(LEDGER_MAX, sizeof *rows);
    const size_t n = day_ledger(day, rows, LEDGER_MAX);
    size_t count = 0;
    for (size_t i = 0; i < n; i++)
        if (rows[i].kind == kind && (source == 0 || rows[i].source == source))
            count++;
    free(rows);
    return count;
}

static uint64_t dues_of_run(const struct day *day, size_t run, int64_t period_ms)
{
    const int64_t length_ms = day->began_ms[run + 1] - day->began_ms[run];
    return length_ms <= 0 ? 0 : (uint64_t)((length_ms - 1) / period_ms + 1);
}

/** A row that counts due times begins at one of them: the grid of a run that had begun by then. */
static bool starts_at_a_due_time(const struct day *day, const struct gap *row, int64_t period_ms)
{
    for (size_t run = 0; run < day->n_runs; run++)
        if (row->start.boot_ms >= day->began_ms[run] &&
            (row->start.boot_ms - day->began_ms[run]) % period_ms == 0)
            return true;
    return false;
}

/** Rows of the kinds whose start is the first due time that was missed. */
static bool is_of_dues(uint8_t kind)
{
    return gap_kind_counts_never_attempted(kind) || kind == GAP_LINE || kind == GAP_GAUGE ||
           kind == GAP_CHANNEL;
}

/** Stops in order and starts again a second later, so that every due time so far is a row or
 * counted; then adds up. */
struct day_books day_check_books(struct day *day, const char *well_id, uint8_t source)
{
    assert_int_equal(day->boot, 0); /* the arithmetic here is of one boot */
    day_stop(day, 1000);
    const struct well_plan *well = plan_well_by_id(day->plan, well_id);
    const int64_t period_ms = well->entries[source][0].poll_every_ms;
    struct day_books books = {0};
    for (size_t run = 0; run + 1 < day->n_runs; run++)
        books.due += dues_of_run(day, run, period_ms);
    struct gap *rows = calloc(LEDGER_MAX, sizeof *rows);
    const size_t n = day_ledger(day, rows, LEDGER_MAX);
    for (size_t i = 0; i < n; i++) {
        if (rows[i].well != well->number || rows[i].source != source)
            continue;
        if (gap_kind_counts_never_attempted(rows[i].kind))
            books.never_attempted += rows[i].scans;
        /* Planted defect: ledger-start-at-detection. */
        if (is_of_dues(rows[i].kind) && !starts_at_a_due_time(day, &rows[i], period_ms))
            fail_msg("a row of kind %s starts at %" PRId64 " ms, which is no due time of %s %s",
                     gap_kind_name(rows[i].kind), rows[i].start.boot_ms, well_id,
                     source_name(source));
    }
    free(rows);
    struct up_error error = {0};
    struct journal_reader *reader = NULL;
    uint64_t by_outcome[OUTCOME_COUNT] = {0};
    if (journal_reader_open(day->directory, &reader, &error) != UP_OK ||
        journal_count_scans(reader, well->number, source, INT64_MIN, INT64_MAX, by_outcome,
                            &error) != UP_OK)
        fail_msg("%s", error.why);
    journal_reader_close(reader);
    for (uint8_t outcome = 0; outcome < OUTCOME_COUNT; outcome++) {
        books.rows += by_outcome[outcome];
        if (outcome_is_heard(outcome))
            books.heard += by_outcome[outcome];
    }
    if (books.due != books.rows + books.never_attempted)
        fail_msg("the books of %s %s don't balance: due %" PRIu64 ", rows %" PRIu64
                 ", never attempted %" PRIu64,
                 well_id, source_name(source), books.due, books.rows, books.never_attempted);
    return books;
}

/** Every day's journal holds by the reviewer's program too, which shares nothing with the ledger's
 * counting; what no clock could tell may be undecided. Planted defect: audit-*.patch. */
int day_audit(struct day *day)
{
    const char *binary = getenv("UPHOLE_BINARY");
    char command[600], line[400], text[16000] = "";
    if (binary == NULL)
        return -1;
    snprintf(command, sizeof command, "'%s' audit --journal '%s' 2>&1", binary, day->directory);
    FILE *out = popen(command, "r");
    assert_non_null(out);
    while (fgets(line, sizeof line, out) != NULL)
        if (strlen(text) + strlen(line) < sizeof text)
            strcat(text, line);
    const int status = pclose(out);
    if (!WIFEXITED(status) || (WEXITSTATUS(status) != 0 && WEXITSTATUS(status) != 2))
        fail_msg("the audit of the day's journal ended with %d:\n%s", status, text);
    return WEXITSTATUS(status);
}
