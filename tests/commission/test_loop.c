/* SPDX-License-Identifier: Apache-2.0
 *
 * test_loop.c - the record of a loop check: what an outage must have left in the ledger, the record
 * as JSON and back, and the page.
 */
#include "check.h"

#include "uphole/loop.h"

#include <stdlib.h>

#define BEGAN_MS INT64_C(1930111200000) /* 2031-03-01T06:00:00Z, a time like any other */

/** Two minutes without asking at a poll of 10 s: the first due time was missed 4 s after the begin,
 * the first scan came 3 s after the end. */
static struct loop_outage good_asking(void)
{
    struct loop_outage outage = {.kind = LOOP_ASKING, .n_rows = 1, .from_seq = 100, .to_seq = 110};
    outage.row[0] = (struct loop_row){.run = 7,
                                      .id = 3,
                                      .kind = GAP_PROGRAM,
                                      .source = SOURCE_GAUGE,
                                      .start_utc_ms = BEGAN_MS + 4000,
                                      .end_utc_ms = BEGAN_MS + 123000,
                                      .scans = 12,
                                      .lost = true,
                                      .delivered = true};
    return outage;
}
static const struct loop_seen ASKING = {.began_utc_ms = BEGAN_MS,
                                        .ended_utc_ms = BEGAN_MS + 120000,
                                        .slack_ms = 3000,
                                        .poll_ms = {10000, 10000},
                                        .has_broker = true};

static void check_outage(const char *what, struct loop_outage outage, const struct loop_seen *seen,
                         uint8_t result, const char *says)
{
    loop_judge_outage(&outage, seen);
    if (outage.result != result || strstr(outage.sentence, says) == NULL)
        fail_msg("%s: %s: %s", what, loop_result_name(outage.result), outage.sentence);
}

/* Planted defect: a row that was not told on the gap topic passes. */
static void an_outage_must_have_left_its_row_and_scada_must_know_it(void **state)
{
    (void)state;
    struct loop_outage outage = good_asking();
    check_outage("as it should be", outage, &ASKING, LOOP_PASS, "1 row of the ledger");
    outage.row[0].start_utc_ms = BEGAN_MS + 13001;
    outage.row[0].scans = 11;
    check_outage("begins later than one poll", outage, &ASKING, LOOP_FAIL, "begins at");
    outage = good_asking();
    outage.row[0].end_utc_ms = BEGAN_MS + 133001;
    check_outage("ends later than one poll", outage, &ASKING, LOOP_FAIL, "ends at");
    outage = good_asking();
    outage.row[0].scans = 10;
    check_outage("counts two too few", outage, &ASKING, LOOP_FAIL, "counts 10 polls");
    outage = good_asking();
    outage.row[0].is_open = true;
    check_outage("is open", outage, &ASKING, LOOP_FAIL, "still open");
    outage = good_asking();
    outage.row[0].delivered = false;
    check_outage("not told", outage, &ASKING, LOOP_FAIL, "gap topic");
    outage = good_asking();
    outage.has_hole = true;
    check_outage("a record is missing", outage, &ASKING, LOOP_FAIL, "between seq 100 and 110");
    outage = good_asking();
    outage.n_rows = 0;
    check_outage("no row", outage, &ASKING, LOOP_FAIL, "no program row");
    outage = good_asking();
    outage.row[0].kind = GAP_DELIVERY;
    check_outage("a row of another kind", outage, &ASKING, LOOP_FAIL, "no program row");
}

static void a_cut_must_have_lost_nothing_and_the_will_must_have_told_it(void **state)
{
    (void)state;
    struct loop_outage outage = {.kind = LOOP_NETWORK, .n_rows = 1, .offline_heard = true};
    outage.row[0] = (struct loop_row){.kind = GAP_DELIVERY,
                                      .start_utc_ms = BEGAN_MS + 1000,
                                      .end_utc_ms = BEGAN_MS + 121000,
                                      .scans = 13,
                                      .recovered = 13,
                                      .delivered = true};
    check_outage("as it should be", outage, &ASKING, LOOP_PASS, "1 row");
    outage.row[0].recovered = 12;
    check_outage("one did not come", outage, &ASKING, LOOP_FAIL, "Of 13 late records 12 came");
    outage.row[0].recovered = 13;
    outage.row[0].lost = true;
    check_outage("lost", outage, &ASKING, LOOP_FAIL, "Of 13 late");
    outage.row[0].lost = false;
    outage.offline_heard = false;
    check_outage("nobody was told", outage, &ASKING, LOOP_FAIL, "last will");
}

static void a_restart_shorter_than_a_poll_needs_no_row(void **state)
{
    (void)state;
    const struct loop_outage outage = {.kind = LOOP_PROGRAM};
    struct loop_seen seen = ASKING;
    check_outage("two minutes", outage, &seen, LOOP_FAIL, "no program row");
    seen.ended_utc_ms = seen.began_utc_ms + 2000;
    check_outage("two seconds", outage, &seen, LOOP_PASS, "less than a poll");
}

/* 1 psi = 6.894757293168361 kPa (NIST SP 811, appendix B); 12341 kPa is 1789.91 psi. */
static void a_value_agrees_in_another_unit_within_what_is_sent(void **state)
{
    (void)state;
    const unit_number kpa = unit_find("kPa", 3, QUANTITY_PRESSURE),
                      psi = unit_find("psi", 3, QUANTITY_PRESSURE);
    assert_true(loop_values_agree(12341.4, kpa, 12341, kpa, 1));
    assert_false(loop_values_agree(12341.4, kpa, 12342, kpa, 1));
    assert_true(loop_values_agree(12341, kpa, 1789.9, psi, 0.1));
    assert_false(loop_values_agree(12341, kpa, 1790.0, psi, 0.1));
    assert_true(loop_values_agree(12341.4, kpa, (double)12341.4f, kpa, 0));
    assert_false(loop_values_agree(12341.4, kpa, 12341.5, kpa, 0));
    assert_true(loop_values_agree(NAN, kpa, NAN, kpa, 1));
    assert_false(loop_values_agree(NAN, kpa, 12341, kpa, 1));
    assert_false(loop_values_agree(12341, kpa, NAN, kpa, 1));
}

static struct loop_record *make_record(unsigned n_channels)
{
    struct loop_record *record = calloc(1, sizeof *record);
    assert_non_null(record);
    record->complete = true;
    record->begun_utc_ms = BEGAN_MS;
    record->ended_utc_ms = BEGAN_MS + 1800000;
    snprintf(record->site, sizeof record->site, "heron-ridge");
    snprintf(record->box, sizeof record->box, "heron-edge-1");
    snprintf(record->well, sizeof record->well, "heron-7");
    snprintf(record->label, sizeof record->label, "Heron <7> & \"co\"");
    memset(record->plan, 'a', 64);
    snprintf(record->version, sizeof record->version, "0.1.0");
    snprintf(record->mqtt.name, sizeof record->mqtt.name, "plant-broker");
    snprintf(record->mqtt.where, sizeof record->mqtt.where, "broker.heron.example:8883");
    record->source[1] = (struct loop_source){
        .source = SOURCE_GAUGE, .unit_id = 1, .poll_ms = 10000, .refresh_ms = 28000};
    snprintf(record->source[1].line, 33, "pad-line");
    snprintf(record->source[1].map, 33, "scaled-16");
    memset(record->source[1].map_digest, 'b', 64);
    record->n_sittings = 1;
    record->sitting[0] =
        (struct loop_sitting){.begun_utc_ms = BEGAN_MS, .ended_utc_ms = BEGAN_MS + 1800000};
    snprintf(record->sitting[0].by, LOOP_BY_MAX, "<script>alert(1)</script>");
    memset(record->sitting[0].plan, 'a', 64);
    record->n_channels = n_channels;
    for (unsigned i = 0; i < n_channels; i++) {
        struct loop_channel *at = &record->channel[i];
        *at = (struct loop_channel){.point = (uint16_t)(i + 1),
                                    .source = SOURCE_GAUGE,
                                    .result = LOOP_PASS,
                                    .table = TABLE_INPUT,
                                    .address = (uint16_t)(16 + i),
                                    .n_words = 2,
                                    .words = {0x3035, 0xFFFF},
                                    .run = UINT64_C(0x9f3c61d2a07b44e8),
                                    .seq = 88120 + i,
                                    .scan_utc_ms = BEGAN_MS,
                                    .expected_value = 12341.6,
                                    .tolerance = 7.1,
                                    .difference = -0.6,
                                    .value = 12341,
                                    .quality = 192,
                                    .mqtt = {true, true, 12341, "kPa", 192},
                                    .served = {true, true, 1789.9375, "psi", 192},
                                    .served_register = (uint16_t)(32 + 4 * i),
                                    .served_words = {0x44DF, 0xBE00},
                                    .tries = 1,
                                    .done_utc_ms = BEGAN_MS};
        snprintf(at->expected, sizeof at->expected, "1790 psi");
        snprintf(at->given_by, sizeof at->given_by, "screen");
        snprintf(at->verdict, sizeof at->verdict, "same");
    }
    record->n_outages = 1;
    record->outage[0] = good_asking();
    record->outage[0].result = LOOP_PASS;
    record->outage[0].began_utc_ms = BEGAN_MS;
    return record;
}

static void a_record_reads_back_as_it_was_written(void **state)
{
    (void)state;
    struct loop_record *record = make_record(30), *again = calloc(1, sizeof *again);
    char *text = malloc(LOOP_JSON_MAX), *twice = malloc(LOOP_JSON_MAX);
    struct up_error error = {0};
    record->channel[4] = loop_open_channel(5, SOURCE_GAUGE, TABLE_INPUT, 20);
    const size_t n = loop_to_json(record, text, LOOP_JSON_MAX);
    assert_true(n > 0);
    if (loop_from_json(text, n, again, &error) != UP_OK)
        fail_msg("%s", error.why);
    assert_int_equal(loop_to_json(again, twice, LOOP_JSON_MAX), n);
    assert_memory_equal(twice, text, n);
    check_count("open", loop_count(again, LOOP_OPEN), 1);
    assert_false(loop_is_done(again));
    assert_true(loop_has_passed(again));
    assert_int_equal(loop_to_json(record, twice, 1000), 0);
    /* What a person or a torn copy made of it is refused by name. */
    for (size_t cut = 0; cut < n; cut += 97)
        assert_int_equal(loop_from_json(text, cut, again, NULL), UP_E_INPUT);
    char *plan = strstr(text, "\"tolerance\":7.1");
    assert_non_null(plan);
    memcpy(plan, "\"tolerance\":\"x\"", 15);
    assert_int_equal(loop_from_json(text, n, again, &error), UP_E_INPUT);
    assert_non_null(strstr(error.why, "tolerance"));
    free(text);
    free(twice);
    free(again);
    free(record);
}

/* Planted defect: what a person typed stands on the page as it is. */
static void the_page_escapes_what_was_typed_and_says_what_it_proves(void **state)
{
    (void)state;
    struct loop_record *record = make_record(3);
    char *page = NULL;
    size_t n = 0;
    FILE *out = open_memstream(&page, &n);
    record->channel[1].result = LOOP_SKIPPED;
    snprintf(record->channel[1].sentence, LOOP_SENTENCE_MAX, "the screen's line is <dark>");
    loop_print_page(out, record);
    fclose(out);
    assert_null(strstr(page, "<script"));
    assert_null(strstr(page, "<dark>"));
    assert_non_null(strstr(page, "&lt;script&gt;"));
    assert_non_null(strstr(page, "Heron &lt;7&gt; &amp; &quot;co&quot;"));
    assert_null(strstr(page, "src="));
    assert_null(strstr(page, "http"));
    assert_non_null(strstr(page, "This record proves the path from the surface unit&#39;s screen "
                                 "to SCADA. It does not prove the downhole sensor."));
    assert_non_null(strstr(page, "Uphole is not a protection system"));
    assert_non_null(strstr(page, "PASSED IN PART"));
    free(page);
    free(record);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_outage_must_have_left_its_row_and_scada_must_know_it),
        cmocka_unit_test(a_cut_must_have_lost_nothing_and_the_will_must_have_told_it),
        cmocka_unit_test(a_restart_shorter_than_a_poll_needs_no_row),
        cmocka_unit_test(a_value_agrees_in_another_unit_within_what_is_sent),
        cmocka_unit_test(a_record_reads_back_as_it_was_written),
        cmocka_unit_test(the_page_escapes_what_was_typed_and_says_what_it_proves),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
