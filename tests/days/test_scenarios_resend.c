/* SPDX-License-Identifier: Apache-2.0
 *
 * test_scenarios_resend.c - rows that go out once more: because the clock of a boot was set (S20's
 * 1970 start), and because a person asked (S18). In lock-step, judged from outside: what time it
 * truly was is the harness's own clock, what was sent before is what its receiver kept.
 *
 * Source of the rule for times: project rule TIM-026, wall = set wall - (mono set - mono record).
 */
#include "day_inside.h"
#include "day_late.h"

#include "check.h"

#include <inttypes.h>
#include <stdlib.h>
#include <sysexits.h>

#define HOUR INT64_C(3600000)
#define MINUTE INT64_C(60000)
#define TEXT_MAX 512

static const char ONE_WELL[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n"
    "  scada-table: {modbus_tcp: '127.0.0.1:1502'}\n";
/* A gauge whose entry in force began on 1 March; the clock decides which one a row is measured
 * with. */
static const char TWO_ENTRIES[] =
    "site: heron-ridge\nbox: heron-edge-1\n"
    "lines:\n  pad-line: {serial: /dev/ttyS7, speed: 9600 baud, frame: 8N1, response_timeout: 1 "
    "s, listen_first: 2 s}\n"
    "wells:\n  heron-7:\n    table_block: 0\n    sources:\n      gauge:\n"
    "        - {from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s}\n"
    "        - {from: 2031-02-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, "
    "poll_every: 10 s, confirmed_units: all}\n"
    "destinations:\n  plant-broker: {mqtt: 'mqtt://127.0.0.1:1883', from: oldest}\n";

/** What the receiver has: rows as first sent, and rows sent once more. */
struct receiver {
    struct kept_records first;
    struct record *again;
    size_t n_again, room;
    uint8_t kind;
    char by[80];
    uint64_t live_late; /* live rows that were read late while an order was under way */
    bool counts_late;
};

static void keep_first(struct day *day, void *context, const struct record *record, bool live)
{
    struct receiver *receiver = context;
    keep_record(day, &receiver->first, record, live);
    receiver->live_late += receiver->counts_late && !live;
}

static void keep_again(struct day *day, void *context, const struct record *record,
                       const struct wall_order *order)
{
    (void)day;
    struct receiver *receiver = context;
    if (receiver->n_again == receiver->room) {
        receiver->room = receiver->room == 0 ? 1024 : receiver->room * 2;
        receiver->again = realloc(receiver->again, receiver->room * sizeof *receiver->again);
        assert_non_null(receiver->again);
    }
    receiver->again[receiver->n_again++] = *record;
    receiver->kind = order->kind;
    memcpy(receiver->by, order->by, sizeof receiver->by);
}

static void drop(struct receiver *receiver)
{
    free(receiver->first.record);
    free(receiver->again);
}

static const struct record *first_of(const struct receiver *receiver, uint64_t seq)
{
    for (size_t i = 0; i < receiver->first.n; i++)
        if (receiver->first.record[i].seq == seq)
            return &receiver->first.record[i];
    return NULL;
}

static size_t times_sent(const struct receiver *receiver, uint64_t seq, uint32_t revision)
{
    size_t n = 0;
    for (size_t i = 0; i < receiver->n_again; i++)
        n += receiver->again[i].seq == seq && receiver->again[i].revision == revision;
    return n;
}

/** Boot times of [from, to) have exactly one revision, with the time that it truly was: boot time
 * plus `offset_ms`; no other row has one. Returns how many. */
static size_t check_revisions(const struct receiver *receiver, int64_t from_ms, int64_t to_ms,
                              int64_t offset_ms, uint32_t boot)
{
    size_t n = 0;
    for (size_t i = 0; i < receiver->first.n; i++) {
        const struct record *row = &receiver->first.record[i];
        const bool is_due =
            row->at.boot == boot && row->at.boot_ms >= from_ms && row->at.boot_ms < to_ms;
        if (times_sent(receiver, row->seq, 1) != (is_due ? 1 : 0))
            fail_msg("row %" PRIu64 " was sent %zu times as revision 1", row->seq,
                     times_sent(receiver, row->seq, 1));
        n += is_due;
    }
    for (size_t i = 0; i < receiver->n_again; i++) {
        const struct record *revised = &receiver->again[i];
        const struct record *row = first_of(receiver, revised->seq);
        assert_non_null(row);
        assert_int_equal(revised->revision, 1);
        assert_true(revised->run == row->run && revised->pos == row->pos && revised->n == row->n &&
                    revised->outcome == row->outcome && revised->at.boot_ms == row->at.boot_ms &&
                    revised->after_seq == row->after_seq && revised->after_run == row->after_run);
        if (revised->at.utc_ms != revised->at.boot_ms + offset_ms)
            fail_msg("row %" PRIu64 " is %" PRId64 " ms off", revised->seq,
                     revised->at.utc_ms - revised->at.boot_ms - offset_ms);
        assert_int_equal(revised->at.clock, CLOCK_STATE_SYNCHRONISED);
        for (uint16_t k = 0; k < row->n; k++) {
            assert_int_not_equal(revised->reading[k].quality, QUALITY_CLOCK_UNSURE);
            assert_true(revised->reading[k].value == row->reading[k].value ||
                        isnan(row->reading[k].value));
        }
    }
    return n;
}

static int64_t offset_ms(const struct day *day)
{
    return day->clock.utc_us(day->clock.context) / 1000 - day_now_ms(day);
}

/** S20. Planted defects, each seen: a revision sent twice (the order's cursor is not stored); 68
 * kept; the instant of the order taken for the instant of the set clock. */
static void rows_of_1970_get_the_time_they_were_taken_at_once_the_clock_is_set(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 61,
                                        .utc_ms = 1000,
                                        .clock_unsynchronised = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, HOUR);
    const int64_t set_ms = day_now_ms(day);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, HOUR);
    const size_t n = check_revisions(&receiver, 0, set_ms, offset_ms(day), DAY_BOOT_FIRST);
    check_count("revised", (long long)n, 360);
    assert_int_equal(receiver.kind, ORDER_TIMES);
    assert_non_null(strstr(receiver.by, "clock set at 2031-03-01T"));
    char text[GAP_CAUSE_MAX];
    check_count("said", (long long)day_count_events(day, "clock_set", text), 1);
    check_count("done", (long long)day_count_events(day, "times_sent", NULL), 1);
    check_count("records", (long long)day_counts_of(day)->records, 720);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_stop(day, 1000);
    day_run_for(day, 10 * MINUTE); /* and never again */
    check_count("sent once more", (long long)day_counts_of(day)->once_more, 360);
    day_destroy(day);
    drop(&receiver);
}

/** Kills and outages on the way: each row has its one revision still, or the same one again.
 * Planted defect, seen: where an order stands is forgotten at a restart (it begins anew). */
static void kills_and_an_outage_on_the_way_lose_no_revision(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 62,
                                        .utc_ms = 1000,
                                        .clock_unsynchronised = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, 4 * HOUR);
    day_kill(day, 5000); /* a second run of this boot */
    day_run_for(day, HOUR);
    const int64_t set_ms = day_now_ms(day);
    day_set_broker(day, false);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 12000);
    day_kill(day, 5000); /* known to the journal by now, or not: the same either way */
    day_run_for(day, 5 * MINUTE);
    day_set_broker(day, true);
    size_t kills = 0;
    for (; kills < 3; kills++) {
        const size_t before = receiver.n_again;
        while (receiver.n_again < before + 400)
            day_run_for(day, 200);
        day_run_for(day, 1100); /* a commit */
        day_kill(day, 2000);
    }
    day_run_for(day, 10 * MINUTE);
    const int64_t offset = offset_ms(day);
    size_t due = 0, doubled = 0;
    for (size_t i = 0; i < receiver.first.n; i++) {
        const struct record *row = &receiver.first.record[i];
        const size_t n = times_sent(&receiver, row->seq, 1);
        if (row->at.boot_ms >= set_ms ? n != 0 : n == 0)
            fail_msg("row %" PRIu64 " was sent %zu times as revision 1", row->seq, n);
        due += row->at.boot_ms < set_ms;
        doubled += n > 1;
    }
    for (size_t i = 0; i < receiver.n_again; i++)
        if (receiver.again[i].at.utc_ms != receiver.again[i].at.boot_ms + offset)
            fail_msg("row %" PRIu64 " has another time", receiver.again[i].seq);
    print_message("%zu rows revised over %zu kills, %zu of them twice\n", due, kills, doubled);
    assert_true(kills > 0 && due >= 1790);
    assert_true(doubled <= kills * 200); /* what a kill took from memory: one second's */
    check_count("orders", (long long)day_count_events(day, "clock_set", NULL), 1);
    day_destroy(day);
    drop(&receiver);
}

/** Planted defect, seen: rows of an earlier boot corrected by this one's clock. */
static void no_time_is_carried_from_one_boot_to_another(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 63,
                                        .utc_ms = 1000,
                                        .clock_unsynchronised = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, 20 * MINUTE);
    const struct day_reboot reboot = {.off_ms = 90 * MINUTE, .up_ms = 20000, .rtc_utc_ms = 2000};
    day_boot_again(day, &reboot);
    day_run_for(day, 20 * MINUTE);
    const int64_t set_ms = day_now_ms(day);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 20 * MINUTE);
    const size_t n = check_revisions(&receiver, 0, set_ms, offset_ms(day), DAY_BOOT_FIRST + 1);
    assert_true(n >= 118 && n <= 121);
    day_destroy(day);
    drop(&receiver);
}

/** Rows not yet synchronised: a step of 5 min corrects them, half a second does not. */
static size_t revisions_after_step(int64_t step_ms, uint64_t seed)
{
    struct receiver receiver = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = seed,
                                        .utc_ms = DAY_START_UTC_MS,
                                        .clock_unsynchronised = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, 10 * MINUTE);
    const int64_t set_ms = day_now_ms(day);
    day_step_clock(day, step_ms);
    day_set_synchronised(day, true);
    day_run_for(day, 10 * MINUTE);
    if (receiver.n_again > 0)
        check_revisions(&receiver, 0, set_ms, offset_ms(day), DAY_BOOT_FIRST);
    /* Synchronised is synchronised: a later step corrects nothing. */
    day_set_synchronised(day, false);
    day_step_clock(day, HOUR);
    day_run_for(day, 10 * MINUTE);
    day_set_synchronised(day, true);
    day_run_for(day, 10 * MINUTE);
    const size_t n = receiver.n_again;
    day_destroy(day);
    drop(&receiver);
    return n;
}
static void
an_unsynchronised_row_is_corrected_where_the_clock_was_off_by_more_than_a_second(void **state)
{
    (void)state;
    check_count("after 5 min", (long long)revisions_after_step(5 * MINUTE, 64), 60);
    check_count("after -5 min", (long long)revisions_after_step(-5 * MINUTE, 65), 60);
    check_count("after 0.5 s", (long long)revisions_after_step(500, 66), 0);
}

/** The entry valid at the corrected time, not at the label: units confirmed since February. */
static void a_corrected_row_is_measured_with_the_entry_of_its_corrected_time(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = TWO_ENTRIES,
                                        .seed = 67,
                                        .utc_ms = 1000,
                                        .clock_unsynchronised = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, 20 * MINUTE);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 20 * MINUTE);
    size_t good = 0;
    for (size_t i = 0; i < receiver.n_again; i++)
        for (uint16_t k = 0; k < receiver.again[i].n; k++) {
            const struct reading *reading = &receiver.again[i].reading[k];
            assert_int_not_equal(reading->quality, QUALITY_UNIT_UNCONFIRMED);
            good += reading->point == POINT_INTAKE_PRESSURE && reading->quality == QUALITY_GOOD;
        }
    assert_true(good >= 115 && good <= 120);
    day_destroy(day);
    drop(&receiver);
}

/* ---- by hand ---- */

static void ask(struct day *day, int code, const char *arguments, const char *says)
{
    char text[TEXT_MAX];
    const int got = day_resend(day, arguments, text, sizeof text);
    if (got != code || strstr(text, says) == NULL)
        fail_msg("'%s' gave %d and said: %s", arguments, got, text);
    print_message("%s\n", text);
}

/** Each row of [from, to] once more, and it is the very row; no other. */
static void check_resent(const struct receiver *receiver, size_t begin, uint64_t from, uint64_t to)
{
    check_count("rows sent again", (long long)(receiver->n_again - begin),
                (long long)(to - from + 1));
    for (size_t i = begin; i < receiver->n_again; i++) {
        const struct record *again = &receiver->again[i];
        const struct record *row = first_of(receiver, again->seq);
        assert_true(row != NULL && again->seq == from + i - begin);
        assert_true(again->run == row->run && again->pos == row->pos && again->revision == 0 &&
                    again->after_run == row->after_run && again->after_seq == row->after_seq &&
                    again->plan_digest == row->plan_digest && again->n == row->n &&
                    memcmp(&again->at, &row->at, sizeof row->at) == 0);
        if (memcmp(again->reading, row->reading, row->n * sizeof row->reading[0]) != 0)
            fail_msg("row %" PRIu64 " was sent with another content", again->seq);
    }
}

/** S18's second half. Planted defects, each seen: a resend moves the cursor of records; the window
 * begins at the range's first row; where it stands is forgotten at a restart. */
static void a_range_goes_out_again_as_it_was_and_moves_nothing_else(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 68,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, 6 * HOUR);
    virtual_unit_set_gauge(day_unit(day, 0, 1), day_now_ms(day), false);
    day_run_for(day, 20 * MINUTE);
    virtual_unit_set_gauge(day_unit(day, 0, 1), day_now_ms(day), true);
    day_run_for(day, 2 * HOUR);
    receiver.counts_late = true;
    ask(day, 0, "plant-broker heron-7 1000..2500 19 operations engineer the historian was away",
        "1,501 records of heron-7 (1000 to 2500) will be sent again to plant-broker, as asked by "
        "operations engineer (jana): the historian was away.");
    day_run_for(day, MINUTE);
    check_resent(&receiver, 0, 1000, 2500);
    char text[GAP_CAUSE_MAX];
    check_count("done", (long long)day_count_events(day, "resent", text), 1);
    assert_string_equal(text, "1,501 records of heron-7 were sent again to plant-broker, as asked "
                              "by operations engineer (jana).");
    check_count("live rows that came late", (long long)receiver.live_late, 0);
    /* by time: 08:00:00 to 08:10:00 of the day, both ends included */
    size_t begin = receiver.n_again;
    ask(day, 0, "plant-broker heron-7 2031-03-01T09:00:00Z..2031-03-01T10:10:00+01:00 8 engineer",
        "61 records of heron-7 (361 to 421)");
    day_run_for(day, MINUTE);
    check_resent(&receiver, begin, 361, 421);
    /* a well's first row */
    begin = receiver.n_again;
    ask(day, 0, "plant-broker heron-7 1..3 8 engineer", "3 records of heron-7 (1 to 3)");
    day_run_for(day, MINUTE);
    check_resent(&receiver, begin, 1, 3);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    check_count("duplicates", (long long)day_counts_of(day)->duplicates, 0);
    day_check_books(day, "heron-7", SOURCE_GAUGE);
    day_destroy(day);
    drop(&receiver);
}

/** Planted defect: see above, and an order that a broker's outage ends. */
static void a_resend_goes_on_after_a_kill_and_an_outage(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 69,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, 12 * HOUR);
    ask(day, 0, "plant-broker heron-7 1..4000 8 engineer", "4,000 records");
    while (receiver.n_again < 1500)
        day_run_for(day, 200);
    day_run_for(day, 1500); /* a commit */
    assert_true(receiver.n_again < 4000);
    const size_t at_kill = receiver.n_again;
    day_kill(day, 3000);
    while (receiver.n_again < at_kill + 100)
        day_run_for(day, 200);
    assert_true(receiver.n_again < 4000);
    day_set_broker(day, false);
    day_run_for(day, 10 * MINUTE);
    day_set_broker(day, true);
    day_run_for(day, 10 * MINUTE);
    size_t missing = 0, doubled = 0;
    for (uint64_t seq = 1; seq <= 4000; seq++) {
        const size_t n = times_sent(&receiver, seq, 0);
        missing += n == 0;
        doubled += n > 1;
    }
    print_message("killed after %zu rows; %zu sent twice\n", at_kill, doubled);
    check_count("missing", (long long)missing, 0);
    assert_true(doubled <= 2 * 200); /* the kill, and what was under way when the broker went */
    check_count("done", (long long)day_count_events(day, "resent", NULL), 1);
    check_count("holes", (long long)day_counts_of(day)->record_holes, 0);
    /* The cursor of records stood where it was: the kill took one second's acceptances, no more. */
    assert_true(day_counts_of(day)->duplicates <= 1);
    day_destroy(day);
    drop(&receiver);
}

static void what_cannot_be_sent_again_is_refused_by_name(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 70,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, HOUR);
    ask(day, EX_USAGE, "scada-table heron-7 1..3 8 engineer", "scada-table is a table");
    ask(day, EX_NOINPUT, "other-broker heron-7 1..3 8 engineer", "no destination 'other-broker'");
    ask(day, EX_NOINPUT, "plant-broker heron-9 1..3 8 engineer", "no well 'heron-9'");
    ask(day, EX_USAGE, "plant-broker heron-7 1 8 engineer", "'1' is no range");
    ask(day, EX_USAGE, "plant-broker heron-7 1..2..3 8 engineer", "is no range");
    ask(day, EX_USAGE, "plant-broker heron-7 3..1 8 engineer", "ends (1) before it begins (3)");
    ask(day, EX_USAGE, "plant-broker heron-7 2031-03-01T09:00:00Z..3 8 engineer",
        "give both ends alike");
    ask(day, EX_USAGE, "plant-broker heron-7 2031-03-01T09:00:00..2031-03-01T09:00:00Z 8 engineer",
        "'2031-03-01T09:00:00' is neither");
    ask(day, EX_USAGE, "plant-broker heron-7 0..3 8 engineer", "'0' is neither");
    ask(day, EX_USAGE, "plant-broker heron-7 1..3 0 ", "Say with --by");
    ask(day, EX_USAGE, "plant-broker heron-7 1..3", "with the role");
    ask(day, EX_NOINPUT, "plant-broker heron-7 1..9000 8 engineer", "its newest is 36");
    ask(day, EX_NOINPUT,
        "plant-broker heron-7 2032-03-01T09:00:00Z..2033-03-01T09:00:00Z 8 engineer",
        "does not hold any record of heron-7");
    ask(day, EX_NOINPUT, "plant-broker heron-7 0123456789abcdef:1..3 8 engineer", "of another run");
    char with_run[128];
    snprintf(with_run, sizeof with_run, "plant-broker heron-7 %016" PRIx64 ":1..3 8 engineer",
             day->run);
    ask(day, 0, with_run, "3 records");
    day_run_for(day, MINUTE);
    day_set_broker(day, false);
    day_run_for(day, MINUTE);
    ask(day, EX_TEMPFAIL, "plant-broker heron-7 368..369 8 engineer", "has not accepted any");
    for (int i = 0; i < 8; i++)
        ask(day, 0, "plant-broker heron-7 1..3 8 engineer", "3 records");
    ask(day, EX_TEMPFAIL, "plant-broker heron-7 1..3 8 engineer", "8 orders are waiting already");
    day_set_broker(day, true);
    day_run_for(day, 2 * MINUTE);
    check_count("rows sent again", (long long)receiver.n_again, 27);
    ask(day, 0, "plant-broker heron-7 1..3 8 engineer", "3 records");
    day_destroy(day);
    drop(&receiver);
}

/** A range with corrected rows goes out with both: as first sent, and as corrected. */
static void a_resend_of_corrected_rows_sends_their_revision_too(void **state)
{
    (void)state;
    struct receiver receiver = {0};
    const struct day_options options = {.config = ONE_WELL,
                                        .seed = 71,
                                        .utc_ms = 1000,
                                        .clock_unsynchronised = true,
                                        .record = keep_first,
                                        .once_more = keep_again,
                                        .record_context = &receiver};
    struct day *day = day_create(&options);
    day_run_for(day, 20 * MINUTE);
    day_step_clock(day, DAY_START_UTC_MS);
    day_set_synchronised(day, true);
    day_run_for(day, 20 * MINUTE);
    const size_t begin = receiver.n_again;
    check_count("revised", (long long)begin, 120);
    ask(day, 0, "plant-broker heron-7 101..130 8 engineer", "30 records");
    day_run_for(day, MINUTE);
    size_t revised = 0;
    for (size_t i = begin; i < receiver.n_again; i++) {
        const struct record *again = &receiver.again[i];
        if (again->revision == 0)
            continue;
        revised++;
        for (size_t k = 0; k < begin; k++)
            if (receiver.again[k].seq == again->seq &&
                (receiver.again[k].at.utc_ms != again->at.utc_ms ||
                 memcmp(receiver.again[k].reading, again->reading,
                        again->n * sizeof again->reading[0]) != 0))
                fail_msg("revision 1 of row %" PRIu64 " has two contents", again->seq);
    }
    check_count("revised rows sent again", (long long)revised, 20);
    check_count("rows sent again", (long long)(receiver.n_again - begin), 50);
    /* By time: those rows are found by their corrected time. */
    char range[128], from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    const struct record *row = first_of(&receiver, 11);
    snprintf(range, sizeof range, "plant-broker heron-7 %s..%s 8 engineer",
             stamp_to_text(row->at.boot_ms + offset_ms(day), from),
             stamp_to_text(row->at.boot_ms + offset_ms(day) + 95000, to));
    ask(day, 0, range, "10 records of heron-7 (11 to 20)");
    day_destroy(day);
    drop(&receiver);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_of_1970_get_the_time_they_were_taken_at_once_the_clock_is_set),
        cmocka_unit_test(kills_and_an_outage_on_the_way_lose_no_revision),
        cmocka_unit_test(no_time_is_carried_from_one_boot_to_another),
        cmocka_unit_test(
            an_unsynchronised_row_is_corrected_where_the_clock_was_off_by_more_than_a_second),
        cmocka_unit_test(a_corrected_row_is_measured_with_the_entry_of_its_corrected_time),
        cmocka_unit_test(a_range_goes_out_again_as_it_was_and_moves_nothing_else),
        cmocka_unit_test(a_resend_goes_on_after_a_kill_and_an_outage),
        cmocka_unit_test(what_cannot_be_sent_again_is_refused_by_name),
        cmocka_unit_test(a_resend_of_corrected_rows_sends_their_revision_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
