/* SPDX-License-Identifier: Apache-2.0
 *
 * derive_rows.h - the tables of derived points, private to measure: what every ESP well has
 * (derive.c), well parameters that need dated well data (derive_well.c), and what looks back over
 * windows (derive_window.c).
 */
#ifndef UPHOLE_DERIVE_ROWS_H
#define UPHOLE_DERIVE_ROWS_H

#include "fold_state.h"

/* clang-format off */
#define RUNS {POINT_DRIVE_RUN_STATE, POINT_DRIVE_FREQUENCY}
#define MOTOR_TEMPERATURE {POINT_MOTOR_WINDING_TEMPERATURE, POINT_MOTOR_OIL_TEMPERATURE}
/* clang-format on */

/** Power on its way: drive, step-up transformer, cable, motor. */
enum power_at {
    POWER_AS_READ = 0,
    POWER_AT_DRIVE,
    POWER_AT_MOTOR_SIDE,     /* behind the transformer */
    POWER_AT_DRIVE_IF_KNOWN, /* as read where the way there is not stated */
};

/** One input; where the first point is not mapped, or stated as not fitted, the other stands for
 * it. */
struct derived_input {
    uint16_t point, or_else;
};
struct derived_row {
    uint16_t point;
    uint8_t how;            /* enum derived_how */
    uint8_t quantity, span; /* of a window: enum window_quantity and window_span */
    uint8_t limit;          /* of a time to a limit: enum well_datum */
    uint8_t n_required, n_optional;
    struct derived_input input[INPUTS_MAX]; /* required, then optional */
    bool needs_one_reference;  /* pressures to subtract: both absolute, or both gauge, and known */
    bool needs_same_pressures; /* the same of the first two inputs alone */
    bool takes_atmosphere;   /* of the well, where it is stated: makes a gauge pressure absolute */
    bool needs_one_detector; /* vibrations: both rms, or both peak */
    bool needs_motor_side;   /* of the step-up transformer: a current beside the motor's voltage */
    uint8_t power_at;   /* enum power_at: where on its way the row means the power that it reads */
    bool needs_winding; /* the oil is cooler than the winding that the limit is of */
    bool needs_density;
    bool needs_absolute; /* each pressure is brought to absolute; 8 where that can't be */
    bool rides_only; /* made of well data alone; its input only says with whose records it goes */
    uint64_t needs;  /* bits of enum well_datum: without them the point is switched off */
    bool needs_pump; /* exists only while the pump runs; its last input tells */
    /** May lower `quality`: 9 where there is no value, 72 where the formula does not hold. */
    double (*compute)(const double *value, const struct well_setting *setting, uint8_t *quality);
};

/** Well parameters: points 53 and above, in the order of their numbers. */
extern const struct derived_row DERIVED_WELL[];
extern const size_t DERIVED_WELL_COUNT;
/** Points 76 to 83: power on its way, and the pump against its curve. */
extern const struct derived_row DERIVED_CHAIN[];
extern const size_t DERIVED_CHAIN_COUNT;
/** What a row needs of the well's data: its own needs, and what brings its inputs to the right side
 * of the transformer. `points` are its inputs. */
uint64_t derived_needs(const struct derived_row *row, const struct plan *plan,
                       const struct well_plan *well, int64_t utc_ms, const uint16_t *points);
/** An input's value on the side of the transformer that the row means. */
double derive_on_side(const struct derived_row *row, const struct input *input,
                      const struct well_setting *setting, double value);
/** What that side says: 192, 69 where the map doesn't say on which one the input is, 8 where the
 * way between them isn't stated. */
uint8_t derive_side_quality(const struct derived_row *row, const struct input *input,
                            const struct well_setting *setting);
/** What looks back over windows. */
extern const struct derived_row DERIVED_WINDOW[];
extern const size_t DERIVED_WINDOW_COUNT;
/** Of all tables; `index` below derived_count(). */
const struct derived_row *derived_row(size_t index);

#endif
