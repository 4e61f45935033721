/* SPDX-License-Identifier: Apache-2.0
 *
 * test_side_run.c - the SCADA side as its process runs it: a plan and readings over a real wall in,
 * registers out; how it ends.
 */
#include "side_harness.h"

#include "uphole/wire.h"

#include <sys/socket.h>
#include <sysexits.h>
#include <unistd.h>

/* Row DEC-061: 12345 kPa is 0x4640 0xE400, quality 192. */
static void readings_over_the_wall_stand_in_the_table_until_it_is_stopped(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    greet(&run);
    int fd = connect_to(run.port);
    uint8_t answer[9 + 8] = {0};
    wait_for_slot(fd, 1, 0x4640, 192);
    read_slot(fd, 1, answer);
    check_count("high word", get_u16(answer + 9), 0x4640);
    check_count("low word", get_u16(answer + 11), 0xE400);
    bool alive = false, listens = false;
    struct wall_message got;
    for (int ms = 0; ms < WAIT_MS && !(alive && listens); ms += 20) {
        while (wall_receive(run.fds[0], &got) == UP_OK) {
            alive = alive || got.kind == WALL_ALIVE;
            listens =
                listens || (got.kind == WALL_DESTINATION && got.destination.destination == 0 &&
                            got.destination.state == DELIVERY_UP);
        }
        nap();
    }
    assert_true(alive);
    assert_true(listens);
    run.message.kind = WALL_STOP;
    put_out(&run);
    finish(&run, EX_OK);
    uint8_t byte;
    assert_true(recv(fd, &byte, 1, 0) <= 0);
    close(fd);
}

/* Planted defect: be_quiet does nothing. */
static void before_a_stop_nobody_new_is_let_in_and_those_connected_are_answered(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    greet(&run);
    int fd = connect_to(run.port);
    wait_for_slot(fd, 1, 0x4640, 192);
    run.message.kind = WALL_QUIET;
    put_out(&run);
    bool refused = false;
    for (int ms = 0; ms < WAIT_MS && !refused; ms += 20) {
        nap();
        refused = is_refused(run.port);
    }
    assert_true(refused);
    send_snapshot(&run, 7, 65536.0);
    wait_for_slot(fd, 1, 0x4780, 192); /* 65536 as float32 is 0x47800000: IEEE 754 */
    run.message.kind = WALL_STOP;
    put_out(&run);
    finish(&run, EX_OK);
    close(fd);
}

static void it_ends_well_when_the_well_side_is_gone(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    greet(&run);
    close(connect_to(run.port));
    close(run.fds[0]);
    run.fds[0] = -1;
    finish(&run, EX_OK);
}

static void another_version_of_the_wall_is_refused(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    send_plan(&run, run.plan);
    send_numbers(&run, run.plan, WALL_VERSION + 1);
    finish(&run, EX_SOFTWARE);
}

static void a_plan_that_does_not_read_is_refused(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    assert_int_equal(wall_send_plan(run.fds[0], 0, "site: [", 7, WAIT_MS), UP_OK);
    finish(&run, EX_SOFTWARE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(readings_over_the_wall_stand_in_the_table_until_it_is_stopped),
        cmocka_unit_test(before_a_stop_nobody_new_is_let_in_and_those_connected_are_answered),
        cmocka_unit_test(it_ends_well_when_the_well_side_is_gone),
        cmocka_unit_test(another_version_of_the_wall_is_refused),
        cmocka_unit_test(a_plan_that_does_not_read_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
