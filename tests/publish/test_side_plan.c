/* SPDX-License-Identifier: Apache-2.0
 *
 * test_side_plan.c - a new plan over a running wall: what is served between the old and the new
 * one, what still belongs to the old one, and a plan that never becomes whole.
 */
#include "side_harness.h"

#include "uphole/wire.h"

#include <sys/socket.h>
#include <sysexits.h>
#include <unistd.h>

#define KPA_12345 0x4640 /* first register of 12345 as float32, row DEC-061 */
#define KPA_65536 0x4780 /* of 65536 */
#define NO_SUCH_BLOCK 2  /* exception 02: illegal data address */
#define COUNTER_AT 28    /* image_counter of a block: docs/table.md */

static uint16_t image_counter(int fd, unsigned block)
{
    uint8_t request[] = {0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 32}, answer[9 + 64];
    put_u16(request + 8, (uint16_t)(block * TABLE_BLOCK_REGISTERS));
    assert_int_equal(send(fd, request, sizeof request, MSG_NOSIGNAL), sizeof request);
    assert_int_equal(recv(fd, answer, sizeof answer, MSG_WAITALL), sizeof answer);
    return get_u16(answer + 9 + 2 * COUNTER_AT);
}

/** Its state as the SCADA side tells it under the present serial. */
static bool is_reported(struct run *run, uint16_t destination)
{
    struct wall_message got;
    for (int ms = 0; ms < WAIT_MS; ms += 20) {
        while (wall_receive(run->fds[0], &got) == UP_OK)
            if (got.kind == WALL_DESTINATION && got.plan_serial == run->serial &&
                got.destination.destination == destination && got.destination.state == DELIVERY_UP)
                return true;
        nap();
    }
    return false;
}

static void stop(struct run *run, int fd)
{
    run->message.kind = WALL_STOP;
    put_out(run);
    finish(run, EX_OK);
    close(fd);
}

/** A side whose table shows the first plan's reading; returns a client. */
static int start_shown(struct run *run)
{
    start(run);
    greet(run);
    const int fd = connect_to(run->port);
    wait_for_slot(fd, 1, KPA_12345, 192);
    return fd;
}

/** Sends another plan whole; the caller frees it. */
static struct plan *take_next(struct run *run, uint32_t serial, uint16_t port,
                              bool with_another_well)
{
    struct plan *next = side_plan_of(port, with_another_well);
    run->serial = serial;
    send_plan(run, next);
    send_numbers(run, next, WALL_VERSION);
    return next;
}

/* Planted defects: the connection is closed; the old readings vanish before the new ones are there;
 * the counter starts anew. */
static void a_client_of_the_table_sees_no_break_when_a_well_is_added(void **state)
{
    (void)state;
    struct run run;
    int fd = start_shown(&run);
    uint16_t counter = image_counter(fd, 1);
    uint8_t answer[9 + 8];
    read_slot(fd, 2, answer);
    check_count("exception", answer[8], NO_SUCH_BLOCK);
    struct plan *next = take_next(&run, 5, run.port, true);
    for (int i = 0; i < 20; i++) { /* the new readings aren't there yet */
        read_slot(fd, 1, answer);
        check_count("high word meanwhile", get_u16(answer + 9), KPA_12345);
        check_count("quality meanwhile", get_u16(answer + 13), 192);
        nap();
    }
    send_snapshot(&run, 7, 65536);
    send_snapshot(&run, 8, 12345);
    send_state(&run);
    wait_for_slot(fd, 1, KPA_65536, 192);
    wait_for_slot(fd, 2, KPA_12345, 192);
    assert_true(is_reported(&run, 0));
    uint16_t later = image_counter(fd, 1);
    assert_true(later > counter && later < counter + 5);
    plan_free(next);
    stop(&run, fd);
}

/* Planted defect: side_take doesn't look at the serial. */
static void a_snapshot_of_the_old_plan_is_not_shown_under_the_new_one(void **state)
{
    (void)state;
    struct run run;
    int fd = start_shown(&run);
    struct plan *next = take_next(&run, 5, run.port, true);
    send_snapshot(&run, 7, 65536);
    send_snapshot(&run, 8, 65536);
    send_state(&run);
    wait_for_slot(fd, 1, KPA_65536, 192);
    run.serial = 0; /* these were on their way */
    send_snapshot(&run, 7, 12345);
    send_snapshot(&run, 8, 12345);
    run.serial = 5;
    send_state(&run);
    for (int i = 0; i < 20; i++) {
        uint8_t answer[9 + 8];
        read_slot(fd, 1, answer);
        check_count("high word", get_u16(answer + 9), KPA_65536);
        nap();
    }
    plan_free(next);
    stop(&run, fd);
}

/* Planted defect: the old image stays where a well has no reading under the new plan. */
static void without_a_reading_under_the_new_plan_a_well_shows_none(void **state)
{
    (void)state;
    struct run run;
    int fd = start_shown(&run);
    struct plan *next = take_next(&run, 5, run.port, true);
    send_snapshot(&run, 8, 65536);
    send_state(&run);
    wait_for_slot(fd, 2, KPA_65536, 192);
    uint8_t answer[9 + 8];
    read_slot(fd, 1, answer);
    check_count("a NaN", get_u16(answer + 9), 0x7FC0); /* row DEC-067: the quiet NaN */
    assert_true((get_u16(answer + 13) & 0xC0) == 0);   /* class Bad */
    plan_free(next);
    stop(&run, fd);
}

static void another_port_is_served_and_the_old_one_is_closed(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    greet(&run);
    int fd = connect_to(run.port);
    uint16_t other = free_port();
    struct plan *next = take_next(&run, 1, other, false);
    send_snapshot(&run, 7, 65536);
    send_state(&run);
    int there = connect_to(other);
    wait_for_slot(there, 1, KPA_65536, 192);
    uint8_t byte;
    assert_true(recv(fd, &byte, 1, 0) <= 0);
    bool refused = is_refused(run.port); /* its clients are closed before it stops to listen */
    for (int ms = 0; ms < WAIT_MS && !refused; ms += 20) {
        nap();
        refused = is_refused(run.port);
    }
    assert_true(refused);
    close(there);
    plan_free(next);
    stop(&run, fd);
}

/* ---- a plan that never becomes whole ---- */

static void send_piece(struct run *run, const struct plan *plan, size_t from, size_t n)
{
    run->message.kind = WALL_PLAN;
    memset(&run->message.plan, 0, sizeof run->message.plan);
    run->message.plan.total = (uint32_t)plan->text_length;
    run->message.plan.offset = (uint32_t)from;
    run->message.plan.size = (uint32_t)n;
    memcpy(run->message.plan.bytes, plan->text + from, n);
    put_out(run);
}

/* Planted defect: what came of it is put before the next one. */
static void a_plan_that_is_begun_and_left_is_forgotten_when_the_next_begins(void **state)
{
    (void)state;
    struct run run;
    int fd = start_shown(&run);
    struct plan *next = side_plan_of(run.port, true);
    run.serial = 1;
    send_piece(&run, next, 0, 100);
    run.serial = 0; /* the old plan is in force meanwhile */
    send_snapshot(&run, 7, 65536);
    wait_for_slot(fd, 1, KPA_65536, 192);
    run.serial = 2;
    send_plan(&run, next);
    send_numbers(&run, next, WALL_VERSION);
    send_snapshot(&run, 7, 12345);
    send_snapshot(&run, 8, 12345);
    send_state(&run);
    wait_for_slot(fd, 2, KPA_12345, 192);
    plan_free(next);
    stop(&run, fd);
}

/* The well side is killed in the middle of a plan: the SCADA side ends like at any other moment. */
static void it_ends_well_when_the_well_side_is_gone_in_the_middle_of_a_plan(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    send_piece(&run, run.plan, 0, 100);
    close(run.fds[0]);
    run.fds[0] = -1;
    finish(&run, EX_OK);
    start(&run);
    greet(&run);
    run.serial = 1;
    send_piece(&run, run.plan, 0, 100);
    close(run.fds[0]);
    run.fds[0] = -1;
    finish(&run, EX_OK);
}

static void pieces_that_do_not_fit_end_it(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    greet(&run);
    run.serial = 1;
    send_piece(&run, run.plan, 0, 100);
    send_piece(&run, run.plan, 200, 100);
    finish(&run, EX_SOFTWARE);
    start(&run);
    greet(&run);
    run.serial = 1;
    send_piece(&run, run.plan, 0, 100);
    run.serial = 2;
    send_piece(&run, run.plan, 100, 100);
    finish(&run, EX_SOFTWARE);
    start(&run);
    greet(&run);
    run.serial = 1;
    send_numbers(&run, run.plan, WALL_VERSION); /* of a plan that never came */
    finish(&run, EX_SOFTWARE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_client_of_the_table_sees_no_break_when_a_well_is_added),
        cmocka_unit_test(a_snapshot_of_the_old_plan_is_not_shown_under_the_new_one),
        cmocka_unit_test(without_a_reading_under_the_new_plan_a_well_shows_none),
        cmocka_unit_test(another_port_is_served_and_the_old_one_is_closed),
        cmocka_unit_test(a_plan_that_is_begun_and_left_is_forgotten_when_the_next_begins),
        cmocka_unit_test(it_ends_well_when_the_well_side_is_gone_in_the_middle_of_a_plan),
        cmocka_unit_test(pieces_that_do_not_fit_end_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
