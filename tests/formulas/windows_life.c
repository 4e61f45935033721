/* SPDX-License-Identifier: Apache-2.0
 *
 * windows_life.c - prints a random life of a made well for windows.py: what was read, and what the
 * windows say of it.
 *
 * usage: windows_life SEED hours|days. A line `r SOURCE T_MS UNTIL_MS POINT QUALITY VALUE` a
 * reading, `s SOURCE T_MS POINT QUALITY VALUE` a point of a window, in the order of the scans.
 */
#include "../measure/made.h"

#include "../../daemon/measure/fold_state.h"

static uint64_t state;

static uint32_t below(uint32_t n)
{
    state ^= state << 13; /* xorshift64 (Marsaglia 2003) */
    state ^= state >> 7;
    state ^= state << 17;
    return (uint32_t)(state >> 33) % n;
}

static bool one_in(uint32_t n)
{
    return below(n) == 0;
}

static void make(struct made *made, struct well_data *data, uint32_t poll_ms)
{
    for (unsigned d = 0; d < WELL_DATA; d++)
        well_datum_forget(data, (enum well_datum)d);
    data->liquid_density_kg_m3 = data->water_density_kg_m3 = data->local_atmosphere_kpa = NAN;
    data->winding_limit_degc = 150;
    data->insulation_reference_degc = 40;
    data->intake_pressure_limit_kpa = 3000;
    data->statistics_coverage_ratio = 0.75;
    made->well.data = data;
    made->well.n_data = 1;
    made_channel(&made->maps[0], POINT_INSULATION_RESISTANCE, TABLE_INPUT, VIBRATION_AT + 1,
                 TYPE_U16, "1", "kohm");
    struct map *drive = &made->maps[1];
    struct channel *channel =
        made_channel(drive, POINT_MOTOR_CURRENT, TABLE_HOLDING, 2, TYPE_U16, "0.1", "A");
    const struct channel current = *channel; /* ascending by point: before the run state */
    *channel = channel[-1];
    channel[-1] = current;
    made_entry(made, SOURCE_DRIVE, 1);
    for (unsigned s = SOURCE_GAUGE; s <= SOURCE_DRIVE; s++) {
        struct source_entry *entry = &made->entries[s][0];
        entry->poll_every_ms = poll_ms;
        entry->stale_limit_ms = 2 * poll_ms + entry->refresh_ms + 200;
        entry->freeze_after = 10000;
    }
}

static void print_record(const struct made *made, const struct scan *scan, bool with_windows)
{
    static const uint16_t READ[] = {POINT_INTAKE_PRESSURE, POINT_MOTOR_WINDING_TEMPERATURE,
                                    POINT_DRIVE_FREQUENCY, POINT_MOTOR_CURRENT,
                                    POINT_DRIVE_RUN_STATE, POINT_REFERENCE_INSULATION};
    const struct source_entry *entry = &made->entries[scan->source][0];
    const int64_t t = scan->begun.boot_ms, until = t - entry->refresh_ms + entry->stale_limit_ms;
    for (unsigned i = 0; i < made->record.n; i++) {
        const struct reading *reading = &made->record.reading[i];
        for (size_t k = 0; k < sizeof READ / sizeof *READ; k++)
            if (reading->point == READ[k])
                printf("r %u %lld %lld %u %u %.17g\n", scan->source, (long long)t, (long long)until,
                       reading->point, reading->quality, reading->value);
    }
    for (unsigned i = 0; i < made->record.n && with_windows; i++) {
        const struct reading *reading = &made->record.reading[i];
        if (reading->point >= POINT_INTAKE_PRESSURE_MEAN_1MIN &&
            reading->point <= POINT_INSULATION_DAILY_CHANGE)
            printf("s %u %lld %u %u %.17g\n", scan->source, (long long)t, reading->point,
                   reading->quality, reading->value);
    }
}

/** A well that drifts, with noise, trouble and stops of the pump. */
static void live(struct made *made, int64_t poll_ms, int64_t until_ms)
{
    double pressure = 9000, temperature = 110, insulation = 5000;
    bool runs = true;
    int64_t trouble_until = 0;
    unsigned trouble = 0;
    for (int64_t ms = 0; ms < until_ms; ms += poll_ms) {
        const double hour = (double)ms / 3600000.0;
        pressure += runs ? -0.05 : 0.6;
        temperature += runs ? 0.01 * (1 - (temperature - 110) / 30) : -0.01;
        insulation = 5000.0 * exp(-0.02 * hour / 24.0);
        made->unit[INTAKE_PRESSURE_AT] = (uint16_t)(pressure + below(40));
        put_registers(&made->unit[WINDING_TEMPERATURE_AT], 2, WORDS_HIGH_FIRST, BYTES_HIGH_FIRST,
                      float_to_bits((float)temperature + 0.1F * (float)below(10)));
        made->unit[VIBRATION_AT + 1] = (uint16_t)(insulation + below(300));
        if (one_in(1500))
            runs = !runs;
        if (ms >= trouble_until) {
            trouble = one_in(150) ? 1 + below(4) : 0;
            trouble_until = ms + (int64_t)below(40) * poll_ms;
        }
        if (one_in(3000))
            ms += (int64_t)below(12) * 300000; /* nothing is asked at all */
        made->drive[0] = runs ? (uint16_t)(4500 + below(500)) : 0;
        made->drive[1] = runs ? 11 : 10;
        made->drive[2] = runs ? (uint16_t)(530 + below(40)) : 0;
        struct scan scan = trouble == 1 ? made_failed(made, ms) : made_scan(made, ms);
        if (trouble == 2)
            scan.stray = 3;
        if (trouble == 3)
            scan.words[2] = 0xFFFF; /* the marker of the intake pressure */
        made_measure(made, &scan);
        print_record(made, &scan, one_in(trouble != 0 ? 10 : 60));
        if (trouble == 4)
            continue; /* the drive is not asked */
        scan = made_drive_scan(made, ms + 700);
        made_measure(made, &scan);
        print_record(made, &scan, one_in(trouble != 0 ? 10 : 60));
    }
}

int main(int argc, char **argv)
{
    if (argc != 3)
        return 64;
    const bool of_days = strcmp(argv[2], "days") == 0;
    const int64_t poll_ms = of_days ? 600000 : 20000;
    struct well_data data = {.from_utc_ms = MADE_UTC_MS - 1000};
    state = strtoull(argv[1], NULL, 10) * UINT64_C(0x9E3779B97F4A7C15) + 1;
    struct made *made = made_new();
    make(made, &data, (uint32_t)poll_ms);
    live(made, poll_ms, of_days ? INT64_C(40) * 86400000 : INT64_C(30) * 3600000);
    made_free(made);
    return 0;
}
