/* SPDX-License-Identifier: Apache-2.0
 *
 * test_well_data.c - surveys, depths along the hole, pump curves and tests of the inflow: from a
 * file or from the text itself to one and the same plan, which its own text gives again.
 *
 * Planted defects that it must catch, each seen to: a depth along the hole taken for a vertical
 * one; the file's name left in the plan in place of its table; a table's feet taken for metres; a
 * depth below the last station not marked.
 */
#include "check.h"

#include "uphole/plan.h"

#include <math.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#define SURVEY_FILE UPHOLE_SOURCE_DIR "/tests/data/iscwsa-well-3.csv"

static const char HEAD[] =
    "site: heron-ridge\nbox: heron-edge-1\nlines: {pad-line: {tcp: 192.0.2.7:502}}\nwells:\n"
    "  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s}\n"
    "    well_data:\n      - from: 2031-01-10T08:00:00Z\n";

static char directory[] = "/tmp/uphole-well-data-XXXXXX";

static const char *path_of(const char *name)
{
    static char path[300];
    snprintf(path, sizeof path, "%s/%s", directory, name);
    return path;
}

static void write_file(const char *name, const char *text)
{
    FILE *file = fopen(path_of(name), "we");
    assert_non_null(file);
    fputs(text, file);
    fclose(file);
}

/** The plan of HEAD and `data`, lines of the entry's section. */
static struct plan *plan_with(const char *data)
{
    static struct plan_faults faults;
    struct plan *plan = NULL;
    char text[8000];
    snprintf(text, sizeof text, "%s%s", HEAD, data);
    write_file("uphole.yaml", text);
    if (plan_from_file(path_of("uphole.yaml"), UPHOLE_SOURCE_DIR "/config/maps", &plan, &faults) !=
        UP_OK)
        fail_msg("%d:%d: %s", faults.fault[0].line, faults.fault[0].column, faults.fault[0].text);
    return plan;
}

/** What the journal keeps gives the same plan, without any file. */
static void reads_back(const struct plan *plan)
{
    static struct plan_faults faults;
    struct plan *again = NULL;
    assert_int_equal(plan_from_text("journal", plan->text, plan->text_length, &again, &faults),
                     UP_OK);
    check_text("the same text", again->text, plan->text);
    check_text("the same digest", again->digest, plan->digest);
    const struct well_data *a = plan->wells[0].data, *b = again->wells[0].data;
    check_count("stations", b->n_survey, a->n_survey);
    assert_memory_equal(&a->intake_depth_m, &b->intake_depth_m, sizeof a->intake_depth_m);
    assert_memory_equal(&a->gauge_depth_m, &b->gauge_depth_m, sizeof a->gauge_depth_m);
    assert_memory_equal(a->beyond_survey, b->beyond_survey, sizeof a->beyond_survey);
    check_count("rows of the curve", b->n_curve, a->n_curve);
    for (unsigned i = 0; i < a->n_curve; i++)
        assert_memory_equal(&a->curve[i], &b->curve[i], sizeof a->curve[i]);
    assert_memory_equal(a->test, b->test, sizeof a->test);
    plan_free(again);
}

/* True vertical depths of ISCWSA standard well 3 by minimum curvature: tests/formulas/surveys.md,
   SUR-009 and SUR-017; checked there against two other implementations. */
static void depths_along_the_hole_become_vertical_by_the_survey(void **state)
{
    (void)state;
    struct plan *plan = plan_with("        survey: " SURVEY_FILE "\n"
                                  "        intake_depth: 1100 m MD\n"
                                  "        gauge_depth: 6889.763779527559 ft MD\n"
                                  "        datum_depth: 2010 m TVD\n");
    const struct well_data *data = plan->wells[0].data;
    check_close("intake", data->intake_depth_m, 1026.707, 0.001);
    check_close("gauge, 2100 m in feet", data->gauge_depth_m, 1730.355, 0.001);
    check_close("datum", data->datum_depth_m, 2010, 0);
    check_close("as stated", data->measured_depth_m[DEPTH_INTAKE], 1100, 0);
    assert_true(isnan(data->measured_depth_m[DEPTH_DATUM]));
    assert_false(data->beyond_survey[DEPTH_INTAKE] || data->beyond_survey[DEPTH_GAUGE] ||
                 data->beyond_survey[DEPTH_DATUM]);
    assert_non_null(strstr(plan->text, "intake_depth: 1100 m MD\n"));
    assert_null(strstr(plan->text, "iscwsa"));
    reads_back(plan);
    plan_free(plan);
}

static void below_the_last_station_a_depth_is_marked(void **state)
{
    (void)state;
    struct plan *plan = plan_with("        survey: |\n"
                                  "          md [m],inc [deg],azi [deg]\n"
                                  "          0,0,0\n          1000,0,0\n          1500,60,45\n"
                                  "        intake_depth: 1500 m MD\n"
                                  "        gauge_depth: 1600 m MD\n");
    const struct well_data *data = plan->wells[0].data;
    /* A quarter of a circle's arc by hand: 1000 + 500 sin(60 deg) / (60 deg in rad). */
    const double bottom = 1000 + 500 * sin(M_PI / 3) / (M_PI / 3);
    check_close_relative("at the last station", data->intake_depth_m, bottom, 1e-12);
    check_close_relative("straight on", data->gauge_depth_m, bottom + 50, 1e-12);
    assert_false(data->beyond_survey[DEPTH_INTAKE]);
    assert_true(data->beyond_survey[DEPTH_GAUGE]);
    reads_back(plan);
    plan_free(plan);
}

static void a_file_and_the_same_table_in_place_make_one_plan(void **state)
{
    (void)state;
    write_file("survey.csv", "\xEF\xBB\xBF# made by hand\r\nMD_ft, inc_deg, azi_deg\r\n0,0,0\r\n"
                             "1000,10.5,90\r\n\r\n2000,20,90\r\n");
    write_file("pump.csv", "Rate [bbl/d], head_per_stage [ft], efficiency [%]\n0, 30, 0\n"
                           "1000, 27.5, 51\n2000, 21, 62\n");
    struct plan *file = plan_with("        survey: survey.csv\n        pump_curve: pump.csv\n"
                                  "        stages: 220\n        curve_frequency: 60 Hz\n");
    struct plan *text =
        plan_with("        survey: |\n          md [m],inc [deg],azi [deg]\n          0,0,0\n"
                  "          304.8,10.5,90\n          609.6,20,90\n"
                  "        pump_curve: |\n          rate [bbl/d],stage_head [ft],efficiency [1]\n"
                  "          0,30,0\n          1000,27.5,0.51\n          2000,21,0.62\n"
                  "        stages: 220\n        curve_frequency: 60 Hz\n");
    check_text("one text", file->text, text->text);
    check_text("one digest", file->digest, text->digest);
    const struct pump_curve_row *row = &file->wells[0].data->curve[1];
    check_close_relative("rate", row->rate_m3_d, 158.987294928, 1e-12);
    check_close_relative("head", row->stage_head_m, 8.382, 1e-12);
    check_close("efficiency", row->efficiency_ratio, 0.51, 1e-15);
    assert_true(isnan(row->head_m) && isnan(row->stage_power_kw) && isnan(row->power_kw));
    assert_true(plan_well_is_same(file, text, "heron-7"));
    reads_back(file);
    struct plan *other = plan_with("        survey: survey.csv\n        stages: 220\n");
    assert_false(plan_well_is_same(file, other, "heron-7"));
    plan_free(other);
    plan_free(text);
    plan_free(file);
}

static void motor_cable_and_tests_stand_in_the_plan(void **state)
{
    (void)state;
    struct plan *plan = plan_with(
        "        rated_power: 150 hp\n        rated_voltage: 2.1 kV\n        rated_current: 46 A\n"
        "        rated_frequency: 60 Hz\n        transformer_ratio: 4.6\n"
        "        transformer_efficiency: 98 %\n        cable_length: 6250 ft\n"
        "        cable_size: 2 AWG\n        cable_resistance: 0.16 ohm/1000 ft\n"
        "        cable_temperature: 75 degC\n        fetkovich_exponent: 0.85\n"
        "        inflow_tests:\n"
        "          - {at: 2031-01-03T00:00:00Z, rate: 160 m3/d, pressure: 14 MPa absolute}\n"
        "          - {at: 2031-01-05T06:00:00Z, rate: 240 m3/d, pressure: 1500 psi absolute}\n");
    const struct well_data *data = plan->wells[0].data;
    check_close_relative("power", data->rated_power_kw, 111.854980737, 1e-9);
    check_close("voltage", data->rated_voltage_v, 2100, 1e-9);
    check_close("cable", data->cable_length_m, 1905, 1e-9);
    check_count("size", data->cable_size, CABLE_AWG_2);
    check_close_relative("resistance", data->cable_resistance_ohm_km, 0.16 / 0.3048, 1e-12);
    check_close("transformer", data->transformer_efficiency, 0.98, 1e-15);
    check_count("tests", data->n_tests, 2);
    check_close("rate", data->test[1].rate_m3_d, 240, 0);
    check_close_relative("pressure", data->test[1].pressure_kpa, 10342.1359, 1e-8);
    check_count("dated", data->test[1].at_utc_ms - data->test[0].at_utc_ms, 54 * 3600000LL);
    reads_back(plan);
    plan_free(plan);
    plan = plan_with("        stages: 220\n");
    data = plan->wells[0].data;
    assert_true(isnan(data->intake_depth_m) && isnan(data->cable_length_m) &&
                isnan(data->fetkovich_exponent) && isnan(data->measured_depth_m[DEPTH_GAUGE]));
    check_count("no size", data->cable_size, CABLE_UNSTATED);
    reads_back(plan);
    plan_free(plan);
}

static int make_directory(void **state)
{
    (void)state;
    return mkdtemp(directory) == NULL;
}

static int remove_directory(void **state)
{
    (void)state;
    static const char *const FILES[] = {"uphole.yaml", "survey.csv", "pump.csv"};
    for (size_t i = 0; i < sizeof FILES / sizeof *FILES; i++)
        (void)unlink(path_of(FILES[i]));
    return rmdir(directory);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(depths_along_the_hole_become_vertical_by_the_survey),
        cmocka_unit_test(below_the_last_station_a_depth_is_marked),
        cmocka_unit_test(a_file_and_the_same_table_in_place_make_one_plan),
        cmocka_unit_test(motor_cable_and_tests_stand_in_the_plan),
    };
    return cmocka_run_group_tests(tests, make_directory, remove_directory);
}
