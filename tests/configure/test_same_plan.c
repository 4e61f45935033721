/* SPDX-License-Identifier: Apache-2.0
 *
 * test_same_plan.c - what of a changed configuration is still the same: which lines may go on,
 * which wells are measured alike, what needs a start.
 *
 * Planted defects that it was seen to catch: maps left out of the comparison of a line; a line's
 * own stanza left out of that of a well; only one direction of a line's sources looked at; the
 * label counted as measuring.
 */
#include "check.h"

#include "uphole/plan.h"

#include <stdlib.h>

static struct plan_faults faults;

#define TOP "site: heron-ridge\nbox: heron-edge-1\n"
#define PAD "  pad-line: {serial: /dev/ttyS1, speed: 9600 baud, frame: 8N1}\n"
#define SKID "  skid-line: {tcp: \"192.0.2.7:502\"}\n"
#define WELL_7(poll, map)                                                                          \
    "  heron-7:\n    label: Heron 7\n    table_block: 0\n    sources:\n"                           \
    "      gauge: [{from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: " map             \
    ", poll_every: " poll "}]\n"
#define DRIVE_7                                                                                    \
    "      drive: [{from: 2031-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: second, "        \
    "poll_every: 10 s}]\n"
#define DATA_7(depth)                                                                              \
    "    well_data: [{from: 2031-01-10T08:00:00Z, intake_depth: " depth " m TVD}]\n"
#define WELL_8(line)                                                                               \
    "  heron-8:\n    table_block: 1\n    sources:\n"                                               \
    "      gauge: [{from: 2031-01-10T08:00:00Z, line: " line                                       \
    ", unit_id: 2, map: first, poll_every: 10 s}]\n"
#define MAP(name, point, address, scale)                                                           \
    "  " name ":\n    map: " name "\n    numbering: from-0\n    refresh: 28 s\n    channels:\n"    \
    "      " point ": {input: " address ", type: u16, scale: " scale                               \
    ", unit: MPa, reference: absolute}\n"
#define MAPS(scale)                                                                                \
    "maps:\n" MAP("first", "intake_pressure", "16", scale)                                         \
        MAP("second", "tubing_head_pressure", "4", "0.001")                                        \
            MAP("other", "intake_pressure", "17", "0.001")

#define BASE                                                                                       \
    TOP "lines:\n" PAD SKID "wells:\n" WELL_7("10 s", "first") DRIVE_7 DATA_7("1850")              \
        WELL_8("skid-line") MAPS("0.001")

static struct plan *plan_of(const char *text)
{
    struct plan *plan = NULL;
    if (plan_from_text("t.yaml", text, strlen(text), &plan, &faults) != UP_OK)
        fail_msg("%d:%d: %s", faults.fault[0].line, faults.fault[0].column, faults.fault[0].text);
    return plan;
}

/** What of BASE is the same in another text; a digit a question: pad-line, skid-line, heron-7,
 * heron-8. */
static void same(const char *what, const char *text, const char *expected)
{
    struct plan *a = plan_of(BASE), *b = plan_of(text);
    char got[5], back[5];
    snprintf(got, sizeof got, "%d%d%d%d", plan_line_is_same(a, b, "pad-line"),
             plan_line_is_same(a, b, "skid-line"), plan_well_is_same(a, b, "heron-7"),
             plan_well_is_same(a, b, "heron-8"));
    snprintf(back, sizeof back, "%d%d%d%d", plan_line_is_same(b, a, "pad-line"),
             plan_line_is_same(b, a, "skid-line"), plan_well_is_same(b, a, "heron-7"),
             plan_well_is_same(b, a, "heron-8"));
    check_text(what, got, expected);
    check_text(what, back, expected);
    plan_free(a);
    plan_free(b);
}

static void what_stands_elsewhere_in_the_file_is_the_same(void **state)
{
    (void)state;
    same("itself", BASE, "1111");
    same("lines and wells in another order, a comment",
         "# moved\n" TOP "lines:\n" SKID PAD "wells:\n" WELL_8("skid-line") WELL_7("10 s", "first")
             DRIVE_7 DATA_7("1850") MAPS("0.001"),
         "1111");
    same("another destination",
         BASE "destinations:\n  scada-table: {modbus_tcp: \"127.0.0.1:1502\", views: {1: metric "
              "high-word-first}}\n",
         "1111");
}

static void a_changed_entry_changes_its_line_and_its_well_alone(void **state)
{
    (void)state;
    same("another period",
         TOP "lines:\n" PAD SKID "wells:\n" WELL_7("20 s", "first") DRIVE_7 DATA_7("1850")
             WELL_8("skid-line") MAPS("0.001"),
         "0101");
    same("another map",
         TOP "lines:\n" PAD SKID "wells:\n" WELL_7("10 s", "other") DRIVE_7 DATA_7("1850")
             WELL_8("skid-line") MAPS("0.001"),
         "0101");
    same("a source less: the other well shares its line, and its stale limit the round of it",
         TOP "lines:\n" PAD SKID "wells:\n" WELL_7("10 s", "first") DATA_7("1850")
             WELL_8("skid-line") MAPS("0.001"),
         "1000");
    same("a source that moved to another line changes both",
         TOP "lines:\n" PAD SKID "wells:\n" WELL_7("10 s", "first") DRIVE_7 DATA_7("1850")
             WELL_8("pad-line") MAPS("0.001"),
         "0000");
}

static void a_changed_map_changes_whatever_is_read_by_it(void **state)
{
    (void)state;
    same("a scale of the first map",
         TOP "lines:\n" PAD SKID "wells:\n" WELL_7("10 s", "first") DRIVE_7 DATA_7("1850")
             WELL_8("skid-line") MAPS("0.01"),
         "0000");
}

static void a_changed_line_changes_the_wells_on_it(void **state)
{
    (void)state;
    same("another speed",
         TOP "lines:\n  pad-line: {serial: /dev/ttyS1, speed: 19200 baud, frame: 8N1}\n" SKID
             "wells:\n" WELL_7("10 s", "first") DRIVE_7 DATA_7("1850") WELL_8("skid-line")
                 MAPS("0.001"),
         "0101");
}

static void well_data_change_the_measuring_and_no_line(void **state)
{
    (void)state;
    same("another depth",
         TOP "lines:\n" PAD SKID "wells:\n" WELL_7("10 s", "first") DRIVE_7 DATA_7("1851")
             WELL_8("skid-line") MAPS("0.001"),
         "1101");
}

static void a_label_and_a_table_block_change_nothing_of_it(void **state)
{
    (void)state;
    same("label and block",
         TOP "lines:\n" PAD SKID "wells:\n"
             "  heron-7:\n    label: Heron seven\n    table_block: 9\n    sources:\n"
             "      gauge: [{from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: first, "
             "poll_every: 10 s}]\n" DRIVE_7 DATA_7("1850") WELL_8("skid-line") MAPS("0.001"),
         "1111");
}

static void needs(const char *text, const char *expected)
{
    struct plan *a = plan_of(BASE), *b = plan_of(text);
    char why[100];
    const bool restart = plan_needs_restart(a, b, why, sizeof why);
    check_text("why", why, expected);
    check_count(expected, restart, expected[0] != '\0');
    plan_free(a);
    plan_free(b);
}

static void site_box_journal_and_wells_need_a_start(void **state)
{
    (void)state;
#define REST                                                                                       \
    "lines:\n" PAD SKID "wells:\n" WELL_7("10 s", "first") DRIVE_7 WELL_8("skid-line") MAPS("0."   \
                                                                                            "001")
    needs(BASE, "");
    needs("site: heron-flat\nbox: heron-edge-1\n" REST, "another site");
    needs("site: heron-ridge\nbox: heron-edge-2\n" REST, "another box");
    needs(TOP REST "journal: {path: /srv/uphole}\n", "another path of the journal");
    needs(TOP REST "journal: {keep: 30 days}\n", "");
    needs(TOP "lines:\n" PAD "wells:\n" WELL_7("10 s", "first") MAPS("0.001"),
          "well heron-8 removed or renamed");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_stands_elsewhere_in_the_file_is_the_same),
        cmocka_unit_test(a_changed_entry_changes_its_line_and_its_well_alone),
        cmocka_unit_test(a_changed_map_changes_whatever_is_read_by_it),
        cmocka_unit_test(a_changed_line_changes_the_wells_on_it),
        cmocka_unit_test(well_data_change_the_measuring_and_no_line),
        cmocka_unit_test(a_label_and_a_table_block_change_nothing_of_it),
        cmocka_unit_test(site_box_journal_and_wells_need_a_start),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
