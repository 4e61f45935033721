/* SPDX-License-Identifier: Apache-2.0
 *
 * test_compare_registers.c - the judge of pairs where registers are read otherwise, hold no
 * measurement, or where digits and references leave it open.
 */
#include "compare_story.h"

/* ---- other readings of the registers ---- */

static void judge_typed(struct story *story, const char *text, struct compare_result *result)
{
    struct screen_value typed;
    struct up_error error = {0};
    if (screen_value_from_text(text, strlen(text), story->channel->point, &typed, &error) != UP_OK)
        fail_msg("%s: %s", text, error.why);
    compare_judge(&story->question, &typed, result);
}

static void check_verdict(struct story *story, const char *text, uint8_t verdict,
                          const char *in_sentence)
{
    struct compare_result result;
    judge_typed(story, text, &result);
    if (result.verdict == verdict && strstr(result.sentence, in_sentence) != NULL)
        return;
    struct screen_value typed = {.text = ""};
    snprintf(typed.text, sizeof typed.text, "%s", text);
    show(story, &typed, &result);
    fail_msg("%s: expected %s and \"%s\"", text, compare_verdict_name(verdict), in_sentence);
}

/* IEEE 754: 1790.0 is 0x44DFC000. Planted defect: the orders of words aren't tried
 * (commission-orders-untried). */
static void another_order_of_words_is_named_with_all_four_side_by_side(void **state)
{
    static struct story story;
    struct compare_result result;
    (void)state;
    seed = 1;
    tell(&story, floats, POINT_INTAKE_PRESSURE, 10000, 0);
    for (int i = 0; i < SCANS; i++) {
        uint16_t *at = story.scan[i].words + story.channel->address - story.scan[i].block[0].first;
        at[0] = 0x44DF, at[1] = 0xC000; /* high word first; the map says low word first */
    }
    check_verdict(&story, "1790.0 psi", COMPARE_CAUSE, "high word first");
    judge_typed(&story, "1790.0 psi", &result);
    assert_int_equal(result.cause[0].kind, COMPARE_BY_ORDER);
    assert_non_null(
        strstr(result.working,
               "0x44DF 0xC000: high word first: f32 1790, u32 1155514368 | low word first: f32 "));
    for (int i = 0; i < SCANS; i++) { /* bytes swapped as well */
        uint16_t *at = story.scan[i].words + story.channel->address - story.scan[i].block[0].first;
        at[0] = 0xDF44, at[1] = 0x00C0;
    }
    check_verdict(&story, "1790.0 psi", COMPARE_CAUSE, "high word first, bytes swapped");
    tell(&story, scaled, POINT_INTAKE_TEMPERATURE, 60,
         0); /* one register, bytes swapped: 874 is 0x036A */
    for (int i = 0; i < SCANS; i++)
        story.scan[i].words[story.channel->address] = 0x6A03;
    check_verdict(&story, "87.4 degC", COMPARE_CAUSE, "bytes swapped");
}

/* Floats read with their words exchanged jump from anything to anything. Planted defect: such a
 * jump counts as movement of the well, and the whole of it as the same
 * (commission-jumps-are-movement). */
static void registers_that_jump_wildly_are_never_the_same(void **state)
{
    static struct story story;
    (void)state;
    seed = 12;
    for (unsigned turn = 0; turn < 400; turn++) {
        struct compare_result result;
        char text[SCREEN_TEXT_MAX];
        tell(&story, floats, POINT_MOTOR_WINDING_TEMPERATURE, uniform(60, 180), 0.3);
        for (int i = 0; i < SCANS; i++) {
            uint16_t *at =
                story.scan[i].words + story.channel->address - story.scan[i].block[0].first;
            put_registers(at, 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                          float_to_bits((float)in_unit(story.true_value[i], "degF")));
        }
        snprintf(text, sizeof text, "%.2f F", in_unit(story.at_the_instant, "degF"));
        judge_typed(&story, text, &result);
        assert_false(result.can_confirm);
        if (result.verdict != COMPARE_CAUSE && result.verdict != COMPARE_CAUSES)
            fail_msg("%s: %s %s", text, compare_verdict_name(result.verdict), result.working);
        assert_true(names_it(&result, result.n_causes, COMPARE_BY_ORDER, "high word first"));
    }
}

/* S9: all addresses off by one. Planted defect: only the map's register is looked at
 * (commission-neighbour-unseen). */
static void a_register_beside_the_map_s_is_named(void **state)
{
    static struct story story;
    struct compare_result result;
    (void)state;
    seed = 2;
    for (int shift = -1; shift <= 1; shift += 2) {
        tell(&story, scaled, POINT_MOTOR_WINDING_TEMPERATURE, 112.3, 0.2);
        for (int i = 0; i < SCANS; i++)
            put_number(&story.scan[i], story.channel, shift, story.true_value[i]);
        char text[40];
        snprintf(text, sizeof text, "%.1f degC", story.at_the_instant);
        judge_typed(&story, text,
                    &result); /* the map has a channel there too: that may be meant, less likely */
        assert_true(result.verdict == COMPARE_CAUSES &&
                    result.cause[0].kind == COMPARE_BY_NEIGHBOUR &&
                    result.cause[1].kind == COMPARE_BY_CHANNEL);
        assert_non_null(strstr(result.cause[0].sentence,
                               shift < 0 ? "register before (17" : "register behind (19"));
        assert_non_null(strstr(result.check[1], "numbering"));
    }
    tell(&story, floats, POINT_INTAKE_PRESSURE, 9000, 0); /* halves of two values, off by one */
    for (int i = 0; i < SCANS; i++)
        put_number(&story.scan[i], story.channel, 1, in_unit(9000, "psi"));
    check_verdict(&story, "1305 psi", COMPARE_CAUSE, "register behind");
}

/* Planted defect: other channels aren't looked at (commission-channel-unseen). */
static void another_channel_s_value_is_named(void **state)
{
    static struct story story;
    (void)state;
    seed = 3;
    tell(&story, scaled, POINT_INTAKE_TEMPERATURE, 71.2, 0);
    hold(&story, "degC", 1, 0);
    const struct channel *other = map_channel(scaled, POINT_MOTOR_WINDING_TEMPERATURE);
    for (int i = 0; i < SCANS; i++)
        put_number(&story.scan[i], other, 0, 117.9);
    /* the register behind the intake's is the winding's: both explanations are said, none is called
     * certain */
    check_verdict(&story, "117.9 degC", COMPARE_CAUSES, "the register behind");
    check_verdict(&story, "117.9 degC", COMPARE_CAUSES, "the value of motor_winding_temperature");
    other = map_channel(scaled, 7);
    for (int i = 0; i < SCANS; i++)
        put_number(&story.scan[i], other, 0, 74.6);
    check_verdict(&story, "74.6 degC", COMPARE_CAUSE, "gauge_temperature");
}

/* Planted defect: scans away from the instant aren't looked at (commission-time-unseen). */
static void a_screen_that_stands_still_is_named_with_the_scan_that_it_shows(void **state)
{
    static struct story story;
    struct compare_result result;
    (void)state;
    seed = 4;
    tell(&story, scaled, POINT_INTAKE_PRESSURE, 9000, 0);
    for (int i = 0; i < SCANS; i++)
        story.true_value[i] = 9000 + 25.0 * i; /* a build-up; 3.5 minutes are 525 kPa */
    hold(&story, "MPa", 1, 0);
    check_verdict(&story, "9.025 MPa", COMPARE_CAUSE, "before: the screen stands still");
    judge_typed(&story, "9.025 MPa", &result);
    assert_int_equal(result.cause[0].kind, COMPARE_BY_TIME);
    check_verdict(&story, "9.525 MPa", COMPARE_SAME, "Same.");
}

/* ---- not fitted ---- */

/* S13: 65.535 MPa is 9505 psi, and 0 degC is 32 degF. Planted defect: what both show alike is the
 * same (commission-marker-is-a-value). */
static void what_means_not_fitted_is_never_the_same_also_in_another_unit(void **state)
{
    static struct story story;
    struct compare_result result;
    (void)state;
    seed = 6;
    tell(&story, floats, POINT_DISCHARGE_PRESSURE, 65535,
         0); /* psi on both sides, and the map doesn't know the marker */
    hold(&story, "psi", 1, 0);
    check_verdict(&story, "9505 psi", COMPARE_MARKER,
                  "9505 psi is what surface units send for a sensor that isn't fitted, and Uphole "
                  "takes it for a value");
    judge_typed(&story, "9505 psi", &result);
    assert_false(result.can_confirm);
    check_verdict(&story, "65.535 MPa", COMPARE_MARKER, "65.535 MPa");
    check_verdict(&story, "---", COMPARE_MARKER, "Uphole's number");
    tell(&story, scaled, POINT_DISCHARGE_TEMPERATURE, 32,
         0); /* switched to degF: 32.0 in a map that says degC */
    hold(&story, "degC", 1, 0);
    check_verdict(&story, "32.0 degF", COMPARE_MARKER, "32.0 degF");
    check_verdict(&story, "---", COMPARE_MARKER, "Uphole's number");
    tell(&story, scaled, POINT_DISCHARGE_PRESSURE, 9000, 0);
    hold(&story, "MPa", 1, 0);
    for (int i = 0; i < SCANS; i++)
        story.scan[i].words[story.channel->address] = 0xFFFF; /* the map's own marker */
    check_verdict(&story, "9505 psi", COMPARE_MARKER, "Uphole takes it for that too");
    check_verdict(&story, "---", COMPARE_NOT_FITTED, "Same");
    check_verdict(&story, "2500 psi", COMPARE_DIFFERENT,
                  "the screen shows a value where Uphole reads none");
    tell(&story, scaled, POINT_INTAKE_PRESSURE, 9000, 0);
    hold(&story, "MPa", 1, 0);
    check_verdict(&story, "---", COMPARE_DIFFERENT, "no value where Uphole shows one");
}

/* ---- what isn't certain ---- */

static void what_digits_cannot_tell_is_said_and_not_confirmed(void **state)
{
    static struct story story;
    struct compare_result result;
    (void)state;
    seed = 7;
    tell(&story, floats, POINT_INTAKE_PRESSURE, 3000, 0);
    hold(&story, "psi", 1, 0);
    check_verdict(&story, "30 bar", COMPARE_SAME_OR, "absolute pressure, map says gauge");
    judge_typed(&story, "30 bar", &result);
    assert_true(result.can_confirm); /* the unit is told; the reference isn't */
    check_verdict(&story, "30.00 bar", COMPARE_SAME, "Same.");
    tell(&story, scaled, POINT_VIBRATION_X, 2.28,
         0); /* counts of 0.01 m/s2 are 2 % from those of 0.001 g: far-fetched */
    hold(&story, "g", 1, 0);
    check_verdict(&story, "0.23 g", COMPARE_SAME, "Same.");
    tell(&story, scaled, 11, 0, 0);
    hold(&story, "mA", 1, 0);
    check_verdict(&story, "0.00 mA", COMPARE_SAME_OR, "so small a number is alike in every unit");
    judge_typed(&story, "0.00 mA", &result);
    assert_false(result.can_confirm);
    /* bar in a map that says psi is 14.5; kgf/cm2 14.2: with two digits both fit, and both are said
     */
    tell(&story, floats, POINT_INTAKE_PRESSURE, 3000, 0);
    hold(&story, "bar", 1, 0);
    check_verdict(&story, "30.00 bar", COMPARE_CAUSE, "bar, and the map says psi");
    judge_typed(&story, "3.0 MPa", &result);
    assert_int_equal(result.verdict, COMPARE_CAUSES);
    assert_true(names_it(&result, result.n_causes, COMPARE_BY_UNIT, "bar, map says psi"));
    assert_true(names_it(&result, result.n_causes, COMPARE_BY_UNIT, "kgf/cm2, map says psi"));
    tell(&story, scaled, POINT_INTAKE_PRESSURE, 9000,
         2); /* nothing known explains 9000 and 13700 */
    hold(&story, "MPa", 1, 0);
    check_verdict(&story, "13.700 MPa", COMPARE_DIFFERENT, "the cause is not recognised");
    judge_typed(&story, "13.700 MPa", &result);
    assert_int_equal(result.n_checks, 3);
}

/* ISO 2533: 101.325 kPa at sea level. Planted defect: a screen's "psig" is read as psi
 * (commission-typed-reference-lost). */
static void a_reference_that_the_screen_states_is_heeded(void **state)
{
    static struct story story;
    (void)state;
    seed = 8;
    tell(&story, scaled, POINT_INTAKE_PRESSURE, 9000,
         0); /* absolute in the map and in the registers */
    hold(&story, "MPa", 1, 0);
    story.question.atmosphere_kpa = ATMOSPHERE;
    check_verdict(&story, "1290.6 psig", COMPARE_SAME, "Same."); /* (9000 - 101.325) / 6.894757 */
    check_verdict(&story, "1305.3 psia", COMPARE_SAME, "Same.");
    check_verdict(&story, "1305.3 psig", COMPARE_CAUSE,
                  "The register holds gauge pressure, and the map says absolute");
    check_verdict(
        &story, "1290.6 psia", COMPARE_CAUSE,
        "The screen shows gauge pressure, and the registers hold absolute, as the map says");
}

/* 9000 kPa taken for psi are 62053 kPa (6.894757, NIST SP 811). */
static void one_conversion_too_many_is_named_also_where_the_point_moves(void **state)
{
    static struct story story;
    (void)state;
    seed = 10;
    tell(&story, scaled, POINT_INTAKE_PRESSURE, 9000, 0);
    hold(&story, "MPa", PSI, 0);
    check_verdict(&story, "1305 psi", COMPARE_CAUSE, "as from psi, though it was in kPa already");
    check_verdict(&story, "9000 kPa", COMPARE_CAUSE,
                  "though it was in kPa already; or the screen's number is in psi");
}

static void without_a_value_nothing_is_compared(void **state)
{
    static struct story story;
    struct compare_result result;
    (void)state;
    seed = 9;
    tell(&story, scaled, POINT_INTAKE_PRESSURE, 9000, 0);
    hold(&story, "MPa", 1, 0);
    story.question.quality = QUALITY_STARTING;
    check_verdict(&story, "9.000 MPa", COMPARE_NO_VALUE, "starting");
    story.question.quality = QUALITY_UNIT_UNCONFIRMED;
    for (int i = 0; i < SCANS; i++)
        story.scan[i].block[0].exception = BLOCK_NO_ANSWER;
    check_verdict(&story, "9.000 MPa", COMPARE_NO_VALUE, "no scan around this instant");
    tell(&story, scaled, POINT_INTAKE_PRESSURE, 9000, 0);
    hold(&story, "MPa", 1, 0);
    story.question.n_scans = SCANS - 2; /* none later than the key */
    judge_typed(&story, "1305.3 psi", &result);
    assert_true(result.verdict == COMPARE_SAME && compare_is_settled(&story.question, &result));
    judge_typed(&story, "1307.9 psi", &result);
    assert_true(result.verdict == COMPARE_DIFFERENT &&
                !compare_is_settled(&story.question, &result)); /* the next scan may hold it */
    story.question.n_scans = 0;
    check_verdict(&story, "9.000 MPa", COMPARE_NO_VALUE, "no scan around this instant");
    assert_true(compare_takes(map_channel(scaled, POINT_INTAKE_PRESSURE)) &&
                !compare_takes(map_channel(scaled, POINT_GAUGE_STATUS)) &&
                !compare_takes(map_channel(drive, POINT_DRIVE_RUN_STATE)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(another_order_of_words_is_named_with_all_four_side_by_side),
        cmocka_unit_test(registers_that_jump_wildly_are_never_the_same),
        cmocka_unit_test(a_register_beside_the_map_s_is_named),
        cmocka_unit_test(another_channel_s_value_is_named),
        cmocka_unit_test(a_screen_that_stands_still_is_named_with_the_scan_that_it_shows),
        cmocka_unit_test(what_means_not_fitted_is_never_the_same_also_in_another_unit),
        cmocka_unit_test(what_digits_cannot_tell_is_said_and_not_confirmed),
        cmocka_unit_test(a_reference_that_the_screen_states_is_heeded),
        cmocka_unit_test(one_conversion_too_many_is_named_also_where_the_point_moves),
        cmocka_unit_test(without_a_value_nothing_is_compared),
    };
    return cmocka_run_group_tests(tests, open_maps, close_maps);
}
