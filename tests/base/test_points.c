/* SPDX-License-Identifier: Apache-2.0
 *
 * test_points.c - the table of points keeps its promises: numbers fixed, ids unique, units of the
 * right kind; and the words of codes.
 *
 * Planted defect that this must catch, and did: a row moved to another number (slots of the Modbus
 * table would move with it).
 */
#include "check.h"

#include "uphole/points.h"
#include "uphole/scan.h"

#define ROWS(table) (sizeof(table) / sizeof(table)[0])

static void numbers_never_move(void **state)
{
    (void)state;
    static const struct {
        unsigned number;
        const char *id;
    } FIXED[] = {
        {1, "intake_pressure"},
        {2, "discharge_pressure"},
        {3, "intake_temperature"},
        {4, "discharge_temperature"},
        {5, "motor_winding_temperature"},
        {6, "motor_oil_temperature"},
        {7, "gauge_temperature"},
        {8, "vibration_x"},
        {9, "vibration_y"},
        {10, "vibration_z"},
        {11, "leakage_current"},
        {12, "insulation_resistance"},
        {13, "gauge_supply_voltage"},
        {14, "gauge_supply_current"},
        {15, "gauge_status"},
        {16, "surface_unit_temperature"},
        {17, "surface_unit_supply_voltage"},
        {18, "tubing_head_pressure"},
        {19, "casing_head_pressure"},
        {20, "wellhead_temperature"},
        {21, "drive_frequency"},
        {22, "motor_current"},
        {23, "motor_current_a"},
        {24, "motor_current_b"},
        {25, "motor_current_c"},
        {26, "drive_output_voltage"},
        {27, "motor_voltage"},
        {28, "dc_bus_voltage"},
        {29, "motor_power"},
        {30, "power_factor"},
        {31, "drive_temperature"},
        {32, "drive_run_state"},
        {33, "drive_fault_code"},
        {34, "pump_differential_pressure"},
        {35, "pump_head"},
        {36, "motor_temperature_rise"},
        {37, "fluid_level_above_intake"},
        {38, "vibration_resultant"},
        {39, "current_unbalance"},
        {40, "intake_pressure_rate"},
        {41, "motor_temperature_rate"},
        {42, "run_time"},
        {43, "gauge_data_age"},
        {44, "line_error_ratio"},
        {45, "undelivered_records"},
        {46, "journal_time_left"},
        {47, "vibration_velocity_x"},
        {48, "vibration_velocity_y"},
        {49, "vibration_velocity_z"},
        {50, "motor_winding_temperature_2"},
        {51, "motor_load"},
        {52, "motor_energy"},
        {53, "datum_pressure"},
        {54, "submergence"},
        {55, "fluid_level_depth"},
        {56, "liquid_density"},
        {57, "liquid_gradient"},
        {58, "pump_total_head"},
        {59, "head_per_stage"},
        {60, "reference_head"},
        {61, "reference_rate"},
        {62, "hydraulic_power"},
        {63, "electrical_power"},
        {64, "pump_motor_efficiency"},
        {65, "specific_energy"},
        {66, "gas_compressibility_factor"},
        {67, "free_gas_fraction"},
        {68, "turpin_number"},
        {69, "boiling_margin"},
        {70, "motor_temperature_margin"},
        {71, "reference_insulation"},
        {72, "drawdown"},
        {73, "productivity_index"},
        {74, "inflow_rate"},
        {75, "inflow_share"},
        {76, "electrical_input"},
        {77, "cable_loss"},
        {78, "motor_efficiency"},
        {79, "pump_efficiency"},
        {80, "system_efficiency"},
        {81, "curve_head"},
        {82, "head_against_curve"},
        {83, "fetkovich_rate"},
        {84, "intake_pressure_mean_1min"},
        {85, "intake_pressure_mean_1h"},
        {86, "intake_pressure_mean_24h"},
        {87, "intake_pressure_low_24h"},
        {88, "intake_pressure_high_24h"},
        {89, "intake_pressure_deviation_1h"},
        {90, "intake_pressure_coverage_24h"},
        {91, "motor_temperature_mean_1h"},
        {92, "motor_temperature_mean_24h"},
        {93, "motor_temperature_high_24h"},
        {94, "motor_current_mean_1min"},
        {95, "motor_current_mean_1h"},
        {96, "motor_current_mean_24h"},
        {97, "motor_current_deviation_1h"},
        {98, "drive_frequency_mean_24h"},
        {99, "running_share_24h"},
        {100, "intake_pressure_robust_rate"},
        {101, "motor_temperature_robust_rate"},
        {102, "motor_time_to_limit"},
        {103, "intake_time_to_limit"},
        {104, "insulation_daily_change"},
    };
    check_count("points", POINT_COUNT - 1, (long long)ROWS(FIXED));
    for (size_t i = 0; i < ROWS(FIXED); i++) {
        const struct point *point = point_get(FIXED[i].number);
        assert_non_null(point);
        check_count(FIXED[i].id, point->number, FIXED[i].number);
        check_text("id", point->id, FIXED[i].id);
        check_count(point->id, point_find(point->id, strlen(point->id)), FIXED[i].number);
    }
    assert_null(point_get(0));
    assert_null(point_get(POINT_COUNT));
    check_count("no such id", point_find("intake_pressure_", 16), 0);
    check_count("an id is not a prefix", point_find("intake", 6), 0);
}

static void units_are_of_the_point_s_kind(void **state)
{
    (void)state;
    for (unsigned number = 1; number < POINT_COUNT; number++) {
        const struct point *point = point_get(number);
        bool bare = point->kind == QUANTITY_STATE || point->kind == QUANTITY_COUNT;
        assert_true(point->resolution > 0 && point->us_resolution > 0);
        assert_true(point->typical_low < point->typical_high);
        check_count(point->id, point->unit[0] == '\0', bare);
        check_count(point->id, point_unit(number) == 0, bare);
        if (bare)
            continue;
        check_count(point->id, unit_get(point_unit(number))->kind, point->kind);
        check_text(point->id, unit_get(point_unit(number))->name, point->unit);
        assert_true(unit_find(point->us_unit, strlen(point->us_unit), point->kind) != 0);
    }
    /* Inside, these stay in the unit that is published. */
    check_text("39", unit_get(point_unit(39))->name, "%");
    check_text("44", unit_get(point_unit(44))->name, "%");
    check_text("42", unit_get(point_unit(42))->name, "h");
    check_text("46", unit_get(point_unit(46))->name, "h");
    check_text("30", unit_get(point_unit(30))->name, "1");
    check_count("no such point", point_unit(0), 0);
}

static void us_units_stand_where_a_destination_asks_for_them(void **state)
{
    (void)state;
    static const struct {
        unsigned number;
        const char *unit;
        double resolution;
    } US[] = {{1, "psi", 0.1},     {3, "degF", 0.1}, {36, "degF", 0.1},  {8, "g", 0.001},
              {35, "ft", 1},       {29, "hp", 0.1},  {40, "psi/h", 0.1}, {41, "degF/h", 0.1},
              {47, "in/s", 0.001}, {22, "A", 0.1},   {52, "kWh", 1},     {44, "%", 1}};
    for (size_t i = 0; i < ROWS(US); i++) {
        const struct point *point = point_get(US[i].number);
        check_text(point->id, point->us_unit, US[i].unit);
        check_close(point->id, point->us_resolution, US[i].resolution, 0);
    }
}

static void points_of_the_gauge_are_silent_with_it(void **state)
{
    (void)state;
    for (unsigned number = 0; number <= POINT_COUNT; number++)
        check_count("of gauge", point_is_of_gauge(number) != 0,
                    (number >= 1 && number <= 15) || (number >= 47 && number <= 50));
}

static void each_code_has_its_published_word(void **state)
{
    (void)state;
    static const char *const OUTCOMES[] = {"none",      "answered",     "partial",      "silent",
                                           "cut_short", "bad_checksum", "wrong_reply",  "exception",
                                           "path_down", "port_gone",    "no_connection"};
    check_count("outcomes", OUTCOME_COUNT, (long long)ROWS(OUTCOMES));
    for (uint8_t i = 0; i < OUTCOME_COUNT; i++)
        check_text("outcome", outcome_name(i), OUTCOMES[i]);
    static const char *const KINDS[] = {"none",    "line",    "gauge",   "channel",  "delivery",
                                        "program", "disk",    "skipped", "overflow", "removed",
                                        "damaged", "refused", "clock"};
    check_count("gap kinds", GAP_KINDS, (long long)ROWS(KINDS));
    for (uint8_t i = 0; i < GAP_KINDS; i++)
        check_text("gap kind", gap_kind_name(i), KINDS[i]);
    for (uint8_t i = 0; i < CAUSE_COUNT; i++)
        assert_string_not_equal(gap_cause_name(i), "unknown");
    check_text("source", source_name(SOURCE_UNIT_HISTORY), "unit_history");
    check_text("clock", clock_state_name(CLOCK_STATE_NEVER_SET), "never_set");
    check_text("line", line_state_name(LINE_DEGRADED), "degraded");
    check_text("gauge", gauge_state_name(GAUGE_SILENT), "silent");
    check_text("channel", channel_state_name(CHANNEL_NOT_FITTED), "not_fitted");
    check_text("delivery", delivery_state_name(DELIVERY_CATCHING_UP), "catching_up");
    check_text("code of a newer version", outcome_name(OUTCOME_COUNT), "unknown");
    check_text("code of a newer version", gap_cause_name(255), "unknown");
    check_text("code of a newer version", source_name(255), "unknown");
}

static void only_four_kinds_of_gap_count_polls_never_attempted(void **state)
{
    (void)state;
    for (uint8_t kind = 0; kind < GAP_KINDS; kind++)
        check_count(gap_kind_name(kind), gap_kind_counts_never_attempted(kind),
                    kind == GAP_PROGRAM || kind == GAP_DISK || kind == GAP_SKIPPED ||
                        kind == GAP_OVERFLOW);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_never_move),
        cmocka_unit_test(units_are_of_the_point_s_kind),
        cmocka_unit_test(us_units_stand_where_a_destination_asks_for_them),
        cmocka_unit_test(points_of_the_gauge_are_silent_with_it),
        cmocka_unit_test(each_code_has_its_published_word),
        cmocka_unit_test(only_four_kinds_of_gap_count_polls_never_attempted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
