/* SPDX-License-Identifier: Apache-2.0
 *
 * test_port.c - real ports: a pty that is held, vanishes and comes back under its stable path; a
 * TCP connection that is refused, cut and taken again.
 */
#include "uphole/gather.h"
#include "uphole/wire.h"

#include "check.h"
#include "free_port.h"
#include "live.h"
#include "pty.h"

#include <arpa/inet.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <sys/resource.h>
#include <sys/socket.h>

#define WAIT_MOST_MS 40000

struct rig {
    struct live live;
    atomic_int fd;   /* the master of the pty, or the listening socket */
    atomic_int used; /* what the unit's thread holds now: -1 once it has let go */
};

static size_t answer(uint8_t *into, const uint8_t *request)
{
    unsigned count = get_u16(request + 4);
    memcpy(into, request, 2);
    into[2] = (uint8_t)(2 * count);
    for (unsigned i = 0; i < count; i++)
        put_u16(into + 3 + 2 * i, (uint16_t)(get_u16(request + 2) + i));
    return 3 + 2 * (size_t)count;
}

static void *serial_unit(void *argument)
{
    struct rig *rig = argument;
    while (!atomic_load(&rig->live.stopping)) {
        struct pollfd wait = {.fd = atomic_load(&rig->fd), .events = POLLIN};
        atomic_store(&rig->used, wait.fd);
        uint8_t request[8], frame[300];
        if (poll(&wait, 1, 20) <= 0 || read(wait.fd, request, sizeof request) != 8)
            continue;
        size_t n = answer(frame, request);
        uint16_t crc = crc16(frame, n);
        frame[n] = (uint8_t)(crc & 0xFF);
        frame[n + 1] = (uint8_t)(crc >> 8);
        if (write(wait.fd, frame, n + 2) < 0)
            continue;
    }
    return NULL;
}

static void *tcp_unit(void *argument)
{
    struct rig *rig = argument;
    int client = -1;
    while (!atomic_load(&rig->live.stopping)) {
        int listener = atomic_load(&rig->fd);
        if (listener < 0 && client >= 0) {
            close(client);
            client = -1;
        }
        atomic_store(&rig->used, listener);
        struct pollfd wait = {.fd = client >= 0 ? client : listener, .events = POLLIN};
        if (poll(&wait, 1, 20) <= 0)
            continue;
        if (client < 0) {
            client = accept(listener, NULL, NULL);
            continue;
        }
        uint8_t request[12], frame[300];
        if (read(client, request, sizeof request) != 12) {
            close(client);
            client = -1;
            continue;
        }
        size_t n = answer(frame + 6, request + 6);
        memcpy(frame, request, 4);
        put_u16(frame + 4, (uint16_t)n);
        if (send(client, frame, n + 6, MSG_NOSIGNAL) < 0)
            continue;
    }
    if (client >= 0)
        close(client);
    return NULL;
}

static void let_go(struct rig *rig)
{
    atomic_store(&rig->fd, -1);
    while (atomic_load(&rig->used) != -1)
        usleep(1000);
}
/** Waits for a scan of this outcome; fails after a time that no healthy machine needs. */
static void wait_for(struct rig *rig, uint8_t outcome)
{
    static struct gathered item;
    for (int waited_ms = 0; waited_ms < WAIT_MOST_MS;) {
        if (!ring_get(rig->live.ring, &item)) {
            usleep(10000);
            waited_ms += 10;
        } else if (item.kind == GATHERED_SCAN && item.scan.outcome == outcome) {
            if (outcome == OUTCOME_ANSWERED)
                check_count("word", item.scan.words[2], 102);
            return;
        }
    }
    fail_msg("no scan with outcome %u came", outcome);
}

static void a_second_program_does_not_get_the_port(void **state)
{
    (void)state;
    struct pty pty;
    struct up_error error = {0};
    struct up_clock clock;
    clock_of_system(&clock);
    if (pty_open(&pty) != 0)
        skip();
    struct line_plan line = made_serial(9600, 'N');
    snprintf(line.device, sizeof line.device, "%s", pty.path);
    struct port *one = port_for_line(&line, &clock, -1), *other = port_for_line(&line, &clock, -1);
    check_count("first", one->open(one->context, &error), UP_OK);
    check_count("second", other->open(other->context, &error), UP_E_LOCKED);
    assert_non_null(strstr(error.why, pty.path));
    one->close(one->context);
    one->close(one->context);
    check_count("after the first let go", other->open(other->context, &error), UP_OK);
    port_free(one);
    port_free(other);
    pty_close(&pty);
}

static void a_request_that_writes_does_not_leave_the_port(void **state)
{
    (void)state;
    struct pty pty;
    struct up_error error = {0};
    struct up_clock clock;
    uint8_t heard[32];
    clock_of_system(&clock);
    if (pty_open(&pty) != 0)
        skip();
    struct line_plan line = made_serial(9600, 'N');
    snprintf(line.device, sizeof line.device, "%s", pty.path);
    struct port *port = port_for_line(&line, &clock, -1);
    check_count("open", port->open(port->context, &error), UP_OK);
    for (unsigned function = 0; function < 256; function++) {
        uint8_t frame[8] = {1, (uint8_t)function, 0, 0, 0, 1};
        uint16_t crc = crc16(frame, 6);
        frame[6] = (uint8_t)(crc & 0xFF);
        frame[7] = (uint8_t)(crc >> 8);
        bool reads = (function >= 1 && function <= 4) || function == 0x14 || function == 0x2B;
        check_count("send", port->send(port->context, frame, 8, &error) == UP_OK, reads);
        frame[0] = 0;
        assert_int_not_equal(port->send(port->context, frame, 8, &error), UP_OK);
        struct pollfd wait = {.fd = pty.master, .events = POLLIN};
        int n = poll(&wait, 1, reads ? 30000 : 0);
        check_count("bytes on the wire", n > 0 ? read(pty.master, heard, sizeof heard) : 0,
                    reads ? 8 : 0);
        if (reads)
            check_count("function on the wire", heard[1], function);
    }
    port_free(port);
    pty_close(&pty);
}

/* Planted defect: a port that is gone read again and again; the processor time of the outage then
 * is that of the outage. */
static void a_converter_unplugged_and_plugged_again_recovers_by_itself(void **state)
{
    (void)state;
    static struct rig rig;
    struct pty pty;
    char directory[] = "/tmp/uphole-port-XXXXXX", link_path[64];
    if (pty_open(&pty) != 0)
        skip();
    assert_non_null(mkdtemp(directory));
    snprintf(link_path, sizeof link_path, "%s/converter", directory);
    assert_int_equal(symlink(pty.path, link_path), 0);
    rig.live.made.line = made_serial(19200, 'N');
    snprintf(rig.live.made.line.device, sizeof rig.live.made.line.device, "%s", link_path);
    atomic_store(&rig.fd, pty.master);
    live_start(&rig.live, serial_unit, &rig);
    wait_for(&rig, OUTCOME_ANSWERED);
    let_go(&rig);
    unlink(link_path); /* first: another test may get the number of the pty at once */
    pty_close(&pty);
    struct rusage before, after;
    getrusage(RUSAGE_SELF, &before);
    uint64_t passes = gather_passes(rig.live.gatherer);
    wait_for(&rig, OUTCOME_PORT_GONE);
    usleep(2000000);
    getrusage(RUSAGE_SELF, &after);
    passes = gather_passes(rig.live.gatherer) - passes;
    print_message("outage of about 2 s: %llu passes, %ld ms of processor time\n",
                  (unsigned long long)passes,
                  (after.ru_utime.tv_sec - before.ru_utime.tv_sec) * 1000 +
                      (after.ru_utime.tv_usec - before.ru_utime.tv_usec) / 1000);
    assert_true(passes < 200);
    assert_int_equal(pty_open(&pty), 0); /* under another name, as a converter does */
    assert_int_equal(symlink(pty.path, link_path), 0);
    atomic_store(&rig.fd, pty.master);
    wait_for(&rig, OUTCOME_ANSWERED);
    live_stop(&rig.live);
    pty_close(&pty);
    unlink(link_path);
    rmdir(directory);
}

static int listen_on(uint16_t port)
{
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0), yes = 1;
    struct sockaddr_in at = {
        .sin_family = AF_INET, .sin_port = htons(port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    assert_int_equal(bind(fd, (struct sockaddr *)&at, sizeof at), 0);
    assert_int_equal(listen(fd, 4), 0);
    return fd;
}

static void a_tcp_unit_that_goes_and_comes_is_taken_again(void **state)
{
    (void)state;
    static struct rig rig;
    uint16_t port = free_port(); /* stays ours while nobody listens there */
    int listener = listen_on(port);
    rig.live.made.line.medium = LINE_MEDIUM_TCP;
    rig.live.made.line.port = port;
    snprintf(rig.live.made.line.name, sizeof rig.live.made.line.name, "skid-line");
    snprintf(rig.live.made.line.host, sizeof rig.live.made.line.host, "127.0.0.1");
    atomic_store(&rig.fd, listener);
    live_start(&rig.live, tcp_unit, &rig);
    wait_for(&rig, OUTCOME_ANSWERED);
    let_go(&rig);
    close(listener);
    wait_for(&rig, OUTCOME_NO_CONNECTION);
    listener = listen_on(port);
    atomic_store(&rig.fd, listener);
    wait_for(&rig, OUTCOME_ANSWERED);
    live_stop(&rig.live);
    close(listener);
}

static void a_host_name_that_nobody_knows_is_a_row_and_not_an_end(void **state)
{
    (void)state;
    static struct rig rig;
    rig.live.made.line.medium = LINE_MEDIUM_TCP;
    rig.live.made.line.port = 502;
    snprintf(rig.live.made.line.host, sizeof rig.live.made.line.host,
             "no-such-host.invalid"); /* RFC 6761, 6.4: never resolves */
    atomic_store(&rig.fd, -1);
    live_start(&rig.live, tcp_unit, &rig);
    wait_for(&rig, OUTCOME_NO_CONNECTION);
    live_stop(&rig.live);
}

int main(void)
{
    setenv("RES_OPTIONS", "timeout:1 attempts:1",
           1); /* resolv.conf(5): where no name server answers */
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_second_program_does_not_get_the_port),
        cmocka_unit_test(a_request_that_writes_does_not_leave_the_port),
        cmocka_unit_test(a_converter_unplugged_and_plugged_again_recovers_by_itself),
        cmocka_unit_test(a_tcp_unit_that_goes_and_comes_is_taken_again),
        cmocka_unit_test(a_host_name_that_nobody_knows_is_a_row_and_not_an_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
