/* SPDX-License-Identifier: Apache-2.0
 *
 * test_ranges.c - read plans: wire time, holes, forbidden and readable registers, pairwise
 * different lengths, status first and last.
 */
#include "uphole/gather.h"

#include "check.h"
#include "made.h"

#include <stdlib.h>

static struct read_plan plan_of(const struct map *map, const struct line_plan *line)
{
    struct read_plan reads;
    struct up_error error = {0};
    if (read_plan_make(map, line, &reads, &error) != UP_OK)
        fail_msg("%s", error.why);
    return reads;
}
static void check_range(const struct read_plan *reads, unsigned i, unsigned function,
                        unsigned first, unsigned count)
{
    char what[80];
    snprintf(what, sizeof what, "range %u (function, first, count)", i);
    assert_true(i < reads->n);
    check_count(what, reads->range[i].request.function, function);
    check_count(what, reads->range[i].request.first, first);
    check_count(what, reads->range[i].request.count, count);
}

/* Source: the arithmetic T = (13 + 2N) * 11 / B + 2 * t3.5, tabulated by hand to 0.1 ms; t3.5 from
 * Modbus over Serial Line V1.02, 2.5.1.1. */
static void wire_times_are_those_of_the_table(void **state)
{
    (void)state;
    static const struct {
        uint32_t baud;
        double ms[4]; /* N = 1, 10, 40, 125 */
    } ROWS[] = {
        {1200, {201.7, 366.7, 916.7, 2475.0}}, {2400, {100.8, 183.3, 458.3, 1237.5}},
        {4800, {50.4, 91.7, 229.2, 618.7}},    {9600, {25.2, 45.8, 114.6, 309.4}},
        {19200, {12.6, 22.9, 57.3, 154.7}},    {38400, {7.8, 13.0, 30.1, 78.8}},
        {57600, {6.4, 9.8, 21.3, 53.7}},       {115200, {4.9, 6.7, 12.4, 28.6}},
    };
    static const unsigned COUNTS[] = {1, 10, 40, 125};
    for (size_t row = 0; row < sizeof ROWS / sizeof ROWS[0]; row++) {
        struct line_plan line = made_serial(ROWS[row].baud, 'E');
        for (size_t i = 0; i < 4; i++) {
            char what[64];
            snprintf(what, sizeof what, "T(%u) at %u bit/s, ms", COUNTS[i], ROWS[row].baud);
            check_close(what, (double)exchange_wire_us(&line, COUNTS[i], 0) / 1000, ROWS[row].ms[i],
                        0.0501);
            check_close(what, (double)exchange_wire_us(&line, COUNTS[i], 10000) / 1000,
                        ROWS[row].ms[i] + 10, 0.0501);
        }
    }
    struct line_plan tcp = {.medium = LINE_MEDIUM_TCP};
    check_count("T on TCP is the reply delay", exchange_wire_us(&tcp, 125, 7000), 7000);
}

/* Source: Modbus over Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits; fixed 1.750 ms above
 * 19,200 bit/s. */
static void quiet_times_are_those_of_the_table(void **state)
{
    (void)state;
    static const struct {
        uint32_t baud;
        double ms;
    } ROWS[] = {{1200, 32.083}, {2400, 16.042}, {4800, 8.021},  {9600, 4.010},
                {19200, 2.005}, {38400, 1.750}, {57600, 1.750}, {115200, 1.750}};
    for (size_t row = 0; row < sizeof ROWS / sizeof ROWS[0]; row++) {
        struct line_plan line = made_serial(ROWS[row].baud, 'E');
        check_close("t3.5, ms", (double)line_quiet_us(&line) / 1000, ROWS[row].ms, 0.0011);
    }
}

/* The largest hole h worth reading: 2h * bits / B <= 13 * bits / B + 2 * t3.5, so 10 up to 19,200
 * bit/s, whatever the bits; 12.6, 15.7 and 24.8 above, at 11 bits (the table's h*). */
static void holes_up_to_break_even_are_read_and_larger_ones_are_not(void **state)
{
    (void)state;
    static const struct {
        uint32_t baud;
        char parity;
        unsigned largest;
    } ROWS[] = {{1200, 'E', 10},  {2400, 'E', 10},  {4800, 'E', 10},  {9600, 'E', 10},
                {9600, 'N', 10},  {19200, 'E', 10}, {19200, 'N', 10}, {38400, 'E', 12},
                {57600, 'E', 15}, {115200, 'E', 24}};
    for (size_t row = 0; row < sizeof ROWS / sizeof ROWS[0]; row++) {
        struct line_plan line = made_serial(ROWS[row].baud, ROWS[row].parity);
        for (unsigned hole = 1; hole < 40; hole++) {
            struct map map;
            made_map(&map);
            made_channels(&map, TABLE_INPUT, 100, 2);
            made_channels(&map, TABLE_INPUT, (uint16_t)(102 + hole), 3);
            struct read_plan reads = plan_of(&map, &line);
            char what[64];
            snprintf(what, sizeof what, "ranges at %u 8%c1, hole of %u", ROWS[row].baud,
                     ROWS[row].parity, hole);
            check_count(what, reads.n, hole <= ROWS[row].largest ? 1 : 2);
            if (reads.n == 1)
                assert_true(reads.range[0].may_split);
        }
    }
}

static void forbidden_registers_are_never_bridged(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    made_channels(&map, TABLE_HOLDING, 10, 3);
    made_channels(&map, TABLE_HOLDING, 15, 2);
    made_never(&map, TABLE_HOLDING, 14, 14);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 2);
    check_range(&reads, 0, 3, 10, 3);
    check_range(&reads, 1, 3, 15, 2);
    /* The same registers of another table are no obstacle. */
    map.never[0].table = TABLE_INPUT;
    reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 1);
    check_range(&reads, 0, 3, 10, 7);
}

static void no_read_is_larger_than_the_units_own_limit(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    made_channels(&map, TABLE_INPUT, 0, 60);
    map.largest_read = 25;
    struct read_plan reads = plan_of(&map, &line);
    unsigned covered = 0;
    for (unsigned i = 0; i < reads.n; i++) {
        assert_true(reads.range[i].request.count <= 25);
        assert_false(reads.range[i].stands_alone);
        covered += reads.range[i].request.count;
    }
    assert_true(covered >= 60);
    map.largest_read = 0; /* not stated: the standard's 125 */
    reads = plan_of(&map, &line);
    check_range(&reads, 0, 4, 0, 60);
}

static void a_channel_of_two_registers_is_never_split(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    for (uint16_t i = 0; i < 10; i++)
        made_channel(&map, TABLE_INPUT, (uint16_t)(2 * i), 2);
    map.largest_read = 7;
    struct read_plan reads = plan_of(&map, &line);
    for (unsigned channel = 0; channel < 10; channel++) {
        bool is_whole = false;
        for (unsigned i = 0; i < reads.n; i++)
            is_whole = is_whole || (reads.range[i].request.first <= 2 * channel &&
                                    reads.range[i].request.first + reads.range[i].request.count >=
                                        2 * channel + 2);
        assert_true(is_whole);
    }
}

static void equal_lengths_are_padded_into_readable_registers(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    made_channels(&map, TABLE_INPUT, 100, 4);
    made_channels(&map, TABLE_INPUT, 200, 4);
    made_readable(&map, TABLE_INPUT, 204, 205);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 2);
    check_range(&reads, 0, 4, 100, 4);
    check_range(&reads, 1, 4, 200, 5);
    assert_false(reads.range[0].stands_alone || reads.range[1].stands_alone);
}

static void equal_lengths_of_different_functions_are_left_alone(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    made_channels(&map, TABLE_INPUT, 100, 4);
    made_channels(&map, TABLE_HOLDING, 100, 4);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 2);
    check_range(&reads, 0, 3, 100, 4);
    check_range(&reads, 1, 4, 100, 4);
    assert_false(reads.range[0].stands_alone || reads.range[1].stands_alone);
}

static void equal_lengths_are_split_where_padding_is_not_allowed(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    made_channels(&map, TABLE_INPUT, 100, 5);
    made_channels(&map, TABLE_INPUT, 200, 5);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 3);
    for (unsigned i = 0; i < reads.n; i++)
        for (unsigned j = i + 1; j < reads.n; j++)
            assert_true(reads.range[i].request.count != reads.range[j].request.count);
}

static void equal_lengths_that_cannot_differ_stand_alone(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    made_channel(&map, TABLE_INPUT, 100, 2);
    made_channel(&map, TABLE_INPUT, 200, 2);
    made_channel(&map, TABLE_INPUT, 300, 3);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 3);
    assert_true(reads.range[0].stands_alone && reads.range[1].stands_alone);
    assert_false(reads.range[2].stands_alone);
    line.medium = LINE_MEDIUM_TCP; /* transaction numbers tell them apart */
    map.never[0] = (struct register_range){.table = TABLE_INPUT, .first = 102, .last = 199};
    map.n_never = 1;
    reads = plan_of(&map, &line);
    for (unsigned i = 0; i < reads.n; i++)
        assert_false(reads.range[i].stands_alone);
}

static void coils_differ_by_bytes_and_not_by_bits(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    made_channels(&map, TABLE_COIL, 0, 3); /* 1 byte each */
    made_channels(&map, TABLE_COIL, 2000, 5);
    made_readable(&map, TABLE_COIL, 2000, 2015);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 2);
    assert_true((reads.range[0].request.count + 7) / 8 != (reads.range[1].request.count + 7) / 8);
}

/* The shape of a shipped habit: status at 0, channels from 16, 0 to 63 readable. */
static void status_is_read_first_and_again_last_with_another_length(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    map.has_status = true;
    map.status_table = TABLE_INPUT;
    map.status_address = 0;
    made_channels(&map, TABLE_INPUT, 16, 8);
    made_readable(&map, TABLE_INPUT, 0, 63);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 3);
    check_range(&reads, 0, 4, 0, 1);
    check_range(&reads, 1, 4, 16, 8);
    check_range(&reads, 2, 4, 0, 2);
    assert_true(reads.range[0].is_status && !reads.range[0].is_status_again);
    assert_true(reads.range[2].is_status_again && !reads.range[2].is_status);
    assert_false(reads.range[0].stands_alone || reads.range[2].stands_alone);
}

static void status_in_the_only_range_is_not_read_again(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    map.has_status = true;
    map.status_table = TABLE_INPUT;
    map.status_address = 20;
    made_channels(&map, TABLE_INPUT, 16, 4);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 1);
    check_range(&reads, 0, 4, 16, 5);
    assert_true(reads.range[0].is_status);
    assert_false(reads.range[0].is_status_again);
}

static void status_beside_channels_leads_with_them(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    map.has_status = true;
    map.status_table = TABLE_INPUT;
    map.status_address = 200;
    made_channels(&map, TABLE_INPUT, 100, 3);
    made_channels(&map, TABLE_INPUT, 201, 3);
    struct read_plan reads = plan_of(&map, &line);
    check_count("ranges", reads.n, 3);
    check_range(&reads, 0, 4, 200, 4);
    check_range(&reads, 1, 4, 100, 3);
    assert_true(reads.range[0].is_status && reads.range[2].is_status_again);
    check_count("status again begins or holds 200", reads.range[2].request.first, 200);
}

static void what_does_not_fit_is_refused_by_name(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct read_plan reads;
    struct up_error error = {0};
    struct map map;
    made_map(&map);
    for (uint16_t i = 0; i < 20; i++)
        made_channel(&map, TABLE_INPUT, (uint16_t)(i * 300), 1);
    check_count("20 far apart", read_plan_make(&map, &line, &reads, &error), UP_E_CONFIG);
    assert_non_null(strstr(error.why, "20 reads"));
    made_map(&map);
    made_channel(&map, TABLE_INPUT, 0, 4);
    map.largest_read = 2;
    check_count("4 of 2", read_plan_make(&map, &line, &reads, &error), UP_E_CONFIG);
    made_map(&map);
    check_count("no channels", read_plan_make(&map, &line, &reads, &error), UP_E_CONFIG);
}

/* Twenty registers with holes of 13 between them do not fit in 16 reads at break-even; dearer holes
 * are read instead. */
static void too_many_ranges_bridge_dearer_holes(void **state)
{
    (void)state;
    struct line_plan line = made_serial(9600, 'N');
    struct map map;
    made_map(&map);
    for (uint16_t i = 0; i < 20; i++)
        made_channel(&map, TABLE_INPUT, (uint16_t)(i * 14), 1);
    struct read_plan reads = plan_of(&map, &line);
    assert_true(reads.n <= SCAN_BLOCKS_MAX);
}

static void make_random_map(struct map *map, unsigned *seed)
{
    made_map(map);
    map->largest_read = (uint16_t)(4 + rand_r(seed) % 122);
    unsigned n = 1 + (unsigned)rand_r(seed) % 24;
    for (unsigned i = 0; i < n; i++)
        made_channel(map, (uint8_t)(3 + rand_r(seed) % 2), (uint16_t)(rand_r(seed) % 300),
                     (uint16_t)(1 + rand_r(seed) % 2));
    for (int i = 0; i < 3; i++) {
        uint16_t first = (uint16_t)(rand_r(seed) % 300);
        made_readable(map, (uint8_t)(3 + rand_r(seed) % 2), first, (uint16_t)(first + 10));
    }
    uint16_t never = (uint16_t)(rand_r(seed) % 300);
    bool in_channel = false;
    for (unsigned i = 0; i < n; i++)
        in_channel = in_channel || (map->channel[i].address <= never + 3 &&
                                    map->channel[i].address + map->channel[i].n_words > never);
    if (!in_channel)
        made_never(map, TABLE_INPUT, never, (uint16_t)(never + 3));
    map->has_status = rand_r(seed) % 2 != 0;
    map->status_table = TABLE_INPUT;
    map->status_address = map->channel[0].table == TABLE_INPUT ? map->channel[0].address : 400;
}

/* Planted defect: padding past `never`, splitting a channel, or an equal length left unmarked fails
 * here. Random maps, checked by rule. */
static void random_maps_keep_every_rule(void **state)
{
    (void)state;
    unsigned seed = 7;
    for (int round = 0; round < 3000; round++) {
        struct line_plan line = made_serial(round % 2 ? 9600 : 57600, 'N');
        struct map map;
        make_random_map(&map, &seed);
        struct read_plan reads;
        struct up_error error = {0};
        if (read_plan_make(&map, &line, &reads, &error) != UP_OK) {
            assert_true(error.why[0] != '\0');
            continue;
        }
        for (unsigned c = 0; c < map.n_channels; c++) {
            bool is_whole = false;
            for (unsigned i = 0; i < reads.n; i++) {
                const struct read_request *r = &reads.range[i].request;
                is_whole =
                    is_whole ||
                    (r->function == map.channel[c].table && r->first <= map.channel[c].address &&
                     r->first + r->count >= map.channel[c].address + map.channel[c].n_words);
            }
            assert_true(is_whole);
        }
        for (unsigned i = 0; i < reads.n; i++) {
            const struct read_request *r = &reads.range[i].request;
            assert_true(r->count >= 1 && r->count <= map.largest_read);
            if (map.n_never > 0 && r->function == TABLE_INPUT)
                assert_false(r->first <= map.never[0].last &&
                             r->first + r->count > map.never[0].first);
            for (unsigned j = i + 1; j < reads.n; j++)
                if (r->function == reads.range[j].request.function &&
                    r->count == reads.range[j].request.count)
                    assert_true(reads.range[i].stands_alone && reads.range[j].stands_alone);
        }
        if (map.has_status) {
            assert_true(reads.range[0].is_status);
            assert_true(reads.n == 1 || reads.range[reads.n - 1].is_status_again);
        }
    }
}

static void a_round_holds_every_source_and_the_probe_of_a_dead_one(void **state)
{
    (void)state;
    static struct made_plan made;
    made.line = made_serial(9600, 'E');
    made_map(&made.map[0]);
    made_channels(&made.map[0], TABLE_INPUT, 0, 10); /* 45.8 ms, from the table above */
    made_map(&made.map[1]);
    made_channels(&made.map[1], TABLE_INPUT, 0, 40); /* 114.6 ms */
    made_plan_join(&made, 2, 10000);
    check_close("round, ms", (double)line_round_us(&made.plan, 0) / 1000, 45.8 + 114.6 + 2000,
                0.11);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(wire_times_are_those_of_the_table),
        cmocka_unit_test(quiet_times_are_those_of_the_table),
        cmocka_unit_test(holes_up_to_break_even_are_read_and_larger_ones_are_not),
        cmocka_unit_test(forbidden_registers_are_never_bridged),
        cmocka_unit_test(no_read_is_larger_than_the_units_own_limit),
        cmocka_unit_test(a_channel_of_two_registers_is_never_split),
        cmocka_unit_test(equal_lengths_are_padded_into_readable_registers),
        cmocka_unit_test(equal_lengths_of_different_functions_are_left_alone),
        cmocka_unit_test(equal_lengths_are_split_where_padding_is_not_allowed),
        cmocka_unit_test(equal_lengths_that_cannot_differ_stand_alone),
        cmocka_unit_test(coils_differ_by_bytes_and_not_by_bits),
        cmocka_unit_test(status_is_read_first_and_again_last_with_another_length),
        cmocka_unit_test(status_in_the_only_range_is_not_read_again),
        cmocka_unit_test(status_beside_channels_leads_with_them),
        cmocka_unit_test(what_does_not_fit_is_refused_by_name),
        cmocka_unit_test(too_many_ranges_bridge_dearer_holes),
        cmocka_unit_test(random_maps_keep_every_rule),
        cmocka_unit_test(a_round_holds_every_source_and_the_probe_of_a_dead_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
