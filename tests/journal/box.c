/* SPDX-License-Identifier: Apache-2.0
 *
 * box.c - see box.h.
 */
#include "box.h"

#include "audit.h"

#include "check.h"

const struct box_source BOX_SOURCES[BOX_SOURCES_N] = {
    {0, SOURCE_GAUGE}, {0, SOURCE_DRIVE}, {1, SOURCE_GAUGE}};

void box_start(struct box *box, const char *boot_id)
{
    struct up_error error = {0};
    rig_start(box->rig, boot_id);
    box->ledger = ledger_create(box->rig->plan, box->rig->run, 256);
    const struct stamp began = rig_now(box->rig);
    box->grid_ms = box->next_ms = began.boot_ms;
    if (ledger_load(box->ledger, box->rig->journal, &began, &error) != UP_OK)
        fail_msg("ledger: %s", error.why);
}

void box_commit(struct box *box, struct scan *scans, size_t n, bool all)
{
    static struct gap gaps[256];
    struct up_error error = {0};
    const struct stamp now = rig_now(box->rig);
    struct batch batch = {.scans = scans, .n_scans = n, .gaps = gaps};
    batch.n_gaps = ledger_take_changed(box->ledger, all ? NULL : &now, gaps, 256);
    if (journal_append(box->rig->journal, &batch, &error) != UP_OK)
        fail_msg("append: %s", error.why);
}

void box_to_next_due(struct box *box)
{
    box->rig->utc_ms += box->next_ms - box->rig->boot_ms;
    box->rig->boot_ms = box->next_ms;
    box->next_ms += 10000;
}

/** `n` due times of the first `sources` sources, with this outcome; the rest of the sources is
 * skipped as busy. */
void box_poll(struct box *box, int n, uint8_t outcome, int sources)
{
    static struct record record;
    for (int i = 0; i < n; i++) {
        struct scan scans[BOX_SOURCES_N];
        box_to_next_due(box);
        const struct stamp due = rig_now(box->rig);
        for (int s = sources; s < BOX_SOURCES_N; s++)
            ledger_count(box->ledger, GAP_SKIPPED, CAUSE_LINE_BUSY,
                         box->rig->wells[BOX_SOURCES[s].well].number, BOX_SOURCES[s].source, 1,
                         &due, &due, NULL);
        for (int s = 0; s < sources; s++) {
            box->rig->boot_ms += 200;
            box->rig->utc_ms += 200;
            scans[s] = rig_scan(box->rig, BOX_SOURCES[s].well, BOX_SOURCES[s].source, outcome);
            scans[s].seq = journal_next_seq(box->rig->journal, scans[s].well) + (uint64_t)(s == 1);
            record = (struct record){.n = 0};
            ledger_see_scan(box->ledger, &scans[s], &record, &due);
        }
        box_commit(box, scans, (size_t)sources, false);
    }
}

void box_kill(struct box *box)
{
    ledger_destroy(box->ledger);
    box->ledger = NULL;
    rig_kill(box->rig);
}

void box_stop(struct box *box)
{
    struct up_error error = {0};
    const struct stamp now = rig_now(box->rig);
    box_commit(box, NULL, 0, true);
    assert_int_equal(journal_end_run(box->rig->journal, &now, "stopped", &error), UP_OK);
    box_kill(box);
}

void box_away(struct box *box, int64_t ms)
{
    box->rig->utc_ms += ms;
    box->rig->boot_ms += ms;
}

void box_check_books(struct box *box)
{
    char report[2000];
    struct audit_sum sums[8];
    const int n =
        audit_books(box->rig->directory, box->rig->boot_ms, sums, 8, report, sizeof report);
    if (report[0] != '\0')
        fail_msg("the books do not balance:\n%s", report);
    check_count("sums", n, BOX_SOURCES_N);
    for (int i = 0; i < n; i++)
        assert_true(sums[i].due > 0 && sums[i].rows > 0);
}

struct gap box_row(const struct box *box, uint8_t kind, size_t which)
{
    static struct gap gaps[64];
    struct journal_reader *reader = NULL;
    struct up_error error = {0};
    size_t n = 0;
    assert_int_equal(journal_reader_open(box->rig->directory, &reader, &error), UP_OK);
    assert_int_equal(journal_read_ledger(reader, 0, INT64_MAX, 0, 64, gaps, &n, &error), UP_OK);
    journal_reader_close(reader);
    for (size_t i = 0; i < n; i++)
        if (gaps[i].kind == kind && which-- == 0)
            return gaps[i];
    fail_msg("there is no such row of kind %u", kind);
    return gaps[0];
}
