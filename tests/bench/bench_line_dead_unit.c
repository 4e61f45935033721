/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_line_dead_unit.c - what one dead unit costs three living ones on the same pair (9600 8E1,
 * 40 registers each, response_timeout 500 ms), beside a plain libmodbus loop over the four.
 *
 * Four virtual wires run at the same time: each master with and without the dead unit. A round is
 * one answer of each living unit; its time with the dead unit over its time without is the ratio.
 * Asserts nothing.   bench_line_dead_unit [SECONDS]
 */
#include "bench_line_pace.h"

#include "uphole/gather.h"

#include <modbus/modbus.h>

#define LIVING 3
#define DEAD_UNIT (LIVING + 1)
#define REGISTERS 40
#define TIMEOUT_MS 500
#define DEAD_POLL_MS 10000
#define WARM_UP_S 25 /* three failed polls, 10 s apart: the dead unit is down */

struct contest {
    const char *name;
    bool is_uphole, with_dead;
    struct pace pace;
    struct line_plan line;
    struct made_plan made;
    struct ring *ring;
    struct gatherer *gatherer;
    pthread_t thread;
    atomic_bool stopping;
    unsigned answers_at_warm_up, answers,
        failures; /* failures of living units, of the plain loops */
};

static void *plain_loop(void *argument)
{
    struct contest *contest = argument;
    uint16_t registers[REGISTERS];
    const struct line_plan *line = &contest->line;
    modbus_t *modbus = modbus_new_rtu(line->device, (int)line->baud, line->parity, line->data_bits,
                                      line->stop_bits);
    if (modbus == NULL || modbus_connect(modbus) != 0)
        exit(1);
    modbus_set_response_timeout(modbus, 0, TIMEOUT_MS * 1000);
    while (!atomic_load(&contest->stopping))
        for (int unit = 1; unit <= LIVING + (contest->with_dead ? 1 : 0); unit++) {
            modbus_set_slave(modbus, unit);
            modbus_flush(
                modbus); /* without it one late answer leaves the loop out of step for ever */
            if (modbus_read_registers(modbus, 0, REGISTERS, registers) != REGISTERS &&
                unit != DEAD_UNIT)
                contest->failures++;
        }
    modbus_close(modbus);
    modbus_free(modbus);
    return NULL;
}

static void start_uphole(struct contest *contest, const struct up_clock *clock)
{
    struct up_error error = {0};
    struct made_plan *made = &contest->made;
    unsigned n = LIVING + (contest->with_dead ? 1 : 0);
    made->line = contest->line;
    for (unsigned i = 0; i < n; i++) {
        made_map(&made->map[i]);
        made_channels(&made->map[i], TABLE_HOLDING, 0, REGISTERS);
    }
    made_plan_join(made, n, 1); /* the living ones are always due */
    made->entry[DEAD_UNIT - 1].poll_every_ms = DEAD_POLL_MS;
    contest->ring = ring_create(4096, sizeof(struct gathered));
    struct line_options options = {.plan = &made->plan,
                                   .clock = clock,
                                   .ring = contest->ring,
                                   .wake_fd = -1,
                                   .grid_start_us = clock_boot_us(clock),
                                   .seed = 1};
    if (gather_start(&options, &contest->gatherer, &error) != UP_OK) {
        fprintf(stderr, "%s\n", error.why);
        exit(1);
    }
}

static void start(struct contest *contest, const struct up_clock *clock)
{
    contest->line = made_serial(9600, 'E');
    contest->line.response_timeout_ms = TIMEOUT_MS;
    pace_start(&contest->pace, &contest->line, LIVING);
    if (contest->is_uphole)
        start_uphole(contest, clock);
    else
        pthread_create(&contest->thread, NULL, plain_loop, contest);
}

static unsigned answers(const struct contest *contest)
{
    unsigned sum = 0;
    for (unsigned unit = 1; unit <= LIVING; unit++)
        sum += atomic_load(&contest->pace.answered[unit]);
    return sum;
}

static void stop(struct contest *contest)
{
    atomic_store(&contest->stopping, true);
    if (contest->is_uphole) {
        gather_stop(contest->gatherer);
        ring_destroy(contest->ring);
    } else {
        pthread_join(contest->thread, NULL);
    }
    pace_stop(&contest->pace);
}

/** Rings are emptied, so that no line loses an item meanwhile. */
static void wait_s(struct contest *contests, size_t n, unsigned seconds)
{
    static struct gathered item;
    int64_t end_ns = pace_now_ns() + (int64_t)seconds * 1000000000;
    while (pace_now_ns() < end_ns) {
        usleep(100000);
        for (size_t i = 0; i < n; i++)
            while (contests[i].is_uphole && ring_get(contests[i].ring, &item))
                ;
    }
}

int main(int argc, char **argv)
{
    unsigned seconds = argc > 1 ? (unsigned)strtoul(argv[1], NULL, 10) : 180;
    static struct contest contests[] = {
        {.name = "uphole, three living", .is_uphole = true},
        {.name = "uphole, and one dead", .is_uphole = true, .with_dead = true},
        {.name = "plain loop, three living"},
        {.name = "plain loop, and one dead", .with_dead = true}};
    size_t n = sizeof contests / sizeof contests[0];
    struct up_clock clock;
    if (seconds <= WARM_UP_S) {
        fprintf(stderr, "usage: bench_line_dead_unit [SECONDS, more than %d]\n", WARM_UP_S);
        return 64;
    }
    clock_of_system(&clock);
    for (size_t i = 0; i < n; i++)
        start(&contests[i], &clock);
    wait_s(contests, n, WARM_UP_S);
    for (size_t i = 0; i < n; i++)
        contests[i].answers_at_warm_up = answers(&contests[i]);
    wait_s(contests, n, seconds - WARM_UP_S);
    for (size_t i = 0; i < n; i++)
        contests[i].answers = answers(&contests[i]);
    for (size_t i = 0; i < n; i++)
        stop(&contests[i]);
    printf("%u s on four virtual wires at once; the dead unit is polled each %d s\n", seconds,
           DEAD_POLL_MS / 1000);
    printf("%-28s %18s %18s %12s\n", "", "rounds from start", "ms a round", "once down");
    for (size_t i = 0; i < n; i++) {
        double rounds = contests[i].answers / (double)LIVING;
        double later = (contests[i].answers - contests[i].answers_at_warm_up) / (double)LIVING;
        printf("%-28s %18.1f %18.1f %12.1f\n", contests[i].name, rounds, seconds * 1000 / rounds,
               (seconds - WARM_UP_S) * 1000 / later);
    }
    printf("reads of living units that failed in the plain loops: %u and %u\n",
           contests[2].failures, contests[3].failures);
    for (size_t i = 0; i < n; i += 2)
        printf("%-28s ratio from start %.3f, once down %.3f\n", i == 0 ? "uphole" : "plain loop",
               (double)contests[i].answers / contests[i + 1].answers,
               (double)(contests[i].answers - contests[i].answers_at_warm_up) /
                   (contests[i + 1].answers - contests[i + 1].answers_at_warm_up));
    return 0;
}
