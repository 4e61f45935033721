/* SPDX-License-Identifier: Apache-2.0
 *
 * test_serve.c - the simulator on real ports: a pseudo-terminal under a link, a TCP listener,
 * paced, and unplugged by script.
 */
#include "check.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "uphole/simulate.h"
#include "uphole/wire.h"
#include "unit_map.h"

#define PATIENCE_MS 30000 /* of the test, for what no healthy machine takes */

static struct map MAP;

struct stage {
    struct simulate_options options;
    char directory[64], link[128], script[128];
    int stop[2], announced[2];
    pthread_t thread;
    struct up_error error;
    enum up_rc rc;
    unsigned port; /* of the TCP line */
};

static void *serve(void *context)
{
    struct stage *stage = context;
    stage->rc = simulate_serve(&stage->options, &stage->error);
    fclose(stage->options.announce);
    return NULL;
}

static void prepare(struct stage *stage, const char *script)
{
    unit_map(&MAP);
    memset(stage, 0, sizeof *stage);
    strcpy(stage->directory, "/tmp/uphole-serve-XXXXXX");
    assert_non_null(mkdtemp(stage->directory));
    snprintf(stage->link, sizeof stage->link, "%s/pad-line", stage->directory);
    assert_int_equal(pipe(stage->stop), 0);
    assert_int_equal(pipe(stage->announced), 0);
    stage->options.n_lines = 2;
    stage->options.stop_fd = stage->stop[0];
    stage->options.announce = fdopen(stage->announced[1], "w");
    struct simulate_line *serial = &stage->options.lines[0], *tcp = &stage->options.lines[1];
    serial->line = (struct line_plan){.name = "pad-line",
                                      .medium = LINE_MEDIUM_SERIAL,
                                      .baud = 9600,
                                      .data_bits = 8,
                                      .parity = 'N',
                                      .stop_bits = 1};
    strcpy(serial->line.device, stage->link);
    tcp->line =
        (struct line_plan){.name = "skid-line", .medium = LINE_MEDIUM_TCP, .host = "127.0.0.1"};
    serial->n_units = tcp->n_units = 1;
    serial->units[0] = tcp->units[0] = (struct virtual_unit_options){
        .map = &MAP, .unit_id = 1, .seed = 1, .powered_at_ms = -25000};
    if (script) {
        snprintf(stage->script, sizeof stage->script, "%s/faults", stage->directory);
        FILE *file = fopen(stage->script, "w");
        assert_non_null(file);
        fputs(script, file);
        fclose(file);
        stage->options.faults_file = stage->script;
    }
}

static void start(struct stage *stage)
{
    char text[512] = "";
    size_t n = 0;
    assert_int_equal(pthread_create(&stage->thread, NULL, serve, stage), 0);
    while (!strstr(text, "ready\n")) {
        ssize_t got = read(stage->announced[0], text + n, sizeof text - 1 - n);
        if (got <= 0)
            fail_msg("no 'ready': %s", text);
        n += (size_t)got;
    }
    const char *line = strstr(text, "skid-line 127.0.0.1:");
    assert_non_null(line);
    stage->port = (unsigned)atoi(line + strlen("skid-line 127.0.0.1:"));
    assert_non_null(strstr(text, " -> /dev/pts/"));
}

static void finish(struct stage *stage)
{
    struct stat status;
    assert_int_equal(write(stage->stop[1], "x", 1), 1);
    assert_int_equal(pthread_join(stage->thread, NULL), 0);
    assert_int_equal(stage->rc, UP_OK);
    assert_int_equal(lstat(stage->link, &status), -1); /* its link is removed */
    close(stage->stop[0]);
    close(stage->stop[1]);
    close(stage->announced[0]);
    if (stage->script[0])
        unlink(stage->script);
    assert_int_equal(rmdir(stage->directory), 0);
}

static int64_t now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

static int open_port(const char *link)
{
    struct termios raw;
    int fd = open(link, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (fd < 0)
        return -1;
    if (tcgetattr(fd, &raw) == 0) {
        cfmakeraw(&raw);
        tcsetattr(fd, TCSANOW, &raw);
    }
    return fd;
}

/* Reads `want` bytes or until timeout_ms; when the first and the last came. */
static size_t take(int fd, uint8_t *into, size_t want, int timeout_ms, int64_t *first_us,
                   int64_t *last_us)
{
    size_t n = 0;
    int64_t until = now_us() + timeout_ms * 1000LL;
    while (n < want && now_us() < until) {
        struct pollfd look = {.fd = fd, .events = POLLIN};
        if (poll(&look, 1, (int)((until - now_us()) / 1000) + 1) <= 0)
            break;
        ssize_t got = read(fd, into + n, want - n);
        if (got <= 0) {
            fprintf(stderr, "after %zu bytes: read %zd, %s\n", n, got,
                    got < 0 ? strerror(errno) : "closed");
            break;
        }
        if (n == 0 && first_us)
            *first_us = now_us();
        n += (size_t)got;
        if (last_us)
            *last_us = now_us();
    }
    return n;
}

static size_t put_request(uint8_t frame[static RTU_ADU_MAX], uint16_t first, uint16_t count)
{
    uint8_t pdu[PDU_MAX];
    struct read_request request = {4, first, count};
    return rtu_put_frame(frame, 1, pdu, pdu_put_read(pdu, &request));
}

/* 8N1 at 9600 is 10/9600 s a character: (8 + 5 + 2 x 24) characters + t3.5 = 67.19 ms. Never
 * sooner; the slack above is the machine's. */
static void a_real_line_takes_the_time_of_the_wire(void **state)
{
    (void)state;
    struct stage stage;
    uint8_t frame[RTU_ADU_MAX], answer[64];
    prepare(&stage, NULL);
    start(&stage);
    int fd = open_port(stage.link);
    assert_true(fd >= 0);
    size_t n = put_request(frame, 0, 24);
    int64_t spread_us = 0;
    for (int i = 0; i < 10 || (spread_us <= 30000 && i < 200); i++) {
        int64_t first = 0, last = 0, asked = now_us();
        assert_int_equal(write(fd, frame, n), (ssize_t)n);
        check_count("bytes", (long long)take(fd, answer, 53, PATIENCE_MS, &first, &last), 53);
        assert_true(rtu_crc_is_right(answer, 53));
        double wire_ms = 61 * 10 / 9.6 + 3.5 * 10 / 9.6, took_ms = (double)(last - asked) / 1000;
        if (took_ms < wire_ms - 0.05 || took_ms > wire_ms + PATIENCE_MS)
            fail_msg("the exchange took %.2f ms, the wire %.2f ms", took_ms, wire_ms);
        assert_true((double)(first - asked) / 1000 >=
                    8 * 10 / 9.6 + 3.5 * 10 / 9.6 + 10 / 9.6 - 0.05);
        if (last - first > spread_us)
            spread_us = last - first;
    }
    /* Byte by byte, not at once; a loaded machine may hide that in some exchanges by waking us
     * late, not in all. */
    assert_true(spread_us > 30000);
    close(fd);
    finish(&stage);
}

/* Planted defect that this catches: a lock (TIOCEXCL) that outlives its holder, so that a port
 * can't be opened again. */
static void a_port_can_be_closed_and_opened_again(void **state)
{
    (void)state;
    struct stage stage;
    uint8_t frame[RTU_ADU_MAX], answer[64];
    prepare(&stage, NULL);
    start(&stage);
    size_t n = put_request(frame, 16, 1);
    for (int i = 0; i < 5; i++) {
        int exclusive = -1, fd = open_port(stage.link);
        assert_true(fd >= 0);
        assert_int_equal(ioctl(fd, TIOCGEXCL, &exclusive), 0);
        assert_int_equal(exclusive, 0);
        (void)ioctl(fd, TIOCEXCL);
        assert_int_equal(write(fd, frame, n), (ssize_t)n);
        check_count("bytes", (long long)take(fd, answer, 7, PATIENCE_MS, NULL, NULL), 7);
        assert_int_equal(write(fd, frame, n), (ssize_t)n); /* leaves without its answer */
        close(fd);
        usleep(150000);
    }
    finish(&stage);
}

static void a_name_that_is_no_link_is_not_replaced(void **state)
{
    (void)state;
    struct stage stage;
    prepare(&stage, NULL);
    int fd = open(stage.link, O_CREAT | O_WRONLY, 0600);
    assert_true(fd >= 0);
    close(fd);
    struct up_error error = {0};
    assert_int_equal(simulate_serve(&stage.options, &error), UP_E_PORT);
    assert_non_null(strstr(error.why, "is there and is no link"));
    assert_int_equal(unlink(stage.link), 0);
    assert_int_equal(symlink("/nonexistent", stage.link), 0); /* an old link is */
    start(&stage);
    finish(&stage);
}

static void a_converter_can_be_pulled_and_plugged_again(void **state)
{
    (void)state;
    struct stage stage;
    struct stat status;
    uint8_t frame[RTU_ADU_MAX], answer[64];
    prepare(&stage, "at 1500 ms for 3 s line pad-line converter_gone\nat 1500 ms for 3 s line "
                    "skid-line converter_gone\n");
    start(&stage);
    size_t n = put_request(frame, 16, 1);
    int fd = open_port(stage.link);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, frame, n), (ssize_t)n);
    check_count("before", (long long)take(fd, answer, 7, PATIENCE_MS, NULL, NULL), 7);
    bool is_gone = false;
    for (int i = 0; i < PATIENCE_MS / 10 && !is_gone; i++) {
        usleep(10000);
        is_gone = lstat(stage.link, &status) != 0;
    }
    assert_true(is_gone);
    assert_true(read(fd, answer, sizeof answer) <= 0); /* hung up, or soon: it waits for that */
    close(fd);
    for (int i = 0; i < PATIENCE_MS / 10 && lstat(stage.link, &status) != 0; i++)
        usleep(10000);
    fd = open_port(stage.link);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, frame, n), (ssize_t)n);
    check_count("after", (long long)take(fd, answer, 7, PATIENCE_MS, NULL, NULL), 7);
    close(fd);
    finish(&stage);
}

static int connect_to(unsigned port)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (connect(fd, (struct sockaddr *)&address, sizeof address) != 0) {
        close(fd);
        return -1;
    }
    return fd;
}

static void many_clients_are_served_over_tcp(void **state)
{
    (void)state;
    struct stage stage;
    enum { CLIENTS = SIMULATE_CONNECTIONS_MAX / 2 }; /* those that went may still be leaving */
    int fds[CLIENTS];
    uint8_t frame[TCP_ADU_MAX], answer[64];
    const uint8_t pdu[] = {4, 0, 16, 0, 2};
    prepare(&stage, NULL);
    start(&stage);
    for (int round = 0; round < 3; round++) {
        for (unsigned i = 0; i < CLIENTS; i++) {
            fds[i] = connect_to(stage.port);
            assert_true(fds[i] >= 0);
            size_t n = tcp_put_frame(frame, (uint16_t)(100 + i), 1, pdu, 5);
            assert_int_equal(write(fds[i], frame, n), (ssize_t)n);
        }
        for (unsigned i = 0; i < CLIENTS; i++) {
            if (take(fds[i], answer, 13, PATIENCE_MS, NULL, NULL) != 13)
                fail_msg("round %d, client %u: no answer", round, i);
            assert_int_equal(get_u16(answer), 100 + i);
            close(fds[i]);
        }
    }
    finish(&stage);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_real_line_takes_the_time_of_the_wire),
        cmocka_unit_test(a_port_can_be_closed_and_opened_again),
        cmocka_unit_test(a_name_that_is_no_link_is_not_replaced),
        cmocka_unit_test(a_converter_can_be_pulled_and_plugged_again),
        cmocka_unit_test(many_clients_are_served_over_tcp),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
