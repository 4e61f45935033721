/* SPDX-License-Identifier: Apache-2.0
 *
 * test_table_torn.c - the table in its thread, read while snapshots are replaced as fast as they
 * can be: no answer mixes two scans.
 *
 * In snapshot number n every point's value is n, the seq is n, and the qualities alternate with n.
 * Run under TSan as well.
 */
#include "check.h"
#include "table_fixture.h"

#include "../../daemon/publish/server.h"

#include "uphole/wire.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <pthread.h>
#include <stdatomic.h>
#include <sys/socket.h>
#include <unistd.h>

#define READERS 3
#define READS_EACH 3000

struct state {
    struct plan *plan;
    struct live *live;
    struct table_server *server;
    struct up_clock clock;
    atomic_bool stops;
    atomic_uint torn, reads, changes;
};

static struct snapshot numbered(uint32_t n)
{
    struct snapshot snapshot = fixture_snapshot(7);
    snapshot.seq = n;
    snapshot.n = POINT_COUNT - 1;
    for (uint16_t p = 1; p < POINT_COUNT; p++)
        snapshot.reading[p - 1] =
            (struct live_reading){.point = p,
                                  .quality = n % 2 == 0 ? QUALITY_GOOD : QUALITY_UNUSUAL,
                                  .value = (double)n,
                                  .fresh_boot_ms = INT64_MIN};
    return snapshot;
}

static void *replace(void *argument)
{
    struct state *own = argument;
    for (uint32_t n = 1; !atomic_load(&own->stops); n = n % 16000000 + 1) { /* exact in float32 */
        struct snapshot snapshot = numbered(n);
        live_put_snapshot(own->live, &snapshot);
    }
    return NULL;
}

static void *serve(void *argument)
{
    struct state *own = argument;
    while (!atomic_load(&own->stops))
        table_server_step(own->server, 50);
    return NULL;
}

static bool take_all(int fd, uint8_t *bytes, size_t n)
{
    return recv(fd, bytes, n, MSG_WAITALL) == (ssize_t)n;
}

/** Registers 14 to 111: the seq, then points 1 to 20, in one answer. 0: not torn. */
static bool is_torn(const uint8_t *data)
{
    uint32_t seq = get_u32(data + 4); /* low half of registers 14 to 17 */
    if (seq == 0)
        return false; /* nothing put yet */
    for (unsigned p = 1; p <= 20; p++) {
        const uint8_t *at = data + 2 * (slot(p, 0) - 14);
        float value = float_from_bits(get_u32(at));
        uint16_t quality = get_u16(at + 4);
        if (value != (float)seq || quality != (seq % 2 == 0 ? QUALITY_GOOD : QUALITY_UNUSUAL))
            return true;
    }
    return false;
}

static void *read_on(void *argument)
{
    struct state *own = argument;
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    struct sockaddr_in to = {.sin_family = AF_INET,
                             .sin_port = htons(table_server_port(own->server)),
                             .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    if (fd < 0 || connect(fd, (struct sockaddr *)&to, sizeof to) != 0)
        return NULL;
    uint32_t before = 0;
    for (unsigned i = 0; i < READS_EACH; i++) {
        const uint8_t request[] = {0, 1, 0, 0, 0, 6, METRIC_HIGH, 4, 0, 14, 0, 98};
        uint8_t answer[9 + 2 * 98];
        if (send(fd, request, sizeof request, MSG_NOSIGNAL) != (ssize_t)sizeof request ||
            !take_all(fd, answer, sizeof answer))
            break;
        atomic_fetch_add(&own->reads, 1);
        if (is_torn(answer + 9))
            atomic_fetch_add(&own->torn, 1);
        uint32_t seq = get_u32(answer + 9 + 4);
        atomic_fetch_add(&own->changes, seq != before);
        before = seq;
    }
    close(fd);
    return NULL;
}

/* Planted defect: value and quality registers written at different times (two passes, the second at
 * the next wake). */
static void no_answer_mixes_two_scans(void **unused)
{
    (void)unused;
    struct state own = {.plan = fixture_plan()};
    clock_of_system(&own.clock);
    own.live = live_create(own.plan);
    assert_non_null(own.live);
    const struct table_server_options options = {.plan = own.plan,
                                                 .destination = own.plan->destinations,
                                                 .live = own.live,
                                                 .clock = &own.clock};
    struct up_error error = {0};
    own.server = table_server_open(&options, &error);
    assert_non_null(own.server);
    assert_int_equal(table_server_listen(own.server, &error), UP_OK);
    pthread_t server, writer, reader[READERS];
    assert_int_equal(pthread_create(&server, NULL, serve, &own), 0);
    assert_int_equal(pthread_create(&writer, NULL, replace, &own), 0);
    for (unsigned i = 0; i < READERS; i++)
        assert_int_equal(pthread_create(&reader[i], NULL, read_on, &own), 0);
    for (unsigned i = 0; i < READERS; i++)
        pthread_join(reader[i], NULL);
    atomic_store(&own.stops, true);
    pthread_join(writer, NULL);
    table_server_wake(own.server);
    pthread_join(server, NULL);
    print_message("%u reads, %u of them saw another scan than the one before, %u torn\n",
                  atomic_load(&own.reads), atomic_load(&own.changes), atomic_load(&own.torn));
    check_count("reads", atomic_load(&own.reads), READERS * READS_EACH);
    check_count("torn reads", atomic_load(&own.torn), 0);
    assert_true(atomic_load(&own.changes) > 10); /* else nothing was tried */
    table_server_close(own.server);
    live_destroy(own.live);
    fixture_free(own.plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(no_answer_mixes_two_scans)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
