/* SPDX-License-Identifier: Apache-2.0
 *
 * side_harness.c - see side_harness.h.
 */
#include "side_harness.h"

#include "uphole/wire.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

static void *run_side(void *argument)
{
    struct run *run = argument;
    run->exit_code = publish_run(run->fds[1], &run->clock, "0.0.0");
    close(run->fds[1]); /* as the process's end would */
    return NULL;
}

#define WELL(id, label, block, unit)                                                               \
    "  " id ":\n"                                                                                  \
    "    label: " label "\n"                                                                       \
    "    table_block: " block "\n"                                                                 \
    "    sources:\n"                                                                               \
    "      gauge:\n"                                                                               \
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: " unit                        \
    ", map: plain, poll_every: 10 s}\n"

struct plan *side_plan_of(uint16_t port, bool with_another_well)
{
    static const char text[] =
        "site: heron-ridge\n"
        "box: heron-edge-1\n"
        "lines:\n"
        "  pad-line: {tcp: 192.0.2.7:502}\n"
        "wells:\n"
        "%s" WELL("heron-7", "Heron 7", "1",
                  "1") "destinations:\n"
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
    static struct plan_faults faults;
    struct plan *plan = NULL;
    char filled[sizeof text + 512];
    snprintf(filled, sizeof filled, text,
             with_another_well ? WELL("heron-8", "Heron 8", "2", "2") : "", port);
    memset(&faults, 0, sizeof faults);
    if (plan_from_text("test", filled, strlen(filled), &plan, &faults) != UP_OK)
        fail_msg("the test's configuration: %d: %s", faults.fault[0].line, faults.fault[0].text);
    return plan;
}

void start(struct run *run)
{
    memset(run, 0, sizeof *run);
    run->port = free_port();
    run->plan = side_plan_of(run->port, false);
    clock_of_system(&run->clock);
    assert_int_equal(wall_pair(run->fds), 0);
    assert_int_equal(pthread_create(&run->thread, NULL, run_side, run), 0);
}

void finish(struct run *run, int exit_code)
{
    pthread_join(run->thread, NULL);
    check_count("exit code", run->exit_code, exit_code);
    if (run->fds[0] >= 0)
        close(run->fds[0]);
    plan_free(run->plan);
}

void put_out(struct run *run)
{
    run->message.plan_serial = run->serial;
    assert_int_equal(wall_send_wait(run->fds[0], &run->message, WAIT_MS), UP_OK);
}

void send_plan(struct run *run, const struct plan *plan)
{
    assert_int_equal(
        wall_send_plan(run->fds[0], run->serial, plan->text, plan->text_length, WAIT_MS), UP_OK);
}

void send_numbers(struct run *run, const struct plan *plan, uint32_t version)
{
    run->message.kind = WALL_NUMBERS;
    run->message.numbers =
        (struct wall_numbers){.version = version, .run = FIXTURE_RUN, .n_wells = plan->n_wells};
    for (uint16_t i = 0; i < plan->n_wells; i++)
        run->message.numbers.number[i] = strcmp(plan->wells[i].id, "heron-8") == 0 ? 8 : 7;
    put_out(run);
}

void send_snapshot(struct run *run, uint16_t number, double intake_kpa)
{
    run->message.kind = WALL_SNAPSHOT;
    run->message.snapshot = fixture_snapshot(number);
    struct live_reading *reading = fixture_reading(&run->message.snapshot, 1);
    reading->value = intake_kpa;
    reading->fresh_boot_ms = clock_boot_ms(&run->clock);
    put_out(run);
}

void send_state(struct run *run)
{
    run->message.kind = WALL_STATE;
    run->message.state = fixture_state(123);
    put_out(run);
}

void greet(struct run *run)
{
    send_plan(run, run->plan);
    send_numbers(run, run->plan, WALL_VERSION);
    send_snapshot(run, 7, 12345);
    send_state(run);
}

void nap(void)
{
    const struct timespec time = {.tv_nsec = 20000000};
    nanosleep(&time, NULL);
}

static bool try_to_connect(int fd, uint16_t port)
{
    struct sockaddr_in to = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    return connect(fd, (struct sockaddr *)&to, sizeof to) == 0;
}

int connect_to(uint16_t port)
{
    for (int ms = 0; ms < WAIT_MS; ms += 20) {
        int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
        if (try_to_connect(fd, port))
            return fd;
        close(fd);
        nap();
    }
    fail_msg("the table doesn't listen on port %u", port);
    return -1;
}

bool is_refused(uint16_t port)
{
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    bool refused = !try_to_connect(fd, port);
    close(fd);
    return refused;
}

void read_slot(int fd, unsigned block, uint8_t answer[static 9 + 8])
{
    uint8_t request[] = {0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 4};
    put_u16(request + 8, (uint16_t)(block * TABLE_BLOCK_REGISTERS + slot(1, 0)));
    assert_int_equal(send(fd, request, sizeof request, MSG_NOSIGNAL), sizeof request);
    assert_int_equal(recv(fd, answer, 9, MSG_WAITALL), 9);
    memset(answer + 9, 0, 8);
    if ((answer[7] & 0x80u) == 0) /* else an exception, whole by now */
        assert_int_equal(recv(fd, answer + 9, 8, MSG_WAITALL), 8);
}

void wait_for_slot(int fd, unsigned block, uint16_t high, uint16_t quality)
{
    uint8_t answer[9 + 8] = {0};
    for (int ms = 0; ms < WAIT_MS; ms += 20) {
        read_slot(fd, block, answer);
        if (get_u16(answer + 9) == high && get_u16(answer + 13) == quality)
            return;
        nap();
    }
    fail_msg("block %u: 0x%04X and quality %u, expected 0x%04X and %u", block, get_u16(answer + 9),
             get_u16(answer + 13), high, quality);
}
