/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_parameters.c - what well parameters cost: one scan of a full well measured with all of
 * them, and without well data, as ratios to decoding its registers alone; and a simulated month
 * replayed.
 *
 * usage: bench_parameters [DAYS]; prints processor time, asserts nothing. Rounds are interleaved
 * and the median counts: speeds depend on the machine, the ratios less so.
 */
#include "../measure/well_now.h"

#include <time.h>

#define ROUNDS 21
#define SCANS_A_ROUND 4000
#define POLL_MS 10000

static int64_t now_ns(void)
{
    struct timespec time;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &time);
    return time.tv_sec * 1000000000LL + time.tv_nsec;
}

/** The made well's gauge with a casing-head pressure and an insulation resistance, and a drive with
 * all that parameters are made of. */
static void make_full(struct made *made, struct well_data *data)
{
    struct map *gauge = &made->maps[0], *drive = &made->maps[1];
    made_channel(gauge, POINT_CASING_HEAD_PRESSURE, TABLE_INPUT, 18, TYPE_U16, "1", "kPa");
    made_channel(gauge, POINT_INSULATION_RESISTANCE, TABLE_INPUT, 19, TYPE_U16, "1", "kohm");
    static const struct {
        unsigned point;
        const char *scale, *unit;
        uint16_t raw;
    } DRIVE[] = {{POINT_MOTOR_VOLTAGE, "1", "V", 1900},
                 {POINT_MOTOR_CURRENT, "0.1", "A", 550},
                 {POINT_POWER_FACTOR, "0.01", "1", 84},
                 {POINT_MOTOR_POWER, "0.1", "kW", 1400}};
    for (uint16_t i = 0; i < 4; i++) {
        struct channel *channel =
            made_channel(drive, DRIVE[i].point, TABLE_HOLDING, (uint16_t)(2 + i), TYPE_U16,
                         DRIVE[i].scale, DRIVE[i].unit);
        snprintf(channel->about, sizeof channel->about, "motor side");
        made->drive[2 + i] = DRIVE[i].raw;
    }
    made_entry(made, SOURCE_GAUGE, 0);
    made_entry(made, SOURCE_DRIVE, 1);
    made->unit[INTAKE_PRESSURE_AT] = 9000;
    made->unit[DISCHARGE_PRESSURE_AT] = 19000;
    made->unit[18] = 1200;
    made->unit[19] = 5000;
    made->drive[0] = 4750;
    made->drive[1] = 11;
    data->from_utc_ms = MADE_UTC_MS;
    made->well.data = data;
    made->well.n_data = 1;
}

/** A scan of the gauge with all its registers. */
static struct scan gauge_scan(struct made *made, int64_t ms)
{
    struct scan scan = made_failed(made, ms);
    scan.outcome = OUTCOME_ANSWERED;
    made_block(&scan, TABLE_INPUT, 0, 2, &made->unit[0]);
    made_block(&scan, TABLE_INPUT, 16, 12, &made->unit[16]);
    made_block(&scan, TABLE_INPUT, 0, 1, &made->unit[0]);
    return scan;
}

/** The well moves a little, so that no value stands still. */
static void move(struct made *made, int64_t i)
{
    made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(9000 + i / 3 % 200);
    made->unit[DISCHARGE_PRESSURE_AT] = (uint16_t)(19000 + i / 3 % 150);
    made->unit[18] = (uint16_t)(1200 + i / 3 % 7);
    made->drive[2 + 1] = (uint16_t)(550 + i % 9);
}

static double decode_alone(struct made *made, int64_t n)
{
    double sum = 0.0;
    const int64_t began = now_ns();
    for (int64_t i = 0; i < n; i++) {
        move(made, i);
        for (unsigned m = 0; m < 2; m++) {
            const struct map *map = &made->maps[m];
            const uint16_t *words = m == 0 ? made->unit : made->drive;
            for (unsigned c = 0; c < map->n_channels; c++) {
                struct decoded decoded;
                decode_channel(&map->channel[c], &words[map->channel[c].address], &decoded);
                sum += decoded.value;
            }
        }
    }
    const double ns = (double)(now_ns() - began) / (double)n;
    return isfinite(sum) ? ns : NAN; /* so that nothing is optimised away */
}

/** Both sources, each POLL_MS; ns a pair of scans. `good` counts Good well parameters of the last.
 */
static double measured(struct made *made, int64_t n, int64_t *ms, unsigned *made_up, unsigned *good)
{
    const int64_t began = now_ns();
    for (int64_t i = 0; i < n; i++, *ms += POLL_MS) {
        move(made, *ms / POLL_MS);
        struct scan scan = made_drive_scan(made, *ms);
        made_measure(made, &scan);
        *made_up = *good = 0;
        for (unsigned pass = 0; pass < 2; pass++) {
            for (unsigned k = 0; k < made->record.n; k++) {
                const struct reading *reading = &made->record.reading[k];
                *made_up += reading->point >= POINT_DATUM_PRESSURE;
                *good += reading->point >= POINT_DATUM_PRESSURE && is_good(reading->quality);
            }
            if (pass == 0) {
                scan = gauge_scan(made, *ms + 500);
                made_measure(made, &scan);
            }
        }
    }
    return (double)(now_ns() - began) / (double)n;
}

static int by_size(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

int main(int argc, char **argv)
{
    const int64_t days = argc > 1 ? strtol(argv[1], NULL, 10) : 30;
    struct well_data full = DATA, none = DATA;
    full.statistics_coverage_ratio = 0.75; /* windows and all */
    for (unsigned d = 0; d < WELL_DATA; d++)
        well_datum_forget(&none, (enum well_datum)d);
    struct made *with = made_new(), *without = made_new();
    make_full(with, &full);
    make_full(without, &none);
    double ns[3][ROUNDS];
    unsigned made_up = 0, good = 0, made_up_none = 0, good_none = 0;
    int64_t ms_with = 0, ms_without = 0;
    for (unsigned round = 0; round < ROUNDS; round++) {
        ns[0][round] = decode_alone(with, SCANS_A_ROUND);
        ns[1][round] = measured(without, SCANS_A_ROUND, &ms_without, &made_up_none, &good_none);
        ns[2][round] = measured(with, SCANS_A_ROUND, &ms_with, &made_up, &good);
    }
    for (unsigned k = 0; k < 3; k++)
        qsort(ns[k], ROUNDS, sizeof **ns, by_size);
    const double decode = ns[0][ROUNDS / 2], plain = ns[1][ROUNDS / 2], all = ns[2][ROUNDS / 2];
    printf(
        "one round of a full well, gauge and drive, %u channels; median of %u interleaved rounds\n",
        with->maps[0].n_channels + with->maps[1].n_channels, (unsigned)ROUNDS);
    printf("  decoding alone                      %8.2f us\n", decode / 1e3);
    printf("  measured, without well data         %8.2f us  %6.1f x decoding, %u parameters\n",
           plain / 1e3, plain / decode, made_up_none);
    printf("  measured, with all well parameters  %8.2f us  %6.1f x decoding, %u parameters, %u "
           "good\n",
           all / 1e3, all / decode, made_up, good);
    made_new_run(with);
    int64_t ms = 0;
    const int64_t began = now_ns(), rounds = days * 86400000 / POLL_MS;
    (void)measured(with, rounds, &ms, &made_up, &good);
    const double s = (double)(now_ns() - began) / 1e9;
    printf("%lld days replayed, one round each %d s: %lld scans in %.2f s, %.0f scans/s, %.0f x "
           "real time; "
           "%u parameters in the last round, %u good\n",
           (long long)days, POLL_MS / 1000, (long long)(2 * rounds), s, (double)(2 * rounds) / s,
           (double)days * 86400.0 / s, made_up, good);
    made_free(with);
    made_free(without);
    return 0;
}
