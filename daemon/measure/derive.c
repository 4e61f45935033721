/* SPDX-License-Identifier: Apache-2.0
 *
 * derive.c - derived points: one table row each, quality from the worst input, and that input's
 * number beside it.
 *
 * A derived point rides with the records of one source, the first that maps one of its required
 * inputs, so that a well's columns stand still. All reasons that apply go through quality_first.
 */
#include "derive_rows.h"

#include <math.h>
#include <string.h>

#define STANDARD_GRAVITY_M_S2 9.80665 /* NIST SP 811 (2008) app. B */
#define ICE_POINT_K 273.15
#define VACUUM_KPA                                                                                 \
    110.0 /* no air weighs more (highest at sea level some 108.5 kPa, from memory)                 \
           */

static double difference(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    (void)setting;
    (void)quality;
    return value[0] - value[1];
}

static double column_m(double pressure_kpa, const struct well_setting *setting)
{
    return 1000.0 * pressure_kpa / (setting->density_kg_m3 * STANDARD_GRAVITY_M_S2);
}

/** Pressure head, ISO 9906 without the terms of elevation and velocity. A pump that runs and gives
 * less than it takes is no normal pump. */
static double pump_head(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    if (value[0] < value[1])
        *quality = QUALITY_OUTSIDE_VALIDITY;
    return column_m(value[0] - value[1], setting);
}

/** Never below the intake nor above the wellhead: there the column of one liquid is no longer what
 * makes the pressure. */
static double fluid_level(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    double level = column_m(value[0] - value[1], setting), depth = setting->intake_depth_m;
    if (level < 0.0 || (isfinite(depth) && level > depth)) {
        *quality = QUALITY_OUTSIDE_VALIDITY;
        level = level < 0.0 ? 0.0 : depth;
    }
    return level;
}

static double resultant(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    (void)setting;
    (void)quality;
    return sqrt(value[0] * value[0] + value[1] * value[1]);
}

/** Largest departure from the mean, in per cent of the mean (common practice, no source; NEMA MG 1
 * defines the unbalance of voltages so, from memory). */
static double unbalance(const double *value, const struct well_setting *setting, uint8_t *quality)
{
    (void)setting;
    double mean = (value[0] + value[1] + value[2]) / 3.0, largest = 0.0;
    for (unsigned i = 0; i < 3; i++) {
        if (value[i] < 0.0)
            *quality = QUALITY_OUT_OF_DOMAIN; /* the size of a current is not negative */
        if (fabs(value[i] - mean) > largest)
            largest = fabs(value[i] - mean);
    }
    if (!(mean > 0.0)) {
        *quality = QUALITY_OUT_OF_DOMAIN;
        return NAN;
    }
    return 100.0 * largest / mean;
}

/* Formulas: points.c, notes of each row. Motor temperature is the winding's, else the oil's;
 * whether the pump runs is told by its drive's state, else by the frequency. */
/* clang-format off */
static const struct derived_row DERIVED[] = {
    {.point = POINT_PUMP_DIFFERENTIAL_PRESSURE, .n_required = 2, .input = {{POINT_DISCHARGE_PRESSURE, 0}, {POINT_INTAKE_PRESSURE, 0}},
     .needs_one_reference = true, .compute = difference},
    {.point = POINT_PUMP_HEAD, .n_required = 2, .n_optional = 1, .input = {{POINT_DISCHARGE_PRESSURE, 0}, {POINT_INTAKE_PRESSURE, 0}, RUNS},
     .needs_one_reference = true, .needs_density = true, .needs_pump = true, .compute = pump_head},
    {.point = POINT_MOTOR_TEMPERATURE_RISE, .n_required = 2, .input = {MOTOR_TEMPERATURE, {POINT_INTAKE_TEMPERATURE, 0}}, .compute = difference},
    {.point = POINT_FLUID_LEVEL_ABOVE_INTAKE, .n_required = 2, .input = {{POINT_INTAKE_PRESSURE, 0}, {POINT_CASING_HEAD_PRESSURE, 0}},
     .needs_one_reference = true, .takes_atmosphere = true, .needs_density = true, .compute = fluid_level},
    {.point = POINT_VIBRATION_RESULTANT, .n_required = 2, .input = {{POINT_VIBRATION_X, 0}, {POINT_VIBRATION_Y, 0}},
     .needs_one_detector = true, .compute = resultant},
    {.point = POINT_CURRENT_UNBALANCE, .n_required = 3, .n_optional = 1,
     .input = {{POINT_MOTOR_CURRENT_A, 0}, {POINT_MOTOR_CURRENT_B, 0}, {POINT_MOTOR_CURRENT_C, 0}, RUNS}, .needs_pump = true, .compute = unbalance},
    {.point = POINT_INTAKE_PRESSURE_RATE, .how = HOW_RATE, .n_required = 1, .input = {{POINT_INTAKE_PRESSURE, 0}}},
    {.point = POINT_MOTOR_TEMPERATURE_RATE, .how = HOW_RATE, .n_required = 1, .input = {MOTOR_TEMPERATURE}},
    {.point = POINT_RUN_TIME, .how = HOW_RUN_TIME, .n_required = 1, .input = {RUNS}},
};
/* clang-format on */

#define DERIVED_COUNT (sizeof DERIVED / sizeof *DERIVED)

const struct derived_row *derived_row(size_t index)
{
    static const struct {
        const struct derived_row *row;
        const size_t *n;
    } REST[] = {{DERIVED_WELL, &DERIVED_WELL_COUNT},
                {DERIVED_CHAIN, &DERIVED_CHAIN_COUNT},
                {DERIVED_WINDOW, &DERIVED_WINDOW_COUNT}};
    size_t i = 0;
    if (index < DERIVED_COUNT)
        return &DERIVED[index];
    index -= DERIVED_COUNT;
    for (; i + 1 < sizeof REST / sizeof *REST && index >= *REST[i].n; i++)
        index -= *REST[i].n;
    return &REST[i].row[index];
}

size_t derived_count(void)
{
    return DERIVED_COUNT + DERIVED_WELL_COUNT + DERIVED_CHAIN_COUNT + DERIVED_WINDOW_COUNT;
}

unsigned derived_point(size_t index)
{
    return derived_row(index)->point;
}

enum derived_how derived_how(size_t index)
{
    return (enum derived_how)derived_row(index)->how;
}

const struct channel *well_channel(const struct plan *plan, const struct well_plan *well,
                                   unsigned point, int64_t utc_ms, uint8_t *source)
{
    for (uint8_t kind = SOURCE_GAUGE; kind < SOURCE_KINDS; kind++) {
        const struct source_entry *entry = entry_at(plan, well, kind, utc_ms);
        const struct channel *channel =
            entry != 0 ? map_channel(&plan->maps[entry->map], point) : 0;
        if (channel != 0) {
            *source = kind;
            return channel;
        }
    }
    *source = SOURCE_NONE;
    return 0;
}

/** Which of an input's two points the well has: told by map and configuration alone, never by what
 * a scan holds, so that a curve does not change its sensor unseen. */
static uint16_t point_of(const struct derived_input *input, const struct plan *plan,
                         const struct well_plan *well, int64_t utc_ms)
{
    const uint16_t points[2] = {input->point, input->or_else};
    uint16_t mapped = 0;
    for (unsigned i = 0; i < 2 && points[i] != 0; i++) {
        uint8_t source;
        if (well_channel(plan, well, points[i], utc_ms, &source) == 0)
            continue;
        const struct source_entry *entry = entry_at(plan, well, source, utc_ms);
        if (entry != 0 && entry->fitted[points[i]] != FITTED_NO)
            return points[i];
        if (mapped == 0)
            mapped = points[i];
    }
    return mapped != 0 ? mapped : input->point;
}

size_t derived_inputs(size_t index, const struct plan *plan, const struct well_plan *well,
                      int64_t utc_ms, uint16_t points[INPUTS_MAX])
{
    const struct derived_row *row = derived_row(index);
    unsigned n = (unsigned)row->n_required + row->n_optional;
    for (unsigned i = 0; i < n; i++)
        points[i] = point_of(&row->input[i], plan, well, utc_ms);
    return n;
}

uint8_t derived_source(size_t index, const struct plan *plan, const struct well_plan *well,
                       int64_t utc_ms)
{
    const struct derived_row *row = derived_row(index);
    uint8_t first = SOURCE_NONE, source;
    uint16_t points[INPUTS_MAX];
    if (well_datum_missing(well, utc_ms, row->needs) != WELL_DATA)
        return SOURCE_NONE; /* what it needs of the well is not stated: switched off */
    if (well_channel(plan, well, row->point, utc_ms, &source) != 0)
        return SOURCE_NONE; /* the map delivers it as measured */
    (void)derived_inputs(index, plan, well, utc_ms, points);
    if (well_datum_missing(well, utc_ms, derived_needs(row, plan, well, utc_ms, points)) !=
        WELL_DATA)
        return SOURCE_NONE;
    for (unsigned i = 0; i < row->n_required; i++) {
        if (well_channel(plan, well, points[i], utc_ms, &source) == 0)
            return SOURCE_NONE;
        if (first == SOURCE_NONE || source < first)
            first = source;
    }
    return first;
}

/* ---- inputs ---- */

/** A word of the map's remark, whatever its case. */
static bool says(const char *about, const char *word)
{
    size_t n = strlen(word);
    for (size_t i = 0; about[i] != '\0'; i++) {
        size_t k = 0;
        while (k < n && (about[i + k] | 0x20) == word[k])
            k++;
        int before = i > 0 ? about[i - 1] | 0x20 : ' ', after = about[i + k] | 0x20;
        if (k == n && !(before >= 'a' && before <= 'z') && !(after >= 'a' && after <= 'z'))
            return true;
    }
    return false;
}

void input_describe(struct input *input, unsigned point, const struct channel *channel)
{
    input->point = (uint16_t)point;
    input->is_mapped = channel != 0;
    input->reference = REFERENCE_NONE;
    input->detector = DETECTOR_UNKNOWN;
    if (channel == 0) {
        input->quality = QUALITY_NOT_MAPPED;
        input->value = NAN;
        return;
    }
    input->reference = channel->reference;
    bool is_rms = says(channel->about, "rms"), is_peak = says(channel->about, "peak");
    if (is_rms != is_peak)
        input->detector = is_rms ? DETECTOR_RMS : DETECTOR_PEAK;
    const bool is_motor = says(channel->about, "motor side"),
               is_drive = says(channel->about, "drive side");
    input->side = SIDE_UNKNOWN;
    if (is_motor != is_drive)
        input->side = is_motor ? SIDE_OF_MOTOR : SIDE_OF_DRIVE;
}

/* ---- quality ---- */

struct verdict {
    uint8_t quality, worst_input;
};

static void reason(struct verdict *verdict, uint8_t quality, unsigned worst_input)
{
    if (quality == verdict->quality || quality_first(verdict->quality, quality) != quality)
        return;
    verdict->quality = quality;
    verdict->worst_input = (uint8_t)worst_input;
}

/** A depth stated along the hole, below what was surveyed. */
static void judge_depths(const struct derived_row *row, const struct well_setting *setting,
                         struct verdict *verdict)
{
    static const enum well_datum DATUM[WELL_DEPTHS] = {DATUM_INTAKE_DEPTH, DATUM_GAUGE_DEPTH,
                                                       DATUM_DATUM_DEPTH};
    uint64_t needs = row->needs;
    if ((needs & NEEDS(DATUM_INTAKE_DEPTH)) != 0)
        needs |= NEEDS(DATUM_GAUGE_DEPTH); /* counts in the intake's place where it is stated */
    for (unsigned i = 0; setting->data != 0 && i < WELL_DEPTHS; i++)
        if ((needs & NEEDS(DATUM[i])) != 0 && setting->data->beyond_survey[i])
            reason(verdict, QUALITY_EXTRAPOLATED, 0);
}

static bool is_known(uint8_t reference)
{
    return reference == REFERENCE_ABSOLUTE || reference == REFERENCE_GAUGE;
}

/** Pressures of different references are brought to one only by the operator's own word. */
static bool atmosphere_helps(const struct derived_row *row, const struct well_setting *setting)
{
    return row->takes_atmosphere && isfinite(setting->local_atmosphere_kpa);
}

/** 8 where a constant is missing, or what the map says of the inputs does not fit together; the
 * input that is to be put right is named. */
static void judge_settings(const struct derived_row *row, const struct input *inputs,
                           const struct well_setting *setting, struct verdict *verdict)
{
    const unsigned pressures = row->needs_one_reference    ? row->n_required
                               : row->needs_same_pressures ? 2
                                                           : 0;
    for (unsigned i = 0; i < pressures; i++) {
        if (!is_known(inputs[i].reference) ||
            (inputs[i].reference != inputs[0].reference && !atmosphere_helps(row, setting)))
            reason(verdict, QUALITY_NOT_CONFIGURED, inputs[i].point);
    }
    for (unsigned i = 0; row->needs_one_detector && i < row->n_required; i++) {
        if (inputs[i].detector == DETECTOR_UNKNOWN)
            reason(verdict, QUALITY_INPUT_UNSURE, inputs[i].point);
        else if (inputs[0].detector != DETECTOR_UNKNOWN && inputs[i].detector != inputs[0].detector)
            reason(verdict, QUALITY_NOT_CONFIGURED, inputs[i].point);
    }
    for (unsigned i = 0; row->needs_absolute && i < row->n_required; i++) {
        const bool is_pressure = point_get(inputs[i].point)->kind == QUANTITY_PRESSURE;
        const bool counts_from_air =
            inputs[i].reference == REFERENCE_GAUGE && isfinite(setting->local_atmosphere_kpa);
        if (is_pressure && inputs[i].reference != REFERENCE_ABSOLUTE && !counts_from_air)
            reason(verdict, QUALITY_NOT_CONFIGURED, inputs[i].point);
    }
    for (unsigned i = 0; i < row->n_required; i++)
        reason(verdict, derive_side_quality(row, &inputs[i], setting), inputs[i].point);
    for (unsigned i = 0; row->needs_winding && i < row->n_required; i++)
        if (inputs[i].point == POINT_MOTOR_OIL_TEMPERATURE)
            reason(verdict, QUALITY_INPUT_UNSURE, inputs[i].point);
    judge_depths(row, setting, verdict);
    if (row->needs_density && !isfinite(setting->density_kg_m3))
        reason(verdict, QUALITY_NOT_CONFIGURED, 0);
    else if (row->needs_density && setting->is_assumed)
        reason(verdict, QUALITY_INPUT_UNSURE, 0);
}

/** A share of time running needs a drive that tells. */
static void judge_running(const struct derived_row *row, const struct input *inputs,
                          struct verdict *verdict)
{
    const bool of_running = row->how == HOW_MEAN && row->quantity == WINDOW_RUNNING;
    if (of_running &&
        pump_state_of(inputs[0].point, inputs[0].quality, inputs[0].value) == PUMP_UNKNOWN)
        reason(verdict, QUALITY_INPUT_BAD, inputs[0].point);
}

static void judge_inputs(const struct derived_row *row, const struct input *inputs,
                         struct verdict *verdict)
{
    uint8_t quality[INPUTS_MAX] = {0};
    unsigned n = (unsigned)row->n_required + row->n_optional;
    for (unsigned i = 0; i < n; i++)
        quality[i] = inputs[i].quality;
    int worst = -1;
    uint8_t result = quality_combine(quality, row->n_required, quality + row->n_required,
                                     row->n_optional, &worst);
    if (worst >= 0 && worst < (int)n)
        reason(verdict, result, inputs[worst].point);
    for (unsigned i = 0; i < row->n_required; i++)
        if (quality_class_of(quality[i]) != QUALITY_CLASS_BAD && !isfinite(inputs[i].value))
            reason(verdict, QUALITY_INPUT_BAD, inputs[i].point);
    if (!row->needs_pump)
        return;
    const struct input *runs = &inputs[n - 1];
    enum pump_state state = pump_state_of(runs->point, runs->quality, runs->value);
    if (state == PUMP_STOPPED)
        reason(verdict, QUALITY_PUMP_STOPPED, runs->point);
    else if (state == PUMP_UNKNOWN)
        reason(verdict, QUALITY_INPUT_UNSURE, runs->point);
}

/** What is made of well data alone stands while its carrier is read at all: then the clock tells
 * which entry holds, and the row is no older than the reading beside it. */
static void judge_ride(const struct input *input, struct verdict *verdict)
{
    if (quality_class_of(input->quality) == QUALITY_CLASS_BAD)
        reason(verdict, QUALITY_INPUT_BAD, input->point);
    else if (input->quality == QUALITY_STALE || input->quality == QUALITY_CLOCK_UNSURE ||
             input->quality == QUALITY_NOT_JOURNALED)
        reason(verdict, QUALITY_INPUT_UNSURE, input->point);
}

/** Numbers that nature, or any well, does not have: a map without `instrument_range` lets them
 * through. Values are in the unit of their point, pressures of rows that need it already absolute.
 * The upper ends lie far beyond all equipment (common practice, no source). */
static void judge_nature(const struct derived_row *row, const struct input *inputs,
                         const double *value, struct verdict *verdict)
{
    static const struct {
        uint8_t kind;
        double low, high;
    } NATURE[] = {
        {QUANTITY_TEMPERATURE, -ICE_POINT_K, 1e3},
        {QUANTITY_FREQUENCY, 0.0, 1e3},
        {QUANTITY_CURRENT, 0.0, 1e5},
        {QUANTITY_VOLTAGE, 0.0, 1e6},
        {QUANTITY_POWER, 0.0, 1e6},
        {QUANTITY_RESISTANCE, 0.0, 1e9},
        {QUANTITY_RATIO, 0.0, 1.0},
        {QUANTITY_PRESSURE, -INFINITY, 1e6},
    };
    for (unsigned i = 0; i < row->n_required; i++) {
        const struct point *point = point_get(inputs[i].point);
        for (size_t k = 0; k < sizeof NATURE / sizeof *NATURE; k++)
            if (point->kind == NATURE[k].kind &&
                (value[i] < NATURE[k].low || value[i] > NATURE[k].high))
                reason(verdict, QUALITY_OUT_OF_DOMAIN, inputs[i].point);
        const double vacuum =
            row->needs_absolute || inputs[i].reference == REFERENCE_ABSOLUTE ? 0.0 : -VACUUM_KPA;
        if (point->kind == QUANTITY_PRESSURE && value[i] < vacuum)
            reason(verdict, QUALITY_OUT_OF_DOMAIN, inputs[i].point);
    }
}

struct reading derive(size_t index, const struct input *inputs, const struct well_setting *setting,
                      int64_t *fresh)
{
    const struct derived_row *row = derived_row(index);
    double value[INPUTS_MAX] = {0};
    *fresh = INT64_MAX;
    for (unsigned i = 0; i < row->n_required; i++) {
        value[i] = derive_on_side(row, &inputs[i], setting, inputs[i].value);
        const bool is_mixed =
            atmosphere_helps(row, setting) && inputs[0].reference != inputs[1].reference;
        if ((is_mixed || row->needs_absolute) && inputs[i].reference == REFERENCE_GAUGE)
            value[i] += setting->local_atmosphere_kpa;
        if (inputs[i].fresh < *fresh)
            *fresh = inputs[i].fresh;
    }
    struct verdict verdict = {QUALITY_GOOD, 0};
    judge_settings(row, inputs, setting, &verdict);
    if (row->rides_only)
        judge_ride(&inputs[0], &verdict);
    else
        judge_inputs(row, inputs, &verdict);
    if (index >= DERIVED_COUNT && !row->rides_only)
        judge_nature(row, inputs, value, &verdict);
    judge_running(row, inputs, &verdict);
    double number = row->compute != 0 ? NAN : 0.0;
    if (row->compute != 0 && quality_class_of(verdict.quality) != QUALITY_CLASS_BAD) {
        uint8_t quality = QUALITY_GOOD;
        number = row->compute(value, setting, &quality) + 0.0;
        if (!isfinite(number) && quality_class_of(quality) != QUALITY_CLASS_BAD)
            quality = QUALITY_OUT_OF_DOMAIN;
        reason(&verdict, quality, 0);
    }
    return reading_of(row->point, verdict.quality, verdict.worst_input, number, 0.0);
}
