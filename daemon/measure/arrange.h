/* SPDX-License-Identifier: Apache-2.0
 *
 * arrange.h - what the plan alone says at a time: the well's data by name, and the derived points
 * that follow from maps and data. Private to measure.
 */
#ifndef UPHOLE_MEASURE_ARRANGE_H
#define UPHOLE_MEASURE_ARRANGE_H

#include "uphole/measure.h"

/* well_data.c */

/** What the configuration may state of a well beside its density; WELL_DATA: none. */
enum well_datum {
    DATUM_INTAKE_DEPTH = 0,
    DATUM_GAUGE_DEPTH,
    DATUM_DATUM_DEPTH,
    DATUM_PORT_SPACING,
    DATUM_STAGES,
    DATUM_REFERENCE_FREQUENCY,
    DATUM_LIQUID_RATE,
    DATUM_OIL_VOLUME_FACTOR,
    DATUM_GAS_GRAVITY,
    DATUM_GAS_OIL_RATIO,
    DATUM_OIL_GRAVITY,
    DATUM_WATER_CUT,
    DATUM_ANNULUS_DENSITY,
    DATUM_ANNULUS_TEMPERATURE,
    DATUM_STATIC_PRESSURE,
    DATUM_BUBBLE_POINT,
    DATUM_INDEX,
    DATUM_WINDING_LIMIT,
    DATUM_INSULATION_REFERENCE,
    DATUM_STATISTICS_COVERAGE,
    DATUM_INTAKE_LIMIT,
    DATUM_CURVE_FREQUENCY,
    DATUM_RATED_POWER,
    DATUM_RATED_FREQUENCY,
    DATUM_TRANSFORMER_RATIO,
    DATUM_TRANSFORMER_EFFICIENCY,
    DATUM_CABLE_LENGTH,
    DATUM_CABLE_TEMPERATURE,
    DATUM_FETKOVICH_EXPONENT,
    /* made of more than one key */
    DATUM_CABLE_RESISTANCE, /* as stated, else of the conductor's size */
    DATUM_CURVE,            /* rows of the pump's curve */
    DATUM_CURVE_POWER,      /* rows of it, where they state power or efficiency */
    DATUM_TESTS,            /* tests of the inflow, where they are enough for Fetkovich's curve */
    WELL_DATA
};
#define NEEDS(datum) (UINT64_C(1) << (datum))
/** A density counts as needed where this bit is set. */
#define NEEDS_DENSITY (UINT64_C(1) << MEASURE_DENSITY_BIT)
/** The first of `needs` that the well data of that time don't state; WELL_DATA where all stand.
 * Stages are not needed beside a curve of the whole pump. */
enum well_datum well_datum_missing(const struct well_plan *well, int64_t utc_ms, uint64_t needs);
/** All of `needs` that are missing. */
uint64_t well_data_missing(const struct well_plan *well, int64_t utc_ms, uint64_t needs);
/** As if it were not stated. */
void well_datum_forget(struct well_data *data, enum well_datum datum);
/** Its key in the configuration. */
const char *well_datum_key(enum well_datum datum);

struct well_setting {
    const struct well_data *data; /* 0: none */
    double datum[WELL_DATA];      /* in the units of struct well_data; NaN: not stated */
    double density_kg_m3;         /* NaN: not configured */
    bool rate_is_old;             /* liquid_rate was stated more than MEASURE_RATE_HOLDS_MS ago */
    bool is_assumed; /* the produced water's density is not stated; that of fresh water stands in */
    double intake_depth_m;       /* NaN: not configured */
    double local_atmosphere_kpa; /* NaN: not configured, and then nothing stands for it */
};
struct well_setting well_setting_at(const struct well_plan *well, int64_t utc_ms);
/** The pump's curve is that of one stage, in head or power: `stages` bring it to the pump. */
bool well_curve_is_of_stages(const struct well_data *data);
/** Resistance of a conductor at 20 degC by its size; NaN: not stated (formula_cable.c). */
double cable_size_ohm_km(enum cable_size size);
/** Dead oil's density at 60 degF from its API gravity. */
double oil_density_kg_m3(double gravity_api);

/* ---- arrange.c ---- */

#define DERIVED_MAX 128 /* derived_count() is below it: a test */
#define INPUTS_MAX 6

struct arranged_input {
    uint16_t point;
    uint8_t source;                    /* whose map has it; SOURCE_NONE: none */
    uint8_t reference, detector, side; /* as of struct input */
};
struct arranged_row {
    uint8_t index, source, n; /* of the tables; in whose records it goes; inputs */
    struct arranged_input input[INPUTS_MAX];
};
enum channel_is { CHANNEL_OF_GAUGE = 1, CHANNEL_IS_SENSOR = 2 };
/** Where registers, or one bit, stand in a scan's words. */
struct place {
    uint8_t at; /* enum looked_at */
    uint8_t bit;
    uint16_t word;
};
/** Of the map's channels, in scans of these blocks. */
struct places {
    uint8_t n_blocks; /* 0: found for none yet */
    uint16_t n_words;
    struct block block[SCAN_BLOCKS_MAX];
    struct place channel[MAP_CHANNELS_MAX];
};
struct arranged_source {
    bool has_sensors;                  /* the gauge stage is judged by them */
    uint8_t channel[MAP_CHANNELS_MAX]; /* of the entry's map: bits of enum channel_is */
    struct places places;
};
/** Holds for this plan and well, from `from_ms` to `to_ms` (UTC); plan NULL: for none. */
struct arrangement {
    const struct plan *plan; /* where it is, by which it is known again */
    const struct well_plan *well;
    uint32_t plan_digest;
    int64_t from_ms, to_ms;
    struct well_setting setting;
    struct arranged_source source[SOURCE_KINDS];
    uint16_t n;
    struct arranged_row row[DERIVED_MAX]; /* in the order of the tables */
};
/** What holds at `utc_ms`; made anew in `arranged` where that was for another plan, well or time.
 */
const struct arrangement *arrangement_at(struct arrangement *arranged, const struct plan *plan,
                                         const struct well_plan *well, int64_t utc_ms);

#endif
