/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_line_use.c - how much of the wire's arithmetic a line reaches at reads of 125 registers,
 * and how often t3.5 is broken, beside a bare libmodbus loop on the same virtual wire.
 *
 * Use is T(125) = (13 + 250) characters + 2 x t3.5, over the time from question to question. Above
 * 1 only by breaking t3.5. Rounds of both are interleaved; medians. Asserts nothing. bench_line_use
 * [ROUNDS] [EXCHANGES]
 */
#include "bench_line_pace.h"

#include "uphole/gather.h"

#include <modbus/modbus.h>

#define REGISTERS 125
#define ROUNDS_MAX 50

struct result {
    double use;
    unsigned questions, violations;
};

static struct result result_of(const struct pace *pace, const struct line_plan *line)
{
    unsigned questions = atomic_load(&pace->requests);
    double elapsed_us =
        (double)(atomic_load(&pace->newest_ns) - atomic_load(&pace->first_ns)) / 1000;
    double character_us = 1e6 * line_bits_per_character(line) / line->baud;
    double quiet_us = line->baud > 19200 ? 1750 : 3.5 * character_us;
    double wire_us = (13 + 2 * REGISTERS) * character_us + 2 * quiet_us;
    return (struct result){.use = (questions - 1) * wire_us / elapsed_us,
                           .questions = questions - 1,
                           .violations = atomic_load(&pace->violations)};
}

static struct result run_uphole(struct line_plan *line, unsigned exchanges)
{
    static struct made_plan made;
    static struct gathered item;
    struct pace pace;
    struct up_clock clock;
    struct up_error error = {0};
    struct gatherer *gatherer;
    struct ring *ring = ring_create(256, sizeof(struct gathered));
    memset(&made, 0, sizeof made);
    clock_of_system(&clock);
    pace_start(&pace, line, 1);
    made.line = *line;
    made_map(&made.map[0]);
    made.map[0].n_channels = 0;
    made_channel(&made.map[0], TABLE_HOLDING, 0, REGISTERS);
    made_plan_join(&made, 1, 1); /* always due */
    struct line_options options = {.plan = &made.plan,
                                   .clock = &clock,
                                   .ring = ring,
                                   .wake_fd = -1,
                                   .grid_start_us = clock_boot_us(&clock),
                                   .seed = 1};
    if (gather_start(&options, &gatherer, &error) != UP_OK) {
        fprintf(stderr, "%s\n", error.why);
        exit(1);
    }
    while (atomic_load(&pace.requests) <= exchanges) {
        usleep(50000);
        while (ring_get(ring, &item))
            if (item.kind == GATHERED_SCAN && item.scan.outcome != OUTCOME_ANSWERED)
                printf("a scan failed: %s\n", outcome_name(item.scan.outcome));
    }
    struct result result = result_of(&pace, line);
    gather_stop(gatherer);
    pace_stop(&pace);
    ring_destroy(ring);
    return result;
}

static struct result run_bare(struct line_plan *line, unsigned exchanges)
{
    struct pace pace;
    uint16_t registers[REGISTERS];
    pace_start(&pace, line, 1);
    prctl(PR_SET_TIMERSLACK, 1UL);
    modbus_t *modbus = modbus_new_rtu(line->device, (int)line->baud, line->parity, line->data_bits,
                                      line->stop_bits);
    if (modbus == NULL || modbus_set_slave(modbus, 1) != 0 || modbus_connect(modbus) != 0)
        exit(1);
    modbus_set_response_timeout(modbus, 1, 0);
    for (unsigned i = 0; i <= exchanges; i++)
        if (modbus_read_registers(modbus, 0, REGISTERS, registers) != REGISTERS)
            printf("the bare loop failed: %s\n", modbus_strerror(errno));
    struct result result = result_of(&pace, line);
    modbus_close(modbus);
    modbus_free(modbus);
    pace_stop(&pace);
    return result;
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}
static double median(double *values, unsigned n)
{
    qsort(values, n, sizeof values[0], compare);
    return n % 2 ? values[n / 2] : (values[n / 2 - 1] + values[n / 2]) / 2;
}

int main(int argc, char **argv)
{
    unsigned rounds = argc > 1 ? (unsigned)strtoul(argv[1], NULL, 10) : 5,
             exchanges = argc > 2 ? (unsigned)strtoul(argv[2], NULL, 10) : 8;
    static const struct {
        uint32_t baud;
        char parity;
    } LINES[] = {{9600, 'N'}, {19200, 'E'}};
    if (rounds < 1 || rounds > ROUNDS_MAX || exchanges < 1) {
        fprintf(stderr, "usage: bench_line_use [ROUNDS, 1 to %d] [EXCHANGES]\n", ROUNDS_MAX);
        return 64;
    }
    printf("reads of %d registers, %u rounds of %u exchanges each, interleaved; medians\n",
           REGISTERS, rounds, exchanges);
    printf("%-12s %-16s %10s %10s %10s %14s\n", "line", "master", "use", "least", "questions",
           "t3.5 broken");
    for (size_t i = 0; i < sizeof LINES / sizeof LINES[0]; i++) {
        static double use[2][ROUNDS_MAX];
        unsigned questions[2] = {0}, violations[2] = {0};
        for (unsigned round = 0; round < rounds; round++)
            for (unsigned who = 0; who < 2; who++) {
                struct line_plan line = made_serial(LINES[i].baud, LINES[i].parity);
                struct result result =
                    who == 0 ? run_uphole(&line, exchanges) : run_bare(&line, exchanges);
                use[who][round] = result.use;
                questions[who] += result.questions;
                violations[who] += result.violations;
            }
        for (unsigned who = 0; who < 2; who++) {
            double middle = median(use[who], rounds);
            char name[32];
            snprintf(name, sizeof name, "%u 8%c1", LINES[i].baud, LINES[i].parity);
            printf("%-12s %-16s %10.4f %10.4f %10u %14u\n", name,
                   who == 0 ? "uphole" : "bare libmodbus", middle, use[who][0], questions[who],
                   violations[who]);
        }
    }
    return 0;
}
