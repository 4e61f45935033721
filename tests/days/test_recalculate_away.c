/* SPDX-License-Identifier: Apache-2.0
 *
 * test_recalculate_away.c - rows are recalculated while none of them has been delivered yet: the
 * destination is away, another configuration takes over, and the box crashes in the middle. Each
 * row arrives as it was first measured and as it was recalculated; each identity has one content.
 */
#include "once_more.h"

#define CONFIG(confirmed, depth)                                                                   \
    "site: heron-ridge\nbox: heron-edge-1\n"                                                       \
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: "    \
    "1 s}\n"                                                                                       \
    "  skid-line: {serial: /dev/ttyS8, speed: 9600 baud, frame: 8N1, response_timeout: 1 s}\n"     \
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n"                                       \
    "      gauge:\n        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: "       \
    "scaled-16, poll_every: 10 s" confirmed "}\n"                                                  \
    "      drive:\n        - {from: 2031-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: "      \
    "drive-a, poll_every: 10 s, confirmed_units: all}\n"                                           \
    "    well_data: [{from: 2031-01-10T08:00:00Z, intake_depth: " depth " m TVD, oil_gravity: 32 " \
    "API, water_cut: 60 %}]\n"                                                                     \
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"

static const char WRONG[] = CONFIG("", "1850");
static const char RIGHT[] = CONFIG(", confirmed_units: all", "1900");
static const char OTHER[] = CONFIG(", confirmed_units: all", "1920");

static struct day *begin(struct receiver *receiver, const char *config)
{
    const struct day_options options = {.config = config,
                                        .seed = 91,
                                        .unjudged = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = receiver};
    return day_create(&options);
}

static bool same_content(const struct record *a, const struct record *b)
{
    return a->run == b->run && a->pos == b->pos && a->after_run == b->after_run &&
           a->after_seq == b->after_seq && a->plan_digest == b->plan_digest && a->n == b->n &&
           memcmp(&a->at, &b->at, sizeof a->at) == 0 &&
           memcmp(a->reading, b->reading, a->n * sizeof a->reading[0]) == 0;
}

/** Every row that came with this seq and revision is as the first of them, which is returned. */
static const struct record *one_content(const struct record *rows, size_t n, uint64_t seq,
                                        uint32_t revision)
{
    const struct record *first = NULL;
    for (size_t i = 0; i < n; i++) {
        if (rows[i].seq != seq || rows[i].revision != revision)
            continue;
        if (first == NULL)
            first = &rows[i];
        else if (!same_content(first, &rows[i]))
            fail_msg("seq %" PRIu64 ", revision %u came with two contents", seq, revision);
    }
    return first;
}

/** Up to seq `to` both revisions came, the later one as live delivery of the right plan sent it; in
 * how many they differ. */
static size_t check_revisions(const struct receiver *receiver, const struct receiver *twin,
                              uint64_t to, uint32_t right_digest)
{
    size_t different = 0;
    for (uint64_t seq = 1; seq <= to; seq++) {
        const struct record *first = one_content(receiver->first.record, receiver->first.n, seq, 0);
        const struct record *revised = one_content(receiver->again, receiver->n_again, seq, 1);
        const struct record *live = first_of(twin, seq);
        if (first == NULL || revised == NULL)
            fail_msg("seq %" PRIu64 " lacks %s", seq, first == NULL ? "revision 0" : "revision 1");
        assert_non_null(live);
        assert_true(first->plan_digest != revised->plan_digest &&
                    revised->plan_digest == right_digest);
        assert_true(revised->n == live->n && memcmp(revised->reading, live->reading,
                                                    live->n * sizeof live->reading[0]) == 0);
        different += revised->n != first->n || memcmp(revised->reading, first->reading,
                                                      first->n * sizeof first->reading[0]) != 0;
    }
    return different;
}

/** Planted defects: recalculate-from-where-it-stands (the crash), recalculate-own-plan, and
 * recalculate-from-the-place (it begins where the destination stands). */
static void both_revisions_arrive_after_an_outage_a_reload_and_crashes(void **state)
{
    (void)state;
    struct receiver receiver = {0}, twin = {0};
    char text[640];
    struct day *day = begin(&receiver, WRONG), *right = begin(&twin, RIGHT);
    day_run_for(right, HOUR);
    day_run_for(day, 20 * MINUTE);
    day_set_broker(day, false);
    day_run_for(day, 40 * MINUTE);
    day_reload(day, RIGHT);
    const uint32_t right_digest = day->plan->digest_32;
    day_run_for(day, MINUTE);
    assert_int_equal(recalculate_by_hand(day->core, "jana",
                                         "heron-7 2031-03-01T08:00:00Z..2031-03-01T08:59:00Z - 0 "
                                         "depth corrected",
                                         text, sizeof text),
                     0);
    day_run_for(day, 2 * MINUTE);
    check_count("nothing goes out", (long long)receiver.n_again, 0);
    day_reload(day, OTHER); /* in the backlog */
    day_run_for(day, MINUTE);
    day_kill(day, 3000);
    day_run_for(day, MINUTE);
    day_set_broker(day, true);
    for (int kill = 0; kill < 3; kill++) { /* while it drains, and while it recalculates */
        day_run_for(day, 1100);
        print_message("crash with %zu rows and %zu recalculated ones out\n", receiver.first.n,
                      receiver.n_again);
        day_kill(day, 3000);
    }
    day_run_for(day, 5 * MINUTE);
    const uint64_t to = 2 * 6 * 59; /* up to 08:59, two sources */
    const size_t different = check_revisions(&receiver, &twin, to, right_digest);
    assert_true(different > to / 3); /* the correction is one */
    const uint64_t newest = receiver.first.record[receiver.first.n - 1].seq;
    for (uint64_t seq = to + 1; seq <= newest; seq++)
        assert_non_null(one_content(receiver.first.record, receiver.first.n, seq, 0));
    print_message("%" PRIu64 " rows, %zu of the recalculated ones differ, %zu and %zu came\n",
                  newest, different, receiver.first.n, receiver.n_again);
    check_count("done, once", (long long)day_count_events(day, "recalculated", text), 1);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
    day_destroy(right);
    drop(&receiver);
    drop(&twin);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(both_revisions_arrive_after_an_outage_a_reload_and_crashes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
