/* SPDX-License-Identifier: Apache-2.0
 *
 * table_demo_server.c - the real table server on a free port, fed by the fixture: what clients that
 * nobody here wrote are pointed at.
 *
 * usage: table_demo_server [--changing] [--clients N] [--per-address N] [--idle MS]
 * Prints "port N", serves until its standard input ends, then prints its counts as one line of
 * JSON.
 */
#include "table_fixture.h"

#include "../../daemon/publish/server.h"

#include <inttypes.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct demo {
    struct live *live;
    struct table_server *server;
    const struct up_clock *clock;
    bool changing;
    atomic_bool stops;
};

/** Values as the fixture's; with --changing every snapshot counts seq up and moves the intake
 * pressure with it. */
static void put_well(const struct demo *demo, uint16_t well, uint64_t n)
{
    struct snapshot snapshot = fixture_snapshot(well);
    int64_t now_ms = clock_boot_ms(demo->clock);
    snapshot.newest.boot_ms = now_ms;
    for (unsigned i = 0; i < snapshot.n; i++) {
        if (snapshot.reading[i].fresh_boot_ms != INT64_MIN)
            snapshot.reading[i].fresh_boot_ms = now_ms;
    }
    if (demo->changing) {
        snapshot.seq = n;
        fixture_reading(&snapshot, 1)->value = (double)(n % 10000);
        fixture_reading(&snapshot, 3)->value = (double)(n % 10000);
    }
    live_put_snapshot(demo->live, &snapshot);
}

static void put_all(const struct demo *demo, uint64_t n)
{
    const struct wall_state box = fixture_state((uint32_t)n);
    put_well(demo, 7, n);
    put_well(demo, 8, n);
    live_put_state(demo->live, &box);
}

static void *feed(void *argument)
{
    const struct demo *demo = argument;
    for (uint64_t n = 2; !atomic_load(&demo->stops); n++) {
        put_all(demo, n);
        demo->clock->sleep_until(demo->clock->context,
                                 clock_boot_us(demo->clock) + (demo->changing ? 20000 : 200000));
    }
    return NULL;
}

static void *serve(void *argument)
{
    const struct demo *demo = argument;
    while (!atomic_load(&demo->stops))
        table_server_step(demo->server, 200);
    return NULL;
}

static void print_counts(const struct table_server_counts *counts)
{
    printf("{\"accepted\":%" PRIu64 ",\"requests\":%" PRIu64 ",\"exceptions\":%" PRIu64
           ",\"writes_refused\":%" PRIu64 ",\"refused_address\":%" PRIu64
           ",\"refused_full\":%" PRIu64 ",\"gave_way\":%" PRIu64 ",\"bad_frame\":%" PRIu64
           ",\"stalled\":%" PRIu64 ",\"idle\":%" PRIu64 ",\"not_reading\":%" PRIu64 "}\n",
           counts->accepted, counts->requests, counts->exceptions, counts->writes_refused,
           counts->refused_address, counts->refused_full, counts->gave_way, counts->bad_frame,
           counts->stalled, counts->idle, counts->not_reading);
}

static void take_options(int argc, char **argv, struct demo *demo, struct destination_plan *table)
{
    for (int i = 1; i < argc; i++) {
        unsigned long value = i + 1 < argc ? strtoul(argv[i + 1], NULL, 10) : 0;
        if (strcmp(argv[i], "--changing") == 0)
            demo->changing = true;
        else if (strcmp(argv[i], "--clients") == 0)
            table->clients = (uint16_t)value;
        else if (strcmp(argv[i], "--per-address") == 0)
            table->clients_per_address = (uint16_t)value;
        else if (strcmp(argv[i], "--idle") == 0)
            table->idle_ms = (uint32_t)value;
    }
}

static void until_input_ends(void)
{
    char byte;
    while (read(STDIN_FILENO, &byte, 1) > 0)
        ;
}

int main(int argc, char **argv)
{
    struct up_clock clock;
    clock_of_system(&clock);
    struct plan *plan = fixture_plan();
    struct demo demo = {.live = live_create(plan), .clock = &clock};
    take_options(argc, argv, &demo, plan->destinations);
    const struct table_server_options options = {
        .plan = plan, .destination = plan->destinations, .live = demo.live, .clock = &clock};
    struct up_error error = {0};
    if (demo.live != NULL)
        put_all(&demo, 1); /* whoever comes first finds values */
    demo.server = demo.live != NULL ? table_server_open(&options, &error) : NULL;
    if (demo.server == NULL || table_server_listen(demo.server, &error) != UP_OK) {
        fprintf(stderr, "table_demo_server: %s\n", error.why);
        return 1;
    }
    pthread_t server, feeder;
    if (pthread_create(&server, NULL, serve, &demo) != 0 ||
        pthread_create(&feeder, NULL, feed, &demo) != 0)
        return 1;
    printf("port %u\n", table_server_port(demo.server));
    fflush(stdout);
    until_input_ends();
    atomic_store(&demo.stops, true);
    table_server_wake(demo.server);
    pthread_join(server, NULL);
    pthread_join(feeder, NULL);
    print_counts(table_server_counts_of(demo.server));
    table_server_close(demo.server);
    live_destroy(demo.live);
    fixture_free(plan);
    return 0;
}
