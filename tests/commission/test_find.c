/* SPDX-License-Identifier: Apache-2.0
 *
 * test_find.c - find at a virtual cabinet: what it finds, what it never does, and how it ends.
 *
 * Source of frames and timing: Modbus Application Protocol V1.1b3, Modbus over Serial Line V1.02.
 * What faults look like on a wire: common practice, no source.
 */
#include "bench.h"

static struct bench bench;

static const struct likely_cause *first_cause(const struct find_report *report)
{
    if (report->n_causes == 0)
        fail_msg("no cause was named");
    return &report->cause[0];
}

static void begin(uint8_t unit_id, const char *map_name, struct map **map)
{
    bench_init(&bench);
    *map = bench_known_map(map_name);
    bench_unit(&bench, unit_id, *map, 1000);
}

/* Planted defect: the settings are tried and the unit id is not (commission-only-id-1). */
static void a_unit_with_another_speed_parity_and_id_is_found(void **state)
{
    struct map *map;
    (void)state;
    begin(7, "scaled-16", &map);
    bench.made.line.baud = 19200;
    bench.made.line.parity = 'E';
    struct find_options options = bench_options(&bench);
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit);
    check_count("unit id", report->unit.unit_id, 7);
    check_count("speed", report->unit.line.baud, 19200);
    check_count("parity", report->unit.line.parity, 'E');
    check_count("ranges", report->unit.n_ranges, 1);
    check_count("first", report->unit.range[0].first, 0);
    check_count("last", report->unit.range[0].last, 63);
    check_count("largest read", report->unit.largest_read, 60);
    check_text("identification", report->unit.object[1], "1 scaled-16");
    check_count("opened and closed", report->was_stopped, false);
    check_count("closes", bench.closes, bench.opens);
    bench_end(&bench, report);
    free(map);
}

/* Planted defect: asks before it was told yes (commission-asks-unasked). */
static void without_consent_not_a_byte_is_sent(void **state)
{
    struct map *map;
    (void)state;
    begin(1, "scaled-16", &map);
    bench.says_yes = false;
    struct find_options options = bench_options(&bench);
    struct find_report *report = bench_find(&bench, &options);
    check_count("bytes", (long long)bench.bytes_sent, 0);
    assert_true(report->was_refused && !report->has_unit);
    check_count("asked for consent", bench.consents, 1);
    bench_end(&bench, report);
    free(map);
}

static void second_master(uint8_t unit_id)
{
    bench.foreign_unit = unit_id;
    bench.foreign[0] = (struct read_request){4, 0, 20};
    bench.foreign[1] = (struct read_request){4, 20, 30};
    bench.n_foreign = 2;
    bench.foreign_every_us = 2000000;
    bench.foreign_next_us = bench.foreign_round_us = bench.now_us + 500000;
}

/* Planted defects: consent of the keyboard is enough beside another master; the settings of a wrong
 * parity are believed (commission-master-unheard). */
static void another_master_is_heard_and_told_and_not_a_byte_is_sent(void **state)
{
    struct map *map;
    char sentence[1200];
    (void)state;
    begin(3, "scaled-16", &map);
    bench.made.line.baud = 19200;
    bench.made.line.parity = 'E';
    second_master(3);
    struct find_options options = bench_options(&bench);
    options.listen_ms = 15000;
    options.maps = (const struct map *const *)&map;
    options.n_maps = 1;
    struct find_report *report = bench_find(&bench, &options);
    check_count("bytes", (long long)bench.bytes_sent, 0);
    check_count("spoiled", bench.foreign_bad, 0);
    assert_true(report->heard.has_master && report->heard.has_answers && report->was_refused);
    check_count("speed", report->heard.line.baud, 19200);
    check_count("parity", report->heard.line.parity, 'E');
    check_count("questions", report->heard.n_questions, 2);
    const struct heard_question *question = &report->heard.question[0];
    check_close("period, s",
                (double)(question->last_us - question->first_us) / (question->times - 1) / 1e6, 2,
                0.1);
    assert_true(report->has_unit && report->unit.is_answered_by_listening);
    check_count("map", report->score[0].percent > 60, 1);
    find_heard_to_text(&report->heard, sentence, sizeof sentence);
    assert_non_null(strstr(sentence, "19200 baud 8E1"));
    assert_non_null(
        strstr(sentence, "unit id 3: function 04, input registers 0 to 19, every 2.0 s"));
    bench_end(&bench, report);
    free(map);
}

/* With agreement it asks between the other master's exchanges. Planted defect: asks at once
 * (commission-no-gap). */
static void by_agreement_it_asks_between_the_other_masters_exchanges(void **state)
{
    struct map *map;
    (void)state;
    begin(3, "scaled-16", &map);
    second_master(3);
    bench.agrees = true;
    struct find_options options = bench_options(&bench);
    options.listen_ms = 15000;
    options.last = 63;
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->was_agreed && report->has_unit && !report->unit.is_answered_by_listening);
    check_count("unit id", report->unit.unit_id, 3);
    check_count("last register", report->unit.range[0].last, 63);
    check_count("sent without consent", (long long)bench.sent_unasked, 0);
    check_count("spoiled exchanges", bench.foreign_bad, 0);
    assert_true(bench.foreign_good >= 10);
    bench_end(&bench, report);
    free(map);
}

/* A master that asks so rarely that listening missed it. Planted defect: goes on asking
 * (commission-goes-on-beside-master). */
static void a_master_noticed_while_asking_stops_the_asking(void **state)
{
    struct map *map;
    (void)state;
    begin(9, "scaled-16", &map);
    second_master(9);
    bench.foreign_next_us = bench.foreign_round_us = bench.now_us + 4000000;
    bench.foreign_every_us = 60000000;
    struct find_options options = bench_options(&bench);
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->heard.has_runs && report->heard.while_asking && report->was_refused);
    check_count("asked for consent", bench.consents, 2);
    const uint64_t sent = bench.bytes_sent;
    assert_true(sent > 0 && bench.now_us < BENCH_START_US + 9000000);
    assert_int_equal(bench.foreign_good + bench.foreign_bad, 2);
    bench_end(&bench, report);
    free(map);
}

/* Planted defect: a late answer is thrown away with its unit id (commission-late-lost). */
static void a_slow_unit_is_found_by_its_late_answer(void **state)
{
    struct map *map;
    (void)state;
    begin(4, "scaled-16", &map);
    bench.made.reply_delay_us = 900000;
    struct find_options options = bench_options(&bench);
    options.last = 15;
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit);
    check_count("unit id", report->unit.unit_id, 4);
    assert_true(report->unit.slowest_answer_us >= 900000);
    bench_end(&bench, report);
    free(map);
}

/* Planted defect: the bounds are not looked at (commission-unbounded). */
static void it_ends_at_its_bounds_and_when_told(void **state)
{
    struct map *map;
    (void)state;
    begin(200, "scaled-16", &map);
    struct find_options options = bench_options(&bench);
    options.at_most_requests = 20;
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->ran_out && !report->has_unit);
    check_count("requests", report->evidence.requests, 20);
    bench_end(&bench, report);
    free(map);
    begin(200, "scaled-16", &map);
    options = bench_options(&bench);
    options.at_most_ms = 30000;
    report = bench_find(&bench, &options);
    assert_true(report->ran_out && bench.now_us <= BENCH_START_US + 31500000);
    bench_end(&bench, report);
    free(map);
    begin(200, "scaled-16", &map);
    bench.stop_at_us = BENCH_START_US + 10000000;
    options = bench_options(&bench);
    report = bench_find(&bench, &options);
    assert_true(report->was_stopped && bench.now_us <= bench.stop_at_us + 200000);
    bench_end(&bench, report);
    free(map);
}

/* ---- what is wrong ---- */

/* Planted defect: stray bytes are not counted (commission-strays-uncounted). */
static void a_swapped_pair_is_the_first_suspect(void **state)
{
    struct map *map;
    (void)state;
    begin(1, "scaled-16", &map);
    bench.faults.swapped = true;
    struct find_options options = bench_options(&bench);
    options.at_most_ms = 60000;
    struct find_report *report = bench_find(&bench, &options);
    assert_false(report->has_unit);
    check_text("cause", first_cause(report)->key, "swapped_pair");
    assert_non_null(strstr(first_cause(report)->evidence, "bytes came"));
    bench_end(&bench, report);
    free(map);
}
static void a_pair_without_bias_is_the_first_suspect_and_the_unit_is_found(void **state)
{
    struct map *map;
    (void)state;
    begin(1, "scaled-16", &map);
    bench.faults.no_bias = true;
    struct find_options options = bench_options(&bench);
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit);
    check_text("cause", first_cause(report)->key, "no_bias_or_termination");
    bench_end(&bench, report);
    free(map);
}
/* Planted defect: the echo is taken for bytes of no frame (commission-echo-is-noise). */
static void an_echo_is_told_and_stands_in_the_stanza(void **state)
{
    struct map *map;
    char *text = NULL;
    size_t length;
    (void)state;
    begin(1, "scaled-16", &map);
    bench.faults.echoes = true;
    struct find_options options = bench_options(&bench);
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit);
    check_text("cause", first_cause(report)->key, "echo");
    FILE *out = open_memstream(&text, &length);
    find_print_stanza(out, report);
    fclose(out);
    assert_non_null(strstr(text, "strip_echo: yes"));
    free(text);
    bench_end(&bench, report);
    free(map);
}
static void a_wrong_parity_that_was_stated_is_the_first_suspect(void **state)
{
    struct map *map;
    (void)state;
    begin(1, "scaled-16", &map);
    second_master(1); /* what it is answered can be heard at any setting, and read only at one */
    bench.made.line.parity = 'E';
    struct find_options options = bench_options(&bench);
    options.line.parity = 'O';
    options.has_frame = options.has_speed = true;
    options.at_most_ms = 20000;
    struct find_report *report = bench_find(&bench, &options);
    assert_false(report->has_unit);
    check_text("cause", first_cause(report)->key, "wrong_speed_or_parity");
    bench_end(&bench, report);
    free(map);
}
/* Planted defect: a cut answer counts as silence (commission-cut-is-silence). */
static void cut_answers_are_the_first_suspect(void **state)
{
    struct map *map;
    (void)state;
    begin(1, "scaled-16", &map);
    bench.faults.cut_bytes = 3;
    struct find_options options = bench_options(&bench);
    options.at_most_ms = 20000;
    struct find_report *report = bench_find(&bench, &options);
    assert_false(report->has_unit);
    check_text("cause", first_cause(report)->key, "cut_frames");
    bench_end(&bench, report);
    free(map);
}
/** Which of a converter's two exceptions it is (MAP V1.1b3, 7: 0A no path, 0B no response). */
static void find_behind_converter(const char *script, const char *key, const char *seen)
{
    struct map *map;
    begin(1, "scaled-16", &map);
    bench_script(&bench, script);
    struct find_options options = bench_options(&bench);
    options.has_speed = options.has_frame = true;
    options.unit_low = 1;
    options.unit_high = 3;
    struct find_report *report = bench_find(&bench, &options);
    assert_false(report->has_unit);
    check_text("cause", first_cause(report)->key, key);
    if (strstr(first_cause(report)->evidence, seen) == NULL)
        fail_msg("'%s' is not in: %s", seen, first_cause(report)->evidence);
    check_count("causes", report->n_causes, 1);
    bench_end(&bench, report);
    free(map);
}
/* Planted defects: exception 0B counts as the unit's answer (commission-gateway-is-unit); 0A is
 * told as 0B (commission-converter-alike). */
static void a_converter_that_answers_for_the_unit_is_not_the_unit(void **state)
{
    (void)state;
    find_behind_converter("exception 0x0B\n", "converter_answers", "exceptions 0B");
    find_behind_converter("exception 0x0A\n", "converter_has_no_way", "exceptions 0A");
}
static void a_unit_that_falls_silent_and_comes_back_has_a_dipping_supply(void **state)
{
    struct map *map;
    (void)state;
    begin(1, "scaled-16", &map);
    bench_script(&bench, "at 40 s for 8 s power_cycle\n");
    struct find_options options = bench_options(&bench);
    options.watch_ms = 60000;
    options.last = 63;
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit && report->evidence.dips > 0);
    check_text("cause", first_cause(report)->key, "supply_dip");
    bench_end(&bench, report);
    free(map);
}
/* Planted defect: other ids are not asked (commission-any-id-unasked). */
static void what_answers_to_any_unit_id_is_told(void **state)
{
    struct map *map;
    (void)state;
    begin(9, "scaled-16", &map);
    bench.faults.any_id = true;
    struct find_options options = bench_options(&bench);
    options.has_speed = options.has_frame = true;
    options.last = 15;
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit);
    check_text("cause", first_cause(report)->key, "answers_to_any_id");
    bench_end(&bench, report);
    free(map);
}
static void where_nothing_comes_power_is_looked_at_first(void **state)
{
    struct map *map;
    (void)state;
    begin(1, "scaled-16", &map);
    struct find_options options = bench_options(&bench);
    options.unit_low = options.unit_high = 2;
    options.has_speed = true;
    struct find_report *report = bench_find(&bench, &options);
    assert_false(report->has_unit);
    check_text("cause", first_cause(report)->key, "nobody_there");
    assert_non_null(strstr(first_cause(report)->checks[0], "powered"));
    for (unsigned i = 0; i < report->n_causes; i++)
        assert_true(report->cause[i].percent <= 100);
    bench_end(&bench, report);
    free(map);
}

/* Planted defect: causes of a serial pair are told of a connection (commission-any-medium). */
static void where_nobody_is_behind_a_connection_its_converter_is_looked_at(void **state)
{
    struct map *map;
    (void)state;
    begin(1, "scaled-16", &map);
    bench.is_stream = true;
    struct find_options options = bench_options(&bench);
    options.line.medium = LINE_MEDIUM_TCP;
    options.unit_low = options.unit_high = 2;
    struct find_report *report = bench_find(&bench, &options);
    assert_false(report->has_unit);
    check_text("cause", first_cause(report)->key, "nobody_behind");
    check_count("causes", report->n_causes, 1);
    bench_end(&bench, report);
    free(map);
}

/* Planted defect: `never` of the stated map is not looked at (commission-never-asked). */
static void what_a_map_says_never_to_touch_is_left_alone(void **state)
{
    struct map *map,
        *unit_map = bench_map(
            "map: open\nnumbering: from-0\nrefresh: 1 s\nreadable: [{input: 0 to 99}, {holding: 0 "
            "to 299}]\n"
            "channels:\n  intake_pressure: {input: 16, type: u16, unit: kPa, reference: absolute}\n"
            "  motor_current: {holding: 299, type: u16, unit: A}\n");
    (void)state;
    bench_init(&bench);
    map = bench_map(
        "map: careful\nnumbering: from-0\nrefresh: 1 s\nnever: [{holding: 0 to 99}, {input: 40 to "
        "50}]\n"
        "channels:\n  intake_pressure: {input: 16, type: u16, unit: kPa, reference: absolute}\n");
    bench_unit(&bench, 1, unit_map, 1000);
    struct find_options options = bench_options(&bench);
    options.maps = (const struct map *const *)&map;
    options.n_maps = 1;
    options.map = map;
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit);
    for (unsigned i = 0; i < report->unit.n_ranges; i++) {
        const struct register_range *range = &report->unit.range[i];
        if (range->table == TABLE_HOLDING)
            assert_true(range->first >= 100);
        else
            assert_true(range->last < 40 || range->first > 50);
    }
    check_count("ranges", report->unit.n_ranges, 3);
    bench_end(&bench, report);
    free(map);
    free(unit_map);
}

/* A map that all its input registers bear out forbids, although it was not stated. Planted defect:
 * only a stated map counts (commission-suspects-ignored). */
static void what_a_map_that_fits_says_never_to_touch_is_left_alone(void **state)
{
    struct map *unit_map = bench_map("map: open\nnumbering: from-0\nrefresh: 1 s\n"
                                     "readable: [{input: 0 to 63}, {holding: 0 to 299}]\n"
                                     "channels:\n"
                                     "  intake_pressure: {input: 16, type: u16, unit: kPa, "
                                     "reference: absolute}\n"
                                     "  motor_current: {holding: 299, type: u16, unit: A}\n");
    struct map *maps[] = {bench_known_map("scaled-16"), bench_known_map("drive-a")};
    (void)state;
    bench_init(&bench);
    bench_unit(&bench, 1, unit_map, 1000);
    struct find_options options = bench_options(&bench);
    options.last = 400;
    options.maps = (const struct map *const *)maps;
    options.n_maps = 2;
    struct find_report *report = bench_find(&bench, &options);
    assert_true(report->has_unit);
    for (unsigned i = 0; i < report->unit.n_ranges; i++) /* scaled-16: never holding 0 to 199 */
        if (report->unit.range[i].table == TABLE_HOLDING && report->unit.range[i].first < 200)
            fail_msg("holding %u was asked", report->unit.range[i].first);
    check_count("ranges", report->unit.n_ranges, 1); /* drive-a: never holding 199 to 998 */
    bench_end(&bench, report);
    free(maps[0]);
    free(maps[1]);
    free(unit_map);
}

/* Planted defect: a connection is listened to by Modbus TCP's frames (commission-server-unheard).
 */
static void a_master_behind_a_serial_device_server_is_heard(void **state)
{
    struct map *map;
    (void)state;
    begin(3, "scaled-16", &map);
    second_master(3);
    bench.is_stream = true;
    struct find_options options = bench_options(&bench);
    options.line.medium = LINE_MEDIUM_TCP;
    options.listen_ms = 15000;
    struct find_report *report = bench_find(&bench, &options);
    check_count("bytes", (long long)bench.bytes_sent, 0);
    assert_true(report->heard.has_master && report->has_unit);
    check_count("framing", report->unit.line.framing, LINE_FRAMING_RTU);
    bench_end(&bench, report);
    free(map);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_unit_with_another_speed_parity_and_id_is_found),
        cmocka_unit_test(without_consent_not_a_byte_is_sent),
        cmocka_unit_test(another_master_is_heard_and_told_and_not_a_byte_is_sent),
        cmocka_unit_test(by_agreement_it_asks_between_the_other_masters_exchanges),
        cmocka_unit_test(a_master_noticed_while_asking_stops_the_asking),
        cmocka_unit_test(a_slow_unit_is_found_by_its_late_answer),
        cmocka_unit_test(it_ends_at_its_bounds_and_when_told),
        cmocka_unit_test(a_swapped_pair_is_the_first_suspect),
        cmocka_unit_test(a_pair_without_bias_is_the_first_suspect_and_the_unit_is_found),
        cmocka_unit_test(an_echo_is_told_and_stands_in_the_stanza),
        cmocka_unit_test(a_wrong_parity_that_was_stated_is_the_first_suspect),
        cmocka_unit_test(cut_answers_are_the_first_suspect),
        cmocka_unit_test(a_converter_that_answers_for_the_unit_is_not_the_unit),
        cmocka_unit_test(a_unit_that_falls_silent_and_comes_back_has_a_dipping_supply),
        cmocka_unit_test(what_answers_to_any_unit_id_is_told),
        cmocka_unit_test(what_a_map_that_fits_says_never_to_touch_is_left_alone),
        cmocka_unit_test(a_master_behind_a_serial_device_server_is_heard),
        cmocka_unit_test(where_nobody_is_behind_a_connection_its_converter_is_looked_at),
        cmocka_unit_test(where_nothing_comes_power_is_looked_at_first),
        cmocka_unit_test(what_a_map_says_never_to_touch_is_left_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
