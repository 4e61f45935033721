/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_recalculate.c - rows of the past that are measured under a corrected
 * configuration. In lock-step, judged from outside: what they must say is what a twin day said
 * live, whose units gave the same registers and whose configuration was right from the start.
 */
#include "once_more.h"

#include "uphole/wire.h"

#include <sysexits.h>

#define TEXT_MAX 640

#define HEAD                                                                                       \
    "site: heron-ridge\nbox: heron-edge-1\n"                                                       \
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: "    \
    "1 s}\n"                                                                                       \
    "  skid-line: {serial: /dev/ttyS8, speed: 9600 baud, frame: 8N1, response_timeout: 1 s}\n"     \
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n"
#define GAUGE(units)                                                                               \
    "      gauge:\n        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: "       \
    "scaled-16, poll_every: 10 s" units "}\n"
#define DRIVE                                                                                      \
    "      drive:\n        - {from: 2031-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: "      \
    "drive-a, poll_every: 10 s, confirmed_units: all}\n"
#define DATA(depth)                                                                                \
    "    well_data: [{from: 2031-01-10T08:00:00Z, intake_depth: " depth " m TVD, oil_gravity: 32 " \
    "API, water_cut: 60 %}]\n"
#define TO "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"

static const char WRONG[] = HEAD GAUGE("") DRIVE DATA("1850") TO;
static const char WRONG_TOO[] = HEAD GAUGE("") DRIVE DATA("1860") TO;
static const char RIGHT[] = HEAD GAUGE(", confirmed_units: all") DRIVE DATA("1900") TO;

static void ask(struct day *day, int code, const char *arguments, const char *says)
{
    char text[TEXT_MAX];
    const int got = recalculate_by_hand(day->core, "jana", arguments, text, sizeof text);
    if (got != code || strstr(text, says) == NULL)
        fail_msg("'%s' gave %d and said: %s", arguments, got, text);
    print_message("%s\n", text);
}

#define DISCHARGE_TEMPERATURE 21 /* its input register in config/maps/scaled-16.yaml */

/** The discharge temperature shows its not-fitted marker, but for one minute: seen once, it is lost
 * from then on. */
struct mask {
    int64_t lifted_ms; /* when, by the day's boot time */
};

static void write_marker(struct day *day, void *context, uint16_t line, const uint8_t *request,
                         size_t n_request, struct day_answer *answer)
{
    (void)n_request;
    const struct mask *mask = context;
    const int first = request[2] << 8 | request[3], count = request[4] << 8 | request[5];
    const int at = 3 + 2 * (DISCHARGE_TEMPERATURE - first);
    const int64_t ms = day_now_ms(day) - mask->lifted_ms;
    if ((ms >= 0 && ms < MINUTE) || line != 0 || request[1] != 4 || first > DISCHARGE_TEMPERATURE ||
        first + count <= DISCHARGE_TEMPERATURE || (size_t)at + 4 > answer->n)
        return;
    answer->bytes[at] = answer->bytes[at + 1] = 0;
    const uint16_t crc = crc16(answer->bytes, answer->n - 2);
    answer->bytes[answer->n - 2] = (uint8_t)(crc & 0xFF);
    answer->bytes[answer->n - 1] = (uint8_t)(crc >> 8);
}

static struct day *begin_masked(struct receiver *receiver, const char *config, struct mask *mask)
{
    const struct day_options options = {.config = config,
                                        .seed = 81,
                                        .fault = write_marker,
                                        .context = mask,
                                        .unjudged = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = receiver};
    return day_create(&options);
}

static struct mask mask = {.lifted_ms = DAY_BOOT_MS + 70 * MINUTE};

static struct day *begin(struct receiver *receiver, const char *config)
{
    return begin_masked(receiver, config, &mask);
}

static bool same_readings(const struct record *a, const struct record *b)
{
    return a->n == b->n && memcmp(a->reading, b->reading, a->n * sizeof a->reading[0]) == 0;
}

/** Each row of [from, to] has this revision, with what the twin said; rows sent twice say the same.
 */
static size_t check_revised(const struct receiver *receiver, const struct receiver *twin,
                            uint32_t plan_digest, uint64_t from, uint64_t to, uint32_t revision)
{
    size_t n = 0;
    for (uint64_t seq = from; seq <= to; seq++)
        if (times_sent(receiver, seq, revision) == 0)
            fail_msg("row %" PRIu64 " was never sent as revision %u", seq, revision);
    for (size_t i = 0; i < receiver->n_again; i++) {
        const struct record *revised = &receiver->again[i];
        const uint64_t seq = revised->seq;
        const struct record *first = first_of(receiver, seq);
        const struct record *right = first_of(twin, seq);
        if (revised->revision != revision || seq < from || seq > to)
            continue;
        n++;
        assert_true(first != NULL && right != NULL && revised->source == right->source);
        assert_true(revised->run == first->run && revised->pos == first->pos &&
                    revised->after_seq == first->after_seq &&
                    revised->after_run == first->after_run &&
                    memcmp(&revised->at, &first->at, sizeof first->at) == 0);
        assert_true(revised->plan_digest == plan_digest && first->plan_digest != plan_digest);
        if (same_readings(revised, right))
            continue;
        for (uint16_t k = 0; k < right->n && k < revised->n; k++)
            print_message("%s: %.17g %u %.9g, right %.17g %u %.9g\n",
                          point_get(right->reading[k].point)->id, revised->reading[k].value,
                          revised->reading[k].quality, (double)revised->reading[k].age_s,
                          right->reading[k].value, right->reading[k].quality,
                          (double)right->reading[k].age_s);
        fail_msg("row %" PRIu64 " is recalculated to something else than it had been live", seq);
    }
    return n;
}

/** Planted defects, each seen: recalculate-own-plan (rows keep their plan),
 * recalculate-window-at-range, recalculate-facts-forgotten, recalculate-anew-within. */
static void
a_corrected_depth_and_unit_go_through_the_past_as_if_they_had_held_all_along(void **state)
{
    (void)state;
    struct receiver receiver = {0}, twin = {0};
    struct day *day = begin(&receiver, WRONG), *right = begin(&twin, RIGHT);
    day_run_for(right, 4 * HOUR);
    day_run_for(day, 2 * HOUR);
    day_reload(day, WRONG_TOO); /* measuring began anew here, when it was live */
    day_run_for(day, HOUR);
    day_reload(day, RIGHT);
    day_run_for(day, 30 * MINUTE);
    receiver.counts_late = true;
    check_count("before", (long long)receiver.n_again, 0);
    ask(day, 0,
        "heron-7 2031-03-01T09:00:00Z..2031-03-01T10:59:59Z - 19 operations engineer depth and "
        "unit corrected",
        "as revision 1, as asked by operations engineer (jana): depth and unit corrected.");
    day_run_for(day, 2 * MINUTE);
    check_count("rows", (long long)receiver.n_again, 2 * 720);
    const uint64_t from = receiver.again[0].seq, to = receiver.again[receiver.n_again - 1].seq;
    check_count("in one piece", (long long)(to - from + 1), 2 * 720);
    check_count("revised",
                (long long)check_revised(&receiver, &twin, day->plan->digest_32, from, to, 1),
                2 * 720);
    assert_int_equal(receiver.kind, ORDER_RECALCULATE);
    assert_string_equal(receiver.by, "operations engineer (jana)");
    char text[GAP_CAUSE_MAX];
    check_count("done", (long long)day_count_events(day, "recalculated", text), 1);
    assert_string_equal(text, "1,440 records of heron-7 were recalculated (revision 1) and sent to "
                              "plant-broker, as asked by operations engineer (jana).");
    check_count("live rows that came late", (long long)receiver.live_late, 0);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    check_count("duplicates", (long long)day_counts_of(day)->duplicates, 0);
    assert_true(check_late_equals_live(day, &receiver.first, 200, 5) > 2000);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_stop(day, 1000);
    day_run_for(day, 5 * MINUTE); /* and never again */
    check_count("sent once more", (long long)day_counts_of(day)->once_more, 2 * 720);
    day_destroy(day);
    day_destroy(right);
    drop(&receiver);
    drop(&twin);
}

/** Kills, an outage and another configuration on the way. Planted defect:
 * recalculate-from-where-it- stands (after a restart the fold begins within the range). */
static void nothing_is_lost_or_told_two_ways_by_kills_on_the_way(void **state)
{
    (void)state;
    struct receiver receiver = {0}, twin = {0};
    struct mask early = {.lifted_ms = DAY_BOOT_MS + 10 * MINUTE}; /* long before the last kill */
    struct day *day = begin_masked(&receiver, WRONG, &early);
    struct day *right = begin_masked(&twin, RIGHT, &early);
    day_run_for(right, 5 * HOUR);
    day_run_for(day, 4 * HOUR);
    day_reload(day, RIGHT);
    day_run_for(day, 10 * MINUTE);
    ask(day, 0, "heron-7 2031-03-01T08:00:00Z..2031-03-01T11:59:00Z - 0 depth corrected",
        "as asked by jana: depth corrected.");
    for (int kill = 0; kill < 4; kill++) {
        day_run_for(day, 1100); /* a commit, and a part of the next second */
        print_message("killed at seq %" PRIu64 "\n", receiver.again[receiver.n_again - 1].seq);
        day_kill(day, 3000);
        if (kill == 2) {
            day_set_broker(day, false);
            day_run_for(day, 5 * MINUTE);
            day_set_broker(day, true);
        }
        if (kill == 3)
            day_reload(day, WRONG_TOO);
    }
    day_run_for(day, 10 * MINUTE);
    const uint64_t to = receiver.again[receiver.n_again - 1].seq;
    const size_t n = check_revised(&receiver, &twin, receiver.again[0].plan_digest, 1, to, 1);
    print_message("%zu rows of %llu went out, %zu in all\n", (size_t)to, (unsigned long long)to, n);
    assert_true(to > 2800 && n >= to &&
                n < to + 6 * 1000); /* a kill takes the acceptances of a second */
    check_count("done", (long long)day_count_events(day, "recalculated", NULL), 1);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
    day_destroy(right);
    drop(&receiver);
    drop(&twin);
}

static uint8_t quality_of(const struct record *record, uint16_t point)
{
    for (uint16_t i = 0; i < record->n; i++)
        if (record->reading[i].point == point)
            return record->reading[i].quality;
    return QUALITY_NOT_MAPPED;
}

/** A sensor was seen, long before the interval and by entries that ask otherwise now: nobody knows
 * of it, so its marker is not called a fault. Planted defect: recalculate-facts-believed. */
static void what_cannot_be_rebuilt_is_not_known(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct mask early = {.lifted_ms = DAY_BOOT_MS + 5 * MINUTE};
    struct day *day = begin_masked(&receiver, WRONG, &early);
    day_run_for(day, 3 * HOUR);
    day_reload(day, RIGHT);
    day_run_for(day, 2 * MINUTE);
    ask(day, 0, "heron-7 2031-03-01T10:30:00Z..2031-03-01T10:40:00Z - 0 unit", "revision 1");
    day_run_for(day, MINUTE);
    assert_true(receiver.n_again > 100);
    for (size_t i = 0; i < receiver.n_again; i++) {
        const struct record *row = &receiver.again[i];
        if (row->source != SOURCE_GAUGE)
            continue;
        assert_int_equal(quality_of(first_of(&receiver, row->seq), POINT_DISCHARGE_TEMPERATURE),
                         QUALITY_CHANNEL_FAULT);
        assert_int_equal(quality_of(row, POINT_DISCHARGE_TEMPERATURE), QUALITY_NOT_FITTED);
        assert_int_equal(quality_of(row, POINT_INTAKE_PRESSURE), QUALITY_GOOD);
    }
    day_destroy(day);
    drop(&receiver);
}

static uint32_t newest_of(const struct receiver *receiver, size_t begin, uint64_t seq)
{
    uint32_t revision = UINT32_MAX;
    for (size_t i = begin; i < receiver->n_again; i++)
        if (receiver->again[i].seq == seq)
            revision = receiver->again[i].revision;
    return revision;
}

/** Two over one stretch, then a resend: each row in its newest revision, once. Planted defects:
 * recalculate-same-revision, resend-oldest-revision. */
static void overlapping_ones_count_on_and_a_resend_sends_the_newest(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = begin(&receiver, WRONG);
    day_run_for(day, 2 * HOUR);
    day_reload(day, RIGHT);
    day_run_for(day, 10 * MINUTE);
    char wrong[9] = "", asked[256], text[TEXT_MAX];
    snprintf(wrong, sizeof wrong, "%08x", first_of(&receiver, 1)->plan_digest);
    ask(day, 0, "heron-7 2031-03-01T08:10:00Z..2031-03-01T08:30:00Z - 0 first", "revision 1");
    ask(day, 0, "heron-7 2031-03-01T08:20:00Z..2031-03-01T08:40:00Z - 0 second", "revision 2");
    snprintf(asked, sizeof asked,
             "heron-7 2031-03-01T08:50:00Z..2031-03-01T08:55:00Z %s 0 as it was", wrong);
    ask(day, 0, asked, "revision 1");
    day_run_for(day, 2 * MINUTE);
    const size_t begin_ = receiver.n_again;
    assert_int_equal(day_resend(day, "plant-broker heron-7 1..720 8 engineer", text, sizeof text),
                     0);
    day_run_for(day, 2 * MINUTE);
    check_count("rows sent again", (long long)(receiver.n_again - begin_), 720);
    size_t n[3] = {0};
    for (uint64_t seq = 1; seq <= 720; seq++) {
        const struct record *row = first_of(&receiver, seq);
        const int64_t ms = row->at.utc_ms - DAY_START_UTC_MS;
        const uint32_t due =
            ms >= 20 * MINUTE && ms <= 40 * MINUTE ? 2
            : (ms >= 10 * MINUTE && ms < 20 * MINUTE) || (ms >= 50 * MINUTE && ms <= 55 * MINUTE)
                ? 1
                : 0;
        if (newest_of(&receiver, begin_, seq) != due)
            fail_msg("row %" PRIu64 " was sent again as revision %u, not %u", seq,
                     newest_of(&receiver, begin_, seq), due);
        n[due]++;
        /* an id has one content, whenever it went out */
        for (size_t i = begin_; i < receiver.n_again; i++)
            for (size_t k = 0; receiver.again[i].seq == seq && k < begin_; k++)
                if (receiver.again[k].seq == seq && receiver.again[k].revision == due)
                    assert_true(same_readings(&receiver.again[i], &receiver.again[k]));
        if (due == 0 || ms >= 50 * MINUTE) /* under the plan of then: what was said then */
            for (size_t i = 0; i < receiver.n_again; i++)
                if (receiver.again[i].seq == seq)
                    assert_true(receiver.again[i].plan_digest == row->plan_digest);
    }
    print_message("%zu rows as first measured, %zu and %zu of revisions 1 and 2\n", n[0], n[1],
                  n[2]);
    assert_true(n[1] > 100 && n[2] > 200);
    day_destroy(day);
    drop(&receiver);
}

/** A clock that is set after a recalculation, and a recalculation after that: times and plan go
 * together into each next revision. Planted defects: times-without-plan, recalculate-without-times.
 */
static void a_clock_that_is_set_and_a_recalculation_combine(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = WRONG,
                                        .seed = 82,
                                        .utc_ms = 1000,
                                        .clock_unsynchronised = true,
                                        .unjudged = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, 30 * MINUTE);
    day_reload(day, RIGHT);
    day_run_for(day, 10 * MINUTE);
    ask(day, 0, "heron-7 1970-01-01T00:10:00Z..1970-01-01T00:20:00Z - 0 depth", "revision 1");
    day_run_for(day, MINUTE);
    const size_t n_recalculated = receiver.n_again;
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 20 * MINUTE);
    const uint32_t digest = day->plan->digest_32;
    size_t both = 0, times = 0;
    for (size_t i = n_recalculated; i < receiver.n_again; i++) {
        const struct record *row = &receiver.again[i];
        assert_true(row->at.utc_ms == row->at.boot_ms + offset_ms(day));
        if (times_sent(&receiver, row->seq, 1) == 1 && row->revision == 2) {
            assert_true(row->plan_digest == digest);
            both++;
        } else {
            times++;
        }
    }
    assert_true(n_recalculated > 100 && both == n_recalculated && times > 300);
    const size_t n_times = receiver.n_again;
    const struct record *one = first_of(&receiver, 61);
    char asked[256], from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    snprintf(asked, sizeof asked, "heron-7 %s..%s - 0 all of it",
             stamp_to_text(one->at.boot_ms + offset_ms(day), from),
             stamp_to_text(one->at.boot_ms + offset_ms(day) + 25 * MINUTE, to));
    ask(day, 0, asked, "revision 3");
    day_run_for(day, 2 * MINUTE);
    assert_true(receiver.n_again - n_times > 300);
    for (size_t i = n_times; i < receiver.n_again; i++) {
        const struct record *row = &receiver.again[i];
        assert_true(row->revision == 3 && row->plan_digest == digest &&
                    row->at.utc_ms == row->at.boot_ms + offset_ms(day) &&
                    row->at.clock == CLOCK_STATE_SYNCHRONISED);
    }
    day_destroy(day);
    drop(&receiver);
}

static void what_cannot_be_recalculated_is_refused_by_name(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    struct day *day = begin(&receiver, RIGHT);
    day_run_for(day, 10 * MINUTE);
    ask(day, EX_NOINPUT, "heron-9 2031-03-01T08:00:00Z..2031-03-01T09:00:00Z - 0 why",
        "no well 'heron-9'");
    ask(day, EX_NOINPUT, "heron-7 2031-02-01T08:00:00Z..2031-02-01T09:00:00Z - 0 why",
        "holds no record of heron-7");
    ask(day, EX_USAGE, "heron-7 2031-03-01T09:00:00Z..2031-03-01T08:00:00Z - 0 why",
        "ends before it begins");
    ask(day, EX_USAGE, "heron-7 2031-03-01T08:00:00..2031-03-01T09:00:00Z - 0 why",
        "is no interval");
    ask(day, EX_USAGE, "heron-7 1..5 - 0 why", "is no interval");
    ask(day, EX_USAGE, "heron-7 2031-03-01T08:00:00Z..2031-03-01T09:00:00Z - 0 ", "--reason");
    ask(day, EX_USAGE, "heron-7 2031-03-01T08:00:00Z..2031-03-01T09:00:00Z - 90 why", "--by");
    ask(day, EX_USAGE, "heron-7 2031-03-01T08:00:00Z..2031-03-01T09:00:00Z 5b1e 0 why",
        "first 8 digits");
    ask(day, EX_NOINPUT, "heron-7 2031-03-01T08:00:00Z..2031-03-01T09:00:00Z 00000000 0 why",
        "holds no plan 00000000");
    ask(day, EX_USAGE, "heron-7", "is ordered with");
    ask(day, 0, "heron-7 2031-02-28T08:00:00Z..2031-03-01T08:05:00Z - 0 why",
        "Rows from before 2031-03-01T08:00:");
    day_set_broker(day, false);
    for (int i = 0; i < 7; i++)
        ask(day, 0, "heron-7 2031-03-01T08:00:00Z..2031-03-01T08:05:00Z - 0 why", "as revision");
    ask(day, EX_TEMPFAIL, "heron-7 2031-03-01T08:00:00Z..2031-03-01T08:05:00Z - 0 why",
        "8 orders are waiting already");
    day_destroy(day);
    drop(&receiver);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            a_corrected_depth_and_unit_go_through_the_past_as_if_they_had_held_all_along),
        cmocka_unit_test(nothing_is_lost_or_told_two_ways_by_kills_on_the_way),
        cmocka_unit_test(what_cannot_be_rebuilt_is_not_known),
        cmocka_unit_test(overlapping_ones_count_on_and_a_resend_sends_the_newest),
        cmocka_unit_test(a_clock_that_is_set_and_a_recalculation_combine),
        cmocka_unit_test(what_cannot_be_recalculated_is_refused_by_name),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
