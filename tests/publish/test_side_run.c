/* SPDX-License-Identifier: Apache-2.0
 *
 * test_side_run.c - the SCADA side as its process runs it: a plan and readings over a real wall in,
 * registers out; how it ends.
 */
#include "check.h"
#include "table_fixture.h"

#include "uphole/publish.h"
#include "uphole/wire.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <pthread.h>
#include <sys/socket.h>
#include <sysexits.h>
#include <time.h>
#include <unistd.h>

#define WAIT_MS 5000

struct run {
    int fds[2]; /* the well side's end, the SCADA side's */
    pthread_t thread;
    int exit_code;
    struct up_clock clock;
    uint16_t port;
    struct plan *plan;
    struct wall_message message;
};

static void *run_side(void *argument)
{
    struct run *run = argument;
    run->exit_code = publish_run(run->fds[1], &run->clock, "0.0.0");
    close(run->fds[1]); /* as the process's end would */
    return NULL;
}

static uint16_t free_port(void)
{
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof at;
    assert_int_equal(bind(fd, (struct sockaddr *)&at, sizeof at), 0);
    assert_int_equal(getsockname(fd, (struct sockaddr *)&at, &length), 0);
    close(fd);
    return ntohs(at.sin_port);
}

static void make_plan(struct run *run)
{
    static const char text[] = "site: heron-ridge\n"
                               "box: heron-edge-1\n"
                               "lines:\n"
                               "  pad-line: {tcp: 192.0.2.7:502}\n"
                               "wells:\n"
                               "  heron-7:\n"
                               "    label: Heron 7\n"
                               "    table_block: 1\n"
                               "    sources:\n"
                               "      gauge:\n"
                               "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, "
                               "map: plain, poll_every: 10 s}\n"
                               "destinations:\n"
                               "  scada-table:\n"
                               "    modbus_tcp: 127.0.0.1:%u\n"
                               "    views: {1: metric high-word-first}\n"
                               "journal: {path: /var/lib/uphole, keep: 400 days, at_most: 2 GB}\n"
                               "maps:\n"
                               "  plain:\n"
                               "    map: plain\n"
                               "    about: Invented\n"
                               "    numbering: from-0\n"
                               "    refresh: 28 s\n"
                               "    channels:\n"
                               "      intake_pressure: {input: 16, type: u16, scale: 0.001, unit: "
                               "MPa, reference: absolute, "
                               "instrument_range: 0 to 60 MPa}\n";
    char filled[sizeof text + 8];
    run->port = free_port();
    snprintf(filled, sizeof filled, text, run->port);
    static struct plan_faults faults;
    memset(&faults, 0, sizeof faults);
    if (plan_from_text("test", filled, strlen(filled), &run->plan, &faults) != UP_OK)
        fail_msg("the test's configuration: %d: %s", faults.fault[0].line, faults.fault[0].text);
}

static void start(struct run *run)
{
    memset(run, 0, sizeof *run);
    make_plan(run);
    clock_of_system(&run->clock);
    assert_int_equal(wall_pair(run->fds), 0);
    assert_int_equal(pthread_create(&run->thread, NULL, run_side, run), 0);
}

static void finish(struct run *run, int exit_code)
{
    pthread_join(run->thread, NULL);
    check_count("exit code", run->exit_code, exit_code);
    if (run->fds[0] >= 0)
        close(run->fds[0]);
    plan_free(run->plan);
}

static void put_out(struct run *run)
{
    assert_int_equal(wall_send_wait(run->fds[0], &run->message, WAIT_MS), UP_OK);
}

static void send_numbers(struct run *run, uint32_t version)
{
    run->message.kind = WALL_NUMBERS;
    run->message.numbers =
        (struct wall_numbers){.version = version, .run = FIXTURE_RUN, .n_wells = 1, .number = {7}};
    put_out(run);
}

static void greet(struct run *run)
{
    assert_int_equal(wall_send_plan(run->fds[0], 0, run->plan->text, run->plan->text_length, WAIT_MS),
                     UP_OK);
    send_numbers(run, WALL_VERSION);
    run->message.kind = WALL_SNAPSHOT;
    run->message.snapshot = fixture_snapshot(7);
    put_out(run);
    run->message.kind = WALL_STATE;
    run->message.state = fixture_state(123);
    put_out(run);
}

static void nap(void)
{
    const struct timespec time = {.tv_nsec = 20000000};
    nanosleep(&time, NULL);
}

static int connect_to(uint16_t port)
{
    struct sockaddr_in to = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    for (int ms = 0; ms < WAIT_MS; ms += 20) {
        int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
        if (connect(fd, (struct sockaddr *)&to, sizeof to) == 0)
            return fd;
        close(fd);
        nap();
    }
    fail_msg("the table doesn't listen on port %u", port);
    return -1;
}

static void read_slot(int fd, uint8_t answer[static 9 + 8])
{
    static const uint8_t request[] = {0, 1, 0, 0, 0, 6, 1, 4, 2, 32, 0, 4}; /* register 512 + 32 */
    assert_int_equal(send(fd, request, sizeof request, MSG_NOSIGNAL), sizeof request);
    assert_int_equal(recv(fd, answer, 9 + 8, MSG_WAITALL), 9 + 8);
}

/* Row DEC-061: 12345 kPa is 0x4640 0xE400, quality 192. */
static void readings_over_the_wall_stand_in_the_table_until_it_is_stopped(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    greet(&run);
    int fd = connect_to(run.port);
    uint8_t answer[9 + 8] = {0};
    for (int ms = 0; ms < WAIT_MS && answer[9] != 0x46; ms += 20) {
        read_slot(fd, answer);
        nap();
    }
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

static bool is_refused(uint16_t port)
{
    struct sockaddr_in to = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    bool refused = connect(fd, (struct sockaddr *)&to, sizeof to) != 0;
    close(fd);
    return refused;
}

/* Planted defect: be_quiet does nothing. */
static void before_a_stop_nobody_new_is_let_in_and_those_connected_are_answered(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    greet(&run);
    int fd = connect_to(run.port);
    uint8_t answer[9 + 8] = {0};
    read_slot(fd, answer);
    run.message.kind = WALL_QUIET;
    put_out(&run);
    bool refused = false;
    for (int ms = 0; ms < WAIT_MS && !refused; ms += 20) {
        nap();
        refused = is_refused(run.port);
    }
    assert_true(refused);
    run.message.kind = WALL_SNAPSHOT;
    run.message.snapshot = fixture_snapshot(7);
    fixture_reading(&run.message.snapshot, 1)->value = 65536.0;
    put_out(&run);
    for (int ms = 0; ms < WAIT_MS && answer[9] != 0x47; ms += 20) {
        read_slot(fd, answer);
        nap();
    }
    check_count("high word of 65536", get_u16(answer + 9), 0x4780);
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

static void a_new_plan_ends_it_so_that_it_is_started_again(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    greet(&run);
    assert_int_equal(wall_send_plan(run.fds[0], 0, run.plan->text, run.plan->text_length, WAIT_MS),
                     UP_OK);
    finish(&run, EX_OK);
}

static void another_version_of_the_wall_is_refused(void **state)
{
    (void)state;
    struct run run;
    start(&run);
    assert_int_equal(wall_send_plan(run.fds[0], 0, run.plan->text, run.plan->text_length, WAIT_MS),
                     UP_OK);
    send_numbers(&run, WALL_VERSION + 1);
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
        cmocka_unit_test(a_new_plan_ends_it_so_that_it_is_started_again),
        cmocka_unit_test(another_version_of_the_wall_is_refused),
        cmocka_unit_test(a_plan_that_does_not_read_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
