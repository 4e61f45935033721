/* SPDX-License-Identifier: Apache-2.0
 *
 * test_wall_full.c - the well side where the SCADA side takes nothing, or dies while it is greeted:
 * nothing waits for it, nothing is lost by it, and it is noticed.
 */
#include "rig.h"

#include "check.h"

#include "../../daemon/uphole/backlog.h"

#include "uphole/gather.h"

#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define PATIENCE_S 20 /* of the test: whatever waits for the wall is ended by an alarm */

static void poll_unheard(struct rig *rig)
{
    static struct gathered item;
    struct clock_watch watch = {.floor_utc_ms = 1700000000000};
    item = (struct gathered){.kind = GATHERED_SCAN};
    item.scan = (struct scan){.run = rig->run,
                              .begun = stamp_take(&rig->clock, &watch),
                              .took_ms = 1000,
                              .plan = rig->plan->id,
                              .well = rig->well,
                              .source = SOURCE_GAUGE,
                              .outcome = OUTCOME_SILENT,
                              .tries = 1};
    assert_true(ring_put(rig->ring, &item));
    rig_step(rig, 1);
}

/* Planted defect: core-waits-for-the-wall. */
static void a_wall_that_stays_full_keeps_nothing_from_the_journal(void **state)
{
    struct rig *rig = *state;
    const int small = 4096;
    uint64_t newest = 0;
    setsockopt(rig->wall[0], SOL_SOCKET, SO_SNDBUF, &small, sizeof small);
    core_set_safe(rig->core);
    for (int i = 0; i < 600; i++) { /* ten minutes, a poll a second */
        alarm(PATIENCE_S);          /* for each: 600 commits may take a disk longer */
        poll_unheard(rig);
    }
    alarm(0);
    check_count("scans", (long long)core_counts_of(rig->core)->scans, 600);
    check_count("failed commits", (long long)core_counts_of(rig->core)->failed_commits, 0);
    assert_true(core_counts_of(rig->core)->snapshots < 600);
    (void)rig_stored(rig, &newest);
    assert_true(core_wall_is_up(rig->core));
    rig_hear(rig); /* what had gone before it was full */
    assert_true(rig->newest.seq < 600);
    rig_step(rig, 6); /* then the newest, and nothing of what lay between */
    rig_hear(rig);
    check_count("newest told", (long long)rig->newest.seq, 600);
    check_count("more told", (long long)rig->more.newest_scan_seq, 600);
}

/* Planted defect: silence isn't counted, or goes on after a word. */
static void a_scada_side_that_says_nothing_is_noticed(void **state)
{
    struct rig *rig = *state;
    core_set_safe(rig->core);
    rig_step(rig, 100);
    check_count("silence", core_wall_silence_s(rig->core), 100);
    const struct wall_message alive = {.kind = WALL_ALIVE};
    assert_int_equal(wall_send(rig->wall[1], &alive), UP_OK);
    rig_step(rig, 1);
    assert_true(core_wall_silence_s(rig->core) <= 1);
    rig->now_us += 3600000000; /* the box slept for an hour */
    rig_step(rig, 1);
    assert_true(core_wall_silence_s(rig->core) <= 3);
    core_set_wall(rig->core, -1);
    rig_step(rig, 10);
    check_count("silence without a wall", core_wall_silence_s(rig->core), 0);
}

static uint64_t live_seq(void *context, uint16_t well)
{
    return core_newest_seq(((struct rig *)context)->core, (uint16_t)(well - 1));
}

static bool is_greeted(struct backlog_thread *thread, int ms)
{
    for (int waited_ms = 0; waited_ms < ms; waited_ms += 10) {
        if (backlog_thread_greeted(thread) >= 0)
            return true;
        const struct timespec nap = {.tv_nsec = 10000000};
        nanosleep(&nap, NULL);
    }
    return false;
}

/* One dies in the middle of the plan, the next one takes it whole: the thread lives, and says of
 * the second one only that it is greeted. Planted defect: a greeting that failed is told as done.
 */
static void a_scada_side_that_dies_in_the_middle_of_the_plan_is_not_greeted(void **state)
{
    struct rig *rig = *state;
    struct backlog_thread *thread = NULL;
    struct up_error error = {0};
    struct wall_cursor cursors[4];
    int first[2];
    const int small = 4096;
    core_set_wall(rig->core, -1);
    const struct backlog_thread_options options = {.plan = rig->plan,
                                                   .journal_directory = rig->directory,
                                                   .live_seq = live_seq,
                                                   .context = rig};
    if (backlog_thread_start(&options, &thread, &error) != UP_OK)
        fail_msg("%s", error.why);
    const size_t n = core_cursors(rig->core, cursors, 4);
    assert_int_equal(wall_pair(first), 0);
    setsockopt(first[0], SOL_SOCKET, SO_SNDBUF, &small, sizeof small); /* no plan fits whole */
    alarm(PATIENCE_S);
    backlog_thread_greet(thread, first[0], rig->run, cursors, n);
    alarm(0);
    assert_false(is_greeted(thread, 300)); /* nobody reads it */
    close(first[1]);
    assert_false(is_greeted(thread, 300));
    alarm(PATIENCE_S);
    backlog_thread_greet(thread, rig->wall[0], rig->run, cursors, n);
    alarm(0);
    rig->wall[0] = -1;
    assert_true(is_greeted(thread, 60000));
    alarm(PATIENCE_S);
    backlog_thread_stop(thread);
    alarm(0);
    size_t text = 0;
    unsigned numbers = 0;
    while (wall_receive(rig->wall[1], rig->message) == UP_OK) {
        if (rig->message->kind == WALL_PLAN)
            text += rig->message->plan.size;
        numbers += rig->message->kind == WALL_NUMBERS;
    }
    check_count("bytes of the plan", (long long)text, (long long)rig->plan->text_length);
    check_count("numbers", numbers, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_wall_that_stays_full_keeps_nothing_from_the_journal,
                                        rig_setup, rig_teardown),
        cmocka_unit_test_setup_teardown(a_scada_side_that_says_nothing_is_noticed, rig_setup,
                                        rig_teardown),
        cmocka_unit_test_setup_teardown(
            a_scada_side_that_dies_in_the_middle_of_the_plan_is_not_greeted, rig_setup,
            rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
