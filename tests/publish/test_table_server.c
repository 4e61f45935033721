/* SPDX-License-Identifier: Apache-2.0
 *
 * test_table_server.c - the table's server on real sockets, stepped by hand, with a clock of the
 * test's own: frames, deadlines, limits.
 */
#include "check.h"
#include "table_fixture.h"

#include "../../daemon/publish/server.h"
#include "../../daemon/publish/server_inside.h"

#include "uphole/wire.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <unistd.h>

#define STEPS_MAX 200

struct state {
    struct plan *plan;
    struct live *live;
    struct table_server *server;
    struct up_clock clock;
    int64_t now_us;
};

static int64_t test_now(void *context)
{
    return ((struct state *)context)->now_us;
}

static void open_server(struct state *own)
{
    const struct table_server_options options = {.plan = own->plan,
                                                 .destination = own->plan->destinations,
                                                 .live = own->live,
                                                 .clock = &own->clock};
    struct up_error error = {0};
    own->server = table_server_open(&options, &error);
    assert_non_null(own->server);
    if (table_server_listen(own->server, &error) != UP_OK)
        fail_msg("%s", error.why);
}

static int set_up(void **state)
{
    static struct state own;
    memset(&own, 0, sizeof own);
    own.plan = fixture_plan();
    own.live = live_create(own.plan);
    own.now_us = FIXTURE_NOW_MS * 1000LL;
    own.clock.boot_us = test_now;
    own.clock.context = &own;
    *state = &own;
    return own.live == NULL;
}

static int tear_down(void **state)
{
    struct state *own = *state;
    table_server_close(own->server);
    live_destroy(own->live);
    fixture_free(own->plan);
    return 0;
}

static void step(struct state *own, int times)
{
    for (int i = 0; i < times; i++)
        table_server_step(own->server, 1);
}

static void pass(struct state *own, int64_t ms)
{
    own->now_us += ms * 1000;
    step(own, 3);
}

/** From 127.0.0.`host`; the kernel connects without the server's help. */
static int connect_from(struct state *own, unsigned host)
{
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(fd >= 0);
    struct sockaddr_in from = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(0x7F000000u + host)};
    assert_int_equal(bind(fd, (struct sockaddr *)&from, sizeof from), 0);
    struct sockaddr_in to = {.sin_family = AF_INET,
                             .sin_port = htons(table_server_port(own->server)),
                             .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    assert_int_equal(connect(fd, (struct sockaddr *)&to, sizeof to), 0);
    assert_int_equal(fcntl(fd, F_SETFL, O_NONBLOCK), 0);
    step(own, 2);
    return fd;
}

static void put_request(uint8_t frame[12], uint16_t transaction, uint16_t first, uint16_t count)
{
    put_u16(frame, transaction);
    put_u16(frame + 2, 0);
    put_u16(frame + 4, 6);
    frame[6] = METRIC_HIGH;
    frame[7] = 4;
    put_u16(frame + 8, first);
    put_u16(frame + 10, count);
}

static void send_all(int fd, const uint8_t *bytes, size_t n)
{
    assert_int_equal(send(fd, bytes, n, MSG_NOSIGNAL), (ssize_t)n);
}

/** Steps the server until `n` bytes have come; fewer: the connection was closed or nothing comes.
 */
static size_t take(struct state *own, int fd, uint8_t *bytes, size_t n)
{
    size_t have = 0;
    for (int i = 0; i < STEPS_MAX && have < n; i++) {
        ssize_t got = recv(fd, bytes + have, n - have, 0);
        if (got == 0)
            return have;
        if (got > 0)
            have += (size_t)got;
        else
            step(own, 1);
    }
    return have;
}

static bool is_closed(struct state *own, int fd)
{
    uint8_t byte;
    for (int i = 0; i < 5; i++) {
        ssize_t got = recv(fd, &byte, 1, 0);
        if (got == 0 || (got < 0 && errno == ECONNRESET))
            return true;
        step(own, 1);
    }
    return false;
}

static bool is_served(struct state *own, int fd)
{
    uint8_t frame[12], answer[11];
    put_request(frame, 4711, 0, 1);
    if (send(fd, frame, sizeof frame, MSG_NOSIGNAL) != (ssize_t)sizeof frame)
        return false;
    return take(own, fd, answer, sizeof answer) == sizeof answer && get_u16(answer) == 4711 &&
           get_u16(answer + 9) == 1;
}

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
    assert_false(is_closed(own, fd));
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

static void a_connection_without_requests_is_closed_after_the_idle_limit(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    pass(own, 59000);
    assert_true(is_served(own, fd));
    pass(own, 59000);
    assert_false(is_closed(own, fd));
    pass(own, 1300);
    assert_true(is_closed(own, fd));
    close(fd);
}

/* Planted defect: the limit of an address not looked at. */
static void an_address_gets_no_more_than_its_share(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fds[4];
    for (int i = 0; i < 4; i++) {
        fds[i] = connect_from(own, 5);
        assert_true(is_served(own, fds[i]));
    }
    pass(own, 5000);
    int fifth = connect_from(own, 5);
    assert_true(is_closed(own, fifth));
    int other = connect_from(own, 6);
    assert_true(is_served(own, other));
    for (int i = 0; i < 4; i++) {
        assert_true(is_served(own, fds[i])); /* who has asked is not thrown out */
        close(fds[i]);
    }
    step(own, 5);
    int sixth = connect_from(own, 5);
    assert_true(is_served(own, sixth));
    close(fifth);
    close(sixth);
    close(other);
}

static void who_never_asks_gives_way_after_2_s(void **state)
{
    struct state *own = *state;
    own->plan->destinations->clients = 3;
    open_server(own);
    int honest = connect_from(own, 1);
    assert_true(is_served(own, honest));
    int quiet = connect_from(own, 2), quiet_too = connect_from(own, 3);
    int late = connect_from(own, 4);
    assert_true(is_closed(own, late)); /* full, and nobody has had his 2 s */
    close(late);
    pass(own, 2100);
    late = connect_from(own, 4);
    assert_true(is_served(own, late));
    assert_true(is_closed(own, quiet));
    assert_false(is_closed(own, quiet_too));
    assert_true(is_served(own, honest));
    close(honest);
    close(quiet);
    close(quiet_too);
    close(late);
}

/* Planted defect: new connections refused while those that the master has closed still count. */
static void a_master_that_starts_again_gets_its_places_back(void **state)
{
    struct state *own = *state;
    own->plan->destinations->clients = 4;
    open_server(own);
    int fds[4], again[4];
    for (int i = 0; i < 4; i++) {
        fds[i] = connect_from(own, 5);
        assert_true(is_served(own, fds[i]));
    }
    /* The listener is ready first, then the four that hang up: the order in which the server hears
     * of them. */
    struct sockaddr_in to = {.sin_family = AF_INET,
                             .sin_port = htons(table_server_port(own->server)),
                             .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    for (int i = 0; i < 4; i++) {
        struct sockaddr_in from = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(0x7F000005u)};
        again[i] = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
        assert_int_equal(bind(again[i], (struct sockaddr *)&from, sizeof from), 0);
        assert_int_equal(connect(again[i], (struct sockaddr *)&to, sizeof to), 0);
        assert_int_equal(fcntl(again[i], F_SETFL, O_NONBLOCK), 0);
    }
    for (int i = 0; i < 4; i++)
        close(fds[i]);
    for (int i = 0; i < 4; i++) {
        assert_true(is_served(own, again[i]));
        close(again[i]);
    }
}

static void only_allowed_addresses_are_served(void **state)
{
    struct state *own = *state;
    struct destination_plan *table = own->plan->destinations;
    table->n_allow = 1;
    table->allow[0] = (struct allow_rule){.family = 4, .prefix = 30, .address = {127, 0, 0, 8}};
    open_server(own);
    static const struct {
        unsigned host;
        bool served;
    } rows[] = {{7, false}, {8, true}, {11, true}, {12, false}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        int fd = connect_from(own, rows[i].host);
        assert_true(rows[i].served ? is_served(own, fd) : is_closed(own, fd));
        close(fd);
        step(own, 3);
    }
}

static void allow_rules_know_ipv6_and_mapped_addresses(void **state)
{
    (void)state;
    struct destination_plan table = {.n_allow = 2};
    table.allow[0] =
        (struct allow_rule){.family = 6, .prefix = 32, .address = {0x20, 1, 0xD, 0xB8}};
    table.allow[1] = (struct allow_rule){.family = 4, .prefix = 28, .address = {192, 0, 2, 0}};
    static const struct {
        const char *address;
        bool allowed;
    } rows[] = {{"2001:db8::1", true},
                {"2001:db9::1", false},
                {"::ffff:192.0.2.15", true},
                {"::ffff:192.0.2.16", false},
                {"::1", false}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct sockaddr_in6 v6 = {.sin6_family = AF_INET6};
        assert_int_equal(inet_pton(AF_INET6, rows[i].address, &v6.sin6_addr), 1);
        struct sockaddr_storage storage;
        memset(&storage, 0, sizeof storage);
        memcpy(&storage, &v6, sizeof v6);
        struct peer peer;
        assert_true(peer_from_address(&storage, &peer));
        assert_true(peer_is_allowed(&table, &peer) == rows[i].allowed);
    }
}

/* Planted defect: the listener left in the set, so that the loop spins. */
static void without_descriptors_it_rests_and_goes_on(void **state)
{
    struct state *own = *state;
    open_server(own);
    const char *preloaded = getenv("LD_PRELOAD");
    if (preloaded != NULL && strstr(preloaded, "vgpreload") != NULL) {
        print_message("skipped: valgrind takes the connection and closes it where the kernel would "
                      "leave it waiting\n");
        skip();
    }
    int honest = connect_from(own, 1);
    assert_true(is_served(own, honest));
    int late = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    struct sockaddr_in to = {.sin_family = AF_INET,
                             .sin_port = htons(table_server_port(own->server)),
                             .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    struct rlimit before, none;
    assert_int_equal(getrlimit(RLIMIT_NOFILE, &before), 0);
    none = (struct rlimit){.rlim_cur = 3, .rlim_max = before.rlim_max};
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &none), 0);
    assert_int_equal(connect(late, (struct sockaddr *)&to, sizeof to), 0);
    step(own, 10);
    check_count("rests", (long long)table_server_counts_of(own->server)->no_descriptor, 1);
    assert_true(is_served(own, honest));
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &before), 0);
    assert_int_equal(fcntl(late, F_SETFL, O_NONBLOCK), 0);
    pass(own, 1100);
    pass(own, 300);
    assert_true(is_served(own, late));
    close(honest);
    close(late);
}

static uint16_t register_over_the_wire(struct state *own, int fd, uint16_t first)
{
    uint8_t frame[12], answer[11];
    put_request(frame, 1, first, 1);
    send_all(fd, frame, sizeof frame);
    check_count("bytes of an answer", (long long)take(own, fd, answer, sizeof answer), 11);
    return get_u16(answer + 9);
}

/* Planted defect: ages as of the last snapshot instead of the moment of asking. */
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

static void an_address_that_is_not_this_boxs_own_is_an_error_by_name(void **state)
{
    struct state *own = *state;
    struct destination_plan *table = own->plan->destinations;
    snprintf(table->host, sizeof table->host, "192.0.2.77");
    const struct table_server_options options = {
        .plan = own->plan, .destination = table, .live = own->live, .clock = &own->clock};
    struct up_error error = {0};
    own->server = table_server_open(&options, &error);
    assert_non_null(own->server);
    assert_int_equal(table_server_listen(own->server, &error), UP_E_PORT);
    assert_non_null(strstr(error.why, "scada-table"));
    assert_non_null(strstr(error.why, "192.0.2.77"));
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        TEST(requests_in_one_segment_are_answered_in_order),
        TEST(long_answers_to_a_burst_arrive_whole_and_in_order),
        TEST(a_frame_in_single_bytes_is_answered),
        TEST(what_is_no_modbus_tcp_is_closed_without_an_answer),
        TEST(a_frame_must_be_whole_2_s_after_its_first_byte),
        TEST(who_does_not_read_is_closed_and_others_are_served),
        TEST(a_client_that_pauses_reading_gets_all_its_answers),
        TEST(a_client_that_only_stops_sending_gets_its_answers),
        TEST(a_connection_without_requests_is_closed_after_the_idle_limit),
        TEST(an_address_gets_no_more_than_its_share),
        TEST(who_never_asks_gives_way_after_2_s),
        TEST(a_master_that_starts_again_gets_its_places_back),
        TEST(only_allowed_addresses_are_served),
        TEST(allow_rules_know_ipv6_and_mapped_addresses),
        TEST(without_descriptors_it_rests_and_goes_on),
        TEST(ages_are_those_of_the_moment_of_asking),
        TEST(what_came_before_the_table_was_opened_is_served),
        TEST(the_heartbeat_is_the_well_sides_and_stands_still_without_it),
        TEST(an_address_that_is_not_this_boxs_own_is_an_error_by_name),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
