/* SPDX-License-Identifier: Apache-2.0
 *
 * test_layout.c - the constant layout: no two rows share a register, points keep their slots, and
 * docs/table.md is what is served.
 */
#include "check.h"
#include "table_fixture.h"

#include "../../daemon/publish/layout.h"

#include <stdlib.h>

static void header_rows_cover_each_register_once(void **state)
{
    (void)state;
    unsigned used[TABLE_FIRST_SLOT] = {0};
    for (unsigned f = 0; f < FIELD_COUNT; f++) {
        const struct field_row *row = layout_field((enum field)f);
        assert_non_null(row->name);
        for (unsigned w = 0; w < row->words; w++)
            used[row->at + w]++;
    }
    for (unsigned r = 0; r < TABLE_FIRST_SLOT; r++)
        check_count("times that a header register is used", used[r], 1);
}

/* Frozen: a release may append to this list and never change it. */
static void points_keep_their_slots_for_ever(void **state)
{
    (void)state;
    static const struct {
        const char *id;
        uint16_t at;
    } rows[] = {{"intake_pressure", 32},
                {"discharge_pressure", 36},
                {"intake_temperature", 40},
                {"discharge_temperature", 44},
                {"motor_winding_temperature", 48},
                {"motor_oil_temperature", 52},
                {"gauge_status", 88},
                {"drive_frequency", 112},
                {"drive_fault_code", 160},
                {"pump_differential_pressure", 164},
                {"gauge_data_age", 200},
                {"journal_time_left", 212},
                {"vibration_velocity_x", 216},
                {"motor_energy", 236}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        unsigned point = point_find(rows[i].id, strlen(rows[i].id));
        assert_true(point > 0);
        check_count(rows[i].id, layout_slot(point), rows[i].at);
    }
}

static char *printed(const struct plan *plan, enum table_form form)
{
    char *text = NULL;
    size_t n = 0;
    FILE *stream = open_memstream(&text, &n);
    assert_non_null(stream);
    table_print(stream, plan, plan != NULL ? plan->destinations : NULL, form);
    fclose(stream);
    return text;
}

static void every_form_begins_with_the_caution(void **state)
{
    (void)state;
    struct plan *plan = fixture_plan();
    for (int form = TABLE_TEXT; form <= TABLE_JSON; form++) {
        for (int with_plan = 0; with_plan < 2; with_plan++) {
            char *text = printed(with_plan ? plan : NULL, (enum table_form)form);
            char *end = strchr(text, '\n');
            char *caution = strstr(text, "onitoring only, not for trips, interlocks or closed-loop "
                                         "control.");
            assert_non_null(end);
            assert_true(caution != NULL && caution < end);
            free(text);
        }
    }
    fixture_free(plan);
}

/* Planted defect: a row's register changed without the page. */
static void the_page_in_docs_is_what_is_served(void **state)
{
    (void)state;
    char *want = printed(NULL, TABLE_MARKDOWN);
    FILE *file = fopen(UPHOLE_SOURCE_DIR "/docs/table.md", "r");
    assert_non_null(file);
    size_t n = strlen(want);
    char *got = malloc(n + 2);
    assert_non_null(got);
    size_t read = fread(got, 1, n + 1, file);
    fclose(file);
    got[read] = '\0';
    if (strcmp(got, want) != 0)
        fail_msg(
            "docs/table.md differs from what is served: uphole table --markdown > docs/table.md");
    free(got);
    free(want);
}

static void a_configurations_table_shows_each_wells_own_registers(void **state)
{
    (void)state;
    struct plan *plan = fixture_plan();
    char *text = printed(plan, TABLE_CSV);
    /* heron-8 is block 2: intake_pressure at 2 x 512 + 32 = 1056, printed 301057 and 401057. */
    assert_non_null(strstr(text, "\nheron-8,3,us,high-word-first,1056,301057,401057,2,f32,"
                                 "intake_pressure,value,psi,absolute,0.1,"));
    assert_non_null(strstr(text, "\nheron-7,1,metric,high-word-first,32,300033,400033,2,f32,"
                                 "intake_pressure,value,kPa,absolute,1,"));
    free(text);
    fixture_free(plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(header_rows_cover_each_register_once),
        cmocka_unit_test(points_keep_their_slots_for_ever),
        cmocka_unit_test(every_form_begins_with_the_caution),
        cmocka_unit_test(the_page_in_docs_is_what_is_served),
        cmocka_unit_test(a_configurations_table_shows_each_wells_own_registers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
