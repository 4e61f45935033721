/* SPDX-License-Identifier: Apache-2.0
 *
 * test_map.c - a map's text to addresses on the wire, markers as they stand in registers, ranges in
 * the point's unit.
 */
#include "check.h"

#include "uphole/plan.h"

#include <stdlib.h>

#define MAPS UPHOLE_SOURCE_DIR "/config/maps"

static struct plan_faults faults;

static struct map *shipped(const char *name)
{
    struct map *map = NULL;
    if (map_by_name(name, MAPS, &map, &faults) != UP_OK)
        fail_msg("%s: %s", name, faults.fault[0].text);
    return map;
}

/* A map of one channel, `{...}`, with the given numbering; NULL where it is refused. The caller
 * frees the plan. */
static struct plan *plan_of_channel(const char *numbering, const char *point, const char *channel)
{
    char text[4096];
    struct plan *plan = NULL;
    const int n = snprintf(text, sizeof text,
                           "site: s\nbox: b\nlines:\n  l: {serial: /dev/x, speed: 9600 baud, "
                           "frame: 8N1}\nwells:\n  w:\n    table_block: 0\n"
                           "    sources:\n      gauge:\n        - {from: 2031-01-10T08:00:00Z, "
                           "line: l, unit_id: 1, map: m}\n"
                           "maps:\n  m:\n    map: m\n    numbering: %s\n    refresh: 28 s\n    "
                           "channels:\n      %s: %s\n",
                           numbering, point, channel);
    if (plan_from_text("m.yaml", text, (size_t)n, &plan, &faults) != UP_OK)
        return NULL;
    return plan;
}

static void address_is(const char *numbering, const char *channel, unsigned table, unsigned address)
{
    struct plan *plan = plan_of_channel(numbering, "intake_temperature", channel);
    if (!plan)
        fail_msg("%s %s: %s", numbering, channel, faults.fault[0].text);
    check_count(channel, plan->maps[0].channel[0].table, table);
    check_count(channel, plan->maps[0].channel[0].address, address);
    plan_free(plan);
}

/* Source: Modbus Application Protocol V1.1b3, section 4.4: the PDU counts from 0, the model from 1.
 * The printed digits 3 and 4 are common practice, no source. */
static void each_numbering_gives_the_address_on_the_wire(void **state)
{
    (void)state;
    address_is("from-0", "{input: 16, type: s16, unit: degC}", TABLE_INPUT, 16);
    address_is("from-0", "{holding: 65535, type: s16, unit: degC}", TABLE_HOLDING, 65535);
    address_is("from-1", "{input: 17, type: s16, unit: degC}", TABLE_INPUT, 16);
    address_is("from-1", "{holding: 65536, type: s16, unit: degC}", TABLE_HOLDING, 65535);
    address_is("as-printed", "{input: 30017, type: s16, unit: degC}", TABLE_INPUT, 16);
    address_is("as-printed", "{holding: 40017, type: s16, unit: degC}", TABLE_HOLDING, 16);
    address_is("as-printed", "{holding: 400017, type: s16, unit: degC}", TABLE_HOLDING, 16);
    address_is("as-printed", "{input: 300017, type: s16, unit: degC}", TABLE_INPUT, 16);
    address_is("as-printed", "{holding: 465536, type: s16, unit: degC}", TABLE_HOLDING, 65535);
    address_is("as-printed", "{holding: 40001, type: s16, unit: degC}", TABLE_HOLDING, 0);
}

static void numbers_outside_the_address_space_are_refused(void **state)
{
    (void)state;
    assert_null(
        plan_of_channel("from-0", "intake_temperature", "{input: 65536, type: s16, unit: degC}"));
    assert_null(
        plan_of_channel("from-1", "intake_temperature", "{input: 65537, type: s16, unit: degC}"));
    assert_null(plan_of_channel("as-printed", "intake_temperature",
                                "{holding: 465537, type: s16, unit: degC}"));
    assert_null(plan_of_channel("as-printed", "intake_temperature",
                                "{holding: 40000, type: s16, unit: degC}"));
    assert_null(
        plan_of_channel("from-0", "intake_temperature", "{input: -1, type: s16, unit: degC}"));
    assert_null(plan_of_channel("from-0", "intake_temperature",
                                "{input: 99999999999999999999, type: s16, unit: degC}"));
}

static void marker_is(const char *channel, unsigned n, uint16_t first, uint16_t second)
{
    struct plan *plan = plan_of_channel("from-0", "intake_temperature", channel);
    if (!plan)
        fail_msg("%s: %s", channel, faults.fault[0].text);
    const struct marker *marker = &plan->maps[0].channel[0].not_fitted[0];
    check_count(channel, plan->maps[0].channel[0].n_markers, 1);
    check_count(channel, marker->n_words, n);
    check_count(channel, marker->words[0], first);
    if (n > 1)
        check_count(channel, marker->words[1], second);
    plan_free(plan);
}

/* Planted defect that this must catch: markers kept as written instead of in the channel's orders
 * (configure-marker-as-written). Orders: high word first ABCD, low word first CDAB, bytes swapped
 * BADC, fully reversed DCBA; common practice, no source. */
static void a_marker_is_kept_as_it_stands_on_the_wire(void **state)
{
    (void)state;
    marker_is("{input: 1, type: u16, unit: degC, not_fitted: [0xFFFE]}", 1, 0xFFFE, 0);
    marker_is("{input: 1, type: u16, unit: degC, not_fitted: [65534]}", 1, 0xFFFE, 0);
    marker_is("{input: 1, type: s16, unit: degC, not_fitted: [-32768]}", 1, 0x8000, 0);
    marker_is("{input: 1, type: s16, unit: degC, not_fitted: [-1]}", 1, 0xFFFF, 0);
    marker_is("{input: 1, type: u16, bytes: low-first, unit: degC, not_fitted: [0x1234]}", 1,
              0x3412, 0);
    marker_is("{input: 1, type: u32, words: high-first, unit: degC, not_fitted: [0x12345678]}", 2,
              0x1234, 0x5678);
    marker_is("{input: 1, type: u32, words: low-first, unit: degC, not_fitted: [0x12345678]}", 2,
              0x5678, 0x1234);
    marker_is("{input: 1, type: u32, words: high-first, bytes: low-first, unit: degC, not_fitted: "
              "[0x12345678]}",
              2, 0x3412, 0x7856);
    marker_is("{input: 1, type: u32, words: low-first, bytes: low-first, unit: degC, not_fitted: "
              "[0x12345678]}",
              2, 0x7856, 0x3412);
    /* 65535 of a 32-bit field is 0x0000 0xFFFF, and all ones is another marker. */
    marker_is("{input: 1, type: u32, words: high-first, unit: degC, not_fitted: [65535]}", 2,
              0x0000, 0xFFFF);
    marker_is("{input: 1, type: u32, words: high-first, unit: degC, not_fitted: [0xFFFFFFFF]}", 2,
              0xFFFF, 0xFFFF);
    /* float32 65535.0 has the bits 0x477FFF00 (IEEE 754-2019). */
    marker_is("{input: 1, type: f32, words: low-first, unit: degC, not_fitted: [0x477FFF00]}", 2,
              0xFF00, 0x477F);
}

static void a_marker_that_does_not_say_what_it_means_is_refused(void **state)
{
    (void)state;
    assert_null(plan_of_channel(
        "from-0", "intake_temperature",
        "{input: 1, type: u32, words: high-first, unit: degC, not_fitted: [0xFFFF]}"));
    assert_null(plan_of_channel(
        "from-0", "intake_temperature",
        "{input: 1, type: f32, words: high-first, unit: degC, not_fitted: [65535]}"));
    assert_null(plan_of_channel("from-0", "intake_temperature",
                                "{input: 1, type: bcd16, unit: degC, not_fitted: [9999]}"));
    assert_null(plan_of_channel("from-0", "intake_temperature",
                                "{input: 1, type: u16, unit: degC, not_fitted: [-1]}"));
    assert_null(plan_of_channel("from-0", "intake_temperature",
                                "{input: 1, type: s16, unit: degC, not_fitted: [-32769]}"));
    assert_null(plan_of_channel("from-0", "intake_temperature",
                                "{input: 1, type: u16, unit: degC, not_fitted: 0xFFFF}"));
}

static void scaled_16_reads_as_it_is_written(void **state)
{
    struct map *map = shipped("scaled-16");
    (void)state;
    check_count("refresh, ms", map->refresh_ms, 28000);
    check_count("first data, ms", map->first_data_ms, 25000);
    check_count("largest read", map->largest_read, 60);
    check_count("readable", map->readable[0].last, 63);
    check_count("status bit 0", map->status_bit[0], STATUS_LIVE);
    check_count("status bit 2", map->status_bit[2], STATUS_FAULT);
    const struct channel *discharge = map_channel(map, POINT_DISCHARGE_PRESSURE);
    check_count("address", discharge->address, 20);
    check_count("marker", discharge->not_fitted[0].words[0], 0xFFFF);
    check_count("reference", discharge->reference, REFERENCE_ABSOLUTE);
    check_close("60 MPa in kPa", discharge->instrument_high, 60000, 0);
    /* Sketch, section 4: raw 12345 of 0.001 MPa a count is 12345 kPa, in one step. */
    check_close("raw 12345", conversion_apply(&discharge->to_point, 12345), 12345, 0);
    const struct channel *vibration = map_channel(map, 8);
    check_close("30 g in m/s2 (1 g = 9.80665, NIST SP 811 app. B)", vibration->instrument_high,
                294.1995, 1e-9);
    free(map);
}

static void float_low_first_reads_as_it_is_written(void **state)
{
    struct map *map = shipped("float-low-first");
    (void)state;
    check_count("status is a value", map->n_status_values, 4);
    check_count("40101 on the wire", map->status_address, 100);
    check_count("counter",
                map->has_counter && map->counter_address == 101 && map->counter_words == 1, 1);
    const struct channel *intake = map_channel(map, POINT_INTAKE_PRESSURE);
    check_count("40111 on the wire", intake->address, 110);
    check_count("NaN marker, low word first", intake->not_fitted[0].words[0], 0x0000);
    check_count("NaN marker, high word second", intake->not_fitted[0].words[1], 0x7FC0);
    check_close("1000 psi in kPa (NIST SP 811 app. B)", conversion_apply(&intake->to_point, 1000),
                6894.75729316836, 1e-8);
    check_close("400 psi/min in kPa/s", intake->max_rate_per_s, 400 * 6.89475729316836 / 60, 1e-9);
    const struct channel *temperature = map_channel(map, POINT_INTAKE_TEMPERATURE);
    check_close("185 degF (NIST SP 811 app. B)", conversion_apply(&temperature->to_point, 185), 85,
                1e-12);
    check_close("accuracy of 2 degF is a difference (x 5/9, NIST SP 811 app. B)",
                temperature->accuracy, 2 * 5.0 / 9, 1e-12);
    free(map);
}

static void drive_a_reads_as_it_is_written(void **state)
{
    struct map *map = shipped("drive-a");
    (void)state;
    const struct channel *state_channel = map_channel(map, POINT_DRIVE_RUN_STATE);
    check_count("register 1 on the wire", state_channel->address, 0);
    check_count("bits", state_channel->bit_high, 2);
    check_count("raw 4 is tripped, published as 3", state_channel->values[3].becomes, 3);
    check_count("raw 2 is running, published as 2", state_channel->values[2].becomes, 2);
    const struct channel *energy = map_channel(map, POINT_MOTOR_ENERGY);
    check_count("m10k32", energy->type, TYPE_M10K32);
    check_count("low register first", energy->words, WORDS_LOW_FIRST);
    check_text("fault code 31", map_channel(map, POINT_DRIVE_FAULT_CODE)->values[5].text,
               "heat sink too hot");
    check_close("power, W to kW", conversion_apply(&map_channel(map, 29)->to_point, 111855),
                111.855, 1e-12);
    check_close("power factor", conversion_apply(&map_channel(map, 30)->to_point, 870), 0.87,
                1e-15);
    check_close("load, %", conversion_apply(&map_channel(map, 51)->to_point, 815), 81.5, 1e-12);
    free(map);
}

static void channels_ascend_by_point_number(void **state)
{
    static const char *const NAMES[] = {"scaled-16", "float-low-first", "drive-a"};
    (void)state;
    for (size_t m = 0; m < 3; m++) {
        struct map *map = shipped(NAMES[m]);
        for (int i = 1; i < map->n_channels; i++)
            assert_true(map->channel[i - 1].point < map->channel[i].point);
        free(map);
    }
}

static void a_name_is_no_way_to_other_directories(void **state)
{
    struct map *map = NULL;
    (void)state;
    assert_int_not_equal(map_by_name("../maps/scaled-16", MAPS, &map, &faults), UP_OK);
    check_count("a missing map", map_by_name("scaled-17", MAPS, &map, &faults), UP_E_MISSING);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_numbering_gives_the_address_on_the_wire),
        cmocka_unit_test(numbers_outside_the_address_space_are_refused),
        cmocka_unit_test(a_marker_is_kept_as_it_stands_on_the_wire),
        cmocka_unit_test(a_marker_that_does_not_say_what_it_means_is_refused),
        cmocka_unit_test(scaled_16_reads_as_it_is_written),
        cmocka_unit_test(float_low_first_reads_as_it_is_written),
        cmocka_unit_test(drive_a_reads_as_it_is_written),
        cmocka_unit_test(channels_ascend_by_point_number),
        cmocka_unit_test(a_name_is_no_way_to_other_directories),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
