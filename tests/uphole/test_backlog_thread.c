/* SPDX-License-Identifier: Apache-2.0
 *
 * test_backlog_thread.c - the thread that serves wants: a new SCADA side is greeted at once, and no
 * row leaves before the journal is safe.
 */
#include "rig.h"

#include "check.h"

#include "../../daemon/uphole/backlog.h"

#include <poll.h>
#include <sys/stat.h>
#include <unistd.h>

static uint64_t live_seq(void *context, uint16_t well)
{
    return core_newest_seq(((struct rig *)context)->core, (uint16_t)(well - 1));
}

/** Takes what comes within `ms`, or until the want is served; returns the number of records. */
static unsigned records_within(struct rig *rig, int ms, bool *served)
{
    unsigned n = 0;
    for (int waited_ms = 0; waited_ms < ms && !*served; waited_ms += 10) {
        struct pollfd wait = {.fd = rig->wall[1], .events = POLLIN};
        poll(&wait, 1, 10);
        while (wall_receive(rig->wall[1], rig->message) == UP_OK) {
            n += rig->message->kind == WALL_RECORDS ? rig->message->records.n : 0;
            *served = *served || rig->message->kind == WALL_END_OF_WANT ||
                      (rig->message->kind == WALL_RECORDS && rig->message->records.ends);
        }
    }
    return n;
}

/* Planted defect: backlog-before-safe. */
static void no_row_leaves_before_the_journal_is_safe(void **state)
{
    struct rig *rig = *state;
    struct backlog_thread *thread = NULL;
    struct up_error error = {0};
    struct wall_cursor cursors[4];
    bool served = false;
    rig_poll(rig, 7);
    core_set_wall(rig->core, -1);
    const struct backlog_thread_options options = {.plan = rig->plan,
                                                   .journal_directory = rig->directory,
                                                   .live_seq = live_seq,
                                                   .context = rig};
    if (backlog_thread_start(&options, &thread, &error) != UP_OK)
        fail_msg("%s", error.why);
    const size_t n = core_cursors(rig->core, cursors, 4);
    backlog_thread_greet(thread, rig->wall[0], rig->run, cursors, n); /* takes it over */
    rig->wall[0] = -1;
    for (int i = 0; i < 500 && backlog_thread_greeted(thread) < 0; i++)
        records_within(rig, 10, &served);
    const struct wall_want want = {
        .well = rig->well, .stream = STREAM_RECORD, .serial = 1, .after = 0, .n = 64};
    backlog_thread_want(thread, &want);
    check_count("records before it is safe", records_within(rig, 500, &served), 0);
    assert_false(served);
    backlog_thread_set_safe(thread);
    check_count("records once it is safe", records_within(rig, 60000, &served), 7);
    assert_true(served);
    backlog_thread_stop(thread);
}

/** Until nothing more goes in, so that a greeting waits. */
static void fill(int fd)
{
    static const struct wall_message ALIVE = {.kind = WALL_ALIVE};
    for (int i = 0; i < 100000 && wall_send(fd, &ALIVE) == UP_OK; i++)
        ;
}

/* Two plans in a moment greet the same SCADA side twice before the thread gets to it. The wall that
 * it stands on must stay open: its number would go to the next descriptor, a line's, say. Planted
 * defect: backlog-closes-its-wall. */
static void a_side_that_is_greeted_again_keeps_its_wall(void **state)
{
    struct rig *rig = *state;
    struct backlog_thread *thread = NULL;
    struct up_error error = {0};
    struct wall_cursor cursors[4];
    bool served = false;
    const int fd = rig->wall[0];
    struct stat before, now;
    core_set_wall(rig->core, -1);
    const struct backlog_thread_options options = {.plan = rig->plan,
                                                   .journal_directory = rig->directory,
                                                   .live_seq = live_seq,
                                                   .context = rig};
    if (backlog_thread_start(&options, &thread, &error) != UP_OK)
        fail_msg("%s", error.why);
    const size_t n = core_cursors(rig->core, cursors, 4);
    assert_int_equal(fstat(fd, &before), 0);
    rig->wall[0] = -1;
    fill(fd); /* the first greeting waits; those behind it find it under way */
    for (int i = 0; i < 4; i++) {
        backlog_thread_greet(thread, fd, rig->run, cursors, n);
        usleep(20000);
    }
    assert_int_equal(fstat(fd, &now), 0);
    assert_int_equal(now.st_ino, before.st_ino);
    int greeted = -1;
    for (int i = 0; i < 1000 && greeted < 0; i++) {
        records_within(rig, 10, &served);
        greeted = backlog_thread_greeted(thread);
    }
    check_count("the wall that was greeted", (unsigned)greeted, (unsigned)fd);
    assert_int_equal(fstat(fd, &now), 0);
    backlog_thread_stop(thread);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(no_row_leaves_before_the_journal_is_safe, rig_setup,
                                        rig_teardown),
        cmocka_unit_test_setup_teardown(a_side_that_is_greeted_again_keeps_its_wall, rig_setup,
                                        rig_teardown)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
