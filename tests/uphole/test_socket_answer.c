/* SPDX-License-Identifier: Apache-2.0
 *
 * test_socket_answer.c - what the local socket answers, without a socket: questions from outside
 * are untrusted, answers are bounded, and a well that does not answer shows no value. Each planted
 * defect is a patch in tests/planted, by the name given here.
 */
#include "check.h"
#include "rig.h"

#include "../../daemon/uphole/reload.h"
#include "../../daemon/uphole/socket_answer.h"
#include "../../daemon/uphole/status_view.h"

#include <stdlib.h>
#include <string.h>

static struct gatherer *const NO_GATHERERS[PLAN_LINES_MAX];
static char answer_room[64 * 1024];

/** Of the daemon's own, which is not here: no order is given in these tests. */
uint32_t reload_ask(struct well_side *side, const char *by)
{
    (void)side;
    (void)by;
    fail_msg("a question became an order");
    return 0;
}

struct asked {
    struct clock_watch watch;
    struct stamp began;
    struct socket_text text;
};

static int ask(struct rig *rig, const char *request, size_t room, struct asked *asked)
{
    *asked = (struct asked){.text = {.at = answer_room, .room = room}};
    memset(answer_room, 'x', sizeof answer_room);
    answer_room[0] = '\0';
    const struct status_view view = {.core = rig->core,
                                     .plan = rig->plan,
                                     .clock = &rig->clock,
                                     .gatherers = NO_GATHERERS,
                                     .watch = &asked->watch,
                                     .began = &asked->began,
                                     .run = rig->run};
    return socket_answer(&view, request, &asked->text);
}

/* Planted defect: socket-question-begun. */
static void a_question_that_nobody_knows_is_refused_with_a_sentence(void **state)
{
    static const char *const BAD[] = {"",
                                      "status",
                                      "status xml",
                                      "status text ",
                                      "read json",
                                      "read json ",
                                      "read text a b",
                                      "stat",
                                      "status jsonx",
                                      "READ json a",
                                      "read json no-such-well"};
    struct asked asked;
    for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
        const int code = ask(*state, BAD[i], sizeof answer_room, &asked);
        assert_true(code == 64 || code == 66);
        assert_true(asked.text.n > 10 && asked.text.at[asked.text.n - 1] == '.');
    }
}

/* Planted defect: socket-answer-unbounded. */
static void an_answer_that_does_not_fit_is_cut_within_its_room_and_says_so(void **state)
{
    struct asked asked;
    for (size_t room = 1; room < 400; room++) {
        (void)ask(*state, "status json", room, &asked);
        assert_true(asked.text.cut);
        assert_true(asked.text.n < room);
        assert_int_equal(answer_room[asked.text.n], '\0');
        assert_int_equal(answer_room[room], 'x');
    }
    assert_int_equal(ask(*state, "status json", sizeof answer_room, &asked), 0);
    assert_false(asked.text.cut);
}

/* Planted defect: socket-silence-unseen. */
static void a_well_that_did_not_answer_shows_neither_raw_words_nor_values(void **state)
{
    struct rig *rig = *state;
    struct asked asked;
    char request[64];
    rig_poll(rig, 5);
    snprintf(request, sizeof request, "read json %s", rig->plan->wells[0].id);
    assert_int_equal(ask(rig, request, sizeof answer_room, &asked), 0);
    assert_non_null(strstr(answer_room, "\"outcome\":\"silent\""));
    assert_non_null(strstr(answer_room, "\"source\":\"gauge\",\"raw\":null,\"decoded\":null"));
    assert_null(strstr(answer_room, "\"source\":\"gauge\",\"raw\":["));
    for (const char *at = answer_room; (at = strstr(at, "\"source\":\"gauge\"")) != NULL; at++)
        assert_memory_equal(strstr(at, "\"value\":"), "\"value\":null", 12);
}

/* For programs at the screen. Planted defect: socket-plan-last-byte. */
static void the_plan_is_handed_out_in_slices_that_make_its_text_again(void **state)
{
    static const char *const BAD[] = {
        "plan",         "plan ",        "plan text",          "plan text x",
        "plan text -1", "plan text 1x", "plan text 99999999", "plan json 0"};
    struct rig *rig = *state;
    struct asked asked;
    char request[64], head[96];
    for (size_t from = 0; from <= rig->plan->text_length; from += 97) {
        snprintf(request, sizeof request, "plan text %zu", from);
        assert_int_equal(ask(rig, request, sizeof answer_room, &asked), 0);
        const int n =
            snprintf(head, sizeof head, "%s %zu\n", rig->plan->digest, rig->plan->text_length);
        assert_memory_equal(answer_room, head, (size_t)n);
        check_text("from there on", answer_room + n, rig->plan->text + from);
    }
    for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++)
        assert_int_equal(ask(rig, BAD[i], sizeof answer_room, &asked), 64);
}

static void raw_scans_of_a_silent_unit_hold_no_words(void **state)
{
    struct rig *rig = *state;
    struct asked asked;
    char request[64];
    snprintf(request, sizeof request, "scans text %s", rig->plan->wells[0].id);
    assert_int_equal(ask(rig, request, sizeof answer_room, &asked), 0);
    assert_null(strstr(answer_room, "\nscan "));
    rig_poll(rig, 2);
    assert_int_equal(ask(rig, request, sizeof answer_room, &asked), 0);
    assert_memory_equal(answer_room, "plan ", 5);
    const char *scan = strstr(answer_room, "\nscan 1 2 ");
    assert_non_null(scan);
    assert_non_null(strstr(scan, " 3 0\nend\n")); /* silent, and no ranges */
    check_text("its end", answer_room + asked.text.n - 4, "end\n");
}

/* Planted defect: socket-backlog-by-row. */
static void what_waits_is_counted_in_records_and_goes_with_the_acceptance(void **state)
{
    struct rig *rig = *state;
    struct asked asked;
    core_set_safe(rig->core);
    rig_poll(rig, 4);
    assert_int_equal(ask(rig, "status json", sizeof answer_room, &asked), 0);
    assert_non_null(strstr(answer_room, "\"waiting_records\":4,"));
    rig_hear(rig);
    rig_accept(rig, rig->well, rig->more.newest_scan_pos, rig->more.newest_scan_seq);
    assert_int_equal(ask(rig, "status json", sizeof answer_room, &asked), 0);
    assert_non_null(
        strstr(answer_room, "\"waiting_records\":0,\"waiting_s\":0,\"accepted_seq\":4,"));
}

/** The rig's configuration with another unit id, as a file beside it. */
static struct plan *plan_of_another_unit(const struct rig *rig)
{
    char path[sizeof rig->directory + 16], text[4096];
    snprintf(path, sizeof path, "%s/uphole.yaml", rig->directory);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    const size_t n = fread(text, 1, sizeof text - 1, file);
    fclose(file);
    text[n] = '\0';
    char *unit = strstr(text, "unit_id: 1");
    assert_non_null(unit);
    unit[strlen("unit_id: ")] = '3';
    file = fopen(path, "w");
    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, n, file), n);
    fclose(file);
    struct plan_faults faults = {0};
    struct plan *plan = NULL;
    assert_int_equal(plan_from_file(path, UPHOLE_SOURCE_DIR "/config/maps", &plan, &faults), UP_OK);
    return plan;
}

/* A hold may keep a line from being asked for hours after a reload. Planted defect:
 * reload-shows-another-units-words. */
static void words_of_another_unit_are_not_shown_under_a_new_plan(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    core_set_safe(rig->core);
    rig_poll(rig, 2);
    assert_non_null(status_newest_scan(rig->core, 0, SOURCE_GAUGE));
    struct plan *next = plan_of_another_unit(rig);
    assert_int_equal(core_take_plan(rig->core, next, 1, 1, "test", &error), UP_OK);
    plan_free(rig->plan);
    rig->plan = next;
    assert_null(status_newest_scan(rig->core, 0, SOURCE_GAUGE));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_question_that_nobody_knows_is_refused_with_a_sentence,
                                        rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(
            an_answer_that_does_not_fit_is_cut_within_its_room_and_says_so, rig_setup,
            rig_teardown),
        cmocka_unit_test_setup_teardown(
            a_well_that_did_not_answer_shows_neither_raw_words_nor_values, rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(the_plan_is_handed_out_in_slices_that_make_its_text_again,
                                        rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(raw_scans_of_a_silent_unit_hold_no_words, rig_setup,
                                        rig_teardown),
        cmocka_unit_test_setup_teardown(
            what_waits_is_counted_in_records_and_goes_with_the_acceptance, rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(words_of_another_unit_are_not_shown_under_a_new_plan,
                                        rig_setup, rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
