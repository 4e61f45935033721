/* SPDX-License-Identifier: Apache-2.0
 *
 * test_table_server.c - the table's server on real sockets: frames, order, deadlines of a frame and
 * of answers, ages, heartbeat.
 */
#include "check.h"
#include "table_harness.h"

#include "uphole/wire.h"

#include <sys/socket.h>
#include <unistd.h>

/* Planted defect: only the first frame of a segment answered. */
static void requests_in_one_segment_are_answered_in_order(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    uint8_t frames[200 * 12], answer[11];
    for (uint16_t i = 0; i < 200; i++)
        put_request(frames + 12 * i, (uint16_t)(1000 + i), i % 2, 1);
    send_all(fd, frames, sizeof frames);
    for (uint16_t i = 0; i < 200; i++) {
        check_count("bytes of an answer", (long long)take(own, fd, answer, sizeof answer), 11);
        check_count("transaction", get_u16(answer), 1000 + i);
        check_count("length", get_u16(answer + 4), 5);
    }
    close(fd);
}

static void long_answers_to_a_burst_arrive_whole_and_in_order(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    uint8_t frame[12], answer[9 + 250];
    for (uint16_t i = 0; i < 100; i++) {
        put_request(frame, i, i, 125);
        send_all(fd, frame, sizeof frame);
    }
    for (uint16_t i = 0; i < 100; i++) {
        check_count("bytes of an answer", (long long)take(own, fd, answer, sizeof answer),
                    sizeof answer);
        check_count("transaction", get_u16(answer), i);
        check_count("bytes of data", answer[8], 250);
    }
    close(fd);
}

static void a_frame_in_single_bytes_is_answered(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    uint8_t frame[12], answer[11];
    put_request(frame, 7, 0, 1);
    for (size_t i = 0; i < sizeof frame; i++) {
        send_all(fd, frame + i, 1);
        step(own, 1);
    }
    check_count("bytes of an answer", (long long)take(own, fd, answer, sizeof answer), 11);
    close(fd);
}

/* Planted defect: protocol id or length not looked at. */
static void what_is_no_modbus_tcp_is_closed_without_an_answer(void **state)
{
    struct state *own = *state;
    open_server(own);
    static const uint8_t bad[][7] = {
        {0, 1, 0, 1, 0, 6, 1},
        {0, 1, 1, 0, 0, 6, 1},
        {0, 1, 0, 0, 0, 0, 1},
        {0, 1, 0, 0, 0, 1, 1},
        {0, 1, 0, 0, 0, 255, 1},
        {0, 1, 0, 0, 0xFF, 0xFF, 1},
        {'G', 'E', 'T', ' ', '/', ' ', 'H'},
    };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        int fd = connect_from(own, 1);
        send_all(fd, bad[i], sizeof *bad);
        assert_true(is_closed(own, fd));
        check_count("bad frames", (long long)table_server_counts_of(own->server)->bad_frame,
                    (long long)i + 1);
        close(fd);
    }
}

/* Planted defect: the deadline begun anew by each byte. */
static void a_frame_must_be_whole_2_s_after_its_first_byte(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1), honest = connect_from(own, 2);
    uint8_t frame[12];
    put_request(frame, 1, 0, 1);
    for (int i = 0; i < 4; i++) { /* a byte each 490 ms: never silent for long, never whole */
        send_all(fd, frame + i, 1);
        step(own, 2);
        pass(own, 490);
        assert_true(is_served(own, honest));
    }
    assert_true(stays_open(own, fd));
    pass(own, 300);
    assert_true(is_closed(own, fd));
    check_count("stalled", (long long)table_server_counts_of(own->server)->stalled, 1);
    assert_true(is_served(own, honest));
    close(fd);
    close(honest);
}

/* Planted defect: answers queued without bound, or a send that waits. */
static void who_does_not_read_is_closed_and_others_are_served(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1), honest = connect_from(own, 2);
    uint8_t frame[12];
    put_request(frame, 1, 0, 125);
    for (int i = 0; i < 200000; i++) {
        if (send(fd, frame, sizeof frame, MSG_NOSIGNAL) < 0)
            break;
        if (i % 64 == 0)
            step(own, 1);
    }
    step(own, 20);
    assert_true(is_served(own, honest));
    uint64_t answered = table_server_counts_of(own->server)->requests;
    step(own, 20);
    check_count("no more is answered than is taken",
                (long long)(table_server_counts_of(own->server)->requests - answered), 0);
    pass(own, 1000);
    pass(own, 1300);
    check_count("not reading", (long long)table_server_counts_of(own->server)->not_reading, 1);
    assert_true(is_served(own, honest));
    close(fd);
    close(honest);
}

static void a_client_that_pauses_reading_gets_all_its_answers(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    uint8_t frame[12], answer[9 + 250];
    uint16_t sent = 0;
    for (; sent < 3000; sent++) {
        put_request(frame, sent, 0, 125);
        if (send(fd, frame, sizeof frame, MSG_NOSIGNAL) != (ssize_t)sizeof frame)
            break;
        step(own, 1);
    }
    pass(own, 1000);
    for (uint16_t i = 0; i < sent; i++) {
        check_count("bytes of an answer", (long long)take(own, fd, answer, sizeof answer),
                    sizeof answer);
        check_count("transaction", get_u16(answer), i);
    }
    close(fd);
}

static void a_client_that_only_stops_sending_gets_its_answers(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    uint8_t frames[5 * 12], answers[5 * 11];
    for (uint16_t i = 0; i < 5; i++)
        put_request(frames + 12 * i, i, 0, 1);
    send_all(fd, frames, sizeof frames);
    shutdown(fd, SHUT_WR);
    check_count("bytes", (long long)take(own, fd, answers, sizeof answers), sizeof answers);
    assert_true(is_closed(own, fd));
    close(fd);
}

static uint16_t register_over_the_wire(struct state *own, int fd, uint16_t first)
{
    uint8_t frame[12], answer[11];
    put_request(frame, 1, first, 1);
    send_all(fd, frame, sizeof frame);
    check_count("bytes of an answer", (long long)take(own, fd, answer, sizeof answer), 11);
    return get_u16(answer + 9);
}

/* Planted defect: ages as of the last snapshot instead of the moment of asking
 * (table-ages-of-snapshot, table-never-stale). */
static void ages_are_those_of_the_moment_of_asking(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    struct snapshot snapshot = fixture_snapshot(7);
    assert_true(live_put_snapshot(own->live, &snapshot));
    step(own, 2);
    check_count("age", register_over_the_wire(own, fd, slot(1, 3)), 5);
    own->now_us += 7000 * 1000;
    check_count("age", register_over_the_wire(own, fd, slot(1, 3)), 12);
    check_count("quality", register_over_the_wire(own, fd, slot(1, 2)), 192);
    own->now_us += 36001 * 1000;
    check_count("quality", register_over_the_wire(own, fd, slot(1, 2)), 64);
    check_count("age of the scan", register_over_the_wire(own, fd, 18), 49);
    close(fd);
}

/* Planted defect: only what comes after the table joined is shown. */
static void what_came_before_the_table_was_opened_is_served(void **state)
{
    struct state *own = *state;
    struct snapshot snapshot = fixture_snapshot(7);
    assert_true(live_put_snapshot(own->live, &snapshot));
    open_server(own);
    int fd = connect_from(own, 1);
    check_count("high word", register_over_the_wire(own, fd, slot(1, 0)), 0x4640);
    close(fd);
}

static void the_heartbeat_is_the_well_sides_and_stands_still_without_it(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    struct snapshot snapshot = fixture_snapshot(8);
    assert_true(live_put_snapshot(own->live, &snapshot));
    for (uint32_t beat = 41; beat <= 42; beat++) {
        struct wall_state box = fixture_state(beat);
        live_put_state(own->live, &box);
        pass(own, 1000);
        check_count("heartbeat", register_over_the_wire(own, fd, 8), beat);
        check_count("heartbeat", register_over_the_wire(own, fd, 1024 + 8), beat);
    }
    check_count("delivery", register_over_the_wire(own, fd, 6), DELIVERY_UP);
    check_count("delivery", register_over_the_wire(own, fd, 1024 + 6), DELIVERY_CATCHING_UP);
    check_count("waiting", register_over_the_wire(own, fd, 1024 + 23), 12);
    check_count("journaled", register_over_the_wire(own, fd, 1024 + 29), 1);
    check_count("journaled", register_over_the_wire(own, fd, 29), 0); /* nothing shown yet */
    pass(own, 10000);
    check_count("heartbeat", register_over_the_wire(own, fd, 8), 42);
    close(fd);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, harness_set_up, harness_tear_down)
    const struct CMUnitTest tests[] = {
        TEST(requests_in_one_segment_are_answered_in_order),
        TEST(long_answers_to_a_burst_arrive_whole_and_in_order),
        TEST(a_frame_in_single_bytes_is_answered),
        TEST(what_is_no_modbus_tcp_is_closed_without_an_answer),
        TEST(a_frame_must_be_whole_2_s_after_its_first_byte),
        TEST(who_does_not_read_is_closed_and_others_are_served),
        TEST(a_client_that_pauses_reading_gets_all_its_answers),
        TEST(a_client_that_only_stops_sending_gets_its_answers),
        TEST(ages_are_those_of_the_moment_of_asking),
        TEST(what_came_before_the_table_was_opened_is_served),
        TEST(the_heartbeat_is_the_well_sides_and_stands_still_without_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
