/* SPDX-License-Identifier: Apache-2.0
 *
 * test_notify.c - what the service manager is told: when the watchdog is fed, the words of STATUS=,
 * and the datagrams on a socket of our own.
 *
 * Source of the protocol: sd_notify(3) and sd_watchdog_enabled(3) of systemd 252.
 */
#include "check.h"

#include "../../daemon/uphole/notify.h"

#include "uphole/scan.h"
#include "uphole/stamp.h"

#include <stdlib.h>
#include <unistd.h>

#define ALLOWED_US 60000000
#define HALF_US (ALLOWED_US / 2)

static struct watchdog watched(void)
{
    struct watchdog watchdog;
    watchdog_begin(&watchdog, ALLOWED_US, 1000);
    return watchdog;
}

static enum watchdog_verdict step(struct watchdog *watchdog, int64_t now_us, uint64_t core,
                                  uint64_t first, uint64_t second, int *stuck)
{
    const uint64_t lines[] = {first, second};
    return watchdog_step(watchdog, now_us, core, lines, 2, stuck);
}

static void it_is_fed_at_half_of_what_is_allowed(void **state)
{
    struct watchdog watchdog = watched();
    int stuck = 99;
    (void)state;
    check_count("early", step(&watchdog, 1000 + HALF_US - 1, 9, 9, 9, &stuck), WATCHDOG_WAIT);
    check_count("at half", step(&watchdog, 1000 + HALF_US, 9, 9, 9, &stuck), WATCHDOG_FEED);
    check_count("again", step(&watchdog, 1000 + HALF_US + 1, 10, 10, 10, &stuck), WATCHDOG_WAIT);
    check_count("next half", step(&watchdog, 1000 + 2 * HALF_US, 10, 10, 10, &stuck),
                WATCHDOG_FEED);
    check_count("stuck untouched", stuck, 99);
}

/* Planted defect: `continue` instead of a verdict for a line that has not moved. */
static void a_line_thread_that_stands_still_is_not_fed(void **state)
{
    struct watchdog watchdog = watched();
    int stuck = 99;
    (void)state;
    assert_int_equal(step(&watchdog, 1000 + HALF_US, 5, 5, 7, &stuck), WATCHDOG_FEED);
    int64_t now_us = 1000 + 2 * HALF_US;
    for (uint64_t pass = 6; pass < 206; pass++, now_us += 200000) /* core and the first go on */
        check_count("fed", step(&watchdog, now_us, pass, pass, 7, &stuck), WATCHDOG_WITHHOLD);
    check_count("which line", stuck, 1);
    check_count("after one pass", step(&watchdog, now_us, 206, 206, 8, &stuck), WATCHDOG_FEED);
}

/* Planted defect: feeding from a thread or timer of its own, without asking for core's passes. */
static void core_that_stands_still_is_not_fed(void **state)
{
    struct watchdog watchdog = watched();
    int stuck = 99;
    (void)state;
    assert_int_equal(step(&watchdog, 1000 + HALF_US, 5, 5, 5, &stuck), WATCHDOG_FEED);
    check_count("fed", step(&watchdog, 1000 + 2 * HALF_US, 5, 6, 6, &stuck), WATCHDOG_WITHHOLD);
    check_count("what", stuck, WATCHDOG_STUCK_CORE);
}

/* Planted defect: taking `<` for `!=`: after a new run the counts of the lines begin at 0 again. */
static void counts_that_begin_anew_are_progress(void **state)
{
    struct watchdog watchdog = watched();
    int stuck = 99;
    (void)state;
    assert_int_equal(step(&watchdog, 1000 + HALF_US, 500, 400, 400, &stuck), WATCHDOG_FEED);
    check_count("fed", step(&watchdog, 1000 + 2 * HALF_US, 501, 2, 3, &stuck), WATCHDOG_FEED);
}

static void where_nobody_watches_nothing_is_fed(void **state)
{
    struct watchdog watchdog;
    int stuck;
    (void)state;
    watchdog_begin(&watchdog, 0, 1000);
    check_count("fed", step(&watchdog, INT64_MAX, 9, 9, 9, &stuck), WATCHDOG_WAIT);
}

static struct line_plan LINES[3] = {
    {.name = "pad-line", .medium = LINE_MEDIUM_SERIAL, .response_timeout_ms = 1000},
    {.name = "skid-line",
     .medium = LINE_MEDIUM_TCP,
     .host = "192.0.2.7",
     .response_timeout_ms = 1000},
    {.name = "far-line",
     .medium = LINE_MEDIUM_TCP,
     .host = "unit.heron.example",
     .response_timeout_ms = 1000},
};

/* Planted defect: returning what was asked, whatever a line may take for one answer. */
static void a_line_that_waits_long_for_an_answer_gets_the_time(void **state)
{
    struct plan plan = {.lines = LINES, .n_lines = 2, .n_wells = 2};
    (void)state;
    check_count("usual", watchdog_needs_us(&plan, ALLOWED_US), ALLOWED_US);
    check_count("nobody watches", watchdog_needs_us(&plan, 0), 0);
    LINES[0].response_timeout_ms = 60000; /* the largest that a configuration may state */
    check_count("slow", watchdog_needs_us(&plan, ALLOWED_US), 3 * 2 * 60000000LL);
    LINES[0].response_timeout_ms = 1000;
    plan.n_lines = 3; /* a name must be looked up */
    check_count("name", watchdog_needs_us(&plan, ALLOWED_US), 3 * 62000000LL);
}

static void status(const struct notify_facts *facts, const char *expected)
{
    char text[NOTIFY_STATUS_MAX];
    const size_t n = notify_status_text(facts, text, sizeof text);
    check_text("status", text, expected);
    check_count("its length", (long long)n, (long long)strlen(expected));
}

static void the_status_is_said_in_plain_words(void **state)
{
    const struct plan plan = {.lines = LINES, .n_lines = 3, .n_wells = 2};
    uint8_t lines[] = {LINE_UP, LINE_UP, LINE_UP};
    struct notify_facts facts = {.plan = &plan,
                                 .line = lines,
                                 .acknowledges = true,
                                 .safe = true,
                                 .scada_side = true,
                                 .clock = CLOCK_STATE_SYNCHRONISED};
    (void)state;
    status(&facts, "2 wells: 3 of 3 lines answer; 0 records wait.");
    lines[1] = LINE_DOWN;
    facts.waiting = 1;
    status(&facts, "2 wells: 2 of 3 lines answer, skid-line gives no answer; 1 record waits.");
    lines[2] = LINE_DEGRADED;
    facts.waiting = 412;
    facts.clock = CLOCK_STATE_NEVER_SET;
    status(&facts, "2 wells: 2 of 3 lines answer, 1 with faults, skid-line gives no answer; 412 "
                   "records wait. The clock isn't synchronised.");
    lines[0] = lines[1] = lines[2] = LINE_UNKNOWN;
    facts = (struct notify_facts){.plan = &plan, .line = lines, .clock = CLOCK_STATE_HOLDOVER};
    status(&facts, "2 wells: 0 of 3 lines answer, 3 not heard yet. Nothing is published before "
                   "the journal is checked. The SCADA side is down.");
    facts.refusing = facts.scada_side = true;
    lines[0] = lines[1] = LINE_DOWN;
    status(&facts, "2 wells: 0 of 3 lines answer, pad-line and others give no answer, 1 not heard "
                   "yet. The disk takes no rows: live values only.");
}

/* Planted defect: `used + n` without the room. */
static void a_short_room_cuts_the_status_and_nothing_else(void **state)
{
    const struct plan plan = {.lines = LINES, .n_lines = 3, .n_wells = 2};
    const uint8_t lines[] = {LINE_DOWN, LINE_UP, LINE_UP};
    const struct notify_facts facts = {.plan = &plan, .line = lines};
    (void)state;
    for (size_t room = 1; room < 60; room++) {
        char text[64];
        memset(text, '#', sizeof text);
        const size_t n = notify_status_text(&facts, text, room);
        assert_true(n < room);
        assert_int_equal(text[n], '\0');
        assert_int_equal(text[room], '#');
    }
}

/* ---- the socket ---- */

static int listener(const char *name)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    const size_t n = strlen(name);
    memcpy(at.sun_path, name, n);
    if (name[0] == '@')
        at.sun_path[0] = '\0';
    const int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK, 0);
    assert_true(fd >= 0);
    assert_int_equal(
        bind(fd, (struct sockaddr *)&at,
             (socklen_t)(offsetof(struct sockaddr_un, sun_path) + n + (name[0] == '@' ? 0 : 1))),
        0);
    return fd;
}

static void heard(int fd, const char *expected)
{
    char text[512];
    const ssize_t n = recv(fd, text, sizeof text - 1, 0);
    text[n < 0 ? 0 : n] = '\0';
    check_text("datagram", text, expected);
}

static void talk(const char *name)
{
    const int fd = listener(name);
    struct notify notify;
    setenv("NOTIFY_SOCKET", name, 1);
    notify_open(&notify);
    assert_null(getenv("NOTIFY_SOCKET")); /* a child must not speak in our name */
    notify_send(&notify, "READY=1");
    notify_status(&notify, "2 wells");
    notify_status(&notify, "2 wells"); /* said already */
    notify_status(&notify, "3 wells");
    heard(fd, "READY=1");
    heard(fd, "STATUS=2 wells");
    heard(fd, "STATUS=3 wells");
    heard(fd, "");
    notify_close(&notify);
    close(fd);
}

static void a_path_and_an_abstract_name_are_reached(void **state)
{
    char directory[] = "/tmp/uphole-notify-XXXXXX", path[64], name[64];
    (void)state;
    assert_non_null(mkdtemp(directory));
    snprintf(path, sizeof path, "%s/n.sock", directory);
    talk(path);
    unlink(path);
    rmdir(directory);
    snprintf(name, sizeof name, "@uphole-test-%d", (int)getpid());
    talk(name);
}

static int64_t watchdog_of(const char *allowed, const char *pid)
{
    struct notify notify;
    setenv("NOTIFY_SOCKET", "@uphole-test-nobody", 1);
    setenv("WATCHDOG_USEC", allowed, 1);
    if (pid != NULL)
        setenv("WATCHDOG_PID", pid, 1);
    notify_open(&notify);
    notify_send(&notify, "WATCHDOG=1"); /* nobody there: nothing happens */
    notify_close(&notify);
    assert_null(getenv("WATCHDOG_USEC"));
    assert_null(getenv("WATCHDOG_PID"));
    return notify.watchdog_us;
}

/* Planted defect: WATCHDOG_PID not looked at. */
static void the_watchdog_is_only_ours_if_it_names_us(void **state)
{
    char own[16], other[16];
    (void)state;
    snprintf(own, sizeof own, "%d", (int)getpid());
    snprintf(other, sizeof other, "%d", (int)getppid());
    check_count("without a pid", watchdog_of("60000000", NULL), 60000000);
    check_count("ours", watchdog_of("60000000", own), 60000000);
    check_count("another's", watchdog_of("60000000", other), 0);
    check_count("no number", watchdog_of("60 s", NULL), 0);
    check_count("negative", watchdog_of("-5", NULL), 0);
}

static void without_a_service_manager_nothing_is_said(void **state)
{
    struct notify notify;
    (void)state;
    notify_open(&notify);
    check_count("no socket", notify.fd, -1);
    notify_send(&notify, "READY=1");
    notify_status(&notify, "2 wells");
    notify_close(&notify);
}

static void an_address_that_can_not_be_used_stops_nothing(void **state)
{
    char longer[200];
    struct notify notify;
    (void)state;
    memset(longer, 'x', sizeof longer - 1);
    longer[0] = '/';
    longer[sizeof longer - 1] = '\0';
    const char *const bad[] = {longer, "relative", "@", "/", "vsock:2:1234"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        setenv("NOTIFY_SOCKET", bad[i], 1);
        notify_open(&notify);
        check_count(bad[i], notify.fd, -1);
        notify_close(&notify);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_is_fed_at_half_of_what_is_allowed),
        cmocka_unit_test(a_line_thread_that_stands_still_is_not_fed),
        cmocka_unit_test(core_that_stands_still_is_not_fed),
        cmocka_unit_test(counts_that_begin_anew_are_progress),
        cmocka_unit_test(where_nobody_watches_nothing_is_fed),
        cmocka_unit_test(a_line_that_waits_long_for_an_answer_gets_the_time),
        cmocka_unit_test(the_status_is_said_in_plain_words),
        cmocka_unit_test(a_short_room_cuts_the_status_and_nothing_else),
        cmocka_unit_test(a_path_and_an_abstract_name_are_reached),
        cmocka_unit_test(the_watchdog_is_only_ours_if_it_names_us),
        cmocka_unit_test(without_a_service_manager_nothing_is_said),
        cmocka_unit_test(an_address_that_can_not_be_used_stops_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
