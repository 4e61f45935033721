/* SPDX-License-Identifier: Apache-2.0
 *
 * test_converters.c - what stands between a line and its units: a serial device server nobody here
 * wrote (ser2net) in front of a pty, and a driver that switches the direction of RS-485, or can't.
 */
#include "uphole/gather.h"
#include "uphole/wire.h"

#include "check.h"
#include "free_port.h"
#include "live.h"
#include "pty.h"

#include <arpa/inet.h>
#include <linux/serial.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <sys/prctl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/wait.h>

#define SERVER "/usr/sbin/ser2net"
#define LATE_WORD 0xD000 /* and the question's number below */
#define QUESTIONS_MAX 4096
/* Later than the time-out of 200 ms and the wire's own time, sooner than the rest after it: in the
 * middle between both, since a busy machine puts off the server as well. */
#define LATE_US 320000
#define LATE_MOST_US 360000
/* No question comes sooner after one that timed out; what is taken later than this a busy machine
 * had put off, and nothing can tell it. */
#define REST_ENDS_US 400000
#define TIMES_OUT_US 200000

/* ---- the driver: only its answer to the two requests is played here ---- */

static bool driver_can_switch;
static struct serial_rs485 driver_state;
static unsigned driver_set;

/** Stands before the C library's: libmodbus asks the driver through it. */
int ioctl(int fd, unsigned long request, ...)
{
    va_list arguments;
    va_start(arguments, request);
    void *argument = va_arg(arguments, void *);
    va_end(arguments);
    if (driver_can_switch && request == TIOCGRS485) {
        memcpy(argument, &driver_state, sizeof driver_state);
        return 0;
    }
    if (driver_can_switch && request == TIOCSRS485) {
        memcpy(&driver_state, argument, sizeof driver_state);
        driver_set++;
        return 0;
    }
    return (int)syscall(SYS_ioctl, fd, request, argument);
}

static enum up_rc open_with(bool rs485, struct up_error *error)
{
    struct pty pty;
    struct up_clock clock;
    clock_of_system(&clock);
    if (pty_open(&pty) != 0)
        skip();
    struct line_plan line = made_serial(9600, 'N');
    snprintf(line.device, sizeof line.device, "%s", pty.path);
    line.rs485_driver = rs485;
    struct port *port = port_for_line(&line, &clock, -1);
    assert_non_null(port);
    enum up_rc rc = port->open(port->context, error);
    port->close(port->context);
    port_free(port);
    pty_close(&pty);
    return rc;
}

/* linux/serial.h: SER_RS485_ENABLED. Planted defect: the key is not handed on
 * (tests/planted/gather-rs485-forgotten.patch). */
static void a_driver_that_switches_the_direction_is_asked_to(void **state)
{
    (void)state;
    struct up_error error = {0};
    driver_can_switch = true;
    driver_set = 0;
    check_count("without the key", open_with(false, &error), UP_OK);
    check_count("asked", driver_set, 0);
    check_count("with it", open_with(true, &error), UP_OK);
    check_count("asked", driver_set, 1);
    assert_true(driver_state.flags & SER_RS485_ENABLED);
    driver_can_switch = false;
}

/* Planted defect: the driver's refusal is passed over; the same patch. */
static void a_driver_that_cant_switch_is_named_with_what_to_do(void **state)
{
    (void)state;
    struct up_error error = {0};
    check_count("open", open_with(true, &error), UP_E_PORT);
    assert_non_null(strstr(error.why, "can't switch the direction of RS-485"));
    assert_non_null(strstr(error.why, "rs485: none"));
    check_count("without the key", open_with(false, &error), UP_OK);
}

/* ---- a serial device server ---- */

struct rig {
    struct live live;
    struct pty pty;
    atomic_uint questions, late;
    _Atomic int64_t heard_us[QUESTIONS_MAX];
    atomic_bool is_late_now_and_then;
    pid_t server;
    char config[64];
};

static size_t put_answer(uint8_t *frame, const uint8_t *request, uint16_t word)
{
    unsigned count = get_u16(request + 4);
    memcpy(frame, request, 2);
    frame[2] = (uint8_t)(2 * count);
    for (unsigned i = 0; i < count; i++)
        put_u16(frame + 3 + 2 * i, word != 0 ? word : (uint16_t)(get_u16(request + 2) + i));
    size_t n = 3 + 2 * (size_t)count;
    uint16_t crc = crc16(frame, n);
    frame[n] = (uint8_t)(crc & 0xFF);
    frame[n + 1] = (uint8_t)(crc >> 8);
    return n + 2;
}

/** The unit on the serial side; each fifth answer comes late, where the test says so. */
static void *unit(void *argument)
{
    struct rig *rig = argument;
    uint8_t request[8], frame[300];
    size_t n = 0;
    while (!atomic_load(&rig->live.stopping)) {
        struct pollfd wait = {.fd = rig->pty.master, .events = POLLIN};
        if (poll(&wait, 1, 20) <= 0)
            continue;
        ssize_t got = read(rig->pty.master, request + n, sizeof request - n);
        if (got <= 0)
            continue;
        n += (size_t)got;
        if (n < sizeof request)
            continue;
        n = 0;
        unsigned serial = atomic_fetch_add(&rig->questions, 1);
        atomic_store(&rig->heard_us[serial % QUESTIONS_MAX], clock_boot_us(&rig->live.clock));
        bool is_late = atomic_load(&rig->is_late_now_and_then) && serial % 5 == 4;
        if (is_late) {
            const int64_t heard_us = clock_boot_us(&rig->live.clock);
            usleep(LATE_US);
            if (clock_boot_us(&rig->live.clock) - heard_us > LATE_MOST_US)
                continue; /* later than anything can tell: then not at all */
            atomic_fetch_add(&rig->late, 1);
        }
        size_t length = put_answer(frame, request,
                                   is_late ? (uint16_t)(LATE_WORD | serial % QUESTIONS_MAX) : 0);
        if (write(rig->pty.master, frame, length) != (ssize_t)length)
            continue;
    }
    return NULL;
}

/** Keys by its manual page, ser2net.yaml(5). */
static void server_start(struct rig *rig, uint16_t port)
{
    snprintf(rig->config, sizeof rig->config, "/tmp/uphole-server-XXXXXX");
    int fd = mkstemp(rig->config);
    assert_true(fd >= 0);
    dprintf(fd,
            "%%YAML 1.1\n---\nconnection: &pad\n    accepter: tcp,127.0.0.1,%u\n    enable: on\n"
            "    options:\n      kickolduser: true\n    connector: serialdev,%s,9600n81,local\n",
            port, rig->pty.path);
    close(fd);
    char *arguments[] = {(char *)(uintptr_t)SERVER,
                         (char *)(uintptr_t) "-n",
                         (char *)(uintptr_t) "-u",
                         (char *)(uintptr_t) "-c",
                         rig->config,
                         NULL};
    rig->server = fork();
    assert_true(rig->server >= 0);
    if (rig->server == 0) {
        prctl(PR_SET_PDEATHSIG,
              SIGKILL); /* a test that is stopped midway leaves no server behind */
        execv(SERVER, arguments);
        _exit(127);
    }
}

static void server_stop(struct rig *rig)
{
    kill(rig->server, SIGTERM);
    waitpid(rig->server, NULL, 0);
    unlink(rig->config);
}

static void rig_start(struct rig *rig)
{
    uint16_t port = free_port();
    if (access(SERVER, X_OK) != 0 || pty_open(&rig->pty) != 0) {
        print_message("SKIPPED: no ser2net or no pseudo-terminal on this machine\n");
        skip();
    }
    server_start(rig, port);
    rig->live.made.line = made_serial(9600, 'N');
    rig->live.made.line.medium = LINE_MEDIUM_TCP;
    rig->live.made.line.framing = LINE_FRAMING_RTU;
    rig->live.made.line.port = port;
    snprintf(rig->live.made.line.host, sizeof rig->live.made.line.host, "127.0.0.1");
    live_start(&rig->live, unit, rig);
}

static void rig_stop(struct rig *rig)
{
    live_stop(&rig->live);
    server_stop(rig);
    pty_close(&rig->pty);
}

struct sums {
    unsigned answered, late_words, wrong_words, put_off;
};

/** Whether a late answer was taken for that of another question, by a line that kept no rest. */
static bool is_taken_wrongly(const struct rig *rig, const struct scan *scan, uint16_t word)
{
    const int64_t begun_us = scan->begun.boot_ms * 1000;
    const int64_t heard_us = atomic_load(&rig->heard_us[word % QUESTIONS_MAX]);
    const bool is_its_own =
        heard_us >= (scan->tries == 1 ? begun_us - 2000 : begun_us + TIMES_OUT_US);
    return !is_its_own && begun_us + (int64_t)scan->took_ms * 1000 - heard_us < REST_ENDS_US;
}

static void take_scans(struct rig *rig, struct sums *sums)
{
    static struct gathered item;
    while (ring_get(rig->live.ring, &item)) {
        if (item.kind != GATHERED_SCAN)
            continue;
        sums->answered += item.scan.outcome == OUTCOME_ANSWERED;
        for (unsigned i = 0; i < item.scan.n_words; i++) {
            const uint16_t word = item.scan.words[i];
            const bool is_late = word >= LATE_WORD,
                       is_taken = is_taken_wrongly(rig, &item.scan, word);
            sums->late_words += is_late && is_taken;
            sums->put_off += is_late && !is_taken;
            sums->wrong_words += !is_late && word != (uint16_t)(100 + i);
        }
    }
}

/** Until `answered` scans came; fails after a time that no healthy machine needs. */
static void wait_for(struct rig *rig, struct sums *sums, unsigned answered)
{
    for (int waited_ms = 0; waited_ms < 60000 && sums->answered < answered; waited_ms += 10) {
        usleep(10000);
        take_scans(rig, sums);
    }
    assert_true(sums->answered >= answered);
}

/* Planted defects: tests/planted/gather-server-no-rest.patch (its late answers are taken). */
static void a_serial_device_server_is_read_and_its_late_answers_are_not_taken(void **state)
{
    (void)state;
    static struct rig rig;
    struct sums sums = {0};
    rig_start(&rig);
    wait_for(&rig, &sums, 5);
    atomic_store(&rig.is_late_now_and_then, true);
    wait_for(&rig, &sums, 40);
    while (atomic_load(&rig.late) < 5 && sums.answered < 400)
        wait_for(&rig, &sums, sums.answered + 5);
    print_message("%u scans answered through ser2net, %u late answers, %u of their words taken, %u "
                  "that this machine put off\n",
                  sums.answered, atomic_load(&rig.late), sums.late_words, sums.put_off);
    assert_true(atomic_load(&rig.late) >= 5);
    check_count("Finding: words of late answers", sums.late_words, 0);
    check_count("Finding: wrong words", sums.wrong_words, 0);
    rig_stop(&rig);
}

/* A server that was started anew is found by itself. */
static void a_serial_device_server_that_was_restarted_is_taken_again(void **state)
{
    (void)state;
    static struct rig rig;
    struct sums sums = {0};
    rig_start(&rig);
    wait_for(&rig, &sums, 3);
    server_stop(&rig);
    usleep(1500000);
    server_start(&rig, rig.live.made.line.port);
    take_scans(&rig, &sums);
    wait_for(&rig, &sums, sums.answered + 3);
    check_count("Finding: wrong words", sums.wrong_words, 0);
    rig_stop(&rig);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_driver_that_switches_the_direction_is_asked_to),
        cmocka_unit_test(a_driver_that_cant_switch_is_named_with_what_to_do),
        cmocka_unit_test(a_serial_device_server_is_read_and_its_late_answers_are_not_taken),
        cmocka_unit_test(a_serial_device_server_that_was_restarted_is_taken_again),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
