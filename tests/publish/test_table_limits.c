/* SPDX-License-Identifier: Apache-2.0
 *
 * test_table_limits.c - who gets a place at the table, and for how long: idle limit, share of an
 * address, allow rules, descriptors.
 */
#include "check.h"
#include "table_harness.h"

#include "../../daemon/publish/server_inside.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <unistd.h>

static void a_connection_without_requests_is_closed_after_the_idle_limit(void **state)
{
    struct state *own = *state;
    open_server(own);
    int fd = connect_from(own, 1);
    pass(own, 59000);
    assert_true(is_served(own, fd));
    pass(own, 59000);
    assert_true(stays_open(own, fd));
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
    assert_true(stays_open(own, quiet_too));
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
    struct wall_destination away = {0};
    table_server_turned_away(own->server, &away);
    check_count("strangers", (long long)away.strangers, 2);
    check_text("the latest", away.stranger, "127.0.0.12");
    check_count("writes", (long long)away.writes, 0);
}

/* Modbus Application Protocol V1.1b3, 6.6: write single register. Planted defect: the address is
 * that of who asked last, not of who wrote (publish-writer-is-anybody). */
static void who_writes_is_counted_and_named(void **state)
{
    struct state *own = *state;
    open_server(own);
    int writer = connect_from(own, 7), reader = connect_from(own, 8);
    uint8_t frame[12], answer[9];
    put_request(frame, 3, 32, 1);
    frame[7] = 0x06;
    send_all(writer, frame, sizeof frame);
    check_count("answer", (long long)take(own, writer, answer, sizeof answer), sizeof answer);
    check_count("function", answer[7], 0x86);
    check_count("exception", answer[8], 0x01);
    assert_true(is_served(own, reader));
    struct wall_destination away = {0};
    table_server_turned_away(own->server, &away);
    check_count("writes", (long long)away.writes, 1);
    check_text("by", away.writer, "127.0.0.7");
    check_text("strangers", away.stranger, "");
    close(writer);
    close(reader);
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
    for (int i = 0; i < 20000 && table_server_counts_of(own->server)->no_descriptor == 0; i++)
        step(own, 1);
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
#define TEST(name) cmocka_unit_test_setup_teardown(name, harness_set_up, harness_tear_down)
    const struct CMUnitTest tests[] = {
        TEST(a_connection_without_requests_is_closed_after_the_idle_limit),
        TEST(an_address_gets_no_more_than_its_share),
        TEST(who_never_asks_gives_way_after_2_s),
        TEST(a_master_that_starts_again_gets_its_places_back),
        TEST(only_allowed_addresses_are_served),
        TEST(who_writes_is_counted_and_named),
        TEST(allow_rules_know_ipv6_and_mapped_addresses),
        TEST(without_descriptors_it_rests_and_goes_on),
        TEST(an_address_that_is_not_this_boxs_own_is_an_error_by_name),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
