/* SPDX-License-Identifier: Apache-2.0
 *
 * test_note.c - a person's words on a gap: the row goes out once more and bears them, whatever
 * becomes of it later, and no revision that was read before changes. Each planted defect is a patch
 * in tests/planted, by the name given here.
 */
#include "box.h"

#include "check.h"

#include <stdlib.h>

static struct gap rows[64];

/** Every revision of a row, oldest first. */
static size_t revisions(const struct box *box, const struct gap *of)
{
    static struct gap all[64];
    struct journal_reader *reader = NULL;
    assert_int_equal(journal_reader_open(box->rig->directory, &reader, NULL), UP_OK);
    size_t n = 0, got = 0;
    for (uint64_t after = 0;; after = all[got - 1].pos) {
        assert_int_equal(journal_read_gaps(reader, 0, after, 64, all, &got, NULL), UP_OK);
        for (size_t i = 0; i < got; i++)
            if (all[i].run == of->run && all[i].id == of->id && n < 64)
                rows[n++] = all[i];
        if (got < 64)
            break;
    }
    journal_reader_close(reader);
    return n;
}

static enum up_rc note(struct box *box, const struct gap *of, unsigned digits, const char *text,
                       bool planned, struct up_error *error)
{
    const unsigned shift = 64 - 4 * digits;
    const uint64_t low = of->run >> shift << shift;
    const struct gap_asked asked = {.run_low = low,
                                    .run_high = low | (shift == 0 ? 0 : UINT64_MAX >> (64 - shift)),
                                    .id = of->id};
    struct gap found, taken[64];
    uint64_t ids[8];
    struct gap_note notes[8];
    size_t n = 0;
    const enum up_rc rc =
        ledger_renew(box->ledger, box->rig->journal, &asked, &found, ids, 8, &n, error);
    if (rc != UP_OK)
        return rc;
    assert_true(n >= 1 && n <= 8 && found.run == of->run && ids[0] == of->id);
    for (size_t i = 0; i < n; i++) {
        notes[i] =
            (struct gap_note){.run = found.run, .id = ids[i], .utc_ms = 5, .planned = planned};
        snprintf(notes[i].by, sizeof notes[i].by, "technician (jana)");
        snprintf(notes[i].text, sizeof notes[i].text, "%s", text);
    }
    struct batch batch = {.notes = notes, .n_notes = n, .gaps = taken};
    batch.n_gaps = ledger_take_changed(box->ledger, NULL, taken, 64);
    assert_true(batch.n_gaps >= n); /* other rows may wait too */
    return journal_append(box->rig->journal, &batch, error);
}

/* Planted defect: note-changes-history. */
static void a_note_on_a_closed_row_makes_a_revision_and_changes_none_before(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 5, OUTCOME_ANSWERED, 3);
    box_poll(&box, 4, OUTCOME_SILENT, 3);
    box_poll(&box, 9, OUTCOME_ANSWERED, 3);
    struct gap line = box_row(&box, GAP_LINE, 0);
    assert_false(line.is_open);
    const size_t before = revisions(&box, &line);
    const struct gap last = rows[before - 1];
    assert_int_equal(note(&box, &line, 6, "Cable was swapped.", true, NULL), UP_OK);
    check_count("revisions", (long long)revisions(&box, &line), (long long)before + 1);
    for (size_t i = 0; i < before; i++) {
        check_text("a note that came later", rows[i].note, "");
        assert_false(rows[i].planned);
    }
    const struct gap noted = rows[before];
    check_count("revision", noted.revision, last.revision + 1);
    check_text("note", noted.note, "Cable was swapped.");
    check_text("by", noted.noted_by, "technician (jana)");
    assert_true(noted.planned && !noted.is_open);
    check_count("scans", noted.scans, last.scans);
    check_count("end", noted.end.boot_ms, last.end.boot_ms);
    assert_int_equal(note(&box, &line, 16, "No: the pair.", false, NULL), UP_OK);
    assert_int_equal(revisions(&box, &line), before + 2);
    check_text("the first note stays", rows[before].note, "Cable was swapped.");
    check_text("the second holds", rows[before + 1].note, "No: the pair.");
    assert_false(rows[before + 1].planned);
    box_poll(&box, 9, OUTCOME_ANSWERED, 3);
    check_count("and no more", (long long)revisions(&box, &line), (long long)before + 2);
    box_check_books(&box);
    box_kill(&box);
}

/* Planted defect: note-lost-at-close. */
static void an_open_row_bears_its_note_when_it_closes_even_after_a_restart(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 5, OUTCOME_ANSWERED, 3);
    box_poll(&box, 4, OUTCOME_SILENT, 3);
    struct gap line = box_row(&box, GAP_LINE, 0);
    assert_true(line.is_open);
    assert_int_equal(note(&box, &line, 4, "Unit is off for service.", true, NULL), UP_OK);
    box_kill(&box);
    box_away(&box, 60000);
    box_start(&box, BOOT_A);
    box_poll(&box, 5, OUTCOME_ANSWERED, 3);
    const size_t n = revisions(&box, &line);
    assert_false(rows[n - 1].is_open);
    check_text("note", rows[n - 1].note, "Unit is off for service.");
    assert_true(rows[n - 1].planned);
    box_check_books(&box);
    box_kill(&box);
}

static void an_outage_of_the_program_is_noted_for_every_source_at_once(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 5, OUTCOME_ANSWERED, 3);
    box_kill(&box);
    box_away(&box, 300000);
    box_start(&box, BOOT_A);
    box_poll(&box, 5, OUTCOME_ANSWERED, 3);
    const struct gap program = box_row(&box, GAP_PROGRAM, 1);
    assert_int_equal(note(&box, &program, 6, "Box was moved.", true, NULL), UP_OK);
    for (size_t i = 0; i < 3; i++) {
        const struct gap row = box_row(&box, GAP_PROGRAM, i);
        check_text("note", row.note, "Box was moved.");
    }
    box_check_books(&box);
    box_kill(&box);
}

static void a_gap_that_is_not_there_or_not_one_is_refused(void **state)
{
    struct box box = {.rig = *state};
    struct up_error error = {0};
    box_start(&box, BOOT_A);
    box_poll(&box, 4, OUTCOME_SILENT, 3);
    struct gap line = box_row(&box, GAP_LINE, 0), other = line;
    other.id = 99;
    assert_int_equal(note(&box, &other, 6, "x", false, &error), UP_E_MISSING);
    other = line;
    other.run ^= UINT64_C(1) << 60;
    assert_int_equal(note(&box, &other, 4, "x", false, &error), UP_E_MISSING);
    box_kill(&box);
}

/* Of three runs two begin with the same bit: asked for by no more than that, a row that both have
 * is not one. */
static void a_beginning_that_two_runs_share_is_refused(void **state)
{
    struct box box = {.rig = *state};
    struct up_error error = {0};
    uint64_t run[3];
    for (int i = 0; i < 3; i++) {
        box_start(&box, BOOT_A);
        run[i] = box.rig->run;
        box_poll(&box, 4, OUTCOME_SILENT, 3);
        box_poll(&box, 4, OUTCOME_ANSWERED, 3);
        if (i < 2) {
            box_kill(&box);
            box_away(&box, 60000);
        }
    }
    unsigned alike = 0;
    for (int top = 0; top < 2; top++) {
        const uint64_t low = (uint64_t)top << 63;
        const struct gap_asked asked = {.run_low = low, .run_high = low | INT64_MAX, .id = 1};
        struct gap found;
        uint64_t ids[8];
        size_t n = 0, of = 0;
        for (int i = 0; i < 3; i++)
            of += run[i] >> 63 == (uint64_t)top;
        const enum up_rc rc =
            ledger_renew(box.ledger, box.rig->journal, &asked, &found, ids, 8, &n, &error);
        assert_int_equal(rc, of == 0 ? UP_E_MISSING : of == 1 ? UP_OK : UP_E_USAGE);
        if (of > 1)
            assert_non_null(strstr(error.why, "type more of it"));
        alike += of > 1;
    }
    assert_true(alike == 1);
    box_kill(&box);
}

/* A journal of before there were notes: readers read it, and the daemon adds the table. */
static void a_journal_without_the_table_of_notes_is_read_and_gets_it(void **state)
{
    struct box box = {.rig = *state};
    box_start(&box, BOOT_A);
    box_poll(&box, 4, OUTCOME_SILENT, 3);
    struct gap line = box_row(&box, GAP_LINE, 0);
    box_kill(&box);
    rig_execute(box.rig, "DROP TABLE note");
    assert_true(revisions(&box, &line) > 0);
    box_start(&box, BOOT_A);
    assert_int_equal(note(&box, &line, 6, "Now it can be said.", false, NULL), UP_OK);
    const size_t n = revisions(&box, &line);
    check_text("note", rows[n - 1].note, "Now it can be said.");
    box_kill(&box);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(
            a_note_on_a_closed_row_makes_a_revision_and_changes_none_before, rig_setup,
            rig_teardown),
        cmocka_unit_test_setup_teardown(
            an_open_row_bears_its_note_when_it_closes_even_after_a_restart, rig_setup,
            rig_teardown),
        cmocka_unit_test_setup_teardown(an_outage_of_the_program_is_noted_for_every_source_at_once,
                                        rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(a_gap_that_is_not_there_or_not_one_is_refused, rig_setup,
                                        rig_teardown),
        cmocka_unit_test_setup_teardown(a_beginning_that_two_runs_share_is_refused, rig_setup,
                                        rig_teardown),
        cmocka_unit_test_setup_teardown(a_journal_without_the_table_of_notes_is_read_and_gets_it,
                                        rig_setup, rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
